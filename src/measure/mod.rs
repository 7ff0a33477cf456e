//! From landmarks and a scale to a distance that carries its error.
//!
//! # Sign
//!
//! The edge-to-os distance is signed, in mm: positive when the placental edge lies away from the internal os and does
//! not cover it, negative when the placenta overlaps the os. The sign never travels without words.

pub mod cervix;
mod distance;
pub mod interval;
mod length;
pub mod more;
pub mod os_patch;
pub mod own_placement;
pub mod thickness;
pub mod vessel;
pub mod wall;
pub mod words;

pub use distance::{BODY_REACH, BODY_SQUARE_DEGREES, METHOD, edge_to_os};
pub use interval::{AxisKnown, signed_interval};
pub use length::{Against, Length, Threshold};

use serde::{Deserialize, Serialize};

use crate::estimate::{Interval, Term};
use crate::source::{Citation, Provenance};
use crate::units::{Mm, PxPoint};

/// The reader's own statement of where the placenta lies. There is no default.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The edge lies away from the internal os.
    NotCovering,
    /// The edge reaches the os or covers part of it.
    Reaches,
    /// The placenta covers the internal os.
    Covers,
}

impl Side {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotCovering => "not covering",
            Self::Reaches => "reaches",
            Self::Covers => "covers",
        }
    }
}

/// What was marked at the far end of the distance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "mark")]
pub enum EdgeMark {
    /// The leading placental edge: the nearest edge of any lobe.
    PlacentalEdge {
        /// Where it was marked.
        at: PxPoint,
    },
    /// The os is covered and the edge is out of view: the last placenta seen beyond the os.
    LastPlacentaSeen {
        /// Where it was marked.
        at: PxPoint,
    },
    /// No placenta is in view: the end of the wall that is seen from the os.
    EndOfWallSeen {
        /// Where it was marked.
        at: PxPoint,
    },
}

impl EdgeMark {
    /// Where the mark is.
    #[must_use]
    pub const fn at(&self) -> PxPoint {
        match self {
            Self::PlacentalEdge { at } | Self::LastPlacentaSeen { at } | Self::EndOfWallSeen { at } => *at,
        }
    }

    /// The words shown for it.
    #[must_use]
    pub const fn words(&self) -> &'static str {
        match self {
            Self::PlacentalEdge { .. } => "placental edge",
            Self::LastPlacentaSeen { .. } => "last placenta seen",
            Self::EndOfWallSeen { .. } => "end of the wall in view",
        }
    }
}

/// The landmarks of one reading, complete.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Landmarks {
    /// Centre of the internal cervical os.
    pub internal_os: PxPoint,
    /// The far end of the distance.
    pub edge: EdgeMark,
    /// Any point on the placenta near its edge; it tells the side.
    pub placental_body: Option<PxPoint>,
    /// Edge of a marginal sinus, marked apart; never decides the finding.
    pub marginal_sinus: Option<PxPoint>,
}

/// The SD of a distance from placing the landmarks and acquiring the frame together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Repeatability {
    /// One SD, mm.
    pub sd_mm: Mm,
    /// `name@version`.
    pub method: String,
    /// False once it is the department's own.
    pub assumed: bool,
    /// Where it comes from.
    pub source: Citation,
    /// Degrees of freedom behind it, where it is the department's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// How many readings it was made of, where it is the department's own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readings: Option<u32>,
    /// The reader's own placement in practice, where that widened it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own_placement: Option<own_placement::OwnPlacement>,
}

/// The SD of the labelled total, mm (own assumption; [`Repeatability::assumed_total`] says what it is a proxy of).
pub const ASSUMED_SD_MM: f64 = 2.0;

impl Repeatability {
    /// The labelled total used until a department knows its own: [`ASSUMED_SD_MM`].
    #[must_use]
    pub fn assumed_total() -> Self {
        Self {
            sd_mm: Mm::new(ASSUMED_SD_MM),
            method: "total-repeatability-proxy@1".into(),
            assumed: true,
            source: Citation::fixed(
                "no repeatability is agreed for this distance; proxy from cervical length, within-reader SD 1.95/2.13 mm \
                 (Valentin & Bergelin 2002, PMID 12230448)",
                Provenance::OwnAssumption,
            ),
            degrees_of_freedom: None,
            readings: None,
            own_placement: None,
        }
    }
}

/// The measured value. One-sided values are kinds of their own, wherever they go.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Value {
    /// Both ends were seen: signed distance, mm.
    Exact {
        /// Positive: not covering; negative: overlap; see the module's note on sign.
        signed_mm: Mm,
    },
    /// The edge reaches or partly covers the os; the distance from the os centre is secondary.
    Reaches {
        /// Distance from the centre of the os to the edge, mm, not signed.
        centre_distance_mm: Mm,
    },
    /// The edge is out of view beyond the covered os: the overlap is at least this (d ≤ −x).
    OverlapAtLeast {
        /// x, mm, not negative.
        mm: Mm,
    },
    /// No placenta was seen within this distance of the os (d ≥ +x), in this plane.
    NoPlacentaWithin {
        /// x, mm, not negative.
        mm: Mm,
    },
}

/// What the point on the placental body says about the stated side.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum SideCheck {
    /// No body point was marked, or the kind of value has no side to check.
    NotMarked,
    /// It lies where the statement says.
    Agrees,
    /// It lies on the other side: must be resolved before saving.
    Disagrees,
    /// It is nearly square to the os–edge line, or edge and os are too close: it cannot tell.
    CannotTell {
        /// Angle between the os–edge line and the edge–body line, degrees, 0 to 180.
        angle_degrees: f64,
    },
    /// It lies too far from the edge to tell, since the placenta curves.
    TooFar {
        /// Its distance from the edge, mm.
        distance_mm: Mm,
    },
}

/// A distance with its error.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// `name@version` of the method.
    pub method: String,
    /// The value.
    pub value: Value,
    /// The side as the reader stated it.
    pub side: Side,
    /// What the body point says of it.
    pub side_check: SideCheck,
    /// Uncertainty terms, kept apart.
    pub terms: Vec<Term>,
    /// Standard uncertainty, all terms together, mm.
    pub u_mm: Mm,
    /// The 95 % interval of the signed distance.
    pub interval: Interval,
    /// Whether any repeatability in it is assumed rather than this department's own.
    pub assumed_repeatability: bool,
    /// Distance from the os to the marginal sinus edge, where it was marked, mm, not signed.
    pub marginal_sinus_mm: Option<Mm>,
}
