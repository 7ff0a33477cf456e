//! Parts of the readings: by gestational age, by distance from the os, by scanner.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Options;
use super::analyse::{Both, by_patient, changed, changed_over, differences_over};
use crate::agree::bland_altman::{BlandAltman, Pair, bland_altman};
use crate::agree::bootstrap::{Bootstrap, FEW_CLUSTERS};
use crate::guideline;

/// Mean distances at which readings are parted, mm, besides 0: where the bundled guideline tables turn (own assumption: no source
/// parts a study of this distance).
const CUTS_MM: [f64; 2] = [10.0, 20.0];

/// What is said beside parts of a study.
pub const PARTS_NOTE: &str = "Where distances and ages are parted is an assumption of this program";

/// A way of parting the readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Before or from the age below which findings are provisional.
    GestationalAge,
    /// By the mean of the two distances.
    Distance,
    /// By the scanner that made the frame.
    Scanner,
}

impl By {
    /// Every way.
    pub const ALL: [Self; 3] = [Self::GestationalAge, Self::Distance, Self::Scanner];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::GestationalAge => "gestational age",
            Self::Distance => "distance",
            Self::Scanner => "scanner",
        }
    }

    /// The part that two readings of a frame belong to. `order` puts the parts in order.
    pub(super) fn part_of(self, both: &Both<'_>) -> Part {
        let late = guideline::PROVISIONAL_BELOW;
        let (order, name) = match self {
            Self::GestationalAge => match both.a.age_days {
                Some(d) if d < late.total_days() => (0, format!("before {late}")),
                Some(_) => (1, format!("from {late}")),
                None => (9, "gestational age unknown".to_owned()),
            },
            Self::Distance => match both.values().map(|(x, y)| 0.5 * (x + y)) {
                Some(d) if d < 0.0 => (0, "overlap".to_owned()),
                Some(d) if d <= CUTS_MM[0] => (1, format!("0 to {} mm", CUTS_MM[0])),
                Some(d) if d <= CUTS_MM[1] => (2, format!("above {} to {} mm", CUTS_MM[0], CUTS_MM[1])),
                Some(_) => (3, format!("above {} mm", CUTS_MM[1])),
                None => (9, "no signed distance".to_owned()),
            },
            Self::Scanner => match &both.a.scanner {
                Some(words) => (0, words.clone()),
                None => (9, "scanner not named".to_owned()),
            },
        };
        Part { by: self, order, name }
    }
}

/// One part of the readings.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Part {
    /// How they were parted.
    pub by: By,
    /// Its place among the parts.
    pub order: u8,
    /// Its name, such as "before 32w0d".
    pub name: String,
}

impl Part {
    /// "distance 0 to 10 mm".
    #[must_use]
    pub fn words(&self) -> String {
        match self.by {
            By::Distance => format!("distance {}", self.name),
            By::GestationalAge | By::Scanner => self.name.clone(),
        }
    }
}

/// Pairs of one part of the readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Subgroup {
    /// Which part.
    pub part: Part,
    /// Pairs of signed distances in it.
    pub pairs: usize,
    /// Patients that its frames come from.
    pub patients: usize,
    /// Whether there are too few patients for intervals over them to be relied on.
    pub few_patients: bool,
    /// Differences in mm, frames taken for independent; `None` with fewer than 2 pairs.
    pub bland_altman: Option<BlandAltman>,
    /// Bias over resampled patients, mm.
    pub bias_over_patients: Option<Bootstrap>,
    /// Lower limit of agreement over resampled patients, mm.
    pub lower_limit_over_patients: Option<Bootstrap>,
    /// Upper limit of agreement over resampled patients, mm.
    pub upper_limit_over_patients: Option<Bootstrap>,
    /// Pairs whose findings differ, of those that compare.
    pub changed: (usize, usize),
    /// That share over resampled patients, 0 to 1.
    pub changed_over_patients: Option<Bootstrap>,
}

/// Every part of the pairs, in order.
pub(super) fn subgroups(all: &[&Both<'_>], options: &Options) -> Vec<Subgroup> {
    let mut parts: BTreeMap<Part, Vec<&Both<'_>>> = BTreeMap::new();
    for both in all {
        for by in By::ALL {
            parts.entry(by.part_of(both)).or_default().push(both);
        }
    }
    parts
        .into_iter()
        .map(|(part, all)| {
            let values = by_patient(&all, |b| b.values());
            let flat: Vec<Pair> = values.values().flatten().copied().collect();
            let places = by_patient(&all, |b| b.categories().map(|(a, b)| (a.place, b.place)));
            let [bias, lower, upper] = differences_over(&values, options);
            let patients = by_patient(&all, |_| Some(())).len();
            Subgroup {
                part,
                pairs: flat.len(),
                patients,
                few_patients: patients < FEW_CLUSTERS,
                bland_altman: bland_altman(&flat).ok(),
                bias_over_patients: bias,
                lower_limit_over_patients: lower,
                upper_limit_over_patients: upper,
                changed: changed(&all),
                changed_over_patients: changed_over(&places, options),
            }
        })
        .collect()
}
