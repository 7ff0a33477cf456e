//! The case sheet stands still under the pointer. A click may make words appear or vanish above what was clicked; the sheet is then
//! turned by as much, so that the next click falls on the same thing.

use egui::containers::scroll_area::ScrollAreaOutput;
use egui::{Context, Id, Pos2, Response, ScrollArea, Ui};

use crate::viewer::session::FrameKey;

/// The hand has left what it clicked when it is farther from there than this, points.
const AWAY: f32 = 8.0;

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
            *s = Steady { of: frame.cloned(), ..Steady::default() };
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

/// The room below the contents.
pub(super) fn below(ctx: &Context) -> f32 {
    with(ctx, |s| s.below)
}

/// After the sheet was drawn, from which it hands on where the top of its contents was: turns it by as much as what was clicked has
/// moved, and draws it again.
pub(super) fn end(ctx: &Context, drawn: &ScrollAreaOutput<f32>) {
    // As it was drawn: a turn of the wheel that comes now is for the next picture.
    let (view, offset) = (drawn.inner_rect.height(), drawn.inner_rect.top() - drawn.inner);
    let again = with(ctx, |s| {
        let contents = drawn.content_size.y - s.above - s.below;
        if s.clicked.is_none() && s.above + s.below > 0.0 && offset >= s.above {
            // Out of view by now: it goes without anything moving.
            let offset = offset - s.above;
            *s = Steady {
                below: (offset + view - contents).clamp(0.0, s.below),
                turn_to: Some(offset),
                of: s.of.take(),
                ..Steady::default()
            };
            return false;
        }
        let above = s.above;
        let moved = s.clicked.as_mut().and_then(|c| {
            let now = c.now? + offset - above;
            Some(now - *c.place.insert(c.place.unwrap_or(now)))
        });
        let Some(moved) = moved.filter(|m| m.abs() > 0.5) else { return false };
        // Where the top of the view is from the top of the contents; less than 0 is room above.
        let turned = offset - s.above + moved;
        s.above = (-turned).max(0.0);
        s.below = (turned + view - contents).max(0.0);
        s.turn_to = Some(turned.max(0.0));
        if let Some(c) = &mut s.clicked {
            c.place = c.place.map(|p| p + moved);
        }
        true
    });
    if again {
        ctx.request_discard("the sheet stands still under the pointer");
    }
}
