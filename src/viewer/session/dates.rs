//! Dates as people type and read them. What could mean two things is refused.

use jiff::civil::Date;

const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// "14 Mar 2031".
#[must_use]
pub fn show(date: Date) -> String {
    let month = usize::try_from(date.month() - 1).ok().and_then(|m| MONTHS.get(m)).copied().unwrap_or("?");
    format!("{} {month} {}", date.day(), date.year())
}

/// Reads "2031-03-14" or "14 Mar 2031"; `None` for an empty text.
///
/// # Errors
/// The message to show beside the field. "03/04/2031" is refused: it could be March or April.
pub fn parse(text: &str) -> Result<Option<Date>, String> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let help = || format!("expected a date such as 2031-03-14 or 14 Mar 2031, found \"{text}\"");
    let bytes = text.as_bytes();
    if bytes.len() == 10 && bytes.get(4) == Some(&b'-') {
        return text.parse::<Date>().map(Some).map_err(|_| help());
    }
    let parts: Vec<&str> = text.split_whitespace().collect();
    let [day, month, year] = parts.as_slice() else { return Err(help()) };
    let name: String = month.chars().take(3).collect();
    let month = MONTHS.iter().position(|m| m.eq_ignore_ascii_case(&name)).ok_or_else(help)?;
    let number = |s: &str| s.parse::<i16>().map_err(|_| help());
    let (day, year) = (number(day)?, number(year)?);
    if year < 1000 {
        return Err(help());
    }
    let as_i8 = |v: i16| i8::try_from(v).map_err(|_| help());
    Date::new(year, as_i8(i16::try_from(month).unwrap_or(0) + 1)?, as_i8(day)?).map(Some).map_err(|_| help())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn dates_that_could_mean_two_things_are_refused() {
        let d = jiff::civil::date(2031, 3, 14);
        assert_eq!(parse("2031-03-14"), Ok(Some(d)));
        assert_eq!(parse(" 14 march 2031 "), Ok(Some(d)));
        assert_eq!(parse(&show(d)), Ok(Some(d)));
        assert_eq!(parse(""), Ok(None));
        for bad in ["03/04/2031", "3.4.2031", "2031-02-30", "14 Mar 31", "14 Xyz 2031", "2031-3-1", "2031"] {
            assert!(parse(bad).unwrap_err().contains(bad), "{bad}");
        }
    }
}
