//! Placenta accreta among women with previa at caesarean, by number of prior caesareans.

use std::borrow::Cow;

use serde::Deserialize;

use super::{bundled, exact_interval};
use crate::error::Result;
use crate::guideline::ExplainLine;
use crate::source::{Citation, Provenance};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    citation: String,
    provenance: Provenance,
    row: Vec<RawRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawRow {
    prior: u8,
    #[serde(default)]
    or_more: bool,
    present: String,
    events: u32,
    of: u32,
}

/// One row: women with previa at caesarean, with this many caesareans before.
#[derive(Clone, Debug, PartialEq)]
pub struct AccretaRow {
    /// Number of PRIOR caesareans.
    pub prior: u8,
    /// Whether the row holds for more than that, too.
    pub or_more: bool,
    /// Which caesarean the present one is, in words, as the source numbers its rows.
    pub present: String,
    /// Women with accreta.
    pub events: u32,
    /// Women with previa.
    pub of: u32,
    /// Exact 95 % interval, shares from 0 to 1.
    pub interval: (f64, f64),
    /// The source.
    pub source: Citation,
}

impl AccretaRow {
    /// The sentence, its row and source.
    #[must_use]
    pub fn line(&self) -> ExplainLine {
        let prior = match (self.prior, self.or_more) {
            (n, true) => format!("{n} or more PRIOR caesareans"),
            (1, false) => "1 PRIOR caesarean".to_owned(),
            (n, false) => format!("{n} PRIOR caesareans"),
        };
        ExplainLine {
            text: format!(
                "Among women with previa at caesarean and {prior} (this was the {}): placenta accreta in {} of {} ({:.0} %, exact 95 % interval \
                 {:.1} to {:.1} %). A group, not this woman's chance.",
                self.present,
                self.events,
                self.of,
                100.0 * f64::from(self.events) / f64::from(self.of),
                100.0 * self.interval.0,
                100.0 * self.interval.1,
            ),
            row: format!("accreta / prior {}", self.prior),
            source: self.source.clone(),
        }
    }
}

/// All rows, by number of prior caesareans.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when the bundled data is faulty, which a test rules out.
pub fn accreta_rows() -> Result<Vec<AccretaRow>> {
    let file: File = bundled("accreta", include_str!("data/accreta.toml"))?;
    let source = Citation { text: Cow::Owned(file.citation), provenance: file.provenance };
    Ok(file
        .row
        .into_iter()
        .filter_map(|r| {
            let interval = exact_interval(r.events, r.of)?;
            Some(AccretaRow {
                prior: r.prior,
                or_more: r.or_more,
                present: r.present,
                events: r.events,
                of: r.of,
                interval,
                source: source.clone(),
            })
        })
        .collect())
}

/// The row for a number of PRIOR caesareans.
///
/// # Errors
/// As [`accreta_rows`].
pub fn accreta_among_previa(prior: u8) -> Result<Option<AccretaRow>> {
    Ok(accreta_rows()?.into_iter().find(|r| r.prior == prior || (r.or_more && prior > r.prior)))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    /// Source: Silver 2006, whose rows count the PRESENT caesarean: second = 1 prior, and so on.
    #[test]
    fn rows_go_by_prior_caesareans() {
        let of = |prior| accreta_among_previa(prior).unwrap().map(|r| (r.events, r.of, r.present));
        assert_eq!(of(0), Some((13, 398, "first".into())));
        assert_eq!(of(1), Some((23, 211, "second".into())));
        assert_eq!(of(2), Some((29, 72, "third".into())));
        assert_eq!(of(3), Some((20, 33, "fourth".into())));
        assert_eq!(of(4), Some((4, 6, "fifth".into())));
        assert_eq!(of(5), Some((2, 3, "sixth or later".into())));
        assert_eq!(of(255), of(5));
        let line = accreta_among_previa(2).unwrap().unwrap().line();
        assert!(
            line.text.contains(
                "2 PRIOR caesareans (this was the third): placenta accreta in 29 of 72 (40 %, exact 95 % interval 28.9 to 52.5 %)"
            ),
            "{}",
            line.text
        );
        assert!(line.source.to_string().contains("from memory"));
    }
}
