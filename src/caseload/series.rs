//! Serial exams of one woman: the same estimand at every visit, with its error.

use super::{SavedExam, Woman, same_pregnancy};
use crate::calibrate::Calibration;
use crate::context::GestationalAge;
use crate::estimate::Interval;
use crate::exam::ExamDistance;
use crate::guideline::ExplainLine;
use crate::source::{Citation, Provenance};
use crate::trend::{Point, Trend, trend};
use crate::units::Mm;

/// Most of a distance that is taken for error of its scale (own assumption).
const MOST_RELATIVE: f64 = 0.99;

/// Why an exam without a distance is left out.
const NO_DISTANCE: &str = "it has no distance";

/// The visits of one pregnancy.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// Exams with an exam distance, by age: what a change is reckoned from.
    pub points: Vec<Point>,
    /// 95 % interval of each point.
    pub intervals: Vec<Interval>,
    /// Exams that are left out, each with its reason.
    pub left_out: Vec<(Option<GestationalAge>, String)>,
    /// The change, where two exams or more have a distance.
    pub trend: Option<Trend>,
}

impl Series {
    /// The series in sentences; empty with fewer than two exams.
    #[must_use]
    pub fn lines(&self) -> Vec<ExplainLine> {
        if self.points.len() + self.left_out.len() < 2 {
            return Vec::new();
        }
        let own = |text: String| ExplainLine {
            text,
            row: format!("program / {}", crate::trend::METHOD),
            source: Citation::fixed("the saved readings of this woman", Provenance::OwnAssumption),
        };
        let mut out: Vec<ExplainLine> = self
            .points
            .iter()
            .zip(&self.intervals)
            .map(|(p, i)| {
                let ends = i.low_mm.zip(i.high_mm).map(|(l, h)| format!("; 95 %: {} to {}", side(l), side(h))).unwrap_or_default();
                own(format!("{}: exam distance, {}{ends}", p.age, side(p.signed_mm)))
            })
            .collect();
        out.extend(self.left_out.iter().map(|(age, why)| {
            let age = age.map_or_else(|| "An undated exam".to_owned(), |a| a.to_string());
            own(format!("{age}: left out, {why}"))
        }));
        match &self.trend {
            Some(t) => out.extend(t.lines()),
            None if self.points.len() > 1 => {
                let why = trend(&self.points).err().map(|e| e.message()).unwrap_or_default();
                out.push(own(format!("No change is reckoned: {why}.")));
            }
            None => out.push(own("No change is reckoned: it takes two dated exams in which both ends of the distance were seen.".into())),
        }
        out
    }
}

/// A signed distance in words: its side is never told by a sign alone.
fn side(mm: Mm) -> String {
    let at = mm.get();
    // A tenth of a millimetre, or as many digits as keep it on its side of the os and of 10 and 20 mm.
    let same =
        |printed: f64| (printed - at).abs() <= 0.05 && [0.0, 10.0, 20.0].iter().all(|l| (printed < *l, printed > *l) == (at < *l, at > *l));
    let plain = format!("{:.1}", at.abs());
    let signed = format!("{at:.1}").parse().is_ok_and(same);
    let digits = if signed { plain } else { crate::measure::words::digits_that_keep(at, same).trim_start_matches('-').to_owned() };
    if at < 0.0 { format!("overlap of {digits} mm") } else { format!("{digits} mm away") }
}

/// The visits of the pregnancy that `woman`'s exam number `of` belongs to, up to and with that exam.
#[must_use]
pub fn series(woman: &Woman, of: usize) -> Series {
    let Some(exam) = woman.exams.get(of) else { return Series::default() };
    let visits = woman.exams.iter().take(of + 1).filter(|e| same_pregnancy(&e.context, &exam.context) || std::ptr::eq(*e, exam));
    let mut out = Series::default();
    let mut scales: Vec<Calibration> = Vec::new();
    for visit in visits {
        let born = |e: &SavedExam| e.readings.first().and_then(|r| r.patient.birth_date);
        let another = born(visit).zip(born(exam)).is_some_and(|(a, b)| a != b);
        match point(visit, &mut scales) {
            _ if another => {
                out.left_out.push((visit.context.gestational_age().ok(), "it bears another date of birth".into()));
            }
            Ok((point, _)) if out.points.iter().any(|p| p.age == point.age) => {
                out.left_out.push((Some(point.age), "another exam has the same age".into()));
            }
            Ok((point, interval)) => {
                out.points.push(point);
                out.intervals.push(interval);
            }
            Err(why) => out.left_out.push((visit.context.gestational_age().ok(), why)),
        }
    }
    out.trend = trend(&out.points).ok();
    out
}

fn point(visit: &SavedExam, scales: &mut Vec<Calibration>) -> Result<(Point, Interval), String> {
    let age = visit.context.gestational_age().map_err(|_| "its gestational age is not known".to_owned())?;
    let Some((summary, places)) = visit.summary() else {
        let why =
            if visit.readings.iter().any(|r| r.distance.measured().is_some()) { "its readings cannot be summed up" } else { NO_DISTANCE };
        return Err(why.into());
    };
    let ExamDistance::Estimate { signed_mm, u_shared_mm, interval, .. } = &summary.exam_distance else {
        return Err(match &summary.exam_distance {
            ExamDistance::None { reason } => reason.clone(),
            _ => "one end was out of view in every frame".into(),
        });
    };
    let of = |i: &usize| visit.readings.get(*i);
    let measured = places.iter().filter_map(of).find_map(|r| Some((r.distance.measured()?, r)));
    let Some((measured, record)) = measured else { return Err(NO_DISTANCE.into()) };
    let calibration = &measured.scale.calibration;
    let number = scales.iter().position(|c| c == calibration).unwrap_or_else(|| {
        scales.push(calibration.clone());
        scales.len() - 1
    });
    let (d, shared) = (signed_mm.get(), u_shared_mm.get());
    // Near the os what is shared is more than any scale makes of so short a distance: the rest counts as the visit's own.
    let relative = if d == 0.0 { 0.0 } else { (shared / d).abs().min(MOST_RELATIVE) };
    let rest = (shared.powi(2) - (relative * d).powi(2)).max(0.0).sqrt();
    let point = Point {
        age,
        signed_mm: *signed_mm,
        // Not made smaller by the visit's repeats: an assumed total holds the difference between scans too, and how much of
        // it that is, is not known.
        u_independent_mm: Mm::new(record.repeatability.sd_mm.get().hypot(rest)),
        u_scale_relative: relative,
        calibration: format!("scale {number}"),
    };
    // Shown with the same uncertainty that the change is reckoned with, which is never the smaller one.
    let u = point.u_independent_mm.get().hypot(point.u_scale_relative * d);
    let widest =
        |end: Option<Mm>, side: f64| end.map(|e| Mm::new(side * (side * e.get()).max(side * d + crate::measure::interval::Z95 * u)));
    Ok((point, Interval { low_mm: widest(interval.low_mm, -1.0), high_mm: widest(interval.high_mm, 1.0), coverage: interval.coverage }))
}
