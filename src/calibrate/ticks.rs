//! Depth marks that a scanner burned into the picture: small bright marks on dark, one above the other at equal steps.
//!
//! What such a step is in millimetres is nowhere written in a form that could be read. So ticks can agree with a header's
//! scale or contradict it, and never prove it.

mod along;
mod marks;
mod steps;

use serde::{Deserialize, Serialize};

use crate::frame::Frame;

pub(super) use along::steps_along;
use marks::{Mark, marks_of};
pub(super) use steps::line;
use steps::{Steps, steps_of};

/// Which way a row of ticks runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Along {
    /// Down the picture: depth marks.
    Down,
    /// Across the picture.
    Across,
}

/// A row of ticks at equal steps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TickRow {
    /// Which way it runs.
    pub along: Along,
    /// Where it stands, px: the column of a row that runs down, the row of one that runs across.
    pub at_px: f64,
    /// First tick along the row, px.
    pub first_px: f64,
    /// From one tick to the next, px, by least squares over all of them.
    pub step_px: f64,
    /// Standard uncertainty of the step, px.
    pub u_step_px: f64,
    /// Ticks found.
    pub count: u32,
    /// Every how manieth tick is larger; `None` when all are alike or too few to tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub larger_every: Option<u32>,
}

/// The rows of ticks in a frame, the one with most ticks first; at most one down and one across each side is of use, so at
/// most four are given.
#[must_use]
pub fn find_ticks(frame: &Frame) -> Vec<TickRow> {
    let brightness = frame.brightness();
    let (w, h) = (frame.width as usize, frame.height as usize);
    if w < 32 || h < 32 || brightness.len() != w * h {
        return Vec::new();
    }
    let marks = marks_of(&brightness, w, h);
    let mut rows = rows(&marks, Along::Down, h as f64);
    let turned: Vec<Mark> = marks.iter().map(Mark::turned).collect();
    rows.extend(self::rows(&turned, Along::Across, w as f64));
    rows.sort_by_key(|r| std::cmp::Reverse(r.count));
    rows.truncate(4);
    rows
}

/// Rows along y among the marks.
fn rows(marks: &[Mark], along: Along, length: f64) -> Vec<TickRow> {
    let mut found: Vec<(Steps, f64)> = Vec::new();
    // Ticks of one row share an edge or their middle.
    let edges: [fn(&Mark) -> f64; 3] = [|m| m.left, |m| m.right, |m| m.x];
    for edge in edges {
        let mut sorted: Vec<&Mark> = marks.iter().collect();
        sorted.sort_by(|a, b| edge(a).total_cmp(&edge(b)));
        let mut from = 0;
        while let Some(first) = sorted.get(from) {
            let to = sorted.iter().skip(from).take_while(|m| edge(m) - edge(first) <= 1.0).count() + from;
            if let Some(steps) = sorted.get(from..to).and_then(|group| steps_of(group, length)) {
                found.push((steps, edge(first)));
            }
            // The next group begins at the next different place.
            from += sorted.iter().skip(from).take_while(|m| edge(m) - edge(first) <= 0.25).count().max(1);
        }
    }
    found.sort_by_key(|(s, _)| std::cmp::Reverse(s.count));
    let mut rows: Vec<TickRow> = Vec::new();
    for (s, at) in found {
        // The same row by another edge.
        if rows.iter().all(|r| (r.at_px - at).abs() > 24.0) {
            rows.push(TickRow {
                along,
                at_px: at,
                first_px: s.first,
                step_px: s.step,
                u_step_px: s.u_step,
                count: s.count as u32,
                larger_every: s.larger_every.map(|k| k as u32),
            });
        }
    }
    rows.truncate(2);
    rows
}

#[cfg(test)]
mod tests;
