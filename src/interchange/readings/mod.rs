//! Saved readings as one table, a row each: for spreadsheets, statistics programs and analytics engines.
//!
//! Units stand in the names of the columns; [`dictionary`] says what each column means. Numbers are unrounded. Who she is and
//! what leads back to her files comes in only where it was asked for.

mod columns;
#[cfg(feature = "parquet")]
pub mod parquet;

use std::collections::HashSet;

use jiff::{Timestamp, civil::Date};

use crate::csv_text::{csv_text, words_cell};
use crate::error::Result;
use crate::record::{ReadingRecord, followed};

pub use columns::COLUMNS;

/// One reading of the table.
#[derive(Clone, Copy, Debug)]
pub struct Row<'a> {
    /// The record.
    pub record: &'a ReadingRecord,
    /// Whether no other record of the table follows it.
    pub current: bool,
    /// Whether reports and lists take a distance and finding from it: not, where a review let another reading stand, or none
    /// has been made yet and somebody else read first.
    pub stands: bool,
}

/// The rows of a folder's records in the order given. `not_standing` holds ids ([`crate::review::not_standing`]).
#[must_use]
pub fn rows<'a>(records: &'a [ReadingRecord], not_standing: &HashSet<String>) -> Vec<Row<'a>> {
    let followed = followed(records.iter().map(|r| &r.follows));
    let row = |record: &'a ReadingRecord| {
        let current = !followed.contains(record.id());
        Row { record, current, stands: current && !not_standing.contains(record.id()) }
    };
    records.iter().map(row).collect()
}

/// What a cell holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing: not known, or of another kind of reading.
    Nothing,
    /// Words.
    Text(String),
    /// A number in the column's unit.
    Number(f64),
    /// A whole number in the column's unit.
    Whole(i64),
    /// Yes or no.
    Flag(bool),
    /// A calendar day.
    Day(Date),
    /// A moment.
    Moment(Timestamp),
}

/// What all cells of a column hold, if anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// [`Cell::Text`].
    Text,
    /// [`Cell::Number`].
    Number,
    /// [`Cell::Whole`].
    Whole,
    /// [`Cell::Flag`].
    Flag,
    /// [`Cell::Day`].
    Day,
    /// [`Cell::Moment`].
    Moment,
}

impl Kind {
    /// How the dictionary calls it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Number => "number",
            Self::Whole => "whole number",
            Self::Flag => "true or false",
            Self::Day => "day, YYYY-MM-DD",
            Self::Moment => "moment, RFC 3339 in UTC",
        }
    }
}

/// One column.
#[derive(Clone, Copy, Debug)]
pub struct Column {
    /// Its name, with the unit at its end.
    pub name: &'static str,
    /// What its cells hold.
    pub kind: Kind,
    /// The unit, by UCUM where it is one; empty for none.
    pub unit: &'static str,
    /// What it means.
    pub means: &'static str,
    /// Whether it says who she is or leads back to her files.
    pub identity: bool,
    /// A row's cell.
    pub of: fn(&Row<'_>) -> Cell,
}

/// The columns, with or without those of identity.
#[must_use]
pub fn columns(identity: bool) -> Vec<&'static Column> {
    COLUMNS.iter().filter(|c| identity || !c.identity).collect()
}

/// The table as CSV (RFC 4180, UTF-8). Text that a spreadsheet would take for a formula begins with an apostrophe.
///
/// # Errors
/// As [`csv_text`].
pub fn csv(rows: &[Row<'_>], identity: bool) -> Result<String> {
    let columns = columns(identity);
    let header: Vec<&str> = columns.iter().map(|c| c.name).collect();
    csv_text(&header, rows.iter().map(|row| columns.iter().map(|c| printed((c.of)(row))).collect()))
}

/// What each column means, as CSV: name, kind, unit, meaning, whether it says who she is.
///
/// # Errors
/// As [`csv_text`].
pub fn dictionary() -> Result<String> {
    let rows = COLUMNS.iter().map(|c| {
        let words = [c.name, c.kind.words(), c.unit, c.means].map(words_cell);
        words.into_iter().chain([c.identity.to_string()]).collect()
    });
    csv_text(&["column", "kind", "unit", "meaning", "identity"], rows)
}

fn printed(cell: Cell) -> String {
    match cell {
        Cell::Nothing => String::new(),
        Cell::Text(t) => words_cell(&t),
        // The shortest text that reads back as the same number.
        Cell::Number(n) => n.to_string(),
        Cell::Whole(n) => n.to_string(),
        Cell::Flag(f) => f.to_string(),
        Cell::Day(d) => d.to_string(),
        Cell::Moment(t) => t.to_string(),
    }
}
