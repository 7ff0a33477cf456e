//! Pages of a report on the screen, drawn from the same list of things as the PDF, in the same letters.

use egui::{Color32, ColorImage, FontFamily, FontId, Pos2, Rect, Sense, TextureHandle, TextureOptions, Ui, WidgetInfo, pos2, vec2};

use super::line::draw_on;
use crate::plot::{Ink, Shape, scaled};
use crate::report::pdf::page::{Rgb, WATERMARK};
use crate::report::pdf::{Letters, Op, on_paper};
use crate::report::qr;
use crate::viewer::session::Preview;
use crate::viewer::theme::strong;

/// Between two pages, points.
const BETWEEN: f32 = 12.0;
/// From this width of the room on two pages stand side by side, points.
const ROOM_FOR_TWO: f32 = 1100.0;
/// A page is drawn no wider than this, points: beyond it, too little of it is seen at once.
const WIDEST: f32 = 900.0;
/// Behind the letters of a frame's overlay.
const DARK: Color32 = Color32::from_rgb(0x08, 0x0a, 0x0b);
/// How much broader the halo of an overlay's lines is.
const HALO: f64 = 1.8;

/// The pictures of a preview on the graphics side.
#[derive(Default)]
pub struct Pictures {
    of: u64,
    made: Vec<Option<TextureHandle>>,
}

impl Pictures {
    fn of(&mut self, ui: &Ui, answered: u64, preview: &Preview) -> &[Option<TextureHandle>] {
        if self.of != answered || self.made.len() != preview.pictures.len() {
            self.of = answered;
            let one = |(i, p): (usize, &crate::report::Picture)| {
                let r = p.raster.as_ref().ok()?;
                let size = [r.width as usize, r.height as usize];
                (r.rgba.len() == size[0] * size[1] * 4).then(|| {
                    let image = ColorImage::from_rgba_unmultiplied(size, &r.rgba);
                    ui.ctx().load_texture(format!("report picture {i}"), image, TextureOptions::LINEAR)
                })
            };
            self.made = preview.pictures.iter().enumerate().map(one).collect();
        }
        &self.made
    }
}

fn colour(c: Rgb) -> Color32 {
    Color32::from_rgb(c[0], c[1], c[2])
}

/// Draws the pages, two side by side where there is room for both.
pub fn show(ui: &mut Ui, preview: &Preview, answered: u64, pictures: &mut Pictures) {
    let (width, _) = preview.paper.size();
    let across = if ui.available_width() > ROOM_FOR_TWO && preview.pages.len() > 1 { 2 } else { 1 };
    let k = ((ui.available_width() - BETWEEN * (across - 1) as f32) / across as f32).min(WIDEST) / width as f32;
    let textures = pictures.of(ui, answered, preview).to_vec();
    let pages: Vec<_> = preview.pages.iter().enumerate().collect();
    for row in pages.chunks(across) {
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = BETWEEN;
            for (i, page) in row {
                one(ui, *i, page, k, preview, &textures);
            }
        });
        ui.add_space(BETWEEN);
    }
}

fn one(ui: &mut Ui, i: usize, page: &[Op], k: f32, preview: &Preview, textures: &[Option<TextureHandle>]) {
    let (width, height) = preview.paper.size();
    let of = preview.pages.len();
    let (rect, response) = ui.allocate_exact_size(vec2(width as f32, height as f32) * k, Sense::hover());
    let name = format!("page {} of {of} as it prints; its words are shown with V", i + 1);
    response.widget_info(|| WidgetInfo::labeled(egui::Role::Image, true, name.clone()));
    if ui.is_rect_visible(rect) {
        ui.painter().rect_filled(rect, 0.0, Color32::WHITE);
        if let Some(text) = &preview.watermark {
            watermark(ui, rect, text, k * width as f32);
        }
        // On a light ground, where the page ends.
        ui.painter().rect_stroke(rect, 0.0, ui.visuals().widgets.inactive.bg_stroke, egui::StrokeKind::Outside);
        for op in page {
            draw(ui, rect.min, k, op, preview, textures);
        }
    }
}

/// Across the page, from its lower left to its upper right.
fn watermark(ui: &Ui, rect: Rect, text: &str, wide: f32) {
    let ink = colour(WATERMARK);
    let at_one = Letters::new().map_or(8.0, |l| l.width(text, 1.0, true));
    let size = 0.72 * wide / at_one.max(0.1) as f32;
    let galley = ui.painter().layout_no_wrap(text.to_owned(), FontId::new(size, strong()), ink);
    let angle = -52.0_f32.to_radians();
    let half = galley.size() / 2.0;
    let turned = egui::emath::Rot2::from_angle(angle) * half;
    let mut shape = egui::epaint::TextShape::new(rect.center() - turned, galley, ink);
    shape.angle = angle;
    ui.painter().with_clip_rect(rect.intersect(ui.clip_rect())).add(shape);
}

fn draw(ui: &Ui, origin: Pos2, k: f32, op: &Op, preview: &Preview, textures: &[Option<TextureHandle>]) {
    let place = |x: f64, y: f64| pos2(origin.x + x as f32 * k, origin.y + y as f32 * k);
    let area = |at: &[f64; 4]| Rect::from_min_size(place(at[0], at[1]), vec2(at[2] as f32, at[3] as f32) * k);
    match op {
        Op::Text { x, y, size, strong: heavy, ink, text } => {
            let family = if *heavy { strong() } else { FontFamily::Proportional };
            let galley = ui.painter().layout_no_wrap(text.clone(), FontId::new(*size as f32 * k, family), colour(*ink));
            // What is given is the place of the baseline.
            let first = galley.rows.first().and_then(|r| r.glyphs.first().map(|g| r.pos.y + g.pos.y));
            let at = place(*x, *y) - vec2(0.0, first.unwrap_or(0.0));
            ui.painter().galley(at, galley, colour(*ink));
        }
        Op::Box { at, fill, edge } => {
            if let Some(fill) = fill {
                ui.painter().rect_filled(area(at), 0.0, colour(*fill));
            }
            if let Some((ink, width)) = edge {
                ui.painter().rect_stroke(area(at), 0.0, (*width as f32 * k, colour(*ink)), egui::StrokeKind::Middle);
            }
        }
        Op::Plot { at, shapes } => {
            draw_on(ui, area(at), &scaled(shapes, f64::from(k)), Color32::WHITE, &|ink| colour(on_paper(ink)));
        }
        Op::Frame { at, picture, overlay } => {
            let rect = area(at);
            ui.painter().rect_filled(rect, 0.0, DARK);
            if let Some(Some(texture)) = textures.get(*picture) {
                ui.painter().image(texture.id(), rect, Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0)), Color32::WHITE);
            }
            draw_on(ui, rect, &scaled(&halo(overlay), f64::from(k)), DARK, &|_| DARK);
            draw_on(ui, rect, &scaled(overlay, f64::from(k)), DARK, &|_: Ink| Color32::WHITE);
        }
        Op::Code { at } => {
            for [x, y, w, h] in qr::bars(&preview.code, at[2]) {
                ui.painter().rect_filled(area(&[at[0] + x, at[1] + y, w, h]), 0.0, Color32::BLACK);
            }
        }
    }
}

/// The lines of an overlay, broader; letters have a box behind them.
fn halo(overlay: &[Shape]) -> Vec<Shape> {
    overlay
        .iter()
        .filter_map(|shape| match shape {
            Shape::Line { points, width, ink } => Some(Shape::Line { points: points.clone(), width: width + HALO, ink: *ink }),
            Shape::Text { at, size, text, ink, .. } => {
                let wide = size * 0.6 * text.chars().count() as f64 + 3.0;
                Some(Shape::Bar { x: at[0] - wide / 2.0, y: at[1] - size * 0.56, width: wide, height: size * 1.12, ink: *ink })
            }
            _ => None,
        })
        .collect()
}
