//! Natural history: what happened to groups of women, by study.

use std::borrow::Cow;

use serde::Deserialize;
use serde::de::Error as _;

use super::{bundled, exact_interval};
use crate::context::GestationalAge;
use crate::error::Result;
use crate::estimate::Interval;
use crate::guideline::{BandKind, ExplainLine, PROVISIONAL_BELOW};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// The result of a cohort, as its source gives it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Share {
    /// Counts; the interval is computed.
    Counts {
        /// Women with the outcome.
        events: u32,
        /// Women.
        of: u32,
    },
    /// A percentage with the interval that the source prints.
    Published {
        /// Per cent.
        percent: f64,
        /// Lower end, per cent.
        low: f64,
        /// Upper end, per cent.
        high: f64,
    },
    /// A bare percentage.
    Percent {
        /// Per cent.
        percent: f64,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    cohort: Vec<Cohort>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Raw {
    id: String,
    study: String,
    citation: String,
    provenance: Provenance,
    ages: Option<(String, String)>,
    #[serde(default)]
    kinds: Vec<BandKind>,
    from_mm: Option<f64>,
    to_mm: Option<f64>,
    among: String,
    outcome: String,
    note: Option<String>,
    events: Option<u32>,
    of: Option<u32>,
    percent: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
}

/// One row: one group of one study.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(try_from = "Raw")]
pub struct Cohort {
    /// Its id.
    pub id: String,
    /// The study in short.
    pub study: String,
    /// The source.
    pub source: Citation,
    /// Ages at the scan, both included; `None` where what was read does not say.
    pub ages: Option<(GestationalAge, GestationalAge)>,
    /// Kinds of finding it holds for; empty for any.
    pub kinds: Vec<BandKind>,
    /// Signed distances it holds for, mm, both ends included.
    pub range: Interval,
    /// Which women.
    pub among: String,
    /// What happened.
    pub outcome: String,
    /// What else must be said.
    pub note: Option<String>,
    /// How many.
    pub share: Share,
}

impl TryFrom<Raw> for Cohort {
    type Error = toml::de::Error;

    fn try_from(r: Raw) -> std::result::Result<Self, Self::Error> {
        let fault = |what: &str| toml::de::Error::custom(format!("{}: {what}", r.id));
        let share = match (r.events, r.of, r.percent, r.low, r.high) {
            (Some(events), Some(of), None, None, None) if of > 0 && events <= of => Share::Counts { events, of },
            (None, None, Some(percent), Some(low), Some(high)) if low <= percent && percent <= high => {
                Share::Published { percent, low, high }
            }
            (None, None, Some(percent), None, None) if (0.0..=100.0).contains(&percent) => Share::Percent { percent },
            _ => return Err(fault("exactly one of events + of, percent + low + high, or percent")),
        };
        let ages = match &r.ages {
            Some((from, to)) => match (from.parse::<GestationalAge>(), to.parse::<GestationalAge>()) {
                (Ok(from), Ok(to)) if from <= to => Some((from, to)),
                _ => return Err(fault("ages must be two gestational ages, the younger first")),
            },
            None => None,
        };
        Ok(Self {
            range: Interval { low_mm: r.from_mm.map(Mm::new), high_mm: r.to_mm.map(Mm::new), coverage: 1.0 },
            source: Citation { text: Cow::Owned(r.citation), provenance: r.provenance },
            id: r.id,
            study: r.study,
            ages,
            kinds: r.kinds,
            among: r.among,
            outcome: r.outcome,
            note: r.note,
            share,
        })
    }
}

impl Cohort {
    /// The sentence, its row and source.
    #[must_use]
    pub fn line(&self) -> ExplainLine {
        let share = match self.share {
            Share::Counts { events, of } => {
                let interval = exact_interval(events, of)
                    .map(|(low, high)| format!(", exact 95 % interval {:.1} to {:.1} %", 100.0 * low, 100.0 * high))
                    .unwrap_or_default();
                format!("{events} of {of} ({:.1} %{interval})", 100.0 * f64::from(events) / f64::from(of))
            }
            Share::Published { percent, low, high } => format!("{percent} % (published 95 % interval {low} to {high} %)"),
            Share::Percent { percent } => format!("{percent} % (counts not known here, so no interval)"),
        };
        let note = self.note.as_ref().map(|n| format!(" {n}")).unwrap_or_default();
        let ages = if self.ages.is_none() { " The age at the scan is not known here." } else { "" };
        ExplainLine {
            text: format!("{}, {}: {} in {share}.{note}{ages} A group, not this woman's chance.", self.study, self.among, self.outcome),
            row: format!("cohorts / {}", self.id),
            source: self.source.clone(),
        }
    }

    fn holds_at(&self, age: GestationalAge) -> bool {
        self.ages.map_or(age >= PROVISIONAL_BELOW, |(from, to)| from <= age && age <= to)
    }

    fn overlaps(&self, interval: &Interval) -> bool {
        self.range.low_mm.zip(interval.high_mm).is_none_or(|(low, high)| low <= high)
            && self.range.high_mm.zip(interval.low_mm).is_none_or(|(high, low)| low <= high)
    }
}

/// A cohort that holds for an exam.
#[derive(Clone, Debug, PartialEq)]
pub struct Matched {
    /// The cohort.
    pub cohort: Cohort,
    /// It holds only because the 95 % interval reaches it, not for the value itself.
    pub by_error_only: bool,
}

/// All cohorts.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when the bundled data is faulty, which a test rules out.
pub fn cohorts() -> Result<Vec<Cohort>> {
    bundled::<File>("cohorts", include_str!("data/cohorts.toml")).map(|f| f.cohort)
}

/// The cohorts that hold at `age` for a value (`signed`, of kind `nominal`) or for what its 95 % interval reaches.
///
/// # Errors
/// As [`cohorts`].
pub fn matching(age: GestationalAge, nominal: BandKind, signed: Mm, also: &[BandKind], interval: &Interval) -> Result<Vec<Matched>> {
    let point = Interval { low_mm: Some(signed), high_mm: Some(signed), coverage: 1.0 };
    Ok(cohorts()?
        .into_iter()
        .filter(|c| c.holds_at(age))
        .filter_map(|cohort| {
            let kind = |kinds: &[BandKind]| cohort.kinds.is_empty() || kinds.iter().any(|k| cohort.kinds.contains(k));
            let by_value = kind(&[nominal]) && cohort.overlaps(&point);
            let by_error = (kind(&[nominal]) || kind(also)) && cohort.overlaps(interval);
            (by_value || by_error).then_some(Matched { cohort, by_error_only: !by_value })
        })
        .collect())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    fn ids(age: &str, nominal: BandKind, mm: f64, also: &[BandKind], low: f64, high: f64) -> Vec<(String, bool)> {
        let interval = Interval { low_mm: Some(Mm::new(low)), high_mm: Some(Mm::new(high)), coverage: 0.95 };
        matching(age.parse().unwrap(), nominal, Mm::new(mm), also, &interval)
            .unwrap()
            .into_iter()
            .map(|m| (m.cohort.id, m.by_error_only))
            .collect()
    }

    #[test]
    fn cohorts_hold_for_their_own_ages_kinds_and_distances() {
        let got = ids("20w0d", BandKind::Covering, -18.0, &[], -22.0, -14.0);
        let want = ["jansen-2020-previa", "taipale-1998-15", "lauria-1996", "becker-2001-to-25", "dashe-2002-20", "fan-2017"];
        assert_eq!(got, want.map(|id| (id.to_owned(), false)));
        // One day outside a study's ages, and it says nothing.
        assert!(!ids("25w0d", BandKind::LowLying, 8.0, &[], 4.0, 12.0).iter().any(|m| m.0.starts_with("jansen-2020")));
        assert!(ids("24w6d", BandKind::LowLying, 8.0, &[], 4.0, 12.0).iter().any(|m| m.0 == "jansen-2020-low-lying"));
    }

    #[test]
    fn what_only_the_error_reaches_is_said_to_be_so() {
        let got = ids("20w0d", BandKind::LowLying, 3.0, &[BandKind::Covering, BandKind::Reaching], -1.0, 7.0);
        assert!(got.contains(&("jansen-2020-low-lying".into(), false)), "{got:?}");
        assert!(got.contains(&("jansen-2020-previa".into(), true)), "{got:?}");
        assert!(!got.iter().any(|m| m.0 == "taipale-1998-15"), "{got:?}");
    }

    #[test]
    fn counts_get_an_exact_interval_and_percentages_never_do() {
        let all = cohorts().unwrap();
        let text = |id: &str| all.iter().find(|c| c.id == id).unwrap().line().text;
        assert!(
            text("jansen-2020-previa").contains("37 of 181 (20.4 %, exact 95 % interval 14.8 to 27.1 %)"),
            "{}",
            text("jansen-2020-previa")
        );
        assert!(text("taipale-1998-25").contains("40 % (published 95 % interval 12 to 74 %)"), "{}", text("taipale-1998-25"));
        assert!(text("dashe-2002-20").contains("34 % (counts not known here, so no interval)"), "{}", text("dashe-2002-20"));
        for c in &all {
            assert!(c.line().text.contains("not this woman's chance") && !c.source.text.is_empty());
            assert!(!c.line().text.contains("will resolve"));
        }
    }

    #[test]
    fn a_row_with_two_results_is_a_fault() {
        let bad = include_str!("data/cohorts.toml").replacen("events = 37", "events = 37\npercent = 20.4", 1);
        let e = bundled::<File>("cohorts", &bad).err().unwrap().to_string();
        assert!(e.contains("exactly one of"), "{e}");
    }
}
