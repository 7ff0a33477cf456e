//! What one picture of the window costs the drawing thread, without the graphics card: the real window beside an empty one, in
//! one run. `tests/figures window` runs it.
//!
//! Each pass takes in one event, makes the whole window anew and turns it into triangles, as the real program does before it
//! hands over to the graphics card. The frames are decoded beforehand: decoding is done on threads of its own.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use egui::{Event, Key, Modifiers, MouseWheelUnit, PointerButton, Pos2, RawInput, Rect, TouchPhase, Ui, pos2, vec2};
use osspan::context::Dating;
use osspan::files::Settings;
use osspan::frame::{Frame, FrameId, Samples};
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Effect, Found, Mark};
use osspan::viewer::app::{App, World};
use osspan::viewer::session::{FrameKey, Session};

#[allow(dead_code, unreachable_pub)]
#[path = "../it/viewer/invented.rs"]
mod invented;

const PASSES: u32 = 400;
const FRAMES: u32 = 60;
const SIZE: (u32, u32) = (1024, 768);
const SCREEN: egui::Vec2 = vec2(1920.0, 1080.0);
/// Budgets, ms: median and 99th percentile.
const BUDGET: (f64, f64) = (4.0, 8.0);

/// Answers from memory.
struct Ready {
    frames: BTreeMap<FrameKey, Arc<Frame>>,
    answers: Vec<Action>,
}

impl World for Ready {
    fn carry_out(&mut self, effect: Effect, _: &egui::Context) {
        let wanted = match effect {
            Effect::Open(_) => {
                self.answers.push(Action::Opened(Ok(found())));
                Vec::new()
            }
            Effect::Decode(key) => vec![key],
            Effect::DecodeAhead(keys) => keys,
            _ => Vec::new(),
        };
        for key in wanted {
            if let Some(frame) = self.frames.get(&key) {
                self.answers.push(Action::Decoded(key, Ok(frame.clone())));
            }
        }
    }

    fn answers(&mut self) -> Vec<Action> {
        std::mem::take(&mut self.answers)
    }

    fn finish(&mut self) {}
}

fn found() -> Found {
    let mut exam = invented::exam("1.2", jiff::civil::date(2031, 3, 14), &[("cine", FRAMES)]);
    exam.name_for_itself("us-consensus-2014", Dating::DueDate(jiff::civil::date(2031, 5, 8)));
    for file in &mut exam.files {
        (file.geometry.columns, file.geometry.rows) = (SIZE.0, SIZE.1);
        for region in &mut file.geometry.regions {
            (region.max_x1, region.max_y1) = (Some(SIZE.0 - 1), Some(SIZE.1 - 1));
        }
    }
    Found { exams: vec![exam], ..Found::default() }
}

fn frames() -> BTreeMap<FrameKey, Arc<Frame>> {
    let one = |number| {
        let data = (0..SIZE.0 * SIZE.1).map(|i| (i.wrapping_mul(2_654_435_761).wrapping_add(number) >> 24) as u8).collect();
        let id = FrameId { sha256: format!("{number}"), sop_instance_uid: Some("1.2.3".into()), frame_number: number };
        let frame = Frame { id, width: SIZE.0, height: SIZE.1, samples: Samples::Gray8(data) };
        (FrameKey { path: PathBuf::from("cine"), number }, Arc::new(frame))
    };
    (1..=FRAMES).map(one).collect()
}

/// A window without a screen.
struct Bench {
    ctx: egui::Context,
    time: f64,
}

impl Bench {
    fn new() -> Self {
        Self { ctx: egui::Context::default(), time: 0.0 }
    }

    /// One picture: the time that the drawing thread takes for it, by the clock and on the processor.
    fn pass(&mut self, events: Vec<Event>, draw: &mut dyn FnMut(&mut Ui)) -> Took {
        self.time += 1.0 / 60.0;
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, SCREEN)),
            time: Some(self.time),
            focused: true,
            events,
            ..RawInput::default()
        };
        let (begun, before) = (Instant::now(), on_processor());
        let mut out = self.ctx.run_ui(input, |ui| draw(ui));
        let triangles = self.ctx.tessellate(std::mem::take(&mut out.shapes), out.pixels_per_point);
        let took = Took { clock: begun.elapsed(), processor: on_processor().zip(before).map(|(a, b)| a.saturating_sub(b)) };
        drop(triangles);
        // A graphics card would take them up here.
        out.textures_delta.clear();
        took
    }
}

/// What one picture took.
#[derive(Clone, Copy)]
struct Took {
    clock: Duration,
    /// Where the platform tells it: what other programs on a shared machine take is not in it.
    processor: Option<Duration>,
}

/// How long this thread has been on a processor, where the platform tells.
#[cfg(unix)]
fn on_processor() -> Option<Duration> {
    Duration::try_from(rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime)).ok()
}

#[cfg(not(unix))]
fn on_processor() -> Option<Duration> {
    None
}

/// Median and 99th percentile, ms.
fn ms(mut times: Vec<Duration>) -> (f64, f64) {
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1000.0;
    (at(0.5), at(0.99))
}

fn row(what: &str, took: Vec<Took>) {
    let (median, late) = ms(took.iter().map(|t| t.clock).collect());
    let (own_median, own_late) = ms(took.iter().map(|t| t.processor.unwrap_or(t.clock)).collect());
    let verdict = if own_median <= BUDGET.0 && own_late <= BUDGET.1 { "within" } else { "OVER" };
    println!("| {what} | {own_median:.3} | {own_late:.3} | {verdict} | {median:.3} | {late:.3} |");
}

fn main() {
    let mut bench = Bench::new();
    let mut settings = Settings::default();
    settings.reader = Some("R. Ito".into());
    settings.guideline = Some("us-consensus-2014".into());
    let session = Session::new(guideline::tables().unwrap(), settings);
    let world = Ready { frames: frames(), answers: Vec::new() };
    let mut app = App::new(&bench.ctx, session, Box::new(world), vec![Action::Open(vec!["exam".into()])]);
    let mut do_it = |bench: &mut Bench, actions: Vec<Action>, events: Vec<Event>| {
        app.act(actions);
        let took = bench.pass(events, &mut |ui| app.pass(ui));
        (took, app.session().work().get(Mark::PlacentalEdge), app.session().current().map(|k| k.number))
    };
    for _ in 0..20 {
        do_it(&mut bench, Vec::new(), Vec::new());
    }
    // Three frames read, so that the exam has values; the first is worked on.
    for number in [3, 2, 1] {
        let at = |x: f64, y: f64| PxPoint::new(x + f64::from(number), y);
        let mut actions = vec![Action::Scrub(number)];
        for (mark, p) in
            [(Mark::InternalOs, at(520.0, 380.0)), (Mark::PlacentalEdge, at(400.0, 330.0)), (Mark::PlacentalBody, at(360.0, 340.0))]
        {
            actions.extend([Action::Arm(mark), Action::Place(p)]);
        }
        actions.extend([Action::PutDown, Action::StateSide(Side::NotCovering)]);
        do_it(&mut bench, actions, Vec::new());
        do_it(&mut bench, Vec::new(), Vec::new());
    }
    println!(
        "One picture of 1920 × 1080, cine of {FRAMES} frames of {} × {} px, {PASSES} pictures each, without the graphics card.",
        SIZE.0, SIZE.1
    );
    println!(
        "Budget: median {} ms, 99th percentile {} ms on the processor. Release build: {}.\n",
        BUDGET.0,
        BUDGET.1,
        !cfg!(debug_assertions)
    );
    println!("| what | processor: median, ms | 99th percentile | budget | clock: median | 99th percentile |");
    println!("|---|---:|---:|---|---:|---:|");
    let mut empty = Bench::new();
    row("empty window", (0..PASSES).map(|_| empty.pass(Vec::new(), &mut |_| {})).collect());
    row("nothing new", (0..PASSES).map(|_| do_it(&mut bench, Vec::new(), Vec::new()).0).collect());

    let on_frame = pos2(500.0, 420.0);
    let moved = |i: u32| on_frame + vec2(60.0 * (i as f32 * 0.1).sin(), 40.0 * (i as f32 * 0.07).cos());
    let button = |pos, button, pressed| Event::PointerButton { pos, button, pressed, modifiers: Modifiers::NONE };
    do_it(&mut bench, Vec::new(), vec![Event::PointerMoved(on_frame)]);
    do_it(&mut bench, Vec::new(), vec![button(on_frame, PointerButton::Secondary, true)]);
    row("moving the frame", (0..PASSES).map(|i| do_it(&mut bench, Vec::new(), vec![Event::PointerMoved(moved(i))]).0).collect());
    do_it(&mut bench, Vec::new(), vec![button(on_frame, PointerButton::Secondary, false)]);

    let wheel = |i: u32| Event::MouseWheel {
        unit: MouseWheelUnit::Point,
        delta: vec2(0.0, if i % 80 < 40 { 12.0 } else { -12.0 }),
        phase: TouchPhase::Move,
        source: egui::MouseWheelSource::Unknown,
        modifiers: Modifiers::NONE,
    };
    row("zooming", (0..PASSES).map(|i| do_it(&mut bench, Vec::new(), vec![wheel(i)]).0).collect());

    let drag = |i: u32| {
        let to = PxPoint::new(400.0 + f64::from(i % 50), 330.0 + f64::from(i % 30));
        vec![Action::Drag(Mark::PlacentalEdge, to)]
    };
    let mut last = None;
    let mut times = Vec::new();
    for i in 0..PASSES {
        let (took, edge, _) = do_it(&mut bench, drag(i), Vec::new());
        assert_ne!(edge, last, "the landmark moves");
        last = edge;
        times.push(took);
    }
    row("moving a landmark, one of three frames read", times);

    let key = |key| Event::Key { key, physical_key: None, pressed: true, repeat: false, modifiers: Modifiers::NONE };
    let mut numbers = std::collections::BTreeSet::new();
    let mut times = Vec::new();
    for i in 0..PASSES {
        let step = if (i / (FRAMES - 1)).is_multiple_of(2) { Key::Period } else { Key::Comma };
        let (took, _, number) = do_it(&mut bench, Vec::new(), vec![key(step)]);
        numbers.extend(number);
        times.push(took);
    }
    assert!(numbers.len() > 50, "the cine is gone through: {} frames", numbers.len());
    row("going through a cine, a frame a picture", times);
}
