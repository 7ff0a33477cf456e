//! Writes pages as a PDF (PDF/A-2b, letters embedded). The same pages make the same bytes.

use std::collections::HashMap;

use krilla::color::rgb;
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::{Path, PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, LineCap, LineJoin, Stroke};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};
use krilla::{Document, SerializeSettings};

use super::letters::{Letters, runs};
use super::page::{Op, Paper, QUIET, Rgb, TEXT, WATERMARK};
use crate::error::{Error, ErrorKind, Result};
use crate::plot::{Anchor, Ink, Shape, Tone, fonts};
use crate::report::qr;
use crate::report::{Picture, Raster};

/// What a PDF is made of.
pub struct Content<'a> {
    /// The pages.
    pub pages: &'a [Vec<Op>],
    /// The paper.
    pub paper: Paper,
    /// Written across every page.
    pub watermark: Option<&'a str>,
    /// The frames that [`Op::Frame`] names.
    pub pictures: &'a [Picture],
    /// What [`Op::Code`] holds.
    pub code: &'a str,
    /// Its title.
    pub title: &'a str,
    /// Its language, such as "en".
    pub language: &'a str,
    /// Whether that is read from right to left.
    pub right_to_left: bool,
    /// When it was made, RFC 3339.
    pub made_at: &'a str,
    /// What makes it different from others.
    pub id: &'a str,
}

/// The colour of an ink on paper. Bars are told by words and gaps too.
#[must_use]
pub const fn on_paper(ink: Ink) -> Rgb {
    match ink {
        Ink::Strong => TEXT,
        Ink::Quiet => QUIET,
        Ink::Shade => [0xd5, 0xdd, 0xe2],
        Ink::Band(Tone::Covering) => [0xb4, 0x53, 0x26],
        Ink::Band(Tone::Reaching) => [0x7a, 0x44, 0x2a],
        Ink::Band(Tone::Near) => [0xd9, 0xb0, 0x4a],
        Ink::Band(Tone::Far) => [0x3b, 0x77, 0x99],
        Ink::Band(Tone::Plain) => [0x8a, 0x93, 0x98],
        Ink::BandName(_) => TEXT,
    }
}

/// Writes a PDF.
///
/// # Errors
/// [`ErrorKind::Format`] when the pages cannot be written, which only a fault of this program makes.
pub fn write(content: &Content<'_>, letters: &Letters) -> Result<Vec<u8>> {
    let settings = SerializeSettings {
        configuration: ConfigurationBuilder::new().with_archival_validator(Archival::A2_B).finish().map_err(|e| fault(format!("{e:?}")))?,
        ..SerializeSettings::default()
    };
    let mut document = Document::new_with(settings);
    let font = |data: &'static [u8]| Font::new(data.to_vec().into(), 0).ok_or_else(|| fault("letters"));
    let faces = Faces { regular: font(fonts::REGULAR)?, strong: font(fonts::STRONG)?, letters, right_to_left: content.right_to_left };
    let images: HashMap<usize, Image> = content
        .pictures
        .iter()
        .enumerate()
        .filter_map(|(i, p)| p.raster.as_ref().ok().and_then(|r| image(r).map(|image| (i, image))))
        .collect();
    let (width, height) = content.paper.size();
    for page in content.pages {
        let settings = PageSettings::from_wh(width as f32, height as f32).ok_or_else(|| fault("paper"))?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        if let Some(text) = content.watermark {
            watermark(&mut surface, &faces, text, (width, height));
        }
        for op in page {
            draw(&mut surface, &faces, op, &images, content.code);
        }
        surface.finish();
        sheet.finish();
    }
    let mut metadata = Metadata::new()
        .title(content.title.to_owned())
        .language(content.language.to_owned())
        .creator(format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")))
        .document_id(content.id.to_owned());
    metadata = match date(content.made_at) {
        Some(d) => metadata.creation_date(d),
        None => metadata,
    };
    document.set_metadata(metadata);
    document.finish().map_err(|e| fault(format!("{e:?}")))
}

fn fault(found: impl Into<String>) -> Error {
    Error::new(ErrorKind::Format, "the PDF cannot be written").found(found)
}

fn date(rfc3339: &str) -> Option<DateTime> {
    let at: jiff::Timestamp = rfc3339.parse().ok()?;
    let z = at.to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let part = |v: i8| u8::try_from(v).ok();
    Some(
        DateTime::new(u16::try_from(z.year()).ok()?)
            .month(part(z.month())?)
            .day(part(z.day())?)
            .hour(part(z.hour())?)
            .minute(part(z.minute())?)
            .second(part(z.second())?)
            .utc_offset_hour(0)
            .utc_offset_minute(0),
    )
}

fn image(raster: &Raster) -> Option<Image> {
    let whole = u64::from(raster.width) * u64::from(raster.height) * 4 == raster.rgba.len() as u64;
    (whole && raster.width > 0 && raster.height > 0).then(|| Image::from_rgba8(raster.rgba.clone(), raster.width, raster.height))
}

struct Faces<'a> {
    regular: Font,
    strong: Font,
    letters: &'a Letters,
    right_to_left: bool,
}

fn fill(c: Rgb) -> Fill {
    Fill { paint: rgb::Color::new(c[0], c[1], c[2]).into(), opacity: NormalizedF32::ONE, rule: Default::default() }
}

fn stroke(c: Rgb, width: f64) -> Stroke {
    Stroke {
        paint: rgb::Color::new(c[0], c[1], c[2]).into(),
        width: width as f32,
        miter_limit: 4.0,
        line_cap: LineCap::Round,
        line_join: LineJoin::Round,
        opacity: NormalizedF32::ONE,
        dash: None,
    }
}

/// Paints a path: filled, or drawn as a line.
fn paint(surface: &mut Surface<'_>, path: Option<Path>, inside: Option<Rgb>, edge: Option<(Rgb, f64)>) {
    let Some(path) = path else { return };
    surface.set_fill(inside.map(fill));
    surface.set_stroke(edge.map(|(c, w)| stroke(c, w)));
    surface.draw_path(&path);
    surface.set_stroke(None);
}

/// Draws a line of text, each part of it in its own direction.
fn words(surface: &mut Surface<'_>, faces: &Faces<'_>, strong: bool, at: (f64, f64), size: f64, ink: Rgb, text: &str) {
    surface.set_stroke(None);
    surface.set_fill(Some(fill(ink)));
    let font = if strong { &faces.strong } else { &faces.regular };
    let mut x = at.0;
    for (part, from_the_right) in runs(text, faces.right_to_left) {
        let direction = if from_the_right { TextDirection::RightToLeft } else { TextDirection::LeftToRight };
        surface.draw_text(Point::from_xy(x as f32, at.1 as f32), font.clone(), size as f32, &part, false, direction);
        x += faces.letters.width(&part, size, strong);
    }
}

fn watermark(surface: &mut Surface<'_>, faces: &Faces<'_>, text: &str, (width, height): (f64, f64)) {
    let size = 0.72 * width / faces.letters.width(text, 1.0, true).max(0.1);
    surface.push_transform(&Transform::from_rotate_at(-52.0, (width / 2.0) as f32, (height / 2.0) as f32));
    let long = faces.letters.width(text, size, true);
    words(surface, faces, true, (width / 2.0 - long / 2.0, height / 2.0 + size * 0.36), size, WATERMARK, text);
    surface.pop();
}

fn rectangle([x, y, w, h]: [f64; 4]) -> Option<Path> {
    let mut b = PathBuilder::new();
    b.push_rect(Rect::from_xywh(x as f32, y as f32, w as f32, h as f32)?);
    b.finish()
}

fn polyline(points: impl IntoIterator<Item = [f64; 2]>, close: bool) -> Option<Path> {
    let mut b = PathBuilder::new();
    for (i, [x, y]) in points.into_iter().enumerate() {
        if i == 0 {
            b.move_to(x as f32, y as f32);
        } else {
            b.line_to(x as f32, y as f32);
        }
    }
    if close {
        b.close();
    }
    b.finish()
}

/// A circle as four curves; 0.5523 is the usual factor.
fn circle([x, y]: [f64; 2], r: f64) -> Option<Path> {
    let k = 0.552_284_75 * r;
    let mut b = PathBuilder::new();
    b.move_to((x + r) as f32, y as f32);
    for [x1, y1, x2, y2, x3, y3] in [
        [x + r, y + k, x + k, y + r, x, y + r],
        [x - k, y + r, x - r, y + k, x - r, y],
        [x - r, y - k, x - k, y - r, x, y - r],
        [x + k, y - r, x + r, y - k, x + r, y],
    ] {
        b.cubic_to(x1 as f32, y1 as f32, x2 as f32, y2 as f32, x3 as f32, y3 as f32);
    }
    b.close();
    b.finish()
}

fn draw(surface: &mut Surface<'_>, faces: &Faces<'_>, op: &Op, images: &HashMap<usize, Image>, code: &str) {
    match op {
        Op::Text { x, y, size, strong, ink, text } => {
            words(surface, faces, *strong, (*x, *y), *size, *ink, text);
        }
        Op::Box { at, fill, edge } => paint(surface, rectangle(*at), *fill, *edge),
        Op::Plot { at, shapes } => {
            surface.push_transform(&Transform::from_translate(at[0] as f32, at[1] as f32));
            for shape in shapes {
                plot(surface, faces, shape, &on_paper, 0.0, [0xff, 0xff, 0xff]);
            }
            surface.pop();
        }
        Op::Frame { at, picture, overlay } => {
            paint(surface, rectangle(*at), Some([0x08, 0x0a, 0x0b]), None);
            surface.push_transform(&Transform::from_translate(at[0] as f32, at[1] as f32));
            if let (Some(image), Some(size)) = (images.get(picture), Size::from_wh(at[2] as f32, at[3] as f32)) {
                surface.draw_image(image.clone(), size);
            }
            // A dark halo first, so that lines show on any grey.
            let (dark, bright) = (|_| [0x08, 0x0a, 0x0b], |_| [0xff, 0xff, 0xff]);
            for shape in overlay {
                plot(surface, faces, shape, &dark, 1.8, [0x08, 0x0a, 0x0b]);
            }
            for shape in overlay {
                plot(surface, faces, shape, &bright, 0.0, [0x08, 0x0a, 0x0b]);
            }
            surface.pop();
        }
        Op::Code { at } => {
            for [x, y, w, h] in qr::bars(code, at[2]) {
                paint(surface, rectangle([at[0] + x, at[1] + y, w, h]), Some([0, 0, 0]), None);
            }
        }
    }
}

/// Draws one shape; `broader` widens every line, for a halo; `ground` is what rings are filled with.
fn plot(surface: &mut Surface<'_>, faces: &Faces<'_>, shape: &Shape, ink_of: &dyn Fn(Ink) -> Rgb, broader: f64, ground: Rgb) {
    match shape {
        Shape::Bar { x, y, width, height, ink } => paint(surface, rectangle([*x, *y, *width, *height]), Some(ink_of(*ink)), None),
        Shape::Line { points, width, ink } => {
            paint(surface, polyline(points.iter().copied(), false), None, Some((ink_of(*ink), width + broader)));
        }
        Shape::Under { points, base, ink } => {
            let ends = points.last().map(|p| [p[0], *base]).into_iter().chain(points.first().map(|p| [p[0], *base]));
            paint(surface, polyline(points.iter().copied().chain(ends), true), Some(ink_of(*ink)), None);
        }
        Shape::Dot { at, radius, filled, ink } => {
            let ink = ink_of(*ink);
            let (inside, edge) = if *filled { (ink, (ground, 1.0)) } else { (ground, (ink, 1.1)) };
            paint(surface, circle(*at, *radius), Some(inside), Some(edge));
        }
        Shape::Triangle { at, height, ink } => {
            let half = height * 0.55;
            let corners = [[at[0] - half, at[1]], [at[0] + half, at[1]], [at[0], at[1] - height]];
            paint(surface, polyline(corners, true), Some(ground), Some((ink_of(*ink), 1.1)));
        }
        Shape::Text { at, anchor, size, text, ink } => {
            let text = faces.letters.printable(text);
            let long = faces.letters.width(&text, *size, false);
            let x = match anchor {
                Anchor::Start => at[0],
                Anchor::Middle => at[0] - long / 2.0,
                Anchor::End => at[0] - long,
            };
            let y = at[1] + size * 0.36;
            if broader > 0.0 {
                // The halo of a letter is a box behind it: its text must not stand twice in the text layer.
                let at = [x - 1.5, at[1] - size * 0.56, long + 3.0, size * 1.12];
                paint(surface, rectangle(at), Some(ground), None);
            } else {
                words(surface, faces, false, (x, y), *size, ink_of(*ink), &text);
            }
        }
    }
}
