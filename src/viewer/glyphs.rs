//! Landmarks as drawn forms. Each has a form of its own, so that no one has to tell them by colour, and each is drawn
//! with a dark halo, so that it shows on any grey.

use egui::{Color32, Painter, Pos2, Shape, Stroke, Vec2, pos2, vec2};

use super::action::Mark;
use super::theme::{over_frame, size};

/// The colour of a mark.
#[must_use]
pub const fn colour(mark: Mark) -> Color32 {
    match mark {
        Mark::InternalOs => over_frame::OS,
        Mark::PlacentalEdge => over_frame::EDGE,
        Mark::PlacentalBody => over_frame::BODY,
        Mark::LastPlacenta => over_frame::LAST_PLACENTA,
        Mark::EndOfWall => over_frame::END_OF_WALL,
        Mark::MarginalSinus => over_frame::SINUS,
        Mark::ExternalOs => over_frame::EXTERNAL_OS,
        Mark::Canal(_) => over_frame::CANAL,
        Mark::PlatesMeet => over_frame::PLATES_MEET,
        Mark::BasalPlate => over_frame::BASAL,
        Mark::ChorionicPlate => over_frame::CHORIONIC,
        Mark::Vessel => over_frame::VESSEL,
        Mark::Wall(_) => over_frame::WALL,
        Mark::OsEnd => over_frame::OS_END,
        Mark::OsOtherEnd => over_frame::OS_OTHER_END,
    }
}

/// A mark at `at`; `to_os` is the direction from it to the os on the screen, where there is one.
pub fn draw(painter: &Painter, mark: Mark, at: Pos2, to_os: Option<Vec2>, chosen: bool) {
    let ink = colour(mark);
    let forms = forms(mark, at, unit(to_os), size::GLYPH);
    for form in &forms {
        stroke(painter, form, size::STROKE + 3.0, over_frame::HALO);
    }
    for form in &forms {
        stroke(painter, form, size::STROKE, ink);
    }
    if chosen {
        let r = size::GLYPH + 8.0;
        for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
            let corner = at + vec2(sx * r, sy * r);
            let path = vec![corner - vec2(sx * 6.0, 0.0), corner, corner - vec2(0.0, sy * 6.0)];
            line(painter, path.clone(), size::STROKE + 3.0, over_frame::HALO);
            line(painter, path, size::STROKE, over_frame::WORDS);
        }
    }
}

/// A mark of another reading: smaller and thinner than one that can be taken hold of.
pub fn draw_small(painter: &Painter, mark: Mark, at: Pos2, to_os: Option<Vec2>) {
    let forms = forms(mark, at, unit(to_os), size::GLYPH * 0.6);
    for (width, ink) in [(3.0, over_frame::HALO), (1.2, colour(mark))] {
        forms.iter().for_each(|form| stroke(painter, form, width, ink));
    }
}

fn unit(v: Option<Vec2>) -> Vec2 {
    v.filter(|v| v.length() > 0.5).map_or(vec2(1.0, 0.0), |v| v.normalized())
}

/// A line of a form: closed or open.
enum Form {
    Open(Vec<Pos2>),
    Closed(Vec<Pos2>),
    Ring(Pos2, f32),
    Dot(Pos2),
}

fn stroke(painter: &Painter, form: &Form, width: f32, ink: Color32) {
    match form {
        Form::Open(points) => line(painter, points.clone(), width, ink),
        Form::Closed(points) => {
            painter.add(Shape::closed_line(points.clone(), Stroke::new(width, ink)));
        }
        Form::Ring(at, r) => {
            painter.circle_stroke(*at, *r, Stroke::new(width, ink));
        }
        Form::Dot(at) => {
            painter.circle_filled(*at, width * 0.75, ink);
        }
    }
}

fn line(painter: &Painter, points: Vec<Pos2>, width: f32, ink: Color32) {
    painter.add(Shape::line(points, Stroke::new(width, ink)));
}

/// The form of a mark of radius `r`. `os` points towards the internal os, unit length.
fn forms(mark: Mark, at: Pos2, os: Vec2, r: f32) -> Vec<Form> {
    let side = vec2(-os.y, os.x);
    let to = |along: f32, across: f32| at + os * along * r + side * across * r;
    match mark {
        // A ring, with the exact place in it.
        Mark::InternalOs => vec![Form::Ring(at, r), Form::Dot(at)],
        // A chevron whose tip is the edge and whose arms open towards the os.
        Mark::PlacentalEdge => vec![Form::Open(vec![to(1.2, 1.1), at, to(1.2, -1.1)])],
        Mark::PlacentalBody => {
            vec![Form::Closed([(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)].map(|(x, y)| at + vec2(x, y) * r).to_vec()), Form::Dot(at)]
        }
        // A bar across the way, and an arrow head beyond it: it goes on from here.
        Mark::LastPlacenta => {
            vec![Form::Open(vec![to(0.0, 1.2), to(0.0, -1.2)]), Form::Open(vec![to(-0.5, 0.8), to(-1.4, 0.0), to(-0.5, -0.8)])]
        }
        // A bracket with its feet towards the os: seen up to here.
        Mark::EndOfWall => vec![Form::Open(vec![to(0.7, 1.2), to(0.0, 1.2), to(0.0, -1.2), to(0.7, -1.2)]), Form::Dot(at)],
        Mark::MarginalSinus => {
            vec![Form::Ring(pos2(at.x - r * 0.55, at.y), r * 0.5), Form::Ring(pos2(at.x + r * 0.55, at.y), r * 0.5)]
        }
        // A square ring: the other opening of the canal.
        Mark::ExternalOs => vec![Form::Closed([(-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)].map(|(x, y)| to(x, y)).to_vec())],
        Mark::Canal(_) => vec![Form::Ring(at, r * 0.35)],
        Mark::Wall(_) => vec![Form::Open(vec![to(0.0, 0.5), to(0.0, -0.5)]), Form::Open(vec![to(0.5, 0.0), to(-0.5, 0.0)])],
        // Two plates that meet.
        Mark::PlatesMeet => {
            vec![Form::Open(vec![to(-1.2, 0.7), at, to(-1.2, -0.7)]), Form::Open(vec![to(0.3, 0.7), to(0.3, -0.7)]), Form::Dot(at)]
        }
        Mark::BasalPlate => vec![Form::Open(vec![to(0.9, 0.0), to(-0.9, 0.0)]), Form::Dot(at)],
        Mark::ChorionicPlate => {
            vec![Form::Open(vec![to(0.9, 0.25), to(-0.9, 0.25)]), Form::Open(vec![to(0.9, -0.25), to(-0.9, -0.25)]), Form::Dot(at)]
        }
        // A vessel cut across, with flow in it.
        Mark::Vessel => vec![Form::Ring(at, r * 0.8), Form::Open(vec![to(0.4, 0.4), to(-0.4, -0.4)])],
        // A lip that turns away; the other one has a second line.
        Mark::OsEnd => vec![Form::Open(vec![to(0.5, 1.0), at, to(0.0, -1.0)]), Form::Dot(at)],
        Mark::OsOtherEnd => vec![Form::Open(vec![to(0.5, 1.0), at, to(0.0, -1.0)]), Form::Open(vec![to(-0.4, 0.5), to(-0.4, -0.8)])],
    }
}

/// The cross that places a landmark from the keyboard, open in the middle so that it hides nothing.
pub fn draw_cross(painter: &Painter, at: Pos2) {
    for d in [vec2(1.0, 0.0), vec2(-1.0, 0.0), vec2(0.0, 1.0), vec2(0.0, -1.0)] {
        let path = vec![at + d * 4.0, at + d * 24.0];
        line(painter, path.clone(), 4.0, over_frame::HALO);
        line(painter, path, 1.5, over_frame::CROSS);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn marks_differ_in_form_and_in_colour() {
        let shape = |m| {
            let f = forms(m, pos2(0.0, 0.0), vec2(1.0, 0.0), size::GLYPH);
            f.iter()
                .map(|f| match f {
                    Form::Open(p) => format!("open {}", p.len()),
                    Form::Closed(p) => format!("closed {}", p.len()),
                    Form::Ring(at, r) => format!("ring {at:?} {r}"),
                    Form::Dot(_) => "dot".into(),
                })
                .collect::<Vec<_>>()
        };
        let all = || Mark::ALL.into_iter().chain(Mark::MORE);
        for (i, a) in all().enumerate() {
            for b in all().skip(i + 1) {
                assert_ne!(shape(a), shape(b), "{a:?} {b:?}");
                assert_ne!(colour(a), colour(b), "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn the_tip_of_the_chevron_is_the_edge_and_it_opens_towards_the_os() {
        let at = pos2(100.0, 50.0);
        let os = vec2(0.6, 0.8);
        let Some(Form::Open(p)) = forms(Mark::PlacentalEdge, at, os, size::GLYPH).into_iter().next() else { unreachable!() };
        assert_eq!(p[1], at);
        assert!((p[0] - at).dot(os) > 0.0 && (p[2] - at).dot(os) > 0.0);
    }
}
