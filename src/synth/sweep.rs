//! A sweep: frames of one anatomy while the plane turns about the os, the probe slides and the patient breathes.

use rayon::prelude::*;

use super::anatomy::Anatomy;
use super::render::{Look, Seed, render_as};
use super::scanner::{Hold, Scanner};
use super::truth::{Truth, truth};
use crate::error::{Error, ErrorKind, Result};

/// How the probe and the patient move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sweep {
    /// Number of frames, 2 to 500.
    pub frames: u32,
    /// Time from one to the next, ms, 10 to 500.
    pub frame_time_ms: f64,
    /// Angle between the plane and the shortest way at the first frame, degrees, −75 to 75.
    pub from_degrees: f64,
    /// The same at the last frame. When it has the other sign, one frame lies exactly on the shortest way.
    pub to_degrees: f64,
    /// How far the anatomy moves to the right of the frame from the first to the last, mm, −20 to 20.
    pub slide_mm: f64,
    /// Breathing moves the anatomy up and down by this much to either side, mm, 0 to 6.
    pub breathing_mm: f64,
    /// Time of one breath, s, 2 to 10.
    pub breath_s: f64,
}

impl Sweep {
    /// Checks every range.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] that names the first number out of its range.
    pub fn validate(&self) -> Result<()> {
        for (what, value, least, greatest) in [
            ("number of frames", f64::from(self.frames), 2.0, 500.0),
            ("frame time (ms)", self.frame_time_ms, 10.0, 500.0),
            ("first angle (degrees)", self.from_degrees, -75.0, 75.0),
            ("last angle (degrees)", self.to_degrees, -75.0, 75.0),
            ("slide (mm)", self.slide_mm, -20.0, 20.0),
            ("breathing (mm)", self.breathing_mm, 0.0, 6.0),
            ("time of a breath (s)", self.breath_s, 2.0, 10.0),
        ] {
            if !(least..=greatest).contains(&value) {
                return Err(Error::new(ErrorKind::Invalid, format!("a synthetic sweep cannot have this {what}"))
                    .expected(format!("{least} to {greatest}"))
                    .found(value.to_string()));
            }
        }
        Ok(())
    }

    /// The frame (from 0) that lies nearest to the shortest way.
    #[must_use]
    pub fn shortest_frame(&self) -> u32 {
        let (from, to, last) = (self.from_degrees, self.to_degrees, self.frames.saturating_sub(1));
        if from * to < 0.0 {
            // Where a steady turn would pass it, but never an end.
            (libm::round(f64::from(last) * from.abs() / (from.abs() + to.abs())) as u32).clamp(1, last.max(2) - 1).min(last)
        } else if from.abs() <= to.abs() {
            0
        } else {
            last
        }
    }

    /// Angle between the plane of a frame (from 0) and the shortest way, degrees.
    #[must_use]
    pub fn degrees(&self, frame: u32) -> f64 {
        let last = self.frames.saturating_sub(1).max(1);
        let share = |k: u32, n: u32| f64::from(k.min(n)) / f64::from(n.max(1));
        let middle = self.shortest_frame();
        if self.from_degrees * self.to_degrees >= 0.0 {
            self.from_degrees + (self.to_degrees - self.from_degrees) * share(frame, last)
        } else if frame <= middle {
            self.from_degrees * (1.0 - share(frame, middle))
        } else {
            self.to_degrees * share(frame - middle, last - middle)
        }
    }

    /// How the probe is held at a frame (from 0).
    #[must_use]
    pub fn hold(&self, hold: &Hold, frame: u32) -> Hold {
        let share = f64::from(frame) / f64::from(self.frames.saturating_sub(1).max(1));
        let seconds = f64::from(frame) * self.frame_time_ms / 1000.0;
        let breath = self.breathing_mm * libm::sin(std::f64::consts::TAU * seconds / self.breath_s);
        Hold { os_x_mm: hold.os_x_mm + self.slide_mm * share, os_y_mm: hold.os_y_mm + breath, ..*hold }
    }
}

/// One frame of a sweep: its samples and its truth.
pub type SweptFrame = (Vec<u8>, Truth);

/// The frames of a sweep over an anatomy that is given on its shortest way; `hold` is that of the first frame at rest.
///
/// # Errors
/// When the sweep, or the anatomy, scanner or hold of one of its frames, is not possible; see their `validate`.
pub fn sweep(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, how: &Sweep, tissue: u64, look: &Look) -> Result<Vec<SweptFrame>> {
    how.validate()?;
    (0..how.frames)
        .into_par_iter()
        .map(|shot| {
            let plane = anatomy.turned_off_axis(how.degrees(shot).abs())?;
            let hold = how.hold(hold, shot);
            Ok((render_as(&plane, scanner, &hold, Seed { tissue, shot }, look)?, truth(&plane, scanner, &hold)?))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    const SCANNER: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 1.0, mm_per_px_y: 1.0 };
    const HOLD: Hold = Hold { os_x_mm: 3.0, os_y_mm: 34.0, turn_degrees: 0.0 };
    const SWEEP: Sweep =
        Sweep { frames: 7, frame_time_ms: 80.0, from_degrees: -30.0, to_degrees: 20.0, slide_mm: 3.0, breathing_mm: 1.5, breath_s: 3.0 };

    #[test]
    fn one_frame_is_the_shortest_and_the_others_only_lengthen() {
        let swept = sweep(&Anatomy::posterior(14.0), &SCANNER, &HOLD, &SWEEP, 3, &Look::default()).unwrap();
        let distances: Vec<f64> = swept.iter().map(|(_, t)| t.edge_to_os_mm).collect();
        let shortest = SWEEP.shortest_frame() as usize;
        assert_eq!((swept.len(), shortest), (7, 4));
        assert_eq!(distances[shortest], 14.0);
        for (k, (_, t)) in swept.iter().enumerate() {
            assert!((t.shortest_mm - 14.0).abs() < 1e-9 && (k == shortest || t.edge_to_os_mm > 14.01), "{k}: {}", t.edge_to_os_mm);
        }
        assert!(distances[0] > distances[1] && distances[5] < distances[6]);
        // The os slides by 3 mm in all and breathing moves it down at first.
        let (first, last) = (&swept[0].1, &swept[6].1);
        assert!((last.internal_os.x - first.internal_os.x - 3.0).abs() < 1e-9);
        assert!(swept[1].1.internal_os.y > first.internal_os.y + 0.2);
        let pixels: Vec<&Vec<u8>> = swept.iter().map(|(s, _)| s).collect();
        assert!(pixels.windows(2).all(|w| w[0] != w[1]), "no two frames are alike");
    }

    #[test]
    fn a_sweep_that_stays_on_one_side_is_shortest_at_its_end() {
        let far = Sweep { from_degrees: 40.0, to_degrees: 10.0, ..SWEEP };
        assert_eq!((far.shortest_frame(), far.degrees(6)), (6, 10.0));
        assert_eq!(Sweep { from_degrees: 10.0, to_degrees: 40.0, ..SWEEP }.shortest_frame(), 0);
        let two = Sweep { frames: 2, ..SWEEP };
        assert!((two.degrees(0) - -30.0).abs() < 1e-9 && two.degrees(1) == 0.0, "{} {}", two.degrees(0), two.degrees(1));
    }

    #[test]
    fn impossible_sweeps_are_refused() {
        for bad in [Sweep { frames: 1, ..SWEEP }, Sweep { breathing_mm: f64::NAN, ..SWEEP }, Sweep { to_degrees: 80.0, ..SWEEP }] {
            assert_eq!(bad.validate().unwrap_err().kind(), ErrorKind::Invalid);
        }
        // Turned so far that the edge leaves the range.
        let far = Sweep { from_degrees: -70.0, ..SWEEP };
        assert!(sweep(&Anatomy::posterior(30.0), &SCANNER, &HOLD, &far, 3, &Look::default()).is_err());
    }
}
