//! Pictures without what is written beside the ultrasound (PS3.15 E.3.1, Clean Pixel Data Option): everything outside
//! the ultrasound regions is blanked in the stored samples, and so is every box that a person adds.

use serde::{Deserialize, Serialize};

use crate::calibrate::header::{Bounds, survey};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, Geometry, Samples};

/// A box of pixels to blank besides what lies outside the regions; both ends are inside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Blank {
    /// First column.
    pub min_x: u32,
    /// First row.
    pub min_y: u32,
    /// Last column.
    pub max_x: u32,
    /// Last row.
    pub max_y: u32,
}

/// The boxes that are kept: the regions that hold a 2D picture with a usable scale. Traces, bars and text panels are not.
pub(super) fn kept(geometry: &Geometry) -> Result<Vec<Bounds>> {
    let survey = survey(geometry);
    let refused = |found: String| {
        Error::new(ErrorKind::Unsupported, "the frame cannot be cleaned")
            .expected("an ultrasound region that tells the picture from the text beside it")
            .found(found)
    };
    if let Some(why) = survey.refused {
        return Err(refused(why));
    }
    let kept: Vec<Bounds> = survey.regions.iter().filter(|r| r.reason().is_none()).filter_map(|r| r.bounds).collect();
    if kept.is_empty() { Err(refused("none that is a 2D picture with a scale".into())) } else { Ok(kept) }
}

/// Blanks `frame` outside `kept` and inside `more`: black in every sample.
pub(super) fn clean(frame: &mut Frame, kept: &[Bounds], more: &[Blank]) {
    let keeps = |x: u32, y: u32| {
        kept.iter().any(|b| (b.min_x..=b.max_x).contains(&x) && (b.min_y..=b.max_y).contains(&y))
            && !more.iter().any(|b| (b.min_x..=b.max_x).contains(&x) && (b.min_y..=b.max_y).contains(&y))
    };
    let (w, h) = (frame.width, frame.height);
    let places = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
    match &mut frame.samples {
        Samples::Gray8(d) => blank(d.chunks_exact_mut(1), places, keeps),
        Samples::Gray16 { data, .. } => blank(data.chunks_exact_mut(1), places, keeps),
        Samples::Rgb8(d) => blank(d.chunks_exact_mut(3), places, keeps),
    }
}

fn blank<'a, T: Default + 'a>(
    pixels: impl Iterator<Item = &'a mut [T]>,
    places: impl Iterator<Item = (u32, u32)>,
    keeps: impl Fn(u32, u32) -> bool,
) {
    for (pixel, (x, y)) in pixels.zip(places) {
        if !keeps(x, y) {
            pixel.fill_with(T::default);
        }
    }
}
