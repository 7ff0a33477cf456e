//! One answered case of the course, as it stands in its file.

use serde::{Deserialize, Serialize};

use super::VERSION;
use super::course::{Level, Task};
use super::key::AnswerKey;
use super::marking::{Answer, Marked, mark};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{Table, TableRef};

/// Version of the record's shape.
pub const PRACTICE_SCHEMA: &str = "osspan-practice/1";
/// Largest difference between a recorded number and the recomputed one, mm.
const TOLERANCE_MM: f64 = 1e-9;

/// Where a case comes from. The two sorts are never scored together.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "from")]
pub enum Source {
    /// The course: what the case is follows from these.
    Course {
        /// [`VERSION`] of the course.
        version: u32,
        /// The level.
        level: Level,
        /// The seed, which nobody is told before the case is answered.
        seed: u64,
    },
    /// A department's own frame with a consensus reading.
    Own,
}

/// Which case.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaseRef {
    /// Its identifier.
    pub id: String,
    /// Where it comes from.
    pub source: Source,
}

/// Who answered, and when.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Taken {
    /// The trainee.
    pub reader: String,
    /// When the case was given, RFC 3339.
    pub given_at: String,
    /// When it was answered.
    pub submitted_at: String,
}

impl Taken {
    /// Time between the two, s; `None` when one of them is no time or the clock went back.
    #[must_use]
    pub fn seconds(&self) -> Option<f64> {
        let at = |t: &str| t.parse::<jiff::Timestamp>().ok();
        let (from, to) = (at(&self.given_at)?, at(&self.submitted_at)?);
        let seconds = to.duration_since(from).as_secs_f64();
        (seconds >= 0.0).then_some(seconds)
    }
}

/// An answered case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Attempt {
    /// [`PRACTICE_SCHEMA`].
    pub schema: String,
    /// SHA-256 (hex) of the compact JSON with this field empty.
    pub content_sha256: String,
    /// Name and version of the program.
    pub software: String,
    /// The case.
    pub case: CaseRef,
    /// Who and when.
    pub taken: Taken,
    /// What was answered.
    pub answer: Answer,
    /// The guideline table it was marked under.
    pub table: TableRef,
    /// What came of it.
    pub marked: Marked,
}

impl Attempt {
    /// Marks an answer and makes its record.
    ///
    /// # Errors
    /// As [`mark`]; [`ErrorKind::Invalid`] when nobody is named.
    pub fn new(case: CaseRef, taken: Taken, answer: Answer, key: &AnswerKey, table: &Table) -> Result<Self> {
        if taken.reader.trim().is_empty() {
            return Err(Error::new(ErrorKind::Invalid, "the answer is not taken").expected("the trainee's name").found("none"));
        }
        let mut made = Self {
            schema: PRACTICE_SCHEMA.into(),
            content_sha256: String::new(),
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            case,
            taken,
            answer,
            table: TableRef::from(table),
            marked: mark(&answer, key, table)?,
        };
        made.content_sha256 = made.digest()?;
        Ok(made)
    }

    /// The level, of a case of the course.
    #[must_use]
    pub const fn level(&self) -> Option<Level> {
        match self.case.source {
            Source::Course { level, .. } => Some(level),
            Source::Own => None,
        }
    }

    fn digest(&self) -> Result<String> {
        let bare = Self { content_sha256: String::new(), ..self.clone() };
        let text = serde_json::to_vec(&bare).map_err(|e| unwritable(&e))?;
        Ok(digest::sha256_hex(text))
    }

    /// The record as text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map(|t| t + "\n").map_err(|e| unwritable(&e))
    }

    /// Reads a record's text.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when damaged, changed or of another version.
    pub fn from_json(text: &str) -> Result<Self> {
        let fail = |found: String| Error::new(ErrorKind::Record, "the answered case cannot be read").expected(PRACTICE_SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| fail(e.to_string()))?;
        if read.schema != PRACTICE_SCHEMA {
            return Err(fail(read.schema));
        }
        if read.digest()? != read.content_sha256 {
            return Err(fail("one whose content does not match its digest: it was changed".into()));
        }
        Ok(read)
    }

    /// Marks the answer again from the case's own level and seed, and compares.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it comes out otherwise; [`ErrorKind::Unsupported`] when this program has another version of
    /// the course. An own case is not marked again here: its truth lies with the department.
    pub fn check(&self, table: &Table) -> Result<()> {
        let Source::Course { version, level, seed } = self.case.source else { return Ok(()) };
        let fail =
            |kind, expected: &str, found: &str| Err(Error::new(kind, "the answered case does not verify").expected(expected).found(found));
        if version != VERSION {
            return fail(ErrorKind::Unsupported, &format!("version {VERSION} of the course"), &version.to_string());
        }
        if table.digest() != self.table.digest {
            return fail(ErrorKind::Unsupported, "the guideline table it was marked under", "another edition of it");
        }
        let again = mark(&self.answer, &Task::new(level, seed)?.key(), table)?;
        if same(&again, &self.marked) { Ok(()) } else { fail(ErrorKind::Record, "the marks that the case gives", "others") }
    }
}

/// Whether two markings say the same.
fn same(a: &Marked, b: &Marked) -> bool {
    let near = |x: Option<crate::units::Mm>, y: Option<crate::units::Mm>| match (x, y) {
        (Some(x), Some(y)) => (x.get() - y.get()).abs() <= TOLERANCE_MM,
        (x, y) => x.is_none() && y.is_none(),
    };
    let numbers = |m: &Marked| [m.true_mm, m.read_mm, m.error_mm];
    let bare = |m: &Marked| Marked { true_mm: None, read_mm: None, error_mm: None, os_shift: None, edge_shift: None, ..m.clone() };
    numbers(a).into_iter().zip(numbers(b)).all(|(x, y)| near(x, y)) && bare(a) == bare(b)
}

fn unwritable(e: &serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "the answered case cannot be written").found(e.to_string())
}
