//! The figures of a study.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::parts::{By, Part, Subgroup, subgroups};
use super::{Category, LeftOut, Observation, Options, Readings};
use crate::agree::bland_altman::{BlandAltman, FEW_PAIRS, LIMIT_FACTOR, Pair, bland_altman};
use crate::agree::bootstrap::{Bootstrap, FEW_CLUSTERS, cluster_bootstrap_of};
use crate::agree::components::{Exam, Nested, TwoWay, nested, own_repeatability, two_way};
use crate::agree::icc::{Icc, icc};
use crate::agree::kappa::{Kappa, Weights, cohen, fleiss};
use crate::agree::{Estimate, mean, planning, sum_of_squares};
use crate::error::Result;
use crate::measure::Repeatability;

/// A probability below this is said to speak against an assumption.
const SPEAKS_AGAINST: f64 = 0.05;

/// One frame that both read with a signed distance. Patients, exams and frames are numbers only.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairPoint {
    /// Number of the patient.
    pub patient: usize,
    /// Number of the exam.
    pub exam: usize,
    /// Number of the frame.
    pub frame: usize,
    /// The first reader's signed distance, mm.
    pub first_mm: f64,
    /// The second reader's, mm.
    pub second_mm: f64,
    /// Whether the findings differ; `None` where they do not compare.
    pub changed: Option<bool>,
    /// The part of the readings that it belongs to, for each way of parting them.
    pub parts: Vec<Part>,
}

/// Two readers, frame by frame; differences are first minus second.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairStudy {
    /// First reader.
    pub first: String,
    /// Second reader.
    pub second: String,
    /// Frames that both read.
    pub frames: usize,
    /// Patients that they come from.
    pub patients: usize,
    /// Frames that one read as covering and the other not.
    pub sides_differ: usize,
    /// Differences in mm, frames taken for independent.
    pub bland_altman: Option<BlandAltman>,
    /// Bias over resampled patients, mm.
    pub bias_over_patients: Option<Bootstrap>,
    /// Lower limit of agreement over resampled patients, mm.
    pub lower_limit_over_patients: Option<Bootstrap>,
    /// Upper limit of agreement over resampled patients, mm.
    pub upper_limit_over_patients: Option<Bootstrap>,
    /// Correlations, frames taken for independent.
    pub icc: Option<Icc>,
    /// ICC(2,1) over resampled patients.
    pub icc_2_1_over_patients: Option<Bootstrap>,
    /// Cohen's kappa of the findings.
    pub kappa: Option<Kappa>,
    /// The same, weighted linearly by bands between.
    pub kappa_linear: Option<Kappa>,
    /// The same, weighted by their square.
    pub kappa_quadratic: Option<Kappa>,
    /// Cohen's kappa over resampled patients.
    pub kappa_over_patients: Option<Bootstrap>,
    /// Frames whose findings differ, of those whose findings compare.
    pub changed: (usize, usize),
    /// That share over resampled patients, 0 to 1.
    pub changed_over_patients: Option<Bootstrap>,
    /// Parts by gestational age, by distance and by scanner.
    pub subgroups: Vec<Subgroup>,
    /// The pairs of signed distances themselves.
    pub points: Vec<PairPoint>,
}

/// All readers, on the frames that each of them read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Together {
    /// Frames that every reader read with a signed distance.
    pub frames: usize,
    /// Variation between readers and what is left.
    pub components: Option<TwoWay>,
    /// Correlations, frames taken for independent.
    pub icc: Option<Icc>,
    /// ICC(2,1) over resampled patients.
    pub icc_2_1_over_patients: Option<Bootstrap>,
    /// Fleiss' kappa of the findings.
    pub kappa: Option<Kappa>,
    /// Fleiss' kappa over resampled patients.
    pub kappa_over_patients: Option<Bootstrap>,
}

/// One reader with themselves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReaderStudy {
    /// The reader.
    pub reader: String,
    /// Readings that count.
    pub readings: usize,
    /// Placement and acquisition; `None` when nothing was read again.
    pub within: Option<Nested>,
}

/// Whether the department's own repeatability may replace the labelled assumption.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OwnRepeatability {
    /// It, where it may.
    pub repeatability: Option<Repeatability>,
    /// Why not, otherwise.
    pub why_not: Option<String>,
}

/// Every figure of a study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// What it was asked for.
    pub options: Options,
    /// Readers.
    pub readers: Vec<String>,
    /// Readings that count.
    pub readings: usize,
    /// Patients.
    pub patients: usize,
    /// Exams.
    pub exams: usize,
    /// Frames.
    pub frames: usize,
    /// What was left out.
    pub left_out: LeftOut,
    /// Readings without a signed distance, which take part in findings only.
    pub without_signed_distance: usize,
    /// Every two readers with a frame in common.
    pub pairs: Vec<PairStudy>,
    /// All readers together; `None` with fewer than 2.
    pub together: Option<Together>,
    /// Each reader with themselves.
    pub by_reader: Vec<ReaderStudy>,
    /// All readers' repeats pooled; `None` when nothing was read again.
    pub within: Option<Nested>,
    /// Whether that may replace the labelled assumption.
    pub own: OwnRepeatability,
    /// What must be said beside it.
    pub warnings: Vec<String>,
}

/// Two readings of one frame.
pub(super) struct Both<'a> {
    pub(super) patient: usize,
    pub(super) a: &'a Observation,
    pub(super) b: &'a Observation,
}

impl Both<'_> {
    pub(super) fn values(&self) -> Option<Pair> {
        Some((self.a.signed_mm?, self.b.signed_mm?))
    }

    pub(super) fn categories(&self) -> Option<(&Category, &Category)> {
        let (a, b) = (self.a.category.as_ref()?, self.b.category.as_ref()?);
        (a.table == b.table).then_some((a, b))
    }
}

/// Makes a study of readings.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when no reading counts, so that there is nothing to say.
pub fn study(readings: &Readings, options: &Options) -> Result<Study> {
    if readings.observations.is_empty() {
        return Err(crate::agree::cannot("the study", "at least one reading that counts", "none")
            .remedy("Second readings must be made without seeing the first; others count by choice only (--include-unblinded, or the choice on this page)"));
    }
    let mut warnings = Vec::new();
    let n = readings.readers.len();
    let mut pairs = Vec::new();
    for first in 0..n {
        for second in first + 1..n {
            pairs.extend(pair_study(readings, first, second, options, &mut warnings));
        }
    }
    if pairs.is_empty() {
        warnings.push("No frame was read by two readers: nothing is known of agreement between readers.".into());
    }
    let within = nested(&exams_of(readings, None)).ok();
    let own = own_of(readings);
    let by_reader = readings
        .readers
        .iter()
        .enumerate()
        .map(|(i, name)| ReaderStudy {
            reader: name.clone(),
            readings: readings.observations.iter().filter(|o| o.reader == i).count(),
            within: nested(&exams_of(readings, Some(i))).ok(),
        })
        .collect();
    if within.as_ref().is_some_and(|w| w.negative_acquisition) {
        warnings.push("Variation between frames came out smaller than repeats explain: all readings are pooled into one total.".into());
    }
    let (patients, exams, frames) = readings.counts;
    if patients < FEW_CLUSTERS {
        warnings.push(format!(
            "Only {patients} patient{}: intervals over resampled patients need at least {FEW_CLUSTERS} (an assumption of this program).",
            if patients == 1 { "" } else { "s" }
        ));
    }
    if readings.not_blinded_included > 0 {
        warnings.push(format!(
            "{} readings were made after seeing another's: agreement looks better than it is.",
            readings.not_blinded_included
        ));
    }
    if readings.without_marks > 0 && n > 1 {
        warnings.push(format!(
            "{} readings are from before records said whether they were made blind: for these it is taken from what they follow.",
            readings.without_marks
        ));
    }
    if readings.patient_unknown > 0 {
        warnings
            .push(format!("{} records do not say whose frame it is: each of their exams counts as a patient.", readings.patient_unknown));
    }
    if readings.left_out.altered > 0 {
        warnings.push(format!("{} records do not match their digest and do not count; see `osspan verify`.", readings.left_out.altered));
    }
    Ok(Study {
        options: *options,
        readers: readings.readers.clone(),
        readings: readings.observations.len(),
        patients,
        exams,
        frames,
        left_out: readings.left_out,
        without_signed_distance: readings.observations.iter().filter(|o| o.signed_mm.is_none()).count(),
        pairs,
        together: (n >= 2).then(|| together(readings, options)),
        by_reader,
        within,
        own,
        warnings,
    })
}

/// Whether the readings' own repeatability may replace the labelled assumption, and it.
#[must_use]
pub fn own_of(readings: &Readings) -> OwnRepeatability {
    let exams = exams_of(readings, None);
    // Readings that repeat another of the same reader and exam: only these tell anything.
    let repeated: usize = exams.iter().map(|e| e.iter().map(Vec::len).sum::<usize>()).filter(|n| *n > 1).sum();
    match nested(&exams).as_ref().map(own_repeatability) {
        Ok(Ok(r)) => OwnRepeatability { repeatability: Some(Repeatability { readings: u32::try_from(repeated).ok(), ..r }), why_not: None },
        Ok(Err(e)) => OwnRepeatability { repeatability: None, why_not: Some(e.message()) },
        Err(_) => {
            OwnRepeatability { repeatability: None, why_not: Some("no reader read a second frame of an exam, or a frame again".into()) }
        }
    }
}

/// One reader's (or every reader's) signed distances as repeats in frames in exams; two readers' are never one exam.
fn exams_of(readings: &Readings, reader: Option<usize>) -> Vec<Exam> {
    let mut exams: BTreeMap<(usize, usize), BTreeMap<usize, Vec<f64>>> = BTreeMap::new();
    for o in readings.observations.iter().filter(|o| reader.is_none_or(|r| r == o.reader)) {
        if let Some(v) = o.signed_mm {
            exams.entry((o.reader, o.exam)).or_default().entry(o.frame).or_default().push(v);
        }
    }
    exams.into_values().map(|frames| frames.into_values().collect()).collect()
}

/// Each frame's first reading by each reader.
fn first_readings(readings: &Readings) -> BTreeMap<usize, BTreeMap<usize, &Observation>> {
    let mut found: BTreeMap<usize, BTreeMap<usize, &Observation>> = BTreeMap::new();
    for o in &readings.observations {
        found.entry(o.frame).or_default().entry(o.reader).or_insert(o);
    }
    found
}

/// Resamples patients, where the figure can be had at all.
pub(super) fn over<T>(
    clusters: &BTreeMap<usize, Vec<T>>,
    options: &Options,
    statistic: impl Fn(&[&T]) -> Option<f64>,
) -> Option<Bootstrap> {
    over_all(clusters, options, |all| Some([statistic(all)?])).map(|[one]| one)
}

/// As [`over`], of several figures of the same resamples.
fn over_all<T, const N: usize>(
    clusters: &BTreeMap<usize, Vec<T>>,
    options: &Options,
    statistic: impl Fn(&[&T]) -> Option<[f64; N]>,
) -> Option<[Bootstrap; N]> {
    let clusters: Vec<&Vec<T>> = clusters.values().collect();
    let made = cluster_bootstrap_of(&clusters, options.resamples, options.seed, |drawn| {
        statistic(&drawn.iter().flat_map(|c| c.iter()).collect::<Vec<_>>())
    });
    // Where no resample differs, as with no finding changed at all, the data do not tell how sure the figure is.
    let bare =
        |b: Bootstrap| if b.estimate.low == b.estimate.high { Bootstrap { estimate: Estimate::bare(b.estimate.value), ..b } } else { b };
    made.ok().map(|all| all.map(bare))
}

pub(super) fn by_patient<'a, T>(all: &[&Both<'a>], f: impl Fn(&Both<'a>) -> Option<T>) -> BTreeMap<usize, Vec<T>> {
    let mut clusters: BTreeMap<usize, Vec<T>> = BTreeMap::new();
    for both in all {
        if let Some(v) = f(both) {
            clusters.entry(both.patient).or_default().push(v);
        }
    }
    clusters
}

/// Counts of the categories that are in use, in the table's order: a band that nobody used says nothing of agreement,
/// but keeps its place between the others for the weights.
fn counts(pairs: &[&(usize, usize)]) -> Vec<Vec<u32>> {
    let (low, high) = pairs.iter().flat_map(|(a, b)| [*a, *b]).fold((usize::MAX, 0), |(l, h), v| (l.min(v), h.max(v)));
    let size = (high + 1).saturating_sub(low);
    let mut table = vec![vec![0; size]; size];
    for (a, b) in pairs {
        if let Some(cell) = table.get_mut(a - low).and_then(|row| row.get_mut(b - low)) {
            *cell += 1;
        }
    }
    table
}

fn pair_study(readings: &Readings, first: usize, second: usize, options: &Options, warnings: &mut Vec<String>) -> Option<PairStudy> {
    let name = |i: usize| readings.readers.get(i).cloned().unwrap_or_default();
    let all: Vec<Both<'_>> = first_readings(readings)
        .into_values()
        .filter_map(|by| Some(Both { patient: by.get(&first)?.patient, a: by.get(&first)?, b: by.get(&second)? }))
        .collect();
    if all.is_empty() {
        return None;
    }
    let refs: Vec<&Both<'_>> = all.iter().collect();
    let values = by_patient(&refs, |b| b.values());
    let flat: Vec<Pair> = values.values().flatten().copied().collect();
    let table: Vec<Vec<f64>> = flat.iter().map(|(a, b)| vec![*a, *b]).collect();
    let places = by_patient(&refs, |b| b.categories().map(|(a, b)| (a.place, b.place)));
    let flat_places: Vec<&(usize, usize)> = places.values().flatten().collect();
    let [bias, lower, upper] = differences_over(&values, options);
    let kappa_of = |w: Weights| cohen(&counts(&flat_places), w).ok();
    let agreement = bland_altman(&flat).ok();
    let who = format!("{} and {}", name(first), name(second));
    if let Some(b) = &agreement {
        warn(&who, b, warnings);
    }
    Some(PairStudy {
        first: name(first),
        second: name(second),
        frames: all.len(),
        patients: all.iter().map(|b| b.patient).collect::<BTreeSet<_>>().len(),
        sides_differ: flat.iter().filter(|(a, b)| (*a < 0.0) != (*b < 0.0)).count(),
        bland_altman: agreement,
        bias_over_patients: bias,
        lower_limit_over_patients: lower,
        upper_limit_over_patients: upper,
        icc: icc(&table).ok(),
        icc_2_1_over_patients: over(&values, options, |pairs| {
            let table: Vec<Vec<f64>> = pairs.iter().map(|(a, b)| vec![*a, *b]).collect();
            crate::agree::icc::icc_2_1(&table)
        }),
        kappa: kappa_of(Weights::None),
        kappa_linear: kappa_of(Weights::Linear),
        kappa_quadratic: kappa_of(Weights::Quadratic),
        kappa_over_patients: over(&places, options, |p| cohen(&counts(p), Weights::None).ok().map(|k| k.kappa.value)),
        changed: changed(&refs),
        changed_over_patients: changed_over(&places, options),
        subgroups: subgroups(&refs, options),
        points: refs.iter().filter_map(|b| point(b)).collect(),
    })
}

fn point(both: &Both<'_>) -> Option<PairPoint> {
    let (first_mm, second_mm) = both.values()?;
    Some(PairPoint {
        patient: both.patient,
        exam: both.a.exam,
        frame: both.a.frame,
        first_mm,
        second_mm,
        changed: both.categories().map(|(a, b)| a.place != b.place),
        parts: By::ALL.into_iter().map(|by| by.part_of(both)).collect(),
    })
}

/// Frames whose findings differ, of those whose findings compare.
pub(super) fn changed(all: &[&Both<'_>]) -> (usize, usize) {
    let compare: Vec<_> = all.iter().filter_map(|b| b.categories()).collect();
    (compare.iter().filter(|(a, b)| a.place != b.place).count(), compare.len())
}

/// The share of findings that differ over resampled patients.
pub(super) fn changed_over(places: &BTreeMap<usize, Vec<(usize, usize)>>, options: &Options) -> Option<Bootstrap> {
    over(places, options, |p| (!p.is_empty()).then(|| p.iter().filter(|(a, b)| a != b).count() as f64 / p.len() as f64))
}

/// Bias, lower and upper limit of agreement over resampled patients.
pub(super) fn differences_over(values: &BTreeMap<usize, Vec<Pair>>, options: &Options) -> [Option<Bootstrap>; 3] {
    let made = over_all(values, options, |pairs| {
        let d: Vec<f64> = pairs.iter().map(|(a, b)| a - b).collect();
        let sd = (sum_of_squares(&d) / (d.len() as f64 - 1.0)).sqrt();
        (d.len() >= 2).then(|| [0.0, -LIMIT_FACTOR, LIMIT_FACTOR].map(|k| mean(&d) + k * sd))
    });
    made.map_or([None; 3], |all| all.map(Some))
}

fn warn(who: &str, b: &BlandAltman, warnings: &mut Vec<String>) {
    if b.few_pairs {
        warnings
            .push(format!("{who}: only {} pairs; limits of agreement need at least {FEW_PAIRS} (an assumption of this program).", b.pairs));
        if let Ok(n) = planning::pairs_for_limits(b.sd.value, 1.0) {
            warnings.push(format!("{who}: with this spread, knowing each limit to 1 mm either way takes about {n} independent pairs."));
        }
    }
    let against = |p: Option<f64>| p.is_some_and(|p| p < SPEAKS_AGAINST);
    if against(b.assumptions.normality_p) {
        warnings.push(format!("{who}: the differences are not normal; the limits may not hold 95 % of them."));
    }
    if against(b.assumptions.constant_spread_p) {
        warnings.push(format!("{who}: the spread of the differences changes with the distance; one pair of limits does not fit all."));
    }
    if against(b.proportional_bias.map(|l| l.p)) {
        warnings.push(format!("{who}: the difference changes with the distance (proportional bias)."));
    }
}

fn together(readings: &Readings, options: &Options) -> Together {
    let n = readings.readers.len();
    let mut rows: BTreeMap<usize, Vec<Vec<f64>>> = BTreeMap::new();
    let mut places: BTreeMap<usize, Vec<Vec<usize>>> = BTreeMap::new();
    for by in first_readings(readings).into_values().filter(|by| by.len() == n) {
        let Some(patient) = by.values().next().map(|o| o.patient) else { continue };
        if let Some(row) = by.values().map(|o| o.signed_mm).collect::<Option<Vec<f64>>>() {
            rows.entry(patient).or_default().push(row);
        }
        if let Some(categories) = by.values().map(|o| o.category.as_ref()).collect::<Option<Vec<&Category>>>()
            && categories.windows(2).all(|w| w.first().map(|c| &c.table) == w.last().map(|c| &c.table))
        {
            places.entry(patient).or_default().push(categories.iter().map(|c| c.place).collect());
        }
    }
    let table: Vec<Vec<f64>> = rows.values().flatten().cloned().collect();
    let kappa_of = |all: &[&Vec<usize>]| {
        let size = all.iter().flat_map(|r| r.iter()).max().map_or(0, |m| m + 1);
        let counts: Vec<Vec<u32>> =
            all.iter().map(|r| (0..size).map(|c| u32::try_from(r.iter().filter(|p| **p == c).count()).unwrap_or(0)).collect()).collect();
        fleiss(&counts).ok()
    };
    Together {
        frames: table.len(),
        components: two_way(&table).ok(),
        icc: icc(&table).ok(),
        icc_2_1_over_patients: over(&rows, options, |r| crate::agree::icc::icc_2_1(&r.iter().map(|v| (*v).clone()).collect::<Vec<_>>())),
        kappa: kappa_of(&places.values().flatten().collect::<Vec<_>>()),
        kappa_over_patients: over(&places, options, |p| kappa_of(p).map(|k| k.kappa.value)),
    }
}
