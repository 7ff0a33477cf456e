//! What is true of a case: of a course's frame by its construction, of a department's own frame by consensus.

use serde::{Deserialize, Serialize};

use super::marking::Expected;
use crate::calibrate::{Calibration, ScaleFacts, judge};
use crate::frame::Geometry;
use crate::measure::{Landmarks, Side};
use crate::units::Mm;

/// The answer to a case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AnswerKey {
    /// Size and scale of its frame.
    pub geometry: Geometry,
    /// Where the landmarks are, px.
    pub landmarks: Landmarks,
    /// How the edge lies to the os.
    pub side: Side,
    /// The signed distance in this plane, mm, known even where the file has no scale; `None` where no distance is agreed.
    pub signed_mm: Option<Mm>,
    /// What a good reader does.
    pub expected: Expected,
    /// Whether it lies within 3 mm of 0, 10 or 20 mm.
    pub near_limit: bool,
    /// Why, in short sentences.
    pub why: Vec<String>,
}

impl AnswerKey {
    /// The scale of its frame from the header; `None` where there is none.
    #[must_use]
    pub fn scale(&self) -> Option<Calibration> {
        scale_of(&self.geometry, &self.landmarks)
    }
}

/// The scale of landmarks from a frame's header; `None` where there is none.
pub(super) fn scale_of(geometry: &Geometry, landmarks: &Landmarks) -> Option<Calibration> {
    let points = [landmarks.internal_os, landmarks.edge.at()];
    judge(geometry, &points, None, &ScaleFacts::default(), None).scale.ok().map(|(scale, _)| scale)
}
