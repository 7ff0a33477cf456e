//! Scales in a session: decisions, rulers picked on the picture, checks of a phantom and their history.

use std::path::PathBuf;
use std::sync::Arc;

use jiff::civil::date;
use osspan::calibrate::Basis;
use osspan::files::Settings;
use osspan::frame::{Frame, FrameId, Geometry, Samples};
use osspan::guideline;
use osspan::load::ExamKey;
use osspan::measure::Side;
use osspan::phantom::made::{Seen, seen};
use osspan::phantom::{check, phantom};
use osspan::reading::{Distance, Reading};
use osspan::scanners::{History, ScaleCheck};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, Effect, Found, Mark};
use osspan::viewer::page::Page;
use osspan::viewer::session::{ExamState, FrameKey, Outcome, ScaleAction as Do, ScaleEffect, Session, SourceFile};

use super::invented;

/// Ticks 20 px apart at the right of a dark picture.
fn ticked(sha: &str) -> Frame {
    let (w, h) = (640_u32, 480_u32);
    let data = (0..h)
        .flat_map(|y| (0..w).map(move |x| (x, y)))
        .map(|(x, y)| if (40..440).contains(&y) && (y - 40) % 20 == 0 && (600..606).contains(&x) { 220 } else { 3 })
        .collect();
    let id = FrameId { sha256: sha.into(), sop_instance_uid: None, frame_number: 1 };
    Frame { id, width: w, height: h, samples: Samples::Gray8(data) }
}

fn key(name: &str) -> FrameKey {
    FrameKey { path: PathBuf::from(name), number: 1 }
}

/// A session with these files open, each of one frame with ticks; the first is shown and marked.
fn with(files: &[(&str, Geometry)]) -> Session {
    let mut settings = Settings::default();
    settings.reader = Some("R. Ito".into());
    settings.guideline = Some("us-consensus-2014".into());
    let mut s = Session::new(guideline::tables().unwrap(), settings);
    let day = date(2031, 3, 14);
    let source = |(name, geometry): &(&str, Geometry)| SourceFile {
        path: PathBuf::from(name),
        frame_count: 1,
        geometry: geometry.clone(),
        facts: invented::facts("1.9", day),
        warnings: Vec::new(),
    };
    let exam = ExamState::new(ExamKey::Study("1.9".into()), invented::patient(), Some(day), files.iter().map(source).collect(), Vec::new());
    let _ = s.apply(Action::Opened(Ok(Found { exams: vec![exam], ..Found::default() })));
    for (name, _) in files.iter().rev() {
        mark(&mut s, name);
    }
    s
}

fn mark(s: &mut Session, name: &str) {
    let _ = s.apply(Action::GoTo(key(name)));
    let _ = s.apply(Action::Decoded(key(name), Ok(Arc::new(ticked(name)))));
    for (m, x) in [(Mark::InternalOs, 300.0), (Mark::PlacentalEdge, 160.0), (Mark::PlacentalBody, 100.0)] {
        let _ = s.apply(Action::Arm(m));
        let _ = s.apply(Action::Place(PxPoint::new(x, 240.0)));
    }
    let _ = s.apply(Action::StateSide(Side::NotCovering));
}

fn act(s: &mut Session, what: Do) -> Vec<Effect> {
    s.apply(Action::Scale(what))
}

fn reading(s: &Session) -> &Reading {
    match s.outcome() {
        Outcome::Read(r) => r,
        other => panic!("{other:?}"),
    }
}

fn bare() -> Geometry {
    Geometry { regions: Vec::new(), ..invented::geometry() }
}

#[test]
fn a_contradicted_scale_waits_for_a_reason_which_can_be_taken_back() {
    // 20 px apart at 0.1 mm are 2 mm; at 0.13 mm they are 2.6 mm, which no ruler has.
    let mut g = invented::geometry();
    (g.regions[0].delta_x, g.regions[0].delta_y) = (Some(0.013), Some(0.013));
    let mut s = with(&[("a.dcm", g)]);
    assert!(matches!(reading(&s).distance, Distance::NoScale { .. }) && s.scale_at(PxPoint::new(300.0, 240.0)).is_none());
    let _ = act(&mut s, Do::Resolve);
    assert!(s.messages().last().unwrap().contains("give the reason"));
    let _ = act(&mut s, Do::TypeReason("the marks are not a ruler".into()));
    let _ = act(&mut s, Do::Resolve);
    assert!(matches!(reading(&s).distance, Distance::Measured(_)) && s.scale().reason().is_empty());
    let record = s.save_job().unwrap().record("2031-03-14T09:26:53+01:00".into()).unwrap();
    assert_eq!(record.scale_facts.resolved.as_ref().unwrap().reason, "the marks are not a ruler");
    let _ = s.apply(Action::Undo);
    assert!(matches!(reading(&s).distance, Distance::NoScale { .. }), "undo takes the decision back");
}

#[test]
fn a_ruler_is_picked_typed_confirmed_and_taken_over_only_by_choice() {
    let mut s = with(&[("f/a.png", bare()), ("f/b.png", bare()), ("g/c.png", Geometry { rows: 470, ..bare() })]);
    assert!(matches!(reading(&s).distance, Distance::NoScale { .. }));
    let _ = act(&mut s, Do::PickRuler);
    let _ = act(&mut s, Do::RulerAt(PxPoint::new(602.0, 41.0)));
    let _ = act(&mut s, Do::RulerAt(PxPoint::new(603.0, 420.0)));
    let found = s.scale().ruler().found.clone().unwrap();
    assert_eq!(found.ticks.len(), 20, "{found:?}");
    for (typed, square, says) in [("19", true, "unit"), ("3.8 cm", false, "square"), ("3.8 mm", true, "20 to 300 mm")] {
        let _ = act(&mut s, Do::TypeDistance(typed.into()));
        let _ = act(&mut s, Do::SquarePixels(square));
        let _ = act(&mut s, Do::SetByHand);
        assert!(s.messages().last().unwrap().contains(says), "{typed}: {:?}", s.messages());
        assert!(matches!(reading(&s).distance, Distance::NoScale { .. }));
    }
    assert!(s.scale().ruler().asked_mm.is_some_and(|mm| (mm - 6.4).abs() < 0.1), "the size is asked about");
    let _ = act(&mut s, Do::SquarePixels(true));
    let _ = act(&mut s, Do::TypeDistance("3,8 cm".into()));
    let _ = act(&mut s, Do::SetByHand);
    let Distance::Measured(m) = &reading(&s).distance else { panic!("{:?}", s.messages()) };
    // 38 mm over 19 steps of 20 px: 0.1 mm a pixel, so 140 px are 14 mm.
    assert!(
        matches!(m.scale.calibration.basis(), Basis::Hand { .. }) && reading(&s).headline.contains("14 mm"),
        "{}",
        reading(&s).headline
    );
    // The next picture of the same size and source has none until the reader takes it over.
    let _ = s.apply(Action::GoTo(key("f/b.png")));
    let _ = s.apply(Action::Decoded(key("f/b.png"), Ok(Arc::new(ticked("f/b.png")))));
    assert!(matches!(reading(&s).distance, Distance::NoScale { .. }));
    assert_eq!(s.hand_scales_to_take_over(), [key("f/a.png")]);
    let _ = act(&mut s, Do::TakeOver(key("f/a.png")));
    assert!(s.work().scale.hand.unwrap().taken_from.is_some());
    let _ = s.apply(Action::GoTo(key("g/c.png")));
    let _ = s.apply(Action::Decoded(key("g/c.png"), Ok(Arc::new(ticked("g/c.png")))));
    assert!(s.hand_scales_to_take_over().is_empty(), "another size");
}

#[test]
fn a_ruler_belongs_to_its_frame_and_a_landmark_ends_its_picking() {
    let mut s = with(&[("f/a.png", bare()), ("f/b.png", bare())]);
    let pick = |s: &mut Session| {
        let _ = act(s, Do::PickRuler);
        let _ = act(s, Do::RulerAt(PxPoint::new(602.0, 41.0)));
    };
    pick(&mut s);
    let _ = act(&mut s, Do::RulerAt(PxPoint::new(603.0, 420.0)));
    assert!(s.scale().ruler().found.is_some());
    let _ = s.apply(Action::GoTo(key("f/b.png")));
    let _ = s.apply(Action::Decoded(key("f/b.png"), Ok(Arc::new(ticked("f/b.png")))));
    assert!(s.scale().ruler().found.is_none(), "ticks of one frame never scale another");
    for end in [Action::Arm(Mark::InternalOs), Action::Escape] {
        let _ = s.apply(Action::PutDown);
        pick(&mut s);
        let _ = s.apply(end);
        assert!(!s.scale().ruler().picking && s.scale().ruler().first.is_none());
    }
}

#[test]
fn a_phantom_is_checked_kept_and_then_stands_behind_readings() {
    let d = phantom("endocavity-10").unwrap();
    let (frame, geometry, _) = seen(&d, &Seen { mm_per_px: [0.2; 2], header_mm_per_px: [0.2; 2], ..Seen::default() });
    let mut s = with(&[("p.dcm", geometry.clone())]);
    let _ = s.apply(Action::ShowPage(Page::ScaleChecks));
    assert!(act(&mut s, Do::CheckFrame).is_empty() && s.messages().last().unwrap().contains("Choose the phantom"));
    let _ = act(&mut s, Do::ChoosePhantom("endocavity-10".into()));
    let effects = act(&mut s, Do::CheckFrame);
    assert!(matches!(&effects[..], [Effect::Scale(ScaleEffect::Check(..))]) && s.scale().busy());
    let _ = act(&mut s, Do::Checked(key("p.dcm"), "endocavity-10".into(), Err("too few pins were found".into())));
    assert!(s.scale().fault().unwrap().contains("too few") && s.scale().together().is_none());
    let done = check(&frame, &geometry, &d).unwrap();
    let _ = act(&mut s, Do::Checked(key("p.dcm"), "endocavity-10".into(), Ok(Box::new(done.clone()))));
    assert_eq!(s.scale().together().unwrap().verdict(), osspan::phantom::Verdict::Within);
    // The invented file names no scanner: such a check belongs to nobody.
    assert!(act(&mut s, Do::Keep).is_empty() && s.messages().last().unwrap().contains("does not name its scanner"));
    let _ = act(&mut s, Do::ChoosePhantom("grid-10".into()));
    assert!(s.scale().checked().is_empty(), "another phantom begins anew");
    // What was still being looked for on the phantom before says nothing of this one's grid.
    let _ = act(&mut s, Do::Checked(key("p.dcm"), "endocavity-10".into(), Ok(Box::new(done))));
    assert!(s.scale().checked().is_empty() && !s.scale().busy());
}

#[test]
fn the_last_check_before_the_exam_is_looked_up_by_scanner() {
    let mut entry: ScaleCheck = osspan::scanners::sample_checks().unwrap().pop().unwrap();
    entry.scanner.model = Some("M".into());
    entry.scanner.manufacturer = None;
    (entry.checked_on, entry.next_due) = (date(2031, 1, 1), date(2032, 1, 1));
    let mut s = with(&[("a.dcm", invented::geometry())]);
    assert!(reading(&s).scale_lines.iter().any(|l| l.text.contains("never checked")));
    let _ = act(&mut s, Do::History(Box::new(History::new(vec![entry])), date(2031, 4, 1)));
    // The invented frames name no scanner, so nothing is taken for theirs.
    assert!(reading(&s).scale_lines.iter().any(|l| l.text.contains("never checked")));
    assert_eq!(s.scale().today(), Some(date(2031, 4, 1)));
}
