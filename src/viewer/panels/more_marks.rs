//! Over the frame: the lines of the further landmarks, the os as a patch, and an offer of the edge assist.

use egui::{Color32, Painter, Pos2, Shape, Stroke};

use crate::units::{MmVec, PxPoint};
use crate::viewer::action::Mark;
use crate::viewer::glyphs;
use crate::viewer::session::Session;
use crate::viewer::theme::{over_frame, size};

/// Draws them; `at` gives the place on the screen.
pub(super) fn draw(painter: &Painter, session: &Session, at: &dyn Fn(PxPoint) -> Pos2) {
    let work = session.work();
    let more = &work.notes.more;
    let line = |points: Vec<PxPoint>, mark: Mark, dashed: bool| {
        let path: Vec<Pos2> = points.into_iter().map(at).collect();
        for (width, ink) in [(size::STROKE + 2.0, over_frame::HALO), (1.4, glyphs::colour(mark))] {
            if dashed {
                painter.extend(Shape::dashed_line(&path, Stroke::new(width, ink), 5.0, 5.0));
            } else {
                painter.add(Shape::line(path.clone(), Stroke::new(width, ink)));
            }
        }
    };
    if let Some((external, os)) = more.external_os.zip(work.os) {
        line(vec![external, os], Mark::ExternalOs, false);
        if !more.canal.is_empty() {
            line(std::iter::once(external).chain(more.canal.iter().copied()).chain([os]).collect(), Mark::Canal(0), true);
        }
    }
    if let (Some(os), Some(edge), false) = (work.os, work.edge, more.wall.is_empty()) {
        line(std::iter::once(os).chain(more.wall.iter().copied()).chain([edge.at()]).collect(), Mark::Wall(0), true);
    }
    for (plate, mark) in [(more.basal_plate, Mark::BasalPlate), (more.chorionic_plate, Mark::ChorionicPlate)] {
        if let Some((meet, plate)) = more.plates_meet.zip(plate) {
            line(vec![meet, plate], mark, true);
        }
    }
    if let Some((basal, chorionic)) = more.basal_plate.zip(more.chorionic_plate) {
        line(vec![basal, chorionic], Mark::PlatesMeet, false);
    }
    if let Some((vessel, os)) = more.vessel.zip(work.os) {
        line(vec![vessel, os], Mark::Vessel, true);
    }
    if let Some((a, b)) = more.os_end.zip(more.os_other_end) {
        patch(painter, session, at, a, b);
    }
    if let Some(offer) = session.offer() {
        draw_offer(painter, session, at, offer.placed, offer.offer.at, offer.offer.sd_mm.get());
    }
}

/// A round of so many mm in true millimetres.
fn round(session: &Session, at: &dyn Fn(PxPoint) -> Pos2, centre: PxPoint, radius_mm: f64) -> Vec<Pos2> {
    let Some(scale) = session.scale_at(centre) else { return Vec::new() };
    (0..=48)
        .map(|i| {
            let (sin, cos) = (f64::from(i) / 48.0 * std::f64::consts::TAU).sin_cos();
            at(centre + scale.step_back(MmVec::new(radius_mm * cos, radius_mm * sin)))
        })
        .collect()
}

fn patch(painter: &Painter, session: &Session, at: &dyn Fn(PxPoint) -> Pos2, a: PxPoint, b: PxPoint) {
    let middle = PxPoint::new(0.5 * (a.x + b.x), 0.5 * (a.y + b.y));
    let Some(scale) = session.scale_at(middle) else { return };
    let path = round(session, at, middle, scale.distance(a, b).get() / 2.0);
    painter.add(Shape::line(path.clone(), Stroke::new(4.0, over_frame::HALO)));
    painter.add(Shape::line(path, Stroke::new(1.6, over_frame::OS_END)));
}

/// The offered place with its SD as a round, and the way to it from the reader's own.
fn draw_offer(painter: &Painter, session: &Session, at: &dyn Fn(PxPoint) -> Pos2, placed: PxPoint, offered: PxPoint, sd_mm: f64) {
    let path = [at(placed), at(offered)];
    painter.extend(Shape::dashed_line(&path, Stroke::new(4.0, over_frame::HALO), 3.0, 3.0));
    painter.extend(Shape::dashed_line(&path, Stroke::new(1.6, over_frame::OFFER), 3.0, 3.0));
    let round = round(session, at, offered, sd_mm);
    painter.add(Shape::line(round.clone(), Stroke::new(4.0, over_frame::HALO)));
    painter.add(Shape::line(round, Stroke::new(1.6, over_frame::OFFER)));
    let cross = |c: Color32, w: f32| {
        for d in [egui::vec2(5.0, 5.0), egui::vec2(5.0, -5.0)] {
            painter.line_segment([path[1] - d, path[1] + d], Stroke::new(w, c));
        }
    };
    cross(over_frame::HALO, 4.0);
    cross(over_frame::OFFER, 1.6);
}
