//! The endovaginal probe, how it is held, and how its picture is laid out in pixels.

use super::shape::At;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::RawRegion;
use crate::units::PxPoint;

/// Columns to the right of the picture that hold the depth marks, px.
const MARK_COLUMNS: u32 = 20;
/// Rows above and below the picture, px.
const MARGIN_ROWS: f64 = 6.0;

/// A curved array and its picture. Origin of the plane: the middle of the probe's face; x right, y into the body, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scanner {
    /// Radius of the face, mm; 8 to 15.
    pub face_radius_mm: f64,
    /// Half the opening of the sector, degrees; 30 to 75.
    pub half_angle_degrees: f64,
    /// Depth from the face, mm; 40 to 120.
    pub depth_mm: f64,
    /// Width of a pixel, mm; 0.1 to 1.
    pub mm_per_px_x: f64,
    /// Height of a pixel, mm; 0.1 to 1.
    pub mm_per_px_y: f64,
}

/// How the probe is held: where the internal os lies in the plane, and how far the anatomy appears turned. Where walls are
/// pressed together above the os, the end of the open cavity stands for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// The internal os, mm right of the middle of the face.
    pub os_x_mm: f64,
    /// The internal os, mm below the face.
    pub os_y_mm: f64,
    /// Turn of the anatomy about the os, degrees, positive clockwise on the frame.
    pub turn_degrees: f64,
}

impl Scanner {
    /// Checks every range.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when one is not kept.
    pub fn validate(&self) -> Result<()> {
        for (what, value, least, greatest) in [
            ("face radius (mm)", self.face_radius_mm, 8.0, 15.0),
            ("half-angle (degrees)", self.half_angle_degrees, 30.0, 75.0),
            ("depth (mm)", self.depth_mm, 40.0, 120.0),
            ("pixel width (mm)", self.mm_per_px_x, 0.1, 1.0),
            ("pixel height (mm)", self.mm_per_px_y, 0.1, 1.0),
        ] {
            if !(least..=greatest).contains(&value) {
                return Err(Error::new(ErrorKind::Invalid, format!("a synthetic scanner cannot have this {what}"))
                    .expected(format!("{least} to {greatest}"))
                    .found(value.to_string()));
            }
        }
        Ok(())
    }

    /// Half the width of the sector at its widest, mm.
    fn half_width(&self) -> f64 {
        (self.face_radius_mm + self.depth_mm) * libm::sin(self.half_angle_degrees.to_radians())
    }

    /// Row of the middle of the face, px: the corners of the face rise above it.
    fn face_row(&self) -> f64 {
        let rise = self.face_radius_mm * (1.0 - libm::cos(self.half_angle_degrees.to_radians()));
        libm::ceil(rise / self.mm_per_px_y) + MARGIN_ROWS
    }

    /// Columns of the picture without the depth marks, px.
    fn picture_columns(&self) -> u32 {
        2 * (libm::ceil(self.half_width() / self.mm_per_px_x) as u32 + 2)
    }

    /// Columns of the frame, px; even.
    #[must_use]
    pub fn columns(&self) -> u32 {
        self.picture_columns() + MARK_COLUMNS
    }

    /// Rows of the frame, px; even.
    #[must_use]
    pub fn rows(&self) -> u32 {
        let high = self.face_row() + self.depth_mm / self.mm_per_px_y + MARGIN_ROWS;
        2 * libm::ceil(high / 2.0) as u32
    }

    /// A place in the plane of the frame, mm, as a point of the frame, px. Exact.
    pub(crate) fn to_px(self, p: At) -> PxPoint {
        PxPoint::new(f64::from(self.picture_columns()) / 2.0 + p.x / self.mm_per_px_x, self.face_row() + p.y / self.mm_per_px_y)
    }

    /// The middle of a pixel as a place in the plane of the frame, mm.
    pub(crate) fn pixel_at(&self, column: u32, row: u32) -> At {
        At::new(
            (f64::from(column) + 0.5 - f64::from(self.picture_columns()) / 2.0) * self.mm_per_px_x,
            (f64::from(row) + 0.5 - self.face_row()) * self.mm_per_px_y,
        )
    }

    /// Depth below the face (mm) and angle from the middle (radians) of a place.
    pub(crate) fn polar(&self, p: At) -> (f64, f64) {
        let y = p.y + self.face_radius_mm;
        (libm::sqrt(p.x * p.x + y * y) - self.face_radius_mm, libm::atan2(p.x, y))
    }

    /// The place at a depth (mm) and angle (radians).
    pub(crate) fn at_polar(&self, depth: f64, angle: f64) -> At {
        let (sin, cos) = libm::sincos(angle);
        let r = self.face_radius_mm + depth;
        At::new(r * sin, r * cos - self.face_radius_mm)
    }

    /// Angle from one beam to the next, radians.
    pub(crate) fn beam_step(&self, beams: usize) -> f64 {
        2.0 * self.half_angle_degrees.to_radians() / (beams - 1) as f64
    }

    /// Angle of a beam, radians.
    pub(crate) fn angle_of(&self, beam: usize, beams: usize) -> f64 {
        beam as f64 * self.beam_step(beams) - self.half_angle_degrees.to_radians()
    }

    /// Beam at an angle, with its fraction.
    pub(crate) fn beam_of(&self, angle: f64, beams: usize) -> f64 {
        (angle + self.half_angle_degrees.to_radians()) / self.beam_step(beams)
    }

    /// Whether a place lies in the sector.
    pub(crate) fn sees(&self, p: At) -> bool {
        let (depth, angle) = self.polar(p);
        (0.0..=self.depth_mm).contains(&depth) && angle.abs() <= self.half_angle_degrees.to_radians()
    }

    /// Depth marks: the pixel rows at each whole centimetre below the face, with whether it is a fifth one.
    pub(crate) fn depth_marks(&self) -> impl Iterator<Item = (f64, bool)> {
        (0..=(self.depth_mm / 10.0) as u32).map(|cm| (self.to_px(At::new(0.0, 10.0 * f64::from(cm))).y, cm % 5 == 0))
    }

    /// First column and length of a depth mark, px.
    pub(crate) fn mark_columns(&self, fifth: bool) -> (u32, u32) {
        (self.picture_columns() + 6, if fifth { 10 } else { 5 })
    }

    /// The one region of the frame: the picture without its depth marks, tissue, centimetres (PS3.3 C.8.5.5).
    #[must_use]
    pub fn region(&self) -> RawRegion {
        RawRegion::of_tissue([0, 0, self.picture_columns() - 1, self.rows() - 1], [self.mm_per_px_x / 10.0, self.mm_per_px_y / 10.0])
    }
}

impl Hold {
    /// Checks every range.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when one is not kept.
    pub fn validate(&self) -> Result<()> {
        for (what, value, least, greatest) in [
            ("place of the os across (mm)", self.os_x_mm, -60.0, 60.0),
            ("depth of the os (mm)", self.os_y_mm, 5.0, 100.0),
            ("turn (degrees)", self.turn_degrees, -60.0, 60.0),
        ] {
            if !(least..=greatest).contains(&value) {
                return Err(Error::new(ErrorKind::Invalid, format!("a synthetic frame cannot have this {what}"))
                    .expected(format!("{least} to {greatest}"))
                    .found(value.to_string()));
            }
        }
        Ok(())
    }

    /// A place of the anatomy (os at the origin) in the plane of the frame.
    pub(crate) fn to_frame(self, p: At) -> At {
        let (sin, cos) = libm::sincos(self.turn_degrees.to_radians());
        At::new(self.os_x_mm + cos * p.x - sin * p.y, self.os_y_mm + sin * p.x + cos * p.y)
    }

    /// A place of the frame in the anatomy.
    pub(crate) fn to_anatomy(self, p: At) -> At {
        let (sin, cos) = libm::sincos(self.turn_degrees.to_radians());
        let (x, y) = (p.x - self.os_x_mm, p.y - self.os_y_mm);
        At::new(cos * x + sin * y, -sin * x + cos * y)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    const SCANNER: Scanner =
        Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 68.0, mm_per_px_x: 0.26, mm_per_px_y: 0.21 };

    fn near(a: At, b: At) -> bool {
        At::new(a.x - b.x, a.y - b.y).length() < 1e-9
    }

    /// The picture is drawn by one way of each pair and the truth by the other.
    #[test]
    fn ways_between_anatomy_frame_polar_and_pixels_are_each_others_inverse() {
        let hold = Hold { os_x_mm: 3.0, os_y_mm: 30.0, turn_degrees: 25.0 };
        for p in [At::new(0.0, 0.0), At::new(20.0, -7.0), At::new(-31.0, 44.0)] {
            assert!(near(hold.to_anatomy(hold.to_frame(p)), p));
            let (depth, angle) = SCANNER.polar(p);
            assert!(near(SCANNER.at_polar(depth, angle), p));
        }
        let px = SCANNER.to_px(SCANNER.pixel_at(17, 40));
        assert!((px.x - 17.5).abs() < 1e-9 && (px.y - 40.5).abs() < 1e-9, "{px:?}");
    }

    #[test]
    fn a_positive_turn_is_clockwise_on_the_frame() {
        let hold = Hold { os_x_mm: 0.0, os_y_mm: 30.0, turn_degrees: 10.0 };
        assert!(hold.to_frame(At::new(10.0, 0.0)).y > 30.0, "what lies to the right goes down");
    }

    #[test]
    fn the_whole_sector_lies_in_the_picture() {
        let half = SCANNER.half_angle_degrees.to_radians();
        for (depth, angle) in [(0.0, -half), (0.0, half), (68.0, -half), (68.0, half), (68.0, 0.0)] {
            let p = SCANNER.to_px(SCANNER.at_polar(depth, angle));
            assert!(p.x > 0.0 && p.x < f64::from(SCANNER.picture_columns()) && p.y > 0.0 && p.y < f64::from(SCANNER.rows()), "{p:?}");
        }
    }

    #[test]
    fn impossible_scanners_are_refused() {
        SCANNER.validate().unwrap();
        for bad in [
            Scanner { depth_mm: 0.0, ..SCANNER },
            Scanner { mm_per_px_x: f64::NAN, ..SCANNER },
            Scanner { half_angle_degrees: 90.0, ..SCANNER },
        ] {
            assert_eq!(bad.validate().unwrap_err().kind(), ErrorKind::Invalid);
        }
    }
}
