//! Holding an answer against what is true of the case.

use serde::{Deserialize, Serialize};

use super::key::{AnswerKey, scale_of};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Geometry;
use crate::guideline::Table;
use crate::measure::{ASSUMED_SD_MM, EdgeMark, Landmarks, Measurement, Repeatability, Side, SideCheck, Value, edge_to_os};
use crate::units::{Mm, MmVec, PxPoint};

/// The SD of one reading that trainees are held against, mm (own assumption): the labelled total that clinical readings use until
/// a department knows its own ([`Repeatability::assumed_total`]).
pub const TARGET_SD_MM: f64 = ASSUMED_SD_MM;
/// A distance is read well when its error is at most this, mm: 1.96 of the target's SDs.
pub const WITHIN_MM: f64 = 1.96 * TARGET_SD_MM;

/// Why a frame is not to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// The bladder is full.
    FullBladder,
    /// A contraction of the wall is in the frame.
    Contraction,
    /// The plane lies off the shortest way from the os to the edge.
    OffAxis,
    /// There is no scale to be had.
    NoScale,
    /// A landmark cannot be made out.
    NotSeen,
}

impl Reason {
    /// Every reason.
    pub const ALL: [Self; 5] = [Self::FullBladder, Self::Contraction, Self::OffAxis, Self::NoScale, Self::NotSeen];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::FullBladder => "full bladder",
            Self::Contraction => "contraction",
            Self::OffAxis => "plane off the shortest way",
            Self::NoScale => "no scale",
            Self::NotSeen => "a landmark cannot be made out",
        }
    }
}

/// What a good reader does with a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "decision")]
pub enum Expected {
    /// Reads it.
    Read,
    /// Does not read it.
    Reject {
        /// Why.
        reason: Reason,
    },
}

/// What a trainee did with a frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "decision")]
pub enum Answer {
    /// Read it.
    Read {
        /// The landmarks, px.
        landmarks: Landmarks,
        /// The stated side.
        side: Side,
    },
    /// Did not read it.
    Reject {
        /// Why.
        reason: Reason,
    },
}

/// How far a landmark lies from its true place, mm: right and down are positive.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// To the right.
    pub right_mm: Mm,
    /// Downwards.
    pub down_mm: Mm,
}

/// An answer as marked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Marked {
    /// What was to be done.
    pub expected: Expected,
    /// Whether it was read or rejected as it should.
    pub decision_right: bool,
    /// Whether it was rejected for the right reason, where it was rightly rejected.
    pub reason_right: Option<bool>,
    /// The true signed distance in this plane, mm; negative when the placenta overlaps.
    pub true_mm: Option<Mm>,
    /// The signed distance as read, mm; `None` for a rejected frame, a one-sided value and a frame without a scale.
    pub read_mm: Option<Mm>,
    /// Read less true, mm: positive when the edge was read farther from the os, or the overlap smaller, than it is.
    pub error_mm: Option<Mm>,
    /// How far the os was marked from its place.
    pub os_shift: Option<Shift>,
    /// How far the edge was marked from its place.
    pub edge_shift: Option<Shift>,
    /// Whether the stated side is right, where one was stated.
    pub side_right: Option<bool>,
    /// Whether the value lies in the band of the true one under the table, where it was read and was to be read.
    pub finding_right: Option<bool>,
    /// The band of the value as read.
    pub finding: Option<String>,
    /// The band of the true value.
    pub true_finding: Option<String>,
    /// Whether the case lies within 3 mm of 0, 10 or 20 mm.
    pub near_limit: bool,
    /// Whether the case counts as done well: rightly rejected, or read with an error of at most [`WITHIN_MM`].
    pub well: bool,
}

impl Marked {
    /// The error where it counts towards bias and spread, mm: of frames that were to be read. What is read off a misleading
    /// frame tells nothing of a hand.
    #[must_use]
    pub fn counted_error(&self) -> Option<f64> {
        self.error_mm.filter(|_| self.expected == Expected::Read).map(Mm::get)
    }
}

/// The band of a value, as its id and the words shown.
fn band(table: &Table, value: &Value) -> (String, String) {
    let at = |mm: f64| table.band_at(mm).map_or_else(Default::default, |b| (b.id.clone(), b.label.clone()));
    match value {
        Value::Exact { signed_mm } => at(signed_mm.get()),
        Value::Reaches { .. } => ("reaches".into(), "reaches or partly covers the os".into()),
        Value::OverlapAtLeast { mm } => at(-mm.get()),
        // One plane proves no normal place: it is no band of the table.
        Value::NoPlacentaWithin { .. } => ("none seen".into(), "no placenta seen".into()),
    }
}

/// Marks an answer under a guideline table.
///
/// # Errors
/// [`ErrorKind::Invalid`] when landmarks and side contradict each other, as a clinical reading would not be saved either, or
/// a landmark is not on the frame.
pub fn mark(answer: &Answer, key: &AnswerKey, table: &Table) -> Result<Marked> {
    let to_read = key.expected == Expected::Read;
    let mut marked = Marked {
        expected: key.expected,
        decision_right: matches!(answer, Answer::Read { .. }) == to_read,
        reason_right: None,
        true_mm: key.signed_mm,
        read_mm: None,
        error_mm: None,
        os_shift: None,
        edge_shift: None,
        side_right: None,
        finding_right: None,
        finding: None,
        true_finding: None,
        near_limit: key.near_limit,
        well: false,
    };
    // Of a frame that was agreed not to be read nothing is known but that.
    let known = key.signed_mm.is_some();
    let scale = key.scale().filter(|_| known);
    let truth = scale.as_ref().map(|s| edge_to_os(&key.landmarks, key.side, s, &Repeatability::assumed_total())).transpose()?;
    let true_band = truth.as_ref().map(|t| band(table, &t.value));
    marked.true_finding = true_band.clone().map(|(_, words)| words);
    let (landmarks, side) = match answer {
        Answer::Reject { reason } => {
            if let Expected::Reject { reason: right } = key.expected {
                marked.reason_right = Some(*reason == right);
                marked.well = true;
            }
            return Ok(marked);
        }
        Answer::Read { landmarks, side } => (landmarks, *side),
    };
    // On the scale of the marks themselves, as when the answer was taken: what was taken can be marked.
    let own_scale = scale_of(&key.geometry, landmarks);
    let measured = measured(landmarks, side, &key.geometry, own_scale.as_ref())?;
    marked.side_right = known.then_some(side == key.side);
    let (Some(scale), Some(read)) = (scale, measured) else { return Ok(marked) };
    let step = |from: PxPoint, to: PxPoint| scale.step(to - from);
    let shift = |from, to| {
        let s: MmVec = step(from, to);
        Shift { right_mm: Mm::new(s.x), down_mm: Mm::new(s.y) }
    };
    let (os, true_edge) = (key.landmarks.internal_os, key.landmarks.edge.at());
    marked.os_shift = Some(shift(os, landmarks.internal_os));
    if let EdgeMark::PlacentalEdge { at } = landmarks.edge {
        marked.edge_shift = Some(shift(true_edge, at));
    }
    marked.read_mm = match read.value {
        Value::Exact { signed_mm } => Some(signed_mm),
        // Said to reach the os: its side is not stated, so it is taken from where the edge was marked along the true axis.
        Value::Reaches { centre_distance_mm } => {
            let along = step(landmarks.internal_os, landmarks.edge.at()).dot(step(os, true_edge));
            let away = key.signed_mm.is_none_or(|mm| mm.get() >= 0.0) == (along >= 0.0);
            Some(if away { centre_distance_mm } else { -centre_distance_mm })
        }
        Value::OverlapAtLeast { .. } | Value::NoPlacentaWithin { .. } => None,
    };
    marked.error_mm = marked.read_mm.zip(key.signed_mm).map(|(read, truth)| read - truth);
    let as_read = band(table, &read.value);
    if to_read {
        marked.finding_right = true_band.map(|(id, _)| id == as_read.0);
        marked.well = marked.error_mm.is_some_and(|e| e.get().abs() <= WITHIN_MM);
    }
    marked.finding = Some(as_read.1);
    Ok(marked)
}

fn refused() -> Error {
    Error::new(ErrorKind::Invalid, "the answer is not taken")
}

/// Whether an answer can be taken for a frame of this geometry, whatever is true of it.
///
/// # Errors
/// As [`mark`].
pub fn check_answer(answer: &Answer, geometry: &Geometry) -> Result<()> {
    let Answer::Read { landmarks, side } = answer else { return Ok(()) };
    let scale = scale_of(geometry, landmarks);
    measured(landmarks, *side, geometry, scale.as_ref()).map(drop)
}

/// The distance of an answer, where there is a scale.
fn measured(landmarks: &Landmarks, side: Side, geometry: &Geometry, scale: Option<&Calibration>) -> Result<Option<Measurement>> {
    on_frame(landmarks, geometry)?;
    let Some(scale) = scale else { return Ok(None) };
    let read = edge_to_os(landmarks, side, scale, &Repeatability::assumed_total())?;
    if read.side_check == SideCheck::Disagrees {
        return Err(refused()
            .expected("a point on the placental body on the side that was stated")
            .found("one on the other side")
            .remedy("Move the body or the edge, or state the side again"));
    }
    Ok(Some(read))
}

fn on_frame(landmarks: &Landmarks, geometry: &Geometry) -> Result<()> {
    let (w, h) = (f64::from(geometry.columns), f64::from(geometry.rows));
    let all = [Some(landmarks.internal_os), Some(landmarks.edge.at()), landmarks.placental_body, landmarks.marginal_sinus];
    match all.into_iter().flatten().find(|p| !(p.is_finite() && (0.0..=w).contains(&p.x) && (0.0..=h).contains(&p.y))) {
        None => Ok(()),
        Some(p) => Err(refused().expected(format!("landmarks from 0 to {w} and 0 to {h} px")).found(format!("({}, {})", p.x, p.y))),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;
    use crate::practice::{Level, Task};
    use crate::units::PxVec;

    fn table() -> Table {
        crate::guideline::table("sogc-2020").unwrap()
    }

    fn task(so: impl Fn(&Task) -> bool) -> Task {
        (0..500).map(|seed| Task::new(Level::AsInTheClinic, seed).unwrap()).find(so).unwrap()
    }

    fn read(key: &AnswerKey) -> (Landmarks, Side) {
        (key.landmarks, key.side)
    }

    #[test]
    fn the_truth_itself_is_without_error() {
        for seed in 0..100 {
            let key = Task::new(Level::NearTheLimits, seed).unwrap().key();
            let (landmarks, side) = read(&key);
            let m = mark(&Answer::Read { landmarks, side }, &key, &table()).unwrap();
            if key.expected == Expected::Read {
                assert!(m.well && m.decision_right && m.finding_right == Some(true) && m.side_right == Some(true), "{seed}: {m:?}");
                assert!(m.error_mm.unwrap().get().abs() < 1e-9, "{seed}: {m:?}");
            } else {
                assert!(!m.well && !m.decision_right && m.error_mm.is_none());
            }
        }
    }

    #[test]
    fn an_edge_marked_farther_out_is_a_positive_error_and_a_side_mistaken_is_a_large_one() {
        let key = task(|t| t.expected() == Expected::Read && t.truth().edge_to_os_mm > 12.0).key();
        let scale = key.scale().unwrap();
        let (mut landmarks, side) = read(&key);
        let (os, edge) = (landmarks.internal_os, landmarks.edge.at());
        let out = scale.step(edge - os);
        let longer = out.length().get();
        let k = (longer + 3.0) / longer;
        let at = os + PxVec { x: (edge.x - os.x) * k, y: (edge.y - os.y) * k };
        landmarks.edge = EdgeMark::PlacentalEdge { at };
        landmarks.placental_body = None;
        let m = mark(&Answer::Read { landmarks, side }, &key, &table()).unwrap();
        assert!((m.error_mm.unwrap().get() - 3.0).abs() < 1e-9 && m.well);
        let moved = m.edge_shift.unwrap();
        assert!((moved.right_mm.get().hypot(moved.down_mm.get()) - 3.0).abs() < 1e-9);
        assert_eq!(m.os_shift.unwrap().right_mm, Mm::new(0.0));
        let m = mark(&Answer::Read { landmarks, side: Side::Covers }, &key, &table()).unwrap();
        assert!(m.error_mm.unwrap().get() < -20.0 && !m.well && m.side_right == Some(false) && m.finding_right == Some(false));
    }

    #[test]
    fn rejecting_is_right_where_it_is_and_the_reason_is_marked_apart() {
        let full = task(|t| t.expected() == Expected::Reject { reason: Reason::FullBladder }).key();
        let of = |reason, key: &AnswerKey| mark(&Answer::Reject { reason }, key, &table()).unwrap();
        assert!(of(Reason::FullBladder, &full).well && of(Reason::FullBladder, &full).reason_right == Some(true));
        assert!(of(Reason::NoScale, &full).well && of(Reason::NoScale, &full).reason_right == Some(false));
        let plain = task(|t| t.expected() == Expected::Read).key();
        let m = of(Reason::NoScale, &plain);
        assert!(!m.well && !m.decision_right && m.reason_right.is_none() && m.error_mm.is_none());
        let (landmarks, side) = read(&full);
        let m = mark(&Answer::Read { landmarks, side }, &full, &table()).unwrap();
        assert!(!m.well && m.error_mm.is_some() && m.counted_error().is_none() && m.finding_right.is_none());
    }

    #[test]
    fn what_a_clinical_reading_would_refuse_is_refused() {
        let key = task(|t| t.expected() == Expected::Read && t.truth().edge_to_os_mm > 12.0).key();
        let (landmarks, side) = read(&key);
        let wrong = |landmarks, side| mark(&Answer::Read { landmarks, side }, &key, &table()).unwrap_err().kind();
        assert_eq!(wrong(landmarks, Side::Covers), ErrorKind::Invalid, "the body says otherwise");
        let off = Landmarks { internal_os: PxPoint::new(-1.0, 5.0), ..landmarks };
        assert_eq!(wrong(off, side), ErrorKind::Invalid);
        let last = Landmarks { edge: EdgeMark::LastPlacentaSeen { at: landmarks.edge.at() }, ..landmarks };
        assert_eq!(wrong(last, Side::NotCovering), ErrorKind::Invalid);
    }

    /// The synthetic region ends above the strip of depth marks: marks beside it have no scale, and the answer is taken as one
    /// without a distance.
    #[test]
    fn what_is_taken_can_be_marked() {
        let key = task(|t| t.expected() == Expected::Read && t.truth().edge_to_os_mm > 12.0).key();
        let region = &key.geometry.regions[0];
        let beside = PxPoint::new(f64::from(region.max_x1.unwrap()) + 4.0, 20.0);
        assert!(beside.x < f64::from(key.geometry.columns), "the frame has no room beside its region");
        let landmarks = Landmarks {
            internal_os: beside,
            edge: EdgeMark::LastPlacentaSeen { at: key.landmarks.edge.at() },
            placental_body: None,
            ..key.landmarks
        };
        let answer = Answer::Read { landmarks, side: Side::NotCovering };
        check_answer(&answer, &key.geometry).unwrap();
        let m = mark(&answer, &key, &table()).unwrap();
        assert!(!m.well && m.read_mm.is_none() && m.error_mm.is_none(), "{m:?}");
    }

    #[test]
    fn nothing_is_told_of_where_the_landmarks_of_a_frame_lie_that_is_not_to_be_read() {
        let course = task(|t| t.expected() == Expected::Read).key();
        let key = crate::practice::own::rejected(&course.geometry, Reason::NotSeen, "The os is in shadow.");
        let (landmarks, side) = read(&course);
        let m = mark(&Answer::Read { landmarks, side }, &key, &table()).unwrap();
        assert!(!m.well && !m.decision_right, "{m:?}");
        assert!(m.os_shift.is_none() && m.edge_shift.is_none() && m.true_finding.is_none() && m.side_right.is_none(), "{m:?}");
    }

    #[test]
    fn an_edge_said_to_reach_the_os_keeps_the_side_it_was_marked_on() {
        let key = task(|t| t.expected() == Expected::Read && t.truth().edge_to_os_mm < -1.0 && t.truth().edge_to_os_mm > -3.0).key();
        let (os, edge) = (key.landmarks.internal_os, key.landmarks.edge.at());
        let landmarks = |k: f64| Landmarks {
            edge: EdgeMark::PlacentalEdge { at: os + PxVec { x: (edge.x - os.x) * k, y: (edge.y - os.y) * k } },
            placental_body: None,
            ..key.landmarks
        };
        let d = key.signed_mm.unwrap().get();
        for k in [2.0, -1.0] {
            let m = mark(&Answer::Read { landmarks: landmarks(k), side: Side::Reaches }, &key, &table()).unwrap();
            assert!((m.read_mm.unwrap().get() - k * d).abs() < 1e-9, "{k}: {m:?}");
        }
    }
}
