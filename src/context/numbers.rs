//! Numbers as people type them: decimal point or comma, what could mean two things refused, and a range for each.

use crate::error::{Error, ErrorKind, Result};
use crate::units::Mm;

/// What a typed number may be. The ranges are plausibility checks of this program; no source gives them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// What is asked for, in words.
    pub what: &'static str,
    /// Least, included.
    pub least: f64,
    /// Most, included.
    pub most: f64,
    /// The unit, as shown.
    pub unit: &'static str,
}

impl Limits {
    /// Cervical length, mm.
    pub const CERVICAL_LENGTH: Self = Self::of("the cervical length", 0.0, 100.0, " mm");
    /// Distance from the os to a vessel, mm.
    pub const VESSEL: Self = Self::of("the distance to the vessel", 0.0, 150.0, " mm");
    /// A signed distance measured elsewhere, mm.
    pub const ELSEWHERE: Self = Self::of("the distance measured elsewhere", -100.0, 150.0, " mm");
    /// Previous caesareans.
    pub const CAESAREANS: Self = Self::of("the number of previous caesareans", 0.0, 15.0, "");
    /// Fetuses.
    pub const FETUSES: Self = Self::of("the number of fetuses", 1.0, 8.0, "");
    /// Bleeding episodes.
    pub const EPISODES: Self = Self::of("the number of bleeding episodes", 0.0, 50.0, "");
    /// Station of the head, cm.
    pub const STATION: Self = Self::of("the station of the head", -5.0, 5.0, " cm");

    const fn of(what: &'static str, least: f64, most: f64, unit: &'static str) -> Self {
        Self { what, least, most, unit }
    }

    fn refused(&self, found: impl std::fmt::Display) -> Error {
        Error::new(ErrorKind::Invalid, format!("{} cannot be taken", self.what))
            .expected(format!("a number from {} to {}{}", self.least, self.most, self.unit))
            .found(found.to_string())
            .remedy("Check the number and its unit")
    }

    /// The value, when it lies in the range.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`].
    pub fn check(&self, value: f64) -> Result<f64> {
        // A NaN fails both comparisons.
        if value >= self.least && value <= self.most { Ok(value + 0.0) } else { Err(self.refused(value)) }
    }

    /// Reads typed millimetres; nothing for an empty text.
    ///
    /// # Errors
    /// As [`decimal`] and [`Limits::check`].
    pub fn millimetres(&self, text: &str) -> Result<Option<Mm>> {
        if text.trim().is_empty() {
            return Ok(None);
        }
        let value = decimal(text).map_err(|e| self.refused(e))?;
        self.check(value).map(|v| Some(Mm::new(v)))
    }

    /// Reads a typed whole number; nothing for an empty text.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`].
    pub fn count<T: TryFrom<i32>>(&self, text: &str) -> Result<Option<T>> {
        if text.trim().is_empty() {
            return Ok(None);
        }
        let value = whole(text).ok_or_else(|| self.refused(format!("\"{}\"", text.trim())))?;
        self.check(f64::from(value))?;
        T::try_from(value).map(Some).map_err(|_| self.refused(value))
    }
}

/// A number with a decimal point or comma. One comma before exactly three digits could be either and is refused.
///
/// # Errors
/// The words to show.
pub fn decimal(text: &str) -> std::result::Result<f64, String> {
    let t = text.trim();
    if let Some((whole, fraction)) = t.split_once(',')
        && (t.contains('.')
            || fraction.contains(',')
            || (fraction.len() == 3 && !matches!(whole.trim_start_matches(['-', '−', '+']), "" | "0")))
    {
        return Err(format!("\"{t}\" could be read in two ways; write it with a decimal point"));
    }
    // Only digits, one sign and one separator: no exponents, no words.
    let plain = t.replace(',', ".").replace('−', "-");
    let digits = plain.strip_prefix(['-', '+']).unwrap_or(&plain);
    let sound = digits.bytes().any(|b| b.is_ascii_digit()) && digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    sound.then(|| plain.parse().ok()).flatten().filter(|v: &f64| v.is_finite()).ok_or_else(|| format!("expected a number, found \"{t}\""))
}

/// A whole number with an optional sign; `None` for anything else.
#[must_use]
pub fn whole(text: &str) -> Option<i32> {
    let t = text.trim().replace('−', "-");
    let digits = t.strip_prefix(['-', '+']).unwrap_or(&t);
    (!digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn commas_and_points_are_read_and_what_could_be_two_numbers_is_refused() {
        for (text, want) in
            [("10,5", 10.5), ("10.5", 10.5), (" 7 ", 7.0), ("-3,25", -3.25), ("−4", -4.0), ("0,125", 0.125), (",125", 0.125)]
        {
            assert_eq!(decimal(text), Ok(want), "{text}");
        }
        for text in ["1,050", "-1,050", "1,050.5", "1,2,3", "1.2.3", "NaN", "inf", "1e3", "", "-", "ten", "0x10", "12 mm"] {
            assert!(decimal(text).is_err(), "{text}");
        }
        assert!(decimal("1,050").unwrap_err().contains("two ways"));
    }

    #[test]
    fn numbers_out_of_range_are_refused_with_the_range() {
        let e = Limits::CERVICAL_LENGTH.millimetres("310").unwrap_err().to_string();
        assert!(e.contains("from 0 to 100 mm") && e.contains("310"), "{e}");
        assert_eq!(Limits::CERVICAL_LENGTH.millimetres("31,5").unwrap(), Some(Mm::new(31.5)));
        assert_eq!(Limits::CERVICAL_LENGTH.millimetres("  ").unwrap(), None);
        assert!(Limits::VESSEL.millimetres("-1").is_err() && Limits::VESSEL.check(f64::NAN).is_err());
        assert_eq!(Limits::STATION.count::<i8>("-3").unwrap(), Some(-3));
        assert_eq!(Limits::CAESAREANS.count::<u8>("2").unwrap(), Some(2));
        for text in ["-1", "16", "1.5", "two", "256", "1,050"] {
            assert!(Limits::CAESAREANS.count::<u8>(text).is_err(), "{text}");
        }
    }
}
