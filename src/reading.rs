//! One reading from end to end, as a pure function: landmarks and context in; scale, distance, finding, words and
//! cautions out. The window, the commands and `verify` all call this and nothing else.

use serde::{Deserialize, Serialize};

use crate::calibrate::cross::{CrossCheck, ScaleLine};
use crate::calibrate::header::PixelSpacingConsent;
use crate::calibrate::{Calibration, Judged, ScaleFacts, Standing, judge};
use crate::cautions::{self, Caution};
use crate::context::{Bladder, Contraction, Dating, ExamContext, Route};
use crate::error::Result;
use crate::exam::{Adequacy, FrameNotes, Item, MOST_OFFERS, MOST_SETS};
use crate::frame::Geometry;
use crate::guideline::{self, Finding, Table};
use crate::load::Facts;
use crate::measure::more::{MoreMeasured, check_size, measure_more};
use crate::measure::{self, Landmarks, Measurement, Repeatability, Side, SideCheck, words};
use crate::units::{Mm, PxPoint};

/// Everything a reading follows from.
#[derive(Clone, Copy, Debug)]
pub struct Inputs<'a> {
    /// What the frame's header says of its size and scale.
    pub geometry: &'a Geometry,
    /// The reader's landmarks.
    pub landmarks: &'a Landmarks,
    /// The reader's own statement of the side.
    pub side: Side,
    /// Consent to Pixel Spacing alone, where the reader gave it.
    pub consent: Option<&'a PixelSpacingConsent>,
    /// What the scale rests on besides the header.
    pub scale: &'a ScaleFacts,
    /// The repeatability in use.
    pub repeatability: &'a Repeatability,
    /// What is known of the exam.
    pub context: &'a ExamContext,
    /// What was said and marked on the frame besides: [`FrameNotes::NONE`] when nothing was.
    pub notes: &'a FrameNotes,
    /// The chosen guideline table.
    pub table: &'a Table,
}

/// The scale in use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scale {
    /// The calibration.
    pub calibration: Calibration,
    /// What is odd about it without stopping its use.
    pub warnings: Vec<String>,
}

/// A distance and all that follows from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measured {
    /// The scale it was measured on.
    pub scale: Scale,
    /// The distance with its error.
    pub measurement: Measurement,
    /// What it is under the table.
    pub finding: Finding,
}

/// A distance, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Distance {
    /// There is one.
    Measured(Box<Measured>),
    /// There is no trustworthy scale, so there are no millimetres.
    NoScale {
        /// Why, and what would help.
        reason: String,
    },
}

impl Distance {
    /// The distance with all that follows from it; `None` without a scale.
    #[must_use]
    pub const fn measured(&self) -> Option<&Measured> {
        match self {
            Self::Measured(m) => Some(m),
            Self::NoScale { .. } => None,
        }
    }
}

/// A reading, ready to show or save.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The distance or why there is none.
    pub distance: Distance,
    /// The distance in words, or that there is none.
    pub headline: String,
    /// Interval and SD in words; empty without a distance.
    pub detail: String,
    /// The finding in words.
    pub finding: String,
    /// Lengths that follow from further landmarks.
    pub more: MoreMeasured,
    /// Whether the frame counts in its exam.
    pub adequacy: Adequacy,
    /// What must be said beside it.
    pub cautions: Vec<Caution>,
    /// Why it must not be saved yet; empty when it may be.
    pub blocks: Vec<String>,
    /// What speaks for and against the scale.
    pub scale_lines: Vec<ScaleLine>,
    /// What stops millimetres until a person resolves it; empty when nothing does.
    pub unresolved: Vec<CrossCheck>,
}

/// What a file itself tells of the exam; everything else stays unknown. No stored field reliably says "transvaginal".
#[must_use]
pub fn context_of(facts: &Facts) -> ExamContext {
    ExamContext { exam_date: facts.exam_date, dating: facts.last_menstrual_date.map(Dating::LastPeriod), ..ExamContext::default() }
}

/// How well the scale of a reading is known, from what was recorded with it.
#[must_use]
pub fn scale_standing(distance: &Distance, facts: &ScaleFacts, exam: Option<jiff::civil::Date>) -> cautions::Scale {
    use crate::calibrate::Basis;
    match distance {
        Distance::NoScale { .. } => cautions::Scale::Missing,
        Distance::Measured(m) => cautions::Scale::of(match m.scale.calibration.basis() {
            Basis::Hand { .. } => Standing::ByHand,
            _ => Standing::of(facts.last_check.as_ref(), exam),
        }),
    }
}

/// Reads.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when landmarks and statement contradict each other or a landmark is
/// not on the frame. A missing scale is not an error but [`Distance::NoScale`].
pub fn read(inputs: &Inputs<'_>) -> Result<Reading> {
    check_on_frame(inputs)?;
    let edge = inputs.landmarks.edge.at();
    let mut points = vec![inputs.landmarks.internal_os, edge];
    points.extend(inputs.landmarks.marginal_sinus);
    let Judged { scale, lines, standing, unresolved } =
        judge(inputs.geometry, &points, inputs.consent, inputs.scale, inputs.context.exam_date);
    let scale = match scale {
        Ok((calibration, warnings)) => Scale { calibration, warnings },
        Err(e) => return Ok(Reading { scale_lines: lines, unresolved, ..without_scale(inputs, e.message()) }),
    };
    let more = more_of(inputs);
    let mut measurement = measure::edge_to_os(inputs.landmarks, inputs.side, &scale.calibration, inputs.repeatability)?;
    // The os is a patch: an edge within its marked width reaches it, whatever side was stated. The body point still checks the statement.
    if more.patch().is_some_and(|p| p.edge_within) && inputs.side != Side::Reaches {
        let side_check = measurement.side_check;
        measurement = measure::edge_to_os(inputs.landmarks, Side::Reaches, &scale.calibration, inputs.repeatability)?;
        measurement.side_check = side_check;
    }
    let context = context_in_force(inputs.context, inputs.notes, &more);
    let age = context.gestational_age().ok();
    let finding = guideline::classify(inputs.table, &measurement, age, &context);
    let print = words::printer(|printed, real| inputs.table.same_band(printed, real));
    let mut blocks = blocks_of(inputs);
    if more.patch().is_some_and(|p| p.centre_outside) {
        blocks.push("The marked centre of the os lies outside its marked width: move the centre or the ends.".into());
    }
    if measurement.side_check == SideCheck::Disagrees {
        blocks.push(format!(
            "The placental body lies on the other side than \"{}\" says: move the body or the edge, or state the side again.",
            inputs.side.words()
        ));
    }
    let cautions = cautions::cautions(&cautions::Facts {
        context: &context,
        age,
        scale: cautions::Scale::of(standing),
        stated_side: Some(inputs.side),
        measurement: Some(&measurement),
        finding: Some(&finding),
    });
    Ok(Reading {
        headline: words::headline(&measurement.value, &print),
        detail: words::detail(&measurement, &print),
        finding: guideline::headline(&finding),
        more,
        adequacy: inputs.notes.checklist.adequacy(),
        cautions,
        blocks,
        scale_lines: lines,
        unresolved,
        distance: Distance::Measured(Box::new(Measured { scale, measurement, finding })),
    })
}

/// The lengths of the further landmarks, each on the scale of its own points.
fn more_of(inputs: &Inputs<'_>) -> MoreMeasured {
    let scale = |points: &[PxPoint]| {
        judge(inputs.geometry, points, inputs.consent, inputs.scale, inputs.context.exam_date).scale.map(|(calibration, _)| calibration)
    };
    measure_more(inputs.landmarks, &inputs.notes.more, inputs.repeatability, &scale)
}

fn blocks_of(inputs: &Inputs<'_>) -> Vec<String> {
    inputs.notes.more.lacks().into_iter().map(str::to_owned).collect()
}

/// What is known of the exam for this one frame: what was said of the exam, what the reader said of the frame, and what was
/// measured on it. Where two answers differ the graver one holds, so that a frame with a full bladder, a contraction or
/// another route is never classified as a transvaginal finding because the exam's others are.
#[must_use]
pub fn context_in_force(context: &ExamContext, notes: &FrameNotes, more: &MoreMeasured) -> ExamContext {
    let mut out = context.clone();
    let said = |item| notes.checklist.get(item);
    match said(Item::Transvaginal) {
        Some(true) if out.route == Route::Unknown => out.route = Route::Transvaginal,
        // Which other route it was is not said by that.
        Some(false) if out.route == Route::Transvaginal => out.route = Route::Unknown,
        _ => {}
    }
    match said(Item::BladderEmpty) {
        Some(true) if out.bladder == Bladder::Unknown => out.bladder = Bladder::Empty,
        Some(false) => out.bladder = Bladder::Full,
        _ => {}
    }
    match said(Item::NoContraction) {
        Some(true) if out.contraction == Contraction::Unknown => out.contraction = Contraction::Absent,
        Some(false) => out.contraction = Contraction::Present,
        _ => {}
    }
    let shorter = |a: Option<Mm>, b: Option<Mm>| match (a, b) {
        (Some(a), Some(b)) => Some(if a < b { a } else { b }),
        (a, b) => a.or(b),
    };
    // A vessel that beats at the mother's rate is none of the fetus; everything else counts as one until shown otherwise.
    let vessel = more.vessel.as_ref().and_then(|q| q.measured()).filter(|v| v.fetal_rate != Some(false)).map(|v| v.length.mm);
    out.vessel_to_os_mm = shorter(out.vessel_to_os_mm, vessel);
    let cervix = more.cervix.as_ref().and_then(|q| q.measured()).map(|c| c.straight.mm);
    out.cervical_length_mm = shorter(out.cervical_length_mm, cervix);
    out
}

fn without_scale(inputs: &Inputs<'_>, reason: String) -> Reading {
    let more = more_of(inputs);
    let context = context_in_force(inputs.context, inputs.notes, &more);
    Reading {
        headline: "No millimetres: no trustworthy scale".into(),
        detail: String::new(),
        finding: format!("No finding under {}: a distance in millimetres is needed", inputs.table.name()),
        adequacy: inputs.notes.checklist.adequacy(),
        cautions: cautions::cautions(&cautions::Facts {
            context: &context,
            age: context.gestational_age().ok(),
            scale: cautions::Scale::Missing,
            stated_side: Some(inputs.side),
            measurement: None,
            finding: None,
        }),
        blocks: blocks_of(inputs),
        more,
        scale_lines: Vec::new(),
        unresolved: Vec::new(),
        distance: Distance::NoScale { reason },
    }
}

/// A landmark off the frame is a slip of the hand or of the wrong file, with or without a scale.
fn check_on_frame(inputs: &Inputs<'_>) -> Result<()> {
    use crate::error::{Error, ErrorKind};
    let (geometry, landmarks, notes) = (inputs.geometry, inputs.landmarks, inputs.notes);
    check_size(&notes.more)?;
    let (w, h) = (f64::from(geometry.columns), f64::from(geometry.rows));
    let on = |p: PxPoint| p.is_finite() && (0.0..=w).contains(&p.x) && (0.0..=h).contains(&p.y);
    let mut named = vec![("internal os", landmarks.internal_os), (landmarks.edge.words(), landmarks.edge.at())];
    named.extend(landmarks.placental_body.map(|p| ("placental body", p)));
    named.extend(landmarks.marginal_sinus.map(|p| ("marginal sinus", p)));
    named.extend(notes.more.named());
    if let Some((name, p)) = named.into_iter().find(|(_, p)| !on(*p)) {
        return Err(Error::new(ErrorKind::Invalid, format!("the {name} landmark is not on the frame"))
            .expected(format!("x from 0 to {w} px and y from 0 to {h} px"))
            .found(format!("({}, {})", p.x, p.y))
            .remedy("Check that the landmarks belong to this frame"));
    }
    if notes.assisted.len() > MOST_OFFERS || !(1..=MOST_SETS).contains(&notes.set_number()) {
        return Err(Error::new(ErrorKind::Limit, "the reading cannot be made")
            .expected(format!("at most {MOST_OFFERS} offers and sets of frames from 1 to {MOST_SETS}"))
            .found(format!("{} offers, set {}", notes.assisted.len(), notes.set_number())));
    }
    Ok(())
}
