//! What a reader said and marked on one frame besides the landmarks of the distance: one optional part of a record.

use serde::{Deserialize, Serialize};

use super::Checklist;
use crate::assist::Assisted;
use crate::measure::more::MoreLandmarks;

/// Most offers of the edge assist that one reading keeps.
pub const MOST_OFFERS: usize = 100;
/// Most sets of frames of one exam.
pub const MOST_SETS: u8 = 9;

/// On which side of the picture anterior is, as the reader states it. Files seldom say, and nothing is assumed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Anterior {
    /// The left side of the picture.
    Left,
    /// The right side of the picture.
    Right,
}

impl Anterior {
    /// Both sides.
    pub const ALL: [Self; 2] = [Self::Left, Self::Right];

    /// The word shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
        }
    }
}

/// Besides the distance.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct FrameNotes {
    /// Further landmarks.
    #[serde(skip_serializing_if = "MoreLandmarks::is_empty")]
    pub more: MoreLandmarks,
    /// Whether the frame is good enough to count.
    #[serde(skip_serializing_if = "Checklist::is_empty")]
    pub checklist: Checklist,
    /// Which set of frames of the exam it belongs to: `None` for the first, 2 for a rescan 20 to 60 minutes later, and so on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub set: Option<u8>,
    /// Offers of the edge assist that were accepted or declined, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub assisted: Vec<Assisted>,
    /// On which side of the picture anterior is; `None` when the reader did not say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub anterior: Option<Anterior>,
}

impl FrameNotes {
    /// Nothing.
    pub const NONE: &'static Self = &Self {
        more: MoreLandmarks {
            external_os: None,
            canal: Vec::new(),
            plates_meet: None,
            basal_plate: None,
            chorionic_plate: None,
            vessel: None,
            fetal_rate: None,
            cord_loop_excluded: None,
            wall: Vec::new(),
            os_end: None,
            os_other_end: None,
        },
        checklist: Checklist { answers: std::collections::BTreeMap::new(), other_reason: None },
        set: None,
        assisted: Vec::new(),
        anterior: None,
    };

    /// Whether nothing was said or marked.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The set of frames, from 1.
    #[must_use]
    pub fn set_number(&self) -> u8 {
        self.set.unwrap_or(1).max(1)
    }

    /// Whether an offer of the edge assist was accepted for a landmark of the distance. Such readings are analysed apart.
    #[must_use]
    pub fn distance_assisted(&self) -> bool {
        self.assisted.iter().any(|a| a.accepted && a.of.of_distance())
    }
}
