//! One exam's repeats in two values that are never mixed.
//!
//! - *Exam distance*: what the frames together say of the distance in the planes that were read, with an interval. For trends.
//! - *Shortest seen*: the convention that a finding uses in an exam without a covering frame.
//!
//! A plane off the shortest way only lengthens: dᵢ = δ + hᵢ + eᵢ with hᵢ ≥ 0. So each frame reads high by hᵢ, while the
//! least of n readings lies low by reading error (by −0.56, −0.85 and −1.16 SD for n = 2, 3 and 5). The two do not cancel
//! by rule, which is why the least value is a convention and not an estimate.
//!
//! Any adequate covering frame makes the exam covering. Covering and non-covering frames together are discordant and are
//! never averaged. A frame judged inadequate is left out with its reason and stays listed.

mod adequacy;
mod distance;
mod notes;
mod shortest;
mod values;
mod words;

pub use adequacy::{Checklist, Item};
pub use distance::{ExamDistance, Lengthening};
pub use notes::{Anterior, FrameNotes, MOST_OFFERS, MOST_SETS};
pub use shortest::{OverlapSeen, ShortestSeen};
pub use values::{ExamValues, SetValues, values};

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::estimate::TermKind;
use crate::measure::{Measurement, SideCheck, Value, interval::Z95};
use crate::source::Citation;
use crate::units::Mm;

/// `name@version` of these methods. A change that can move a number gets a new version.
pub const METHOD: &str = "exam-values@1";
/// Most frames of one exam that are summarised; more than any exam holds.
pub const MOST_FRAMES: usize = 1_000;
/// With fewer degrees of freedom behind the SD in use, an interval is given without a claim of coverage.
pub const LEAST_DEGREES_TO_CLAIM: f64 = 10.0;

/// Whether a frame is good enough to count.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum Adequacy {
    /// The reader attests it.
    Adequate,
    /// Nobody said. It counts, and the summary says so.
    NotStated,
    /// The reader judged it inadequate.
    Inadequate {
        /// Why, in the reader's words.
        reason: String,
    },
}

/// One frame's reading in an exam.
#[derive(Clone, Debug)]
pub struct Repeat<'a> {
    /// Its distance.
    pub measurement: &'a Measurement,
    /// Whether it is good enough to count.
    pub adequacy: Adequacy,
}

/// How far planes off the shortest way read long: a stated model, never a default.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OffAxis {
    /// Mean lengthening, mm, not negative.
    pub mean_mm: Mm,
    /// Its SD between planes, mm, not negative.
    pub sd_mm: Mm,
    /// No plane lengthens by more than this, mm; at least the mean.
    pub most_mm: Mm,
    /// Where the model comes from.
    pub source: Citation,
}

/// What is known besides the readings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Model {
    /// Lengthening by planes off the shortest way. Without it shortest seen has no lower limit.
    pub off_axis: Option<OffAxis>,
    /// SD from one scan of the same woman to the next, mm: common to the frames of one exam, so repeats do not shrink it.
    pub scan_to_scan_mm: Option<Mm>,
    /// Degrees of freedom behind the readings' repeatability; `None` when it is taken as known.
    pub degrees_of_freedom: Option<f64>,
}

/// What the frames that count show of the os.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// No frame counts.
    Nothing,
    /// Every frame shows the edge away from the os.
    NotCovering,
    /// A frame shows the edge reaching the os, and none shows it covered: treat as previa until a clinician decides.
    Reaches,
    /// A frame shows the os covered, so the exam is covering.
    Covering,
}

/// Why a frame is left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "why")]
pub enum Excluded {
    /// The reader judged it inadequate.
    Inadequate {
        /// The reader's reason.
        reason: String,
    },
    /// The placental body lies on the other side than the reader stated.
    SideContradicted,
}

/// What must be said of the summary, in the order of weight.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "note")]
pub enum Note {
    /// Covering and non-covering frames together.
    DiscordantLookAgain,
    /// Frames where the edge reaches the os and frames where it lies away from it.
    ReachesInSomeLookAgain,
    /// A frame that was left out showed the os covered or reached.
    ExcludedShowsCovering {
        /// Its place among the repeats, from 0.
        frame: usize,
    },
    /// The shortest value differs from the next by more than two readings may.
    ShortestStandsApart {
        /// Its place among the repeats, from 0.
        frame: usize,
        /// Distance to the next, mm.
        by_mm: Mm,
        /// What two readings may differ by, 95 %, mm.
        repeatability_coefficient_mm: Mm,
    },
    /// A frame whose far end was out of view may hide a shorter value than the shortest seen.
    ShorterMayBeHidden {
        /// Its place among the repeats, from 0.
        frame: usize,
    },
    /// Frames of which nobody said whether they are adequate took part.
    AdequacyNotStated {
        /// How many.
        frames: usize,
    },
    /// No model of off-axis lengthening was given: the shortest way may be shorter than any frame shows.
    NoLowerLimit,
    /// Variation from scan to scan is not in the exam distance's interval.
    ScanToScanNotIncluded,
    /// Too few degrees of freedom stand behind the SD for a claim of coverage.
    CoverageNotClaimed,
}

impl Note {
    /// Whether the frames contradict each other, so that the exam's value does not stand by itself.
    #[must_use]
    pub const fn asks_to_look_again(&self) -> bool {
        matches!(
            self,
            Self::DiscordantLookAgain
                | Self::ReachesInSomeLookAgain
                | Self::ExcludedShowsCovering { .. }
                | Self::ShortestStandsApart { .. }
        )
    }

    /// The words shown for it. Frames are numbered from 1 in the order they were given.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::DiscordantLookAgain => {
                "Discordant, look again: some frames show the os covered and others do not. They are not averaged; the exam counts as covering.".into()
            }
            Self::ReachesInSomeLookAgain => {
                "Look again: the edge reaches the os in some frames and lies away from it in others. Treat as previa until a clinician decides.".into()
            }
            Self::ExcludedShowsCovering { frame } => {
                format!("Frame {} was left out, but it was read as covering or reaching the os: look again.", frame + 1)
            }
            Self::ShortestStandsApart { frame, by_mm, repeatability_coefficient_mm } => format!(
                "Frame {} differs from the next by {by_mm:.1}, more than two readings may ({repeatability_coefficient_mm:.1}): contraction, bladder, pressure, wrong os? \
                 Repeat after 20 to 60 minutes.",
                frame + 1
            ),
            Self::ShorterMayBeHidden { frame } => format!("In frame {} a shorter value may lie out of view.", frame + 1),
            Self::AdequacyNotStated { frames } => match frames {
                1 => "1 frame counts although nobody said whether it is adequate.".into(),
                n => format!("{n} frames count although nobody said whether they are adequate."),
            },
            Self::NoLowerLimit => "No lower limit: planes off the shortest way read long, and by how much is not known.".into(),
            Self::ScanToScanNotIncluded => "Variation from one scan to the next is not known and not included.".into(),
            Self::CoverageNotClaimed => "Too few repeats stand behind the SD to say how often this interval holds the truth.".into(),
        }
    }
}

/// One exam's repeats, summarised.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// [`METHOD`].
    pub method: String,
    /// What the frames that count show of the os.
    pub kind: Kind,
    /// Places of the frames that count, from 0.
    pub counted: Vec<usize>,
    /// The frames left out, each with its reason.
    pub excluded: Vec<(usize, Excluded)>,
    /// The exam distance, or why there is none.
    pub exam_distance: ExamDistance,
    /// The shortest seen, where no frame covers.
    pub shortest: Option<ShortestSeen>,
    /// The overlap seen, where a frame covers.
    pub overlap: Option<OverlapSeen>,
    /// The finding is made with this frame's side and value: the shortest distance, or the shortest overlap.
    pub decisive: Option<usize>,
    /// What must be said beside it.
    pub notes: Vec<Note>,
}

/// Which side of the os a frame shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shows {
    Covered,
    Reached,
    Clear,
}

fn shows(value: &Value) -> Shows {
    match value {
        Value::Exact { signed_mm } if signed_mm.get() > 0.0 => Shows::Clear,
        Value::Exact { signed_mm } if signed_mm.get() < 0.0 => Shows::Covered,
        Value::Exact { .. } | Value::Reaches { .. } => Shows::Reached,
        Value::OverlapAtLeast { .. } => Shows::Covered,
        Value::NoPlacentaWithin { .. } => Shows::Clear,
    }
}

/// A frame that counts, as the two methods see it.
struct Counted<'a> {
    place: usize,
    m: &'a Measurement,
    /// SD of reading it, independent from frame to frame, mm.
    sd: f64,
    /// Standard uncertainties that it shares with the others, mm: the axis scales, and the speed of sound.
    shared: [f64; 2],
}

/// Summarises one exam's repeats, in the order given.
///
/// # Errors
/// [`ErrorKind::Invalid`] when the model or an uncertainty is not possible; [`ErrorKind::Limit`] beyond [`MOST_FRAMES`].
pub fn summarise(repeats: &[Repeat<'_>], model: &Model) -> Result<Summary> {
    check(repeats, model)?;
    let (mut counted, mut excluded, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    let mut not_stated = 0;
    for (place, repeat) in repeats.iter().enumerate() {
        let why = match &repeat.adequacy {
            Adequacy::Inadequate { reason } => Some(Excluded::Inadequate { reason: reason.clone() }),
            _ if repeat.measurement.side_check == SideCheck::Disagrees => Some(Excluded::SideContradicted),
            _ => None,
        };
        if let Some(why) = why {
            if shows(&repeat.measurement.value) != Shows::Clear {
                notes.push(Note::ExcludedShowsCovering { frame: place });
            }
            excluded.push((place, why));
            continue;
        }
        not_stated += usize::from(repeat.adequacy == Adequacy::NotStated);
        let u =
            |kind: TermKind| repeat.measurement.terms.iter().filter(|t| t.kind == kind).map(|t| t.u_mm.get().powi(2)).sum::<f64>().sqrt();
        counted.push(Counted {
            place,
            m: repeat.measurement,
            sd: u(TermKind::TotalRepeatability),
            shared: [u(TermKind::Scale), u(TermKind::SoundSpeed)],
        });
    }
    let any = |what: Shows| counted.iter().any(|c| shows(&c.m.value) == what);
    let kind = match (any(Shows::Covered), any(Shows::Reached), any(Shows::Clear)) {
        (true, _, _) => Kind::Covering,
        (_, true, _) => Kind::Reaches,
        (_, _, true) => Kind::NotCovering,
        _ => Kind::Nothing,
    };
    if any(Shows::Clear) && kind == Kind::Covering {
        notes.insert(0, Note::DiscordantLookAgain);
    }
    if any(Shows::Clear) && kind == Kind::Reaches {
        notes.insert(0, Note::ReachesInSomeLookAgain);
    }
    let exam_distance = distance::estimate(&counted, kind, model);
    let (mut overlap, mut seen) = (None, None);
    let decisive = if kind == Kind::Covering {
        overlap = shortest::overlap(&counted, &mut notes);
        overlap.as_ref().map(|o| o.frame)
    } else {
        seen = shortest::shortest(&counted, model, &mut notes);
        seen.as_ref().map(|s| s.frame)
    };
    if not_stated > 0 {
        notes.push(Note::AdequacyNotStated { frames: not_stated });
    }
    if seen.as_ref().is_some_and(|s| s.low_mm.is_none()) {
        notes.push(Note::NoLowerLimit);
    }
    if matches!(exam_distance, ExamDistance::Estimate { .. }) && model.scan_to_scan_mm.is_none() {
        notes.push(Note::ScanToScanNotIncluded);
    }
    if model.degrees_of_freedom.is_some_and(|df| df < LEAST_DEGREES_TO_CLAIM) {
        notes.push(Note::CoverageNotClaimed);
    }
    let counted = counted.iter().map(|c| c.place).collect();
    Ok(Summary { method: METHOD.into(), kind, counted, excluded, exam_distance, shortest: seen, overlap, decisive, notes })
}

fn check(repeats: &[Repeat<'_>], model: &Model) -> Result<()> {
    if repeats.len() > MOST_FRAMES {
        return Err(Error::new(ErrorKind::Limit, "the exam cannot be summarised")
            .expected(format!("at most {MOST_FRAMES} frames"))
            .found(repeats.len().to_string()));
    }
    let possible = |v: f64| v.is_finite() && v >= 0.0;
    let faulty = |what: &str| {
        Error::new(ErrorKind::Invalid, "the exam cannot be summarised")
            .expected(format!("{what} that is finite and not negative"))
            .found("another")
    };
    if let Some(h) = &model.off_axis
        && !(possible(h.mean_mm.get()) && possible(h.sd_mm.get()) && possible(h.most_mm.get()) && h.mean_mm <= h.most_mm)
    {
        return Err(faulty("an off-axis lengthening (mean not above its most)"));
    }
    if model.scan_to_scan_mm.is_some_and(|s| !possible(s.get())) {
        return Err(faulty("a scan-to-scan SD"));
    }
    if model.degrees_of_freedom.is_some_and(|df| !(df.is_finite() && df >= 1.0)) {
        return Err(Error::new(ErrorKind::Invalid, "the exam cannot be summarised")
            .expected("at least 1 degree of freedom")
            .found("fewer"));
    }
    for r in repeats {
        let number = match r.measurement.value {
            Value::Exact { signed_mm } => signed_mm.get(),
            Value::Reaches { centre_distance_mm: v } | Value::OverlapAtLeast { mm: v } | Value::NoPlacentaWithin { mm: v } => v.get(),
        };
        let reading = r.measurement.terms.iter().any(|t| t.kind == TermKind::TotalRepeatability && t.u_mm.get() > 0.0);
        if !number.is_finite() || !r.measurement.terms.iter().all(|t| possible(t.u_mm.get())) {
            return Err(faulty("a distance with uncertainties"));
        }
        if !reading {
            return Err(Error::new(ErrorKind::Invalid, "the exam cannot be summarised")
                .expected("a repeatability above 0 mm with every distance")
                .found("a distance without"));
        }
    }
    Ok(())
}

/// Whether the interval of a frame is wider than its error alone makes it, because its side is in doubt.
fn side_doubted(m: &Measurement, signed: f64) -> bool {
    let plain = Z95 * m.u_mm.get() * (1.0 + 1e-9);
    m.interval.low_mm.is_none_or(|l| l.get() < signed - plain) || m.interval.high_mm.is_none_or(|h| h.get() > signed + plain)
}
