//! The distance line on the screen.

use egui::{Align2, Color32, FontId, Pos2, Rect, Role, Sense, Shape as Drawn, Stroke, Ui, WidgetInfo, pos2, vec2};

use crate::exam::ExamDistance;
use crate::plot::distance_line::{DistanceLine, ExamMark, Mark, Reading, Room, bands};
use crate::plot::{Anchor, Ink, Shape};
use crate::reading::Distance;
use crate::viewer::session::{Outcome, Session};
use crate::viewer::theme::{Theme, size};

/// What the line shows of a session.
#[must_use]
pub fn contents(session: &Session) -> DistanceLine {
    let reading = match session.outcome() {
        Outcome::Read(r) => match &r.distance {
            Distance::Measured(m) => {
                let m = &m.measurement;
                Some(Reading { value: m.value, u_mm: m.u_mm, interval: m.interval })
            }
            Distance::NoScale { .. } => None,
        },
        _ => None,
    };
    DistanceLine {
        bands: session.table().map(bands).unwrap_or_default(),
        reading,
        marks: marks(session),
        exam: session.exam_now().filter(|e| e.frames.len() > 1).and_then(|e| match &e.values.summary.exam_distance {
            ExamDistance::Estimate { signed_mm, interval, .. } => Some(ExamMark { signed_mm: *signed_mm, interval: *interval }),
            _ => None,
        }),
    }
}

/// Other frames of the exam, numbered as in the case sheet, and earlier exams.
fn marks(session: &Session) -> Vec<Mark> {
    let of_exam = session.exam_now().into_iter().flat_map(|exam| {
        exam.frames.iter().enumerate().filter(|(_, f)| !f.current).map(|(i, f)| Mark {
            value: *f.value(),
            earlier: false,
            label: (i + 1).to_string(),
            left_out: exam.left_out(i),
        })
    });
    let earlier = session.others().iter().filter(|o| o.earlier);
    of_exam.chain(earlier.map(|o| Mark { value: o.value, earlier: true, label: o.label.clone(), left_out: false })).collect()
}

/// Draws the line in the room that is left.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme) {
    let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());
    let plot = contents(session);
    let room = Room { width: f64::from(rect.width()), height: f64::from(rect.height()), letters: f64::from(size::SMALL) };
    draw(ui, rect, &plot.shapes(room), theme);
    let spoken = match session.outcome() {
        Outcome::Read(r) if plot.reading.is_some() => format!("Distance line: {}; {}", r.headline, r.detail),
        _ => "Distance line: no reading yet".to_owned(),
    };
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken.clone()));
}

/// Draws the shapes of a plot at `rect`.
pub fn draw(ui: &Ui, rect: Rect, shapes: &[Shape], theme: &Theme) {
    draw_on(ui, rect, shapes, theme.panel, &|ink| theme.ink(ink));
}

/// As [`draw`], on any ground and with any colours.
pub fn draw_on(ui: &Ui, rect: Rect, shapes: &[Shape], ground: Color32, ink_of: &dyn Fn(Ink) -> Color32) {
    let painter = ui.painter().with_clip_rect(rect.expand(2.0));
    let place = |p: &[f64; 2]| -> Pos2 { rect.min + vec2(p[0] as f32, p[1] as f32) };
    for shape in shapes {
        match shape {
            Shape::Bar { x, y, width, height, ink } => {
                let min = place(&[*x, *y]);
                painter.rect_filled(Rect::from_min_size(min, vec2(*width as f32, *height as f32)), 0.0, ink_of(*ink));
            }
            Shape::Line { points, width, ink } => {
                painter.line(points.iter().map(place).collect(), Stroke::new(*width as f32, ink_of(*ink)));
            }
            Shape::Under { points, base, ink } => {
                let mut mesh = egui::Mesh::default();
                for (i, p) in points.iter().enumerate() {
                    mesh.colored_vertex(place(p), ink_of(*ink));
                    mesh.colored_vertex(place(&[p[0], *base]), ink_of(*ink));
                    if let Ok(n) = u32::try_from(2 * i)
                        && n >= 2
                    {
                        mesh.add_triangle(n - 2, n - 1, n);
                        mesh.add_triangle(n - 1, n, n + 1);
                    }
                }
                painter.add(Drawn::mesh(mesh));
            }
            Shape::Dot { at, radius, filled, ink } => {
                let (at, r) = (place(at), *radius as f32);
                painter.circle_filled(at, r + 2.0, ground);
                if *filled {
                    painter.circle_filled(at, r, ink_of(*ink));
                } else {
                    painter.circle_stroke(at, r, Stroke::new(1.5, ink_of(*ink)));
                }
            }
            Shape::Triangle { at, height, ink } => {
                let (at, h) = (place(at), *height as f32);
                let corners = vec![at + vec2(-h * 0.55, 0.0), at + vec2(h * 0.55, 0.0), pos2(at.x, at.y - h)];
                painter.add(Drawn::convex_polygon(corners, ground, Stroke::new(1.5, ink_of(*ink))));
            }
            Shape::Text { at, anchor, size, text, ink } => {
                let align = match anchor {
                    Anchor::Start => Align2::LEFT_CENTER,
                    Anchor::Middle => Align2::CENTER_CENTER,
                    Anchor::End => Align2::RIGHT_CENTER,
                };
                painter.text(place(at), align, text, FontId::proportional(*size as f32), ink_of(*ink));
            }
        }
    }
}
