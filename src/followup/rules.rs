//! The rows of `rules.toml`: who asks for the next scan, of whom, and when.

use std::borrow::Cow;
use std::sync::LazyLock;

use serde::Deserialize;
use serde::de::Error as _;

use crate::context::GestationalAge;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::Interval;
use crate::guideline::{BandKind, ExplainLine};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    rule: Vec<Rule>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Raw {
    id: String,
    body: String,
    #[serde(default)]
    tables: Vec<String>,
    ages: (String, String),
    #[serde(default)]
    kinds: Vec<BandKind>,
    from_mm: Option<f64>,
    to_mm: Option<f64>,
    window: Option<(String, String)>,
    text: String,
    citation: String,
    provenance: Provenance,
}

/// One row.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(try_from = "Raw")]
pub struct Rule {
    /// Its id.
    pub id: String,
    /// Who says it.
    pub body: String,
    /// The tables of the same body; empty when it belongs to none.
    pub tables: Vec<String>,
    /// Ages at the exam, both included.
    pub ages: (GestationalAge, GestationalAge),
    /// Kinds of finding it holds for; empty for any.
    pub kinds: Vec<BandKind>,
    /// Signed distances it holds for, mm, both ends included.
    pub range: Interval,
    /// First and last age of the next scan, both included; `None` for a statement.
    pub window: Option<(GestationalAge, GestationalAge)>,
    /// What it says.
    pub text: String,
    /// The source.
    pub source: Citation,
}

impl TryFrom<Raw> for Rule {
    type Error = toml::de::Error;

    fn try_from(r: Raw) -> std::result::Result<Self, Self::Error> {
        let pair = |what: &str, (from, to): &(String, String)| match (from.parse::<GestationalAge>(), to.parse::<GestationalAge>()) {
            (Ok(from), Ok(to)) if from <= to => Ok((from, to)),
            _ => Err(toml::de::Error::custom(format!("{}: {what} must be two gestational ages, the younger first", r.id))),
        };
        Ok(Self {
            ages: pair("ages", &r.ages)?,
            window: r.window.as_ref().map(|w| pair("window", w)).transpose()?,
            range: Interval { low_mm: r.from_mm.map(Mm::new), high_mm: r.to_mm.map(Mm::new), coverage: 1.0 },
            source: Citation { text: Cow::Owned(r.citation), provenance: r.provenance },
            id: r.id,
            body: r.body,
            tables: r.tables,
            kinds: r.kinds,
            text: r.text,
        })
    }
}

impl Rule {
    /// The sentence, its row and source.
    #[must_use]
    pub fn line(&self) -> ExplainLine {
        ExplainLine { text: format!("{}: {}", self.body, self.text), row: format!("followup / {}", self.id), source: self.source.clone() }
    }

    /// Whether it holds at `age` for any of `kinds` and any distance of `interval`.
    #[must_use]
    pub fn holds(&self, age: GestationalAge, kinds: &[BandKind], interval: &Interval) -> bool {
        let distance = self.range.low_mm.zip(interval.high_mm).is_none_or(|(low, high)| low <= high)
            && self.range.high_mm.zip(interval.low_mm).is_none_or(|(high, low)| low <= high);
        self.ages.0 <= age && age <= self.ages.1 && (self.kinds.is_empty() || kinds.iter().any(|k| self.kinds.contains(k))) && distance
    }
}

/// Read once, for however many exams.
static ROWS: LazyLock<std::result::Result<Vec<Rule>, String>> =
    LazyLock::new(|| toml::from_str::<File>(include_str!("rules.toml")).map(|f| f.rule).map_err(|e| e.to_string()));

/// All rows.
///
/// # Errors
/// [`ErrorKind::Guideline`] when the bundled data is faulty, which a test rules out.
pub fn rules() -> Result<&'static [Rule]> {
    ROWS.as_deref().map_err(|e| Error::new(ErrorKind::Guideline, "the bundled follow-up rules are faulty").found(e.clone()))
}
