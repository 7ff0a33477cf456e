//! Over an answered practice frame: where the landmarks truly are, beside where they were marked.

use egui::{Align2, Color32, FontId, Painter, Pos2, Shape, Stroke, Vec2, vec2};

use crate::practice::Answer;
use crate::units::PxPoint;
use crate::viewer::session::Session;
use crate::viewer::theme::{over_frame, size};

/// Draws them; `at` gives the place on the screen, `taken` is where the reader's own labels stand. Nothing before the case is
/// answered.
pub(super) fn draw(painter: &Painter, session: &Session, at: &dyn Fn(PxPoint) -> Pos2, mut taken: Vec<egui::Rect>) {
    let Some(shown) = session.practice_case().and_then(|c| c.shown.as_ref()) else { return };
    let (attempt, key) = &**shown;
    // A frame that was agreed not to be read has no landmarks.
    if key.signed_mm.is_none() {
        return;
    }
    let (os, edge) = (at(key.landmarks.internal_os), at(key.landmarks.edge.at()));
    let dashed = |a: Pos2, b: Pos2, ink: Color32| {
        painter.extend(Shape::dashed_line(&[a, b], Stroke::new(4.0, over_frame::HALO), 6.0, 5.0));
        painter.extend(Shape::dashed_line(&[a, b], Stroke::new(1.6, ink), 6.0, 5.0));
    };
    dashed(os, edge, over_frame::RING);
    for (place, name) in [(os, "true os"), (edge, "true edge")] {
        let square = egui::Rect::from_center_size(place, Vec2::splat(size::GLYPH * 1.6));
        painter.rect_stroke(square, 0.0, Stroke::new(4.0, over_frame::HALO), egui::StrokeKind::Middle);
        painter.rect_stroke(square, 0.0, Stroke::new(1.8, over_frame::RING), egui::StrokeKind::Middle);
        let galley = painter.layout_no_wrap(name.into(), FontId::proportional(size::SMALL), over_frame::RING);
        // Beside its square, where the reader's own labels and marks leave room.
        let (gap, drop) = (size::GLYPH + 10.0, size::GLYPH + 14.0);
        let near = [vec2(-gap, 0.0), vec2(gap, 0.0), vec2(gap, drop), vec2(-gap, drop), vec2(gap, -drop), vec2(-gap, -drop)];
        let far = [vec2(gap, 2.0 * drop), vec2(-gap, 2.0 * drop), vec2(gap, -2.0 * drop), vec2(-gap, -2.0 * drop)];
        let rooms = near.into_iter().chain(far).map(|way| {
            let align = if way.x < 0.0 { Align2::RIGHT_CENTER } else { Align2::LEFT_CENTER };
            align.anchor_size(place + way, galley.size()).expand2(vec2(4.0, 1.0))
        });
        let hidden =
            |room: &egui::Rect| -> f32 { taken.iter().map(|t| t.intersect(*room)).filter(egui::Rect::is_positive).map(|i| i.area()).sum() };
        // The first of those that hide least: nothing, where there is room.
        let room = rooms.min_by(|a, b| hidden(a).total_cmp(&hidden(b))).unwrap_or(egui::Rect::NOTHING);
        taken.push(room);
        painter.rect_filled(room, 3.0, over_frame::HALO);
        painter.galley(room.shrink2(vec2(4.0, 1.0)).min, galley, over_frame::RING);
    }
    if let Answer::Read { landmarks, .. } = &attempt.answer {
        dashed(at(landmarks.internal_os), os, over_frame::OS);
        dashed(at(landmarks.edge.at()), edge, over_frame::EDGE);
    }
}
