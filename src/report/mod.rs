//! The report of one exam: one model made from saved records, and text, HTML and PDF made from that model alone.
//!
//! Who was examined stands in it only when asked for. A report that nobody signed says so on every page.

mod amend;
mod build;
pub mod figure;
mod form;
mod html;
mod issued;
mod measured;
mod note;
mod patient;
pub mod pdf;
mod picture;
mod plain;
pub mod qr;
pub mod readability;
mod reviewed;
pub mod svg;
mod text;

pub use form::{Form, Making, Wish};
pub use html::{html, patient_html};
pub use issued::{ISSUED_SCHEMA, Issued};
pub use note::{ADDED, LONGEST_TEMPLATE, TEMPLATE, note, required};
pub use patient::{Avoid, Block, Choices, Language, PatientPage, patient_page};
pub use picture::{Images, Marked, NoImages, Picture, Raster};
pub use plain::{Plain, Seen};
pub use text::text;

use serde::Serialize;

use crate::caseload::Woman;
use crate::guideline::{Shelf, Table};
use crate::plot::distance_line::DistanceLine;
use crate::plot::visits::Visits;
use crate::record::{ReadingRecord, Signer};
use crate::review::ExamReview;
use crate::source::{Citation, Provenance};

/// Version of what a report says and in which order.
pub const VERSION: &str = "osspan-report/1";

/// The sentence that no report goes without.
pub const CLOSING: &str =
    "Supports, and does not replace, a licensed clinician's judgement and local protocol. Not a certified medical device.";

/// How far a report is settled.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Standing {
    /// Asked for as a draft: not to be acted on.
    Draft,
    /// Made from saved readings that nobody signed.
    Unsigned {
        /// Where the review stands, in words.
        review: String,
    },
    /// Signed.
    Signed {
        /// By whom.
        by: String,
        /// When, RFC 3339 with offset.
        at: String,
        /// Start of the key, and whose it is known to be.
        key: String,
    },
}

impl Standing {
    /// What is written across every page; `None` on a signed report.
    #[must_use]
    pub const fn watermark(&self) -> Option<&'static str> {
        match self {
            Self::Draft => Some("DRAFT"),
            Self::Unsigned { .. } => Some("UNSIGNED"),
            Self::Signed { .. } => None,
        }
    }

    /// In a sentence.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Draft => "DRAFT: not to be acted on".to_owned(),
            Self::Unsigned { review } => format!("UNSIGNED: {review}"),
            Self::Signed { by, at, key } => format!("Signed by {by} at {at} ({key})"),
        }
    }
}

/// What stands above the sources.
pub const SOURCES_NOTE: &str = "\"Own assumption\": of this program. \"From memory\": check against the source before relying on it.";

/// A fact with its name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pair {
    /// What it is.
    pub what: String,
    /// The fact.
    pub is: String,
}

/// One sentence, and the mark of its source.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Line {
    /// The sentence.
    pub text: String,
    /// Such as "[3, from memory]": the place in [`Report::sources`], and how well it is known where that must be seen at once.
    pub mark: String,
}

impl Line {
    /// The sentence with its mark.
    #[must_use]
    pub fn marked(&self) -> String {
        if self.mark.is_empty() { self.text.clone() } else { format!("{} {}", self.text, self.mark) }
    }
}

/// How much a part stands out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// In a heavy frame above everything else.
    Alarm,
    /// One sentence a line.
    Plain,
    /// Small, sentences one after the other.
    Fine,
}

/// A part of the report with its heading. Never empty.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Part {
    /// Its heading.
    pub title: String,
    /// How much it stands out.
    pub weight: Weight,
    /// Its sentences.
    pub lines: Vec<Line>,
}

/// What a report says.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// How far it is settled.
    pub standing: Standing,
    /// Who was examined; empty unless it was asked for.
    pub identity: Vec<Pair>,
    /// When, how, by whom.
    pub facts: Vec<Pair>,
    /// The distance in words.
    pub headline: String,
    /// Interval and SD in words; empty without a distance.
    pub detail: String,
    /// The finding.
    pub finding: String,
    /// The table and its edition.
    pub table: String,
    /// Said plainly when the interval reaches more than one band.
    pub straddling: Option<String>,
    /// Everything else, in reading order: the urgent first, the cautions last.
    pub parts: Vec<Part>,
    /// What the marks stand for, in order.
    pub sources: Vec<Citation>,
    /// The frames, the deciding one first.
    pub pictures: Vec<Picture>,
    /// The distance line.
    pub line: DistanceLine,
    /// The visits of this pregnancy.
    pub serial: Visits,
    /// Ids of the records it was made from, the deciding one first.
    pub records: Vec<String>,
    /// What the patient's page is made from.
    pub plain: Plain,
    /// When it was made, RFC 3339.
    pub made_at: String,
    /// Name and version of the program.
    pub software: String,
}

impl Report {
    /// The digest that stands on the report: the id of the record that decides.
    #[must_use]
    pub fn digest(&self) -> &str {
        self.records.first().map_or("", String::as_str)
    }

    /// Whether there are visits to compare.
    #[must_use]
    pub fn has_serial(&self) -> bool {
        self.serial.visits.len() > 1
    }

    /// What the QR code holds.
    #[must_use]
    pub fn code(&self) -> String {
        format!("osspan record {}", self.digest())
    }

    /// The part of this heading.
    #[must_use]
    pub fn part(&self, title: &str) -> Option<&Part> {
        self.parts.iter().find(|p| p.title == title)
    }

    /// The sources with their numbers, as they are printed. One that stands there already, known in another way, is named by its
    /// number.
    #[must_use]
    pub fn numbered_sources(&self) -> Vec<String> {
        let known = |s: &Citation| match s.provenance {
            Provenance::FromMemory => "from memory, not checked",
            Provenance::OwnAssumption => "own assumption",
            other => other.words(),
        };
        let one = |(i, s): (usize, &Citation)| {
            let before = self.sources.iter().take(i).position(|b| b.text == s.text && !s.text.is_empty());
            match before {
                Some(b) => format!("[{}] as [{}], {}.", i + 1, b + 1, known(s)),
                None if s.text.is_empty() => format!("[{}] {}.", i + 1, known(s)),
                None => format!("[{}] {} ({}).", i + 1, s.text, known(s)),
            }
        };
        self.sources.iter().enumerate().map(one).collect()
    }

    /// The sentence that says what the code beside it is.
    #[must_use]
    pub fn digest_words(&self) -> String {
        let others = match self.records.len() {
            0 | 1 => String::new(),
            n => format!(" ({} further record(s) below)", n - 1),
        };
        format!("Record {}{others}; find it with: osspan find --id", self.digest())
    }
}

/// What a report is asked for.
#[derive(Clone, Copy)]
pub struct Request<'a> {
    /// Whose exam.
    pub woman: &'a Woman,
    /// Which of her exams, from 0.
    pub exam: usize,
    /// The table.
    pub table: &'a Table,
    /// Every table at hand.
    pub shelf: &'a Shelf,
    /// Every record at hand: what was corrected is among them.
    pub all: &'a [ReadingRecord],
    /// Every earlier report that was sent.
    pub issued: &'a [Issued],
    /// Where pictures come from.
    pub images: &'a dyn Images,
    /// Whether name, number and date of birth stand in it.
    pub identity: bool,
    /// Whether it is only a draft.
    pub draft: bool,
    /// Whether other tables, windows of birth and groups of women stand in it too.
    pub full: bool,
    /// Where the review of each exam stands.
    pub reviews: &'a [ExamReview],
    /// Whose signatures are believed.
    pub signers: &'a [Signer],
    /// Now, RFC 3339.
    pub made_at: &'a str,
}
