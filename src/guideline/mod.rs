//! What a distance means under a named guideline: tables kept as data, and the one classifier.
//!
//! A table is TOML with the citation and provenance of every number in it. Bands lie end to end on the signed distance
//! (negative: the placenta overlaps the os), so no value falls between two bands and none falls into two. Values are
//! classified unrounded. There is no default table.

mod classify;
mod effective;
mod explain;
mod follow_up;
mod parse;
mod shelf;
mod words;

pub use classify::{
    BORDERLINE_MM, BandRef, BandShare, Finding, NearEdge, Note, Outcome, PROVISIONAL_BELOW, Reason, TableRef, WhyBorderline, classify,
    may_reach_os,
};
pub use effective::Effective;
pub use explain::{ExplainLine, explain};
pub use follow_up::FollowUp;
pub use shelf::{Shelf, earlier, table, tables};
pub use words::{boundary_note, capital, headline};

use serde::{Deserialize, Serialize};

use crate::context::GestationalAge;
use crate::error::Result;
use crate::source::Citation;
use crate::units::Mm;

/// What sort of place a band describes, whatever a table calls it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BandKind {
    /// The placenta covers the internal os (d < 0).
    Covering,
    /// The edge reaches the os (d = 0).
    Reaching,
    /// Not covering, nearer than the table's normal band.
    LowLying,
    /// The table's normal band.
    NotLow,
}

impl BandKind {
    /// The kebab-case name used in table files.
    #[must_use]
    pub const fn id(self) -> &'static str {
        match self {
            Self::Covering => "covering",
            Self::Reaching => "reaching",
            Self::LowLying => "low-lying",
            Self::NotLow => "not-low",
        }
    }
}

/// The upper edge of a band; the next band begins where this one ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Edge {
    /// Signed distance, mm.
    pub mm: Mm,
    /// Whether a value of exactly `mm` belongs to the band below the edge.
    pub included: bool,
    /// Where `mm` comes from.
    pub mm_source: Citation,
    /// Where `included` comes from.
    pub included_source: Citation,
    /// The source's own next band begins at this whole number of mm, and it says nothing of values between the two.
    pub gap_to: Option<Mm>,
}

/// One band of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// Name in records.
    pub id: String,
    /// What sort of place it is.
    pub kind: BandKind,
    /// The name shown.
    pub label: String,
    /// The rule in words.
    pub rule: String,
    /// Where the rule comes from.
    pub rule_source: Citation,
    /// Its upper edge; `None` for the last band.
    pub upper: Option<Edge>,
}

/// The youngest gestational age at which a table speaks.
#[derive(Clone, Debug, PartialEq)]
pub struct MinimumAge {
    /// The age.
    pub age: GestationalAge,
    /// Whether the age itself is still too young.
    pub strictly_older: bool,
    /// Where `age` comes from.
    pub age_source: Citation,
    /// Where `strictly_older` comes from.
    pub strictly_source: Citation,
}

impl MinimumAge {
    /// Whether an age is old enough.
    #[must_use]
    pub fn admits(&self, age: GestationalAge) -> bool {
        if self.strictly_older { age > self.age } else { age >= self.age }
    }

    /// The rule in words: "after 16w0d" or "from 18w0d".
    #[must_use]
    pub fn words(&self) -> String {
        if self.strictly_older { format!("after {}", self.age) } else { format!("from {}", self.age) }
    }
}

/// A guideline table.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    id: String,
    name: String,
    edition: String,
    source: Citation,
    minimum_age: MinimumAge,
    bands: Vec<Band>,
    effective: Option<Effective>,
    follow_up: Vec<FollowUp>,
    digest: String,
}

impl Table {
    /// Reads a table from TOML, in the form of the bundled ones (`src/guideline/tables`).
    ///
    /// # Errors
    /// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) naming *all* faults of the text, one a line.
    pub fn parse(text: &str) -> Result<Self> {
        parse::parse(text)
    }

    /// Name used in files and on the command line.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The name shown.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Edition of the guideline.
    #[must_use]
    pub fn edition(&self) -> &str {
        &self.edition
    }

    /// The guideline itself.
    #[must_use]
    pub const fn source(&self) -> &Citation {
        &self.source
    }

    /// The youngest age at which it speaks.
    #[must_use]
    pub const fn minimum_age(&self) -> &MinimumAge {
        &self.minimum_age
    }

    /// Its bands, from deep overlap outwards.
    #[must_use]
    pub fn bands(&self) -> &[Band] {
        &self.bands
    }

    /// When it is in effect, where its text says so.
    #[must_use]
    pub const fn effective(&self) -> Option<&Effective> {
        self.effective.as_ref()
    }

    /// The next scans that the table itself asks for; the bundled tables leave that to the program's own rows.
    #[must_use]
    pub fn follow_up(&self) -> &[FollowUp] {
        &self.follow_up
    }

    /// SHA-256 of the table's text, lower-case hexadecimal.
    #[must_use]
    pub fn digest(&self) -> &str {
        &self.digest
    }

    /// The band of a signed distance, mm; `None` when it is not a number.
    #[must_use]
    pub fn band_at(&self, signed_mm: f64) -> Option<&Band> {
        if signed_mm.is_nan() {
            return None;
        }
        self.bands.iter().find(|b| b.upper.as_ref().is_none_or(|e| signed_mm < e.mm.get() || (e.included && signed_mm <= e.mm.get())))
    }

    /// Whether two signed distances, mm, lie in the same band: what keeps a printed number in its value's band.
    #[must_use]
    pub fn same_band(&self, a: f64, b: f64) -> bool {
        match (self.band_at(a), self.band_at(b)) {
            (Some(a), Some(b)) => std::ptr::eq(a, b),
            _ => false,
        }
    }

    /// The distances at which a band ends, mm, ascending.
    pub fn edges(&self) -> impl Iterator<Item = Mm> + '_ {
        let mut last = None;
        self.bands.iter().filter_map(|b| b.upper.as_ref()).map(|e| e.mm).filter(move |mm| last.replace(*mm) != Some(*mm))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn the_bundled_tables_are_sound_and_named() {
        let ids: Vec<String> = tables().unwrap().iter().map(|t| t.id().to_owned()).collect();
        assert_eq!(ids, ["us-consensus-2014", "rcog-2018", "sogc-2020"]);
        let e = table("nice").unwrap_err();
        assert!(e.to_string().contains("sogc-2020") && e.to_string().contains("\"nice\""), "{e}");
    }

    #[test]
    fn edges_are_listed_once() {
        let mm: Vec<f64> = table("sogc-2020").unwrap().edges().map(Mm::get).collect();
        assert_eq!(mm, [0.0, 10.0, 20.0]);
    }
}
