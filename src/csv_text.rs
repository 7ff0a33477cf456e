//! CSV as text: RFC 4180 with a header line, safe to open in a spreadsheet.

use csv::{Terminator, WriterBuilder};

use crate::error::{Error, ErrorKind, Result};

/// A cell of words. One that a spreadsheet would take for a formula is set off by an apostrophe; numbers are not passed
/// through here.
#[must_use]
pub fn words_cell(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

/// A header and rows as CSV, lines ending in CR LF. Every row has as many cells as the header.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a row has another number of cells than the header.
pub fn csv_text<H: AsRef<[u8]>>(header: &[H], rows: impl IntoIterator<Item = Vec<String>>) -> Result<String> {
    let unfit = |found: String| Error::new(ErrorKind::Invalid, "the table cannot be written as CSV").found(found);
    let mut writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(header).map_err(|e| unfit(e.to_string()))?;
    for row in rows {
        writer.write_record(&row).map_err(|e| unfit(e.to_string()))?;
    }
    let bytes = writer.into_inner().map_err(|e| unfit(e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| unfit(e.to_string()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn cells_are_quoted_where_they_must_be_and_never_a_formula() {
        let rows = [vec![words_cell("=1+1"), "a,b".into(), "-4.2".into()], vec!["two\nlines".into(), "\"said\"".into(), String::new()]];
        let text = csv_text(&["who", "what", "mm"], rows).unwrap();
        assert_eq!(text, "who,what,mm\r\n'=1+1,\"a,b\",-4.2\r\n\"two\nlines\",\"\"\"said\"\"\",\r\n");
    }

    #[test]
    fn a_row_of_another_length_is_refused() {
        assert!(csv_text(&["a", "b"], [vec!["1".to_owned()]]).is_err());
    }
}
