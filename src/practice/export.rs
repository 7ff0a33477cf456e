//! Answered cases for other programs, one row a case.

use super::KINDER;
use super::attempt::{Attempt, Source};
use super::marking::{Answer, Expected};
use crate::csv_text::{csv_text, words_cell};
use crate::error::{Error, ErrorKind, Result};

/// Said with every export.
pub const ROW_NOTE: &str = "One row a case. Lengths in mm, signed: positive away from the os. error_mm is read less true. Course and own cases are never to be pooled.";

/// The columns of the table.
const COLUMNS: [&str; 18] = [
    "case",
    "source",
    "level",
    "given_at",
    "submitted_at",
    "seconds",
    "expected",
    "answered",
    "decision_right",
    "reason_right",
    "true_mm",
    "read_mm",
    "error_mm",
    "side_right",
    "finding_right",
    "within_3_mm_of_a_limit",
    "done_well",
    "guideline",
];

/// The rows as CSV; absent values are empty.
///
/// # Errors
/// As [`csv_text`].
pub fn to_csv(attempts: &[Attempt]) -> Result<String> {
    csv_text(&COLUMNS, attempts.iter().map(|a| row(a).map(|cell| words_unless_number(&cell)).to_vec()))
}

/// Numbers may begin with a sign; words that do are no formula.
fn words_unless_number(cell: &str) -> String {
    if cell.parse::<f64>().is_ok() { cell.to_owned() } else { words_cell(cell) }
}

fn row(a: &Attempt) -> [String; COLUMNS.len()] {
    let m = &a.marked;
    let yes = |b: bool| if b { "yes" } else { "no" }.to_owned();
    let maybe = |b: Option<bool>| b.map(yes).unwrap_or_default();
    let mm = |v: Option<crate::units::Mm>| v.map(|v| format!("{:.3}", v.get())).unwrap_or_default();
    let expected = match m.expected {
        Expected::Read => "read".to_owned(),
        Expected::Reject { reason } => format!("reject: {}", reason.words()),
    };
    let answered = match a.answer {
        Answer::Read { side, .. } => format!("read: {}", side.words()),
        Answer::Reject { reason } => format!("reject: {}", reason.words()),
    };
    [
        a.case.id.clone(),
        if a.case.source == Source::Own { "own" } else { "course" }.to_owned(),
        a.level().map(|l| l.number().to_string()).unwrap_or_default(),
        a.taken.given_at.clone(),
        a.taken.submitted_at.clone(),
        a.taken.seconds().map(|s| format!("{s:.0}")).unwrap_or_default(),
        expected,
        answered,
        yes(m.decision_right),
        maybe(m.reason_right),
        mm(m.true_mm),
        mm(m.read_mm),
        mm(m.error_mm),
        maybe(m.side_right),
        maybe(m.finding_right),
        yes(m.near_limit),
        yes(m.well),
        a.table.id.clone(),
    ]
}

/// The same as JSON, with what must be said of it.
///
/// # Errors
/// [`ErrorKind::Format`] when it cannot be written, which no attempt causes.
pub fn to_json(attempts: &[Attempt]) -> Result<String> {
    let all = serde_json::json!({ "caution": KINDER, "note": ROW_NOTE, "cases": attempts });
    serde_json::to_string_pretty(&all)
        .map(|t| t + "\n")
        .map_err(|e| Error::new(ErrorKind::Format, "the answered cases cannot be written").caused_by(e))
}
