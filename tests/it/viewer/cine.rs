//! Going through a cine: rules of the session without a window, with answers held back and a clock given as a value; and
//! the time line in a window.

use std::collections::BTreeSet;
use std::sync::Arc;

use egui::accesskit::Role;
use egui::{Key, Modifiers, pos2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use jiff::civil::date;
use osspan::files::Settings;
use osspan::frame::{Frame, FrameId, Samples};
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Effect, Found, Mark};
use osspan::viewer::app::App;
use osspan::viewer::frame_cache::BUDGET;
use osspan::viewer::session::{ExamState, FrameMark, PaceSource, Session};

use super::invented::{self, Memory, key};

const CINE: &str = "cine.dcm";

/// A colour frame of 1024 × 768 px.
fn large(number: u32) -> Arc<Frame> {
    let id = FrameId { sha256: format!("{CINE}-{number}"), sop_instance_uid: Some("1.2.3".into()), frame_number: number };
    Arc::new(Frame { id, width: 1024, height: 768, samples: Samples::Rgb8(vec![0; 1024 * 768 * 3]) })
}

/// One exam with a cine of `count` frames, then a still.
fn exam(count: u32) -> ExamState {
    let mut exam = invented::exam("1.9", date(2031, 3, 14), &[(CINE, count), ("still.dcm", 1)]);
    for file in &mut exam.files {
        (file.geometry.columns, file.geometry.rows) = (1024, 768);
        if let Some(r) = file.geometry.regions.first_mut() {
            (r.max_x1, r.max_y1) = (Some(1023), Some(767));
        }
    }
    exam
}

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.reader = Some("R. Ito".into());
    settings.guideline = Some("us-consensus-2014".into());
    settings
}

/// A session whose requests are kept until the test answers them.
struct Slow {
    session: Session,
    now: Option<u32>,
    ahead: Vec<u32>,
    decoded: u32,
}

impl Slow {
    fn on(exam: ExamState) -> Self {
        let session = Session::new(guideline::tables().unwrap(), settings());
        let mut s = Self { session, now: None, ahead: Vec::new(), decoded: 0 };
        s.act(Action::Opened(Ok(Found { exams: vec![exam], ..Found::default() })));
        s
    }

    /// A cine of `count` frames with its first frame shown.
    fn shown(count: u32) -> Self {
        let mut s = Self::on(exam(count));
        s.answer_now();
        s
    }

    fn act(&mut self, action: Action) {
        for effect in self.session.apply(action) {
            match effect {
                Effect::DecodeAhead(keys) => (self.now, self.ahead) = (None, keys.iter().map(|k| k.number).collect()),
                Effect::Decode(key) => self.now = Some(key.number),
                _ => {}
            }
        }
        let (bytes, budget) = self.session.kept_bytes();
        assert!(bytes <= budget && budget == BUDGET, "{bytes} bytes kept");
    }

    fn decode(&mut self, number: u32) {
        self.decoded += 1;
        self.act(Action::Decoded(key(CINE, number), Ok(large(number))));
    }

    fn answer_now(&mut self) {
        if let Some(n) = self.now.take() {
            self.decode(n);
        }
    }

    /// Answers all that is asked, the frame to be shown first.
    fn answer_all(&mut self) {
        self.answer_now();
        for n in std::mem::take(&mut self.ahead) {
            self.decode(n);
        }
    }

    /// The number of the frame that is current, and that of the picture shown.
    fn numbers(&self) -> (u32, Option<u32>) {
        (self.session.current().unwrap().number, self.session.picture().map(|f| f.id.frame_number))
    }
}

#[test]
fn steps_go_by_one_and_ten_and_stay_within_the_cine() {
    let mut s = Slow::shown(60);
    for (action, expected) in [
        (Action::StepCine(1), 2),
        (Action::StepCine(10), 12),
        (Action::StepCine(-1), 11),
        (Action::StepCine(-100), 1),
        (Action::Scrub(u32::MAX), 60),
        (Action::StepCine(10), 60),
        (Action::Scrub(0), 1),
        (Action::Scrub(37), 37),
    ] {
        s.act(action);
        s.answer_all();
        assert_eq!(s.numbers(), (expected, Some(expected)));
    }
    let cine = s.session.cine().unwrap();
    assert_eq!((cine.number, cine.count, cine.playing, cine.decoding), (37, 60, false, false));
    s.act(Action::GoTo(key("still.dcm", 1)));
    assert!(s.session.cine().is_none(), "a still has no time line");
    s.act(Action::StepCine(1));
    s.act(Action::Scrub(5));
    s.act(Action::TogglePlay);
    assert_eq!(s.session.current().unwrap().path.to_str(), Some("still.dcm"));
    assert!(s.session.next_tick().is_none());
}

#[test]
fn a_frame_not_decoded_yet_shows_no_picture_and_a_late_answer_never_becomes_it() {
    let mut s = Slow::shown(500);
    s.act(Action::Scrub(100));
    assert_eq!(s.numbers(), (100, None));
    assert!(s.session.cine().unwrap().decoding);
    assert_eq!(s.now, Some(100));
    s.act(Action::Scrub(300));
    assert_eq!(s.now, Some(300), "the newest wish replaces the one before");
    s.decode(100);
    assert_eq!(s.numbers(), (300, None));
    s.act(Action::Place(PxPoint::new(5.0, 5.0)));
    assert!(s.session.work().is_empty(), "nothing is placed on a frame that is not seen");
    s.decode(300);
    assert_eq!(s.numbers(), (300, Some(300)));
    s.decode(100);
    assert_eq!(s.numbers(), (300, Some(300)));
    s.act(Action::GoTo(key("still.dcm", 1)));
    s.decode(301);
    assert!(s.session.picture().is_none());
    assert_eq!(s.session.kept_bytes().0, 0, "frames of a cine that was left are not kept");
}

#[test]
fn more_is_decoded_ahead_in_the_direction_of_travel() {
    let mut s = Slow::shown(500);
    s.act(Action::Scrub(250));
    s.act(Action::StepCine(1));
    let ahead = |s: &Slow, at: u32| (s.ahead.iter().filter(|n| **n > at).count(), s.ahead.iter().filter(|n| **n < at).count());
    assert_eq!(s.ahead[..2], [252, 253]);
    let (on, back) = ahead(&s, 251);
    assert!(on >= 2 * back && back >= 3 && on + back < BUDGET / (1024 * 768 * 3), "{on} on, {back} back");
    s.act(Action::StepCine(-1));
    assert_eq!(s.ahead[..2], [249, 248]);
    let (on, back) = ahead(&s, 250);
    assert!(back >= 2 * on && on >= 3, "{on} on, {back} back");
}

#[test]
fn what_is_at_hand_is_shown_at_once_and_not_decoded_again() {
    let mut s = Slow::shown(500);
    s.act(Action::Scrub(250));
    s.answer_all();
    let before = s.decoded;
    for n in 251..=262 {
        s.act(Action::StepCine(1));
        assert_eq!((s.numbers(), s.now), ((n, Some(n)), None));
        s.answer_all();
    }
    assert_eq!(s.decoded - before, 12, "twelve steps on, twelve more frames decoded");
}

#[test]
fn the_budget_holds_from_end_to_end_and_back() {
    let mut s = Slow::shown(500);
    s.answer_all();
    let mut most = 0;
    for n in (1..=500).step_by(7).chain((1..=500).rev().step_by(13)) {
        s.act(Action::Scrub(n));
        s.answer_all();
        assert_eq!(s.numbers(), (n, Some(n)));
        most = most.max(s.session.kept_bytes().0);
    }
    assert!(most > BUDGET / 2, "the room is used: {most} bytes");
}

/// Plays from `from` s in passes `pass` s apart; returns (time, frame shown) of every change.
fn play(s: &mut Slow, from: f64, seconds: f64, pass: f64) -> Vec<(f64, u32)> {
    let mut seen = Vec::new();
    let mut last = s.numbers().0;
    let passes = (seconds / pass).round() as u32;
    for i in 0..=passes {
        let now = from + f64::from(i) * pass;
        if s.session.next_tick().is_some_and(|due| now >= due) {
            s.act(Action::Tick(now));
        }
        s.answer_all();
        let (number, picture) = s.numbers();
        assert_eq!(picture, Some(number), "while playing a picture is always there, under its own number");
        if number != last {
            seen.push((now, number));
            last = number;
        }
    }
    seen
}

#[test]
fn it_plays_at_the_stored_frame_time_and_round_and_round() {
    let mut e = exam(60);
    e.files[0].facts.frame_time_ms = Some(40.0);
    e.files[0].facts.cine_rate = Some(99.0);
    let mut s = Slow::on(e);
    s.answer_all();
    assert_eq!(s.session.cine().unwrap().pace.words(), "25 frames a second (Frame Time)");
    s.act(Action::TogglePlay);
    let seen = play(&mut s, 1000.0, 4.0, 0.005);
    let (at, number) = seen[23];
    assert!((at - 1000.0 - 24.0 * 0.04).abs() < 0.01 && number == 25, "{at} {number}");
    assert_eq!(seen.len(), 100, "4 s of 40 ms");
    assert_eq!(seen[59].1, 1, "after the last the first");
    s.act(Action::TogglePlay);
    assert!(s.session.next_tick().is_none(), "paused, nothing is due");
    let at = s.numbers();
    s.act(Action::Tick(5000.0));
    assert_eq!(s.numbers(), at);
}

#[test]
fn each_frame_stands_for_its_own_time_in_the_vector() {
    let mut e = exam(3);
    e.files[0].facts.frame_time_vector_ms = vec![0.0, 100.0, 300.0];
    e.files[0].facts.frame_time_ms = Some(10.0);
    let mut s = Slow::on(e);
    s.answer_all();
    assert_eq!(s.session.cine().unwrap().pace.source(), PaceSource::FrameTimeVector);
    s.act(Action::TogglePlay);
    let seen = play(&mut s, 0.0, 0.7, 0.005);
    let expected = [(0.1, 2), (0.4, 3), (0.6, 1)];
    assert_eq!(seen.len(), 4);
    for ((at, n), (t, m)) in seen.iter().zip(expected) {
        assert!((at - t).abs() < 0.006 && *n == m, "{seen:?}");
    }
}

#[test]
fn a_rate_that_is_not_stored_is_said_not_to_be() {
    for (time, rate, vector, words) in [
        (None, Some(30.0), vec![], "30 frames a second (Cine Rate)"),
        (Some(0.0), Some(8.5), vec![0.0, 20.0], "8.5 frames a second (Cine Rate)"),
        (Some(f64::NAN), Some(0.0), vec![], "rate not stored; played at 20 frames a second"),
        (Some(-3.0), None, vec![0.0; 60], "rate not stored; played at 20 frames a second"),
    ] {
        let mut e = exam(60);
        let facts = &mut e.files[0].facts;
        (facts.frame_time_ms, facts.cine_rate, facts.frame_time_vector_ms) = (time, rate, vector);
        assert_eq!(Slow::on(e).session.cine().unwrap().pace.words(), words);
    }
}

#[test]
fn once_ends_at_the_last_frame_and_begins_again_from_the_first() {
    let mut s = Slow::shown(5);
    s.act(Action::ToggleOnce);
    s.act(Action::Scrub(3));
    s.answer_all();
    s.act(Action::TogglePlay);
    let seen = play(&mut s, 0.0, 2.0, 0.01);
    assert_eq!(seen.iter().map(|x| x.1).collect::<Vec<_>>(), [4, 5]);
    assert!(!s.session.cine().unwrap().playing);
    s.act(Action::TogglePlay);
    assert_eq!(s.numbers(), (1, Some(1)));
}

#[test]
fn playing_waits_for_a_frame_that_is_not_there_with_the_one_before_under_its_own_number() {
    let mut s = Slow::shown(500);
    s.ahead.clear();
    s.act(Action::TogglePlay);
    s.ahead.clear();
    s.act(Action::Tick(10.0));
    s.act(Action::Tick(10.06));
    assert_eq!((s.numbers(), s.now), ((1, Some(1)), Some(2)));
    assert!(s.session.next_tick().is_none(), "nothing is drawn while waiting");
    s.decode(2);
    let due = s.session.next_tick().unwrap();
    assert!(due <= 10.2);
    s.act(Action::Tick(10.2));
    assert_eq!(s.numbers(), (2, Some(2)));
    s.act(Action::Tick(10.4));
    s.act(Action::Decoded(key(CINE, 3), Err("the image is cut short".into())));
    assert!(!s.session.cine().unwrap().playing);
    assert_eq!(s.session.messages().last().unwrap(), "Paused: frame 3 cannot be shown. the image is cut short");
    assert_eq!(s.numbers(), (2, Some(2)));
}

#[test]
fn after_a_standstill_playing_goes_on_from_where_it_was() {
    let mut s = Slow::shown(500);
    s.answer_all();
    s.act(Action::TogglePlay);
    s.act(Action::Tick(0.0));
    s.act(Action::Tick(3600.0));
    s.answer_all();
    assert!(s.numbers().0 < 12, "{:?}", s.numbers());
}

#[test]
fn what_is_meant_for_the_frame_seen_pauses_first() {
    let mut s = Slow::shown(60);
    s.answer_all();
    for action in [
        Action::Place(PxPoint::new(100.0, 100.0)),
        Action::StateSide(Side::Covers),
        Action::Drag(Mark::InternalOs, PxPoint::new(1.0, 1.0)),
        Action::Save,
    ] {
        s.act(Action::TogglePlay);
        assert!(s.session.armed().is_none(), "nothing can be placed on a frame about to go");
        s.act(action);
        assert!(!s.session.cine().unwrap().playing && s.session.work().is_empty());
        assert!(s.session.messages().last().unwrap().starts_with("Paused."));
        assert_eq!(s.session.armed(), Some(Mark::InternalOs), "an untouched still frame asks for its os");
    }
    s.act(Action::TogglePlay);
    s.act(Action::Arm(Mark::PlacentalEdge));
    assert!(!s.session.cine().unwrap().playing);
    assert_eq!(s.session.armed(), Some(Mark::PlacentalEdge));
    for wish in [Action::StepFrame(1), Action::Scrub(30), Action::StepCine(-1), Action::StepMarked(true)] {
        s.act(Action::TogglePlay);
        let marked = matches!(wish, Action::StepMarked(_));
        s.act(wish);
        s.answer_all();
        assert_eq!(s.session.cine().unwrap().playing, marked, "with no marked frame to go to it plays on");
    }
}

#[test]
fn landmarks_stay_on_their_frame_and_mark_it_on_the_time_line() {
    let mut s = Slow::shown(60);
    s.answer_all();
    s.act(Action::Scrub(12));
    s.answer_all();
    s.act(Action::Place(PxPoint::new(400.0, 300.0)));
    let mut seen = BTreeSet::new();
    s.act(Action::Scrub(1));
    s.answer_all();
    for _ in 0..59 {
        if !s.session.work().is_empty() {
            seen.insert(s.numbers().0);
        }
        s.act(Action::StepCine(1));
        s.answer_all();
    }
    assert_eq!(seen, BTreeSet::from([12]));
    assert_eq!(s.session.frame_marks(), [(12, FrameMark::Unsaved)]);
    s.act(Action::StepMarked(false));
    s.answer_all();
    assert_eq!(s.numbers().0, 12);
    s.act(Action::StepMarked(true));
    assert_eq!(s.numbers().0, 12);
    assert!(s.session.messages().last().unwrap().starts_with("No frame after this one"));
}

/// A world that answers at once, for what is saved.
fn read_and_save(frames_alike: bool) -> (Session, Vec<osspan::record::Stored>) {
    let world = Memory::default();
    let mut session = Session::new(guideline::tables().unwrap(), settings());
    let mut act = |action: Action| {
        let mut queue = vec![action];
        while !queue.is_empty() {
            for effect in session.apply(queue.remove(0)) {
                let answer = world.answer(effect);
                queue.extend(answer.map(|a| match a {
                    Action::Decoded(k, Ok(f)) if frames_alike => {
                        let mut f = (*f).clone();
                        f.id.sha256 = "frozen".into();
                        Action::Decoded(k, Ok(Arc::new(f)))
                    }
                    other => other,
                }));
            }
        }
    };
    act(Action::Open(vec!["exam".into()]));
    act(Action::GoTo(key("visit2-cine.dcm", 4)));
    for (mark, x) in [(Mark::InternalOs, 400.0), (Mark::PlacentalEdge, 260.0)] {
        act(Action::Arm(mark));
        act(Action::Place(PxPoint::new(x, 300.0)));
    }
    act(Action::StateSide(Side::NotCovering));
    act(Action::Save);
    act(Action::StepCine(1));
    let saved = world.saved.lock().unwrap().clone();
    (session, saved)
}

#[test]
fn saved_readings_mark_their_frames_for_their_reader_alone_before_they_are_decoded() {
    let (session, saved) = read_and_save(false);
    assert_eq!(session.frame_marks(), [(4, FrameMark::Reading)]);
    for (reader, expected) in [("R. Ito", vec![(4, FrameMark::Reading)]), ("A. Second", vec![])] {
        let mut other = settings();
        other.reader = Some(reader.into());
        let mut again = Session::new(guideline::tables().unwrap(), other);
        let _ = again.apply(Action::Records(saved.clone(), Vec::new()));
        let _ = again.apply(Action::Opened(Ok(invented::found())));
        let _ = again.apply(Action::GoTo(key("visit2-cine.dcm", 1)));
        assert_eq!(again.frame_marks(), expected, "{reader}");
    }
}

#[test]
fn equal_frames_of_a_frozen_cine_do_not_share_a_reading() {
    let (session, saved) = read_and_save(true);
    assert_eq!(saved.len(), 1);
    assert_eq!(session.current().unwrap().number, 5);
    assert!(session.picture().is_some() && session.work().is_empty());
    assert_eq!(session.frame_marks(), [(4, FrameMark::Reading)]);
}

fn window(size: [f32; 2], light: bool) -> Harness<'static, App> {
    let mut settings = settings();
    settings.light = light;
    let session = Session::new(guideline::tables().unwrap(), settings);
    let first = vec![Action::Open(vec!["exam".into()])];
    let mut h = Harness::builder()
        .with_size(size)
        .with_max_steps(16)
        .renderer(super::raster::CpuRenderer::default())
        .build_eframe(move |cc| App::new(&cc.egui_ctx, session, Box::new(Memory::default()), first));
    h.run();
    h.state_mut().act(vec![Action::GoTo(key("visit2-cine.dcm", 1))]);
    h.run();
    h
}

fn number(h: &Harness<'static, App>) -> u32 {
    h.state().session().current().unwrap().number
}

#[test]
fn the_time_line_is_dragged_and_stepped_by_keys_and_named() {
    let mut h = window([1280.0, 800.0], false);
    let line = h.get_by(|n| n.role() == Role::Slider);
    assert_eq!(line.accesskit_node().label().as_deref(), Some("time line: frame 1 of 6"));
    let rect = line.rect();
    let (y, at) = (rect.bottom() - 6.0, |part: f32| rect.left() + 8.0 + (rect.width() - 16.0) * part);
    h.hover_at(pos2(at(0.0), y));
    h.run();
    h.drag_at(pos2(at(0.0), y));
    h.run();
    for (part, expected) in [(0.4, 3), (0.79, 5), (1.3, 6), (0.21, 2)] {
        h.hover_at(pos2(at(part), y));
        h.run();
        assert_eq!(number(&h), expected);
        assert!(h.query_by_label(&format!("Frame {expected} of 6")).is_some());
    }
    h.drop_at(pos2(at(0.21), y));
    h.run();
    assert_eq!(number(&h), 2);
    for (key, with, expected) in [
        (Key::End, Modifiers::NONE, 6),
        (Key::Home, Modifiers::NONE, 1),
        (Key::PageDown, Modifiers::SHIFT, 6),
        (Key::Comma, Modifiers::NONE, 5),
        (Key::Period, Modifiers::NONE, 6),
        (Key::PageUp, Modifiers::SHIFT, 1),
        (Key::PageDown, Modifiers::NONE, 2),
    ] {
        h.key_press_modifiers(with, key);
        h.run();
        assert_eq!(number(&h), expected, "{key:?}");
    }
    // With the focus on it, arrows step the cine and leave the frame's landmarks alone.
    h.get_by(|n| n.role() == Role::Slider).focus();
    h.run();
    h.key_press(Key::ArrowRight);
    h.run();
    assert_eq!(number(&h), 3);
    assert!(h.state().session().cross().is_none());
}

#[test]
fn keys_play_and_pause_and_marked_frames_are_items_of_their_own() {
    let mut h = window([1280.0, 800.0], false);
    h.state_mut().act(vec![Action::Scrub(4), Action::StepFrame(0)]);
    h.run();
    h.state_mut().act(vec![Action::Place(PxPoint::new(300.0, 200.0)), Action::PutDown]);
    h.run();
    h.key_press(Key::Home);
    h.run();
    h.get_by_label("frame 4 of 6, has landmarks not saved").click();
    h.run();
    assert_eq!(number(&h), 4);
    assert!(h.query_by_label("time line: frame 4 of 6, has landmarks not saved").is_some());
    h.key_press(Key::Home);
    h.run();
    h.key_press(Key::J);
    h.run();
    assert_eq!(number(&h), 4);
    h.key_press(Key::P);
    h.step();
    h.step();
    assert!(h.state().session().cine().unwrap().playing && h.query_by_label("Pause (P)").is_some());
    h.get_by_label("Pause (P)").click();
    h.step();
    h.step();
    assert!(!h.state().session().cine().unwrap().playing);
    h.run();
    assert!(h.query_by_label("Play (P)").is_some());
}

#[test]
fn the_time_line_draws_in_both_themes_and_sizes() {
    let Some(dir) = std::env::var_os("OSSPAN_SCREENS") else { return };
    for (size, size_name) in [([1280.0, 800.0], "1280"), ([1920.0, 1080.0], "1920")] {
        for (light, theme) in [(false, "dark"), (true, "light")] {
            let mut h = window(size, light);
            for frame in [2, 4] {
                h.state_mut().act(vec![Action::Scrub(frame)]);
                h.run();
                h.state_mut().act(vec![Action::Place(PxPoint::new(400.0, 310.0)), Action::Place(PxPoint::new(245.0, 302.0))]);
                h.state_mut().act(vec![Action::PutDown, Action::StateSide(Side::NotCovering)]);
                h.run();
                if frame == 2 {
                    h.state_mut().act(vec![Action::Save]);
                    h.run();
                }
            }
            h.state_mut().act(vec![Action::Scrub(5)]);
            h.run();
            let picture = h.render().unwrap();
            picture.save(std::path::Path::new(&dir).join(format!("cine-{size_name}-{theme}.png"))).unwrap();
        }
    }
}
