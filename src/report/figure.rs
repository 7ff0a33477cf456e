//! One plot as a file of its own, SVG or PNG, on white paper.

use std::io::Cursor;

use rustybuzz::ttf_parser::OutlineBuilder;
use rustybuzz::{Face, UnicodeBuffer};
use tiny_skia::{FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Rect, Stroke, Transform};

use super::pdf::on_paper;
use super::svg;
use crate::error::{Error, ErrorKind, Result};
use crate::plot::agreement::{FILE_LETTERS, FILE_SIZE};
use crate::plot::bland_altman::BlandAltman;
use crate::plot::distance_line::Room;
use crate::plot::forest::Forest;
use crate::plot::{Anchor, Ink, Shape, fonts};

/// Pixels of the longest side that a picture may have.
const MOST_PX: f64 = 20_000.0;

/// A plot with its size.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// What it shows, for who cannot see it.
    pub title: String,
    /// The shapes, in points.
    pub shapes: Vec<Shape>,
    /// Width and height, points.
    pub size: (f64, f64),
}

impl Figure {
    /// Two readers' differences, in the size of a file.
    #[must_use]
    pub fn of_differences(plot: &BlandAltman) -> Self {
        let (width, height) = FILE_SIZE;
        let shapes = plot.shapes(Room { width, height, letters: FILE_LETTERS });
        Self { title: format!("Differences against means, {}", plot.of), shapes, size: FILE_SIZE }
    }

    /// A study's figures part by part, in the size of a file and as high as they need.
    #[must_use]
    pub fn of_parts(forest: &Forest) -> Self {
        let (width, height) = (FILE_SIZE.0, forest.height(FILE_LETTERS));
        let shapes = forest.shapes(Room { width, height, letters: FILE_LETTERS });
        Self { title: forest.of.clone(), shapes, size: (width, height) }
    }

    /// The plot as an SVG file. Its text stays text, in the letters of the machine that shows it.
    #[must_use]
    pub fn svg(&self) -> String {
        let ((w, h), title) = (self.size, svg::escaped(&self.title));
        format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
             <svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.2} {h:.2}\" width=\"{w:.2}\" height=\"{h:.2}\" role=\"img\" \
             aria-label=\"{title}\" font-family=\"'DejaVu Sans Condensed','DejaVu Sans',sans-serif\">\n\
             <title>{title}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n{}\n</svg>\n",
            svg::plot(&self.shapes)
        )
    }

    /// The plot as a PNG file, `per_point` pixels a point.
    ///
    /// # Errors
    /// [`ErrorKind::Limit`] when it would have no pixel or a side of more than 20 000; [`ErrorKind::Format`] when it cannot
    /// be written.
    pub fn png(&self, per_point: f64) -> Result<Vec<u8>> {
        let (w, h) = ((self.size.0 * per_point).ceil(), (self.size.1 * per_point).ceil());
        let sized = (1.0..=MOST_PX).contains(&w) && (1.0..=MOST_PX).contains(&h);
        let limit = || {
            Error::new(ErrorKind::Limit, "the picture cannot be drawn")
                .expected(format!("sides of 1 to {MOST_PX} pixels"))
                .found(format!("{w} by {h}"))
        };
        let mut map = sized.then(|| Pixmap::new(w as u32, h as u32)).flatten().ok_or_else(limit)?;
        map.fill(tiny_skia::Color::WHITE);
        let face = Face::from_slice(fonts::REGULAR, 0).ok_or_else(|| fault("the embedded letters cannot be read"))?;
        let mut canvas = Canvas { map: &mut map, face: &face, scale: Transform::from_scale(per_point as f32, per_point as f32) };
        for shape in &self.shapes {
            canvas.draw(shape);
        }
        // Everything is opaque on white: the premultiplied bytes are the plain ones.
        let rgb: Vec<u8> = map.data().chunks_exact(4).flat_map(|p| p.iter().take(3).copied().collect::<Vec<u8>>()).collect();
        let picture = image::RgbImage::from_raw(map.width(), map.height(), rgb).ok_or_else(|| fault("another number of pixels"))?;
        let mut bytes = Cursor::new(Vec::new());
        picture.write_to(&mut bytes, image::ImageFormat::Png).map_err(|e| fault(&e.to_string()))?;
        Ok(bytes.into_inner())
    }
}

fn fault(found: &str) -> Error {
    Error::new(ErrorKind::Format, "the picture cannot be written").found(found)
}

struct Canvas<'a> {
    map: &'a mut Pixmap,
    face: &'a Face<'static>,
    scale: Transform,
}

impl Canvas<'_> {
    fn draw(&mut self, shape: &Shape) {
        match shape {
            Shape::Bar { x, y, width, height, ink } => {
                if let Some(r) = Rect::from_xywh(*x as f32, *y as f32, *width as f32, *height as f32) {
                    self.fill(&PathBuilder::from_rect(r), &paint(*ink));
                }
            }
            Shape::Line { points, width, ink } => {
                if let Some(path) = polyline(points, false) {
                    self.stroke(&path, *width, &paint(*ink));
                }
            }
            Shape::Under { points, base, ink } => {
                let ends = points.last().map(|q| [q[0], *base]).into_iter().chain(points.first().map(|q| [q[0], *base]));
                let all: Vec<[f64; 2]> = points.iter().copied().chain(ends).collect();
                if let Some(path) = polyline(&all, true) {
                    self.fill(&path, &paint(*ink));
                }
            }
            Shape::Dot { at, radius, filled, ink } => {
                if let Some(path) = PathBuilder::from_circle(at[0] as f32, at[1] as f32, *radius as f32) {
                    let (inside, edge) = if *filled { (paint(*ink), white()) } else { (white(), paint(*ink)) };
                    self.fill(&path, &inside);
                    self.stroke(&path, 1.0, &edge);
                }
            }
            Shape::Triangle { at, height, ink } => {
                let half = height * 0.55;
                if let Some(path) = polyline(&[[at[0] - half, at[1]], [at[0] + half, at[1]], [at[0], at[1] - height]], true) {
                    self.fill(&path, &white());
                    self.stroke(&path, 1.0, &paint(*ink));
                }
            }
            Shape::Text { at, anchor, size, text, ink } => self.write(*at, *anchor, *size, text, *ink),
        }
    }

    fn fill(&mut self, path: &Path, paint: &Paint<'_>) {
        self.map.fill_path(path, paint, FillRule::Winding, self.scale, None);
    }

    fn stroke(&mut self, path: &Path, width: f64, paint: &Paint<'_>) {
        let stroke = Stroke { width: width as f32, line_cap: LineCap::Round, line_join: LineJoin::Round, ..Stroke::default() };
        self.map.stroke_path(path, paint, &stroke, self.scale, None);
    }

    fn write(&mut self, at: [f64; 2], anchor: Anchor, size: f64, text: &str, ink: Ink) {
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        let shaped = rustybuzz::shape(self.face, &[], buffer);
        let per_unit = size / f64::from(self.face.units_per_em().max(1));
        let wide: i32 = shaped.glyph_positions().iter().map(|p| p.x_advance).sum();
        let start = match anchor {
            Anchor::Start => at[0],
            Anchor::Middle => at[0] - f64::from(wide) * per_unit / 2.0,
            Anchor::End => at[0] - f64::from(wide) * per_unit,
        };
        // The same drop from the middle of the line to the letters' foot as in SVG and PDF.
        let (mut x, foot) = (start, at[1] + size * 0.36);
        for (glyph, place) in shaped.glyph_infos().iter().zip(shaped.glyph_positions()) {
            let Ok(id) = u16::try_from(glyph.glyph_id) else { continue };
            let left = x + f64::from(place.x_offset) * per_unit;
            let mut outline = Outline { path: PathBuilder::new(), left, foot: foot - f64::from(place.y_offset) * per_unit, per_unit };
            if self.face.outline_glyph(rustybuzz::ttf_parser::GlyphId(id), &mut outline).is_some()
                && let Some(path) = outline.path.finish()
            {
                self.fill(&path, &paint(ink));
            }
            x += f64::from(place.x_advance) * per_unit;
        }
    }
}

fn polyline(points: &[[f64; 2]], closed: bool) -> Option<Path> {
    let mut path = PathBuilder::new();
    let (first, rest) = points.split_first()?;
    path.move_to(first[0] as f32, first[1] as f32);
    rest.iter().for_each(|p| path.line_to(p[0] as f32, p[1] as f32));
    if closed {
        path.close();
    }
    path.finish()
}

fn paint(ink: Ink) -> Paint<'static> {
    let [r, g, b] = on_paper(ink);
    solid(r, g, b)
}

fn white() -> Paint<'static> {
    solid(255, 255, 255)
}

fn solid(r: u8, g: u8, b: u8) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color_rgba8(r, g, b, 255);
    paint
}

/// A letter's outline, from the font's units with y up to points with y down.
struct Outline {
    path: PathBuilder,
    left: f64,
    foot: f64,
    per_unit: f64,
}

impl Outline {
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        ((self.left + f64::from(x) * self.per_unit) as f32, (self.foot - f64::from(y) * self.per_unit) as f32)
    }
}

impl OutlineBuilder for Outline {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.move_to(x, y);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.line_to(x, y);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let ((x1, y1), (x, y)) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(x1, y1, x, y);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let ((x1, y1), (x2, y2), (x, y)) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(x1, y1, x2, y2, x, y);
    }

    fn close(&mut self) {
        self.path.close();
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn figure() -> Figure {
        let text = |x: f64, anchor, text: &str| Shape::Text { at: [x, 30.0], anchor, size: 12.0, text: text.into(), ink: Ink::Strong };
        Figure {
            title: "a <plot>".into(),
            shapes: vec![
                Shape::Bar { x: 10.0, y: 10.0, width: 20.0, height: 5.0, ink: Ink::Strong },
                Shape::Line { points: vec![[50.0, 50.0], [90.0, 50.0]], width: 2.0, ink: Ink::Strong },
                Shape::Dot { at: [70.0, 15.0], radius: 5.0, filled: false, ink: Ink::Strong },
                text(50.0, Anchor::End, "MMM"),
                text(60.0, Anchor::Start, "MMM"),
            ],
            size: (100.0, 60.0),
        }
    }

    #[test]
    fn the_picture_has_its_shapes_where_they_belong_and_letters_on_the_side_of_their_anchor() {
        let picture = image::load_from_memory(&figure().png(2.0).unwrap()).unwrap().to_luma8();
        assert_eq!(picture.dimensions(), (200, 120));
        let dark = |x: u32, y: u32| picture.get_pixel(x, y).0[0] < 100;
        assert!(dark(30, 24) && !dark(30, 34) && !dark(66, 24), "the bar");
        assert!(dark(120, 100) && !dark(120, 108) && !dark(90, 100), "the line");
        assert!(dark(130, 30) && !dark(140, 30), "the ring");
        let ink = |from: u32, to: u32| (from..to).flat_map(|x| (50..70).map(move |y| (x, y))).filter(|(x, y)| dark(*x, *y)).count();
        assert!(ink(40, 100) > 100 && ink(120, 180) > 100 && ink(101, 119) == 0, "letters end and begin at their anchors");
    }

    #[test]
    fn the_svg_is_one_file_with_its_title_made_safe() {
        let text = figure().svg();
        assert!(text.starts_with("<?xml") && text.contains("<title>a &lt;plot&gt;</title>") && text.ends_with("</svg>\n"));
        assert_eq!(text.matches("<text").count(), 2);
    }

    #[test]
    fn sizes_that_are_none_are_refused() {
        for size in [(0.0, 10.0), (1e9, 10.0), (f64::NAN, 1.0)] {
            assert!(Figure { size, ..figure() }.png(2.0).is_err());
        }
    }
}
