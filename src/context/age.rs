//! Gestational age by calendar dates.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// Days from the first day of the last period to the due date (280, the usual reckoning).
pub const TERM_DAYS: i32 = 280;
/// The highest gestational age that is believed, days: 45w0d (an assumption of this program, no source).
pub const MAX_AGE_DAYS: u16 = 45 * 7;

/// Completed days of pregnancy, counted from the first day of the last period. From 0 to [`MAX_AGE_DAYS`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u16", into = "u16")]
pub struct GestationalAge(u16);

impl GestationalAge {
    /// `weeks` completed weeks and `days` more, for ages that are part of a rule. Capped at [`MAX_AGE_DAYS`].
    #[must_use]
    pub const fn weeks_and_days(weeks: u8, days: u8) -> Self {
        let total = weeks as u16 * 7 + days as u16;
        Self(if total > MAX_AGE_DAYS { MAX_AGE_DAYS } else { total })
    }

    /// An age of `total_days` days.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] below 0 or above [`MAX_AGE_DAYS`].
    pub fn from_total_days(total_days: i32) -> Result<Self> {
        match u16::try_from(total_days) {
            Ok(days) if days <= MAX_AGE_DAYS => Ok(Self(days)),
            _ => Err(Error::new(ErrorKind::Invalid, "the gestational age is not plausible")
                .expected(format!("from 0w0d to {} (an assumption of this program)", Self(MAX_AGE_DAYS)))
                .found(if total_days < 0 {
                    format!("an exam {} days before day 0 of the pregnancy", total_days.unsigned_abs())
                } else {
                    format!("{}w{}d", total_days / 7, total_days % 7)
                })
                .remedy("Check the exam date and the due date or last period")),
        }
    }

    /// Completed weeks.
    #[must_use]
    pub const fn weeks(self) -> u16 {
        self.0 / 7
    }

    /// Days beyond the completed weeks, 0 to 6.
    #[must_use]
    pub const fn days(self) -> u16 {
        self.0 % 7
    }

    /// All days.
    #[must_use]
    pub const fn total_days(self) -> u16 {
        self.0
    }
}

impl fmt::Display for GestationalAge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}w{}d", self.weeks(), self.days())
    }
}

impl FromStr for GestationalAge {
    type Err = Error;

    /// Reads "32w1d".
    fn from_str(text: &str) -> Result<Self> {
        let parts = text.trim().strip_suffix('d').and_then(|t| t.split_once('w'));
        let number = |t: &str| t.bytes().all(|b| b.is_ascii_digit()).then(|| t.parse::<u8>().ok()).flatten();
        match parts.and_then(|(w, d)| number(w).zip(number(d))) {
            Some((weeks, days)) if days < 7 => Self::from_total_days(i32::from(weeks) * 7 + i32::from(days)),
            _ => Err(Error::new(ErrorKind::Invalid, "the gestational age cannot be read")
                .expected("weeks and days such as 32w1d")
                .found(format!("\"{}\"", text.chars().take(40).collect::<String>()))),
        }
    }
}

impl TryFrom<u16> for GestationalAge {
    type Error = Error;
    fn try_from(days: u16) -> Result<Self> {
        Self::from_total_days(i32::from(days))
    }
}

impl From<GestationalAge> for u16 {
    fn from(age: GestationalAge) -> Self {
        age.0
    }
}

/// What the gestational age is reckoned from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dating {
    /// The due date (expected date of delivery).
    DueDate(Date),
    /// The first day of the last menstrual period.
    LastPeriod(Date),
}

impl Dating {
    /// The due date: given, or last period + [`TERM_DAYS`].
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when the date leaves the calendar.
    pub fn due_date(self) -> Result<Date> {
        match self {
            Self::DueDate(due) => Ok(due),
            Self::LastPeriod(period) => period
                .checked_add(jiff::Span::new().days(TERM_DAYS))
                .map_err(|e| Error::new(ErrorKind::Invalid, "the last period cannot be used").found(period.to_string()).caused_by(e)),
        }
    }

    /// The words shown for it.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::DueDate(d) => format!("due date {d}"),
            Self::LastPeriod(d) => format!("last period {d}"),
        }
    }
}

/// The gestational age on `exam_date`, by calendar dates alone: days = [`TERM_DAYS`] − (due date − exam date).
///
/// # Errors
/// [`ErrorKind::Invalid`] when the age is below 0 or above [`MAX_AGE_DAYS`], which means that a date is wrong.
pub fn gestational_age(dating: Dating, exam_date: Date) -> Result<GestationalAge> {
    let due = dating.due_date()?;
    let days_left = (due - exam_date).get_days();
    GestationalAge::from_total_days(TERM_DAYS - days_left)
        .map_err(|e| Error::new(ErrorKind::Invalid, format!("{} with {} and exam date {exam_date}", e.message(), dating.words())))
}

/// The calendar date on which a pregnancy reaches `age`.
///
/// # Errors
/// [`ErrorKind::Invalid`] when the date leaves the calendar.
pub fn date_at(dating: Dating, age: GestationalAge) -> Result<Date> {
    let before_due = i32::from(age.total_days()) - TERM_DAYS;
    dating
        .due_date()?
        .checked_add(jiff::Span::new().days(before_due))
        .map_err(|e| Error::new(ErrorKind::Invalid, format!("no date can be given for {age}")).found(dating.words()).caused_by(e))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn ages_are_read_as_they_are_printed() {
        for text in ["0w0d", "16w1d", "32w0d", "45w0d"] {
            assert_eq!(text.parse::<GestationalAge>().unwrap().to_string(), text);
        }
        for text in ["", "32", "32w", "32w7d", "-1w0d", "+1w0d", "45w1d", "32w0d5", "w1d", "999w0d"] {
            assert!(text.parse::<GestationalAge>().is_err(), "{text}");
        }
    }

    #[test]
    fn a_date_and_its_age_are_inverse() {
        let dating = Dating::DueDate(Date::constant(2024, 6, 1));
        assert_eq!(date_at(dating, "26w5d".parse().unwrap()).unwrap(), Date::constant(2024, 2, 29));
        for days in 0..=MAX_AGE_DAYS {
            let age = GestationalAge::from_total_days(i32::from(days)).unwrap();
            assert_eq!(gestational_age(dating, date_at(dating, age).unwrap()).unwrap(), age);
        }
    }
}
