//! The scale that a reading uses: the header's or one set by hand, what speaks for and against it, and what a person decided.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::cross::{Agreement, CrossCheck, Evidence, ScaleLine, cross_checks, sound_line, ticks_against};
use super::hand::HandScale;
use super::header::{PixelSpacingConsent, calibration_for, survey};
use super::ticks::{Along, TickRow};
use super::{Calibration, CheckVerdict, LastCheck};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Geometry;
use crate::units::PxPoint;

/// A person's decision to use the file's scale although something speaks against it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resolution {
    /// The checks that it is about: it holds for no other.
    pub checks: Vec<CrossCheck>,
    /// Why the scale is right all the same; not empty.
    pub reason: String,
    /// Who decided; not empty.
    pub by: String,
}

/// What a reading's scale rests on besides the header. It is recorded with the reading, so that all of it can be made again.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ScaleFacts {
    /// The ticks found in the picture; `None` when nobody has looked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ticks: Option<Vec<TickRow>>,
    /// The last phantom check of the scanner before the exam.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_check: Option<LastCheck>,
    /// A scale set by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand: Option<HandScale>,
    /// A decision in favour of the file's scale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resolved: Option<Resolution>,
}

/// Nothing besides the header.
pub static HEADER_ALONE: ScaleFacts = ScaleFacts { ticks: None, last_check: None, hand: None, resolved: None };

impl ScaleFacts {
    /// Whether there is nothing besides the header.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// How well the scale in use is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Nobody has checked it on a phantom.
    Unchecked,
    /// Its last check is overdue, of another preset, or beyond tolerance.
    Doubtful,
    /// Set by hand in this picture.
    ByHand,
    /// Checked on a phantom, within tolerance and in time.
    Checked,
}

impl Standing {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Unchecked => "not checked on a phantom",
            Self::Doubtful => "its phantom check is overdue, of another preset, or beyond tolerance",
            Self::ByHand => "set by hand in this picture",
            Self::Checked => "checked on a phantom",
        }
    }

    /// Of a scale from the header.
    #[must_use]
    pub fn of(last_check: Option<&LastCheck>, exam: Option<Date>) -> Self {
        match last_check {
            None => Self::Unchecked,
            Some(c) if c.verdict == CheckVerdict::Within && !c.other_preset && !c.is_overdue(exam) => Self::Checked,
            Some(_) => Self::Doubtful,
        }
    }
}

/// The scale of some points, judged.
#[derive(Debug)]
pub struct Judged {
    /// The calibration with warnings, or why there are no millimetres.
    pub scale: Result<(Calibration, Vec<String>)>,
    /// Lines of the scale part of the case sheet.
    pub lines: Vec<ScaleLine>,
    /// How well it is known.
    pub standing: Standing,
    /// What stops millimetres until a person resolves it; empty when nothing does.
    pub unresolved: Vec<CrossCheck>,
}

/// The scale at `points` (px), from the header, what else is known, and what a person decided. `exam` is the day of the exam.
#[must_use]
pub fn judge(
    geometry: &Geometry,
    points: &[PxPoint],
    consent: Option<&PixelSpacingConsent>,
    facts: &ScaleFacts,
    exam: Option<Date>,
) -> Judged {
    let survey = survey(geometry);
    let refusal = |scale: Result<_>, lines| Judged { scale, lines, standing: Standing::Unchecked, unresolved: Vec::new() };
    let header = match calibration_for(geometry, points, consent) {
        Ok(header) => header,
        Err(e) => {
            let mut lines = raw_ticks(geometry, facts.ticks.as_deref());
            let no_scale_at_all = survey.refused.is_some() || survey.regions.iter().all(|r| r.reason().is_some());
            let off_the_picture = e.kind() != ErrorKind::Uncalibrated;
            let Some(hand) = facts.hand.as_ref().filter(|_| no_scale_at_all && !off_the_picture) else { return refusal(Err(e), lines) };
            lines.push(sound_line());
            return by_hand(hand, geometry, lines);
        }
    };
    let evidence = Evidence { ticks: facts.ticks.as_deref(), last_check: facts.last_check.as_ref(), exam };
    let lines = cross_checks(geometry, &survey, header.region, header.calibration.mm_per_px(), &evidence);
    let serious: Vec<&ScaleLine> = lines.iter().filter(|l| l.serious).collect();
    let mut warnings = header.warnings;
    if let Some(first) = serious.first() {
        if let Some(hand) = &facts.hand {
            return by_hand(hand, geometry, lines);
        }
        let mut unresolved: Vec<CrossCheck> = serious.iter().map(|l| l.check).collect();
        unresolved.dedup();
        match &facts.resolved {
            Some(r) if unresolved.iter().all(|c| r.checks.contains(c)) && !r.reason.trim().is_empty() && !r.by.trim().is_empty() => {
                warnings.push(format!("Something speaks against this scale; {} decided to use it: {}", r.by.trim(), r.reason.trim()));
            }
            _ => {
                let e = Error::new(ErrorKind::Uncalibrated, "something speaks against the file's scale")
                    .expected("a scale that nothing contradicts, or a person's decision with a reason")
                    .found(first.text.clone())
                    .remedy(
                        "Compare the scale with the marks in the picture; then give the reason why it is right, or set the scale by hand",
                    );
                return Judged { unresolved, ..refusal(Err(e), lines) };
            }
        }
    } else if facts.hand.is_some() {
        let e = Error::new(ErrorKind::Uncalibrated, "a scale set by hand does not replace the file's own")
            .expected("a picture without a scale, or one whose scale something speaks against")
            .found("a scale in the file that nothing contradicts")
            .remedy("Remove the scale set by hand");
        return refusal(Err(e), lines);
    }
    let standing = Standing::of(facts.last_check.as_ref(), exam);
    let scale = match &facts.last_check {
        None => Ok(header.calibration),
        Some(check) => header.calibration.checked(check, exam),
    };
    Judged { scale: scale.map(|c| (c, warnings)), lines, standing, unresolved: Vec::new() }
}

fn by_hand(hand: &HandScale, geometry: &Geometry, lines: Vec<ScaleLine>) -> Judged {
    let mut warnings = vec![format!("Scale set by hand on {} ticks in the picture, by {}.", hand.ruler.ticks.len(), hand.by.trim())];
    if hand.taken_from.is_some() {
        warnings.push("It was taken over from another picture of the same size and source, by choice.".into());
    }
    let scale = hand.calibration(geometry).map(|c| (c, warnings));
    Judged { scale, lines, standing: Standing::ByHand, unresolved: Vec::new() }
}

/// What ticks say of a scale that is refused for another reason: the deltas of the first region that has any in centimetres.
fn raw_ticks(geometry: &Geometry, ticks: Option<&[TickRow]>) -> Vec<ScaleLine> {
    let delta = geometry.regions.iter().find_map(|r| match (r.units_x, r.units_y, r.delta_x, r.delta_y) {
        (Some(3), Some(3), Some(x), Some(y)) if x != 0.0 && y != 0.0 => Some((10.0 * x.abs(), 10.0 * y.abs())),
        _ => None,
    });
    match (ticks, delta) {
        (Some(rows), Some((x, y))) => rows
            .iter()
            .filter_map(|r| ticks_against(r, if r.along == Along::Down { y } else { x }))
            .map(|l| ScaleLine { serious: false, ..l })
            .collect(),
        (Some([_, ..]), None) => vec![ScaleLine {
            check: CrossCheck::Ticks,
            agreement: Agreement::Ambiguous,
            serious: false,
            text: "there are ticks in the picture that a scale could be set on by hand".into(),
        }],
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp, clippy::panic)]
    use super::*;
    use crate::calibrate::hand::{Aspect, Ruler, Unit};
    use crate::frame::RawRegion;
    use crate::source::Provenance;

    const AT: [PxPoint; 1] = [PxPoint { x: 100.0, y: 100.0 }];

    fn geometry(max_x: u32) -> Geometry {
        let region = RawRegion::of_tissue([0, 0, max_x, 239], [0.051, 0.051]);
        Geometry { rows: 240, columns: 320, regions: vec![region], ..Geometry::default() }
    }

    fn row(step_px: f64) -> TickRow {
        TickRow { along: Along::Down, at_px: 299.0, first_px: 21.0, step_px, u_step_px: 0.012, count: 19, larger_every: Some(5) }
    }

    fn hand() -> HandScale {
        let ticks = (0..10).map(|n| (n, 9.8 * f64::from(n))).collect();
        HandScale {
            ruler: Ruler { from: PxPoint::new(299.0, 20.0), to: PxPoint::new(299.0, 120.0), ticks },
            distance: 9.0,
            unit: Unit::Cm,
            aspect: Aspect::StatedSquare,
            by: "R. Ito".into(),
            field_confirmed: true,
            size: [320, 240],
            taken_from: None,
        }
    }

    #[test]
    fn a_contradiction_stops_millimetres_until_a_person_gives_a_reason_for_that_very_check() {
        let g = geometry(300);
        let mut facts = ScaleFacts { ticks: Some(vec![row(9.8)]), ..ScaleFacts::default() };
        let j = judge(&g, &AT, None, &facts, None);
        assert_eq!(j.unresolved, [CrossCheck::Ticks]);
        assert!(j.scale.unwrap_err().to_string().contains("speaks against"));
        let resolve = |checks: Vec<CrossCheck>, reason: &str| Some(Resolution { checks, reason: reason.into(), by: "R. Ito".into() });
        for bad in [resolve(vec![CrossCheck::Phantom], "why"), resolve(vec![CrossCheck::Ticks], " ")] {
            facts.resolved = bad;
            assert!(judge(&g, &AT, None, &facts, None).scale.is_err());
        }
        facts.resolved = resolve(vec![CrossCheck::Ticks], "half-centimetre ruler, larger ticks drawn wrongly");
        let (c, warnings) = judge(&g, &AT, None, &facts, None).scale.unwrap();
        assert!((c.mm_per_px().0 - 0.51).abs() < 1e-12 && warnings.iter().any(|w| w.contains("R. Ito") && w.contains("half-centimetre")));
        // What agrees needs nobody.
        facts = ScaleFacts { ticks: Some(vec![row(19.608)]), ..ScaleFacts::default() };
        assert!(judge(&g, &AT, None, &facts, None).scale.is_ok());
    }

    #[test]
    fn a_hand_scale_stands_in_only_where_the_file_has_none_or_is_contradicted() {
        let mut facts = ScaleFacts { ticks: Some(vec![row(19.608)]), hand: Some(hand()), ..ScaleFacts::default() };
        assert!(judge(&geometry(300), &AT, None, &facts, None).scale.unwrap_err().to_string().contains("does not replace"));
        facts.ticks = Some(vec![row(9.8)]);
        let by_hand = |j: Judged| {
            let ((c, _), standing) = (j.scale.unwrap(), j.standing);
            assert!(standing == Standing::ByHand && (c.mm_per_px().1 - 90.0 / 88.2).abs() < 1e-9);
            assert_eq!(c.scale_source().provenance, Provenance::OwnAssumption);
        };
        by_hand(judge(&geometry(300), &AT, None, &facts, None));
        // A resized file: its box lies outside the picture; the ticks were resized with it.
        let resized = judge(&geometry(595), &AT, None, &facts, None);
        assert!(resized.lines.iter().any(|l| l.check == CrossCheck::Ticks && l.agreement == Agreement::Inconsistent));
        by_hand(resized);
        by_hand(judge(&Geometry { regions: Vec::new(), ..geometry(300) }, &AT, None, &facts, None));
        // Not for a landmark beside the calibrated picture.
        let beside = [PxPoint::new(310.0, 100.0)];
        assert!(judge(&geometry(300), &beside, None, &facts, None).scale.is_err());
    }

    #[test]
    fn a_scanner_beyond_the_defect_level_stops_millimetres() {
        let check = LastCheck {
            id: "a".into(),
            checked_on: jiff::civil::date(2031, 1, 1),
            next_due: jiff::civil::date(2032, 1, 1),
            error_x: 0.0,
            error_y: 0.05,
            u_x: 0.004,
            u_y: 0.004,
            correlation: 0.7,
            verdict: CheckVerdict::Defect,
            other_preset: false,
            invented: false,
        };
        let day = Some(jiff::civil::date(2031, 2, 1));
        let mut facts = ScaleFacts { last_check: Some(check.clone()), ..ScaleFacts::default() };
        let j = judge(&geometry(300), &AT, None, &facts, day);
        assert_eq!((j.scale.is_err(), j.unresolved), (true, vec![CrossCheck::Phantom]));
        facts.last_check = Some(LastCheck { verdict: CheckVerdict::Within, error_y: 0.002, ..check });
        let j = judge(&geometry(300), &AT, None, &facts, day);
        assert!(j.standing == Standing::Checked && j.scale.unwrap().0.scale_source().provenance == Provenance::OwnMeasurement);
        assert_eq!(judge(&geometry(300), &AT, None, &facts, None).standing, Standing::Doubtful);
        assert_eq!(judge(&geometry(300), &AT, None, &ScaleFacts::default(), day).standing, Standing::Unchecked);
    }
}
