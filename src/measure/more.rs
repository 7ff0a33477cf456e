//! What else may be marked on the frame of a reading, and the lengths that follow: cervical length, thickness of the
//! placental edge, a fetal vessel near the os, the way along the wall, the width of the os.
//!
//! None of them stands in the way of the distance. A set that has no scale of its own, or whose marks lie at one place, is
//! missing with a reason; a set that is not complete says what it lacks.

use serde::{Deserialize, Serialize};

use super::cervix::{self, CervicalLength, cervical_length};
use super::length::{Against, Length};
use super::os_patch::{self, OsPatch, os_patch};
use super::thickness::{self, EdgeThickness, edge_thickness};
use super::vessel::{self, VesselDistance, vessel_distance};
use super::wall::{self, WallTrace, wall_trace};
use super::words::digits_that_keep;
use super::{EdgeMark, Landmarks, Repeatability};
use crate::calibrate::Calibration;
use crate::error::{Error, ErrorKind, Result};
use crate::source::Citation;
use crate::units::PxPoint;

/// Landmarks besides those of the distance, px. All are optional.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct MoreLandmarks {
    /// External os.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub external_os: Option<PxPoint>,
    /// Points on the cervical canal from the external towards the internal os, without the two.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub canal: Vec<PxPoint>,
    /// Where the basal and the chorionic plate meet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plates_meet: Option<PxPoint>,
    /// On the basal plate, near where the plates meet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basal_plate: Option<PxPoint>,
    /// On the chorionic plate, opposite.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chorionic_plate: Option<PxPoint>,
    /// Nearest wall of a vessel outside the placenta.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vessel: Option<PxPoint>,
    /// Whether pulsed Doppler showed a fetal rate in it; `None` when not looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fetal_rate: Option<bool>,
    /// Whether a loop of cord was excluded; `None` when not looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cord_loop_excluded: Option<bool>,
    /// Points along the wall from the internal os to the edge, without the two.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub wall: Vec<PxPoint>,
    /// One end of the os.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub os_end: Option<PxPoint>,
    /// The other.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub os_other_end: Option<PxPoint>,
}

impl MoreLandmarks {
    /// Whether nothing was marked or said.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Every point with its name.
    #[must_use]
    pub fn named(&self) -> Vec<(&'static str, PxPoint)> {
        let single = [
            ("external os", self.external_os),
            ("meeting of the plates", self.plates_meet),
            ("basal plate", self.basal_plate),
            ("chorionic plate", self.chorionic_plate),
            ("vessel", self.vessel),
            ("end of the os", self.os_end),
            ("other end of the os", self.os_other_end),
        ];
        let mut all: Vec<_> = single.into_iter().filter_map(|(name, p)| Some((name, p?))).collect();
        all.extend(self.canal.iter().map(|p| ("canal trace", *p)));
        all.extend(self.wall.iter().map(|p| ("wall trace", *p)));
        all
    }

    /// What the sets that were begun still lack; a reading is not saved with half a set.
    #[must_use]
    pub fn lacks(&self) -> Vec<&'static str> {
        let mut all = Vec::new();
        if self.external_os.is_none() && !self.canal.is_empty() {
            all.push("The canal is traced but the external os is not marked: mark it, or remove the trace.");
        }
        let plates = [self.plates_meet, self.basal_plate, self.chorionic_plate];
        if plates.iter().any(Option::is_some) && plates.iter().any(Option::is_none) {
            all.push("Edge thickness needs three marks: where the plates meet, and one on each plate.");
        }
        if self.os_end.is_some() != self.os_other_end.is_some() {
            all.push("The width of the os needs both of its ends.");
        }
        if self.vessel.is_none() && (self.fetal_rate.is_some() || self.cord_loop_excluded.is_some()) {
            all.push("A vessel is described but not marked: mark it, or take the answers back.");
        }
        all
    }
}

/// One of the lengths, or why it cannot be had.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Quantity<T> {
    /// It was measured.
    Measured(T),
    /// It cannot be had.
    Missing {
        /// Why, and what would help.
        reason: String,
    },
}

impl<T> Quantity<T> {
    /// The quantity, where it was measured.
    pub const fn measured(&self) -> Option<&T> {
        match self {
            Self::Measured(t) => Some(t),
            Self::Missing { .. } => None,
        }
    }
}

/// What follows from [`MoreLandmarks`]; a field is absent when its set is not marked.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct MoreMeasured {
    /// Cervical length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cervix: Option<Quantity<CervicalLength>>,
    /// Thickness and angle of the placental edge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Quantity<EdgeThickness>>,
    /// A vessel near the os.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vessel: Option<Quantity<VesselDistance>>,
    /// The way along the wall.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wall: Option<Quantity<WallTrace>>,
    /// The os as a patch.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub os_patch: Option<Quantity<OsPatch>>,
}

/// One of them in words.
#[derive(Clone, Debug, PartialEq)]
pub struct InWords {
    /// What it is.
    pub name: &'static str,
    /// The value with its interval, or that it is missing.
    pub text: String,
    /// What must be seen beside it.
    pub flags: Vec<String>,
    /// How it lies to what the literature says, one sentence each with its source.
    pub against: Vec<(String, Citation)>,
}

fn quantity<T>(result: Result<T>) -> Quantity<T> {
    match result {
        Ok(value) => Quantity::Measured(value),
        Err(e) => Quantity::Missing { reason: e.message() },
    }
}

/// Measures every complete set. `scale` gives the calibration that holds all the points that it is asked about.
///
/// Each set has the scale of its own points, so that one off the picture takes nothing from the others. A vessel and the
/// edge's thickness have no repeatability of their own in the literature or here: the labelled assumption stands for it. The
/// cervix has a published one. `repeatability` is the distance's, for what ends at the same marks.
#[must_use]
pub fn measure_more(
    landmarks: &Landmarks,
    more: &MoreLandmarks,
    repeatability: &Repeatability,
    scale: &dyn Fn(&[PxPoint]) -> Result<Calibration>,
) -> MoreMeasured {
    let os = landmarks.internal_os;
    let with = |first: &[PxPoint], rest: &[PxPoint]| scale(&[first, rest].concat());
    let cervix = more.external_os.map(|external| {
        quantity(
            with(&[external, os], &more.canal)
                .and_then(|c| cervical_length(external, os, &more.canal, &c, &cervix::published_repeatability())),
        )
    });
    let thickness = more.plates_meet.zip(more.basal_plate).zip(more.chorionic_plate).map(|((meet, basal), chorionic)| {
        quantity(scale(&[meet, basal, chorionic]).and_then(|c| edge_thickness(meet, basal, chorionic, &c, &Repeatability::assumed_total())))
    });
    let vessel = more.vessel.map(|at| {
        quantity(
            scale(&[os, at])
                .and_then(|c| vessel_distance(os, at, more.fetal_rate, more.cord_loop_excluded, &c, &Repeatability::assumed_total())),
        )
    });
    let edge = landmarks.edge.at();
    let wall = (!more.wall.is_empty())
        .then(|| quantity(with(&[os, edge], &more.wall).and_then(|c| wall_trace(os, edge, &more.wall, &c, repeatability))));
    let os_patch = more.os_end.zip(more.os_other_end).map(|(a, b)| {
        let seen = matches!(landmarks.edge, EdgeMark::PlacentalEdge { .. }).then_some(edge);
        let points: Vec<PxPoint> = [a, b, os].into_iter().chain(seen).collect();
        quantity(scale(&points).and_then(|c| os_patch([a, b], os, seen, &c, repeatability)))
    });
    MoreMeasured { cervix, thickness, vessel, wall, os_patch }
}

impl MoreMeasured {
    /// Whether nothing was marked.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The os as a patch, where it was measured.
    #[must_use]
    pub fn patch(&self) -> Option<&OsPatch> {
        self.os_patch.as_ref()?.measured()
    }

    /// Every number with its name, mm or degrees: what `verify` compares.
    #[must_use]
    pub fn numbers(&self) -> Vec<(&'static str, f64)> {
        let mut all = Vec::new();
        let mut length = |name, l: &Length| {
            all.push((name, l.mm.get()));
            all.push((name, l.u_mm.get()));
            all.extend(l.interval.low_mm.into_iter().chain(l.interval.high_mm).map(|v| (name, v.get())));
            all.extend(l.terms.iter().map(|t| (name, t.u_mm.get())));
        };
        let mut plain = Vec::new();
        if let Some(c) = self.cervix.as_ref().and_then(Quantity::measured) {
            length("the cervical length", &c.straight);
            c.trace.iter().for_each(|t| length("the trace of the canal", t));
            plain.extend(c.bow_mm.map(|b| ("the bow of the canal", b.get())));
        }
        if let Some(t) = self.thickness.as_ref().and_then(Quantity::measured) {
            length("the edge thickness", &t.thickness);
            plain.extend([("the edge angle", t.angle_degrees), ("the edge angle's uncertainty", t.u_angle_degrees)]);
        }
        if let Some(v) = self.vessel.as_ref().and_then(Quantity::measured) {
            length("the vessel's distance", &v.length);
        }
        if let Some(w) = self.wall.as_ref().and_then(Quantity::measured) {
            length("the way along the wall", &w.trace);
            plain.extend([("the way along the wall", w.longer_by_mm.get()), ("the bow of the wall", w.bow_mm.get())]);
        }
        if let Some(p) = self.patch() {
            length("the width of the os", &p.width);
            p.to_edge.iter().for_each(|l| length("the distance from the os's rim", l));
        }
        all.extend(plain);
        all
    }

    /// Everything but the numbers and their sources' texts, to see that it is the same: which are there, why others are
    /// missing, what was flagged, by which method.
    #[must_use]
    pub fn skeleton(&self) -> Vec<String> {
        fn of<T>(name: &str, q: Option<&Quantity<T>>, say: impl Fn(&T) -> String) -> Option<String> {
            Some(match q? {
                Quantity::Measured(t) => format!("{name}: {}", say(t)),
                Quantity::Missing { reason } => format!("{name}: {reason}"),
            })
        }
        [
            of("cervical length", self.cervix.as_ref(), |c| format!("{}, curved {}", c.method, c.curved)),
            of("edge thickness", self.thickness.as_ref(), |t| format!("{}, beyond reach {}", t.method, t.beyond_reach)),
            of("vessel", self.vessel.as_ref(), |v| format!("{}, {:?}, {:?}", v.method, v.fetal_rate, v.cord_loop_excluded)),
            of("wall", self.wall.as_ref(), |w| format!("{}, differs {}", w.method, w.differs)),
            of("os patch", self.os_patch.as_ref(), |p| format!("{}, within {}, outside {}", p.method, p.edge_within, p.centre_outside)),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    /// Each in words, in the order in which they are read out.
    #[must_use]
    pub fn in_words(&self) -> Vec<InWords> {
        [
            self.os_patch.as_ref().map(|q| say("Width of the os", q, patch_words)),
            self.wall.as_ref().map(|q| say("Along the wall", q, wall_words)),
            self.cervix.as_ref().map(|q| say("Cervical length", q, cervix_words)),
            self.thickness.as_ref().map(|q| say("Edge thickness", q, thickness_words)),
            self.vessel.as_ref().map(|q| say("Vessel to os", q, vessel_words)),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

fn say<T>(name: &'static str, quantity: &Quantity<T>, words: fn(&T) -> InWords) -> InWords {
    match quantity {
        Quantity::Measured(t) => InWords { name, ..words(t) },
        Quantity::Missing { reason } => InWords { name, text: format!("none: {reason}"), flags: Vec::new(), against: Vec::new() },
    }
}

/// A number with the digits that keep it on its side of every threshold.
fn digits(value: f64, against: &[Against]) -> String {
    let side = |v: f64, at: f64| (v < at, v > at);
    digits_that_keep(value, |printed| against.iter().all(|a| side(printed, a.threshold.at) == side(value, a.threshold.at)))
}

fn length_words(length: &Length, against: &[Against]) -> String {
    let end = |e: Option<crate::units::Mm>| e.map_or_else(|| "?".to_owned(), |v| format!("{:.0}", v.get()));
    format!("{} mm (95 %: {} to {} mm)", digits(length.mm.get(), against), end(length.interval.low_mm), end(length.interval.high_mm))
}

/// "at or under 25 mm: …", with "borderline" where the interval lies on both sides. Those neither reached nor borderline
/// are said too: not reaching one is a finding of its own.
fn against_words(against: &[Against], reached: &str, unit: &str) -> Vec<(String, Citation)> {
    against
        .iter()
        .map(|a| {
            let at = a.threshold.at;
            let lead = match (a.reached, a.borderline) {
                (true, false) => format!("{reached} {at} {unit}"),
                (true, true) => format!("{reached} {at} {unit}, borderline"),
                (false, true) => format!("not {reached} {at} {unit}, borderline"),
                (false, false) => format!("not {reached} {at} {unit}"),
            };
            (format!("{lead} ({})", a.threshold.says), a.threshold.source.clone())
        })
        .collect()
}

fn cervix_words(c: &CervicalLength) -> InWords {
    let against = c.against_thresholds();
    let mut text = format!("{} in a straight line", length_words(&c.straight, &against));
    let mut flags = Vec::new();
    if let Some(t) = &c.trace {
        text.push_str(&format!(", {} along the canal", length_words(t, &[])));
        if c.curved {
            let by = t.mm - c.straight.mm;
            flags.push(format!("The canal is curved: along it the cervix is {by:.1} longer. Both are given; the straight line is used."));
        }
    }
    let mut against = against_words(&against, "at or under", "mm");
    against.push(("against using it routinely: no routine cervical length screening in previa".into(), cervix::AGAINST_ROUTINE_USE));
    InWords { name: "", text, flags, against }
}

fn thickness_words(t: &EdgeThickness) -> InWords {
    let all = t.against_thresholds();
    let (mm, degrees) = all.split_at(all.len().min(1));
    let text = format!(
        "{}, plates at {}° ± {:.0}°",
        length_words(&t.thickness, mm),
        digits(t.angle_degrees, degrees),
        super::interval::Z95 * t.u_angle_degrees
    );
    let flags = if t.beyond_reach {
        vec![format!(
            "A plate is marked more than {:.0} from where the plates meet, outside the definition ({}).",
            thickness::REACH,
            thickness::REACH_SOURCE
        )]
    } else {
        Vec::new()
    };
    let mut against = against_words(mm, "above", "mm");
    against.extend(against_words(degrees, "above", "°"));
    InWords { name: "", text, flags, against }
}

fn vessel_words(v: &VesselDistance) -> InWords {
    let against = v.against_thresholds();
    let answer = |a: Option<bool>| match a {
        Some(true) => "yes",
        Some(false) => "no",
        None => "not stated",
    };
    let text = format!(
        "{}; fetal rate on pulsed Doppler: {}; loop of cord excluded: {}",
        length_words(&v.length, &against),
        answer(v.fetal_rate),
        answer(v.cord_loop_excluded)
    );
    let mut flags: Vec<String> = v.missing().into_iter().map(|m| format!("Not stated: {m}.")).collect();
    flags.push(vessel::NEVER_EXCLUDES.into());
    InWords { name: "", text, flags, against: against_words(&against, "at or under", "mm") }
}

fn wall_words(w: &WallTrace) -> InWords {
    let text = format!("{}; the straight line decides", length_words(&w.trace, &[]));
    let flags = if w.differs {
        vec![format!(
            "The wall is {:.1} longer than the straight line and lies up to {:.1} from it: see whether the line runs along the wall.",
            w.longer_by_mm, w.bow_mm
        )]
    } else {
        Vec::new()
    };
    InWords { name: "", text, flags, against: vec![("the straight line decides".into(), wall::SOURCE)] }
}

fn patch_words(p: &OsPatch) -> InWords {
    let mut text = length_words(&p.width, &[]);
    match &p.to_edge {
        Some(_) if p.edge_within => text.push_str("; the edge lies within it"),
        Some(l) => text.push_str(&format!("; from its rim to the edge {}", length_words(l, &[]))),
        None => {}
    }
    let mut flags = Vec::new();
    if p.edge_within {
        flags.push("The edge lies within the marked width of the os: it reaches or partly covers the os.".into());
    }
    if p.centre_outside {
        flags.push("The marked centre of the os lies outside its marked width.".into());
    }
    InWords { name: "", text, flags, against: vec![("the os has a width".into(), os_patch::SOURCE)] }
}

/// Refuses traces too long to be one.
///
/// # Errors
/// [`ErrorKind::Limit`] beyond [`cervix::MOST_TRACE_POINTS`] points.
pub fn check_size(more: &MoreLandmarks) -> Result<()> {
    let most = more.canal.len().max(more.wall.len());
    if most > cervix::MOST_TRACE_POINTS {
        return Err(Error::new(ErrorKind::Limit, "a trace cannot be used")
            .expected(format!("at most {} points", cervix::MOST_TRACE_POINTS))
            .found(most.to_string()));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::calibrate::Basis;

    fn at(x: f64, y: f64) -> PxPoint {
        PxPoint::new(x, y)
    }

    fn marks() -> Landmarks {
        Landmarks {
            internal_os: at(300.0, 200.0),
            edge: EdgeMark::PlacentalEdge { at: at(440.0, 200.0) },
            placental_body: None,
            marginal_sinus: None,
        }
    }

    fn all() -> MoreLandmarks {
        MoreLandmarks {
            external_os: Some(at(300.0, 480.0)),
            canal: vec![at(240.0, 340.0)],
            plates_meet: Some(at(440.0, 200.0)),
            basal_plate: Some(at(500.0, 200.0)),
            chorionic_plate: Some(at(480.0, 160.0)),
            vessel: Some(at(300.0, 20.0)),
            fetal_rate: Some(true),
            cord_loop_excluded: None,
            wall: vec![at(370.0, 260.0)],
            os_end: Some(at(280.0, 200.0)),
            os_other_end: Some(at(320.0, 200.0)),
        }
    }

    fn scale(_: &[PxPoint]) -> Result<Calibration> {
        Calibration::unchecked_header(0.1, 0.1, Basis::HeaderRegion { region: 1 })
    }

    #[test]
    fn every_set_is_measured_said_and_flagged() {
        let m = measure_more(&marks(), &all(), &Repeatability::assumed_total(), &scale);
        let words = m.in_words();
        let names: Vec<_> = words.iter().map(|w| w.name).collect();
        assert_eq!(names, ["Width of the os", "Along the wall", "Cervical length", "Edge thickness", "Vessel to os"]);
        let text = |i: usize| words[i].text.as_str();
        assert!(text(0).starts_with("4 mm") && text(0).contains("from its rim to the edge 12 mm"), "{}", text(0));
        assert!(words[1].flags[0].contains("longer than the straight line"), "{:?}", words[1]);
        assert!(text(2).starts_with("28 mm") && text(2).contains("30 mm (95 %: 26 to 35 mm) along the canal"), "{}", text(2));
        assert!(words[2].flags[0].starts_with("The canal is curved"));
        assert!(words[3].text.contains("plates at 45° ± 44°"), "{}", words[3].text);
        assert!(words[4].flags.iter().any(|f| f.contains("cord loop")) && words[4].flags.iter().any(|f| f.contains("never excludes")));
        assert!(words.iter().flat_map(|w| &w.against).all(|(_, c)| !c.text.is_empty()), "each with its source");
        assert!(all().lacks().is_empty());
    }

    #[test]
    fn half_a_set_is_said_and_measures_nothing() {
        let half = MoreLandmarks {
            canal: vec![at(1.0, 1.0)],
            plates_meet: Some(at(1.0, 1.0)),
            os_end: Some(at(1.0, 1.0)),
            fetal_rate: Some(false),
            ..MoreLandmarks::default()
        };
        assert_eq!(half.lacks().len(), 4);
        assert!(measure_more(&marks(), &half, &Repeatability::assumed_total(), &scale).is_empty());
    }

    #[test]
    fn a_set_without_scale_is_missing_with_its_reason_and_takes_nothing_from_the_others() {
        let only_above = |points: &[PxPoint]| {
            if points.iter().any(|p| p.y > 400.0) { Err(Error::new(ErrorKind::Uncalibrated, "off the picture")) } else { scale(points) }
        };
        let m = measure_more(&marks(), &all(), &Repeatability::assumed_total(), &only_above);
        assert!(matches!(&m.cervix, Some(Quantity::Missing { reason }) if reason.contains("off the picture")));
        assert!(m.vessel.unwrap().measured().is_some());
        let same = MoreLandmarks { external_os: Some(at(300.0, 200.0)), ..MoreLandmarks::default() };
        let m = measure_more(&marks(), &same, &Repeatability::assumed_total(), &scale);
        assert!(m.in_words()[0].text.starts_with("none: there is no cervical length"), "{:?}", m.in_words());
    }

    #[test]
    fn what_says_nothing_is_not_written() {
        assert_eq!(serde_json::to_string(&MoreLandmarks::default()).unwrap(), "{}");
        assert_eq!(serde_json::to_string(&MoreMeasured::default()).unwrap(), "{}");
        let text = serde_json::to_string(&measure_more(&marks(), &all(), &Repeatability::assumed_total(), &scale)).unwrap();
        let again: MoreMeasured = serde_json::from_str(&text).unwrap();
        assert_eq!(again.numbers(), measure_more(&marks(), &all(), &Repeatability::assumed_total(), &scale).numbers());
        assert!(again.numbers().len() > 30);
    }
}
