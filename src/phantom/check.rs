//! One check: a frame of a phantom, from its samples to the error of the header's scale.

use super::Definition;
use super::find::{Pin, find_pins};
use super::fit::{Fit, Local, fit, t95};
use super::matching::{Match, match_pins};
use super::tolerance::{AxisVerdict, Tolerance, Verdict};
use crate::calibrate::header::{Bounds, survey};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, FrameId, Geometry};

/// A fitted scale farther from the header's than this cannot be told from another phantom's grid (own assumption).
pub const GREATEST_ERROR: f64 = 0.15;
/// The matched pins must reach over this share of the phantom both ways (own assumption).
const LEAST_REACH: f64 = 0.6;
/// Fewer of the phantom's pins than this share: it is another phantom, or not the whole of it (own assumption).
const LEAST_MATCHED: f64 = 0.7;
/// More found pins than this share that the phantom does not have: it is another phantom (own assumption).
const MOST_UNEXPLAINED: f64 = 0.25;
/// Shear and unevenness beyond this are said (own assumption).
const UNEVEN: f64 = 0.01;
/// Sizes of pins tried, as shares of what the header's scale makes of them, first the header's own.
const SIZES: [f64; 5] = [1.0, 0.5, 2.0, 0.7, 1.4];

/// What is odd about a check that could be made.
#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    /// Left and right are exchanged: the phantom or the probe was turned round, or the picture is mirrored.
    Mirrored,
    /// The layout is its own mirror image: a mirrored picture would not be seen.
    MirrorNotSeen,
    /// A whole row was not found.
    MissingRow {
        /// Its depth in the phantom, mm.
        depth_mm: f64,
    },
    /// Single pins were not found.
    MissingPins {
        /// How many, those of missing rows not counted.
        count: usize,
    },
    /// Another placing explains as many pins: which row is which cannot be told, the scale is the same.
    ShiftNotSeen,
    /// Found bright points that the phantom does not have.
    Extra {
        /// How many.
        count: usize,
    },
    /// Pins far from the fit were set aside.
    SetAside {
        /// How many.
        count: usize,
    },
    /// The picture is sheared.
    Sheared {
        /// Columns move by this many mm a mm of depth.
        shear: f64,
    },
    /// The scale is not the same everywhere.
    Uneven {
        /// Half the range of the local scale, relative, across and down.
        half_range: [f64; 2],
    },
}

impl Note {
    /// In a sentence.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Mirrored => "Left and right are exchanged: the phantom or the probe was turned round, or the picture is mirrored. Distances do not change.".into(),
            Self::MirrorNotSeen => "This layout is its own mirror image: a mirrored picture would not be seen.".into(),
            Self::MissingRow { depth_mm } => format!("The row at {depth_mm} mm of the phantom was not found."),
            Self::MissingPins { count } => format!("{count} single pin(s) of the phantom were not found."),
            Self::ShiftNotSeen => "The pins fit as well when shifted by a row or column: which is which cannot be told. The scale is the same.".into(),
            Self::Extra { count } => format!("{count} bright point(s) are none of the phantom's pins."),
            Self::SetAside { count } => format!("{count} pin(s) lie far from the fit and were set aside."),
            Self::Sheared { shear } => format!("The picture is sheared: columns move by {:.1} % of the depth.", 100.0 * shear),
            Self::Uneven { half_range: [x, y] } => {
                format!("The scale is uneven: it differs by ±{:.1} % across and ±{:.1} % down over the pins.", 100.0 * x, 100.0 * y)
            }
        }
    }
}

/// A check of one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// The frame.
    pub frame: FrameId,
    /// The region of the header that was checked, from 1.
    pub region: u32,
    /// What the header says, mm per px (across, down).
    pub header_mm_per_px: [f64; 2],
    /// Every pin found.
    pub found: Vec<Pin>,
    /// Which is which.
    pub matching: Match,
    /// The fit.
    pub fit: Fit,
    /// How much the header reads long (+) or short (−), relative (across, down).
    pub error: [f64; 2],
    /// What is odd.
    pub notes: Vec<Note>,
    /// How far the matched pins reach, mm (across, down).
    pub reach_mm: [f64; 2],
}

/// Several frames of one phantom on one scanner, judged together.
#[derive(Clone, Debug, PartialEq)]
pub struct Together {
    /// How much the header reads long (+) or short (−), relative (across, down).
    pub error: [f64; 2],
    /// Standard uncertainty of that, relative: scatter of the pins, of the frames, and the speed of sound in the phantom.
    pub u: [f64; 2],
    /// The part of `u` that does not come from the speed of sound.
    pub u_fit: [f64; 2],
    /// Correlation of the two errors.
    pub correlation: f64,
    /// Factor of `u_fit` for 95 %.
    pub t95: f64,
    /// The axes judged, across and down.
    pub axes: [AxisVerdict; 2],
    /// Unevenness, the worst of the frames.
    pub local: Option<Local>,
}

impl Together {
    /// The worse of the two axes.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.axes[0].verdict().max(self.axes[1].verdict())
    }

    /// Half-widths of the 95 % intervals of the errors (across, down).
    #[must_use]
    pub fn half_widths(&self) -> [f64; 2] {
        [0, 1].map(|k| self.t95.max(1.96) * self.u[k])
    }
}

/// Checks the header's scale of one frame of a phantom.
///
/// # Errors
/// [`ErrorKind::Uncalibrated`] when the header has no scale that could be checked; [`ErrorKind::Invalid`] when there are too
/// few pins, when they do not lie as this phantom's do, or when their size makes another phantom likelier than an error.
pub fn check(frame: &Frame, geometry: &Geometry, phantom: &Definition) -> Result<Check> {
    let (region, bounds, scale) = region(geometry)?;
    let spacing = phantom.least_spacing_mm();
    let count = phantom.pins().len();
    let mut best: Option<(Vec<Pin>, Match)> = None;
    let mut most_found = 0;
    for size in SIZES {
        let found = find_pins(frame, bounds, scale.map(|s| size * spacing / s), count);
        most_found = most_found.max(found.len());
        let Some(m) = match_pins(&found, phantom, scale) else { continue };
        let unexplained = |f: &[Pin], m: &Match| m.pairs.len() as f64 - 0.5 * (f.len() - m.pairs.len()) as f64;
        if best.as_ref().is_none_or(|(f, b)| unexplained(&found, &m) > unexplained(f, b)) {
            best = Some((found, m));
        }
        // The header's own size explains the phantom: no other is tried.
        if best.as_ref().is_some_and(|(f, m)| m.pairs.len() * 10 >= count * 8 && f.len() <= m.pairs.len() + 2) {
            break;
        }
    }
    if most_found < phantom.least_pins {
        return Err(too_few(phantom, most_found));
    }
    let Some((found, matching)) = best else { return Err(other_grid(phantom, "none of its rows and columns")) };
    let unexplained = found.len() - matching.pairs.len();
    if matching.pairs.len() < phantom.least_pins {
        return Err(if found.len() < phantom.least_pins {
            too_few(phantom, found.len())
        } else {
            other_grid(phantom, &format!("{} of {} bright points where the phantom has pins", matching.pairs.len(), found.len()))
        });
    }
    if unexplained as f64 > (MOST_UNEXPLAINED * found.len() as f64).max(3.0) {
        return Err(other_grid(phantom, &format!("{unexplained} of {} bright points that it does not have", found.len())));
    }
    if (matching.pairs.len() as f64) < LEAST_MATCHED * count as f64 {
        return Err(other_grid(phantom, &format!("only {} of its {count} pins", matching.pairs.len())));
    }
    let pins = phantom.pins();
    let pairs: Vec<_> = matching.pairs.iter().filter_map(|m| Some((m.pin, *pins.get(m.pin)?, found.get(m.found)?.at))).collect();
    let reach_mm = [0, 1].map(|k| {
        let all = || pairs.iter().map(move |p| p.1[k]);
        all().fold(f64::NEG_INFINITY, f64::max) - all().fold(f64::INFINITY, f64::min)
    });
    let whole = phantom.extent_mm();
    if (0..2).any(|k| reach_mm[k] < LEAST_REACH * whole[k]) {
        return Err(Error::new(ErrorKind::Invalid, "the pins found do not reach far enough")
            .expected(format!("{:.0} mm across and {:.0} mm down", LEAST_REACH * whole[0], LEAST_REACH * whole[1]))
            .found(format!("{:.0} mm across and {:.0} mm down", reach_mm[0], reach_mm[1]))
            .remedy("Show the whole phantom in the frame"));
    }
    let fit = fit(&pairs).ok_or_else(|| other_grid(phantom, "pins on one line"))?;
    let error = [scale[0] / fit.mm_per_px_x - 1.0, scale[1] / fit.mm_per_px_y - 1.0];
    if error.iter().any(|e| e.abs() > GREATEST_ERROR) {
        return Err(Error::new(ErrorKind::Invalid, "either the scale of this file is badly wrong or this is another phantom")
            .expected(format!("pins of {} at the size that the file's scale gives them", phantom.name))
            .found(format!("their distances {:.3} times that across and {:.3} times down", 1.0 + error[0], 1.0 + error[1]))
            .remedy("Make sure which phantom it is; if it is this one, do not use distances of this scanner"));
    }
    let notes = notes(&matching, &fit, phantom, unexplained);
    Ok(Check { frame: frame.id.clone(), region, header_mm_per_px: scale, found, matching, fit, error, notes, reach_mm })
}

/// The largest region that has a scale: its number, its box, mm per px.
fn region(geometry: &Geometry) -> Result<(u32, Bounds, [f64; 2])> {
    let survey = survey(geometry);
    let none = |found: &str| {
        Error::new(ErrorKind::Uncalibrated, "there is no scale to be checked").expected("a frame whose header gives a scale").found(found)
    };
    if let Some(reason) = &survey.refused {
        return Err(none(reason).remedy("Use the frame as the scanner stored it"));
    }
    survey
        .regions
        .iter()
        .filter_map(|r| {
            let (x, y) = r.mm_per_px()?;
            Some((r.number, r.bounds?, [x, y]))
        })
        .max_by_key(|(_, b, _)| u64::from(b.size().0) * u64::from(b.size().1))
        .ok_or_else(|| none("none").remedy("Store the phantom's frame as DICOM, not as a picture"))
}

fn too_few(phantom: &Definition, found: usize) -> Error {
    Error::new(ErrorKind::Invalid, "too few pins were found")
        .expected(format!("at least {} of the {} of \"{}\"", phantom.least_pins, phantom.pins().len(), phantom.name))
        .found(found.to_string())
        .remedy("Show the whole phantom, with the gain low enough that the pins stand out")
}

fn other_grid(phantom: &Definition, found: &str) -> Error {
    Error::new(ErrorKind::Invalid, "the pins do not lie as this phantom's do")
        .expected(format!("the layout \"{}\"", phantom.name))
        .found(found.to_owned())
        .remedy("Choose the phantom that was scanned")
}

fn notes(m: &Match, fit: &Fit, phantom: &Definition, unexplained: usize) -> Vec<Note> {
    let mut notes = Vec::new();
    if m.mirrored {
        notes.push(Note::Mirrored);
    } else if !m.can_show_mirror {
        notes.push(Note::MirrorNotSeen);
    }
    if m.shifted_fits_too {
        notes.push(Note::ShiftNotSeen);
    }
    let (mut first, mut single) = (0, 0);
    for row in &phantom.rows {
        let numbers = first..first + row.across_mm.len();
        first = numbers.end;
        let there = m.pairs.iter().filter(|p| numbers.contains(&p.pin)).count();
        if there == 0 {
            notes.push(Note::MissingRow { depth_mm: row.depth_mm });
        } else {
            single += row.across_mm.len() - there;
        }
    }
    if single > 0 {
        notes.push(Note::MissingPins { count: single });
    }
    if unexplained > 0 {
        notes.push(Note::Extra { count: unexplained });
    }
    let aside = fit.residuals.iter().filter(|r| !r.kept).count();
    if aside > 0 {
        notes.push(Note::SetAside { count: aside });
    }
    if fit.shear.abs() > UNEVEN && fit.shear.abs() > 2.0 * fit.u_shear {
        notes.push(Note::Sheared { shear: fit.shear });
    }
    if let Some(l) = fit.local.filter(|l| (0..2).any(|k| l.half_range[k] > UNEVEN && l.half_range[k] > 2.0 * l.u[k])) {
        notes.push(Note::Uneven { half_range: l.half_range });
    }
    notes
}

/// Judges one or more checks of the same phantom together. `None` for none.
///
/// Frames of one phantom share the errors of its pins, so more frames do not make these smaller: the mean variance of the
/// fits stands, and the variance between frames, over their number, is added.
#[must_use]
pub fn together(checks: &[Check], phantom: &Definition, tolerance: &Tolerance) -> Option<Together> {
    let n = checks.len() as f64;
    let first = checks.first()?;
    let mean = |f: &dyn Fn(&Check) -> f64| checks.iter().map(f).sum::<f64>() / n;
    let error = [0, 1].map(|k| mean(&|c| c.error[k]));
    let between = |i: usize, j: usize| {
        if checks.len() < 2 {
            0.0
        } else {
            checks.iter().map(|c| (c.error[i] - error[i]) * (c.error[j] - error[j])).sum::<f64>() / (n - 1.0) / n
        }
    };
    let of_fit = |c: &Check, k: usize| if k == 0 { c.fit.u_rel_x } else { c.fit.u_rel_y };
    let variance = [0, 1].map(|k| mean(&|c| of_fit(c, k).powi(2)) + between(k, k));
    let covariance = mean(&|c| c.fit.correlation * c.fit.u_rel_x * c.fit.u_rel_y) + between(0, 1);
    // The speed of sound in the phantom stretches both axes alike.
    let sound = phantom.u_sound_speed().powi(2);
    let u = variance.map(|v| (v + sound).sqrt());
    let t95 = checks.iter().map(|c| t95(c.fit.dof)).fold(1.96, f64::max);
    let product = u[0] * u[1];
    let limits = [tolerance.across, tolerance.down];
    Some(Together {
        error,
        u,
        u_fit: variance.map(f64::sqrt),
        correlation: if product > 0.0 { ((covariance + sound) / product).clamp(-1.0, 1.0) } else { 0.0 },
        t95,
        axes: [0, 1].map(|k| {
            let over = checks.iter().map(|c| c.reach_mm[k]).fold(first.reach_mm[k], f64::min);
            limits[k].judge(error[k], t95 * u[k], over)
        }),
        local: checks.iter().filter_map(|c| c.fit.local).reduce(|a, b| Local {
            half_range: [0, 1].map(|k| a.half_range[k].max(b.half_range[k])),
            u: [0, 1].map(|k| a.u[k].max(b.u[k])),
        }),
    })
}
