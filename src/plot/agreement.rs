//! The plots of an agreement study: two readers' differences, and its figures part by part.

use super::axes::Form;
use super::bland_altman::{BlandAltman, Level, Point, Slope};
use super::forest::{Forest, Group};
use crate::agree::Estimate;
use crate::agree::bootstrap::Bootstrap;
use crate::agree::study::{By, PARTS_NOTE, PairStudy, Part, Study, Subgroup};
use crate::synth::readers::INVENTED;

/// Size of a plot of differences in a file of its own, points.
pub const FILE_SIZE: (f64, f64) = (760.0, 460.0);
/// Size of the letters there, points.
pub const FILE_LETTERS: f64 = 12.0;

/// Puts what must not be overlooked among the notes below a plot: that the study is an invented one, and that readings which were
/// not blind count in it.
pub fn note(notes: &mut Vec<String>, invented: bool, not_blinded: bool) {
    if invented {
        notes.insert(0, INVENTED.to_owned());
    }
    if not_blinded {
        notes.push("Readings made after seeing another's are among them: agreement looks better than it is".into());
    }
}

/// Which figure is shown part by part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Figure {
    /// Bias, mm.
    Bias,
    /// Share of findings that differ, per cent.
    Changed,
}

/// Places, among the points of a pair, of those that belong to a part; of all without one.
#[must_use]
pub fn members(pair: &PairStudy, part: Option<&Part>) -> Vec<usize> {
    let belongs = |parts: &[Part]| part.is_none_or(|p| parts.contains(p));
    pair.points.iter().enumerate().filter(|(_, p)| belongs(&p.parts)).map(|(i, _)| i).collect()
}

/// Two readers' differences, of all frames or of one part of them, with a form for each part where `marks` says how they are
/// parted. `None` where fewer than two pairs have a signed distance. Its points are [`members`], in that order.
#[must_use]
pub fn differences(pair: &PairStudy, part: Option<&Part>, marks: Option<By>) -> Option<BlandAltman> {
    let (agreement, over) = match part {
        None => (pair.bland_altman?, [pair.bias_over_patients, pair.lower_limit_over_patients, pair.upper_limit_over_patients]),
        Some(part) => {
            let s = pair.subgroups.iter().find(|s| s.part == *part)?;
            (s.bland_altman?, [s.bias_over_patients, s.lower_limit_over_patients, s.upper_limit_over_patients])
        }
    };
    let names = marks.map_or_else(Vec::new, |by| named(pair, by));
    let form = |parts: &[Part]| {
        let own = parts.iter().find(|p| Some(p.by) == marks);
        Form::of(own.and_then(|p| names.iter().position(|n| *n == p)).unwrap_or(0))
    };
    let points = members(pair, part)
        .into_iter()
        .filter_map(|i| pair.points.get(i))
        .map(|p| Point { mean_mm: f64::midpoint(p.first_mm, p.second_mm), difference_mm: p.first_mm - p.second_mm, form: form(&p.parts) })
        .collect();
    // All three intervals are of one kind, so that one sentence can say which.
    let ([bias, lower, upper], method) = match over {
        [Some(a), Some(b), Some(c)] => ([a.estimate, b.estimate, c.estimate], resampled(&a)),
        _ => (
            [agreement.bias, agreement.lower_limit, agreement.upper_limit],
            "Bands: exact 95 % intervals (t, noncentral t), frames taken for independent".to_owned(),
        ),
    };
    let level = |e: Estimate| Level { at_mm: e.value, interval_mm: e.low.zip(e.high) };
    let mut notes =
        vec![format!("{} pairs. Line: bias; dashes: limits of agreement; dots: differences against means", agreement.pairs), method];
    if names.len() > Form::ALL.len() {
        notes.push(format!("{} parts and {} forms: some parts share one", names.len(), Form::ALL.len()));
    }
    Some(BlandAltman {
        of: format!("{} − {}", pair.first, pair.second),
        points,
        bias: level(bias),
        lower: level(lower),
        upper: level(upper),
        slope: agreement.proportional_bias.map(|l| Slope { intercept_mm: l.intercept, per_mm: l.slope.value }),
        legend: names.iter().enumerate().map(|(i, p)| (Form::of(i), p.words())).collect(),
        notes,
        view: None,
        chosen: None,
    })
}

/// The parts of one way of parting that have a pair of signed distances, in order.
fn named(pair: &PairStudy, by: By) -> Vec<&Part> {
    pair.subgroups.iter().filter(|s| s.part.by == by && s.pairs > 0).map(|s| &s.part).collect()
}

fn resampled(b: &Bootstrap) -> String {
    format!("Bands: 95 % percentile intervals, {} patients resampled {} times, seed {}", b.clusters, b.replicates, b.seed)
}

/// A figure of two readers, one part under another.
#[must_use]
pub fn parts(pair: &PairStudy, figure: Figure) -> Forest {
    let group = |s: &Subgroup| {
        let (estimate, count) = match figure {
            Figure::Bias => {
                let exact = s.bland_altman.map(|b| b.bias);
                (s.bias_over_patients.map(|b| b.estimate).or(exact)?, format!("{} pairs of {} patients", s.pairs, s.patients))
            }
            Figure::Changed => {
                (per_cent(&share(s.changed_over_patients, s.changed)?), format!("{} of {} findings", s.changed.0, s.changed.1))
            }
        };
        let few = if s.few_patients { ", few" } else { "" };
        Some(Group { name: s.part.words(), count: count + few, value: estimate.value, interval: estimate.low.zip(estimate.high) })
    };
    let all = match figure {
        Figure::Bias => pair.bias_over_patients.map(|b| b.estimate).or(pair.bland_altman.map(|b| b.bias)),
        Figure::Changed => share(pair.changed_over_patients, pair.changed).map(|e| per_cent(&e)),
    };
    Forest {
        of: match figure {
            Figure::Bias => format!("Bias, {} − {}, mm", pair.first, pair.second),
            Figure::Changed => format!("Findings that differ, {} and {}, per cent", pair.first, pair.second),
        },
        digits: if figure == Figure::Bias { 2 } else { 1 },
        groups: pair.subgroups.iter().filter_map(group).collect(),
        all: all.map(|e| e.value),
        from: Some(0.0),
        notes: vec!["Bars: 95 % intervals over resampled patients; dashes: all together".to_owned(), PARTS_NOTE.to_owned()],
    }
}

/// ICC(2,1) of every two readers, and of all.
#[must_use]
pub fn correlations(study: &Study) -> Forest {
    let group = |name: String, over: Option<Bootstrap>, exact: Option<Estimate>, frames: usize| {
        let e = over.map(|b| b.estimate).or(exact)?;
        Some(Group { name, count: format!("{frames} frames"), value: e.value, interval: e.low.zip(e.high) })
    };
    let pairs = study.pairs.iter().filter_map(|p| {
        let frames = p.icc.map_or(0, |i| i.subjects);
        group(format!("{} and {}", p.first, p.second), p.icc_2_1_over_patients, p.icc.map(|i| i.icc_2_1), frames)
    });
    let together = study.together.as_ref().filter(|_| study.readers.len() > 2);
    let all = together.and_then(|t| group("all readers".into(), t.icc_2_1_over_patients, t.icc.map(|i| i.icc_2_1), t.frames));
    Forest {
        of: "Intraclass correlation, ICC(2,1)".to_owned(),
        digits: 3,
        groups: pairs.chain(all).collect(),
        all: None,
        from: Some(1.0),
        notes: vec!["Bars: 95 % intervals over resampled patients".to_owned()],
    }
}

fn share(over: Option<Bootstrap>, (differ, of): (usize, usize)) -> Option<Estimate> {
    let bare = (of > 0).then(|| Estimate { value: differ as f64 / of as f64, low: None, high: None });
    over.map(|b| b.estimate).or(bare)
}

fn per_cent(e: &Estimate) -> Estimate {
    Estimate { value: 100.0 * e.value, low: e.low.map(|v| 100.0 * v), high: e.high.map(|v| 100.0 * v) }
}
