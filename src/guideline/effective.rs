//! From when to when an edition of a guideline is in effect.

use jiff::civil::Date;

use crate::source::Citation;

/// When a table is in effect: whole years, months or days, as its source gives them.
#[derive(Clone, Debug, PartialEq)]
pub struct Effective {
    /// First day, and the text it was written as.
    pub from: Option<(Date, String)>,
    /// Last day, and the text it was written as.
    pub to: Option<(Date, String)>,
    /// Where `from` comes from.
    pub from_source: Option<Citation>,
    /// Where `to` comes from.
    pub to_source: Option<Citation>,
}

impl Effective {
    /// Whether an exam of this day lies before the table's first day.
    #[must_use]
    pub fn not_yet(&self, on: Date) -> bool {
        self.from.as_ref().is_some_and(|(first, _)| on < *first)
    }

    /// Whether an exam of this day lies after the table's last day.
    #[must_use]
    pub fn no_longer(&self, on: Date) -> bool {
        self.to.as_ref().is_some_and(|(last, _)| on > *last)
    }

    /// "in effect from 2018", "in effect from 2014 to 2020-06".
    #[must_use]
    pub fn words(&self) -> String {
        let part = |lead: &str, end: &Option<(Date, String)>| end.as_ref().map(|(_, t)| format!(" {lead} {t}")).unwrap_or_default();
        format!("in effect{}{}", part("from", &self.from), part("to", &self.to))
    }
}

/// The first and last day of "2018", "2018-09" or "2018-09-27".
pub(super) fn days(text: &str) -> Option<(Date, Date)> {
    let text = text.trim();
    if text.len() == 10 {
        let day: Date = text.parse().ok()?;
        return Some((day, day));
    }
    let digits = |t: &str, n: usize| (t.len() == n && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse::<i16>().ok()).flatten();
    if let Some((year, month)) = text.split_once('-') {
        let first = Date::new(digits(year, 4)?, i8::try_from(digits(month, 2)?).ok()?, 1).ok()?;
        return Some((first, first.last_of_month()));
    }
    let year = digits(text, 4)?;
    Some((Date::new(year, 1, 1).ok()?, Date::new(year, 12, 31).ok()?))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn years_months_and_days_are_read() {
        let show = |t: &str| days(t).map(|(a, b)| (a.to_string(), b.to_string()));
        assert_eq!(show("2018"), Some(("2018-01-01".into(), "2018-12-31".into())));
        assert_eq!(show("2024-02"), Some(("2024-02-01".into(), "2024-02-29".into())));
        assert_eq!(show("2018-09-27"), Some(("2018-09-27".into(), "2018-09-27".into())));
        for bad in ["", "18", "2018-13", "2018-9", "2018-02-30", "20180927", "from 2018"] {
            assert_eq!(days(bad), None, "{bad}");
        }
    }
}
