//! The next scans that a table itself asks for.

use super::BandKind;
use crate::context::GestationalAge;
use crate::source::Citation;

/// One row: for exams at these ages with these findings, a scan at those ages.
#[derive(Clone, Debug, PartialEq)]
pub struct FollowUp {
    /// Its id, unique in the table.
    pub id: String,
    /// Ages at the exam, both included.
    pub ages: (GestationalAge, GestationalAge),
    /// Kinds of finding it holds for; empty for any.
    pub kinds: Vec<BandKind>,
    /// First and last age of the next scan, both included; `None` for a statement.
    pub window: Option<(GestationalAge, GestationalAge)>,
    /// What it says.
    pub text: String,
    /// Where it comes from.
    pub source: Citation,
}
