//! Between a frame's pixels and the screen. The one place where the two meet; f64 throughout.
//!
//! "Screen" is in points, x right and y down. Pixels that are not square are drawn at their true shape: when a scale is
//! known the picture is as tall as its millimetres say.

use crate::units::PxPoint;

/// How large the frame is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Zoom {
    /// A multiple of the size at which the whole frame just fits; 1 fits.
    OfFit(f64),
    /// Screen points per frame column.
    PointsPerPx(f64),
}

/// What part of the frame is looked at, and how large.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// How large.
    pub zoom: Zoom,
    /// The place of the frame in the middle of the canvas; `None` for the middle of the frame.
    pub centre: Option<PxPoint>,
}

impl Default for View {
    fn default() -> Self {
        Self { zoom: Zoom::OfFit(1.0), centre: None }
    }
}

/// A rectangle on the screen, points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Canvas {
    /// Left edge.
    pub x: f64,
    /// Upper edge.
    pub y: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
}

/// The least and the most points per frame column.
const ZOOM_LIMITS: (f64, f64) = (0.05, 64.0);

/// The map of one moment: one canvas, one frame, one view.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScreenMap {
    scale_x: f64,
    scale_y: f64,
    origin_x: f64,
    origin_y: f64,
}

impl ScreenMap {
    /// The map for a frame of `width` × `height` px on `canvas` (both at least 1), looked at through `view`.
    ///
    /// `tallness` is the height of a pixel over its width (1 when square or not known), positive.
    #[must_use]
    pub fn new(canvas: Canvas, width: f64, height: f64, tallness: f64, view: View) -> Self {
        let tallness = if tallness.is_finite() && tallness > 0.0 { tallness } else { 1.0 };
        let (width, height) = (width.max(1.0), height.max(1.0));
        let fit = (canvas.width.max(1.0) / width).min(canvas.height.max(1.0) / (height * tallness));
        let wanted = match view.zoom {
            Zoom::OfFit(times) => fit * times,
            Zoom::PointsPerPx(points) => points,
        };
        let scale_x = if wanted.is_finite() { wanted.clamp(ZOOM_LIMITS.0.min(fit), ZOOM_LIMITS.1) } else { fit };
        let scale_y = scale_x * tallness;
        let centre = view.centre.filter(|c| c.is_finite()).unwrap_or(PxPoint::new(width / 2.0, height / 2.0));
        Self {
            scale_x,
            scale_y,
            origin_x: canvas.x + canvas.width / 2.0 - centre.x * scale_x,
            origin_y: canvas.y + canvas.height / 2.0 - centre.y * scale_y,
        }
    }

    /// Where a place of the frame is on the screen, points.
    #[must_use]
    pub fn to_screen(&self, p: PxPoint) -> [f64; 2] {
        [self.origin_x + p.x * self.scale_x, self.origin_y + p.y * self.scale_y]
    }

    /// Which place of the frame is at a point of the screen.
    #[must_use]
    pub fn to_frame(&self, at: [f64; 2]) -> PxPoint {
        PxPoint::new((at[0] - self.origin_x) / self.scale_x, (at[1] - self.origin_y) / self.scale_y)
    }

    /// Points per frame pixel, (x, y).
    #[must_use]
    pub const fn scale(&self) -> (f64, f64) {
        (self.scale_x, self.scale_y)
    }

    /// The view after drawing `factor` times as large with the place under `at` staying where it is.
    #[must_use]
    pub fn zoomed(&self, canvas: Canvas, factor: f64, at: [f64; 2]) -> View {
        let fixed = self.to_frame(at);
        let scale_x = (self.scale_x * factor).clamp(ZOOM_LIMITS.0, ZOOM_LIMITS.1);
        let scale_y = scale_x * self.scale_y / self.scale_x;
        let middle = [canvas.x + canvas.width / 2.0, canvas.y + canvas.height / 2.0];
        let centre = PxPoint::new(fixed.x + (middle[0] - at[0]) / scale_x, fixed.y + (middle[1] - at[1]) / scale_y);
        View { zoom: Zoom::PointsPerPx(scale_x), centre: Some(centre) }
    }

    /// The view after moving the picture by a step on the screen, points.
    #[must_use]
    pub fn panned(&self, canvas: Canvas, step: [f64; 2]) -> View {
        let middle = [canvas.x + canvas.width / 2.0 - step[0], canvas.y + canvas.height / 2.0 - step[1]];
        View { zoom: Zoom::PointsPerPx(self.scale_x), centre: Some(self.to_frame(middle)) }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::float_cmp)]
    use super::*;

    const CANVAS: Canvas = Canvas { x: 20.0, y: 60.0, width: 800.0, height: 500.0 };

    fn near(a: [f64; 2], b: [f64; 2]) -> bool {
        (a[0] - b[0]).abs() < 1e-9 && (a[1] - b[1]).abs() < 1e-9
    }

    #[test]
    fn there_and_back_is_the_same_place() {
        let m = ScreenMap::new(CANVAS, 640.0, 480.0, 1.3, View { zoom: Zoom::OfFit(2.5), centre: Some(PxPoint::new(100.25, 33.5)) });
        for p in [PxPoint::new(0.0, 0.0), PxPoint::new(311.37, 99.01), PxPoint::new(-5.0, 1000.0)] {
            let q = m.to_frame(m.to_screen(p));
            assert!((p.x - q.x).abs() < 1e-9 && (p.y - q.y).abs() < 1e-9);
        }
    }

    #[test]
    fn a_fitted_frame_touches_two_sides_and_lies_in_the_middle() {
        let m = ScreenMap::new(CANVAS, 640.0, 480.0, 1.0, View::default());
        assert!(near(m.to_screen(PxPoint::new(320.0, 240.0)), [420.0, 310.0]));
        assert!((m.to_screen(PxPoint::new(0.0, 0.0))[1] - 60.0).abs() < 1e-9);
        assert!((m.to_screen(PxPoint::new(640.0, 480.0))[1] - 560.0).abs() < 1e-9);
    }

    #[test]
    fn pixels_that_are_not_square_are_drawn_at_their_shape() {
        let m = ScreenMap::new(CANVAS, 640.0, 200.0, 2.0, View::default());
        let (x, y) = m.scale();
        assert!((y / x - 2.0).abs() < 1e-12);
    }

    #[test]
    fn zooming_keeps_the_place_under_the_pointer() {
        let m = ScreenMap::new(CANVAS, 640.0, 480.0, 1.2, View::default());
        let at = [200.0, 400.0];
        let before = m.to_frame(at);
        let after = ScreenMap::new(CANVAS, 640.0, 480.0, 1.2, m.zoomed(CANVAS, 3.0, at)).to_frame(at);
        assert!((before.x - after.x).abs() < 1e-9 && (before.y - after.y).abs() < 1e-9);
    }

    #[test]
    fn panning_moves_the_picture_with_the_pointer() {
        let m = ScreenMap::new(CANVAS, 640.0, 480.0, 1.0, View { zoom: Zoom::PointsPerPx(2.0), centre: None });
        let p = m.to_frame([300.0, 300.0]);
        let moved = ScreenMap::new(CANVAS, 640.0, 480.0, 1.0, m.panned(CANVAS, [15.0, -7.0]));
        assert!(near(moved.to_screen(p), [315.0, 293.0]));
    }

    #[test]
    fn nothing_on_screen_is_ever_not_a_number() {
        let m = ScreenMap::new(
            CANVAS,
            0.0,
            0.0,
            f64::NAN,
            View { zoom: Zoom::OfFit(f64::INFINITY), centre: Some(PxPoint::new(f64::NAN, 0.0)) },
        );
        assert!(m.to_screen(PxPoint::new(1.0, 1.0)).iter().all(|v| v.is_finite()));
    }
}
