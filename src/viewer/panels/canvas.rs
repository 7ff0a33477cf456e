//! The frame with its landmarks, the ring of the decisive radius, the scale bar and the magnified inset.

use egui::{
    Align2, Color32, Event, EventFilter, FontId, Id, Mesh, MouseWheelUnit, Painter, PointerButton, Pos2, Rect, Role, Sense, Shape, Stroke,
    TextureHandle, Ui, Vec2, WidgetInfo, pos2, vec2,
};

use super::picture::Picture;
use crate::calibrate::Calibration;
use crate::frame::Frame;
use crate::guideline::capital;
use crate::measure::EdgeMark;
use crate::plot::{Shape as Drawn, ruler};
use crate::units::{MmVec, PxPoint, PxVec};
use crate::viewer::action::{Action, Mark};
use crate::viewer::glyphs;
use crate::viewer::screen_map::{Canvas, ScreenMap};
use crate::viewer::session::{FrameWork, ScaleAction, Session, SourceFile};
use crate::viewer::theme::{Theme, over_frame, size};

/// The least width of a picture that hints stand over, points.
const ROOM_FOR_HINTS: f32 = 560.0;
/// One line of the wheel, points: as the library scrolls.
const POINTS_A_LINE: f32 = 40.0;

/// Everything that drawing one frame needs.
struct Scene<'a> {
    session: &'a Session,
    work: FrameWork,
    map: ScreenMap,
    rect: Rect,
    painter: Painter,
    frame_size: Vec2,
    texture: TextureHandle,
}

/// Draws the canvas in the room that is left; returns what the reader did on it.
pub fn show(ui: &mut Ui, session: &Session, theme: &Theme, picture: &mut Picture) -> Vec<Action> {
    let rect = ui.available_rect_before_wrap();
    ui.painter().rect_filled(rect, 2.0, over_frame::CANVAS);
    let (Some(key), Some(frame), Some(file)) = (session.current(), session.picture(), session.file()) else {
        return super::overlay::instead_of_a_frame(ui, rect, session, theme);
    };
    let (canvas, map) = map_of(session, file, frame, rect);
    let scene = Scene {
        session,
        work: session.work(),
        map,
        rect,
        painter: ui.painter().with_clip_rect(rect),
        frame_size: vec2(frame.width as f32, frame.height as f32),
        texture: picture.of(ui, key, frame, super::aids::showing(session)),
    };
    let mut actions = Vec::new();
    let background = pointer(ui, &scene, canvas, &mut actions);
    scene.draw_frame();
    if session.display().grid {
        super::aids::grid(&scene.painter, session, &scene.map);
    }
    if session.display().all_readings {
        super::aids::all_readings(&scene.painter, session, &|p| scene.at(p));
    }
    scene.draw_ring();
    scene.draw_line();
    super::more_marks::draw(&scene.painter, session, &|p| scene.at(p));
    landmarks(ui, &scene, &mut actions);
    let ruler = scene.draw_mm_ruler();
    let mut taken = scene.draw_labels(ruler);
    scene.label_ring(&mut taken);
    super::practice_marks::draw(&scene.painter, session, &|p| scene.at(p), taken);
    scene.draw_hand_ruler();
    let pointed = background.hover_pos().map(|p| map.to_frame([p.x.into(), p.y.into()]));
    if let Some(at) = session.cross() {
        glyphs::draw_cross(&scene.painter, scene.at(at));
    }
    if (session.armed().is_some() || session.scale().ruler().picking)
        && let Some(at) = session.cross().or(pointed)
    {
        scene.draw_inset(at);
    }
    // On a small picture the hint would hide what it is about; the case sheet has it too.
    if let Some(mark) = session.armed().filter(|_| session.is_new_here() && rect.width() > ROOM_FOR_HINTS) {
        let hint = format!("{}: {}. Click there; Esc puts it down, Ctrl + Z takes it back.", capital(mark.words()), mark.hint());
        scene.words(pos2(rect.center().x, rect.bottom() - 8.0), Align2::CENTER_BOTTOM, &hint, over_frame::WORDS);
    }
    if background.has_focus() {
        outline(&scene.painter, rect.shrink(1.0));
    }
    actions
}

/// Where the current frame is drawn in `rect`.
pub(super) fn map_of(session: &Session, file: &SourceFile, frame: &Frame, rect: Rect) -> (Canvas, ScreenMap) {
    let canvas = Canvas { x: rect.left().into(), y: rect.top().into(), width: rect.width().into(), height: rect.height().into() };
    (canvas, ScreenMap::new(canvas, f64::from(frame.width), f64::from(frame.height), file.tallness(), session.view()))
}

/// What the pointer does on the frame itself: place, pan, zoom.
fn pointer(ui: &mut Ui, scene: &Scene<'_>, canvas: Canvas, actions: &mut Vec<Action>) -> egui::Response {
    let response = ui.interact(scene.rect, Id::unique("frame"), Sense::click_and_drag());
    let spoken = spoken(scene.session);
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken.clone()));
    if response.has_focus() {
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, arrows_stay()));
    }
    let picks = scene.session.scale().ruler().picking;
    let armed = scene.session.armed().is_some() || picks;
    if response.clicked()
        && let Some(p) = response.interact_pointer_pos()
    {
        response.request_focus();
        let at = scene.map.to_frame([p.x.into(), p.y.into()]);
        if picks {
            actions.push(Action::Scale(ScaleAction::RulerAt(at)));
        } else if armed {
            actions.push(Action::Place(at));
        }
    }
    let moves = [PointerButton::Secondary, PointerButton::Middle].into_iter().any(|b| response.dragged_by(b))
        || (!armed && response.dragged_by(PointerButton::Primary));
    if moves {
        let d = response.drag_delta();
        actions.push(Action::Look(scene.map.panned(canvas, [d.x.into(), d.y.into()])));
    }
    if let Some(p) = response.hover_pos() {
        let (turns, pinch) = ui.input(|i| (turns_of_the_wheel(&i.events), i.zoom_delta()));
        let factor = f64::from(pinch) * (f64::from(turns) * 0.004).exp();
        if (factor - 1.0).abs() > 1e-6 {
            actions.push(Action::Look(scene.map.zoomed(canvas, factor, [p.x.into(), p.y.into()])));
        }
        if armed {
            ui.ctx().set_cursor_icon(egui::CursorIcon::Crosshair);
        }
    }
    response
}

/// How far the wheel was turned over the frame itself, points. What the library smooths goes on after the pointer has moved: a
/// turn over the case sheet must not enlarge the frame that the pointer then comes to.
fn turns_of_the_wheel(events: &[Event]) -> f32 {
    let turn = |e: &Event| match e {
        Event::MouseWheel { unit, delta, modifiers, .. } if !modifiers.command => {
            delta.y
                * match unit {
                    MouseWheelUnit::Point => 1.0,
                    MouseWheelUnit::Line => POINTS_A_LINE,
                    MouseWheelUnit::Page => POINTS_A_LINE * 10.0,
                }
        }
        _ => 0.0,
    };
    events.iter().map(turn).sum()
}

/// Whether an item is the frame or one of its landmarks.
#[must_use]
pub fn is_of_frame(session: &Session, id: Id) -> bool {
    id == Id::unique("frame") || session.work().placed().any(|(m, _)| id == Id::unique(("landmark", m)))
}

/// The frame in words, for those who cannot see it.
fn spoken(session: &Session) -> String {
    let place = session.exam().zip(session.current()).and_then(|(e, k)| Some((e.place_of(k)? + 1, e.frame_count())));
    let frame = place.map_or_else(|| "Frame".to_owned(), |(i, n)| format!("Frame {i} of {n}"));
    match session.armed() {
        Some(mark) => format!("{frame}, placing the {}", mark.words()),
        None => frame,
    }
}

fn arrows_stay() -> EventFilter {
    EventFilter { horizontal_arrows: true, vertical_arrows: true, tab: false, escape: true }
}

fn outline(painter: &Painter, rect: Rect) {
    painter.rect_stroke(rect, 2.0, Stroke::new(1.5, over_frame::QUIET), egui::StrokeKind::Inside);
}

/// Draws each landmark as an item of its own that can be focused, named and dragged.
fn landmarks(ui: &mut Ui, scene: &Scene<'_>, actions: &mut Vec<Action>) {
    let armed = scene.session.armed().is_some() || scene.session.scale().ruler().picking;
    for (mark, place) in scene.work.placed() {
        let at = scene.at(place);
        let to_os = scene.work.os.filter(|_| mark != Mark::InternalOs).map(|os| scene.at(os) - at);
        // While a landmark is being placed, others must not take the click.
        let sense = if armed { Sense::focusable_noninteractive() } else { Sense::click_and_drag() };
        let reach = Rect::from_center_size(at, Vec2::splat(size::GRAB * 2.0)).intersect(scene.rect);
        let id = Id::unique(("landmark", mark));
        let item = ui.interact(reach, id, sense);
        let number = if let Mark::Canal(i) | Mark::Wall(i) = mark { format!(" {}", i + 1) } else { String::new() };
        let name = format!("{}{number} at x {:.1}, y {:.1} px", mark.words(), place.x, place.y);
        item.widget_info(|| WidgetInfo::labeled(Role::Button, true, name.clone()));
        if item.has_focus() {
            ui.memory_mut(|m| m.set_focus_lock_filter(id, arrows_stay()));
            outline(&scene.painter, reach);
        }
        if (item.gained_focus() || item.clicked() || item.drag_started()) && scene.session.selected() != Some(mark) {
            actions.push(Action::Select(mark));
        }
        if item.clicked() || item.drag_started() {
            item.request_focus();
        }
        if item.dragged_by(PointerButton::Primary) {
            let d = item.drag_delta();
            let (sx, sy) = scene.map.scale();
            let to = place + PxVec { x: f64::from(d.x) / sx, y: f64::from(d.y) / sy };
            if d != Vec2::ZERO {
                actions.push(Action::Drag(mark, to));
            }
        }
        if item.drag_stopped() {
            actions.push(Action::LetGo);
        }
        if item.hovered() {
            ui.ctx().set_cursor_icon(if item.dragged() { egui::CursorIcon::Grabbing } else { egui::CursorIcon::Grab });
        }
        glyphs::draw(&scene.painter, mark, at, to_os, scene.session.selected() == Some(mark));
    }
}

impl Scene<'_> {
    fn at(&self, p: PxPoint) -> Pos2 {
        let [x, y] = self.map.to_screen(p);
        pos2(x as f32, y as f32)
    }

    fn draw_frame(&self) {
        let (x, y) = (f64::from(self.frame_size.x), f64::from(self.frame_size.y));
        let rect = Rect::from_min_max(self.at(PxPoint::new(0.0, 0.0)), self.at(PxPoint::new(x, y)));
        let whole = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
        self.painter.image(self.texture.id(), rect, whole, Color32::WHITE);
    }

    /// The ring of the decisive radius around the os, in true millimetres: an ellipse where pixels are not square.
    fn draw_ring(&self) {
        let Some((_, points)) = self.ring() else { return };
        self.painter.extend(Shape::dashed_line(&points, Stroke::new(4.0, over_frame::HALO), 4.0, 7.0));
        self.painter.extend(Shape::dashed_line(&points, Stroke::new(1.5, over_frame::RING), 4.0, 7.0));
    }

    /// The decisive radius, mm, and its ring on the screen.
    fn ring(&self) -> Option<(f64, Vec<Pos2>)> {
        let (os, radius) = (self.work.os?, self.session.decisive_radius_mm()?);
        let scale = self.session.scale_at(os)?;
        Some((radius, ring(os, radius, &scale).into_iter().map(|p| self.at(p)).collect()))
    }

    /// The radius beside its ring, at the first place in view that is off what is `taken`, from the upper right on.
    fn label_ring(&self, taken: &mut Vec<Rect>) {
        let Some((radius, points)) = self.ring() else { return };
        let text = format!("{radius} mm");
        let size = self.painter.layout_no_wrap(text.clone(), FontId::proportional(size::BODY), over_frame::RING).size();
        let n = points.len() - 1;
        let room = self.rect.shrink(34.0);
        let in_view = (0..n).map(|i| points[(i + n - n / 8) % n] + vec2(6.0, -4.0)).filter(|p| room.contains(*p));
        let of = |p: Pos2| Align2::LEFT_BOTTOM.anchor_size(p, size).expand(4.0);
        let free = in_view.clone().find(|p| !taken.iter().any(|t| t.intersects(of(*p))));
        if let Some(at) = free.or_else(|| in_view.clone().next()) {
            self.words(at, Align2::LEFT_BOTTOM, &text, over_frame::RING);
            taken.push(of(at));
        }
    }

    fn draw_line(&self) {
        let (Some(os), Some(edge)) = (self.work.os, self.work.edge) else { return };
        let ends = [self.at(os), self.at(edge.at())];
        let step = ends[1] - ends[0];
        if step.length() <= size::GLYPH * 2.0 {
            return;
        }
        let from = ends[0] + step.normalized() * size::GLYPH;
        let path = [from, ends[1]];
        match edge {
            EdgeMark::PlacentalEdge { .. } => {
                self.painter.line_segment(path, Stroke::new(size::STROKE + 3.0, over_frame::HALO));
                self.painter.line_segment(path, Stroke::new(size::STROKE, over_frame::WORDS));
            }
            // One-sided: the distance goes on beyond the mark.
            EdgeMark::LastPlacentaSeen { .. } | EdgeMark::EndOfWallSeen { .. } => {
                self.painter.extend(Shape::dashed_line(&path, Stroke::new(size::STROKE + 3.0, over_frame::HALO), 8.0, 6.0));
                self.painter.extend(Shape::dashed_line(&path, Stroke::new(size::STROKE, over_frame::WORDS), 8.0, 6.0));
            }
        }
    }

    /// Each landmark's name, on the side away from the os–edge line, inside the canvas, off the other names and the ruler. Returns
    /// what is taken by them.
    fn draw_labels(&self, ruler: Option<Rect>) -> Vec<Rect> {
        let mut taken: Vec<Rect> =
            self.work.placed().map(|(_, p)| Rect::from_center_size(self.at(p), Vec2::splat(size::GLYPH * 2.4))).chain(ruler).collect();
        // A trace bears its name once.
        let named = |m: &Mark| !matches!(m, Mark::Canal(1..) | Mark::Wall(1..));
        for (mark, place) in self.work.placed().filter(|(m, _)| named(m)) {
            let at = self.at(place);
            let galley = self.painter.layout_no_wrap(mark.words().into(), FontId::proportional(size::BODY), glyphs::colour(mark));
            let other = match mark {
                Mark::InternalOs => self.work.edge.map(|e| self.at(e.at())),
                _ => self.work.os.map(|p| self.at(p)),
            };
            let down = other.is_none_or(|o| at.y >= o.y);
            let left = other.is_some_and(|o| at.x < o.x);
            let gap = size::GLYPH + 6.0;
            let (w, h) = (galley.size().x, galley.size().y);
            let ys = if down { [gap, -gap - h] } else { [-gap - h, gap] };
            let xs = if left { [-w, -w / 2.0, 0.0] } else { [0.0, -w / 2.0, -w] };
            let beside = [vec2(if left { -gap - w } else { gap }, -h / 2.0), vec2(if left { gap } else { -gap - w }, -h / 2.0)];
            let places = ys.into_iter().flat_map(|y| xs.into_iter().map(move |x| vec2(x, y))).chain(beside);
            let rects = places.map(|d| Rect::from_min_size(at + d, galley.size()).expand(3.0));
            let room = self.rect.shrink(4.0);
            let chosen = rects.clone().find(|r| room.contains_rect(*r) && !taken.iter().any(|t| t.intersects(*r)));
            // A further landmark without room keeps its form; its name is said in the sheet, and here while it is chosen.
            let must = Mark::ALL.contains(&mark) || self.session.selected() == Some(mark);
            let hidden = |r: &Rect| -> f32 { taken.iter().map(|t| t.intersect(*r)).filter(Rect::is_positive).map(|i| i.area()).sum() };
            let anywhere = || {
                let inside = rects.clone().filter(|r| must && room.contains_rect(*r));
                inside.min_by(|a, b| hidden(a).total_cmp(&hidden(b)))
            };
            let Some(rect) = chosen.or_else(anywhere) else { continue };
            taken.push(rect);
            self.painter.rect_filled(rect, 3.0, over_frame::HALO);
            self.painter.galley(rect.min + Vec2::splat(3.0), galley, glyphs::colour(mark));
        }
        taken
    }

    /// A millimetre ruler beside the frame, from the scale under the os, else under the middle of the view: down its left side,
    /// inside the view. Without a scale there is none. Returns the room it takes.
    fn draw_mm_ruler(&self) -> Option<Rect> {
        let middle = self.map.to_frame([self.rect.center().x.into(), self.rect.center().y.into()]);
        let scale = self.work.os.and_then(|os| self.session.scale_at(os)).or_else(|| self.session.scale_at(middle))?;
        let per_mm = scale.step_back(MmVec::new(0.0, 1.0)).y * self.map.scale().1;
        let (top, bottom) = (self.at(PxPoint::new(0.0, 0.0)), self.at(PxPoint::new(0.0, self.frame_size.y.into())));
        // Beside the frame where there is room, else over its edge; never out of view.
        let x = (top.x - 48.0).max(self.rect.left() + 6.0);
        let from = top.y.max(self.rect.top() + 10.0);
        let length = bottom.y.min(self.rect.bottom() - 10.0) - from;
        let shapes = ruler::shapes(per_mm, length.into(), f64::from(size::SMALL) - 1.5);
        if shapes.is_empty() {
            return None;
        }
        let place = |p: &[f64; 2]| pos2(x + p[0] as f32, from + p[1] as f32);
        let ground = Rect::from_min_size(pos2(x - 3.0, from - 8.0), vec2(46.0, length + 14.0));
        self.painter.rect_filled(ground, 3.0, over_frame::HALO);
        for shape in &shapes {
            match shape {
                Drawn::Line { points, width, .. } => {
                    self.painter.line(points.iter().map(place).collect(), Stroke::new(*width as f32, over_frame::WORDS));
                }
                Drawn::Text { at, text, size, .. } => {
                    let font = FontId::proportional(*size as f32);
                    self.painter.text(place(at), Align2::LEFT_CENTER, text, font, over_frame::WORDS);
                }
                _ => {}
            }
        }
        Some(ground)
    }

    /// The ruler that is being picked, and the ticks that were found along it.
    fn draw_hand_ruler(&self) {
        let ruler = self.session.scale().ruler();
        let set = self.work.scale.hand.as_ref().map(|h| &h.ruler);
        if let Some(first) = ruler.first.filter(|_| ruler.found.is_none()) {
            self.painter.circle_stroke(self.at(first), 5.0, Stroke::new(size::STROKE, over_frame::RING));
        }
        for p in ruler.found.as_ref().or(set).into_iter().flat_map(|r| r.points()) {
            let at = self.at(p);
            self.painter.line_segment([at - vec2(9.0, 0.0), at + vec2(9.0, 0.0)], Stroke::new(4.0, over_frame::HALO));
            self.painter.line_segment([at - vec2(9.0, 0.0), at + vec2(9.0, 0.0)], Stroke::new(1.5, over_frame::RING));
        }
    }

    fn words(&self, at: Pos2, align: Align2, text: &str, ink: Color32) {
        let _ = super::aids::words(&self.painter, at, align, text, ink);
    }

    /// The frame around `at`, larger, in a corner away from it.
    fn draw_inset(&self, at: PxPoint) {
        let r = size::INSET.min(self.rect.height() * 0.22);
        let margin = r + 18.0;
        let right = pos2(self.rect.right() - margin, self.rect.top() + margin);
        let left = pos2(self.rect.left() + margin, self.rect.top() + margin);
        let near = |c: Pos2| (self.at(at) - c).length() < r * 2.2;
        let centre = if near(right) { left } else { right };
        let (sx, sy) = self.map.scale();
        let (sx, sy) = (sx * size::INSET_TIMES, sy * size::INSET_TIMES);
        self.painter.circle_filled(centre, r, over_frame::CANVAS);
        // A fan of triangles, so that the picture fills a disc; outside the frame it stays black.
        let mut mesh = Mesh::with_texture(self.texture.id());
        let uv = |d: Vec2| {
            let p = PxPoint::new(at.x + f64::from(d.x) / sx, at.y + f64::from(d.y) / sy);
            pos2(p.x as f32 / self.frame_size.x, p.y as f32 / self.frame_size.y)
        };
        let inside = |d: Vec2| {
            let p = uv(d);
            vec2((p.x.clamp(0.0, 1.0) - p.x) * self.frame_size.x * sx as f32, (p.y.clamp(0.0, 1.0) - p.y) * self.frame_size.y * sy as f32)
        };
        let vertex = |d: Vec2| {
            let d = d + inside(d);
            egui::epaint::Vertex { pos: centre + d, uv: uv(d), color: Color32::WHITE }
        };
        mesh.vertices.push(vertex(Vec2::ZERO));
        let n: u32 = 72;
        for i in 0..=n {
            mesh.vertices.push(vertex(Vec2::angled(i as f32 / n as f32 * std::f32::consts::TAU) * r));
            if i > 0 {
                mesh.add_triangle(0, i, i + 1);
            }
        }
        self.painter.add(Shape::mesh(mesh));
        self.painter.circle_stroke(centre, r, Stroke::new(2.0, over_frame::QUIET));
        let ink = self.session.armed().map_or(over_frame::CROSS, glyphs::colour);
        for d in [vec2(1.0, 0.0), vec2(-1.0, 0.0), vec2(0.0, 1.0), vec2(0.0, -1.0)] {
            self.painter.line_segment([centre + d * 6.0, centre + d * r * 0.4], Stroke::new(3.0, over_frame::HALO));
            self.painter.line_segment([centre + d * 6.0, centre + d * r * 0.4], Stroke::new(1.0, ink));
        }
        // On a small picture the name would lie over what was marked already.
        let name =
            self.session.armed().filter(|_| self.rect.width() > ROOM_FOR_HINTS).map_or_else(String::new, |m| format!("{} ", m.words()));
        let text = format!("{name}×{}", size::INSET_TIMES);
        self.words(centre + vec2(0.0, r + 6.0), Align2::CENTER_TOP, &text, over_frame::WORDS);
    }
}

/// The closed ring of `radius` mm around `os` on the frame.
#[must_use]
pub fn ring(os: PxPoint, radius: f64, scale: &Calibration) -> Vec<PxPoint> {
    (0..=144)
        .map(|i| {
            let a = f64::from(i) / 144.0 * std::f64::consts::TAU;
            os + scale.step_back(MmVec::new(radius * a.cos(), radius * a.sin()))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::calibrate::Basis;

    #[test]
    fn the_ring_has_its_radius_in_millimetres_on_any_pixels() {
        for (x, y) in [(0.1, 0.1), (0.08, 0.15)] {
            let scale = Calibration::unchecked_header(x, y, Basis::HeaderRegion { region: 1 }).unwrap();
            let os = PxPoint::new(210.3, 99.7);
            for p in ring(os, 20.0, &scale) {
                assert!((scale.distance(os, p).get() - 20.0).abs() < 1e-9);
            }
        }
    }
}
