//! Plots as shapes: what is drawn, apart from what draws it, so that screen, SVG and PDF show the same picture.
//!
//! Coordinates are in points, x to the right and y down, with (0, 0) at the upper left corner of the plot. A shape names
//! its [`Ink`] by meaning; whoever draws gives each ink its colour.

pub mod agreement;
pub mod axes;
pub mod bland_altman;
pub mod distance_line;
pub mod fonts;
pub mod forest;
pub mod learning_curve;
pub mod residuals;
pub mod ruler;
pub mod scale_trend;
pub mod visits;

/// What a shape stands for. Meaning never rests on the ink alone: words or a form of its own stand beside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Ink {
    /// Ordinary text and the reading itself.
    Strong,
    /// Axis, ticks and secondary text.
    Quiet,
    /// Area under the reading's curve.
    Shade,
    /// A bar of the axis, by what sort of place it is.
    Band(Tone),
    /// The name of such a bar.
    BandName(Tone),
}

/// What sort of place a band of the axis is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Tone {
    /// The placenta covers the os.
    Covering,
    /// The edge is at the os.
    Reaching,
    /// Not covering, nearer than the normal band.
    Near,
    /// The normal band.
    Far,
    /// No table has been chosen.
    Plain,
}

/// Which part of a text its place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its left end.
    Start,
    /// Its middle.
    Middle,
    /// Its right end.
    End,
}

/// One thing to draw, later ones over earlier ones.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A filled rectangle.
    Bar {
        /// Left edge.
        x: f64,
        /// Upper edge.
        y: f64,
        /// Width, not negative.
        width: f64,
        /// Height, not negative.
        height: f64,
        /// Its ink.
        ink: Ink,
    },
    /// Straight pieces from point to point.
    Line {
        /// The points, at least two.
        points: Vec<[f64; 2]>,
        /// Width of the line.
        width: f64,
        /// Its ink.
        ink: Ink,
    },
    /// A filled shape between a line and a level below it.
    Under {
        /// The points of the line, from left to right.
        points: Vec<[f64; 2]>,
        /// The level.
        base: f64,
        /// Its ink.
        ink: Ink,
    },
    /// A dot or a ring.
    Dot {
        /// Its centre.
        at: [f64; 2],
        /// Its radius.
        radius: f64,
        /// Whether it is filled.
        filled: bool,
        /// Its ink.
        ink: Ink,
    },
    /// A triangle standing on its base, not filled.
    Triangle {
        /// Middle of its base.
        at: [f64; 2],
        /// Its height.
        height: f64,
        /// Its ink.
        ink: Ink,
    },
    /// A line of text.
    Text {
        /// Where its anchor is; y is the middle of the line.
        at: [f64; 2],
        /// Which part of it is at that place.
        anchor: Anchor,
        /// Letter size.
        size: f64,
        /// The text.
        text: String,
        /// Its ink.
        ink: Ink,
    },
}

/// The same shapes, `k` times as large: a plot made in the proportions of the screen fits on paper unchanged.
#[must_use]
pub fn scaled(shapes: &[Shape], k: f64) -> Vec<Shape> {
    let at = |p: &[f64; 2]| [p[0] * k, p[1] * k];
    let all = |p: &[[f64; 2]]| p.iter().map(at).collect::<Vec<_>>();
    let one = |shape: &Shape| match shape {
        Shape::Bar { x, y, width, height, ink } => Shape::Bar { x: x * k, y: y * k, width: width * k, height: height * k, ink: *ink },
        Shape::Line { points, width, ink } => Shape::Line { points: all(points), width: width * k, ink: *ink },
        Shape::Under { points, base, ink } => Shape::Under { points: all(points), base: base * k, ink: *ink },
        Shape::Dot { at: p, radius, filled, ink } => Shape::Dot { at: at(p), radius: radius * k, filled: *filled, ink: *ink },
        Shape::Triangle { at: p, height, ink } => Shape::Triangle { at: at(p), height: height * k, ink: *ink },
        Shape::Text { at: p, anchor, size, text, ink } => {
            Shape::Text { at: at(p), anchor: *anchor, size: size * k, text: text.clone(), ink: *ink }
        }
    };
    shapes.iter().map(one).collect()
}
