//! Edge assist: on request, a landmark that was placed near a tissue boundary is offered a refined place.
//!
//! An offer moves a point along the boundary's normal only, and only where the contrast is high enough for it to help on
//! synthetic frames with known edges (`tests/figures assist`, docs/EXAMS.md). It is an offer: the reader's own place stands
//! until the reader accepts, and a record keeps both.
//!
//! The leading placental edge and the internal os are tips and no plain edges. There an offer made marks worse on synthetic
//! frames, so none is made for them.

mod locate;

pub use locate::{LEAST_CONTRAST, METHOD, MOST_SD, Refined, offer, offer_for, refined};

use serde::{Deserialize, Serialize};

use crate::units::{Mm, PxPoint};

/// A landmark that lies on a boundary, so that an offer can be made for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Refinable {
    /// Centre of the internal os.
    InternalOs,
    /// Leading placental edge.
    PlacentalEdge,
    /// Edge of a marginal sinus.
    MarginalSinus,
    /// External os.
    ExternalOs,
    /// Basal plate.
    BasalPlate,
    /// Chorionic plate.
    ChorionicPlate,
    /// Wall of a vessel.
    Vessel,
    /// One end of the os.
    OsEnd,
    /// The other end.
    OsOtherEnd,
}

impl Refinable {
    /// Every one of them.
    pub const ALL: [Self; 9] = [
        Self::InternalOs,
        Self::PlacentalEdge,
        Self::MarginalSinus,
        Self::ExternalOs,
        Self::BasalPlate,
        Self::ChorionicPlate,
        Self::Vessel,
        Self::OsEnd,
        Self::OsOtherEnd,
    ];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::InternalOs => "internal os",
            Self::PlacentalEdge => "placental edge",
            Self::MarginalSinus => "marginal sinus",
            Self::ExternalOs => "external os",
            Self::BasalPlate => "basal plate",
            Self::ChorionicPlate => "chorionic plate",
            Self::Vessel => "vessel",
            Self::OsEnd => "end of the os",
            Self::OsOtherEnd => "other end of the os",
        }
    }

    /// Whether the distance rests on it. These are tips, for which no offer is made.
    #[must_use]
    pub const fn of_distance(self) -> bool {
        matches!(self, Self::InternalOs | Self::PlacentalEdge)
    }
}

/// A refined place and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Offer {
    /// The refined place, px.
    pub at: PxPoint,
    /// Standard uncertainty of the boundary along its normal, mm.
    pub sd_mm: Mm,
    /// Contrast-to-noise ratio at the boundary: difference of the two sides' means over their speckle SD.
    pub contrast: f64,
    /// How far the offer moves the point, mm, not negative.
    pub moved_mm: Mm,
}

/// Why no offer is made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Declined {
    /// The frame ends too near.
    NearBorder,
    /// Too little contrast for it to help.
    LittleContrast {
        /// The contrast-to-noise ratio found.
        contrast: f64,
    },
    /// The boundary is not clear: more than one, or spread out.
    NotClear {
        /// The standard uncertainty found, mm.
        sd_mm: Mm,
    },
    /// The os and the leading placental edge are tips: there offers made marks worse.
    Tip,
    /// It is a corner or a tip, such as the end of a thin placenta: offers made marks worse.
    NotPlain,
}

impl Declined {
    /// The words shown for it.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::NearBorder => "No offer: the picture ends too near.".into(),
            Self::LittleContrast { contrast } => {
                format!(
                    "No offer: the contrast at the boundary is {contrast:.1} times the speckle; below {LEAST_CONTRAST} an offer does not help."
                )
            }
            Self::NotClear { sd_mm } => format!("No offer: the boundary is not clear (SD {sd_mm:.1}); the mark is as good."),
            Self::Tip => "No offer: the os and the leading edge are tips; there an offer made marks worse on synthetic frames. It helps on plates, vessel walls and sinus edges.".into(),
            Self::NotPlain => "No offer: this is a corner or a tip and no plain edge; there offers made marks worse.".into(),
        }
    }
}

/// An offer that a reader accepted or declined: both places stay in the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Assisted {
    /// The landmark.
    pub of: Refinable,
    /// The reader's own place, px.
    pub placed: PxPoint,
    /// The offer.
    pub offer: Offer,
    /// Whether it was accepted.
    pub accepted: bool,
    /// The method, `name@version`.
    pub method: String,
}
