//! Where the parts of the window lie: a function of its size and of what is open, never of what was marked or said, so that
//! nothing moves under the pointer while a reader works.

use egui::{Rect, pos2};

use super::theme::size;

/// Below this width, points, the strip has two rows and the line under the frame too: letters are large.
const NARROW: f32 = 1000.0;

/// The parts that every page has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Whose frame it is, under which guideline, who reads, saved or not.
    pub strip: Rect,
    /// The page between them.
    pub page: Rect,
    /// The commonest keys and the way to other pages.
    pub hints: Rect,
}

/// The parts of the reading page.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The list of exams and frames, while it is shown.
    pub list: Option<Rect>,
    /// The frame.
    pub frame: Rect,
    /// A second frame beside it, while there is one.
    pub beside: Option<Rect>,
    /// What is known of the picture, right under it: which way is anterior, the scale, how it is shown.
    pub under_frame: Rect,
    /// The time line, for a cine.
    pub time_line: Option<Rect>,
    /// The distance line.
    pub distance_line: Rect,
    /// The case sheet; in a narrow window the list, while it is shown, stands in its place.
    pub sheet: Option<Rect>,
}

/// Whether letters are so large, or the window so small, that lines are broken in two.
#[must_use]
pub fn is_narrow(window_width: f32) -> bool {
    window_width < NARROW
}

/// The parts of a window that fills `all`.
#[must_use]
pub fn window(all: Rect) -> Window {
    let strip = if is_narrow(all.width()) { size::STRIP_OF_TWO } else { size::STRIP };
    let (top, bottom) = (all.top() + strip, all.bottom() - size::HINTS);
    Window {
        strip: Rect::from_min_max(all.min, pos2(all.right(), top)),
        page: Rect::from_min_max(pos2(all.left(), top), pos2(all.right(), bottom.max(top))),
        hints: Rect::from_min_max(pos2(all.left(), bottom), all.max),
    }
}

/// The parts of the reading page on `page`, with or without the list, a cine's time line, and a second frame beside.
#[must_use]
pub fn reading(page: Rect, list: bool, cine: bool, two: bool) -> Reading {
    let gap = size::GAP;
    let sheet =
        Rect::from_min_max(pos2(page.right() - gap - size::sheet(page.width()), page.top()), pos2(page.right() - gap, page.bottom()));
    let narrow = is_narrow(page.width());
    let at_left = Rect::from_min_max(pos2(page.left() + gap, page.top()), pos2(page.left() + gap + size::DRAWER, page.bottom()));
    let list = list.then_some(if narrow { sheet } else { at_left });
    let left = list.filter(|_| !narrow).map_or(page.left(), |l| l.right()) + gap;
    let right = (sheet.left() - gap).max(left);
    let across = |top: f32, bottom: f32| Rect::from_min_max(pos2(left, top), pos2(right, bottom.max(top)));
    let distance_line = across(page.bottom() - size::distance_line(page.height()), page.bottom());
    let mut bottom = distance_line.top() - if narrow { 6.0 } else { gap };
    let time_line = cine.then(|| {
        let line = across(bottom - size::TIME_LINE, bottom);
        bottom = line.top() - 4.0;
        line
    });
    let under = if narrow { size::UNDER_FRAME * 2.0 } else { size::UNDER_FRAME };
    let under_frame = across(bottom - under, bottom);
    let room = across(page.top(), under_frame.top());
    let half = (room.width() - gap) / 2.0;
    let (frame, beside) = if two && half > 0.0 {
        let right_half = Rect::from_min_max(pos2(room.right() - half, room.top()), room.max);
        (Rect::from_min_max(room.min, pos2(room.left() + half, room.bottom())), Some(right_half))
    } else {
        (room, None)
    };
    Reading { list, frame, beside, under_frame, time_line, distance_line, sheet: (!narrow || list.is_none()).then_some(sheet) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_lie_apart_and_inside_the_window_at_every_size() {
        for (width, height) in [(1280.0, 800.0), (1920.0, 1080.0), (960.0, 620.0), (640.0, 400.0), (600.0, 390.0)] {
            for (list, cine) in [(false, false), (true, false), (false, true), (true, true)] {
                let all = Rect::from_min_max(pos2(0.0, 0.0), pos2(width, height));
                let w = window(all);
                let r = reading(w.page, list, cine, cine);
                let parts: Vec<Rect> = [Some(w.strip), Some(w.hints), r.list, r.beside, Some(r.frame), Some(r.under_frame), r.time_line]
                    .into_iter()
                    .chain([Some(r.distance_line), r.sheet])
                    .flatten()
                    .collect();
                for (i, a) in parts.iter().enumerate() {
                    assert!(all.expand(0.01).contains_rect(*a), "{a:?} at {width} × {height}");
                    for b in &parts[i + 1..] {
                        assert!(!a.shrink(0.01).intersects(b.shrink(0.01)), "{a:?} and {b:?} at {width} × {height}");
                    }
                }
                if width >= 640.0 && !cine {
                    assert!(r.frame.height() > 100.0 && r.frame.width() > 200.0, "{:?} at {width} × {height}", r.frame);
                }
            }
        }
    }
}
