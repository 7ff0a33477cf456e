//! Where a number comes from. Every clinical number and every assumed uncertainty carries one of these.

use std::borrow::Cow;
use std::fmt;

use serde::{Deserialize, Serialize};

/// How well a fact is known. It travels with the fact into the window, the record and the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Provenance {
    /// Read in the source itself or its abstract.
    Published,
    /// Read in another text that quotes the source.
    SecondHand,
    /// A fact of the trade without a source.
    CommonPractice,
    /// Recalled, not read: check against the primary document before relying on it.
    FromMemory,
    /// Chosen for this program; no source claims it.
    OwnAssumption,
    /// Measured by this department, from its own saved readings.
    OwnMeasurement,
}

impl Provenance {
    /// The words shown beside a number of this kind.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Published => "published",
            Self::SecondHand => "second-hand",
            Self::CommonPractice => "common practice, no source",
            Self::FromMemory => "from memory, not checked against the source",
            Self::OwnAssumption => "assumption of this program",
            Self::OwnMeasurement => "measured by this department",
        }
    }
}

impl fmt::Display for Provenance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// A source and how well what is taken from it is known.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Citation {
    /// Authors, title, year, journal, DOI or table: enough to find it. Empty for common practice.
    pub text: Cow<'static, str>,
    /// How well the number is known.
    pub provenance: Provenance,
}

impl Citation {
    /// A citation with a text known when the program is built.
    #[must_use]
    pub const fn fixed(text: &'static str, provenance: Provenance) -> Self {
        Self { text: Cow::Borrowed(text), provenance }
    }
}

impl fmt::Display for Citation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.text.is_empty() { write!(f, "{}", self.provenance) } else { write!(f, "{} ({})", self.text, self.provenance) }
    }
}
