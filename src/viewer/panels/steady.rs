//! The case sheet stands still under the pointer. A click may make words appear or vanish above what was clicked; the sheet is then
//! turned by as much, so that the next click falls on the same thing.

use egui::containers::scroll_area::ScrollAreaOutput;
use egui::{Context, Id, Pos2, Response, ScrollArea, Ui};

use crate::viewer::session::FrameKey;

/// The hand has left what it clicked when it is farther from there than this, points.
const AWAY: f32 = 8.0;

/// Room that stays above what is held, and the height of a line of controls, points.
const AROUND: f32 = 4.0;
const LINE: f32 = 30.0;

/// What was clicked last, and the room that keeps it in its place where the sheet cannot be turned any further.
#[derive(Clone, Debug, Default)]
struct Steady {
    clicked: Option<Clicked>,
    /// Room above and below the contents of the sheet, points.
    above: f32,
    below: f32,
    /// How far down the sheet is turned when it is drawn next, where that is not left to the reader's hand, points.
    turn_to: Option<f32>,
    of: Option<FrameKey>,
}

#[derive(Clone, Debug)]
struct Clicked {
    name: String,
    pointer: Pos2,
    /// Its upper edge on the screen in this picture, points.
    now: Option<f32>,
    /// Where that was when it was clicked, if the sheet had not been turned since: turning is not moving.
    place: Option<f32>,
}

fn with<R>(ctx: &Context, f: impl FnOnce(&mut Steady) -> R) -> R {
    ctx.data_mut(|d| f(d.get_temp_mut_or_default::<Steady>(Id::unique("steady sheet"))))
}

/// Whether a control was clicked; what is clicked with the pointer is held in its place. `name` is its own in the whole sheet.
pub(super) fn clicked(ui: &Ui, response: &Response, name: &str) -> bool {
    let (top, clicked, pointer) = (response.rect.top(), response.clicked(), response.interact_pointer_pos());
    with(ui.ctx(), |s| match (clicked, pointer, &mut s.clicked) {
        (true, Some(pointer), _) => {
            s.clicked = Some(Clicked { name: name.to_owned(), pointer, now: Some(top), place: None });
        }
        (_, _, Some(c)) if c.name == name => c.now = Some(top),
        _ => {}
    });
    clicked
}

/// The sheet, which is of `frame`, and the room above its contents: lets go of what the pointer has left, and of everything with
/// another frame.
pub(super) fn begin(ctx: &Context, frame: Option<&FrameKey>) -> (ScrollArea, f32) {
    let sheet = ScrollArea::vertical().id_salt("sheet").auto_shrink([false, false]);
    let pointer = ctx.input(|i| i.pointer.latest_pos());
    with(ctx, |s| {
        if s.of.as_ref() != frame {
            // Each file begins at the top; a cine that plays leaves the sheet where it is.
            let same_file = s.of.as_ref().map(|f| &f.path) == frame.map(|f| &f.path);
            *s = Steady { of: frame.cloned(), turn_to: (!same_file).then_some(0.0), ..Steady::default() };
        }
        let left = |c: &Clicked| pointer.is_none_or(|p| p.distance(c.pointer) > AWAY);
        if s.clicked.as_ref().is_some_and(left) {
            s.clicked = None;
        }
        if let Some(c) = &mut s.clicked {
            c.now = None;
        }
        let sheet = match s.turn_to.take() {
            Some(to) => sheet.vertical_scroll_offset(to),
            None => sheet,
        };
        (sheet, s.above)
    })
}

/// Whether something of the sheet has begun since the picture before, and not by a click in the sheet: what a key begins may lie out of
/// sight, while under a hand nothing is turned.
pub(super) fn begun(ui: &Ui, what: &'static str, now: bool) -> bool {
    let before = ui.data_mut(|d| std::mem::replace(d.get_temp_mut_or_default::<bool>(Id::unique(("begun", what))), now));
    now && !before && with(ui.ctx(), |s| s.clicked.is_none())
}

/// The room below the contents.
pub(super) fn below(ctx: &Context) -> f32 {
    with(ctx, |s| s.below)
}

/// After the sheet was drawn, from which it hands on where the top of its contents was: turns it by as much as what was clicked has
/// moved, and draws it again.
pub(super) fn end(ctx: &Context, drawn: &ScrollAreaOutput<f32>) {
    // As it was drawn: a turn of the wheel that comes now is for the next picture.
    let (seen, offset) = (drawn.inner_rect, drawn.inner_rect.top() - drawn.inner);
    let view = seen.height();
    let elsewhere = ctx.input(|i| i.pointer.latest_pos()).is_none_or(|p| !seen.contains(p));
    let mut goes = false;
    let again = with(ctx, |s| {
        let contents = drawn.content_size.y - s.above - s.below;
        if s.clicked.is_none() && s.above + s.below > 0.0 && (elsewhere || offset >= s.above) {
            // The hand is elsewhere, or the room is out of view: it goes without anything moving under the hand.
            let offset = (offset - s.above).max(0.0);
            goes = s.above > 0.0;
            *s = Steady {
                below: (offset + view - contents).clamp(0.0, s.below),
                turn_to: Some(offset),
                of: s.of.take(),
                ..Steady::default()
            };
            return false;
        }
        let Some((now, place)) = s.clicked.as_ref().and_then(|c| Some((c.now?, c.place))) else { return false };
        // Where it is in the contents and above them: turning changes nothing of that.
        let at = now + offset - s.above;
        let moved = at - place.unwrap_or(at);
        if let Some(c) = &mut s.clicked {
            c.place = Some(at);
        }
        // What has grown over the sheet must not hide it: then it stands as near as it can be seen.
        let wanted = (now - moved).clamp(seen.top() + AROUND, (seen.bottom() - LINE).max(seen.top() + AROUND));
        let by = now - wanted;
        if moved.abs() < 0.5 || by.abs() < 0.5 {
            return false;
        }
        // Where the top of the view is from the top of the contents; less than 0 is room above.
        let turned = offset - s.above + by;
        s.above = (-turned).max(0.0);
        s.below = (turned + view - contents).max(0.0);
        s.turn_to = Some(turned.max(0.0));
        true
    });
    if goes {
        ctx.request_repaint();
    }
    if again {
        ctx.request_discard("the sheet stands still under the pointer");
    }
}
