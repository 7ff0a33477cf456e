//! Pages as lists of things to draw, before anything is written: so that their number is known and nothing can be cut off.

use super::letters::Letters;
use crate::plot::Shape;

/// A colour of the paper version.
pub type Rgb = [u8; 3];

/// Ordinary text.
pub const TEXT: Rgb = [0x14, 0x18, 0x1a];
/// Secondary text.
pub const QUIET: Rgb = [0x45, 0x4d, 0x52];
/// Lines between parts.
pub const RULE: Rgb = [0xb5, 0xb8, 0xba];
/// Behind what is urgent.
pub const ALARM: Rgb = [0xff, 0xf1, 0xe6];
/// The watermark.
pub const WATERMARK: Rgb = [0xea, 0xea, 0xea];

/// One thing on a page. Points, from the upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub enum Op {
    /// A line of text.
    Text {
        /// Left end.
        x: f64,
        /// Baseline.
        y: f64,
        /// Letter size.
        size: f64,
        /// Heavy letters.
        strong: bool,
        /// Its colour.
        ink: Rgb,
        /// The text.
        text: String,
    },
    /// A rectangle.
    Box {
        /// Left, top, width, height.
        at: [f64; 4],
        /// What fills it.
        fill: Option<Rgb>,
        /// Its edge's colour and width.
        edge: Option<(Rgb, f64)>,
    },
    /// A plot.
    Plot {
        /// Left, top, width, height.
        at: [f64; 4],
        /// Its shapes.
        shapes: Vec<Shape>,
    },
    /// A frame with its overlay.
    Frame {
        /// Left, top, width, height.
        at: [f64; 4],
        /// Place among the report's pictures.
        picture: usize,
        /// What is drawn over it.
        overlay: Vec<Shape>,
    },
    /// The QR code.
    Code {
        /// Left, top, side, side.
        at: [f64; 4],
    },
}

/// Paper.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paper {
    /// 210 × 297 mm.
    A4,
    /// 8.5 × 11 inches.
    Letter,
}

impl Paper {
    /// Width and height, points.
    #[must_use]
    pub const fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// How a paragraph looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Letter size, points.
    pub size: f64,
    /// Heavy letters.
    pub strong: bool,
    /// Its colour.
    pub ink: Rgb,
}

impl Style {
    /// From one baseline to the next, points.
    #[must_use]
    pub fn step(self) -> f64 {
        self.size * 1.24
    }
}

/// Pages that fill from top to bottom.
pub struct Flow<'a> {
    /// The letters.
    pub letters: &'a Letters,
    /// The pages.
    pub pages: Vec<Vec<Op>>,
    /// Left edge of the text.
    pub left: f64,
    /// Its width.
    pub width: f64,
    /// Where the next thing begins.
    pub y: f64,
    /// Whether text runs from right to left.
    pub right_to_left: bool,
    top: f64,
    bottom: f64,
}

impl<'a> Flow<'a> {
    /// Empty pages with margins left, right, above and below, `foot` of which is kept free under the text.
    #[must_use]
    pub fn new(letters: &'a Letters, paper: Paper, margin: f64, foot: f64) -> Self {
        let (width, height) = paper.size();
        Self {
            letters,
            pages: vec![Vec::new()],
            left: margin,
            width: width - 2.0 * margin,
            y: margin,
            right_to_left: false,
            top: margin,
            bottom: height - margin - foot,
        }
    }

    /// Lower end of the text.
    #[must_use]
    pub const fn bottom(&self) -> f64 {
        self.bottom
    }

    /// Puts a thing on the page.
    pub fn put(&mut self, op: Op) {
        if let Some(page) = self.pages.last_mut() {
            page.push(op);
        }
    }

    /// Begins a page when less than `height` is left on this one.
    pub fn need(&mut self, height: f64) {
        if self.y + height > self.bottom && self.y > self.top {
            self.pages.push(Vec::new());
            self.y = self.top;
        }
    }

    /// Lines of text from `x` on, over pages where they must. Returns their number.
    pub fn paragraph(&mut self, x: f64, width: f64, text: &str, style: Style) -> usize {
        let lines = self.letters.lines(text, style.size, style.strong, width);
        for line in &lines {
            self.need(style.step());
            self.y += style.step();
            self.line(x, width, line, style);
        }
        lines.len()
    }

    /// One line with its baseline a fifth of its size above `y`.
    pub fn line(&mut self, x: f64, width: f64, text: &str, style: Style) {
        let x = if self.right_to_left { x + width - self.letters.width(text, style.size, style.strong) } else { x };
        let text = text.to_owned();
        self.put(Op::Text { x, y: self.y - style.size * 0.25, size: style.size, strong: style.strong, ink: style.ink, text });
    }

    /// Height that a paragraph takes.
    #[must_use]
    pub fn height_of(&self, width: f64, text: &str, style: Style) -> f64 {
        self.letters.lines(text, style.size, style.strong, width).len() as f64 * style.step()
    }

    /// A line across.
    pub fn rule(&mut self) {
        let at = [self.left, self.y, self.width, 0.5];
        self.put(Op::Box { at, fill: Some(RULE), edge: None });
    }
}
