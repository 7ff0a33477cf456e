//! A frame in a report: its picture where it is at hand, its landmarks, the os–edge line, the ring and a scale bar.
//!
//! Everything but the picture is drawn as shapes, so that it is sharp on paper and the picture's samples stay as stored.

use crate::caseload::measurement_of;
use crate::frame::FrameId;
use crate::guideline::Table;
use crate::measure::{EdgeMark, Value};
use crate::plot::{Anchor, Ink, Shape};
use crate::record::ReadingRecord;
use crate::units::PxPoint;

/// A decoded picture: `4 × width × height` bytes, RGBA.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Raster {
    /// Columns, px.
    pub width: u32,
    /// Rows, px.
    pub height: u32,
    /// The bytes.
    pub rgba: Vec<u8>,
}

/// Where pictures come from.
pub trait Images {
    /// The picture of exactly this frame, by its digest; the reason in words when there is none.
    ///
    /// # Errors
    /// Why there is none.
    fn picture(&self, frame: &FrameId) -> Result<Raster, String>;
}

/// No pictures are at hand.
#[derive(Clone, Copy, Debug)]
pub struct NoImages;

impl Images for NoImages {
    fn picture(&self, _: &FrameId) -> Result<Raster, String> {
        Err("the images were not at hand".to_owned())
    }
}

/// A landmark on a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Marked {
    /// Its letter in the picture and in the key under it.
    pub letter: char,
    /// Its name.
    pub name: &'static str,
    /// Where it is, px.
    pub at: PxPoint,
}

/// One frame of a report.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Number of its reading in the report.
    pub number: usize,
    /// Frame number in its file.
    pub frame: u32,
    /// Its distance in words.
    pub headline: String,
    /// The picture, or why there is none.
    pub raster: Result<Raster, String>,
    /// Size of the frame, px.
    pub size: (u32, u32),
    /// Its landmarks; the os first, then the far end of the distance.
    pub marks: Vec<Marked>,
    /// Whether the line from os to edge is a distance.
    pub measured: bool,
    /// mm per px in x and y, where there is a scale.
    pub mm_per_px: Option<(f64, f64)>,
    /// The radius around the os that decides, mm.
    pub ring_mm: Option<f64>,
}

/// The frame of a record.
pub(super) fn picture(record: &ReadingRecord, number: usize, headline: String, table: &Table, images: &dyn Images) -> Picture {
    let l = &record.landmarks;
    let mut marks = vec![
        Marked { letter: 'O', name: "internal os", at: l.internal_os },
        Marked {
            letter: match l.edge {
                EdgeMark::PlacentalEdge { .. } => 'E',
                EdgeMark::LastPlacentaSeen { .. } => 'L',
                EdgeMark::EndOfWallSeen { .. } => 'W',
            },
            name: l.edge.words(),
            at: l.edge.at(),
        },
    ];
    marks.extend(l.placental_body.map(|at| Marked { letter: 'P', name: "placental body", at }));
    marks.extend(l.marginal_sinus.map(|at| Marked { letter: 'S', name: "marginal sinus", at }));
    let scale = record.distance.measured().map(|m| m.scale.calibration.mm_per_px());
    Picture {
        number,
        frame: record.frame.frame_number,
        headline,
        raster: images.picture(&record.frame),
        size: (record.geometry.columns.max(1), record.geometry.rows.max(1)),
        marks,
        measured: measurement_of(record).is_some_and(|m| !matches!(m.value, Value::Reaches { .. })),
        mm_per_px: scale,
        ring_mm: table.edges().map(crate::units::Mm::get).filter(|e| *e > 0.0).reduce(f64::max).filter(|_| scale.is_some()),
    }
}

impl Picture {
    /// Its title and the key of its letters in one sentence, which is also what is said of it to who cannot see it.
    #[must_use]
    pub fn caption(&self) -> String {
        let key: Vec<String> = self.marks.iter().map(|m| format!("{} {}", m.letter, m.name)).collect();
        let ring = self.ring_mm.map(|r| format!("; ring: {r} mm around the os")).unwrap_or_default();
        let bar = if self.bar_mm().is_some() { "" } else { "; no scale" };
        format!("Reading {}, frame {}: {}{ring}{bar}.", self.number, self.frame, key.join(", "))
    }

    /// Height that the picture has at this width.
    #[must_use]
    pub fn height_at(&self, width: f64) -> f64 {
        width * f64::from(self.size.1) / f64::from(self.size.0)
    }

    /// Length of the scale bar, mm: the longest of these that takes no more than a third of the picture.
    #[must_use]
    pub fn bar_mm(&self) -> Option<f64> {
        let (x, _) = self.mm_per_px?;
        [50.0, 20.0, 10.0, 5.0, 2.0, 1.0].into_iter().find(|mm| mm / x <= f64::from(self.size.0) / 3.0)
    }

    /// Which way from a mark its letter stands, as a unit step: off the line from os to edge.
    fn beside(&self, mark: &Marked) -> (f64, f64) {
        let (Some(os), Some(edge)) = (self.marks.first(), self.marks.get(1)) else { return (0.0, -1.0) };
        let step = |a: PxPoint, b: PxPoint| {
            let (x, y) = (b.x - a.x, b.y - a.y);
            let long = x.hypot(y);
            if long > 1e-9 { (x / long, y / long) } else { (0.0, -1.0) }
        };
        let along = step(os.at, edge.at);
        match mark.letter {
            'O' => (-along.0, -along.1),
            'P' | 'S' => step(os.at, mark.at),
            _ => (-along.1, along.0),
        }
    }

    /// What is drawn over the picture at this width, points. Drawn once dark and broad, then once bright.
    #[must_use]
    pub fn overlay(&self, width: f64, letters: f64) -> Vec<Shape> {
        let k = width / f64::from(self.size.0);
        let height = self.height_at(width);
        let at = |p: PxPoint| [(p.x * k).clamp(0.0, width), (p.y * k).clamp(0.0, height)];
        let ink = Ink::Strong;
        let mut out = Vec::new();
        if let (Some(os), Some(r), Some((sx, sy))) = (self.marks.first(), self.ring_mm, self.mm_per_px) {
            // An ellipse where pixels are not square; in pieces, so that what lies outside the picture is left out.
            let turn = |i: u32| std::f64::consts::TAU * f64::from(i) / 72.0;
            let point = |i: u32| PxPoint::new(os.at.x + r / sx * libm::cos(turn(i)), os.at.y + r / sy * libm::sin(turn(i)));
            let inside = |p: PxPoint| (0.0..=f64::from(self.size.0)).contains(&p.x) && (0.0..=f64::from(self.size.1)).contains(&p.y);
            for i in (0..72).step_by(2) {
                if inside(point(i)) && inside(point(i + 1)) {
                    out.push(Shape::Line { points: vec![at(point(i)), at(point(i + 1))], width: 0.6, ink });
                }
            }
        }
        if let (Some(os), Some(edge), true) = (self.marks.first(), self.marks.get(1), self.measured) {
            out.push(Shape::Line { points: vec![at(os.at), at(edge.at)], width: 1.0, ink });
        }
        for mark in &self.marks {
            let c = at(mark.at);
            let r = letters * 0.45;
            // A cross that leaves its middle free: the marked pixel stays seen.
            for (dx, dy) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
                out.push(Shape::Line {
                    points: vec![[c[0] + dx * r * 0.35, c[1] + dy * r * 0.35], [c[0] + dx * r, c[1] + dy * r]],
                    width: 0.8,
                    ink,
                });
            }
            let text = mark.letter.to_string();
            let (dx, dy) = self.beside(mark);
            let far = letters * 1.25;
            let place = [(c[0] + dx * far).clamp(letters, width - letters), (c[1] + dy * far).clamp(letters, height - letters)];
            out.push(Shape::Text { at: place, anchor: Anchor::Middle, size: letters, text, ink });
        }
        if let (Some(bar), Some((sx, _))) = (self.bar_mm(), self.mm_per_px) {
            let (long, y) = (bar / sx * k, height - letters * 0.9);
            let right = width - letters * 0.8;
            out.push(Shape::Line {
                points: vec![[right - long, y - 3.0], [right - long, y], [right, y], [right, y - 3.0]],
                width: 1.2,
                ink,
            });
            let place = [right - long / 2.0, y - letters * 0.9];
            out.push(Shape::Text { at: place, anchor: Anchor::Middle, size: letters, text: format!("{bar} mm"), ink });
        }
        out
    }
}
