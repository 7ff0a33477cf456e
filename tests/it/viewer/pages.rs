//! Every page but the reading page with something on it, with the real worker: two readers' records, a course with answered cases,
//! an archive, a phantom, reports, the invented study. Nothing is cut off and nothing lies over anything else, at both sizes, in both
//! themes and with letters twice as large. With `OSSPAN_SCREENS` naming a folder the pages are written there to be looked at.

use std::path::{Path, PathBuf};

use egui::{Key, Modifiers};
use egui_kittest::Harness;
use osspan::archive::{ArchiveSettings, Found, Outbox, Receiver, Sender};
use osspan::context::{Bladder, Bleeding, Contraction, Route};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::Side;
use osspan::phantom::made::{Seen, seen};
use osspan::phantom::{check, phantom};
use osspan::practice::{Attempt, CaseRef, Desk, LEVELS, Source, Taken, Task, VERSION};
use osspan::record::Store;
use osspan::scanners::{History, sample_checks};
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, ContextChange, Mark};
use osspan::viewer::app::App;
use osspan::viewer::page::Page;
use osspan::viewer::session::{
    AgreementAction, ArchiveAction, Asked, FrameKey, PlanAction, PracticeAction, ReportAction, ReviewAction, ScaleAction, Session,
};
use osspan::viewer::worker::Worker;

use super::drawn::{Look, faults, looks};
use super::drive::{Window, sample, wait};
use super::raster::CpuRenderer;
use crate::commands::{osspan, text};
use crate::common::practice::{KINDS, answer, guideline as course_table, rng};
use crate::invented::Case;

const READER: &str = "B. Second";

/// Folders with everything that the pages show.
struct Content {
    dir: tempfile::TempDir,
    _archive: Receiver,
}

impl Content {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let shared = dir.path().join("shared");
        let records = shared.to_string_lossy().into_owned();
        // The first reader reads the whole sample, the second its last two visits.
        let done = osspan(&dir.path().join("one"), &["sample", "--records", &records]);
        assert!(done.status.success(), "{}", text(&done.stderr));
        for (file, os, edge, body) in [
            ("visit-2/frame-1.dcm", "303.0,195.0", "319.0,257.0", "300.9,290.9"),
            ("visit-3/frame-1.dcm", "325.0,135.0", "318.0,172.0", "306.0,195.0"),
        ] {
            let file = sample().join(file).to_string_lossy().into_owned();
            let mut words = vec!["read", &file, "--os", os, "--edge", edge, "--body", body, "--side", "not-covering"];
            words.extend(["--guideline", "us-consensus-2014", "--due-date", "2025-06-30", "--route", "transvaginal", "--bladder", "empty"]);
            words.extend(["--contraction", "absent", "--reader", READER, "--save", "--records", &records]);
            let done = osspan(&dir.path().join("two"), &words);
            assert!(done.status.success(), "{}", text(&done.stderr));
        }
        others(&shared);
        let archive = archive(dir.path());
        let answered = Desk::open(&dir.path().join("two"), READER).unwrap().dir().join("attempts");
        std::fs::create_dir_all(&answered).unwrap();
        for attempt in attempts() {
            std::fs::write(answered.join(format!("attempt-{}.json", &attempt.content_sha256[..20])), attempt.to_json().unwrap()).unwrap();
        }
        Self { dir, _archive: archive }
    }

    fn data(&self) -> PathBuf {
        self.dir.path().join("two")
    }
}

/// Readings of other women by the same reader, one of them urgent.
fn others(shared: &Path) {
    let store = Store::at(shared);
    for (n, bleeding) in [(0_u64, Bleeding::Now), (1, Bleeding::None), (2, Bleeding::None)] {
        let mut case = Case::plain();
        case.context.bleeding = bleeding;
        let mut origin = Case::origin();
        origin.reader = READER.into();
        origin.patient.name = Some(["Invented^Beatriz Alejandra", "Invented^Chi", "Invented^Dorothea"][n as usize].into());
        origin.patient.number = Some(format!("INV-{n}"));
        origin.study_instance_uid = Some(format!("2.25.10{n}"));
        origin.frame.sha256 = format!("{n:016x}").repeat(4);
        store.save(&case.record_of(origin).unwrap()).unwrap();
    }
}

/// Two archives, one of them out of reach, and an outbox in which something is stored, something waits.
fn archive(dir: &Path) -> Receiver {
    let site = dir.join("site");
    let there = "title = \"SITE\"\n[receiver]\nport = 0\n[[caller]]\ntitle = \"DESK\"\n";
    let receiver = Receiver::start(&ArchiveSettings::parse(there, &site).unwrap(), &site, |_| {}).unwrap();
    let data = dir.join("two");
    let text = format!(
        "title = \"DESK\"\n[receiver]\nport = 0\n[[caller]]\ntitle = \"SCANNER\"\n\
         [[archive]]\nname = \"hospital\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {}\n\
         [[archive]]\nname = \"regional archive\"\ntitle = \"REGION\"\nhost = \"127.0.0.1\"\nport = 1\n\
         [patience]\nconnect_s = 1\nretry_s = 600\n",
        receiver.address().port()
    );
    std::fs::create_dir_all(&data).unwrap();
    std::fs::write(data.join("archive.toml"), &text).unwrap();
    let outbox = Outbox::of(&data);
    for (file, to) in [("frame-1", "hospital"), ("frame-2", "hospital"), ("frame-1", "regional archive")] {
        outbox.add(&sample().join("visit-3").join(file).with_extension("dcm"), to, false).unwrap();
    }
    let settings = ArchiveSettings::parse(&text, &data).unwrap();
    let pass = Sender::new(settings, &data).pass(&mut |_| std::ops::ControlFlow::Continue(())).unwrap();
    assert_eq!(pass.stored, 2, "{pass:?}");
    receiver
}

/// Cases of every level as a trainee of some bias answers them.
fn attempts() -> Vec<Attempt> {
    let mut random = rng(7);
    let one = |i: usize| {
        let (level, seed) = (LEVELS[i % LEVELS.len()], 40 + i as u64);
        let key = Task::new(level, seed).unwrap().key();
        let answered = answer(&KINDS[2], &key, 2.0, &mut random);
        let taken = Taken {
            reader: READER.into(),
            given_at: format!("2031-03-14T10:{i:02}:00Z"),
            submitted_at: format!("2031-03-14T10:{i:02}:42Z"),
        };
        Attempt::new(
            CaseRef { id: format!("{i:020x}"), source: Source::Course { seed, level, version: VERSION } },
            taken,
            answered,
            &key,
            &course_table(),
        )
        .unwrap()
    };
    (0..30).map(one).collect()
}

/// A window, and what is wrong with its pages so far.
struct Pages {
    h: Window,
    look: Look,
    wrong: Vec<String>,
}

impl Pages {
    fn new(look: Look, records: PathBuf, data: PathBuf, first: Vec<Action>) -> Self {
        let h = Harness::builder().with_size(look.0).with_max_steps(64).renderer(CpuRenderer::default()).build_eframe(move |cc| {
            let mut settings = Settings::load(&data).unwrap();
            settings.light = look.1;
            let worker = Worker::new(records, data, &cc.egui_ctx);
            App::new(&cc.egui_ctx, Session::new(guideline::tables().unwrap(), settings), Box::new(worker), first)
        });
        let mut pages = Self { h, look, wrong: Vec::new() };
        pages.h.run();
        pages
    }

    fn act(&mut self, actions: Vec<Action>) {
        self.h.state_mut().act(actions);
        self.h.run();
    }

    fn wait(&mut self, what: &str, so: impl Fn(&Session) -> bool) {
        wait(&mut self.h, what, so);
    }

    fn press(&mut self, with: Modifiers, key: Key) {
        self.h.key_press_modifiers(with, key);
        self.h.run();
    }

    /// Looks at the page as it stands.
    fn look(&mut self, name: &str, over: bool) {
        let Look(_, light, size) = self.look;
        let name = format!("{name}-{size}-{}", if light { "light" } else { "dark" });
        // The line under a practice frame is the reading page's: what has no room there is shown whole under the pointer.
        let faults = faults(&self.h, over).into_iter().filter(|f| !f.starts_with("cut off: \"scale from the file"));
        // Nobody knows beforehand where the landmarks of a practice case lie: on a small picture their names may have no room beside each
        // other. Those of a frame that is known are looked at in `first_steps`.
        let landmark = |f: &String| f.starts_with("over each other") && ["true os", "true edge", "20 mm"].iter().any(|n| f.contains(n));
        let faults = faults.filter(|f| !(name.starts_with("practice") && landmark(f)));
        self.wrong.extend(faults.map(|f| format!("{name}: {f}")));
        if let Some(dir) = std::env::var_os("OSSPAN_SCREENS") {
            self.h.render().unwrap().save(Path::new(&dir).join(format!("{name}.png"))).unwrap();
        }
    }

    /// Looks at the lower parts of what scrolls, too.
    fn look_down(&mut self, name: &str, at: [f32; 2]) {
        self.look(name, false);
        let [x, y] = self.look.0;
        for i in 1..=3 {
            self.h.hover_at(egui::pos2(x * at[0], y * at[1]));
            let modifiers = Modifiers::NONE;
            self.h.event(egui::Event::MouseWheel {
                unit: egui::MouseWheelUnit::Point,
                delta: egui::vec2(0.0, -0.8 * y),
                phase: egui::TouchPhase::Move,
                source: egui::MouseWheelSource::Wheel,
                modifiers,
            });
            self.h.run();
            self.h.run();
            self.look(&format!("{name}-{i}"), false);
        }
    }
}

fn empty(look: Look) -> Vec<String> {
    let dir = tempfile::tempdir().unwrap();
    let mut p = Pages::new(look, dir.path().join("records"), dir.path().to_path_buf(), Vec::new());
    for page in Page::ALL.into_iter().filter(|p| *p != Page::Reading) {
        p.act(vec![Action::ShowPage(page)]);
        p.wait("the page", |s| !s.agreement().waiting() && !s.planning().listing());
        p.look(&format!("empty {}", page.words()), false);
    }
    p.wrong
}

fn full(look: Look, content: &Content) -> Vec<String> {
    let data = content.data();
    let mut p = Pages::new(look, content.dir.path().join("shared"), data, vec![Action::Open(vec![sample()])]);
    p.wait("the first frame", |s| s.picture().is_some());
    p.act(vec![
        Action::TypeReader(READER.into()),
        Action::NameReader,
        ReviewAction::SetRole(osspan::record::Role::Reviewer).into(),
        Action::ChooseTable("us-consensus-2014".into()),
    ]);
    let key = FrameKey { path: sample().join("visit-3/frame-1.dcm"), number: 1 };
    p.act(vec![Action::GoTo(key.clone())]);
    p.wait("visit 3", |s| s.current() == Some(&key) && s.picture().is_some());

    p.act(vec![Action::ToggleHelp]);
    p.look("keys", true);
    p.act(vec![Action::ToggleHelp, Action::ToggleAbout]);
    p.look("about", true);
    p.act(vec![Action::ToggleAbout]);

    p.act(vec![Action::ShowPage(Page::Answer)]);
    p.wait("the answer", |s| s.planning().answer().is_some());
    p.look_down("answer", [0.2, 0.5]);
    p.act(vec![Action::ToggleWhy]);
    p.look("answer with sources", false);
    p.act(vec![Action::ToggleWhy]);

    p.act(vec![Action::ShowPage(Page::Due)]);
    p.wait("the list", |s| s.planning().list().is_some_and(|l| !l.rows.is_empty()));
    p.look_down("due", [0.3, 0.5]);
    let row = p.h.state().session().planning().list().unwrap().rows.iter().find(|r| !r.listed.open.is_empty()).unwrap().clone();
    p.act(vec![
        Action::Plan(PlanAction::AskTold(row.reading.unwrap(), row.listed.open[0])),
        Action::Plan(PlanAction::TypeTo("Dr A. Example".into())),
    ]);
    p.look("due telling", false);
    p.act(vec![Action::Escape, Action::ShowPage(Page::Tables)]);
    p.look_down("guidelines", [0.3, 0.5]);

    second_reading(&mut p);
    report(&mut p);
    agreement(&mut p);
    scale(&mut p, &key);
    archive_page(&mut p);
    teaching(&mut p);
    practice(&mut p);
    p.wrong
}

fn second_reading(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::SecondReading)]);
    p.wait("the exams", |s| s.review().exams().len() >= 2 && !s.review().waiting().is_empty());
    p.look("second reading", false);
    for i in 0..2 {
        p.act(vec![ReviewAction::StepExam(1).into()]);
        p.wait("the comparison", |s| s.review().chosen().is_some());
        std::thread::sleep(std::time::Duration::from_millis(300));
        p.h.run();
        p.look_down(&format!("second reading of {i}"), [0.7, 0.7]);
    }
}

fn report(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::Report)]);
    p.wait("the report", |s| s.report().preview().is_some());
    p.look_down("report", [0.1, 0.6]);
    p.act(vec![ReportAction::TogglePages.into()]);
    p.wait("the words", |s| s.report().preview().is_some() && !s.report().busy());
    p.look("report in words", false);
    p.act(vec![ReportAction::Choose(osspan::report::Form::PatientText).into()]);
    p.wait("the patient's page", |s| s.report().preview().is_some() && !s.report().busy());
    p.look("report for the patient", false);
    p.act(vec![ReportAction::Write.into()]);
    p.wait("the file", |s| s.report().said().is_some() && !s.report().busy());
    p.look("report written", false);
}

fn agreement(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::Agreement), AgreementAction::Invented(true).into()]);
    p.wait("the study", |s| s.agreement().made().is_some_and(|m| m.invented) && !s.agreement().waiting());
    p.act(vec![AgreementAction::Step(1).into()]);
    p.look_down("agreement", [0.1, 0.5]);
    for chart in osspan::viewer::session::Chart::ALL {
        p.act(vec![AgreementAction::Show(chart).into()]);
        p.look(&format!("agreement {}", chart.words()), false);
    }
}

fn scale(p: &mut Pages, key: &FrameKey) {
    let d = phantom("endocavity-10").unwrap();
    let (frame, geometry, _) =
        seen(&d, &Seen { mm_per_px: [0.2; 2], header_mm_per_px: [0.205; 2], pin_sd_mm: [0.1; 2], ..Seen::default() });
    let done = check(&frame, &geometry, &d).unwrap();
    p.act(vec![
        Action::ShowPage(Page::ScaleChecks),
        Action::Scale(ScaleAction::History(Box::new(History::new(sample_checks().unwrap())), jiff::civil::date(2031, 4, 1))),
        Action::Scale(ScaleAction::ChoosePhantom(d.id.clone())),
        Action::Scale(ScaleAction::Checked(key.clone(), d.id, Ok(Box::new(done)))),
    ]);
    p.look_down("scale checks", [0.8, 0.5]);
}

fn archive_page(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::Archive)]);
    p.wait("the outbox", |s| s.archive().set_up().outbox.len() == 3);
    let found = |n: u32| Found {
        study: format!("1.2.3.{n}"),
        date: Some("20310314".into()),
        patient: Some(format!("INV-{n}")),
        name: Some("Invented^Beatriz Alejandra".into()),
        description: Some("Transvaginal ultrasound, third trimester".into()),
        modalities: vec!["US".into(), "SR".into()],
        objects: Some(12 + n),
    };
    p.act(vec![
        ArchiveAction::Choose("hospital".into()).into(),
        ArchiveAction::Type(Asked::Name, "Inv".into()).into(),
        ArchiveAction::Test.into(),
        ArchiveAction::Receive(true).into(),
    ]);
    p.wait("the tests", |s| s.archive().tested().len() == 2 && s.archive().listening().is_some());
    p.act(vec![
        ArchiveAction::Answered(Ok(((1..6).map(found).collect(), true))).into(),
        ArchiveAction::Received("exam …4711 from SCANNER: image …0815 came, frames can be read".into()).into(),
    ]);
    p.look_down("archive", [0.1, 0.8]);
    p.act(vec![ArchiveAction::Receive(false).into()]);
    p.wait("the receiver's end", |s| s.archive().listening().is_none());
}

fn teaching(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::TeachingSet), Action::Teaching(osspan::viewer::session::TeachingAction::Prepare)]);
    p.wait("the set", |s| s.teaching().set().is_some() && s.teaching().picture().is_some());
    p.look_down("teaching set", [0.8, 0.8]);
    p.act(vec![Action::Teaching(osspan::viewer::session::TeachingAction::Forget)]);
}

fn practice(p: &mut Pages) {
    p.act(vec![Action::ShowPage(Page::Practice)]);
    p.wait("the answered cases", |s| s.page() == Page::Practice && s.practice().known().attempts.len() >= 30);
    p.look_down("practice", [0.7, 0.5]);
    p.act(vec![PracticeAction::AllAnswered(Ok(("/sets/form-A".into(), "Spring, form A".into()))).into()]);
    p.look_down("practice to hand in", [0.2, 0.5]);
    p.press(Modifiers::NONE, Key::PageDown);
    p.wait("a case", |s| s.practice().desk().is_some());
    p.look("practice case", false);
    let place = |m, x, y| [Action::Arm(m), Action::Place(PxPoint::new(x, y))];
    let mut all: Vec<Action> = place(Mark::InternalOs, 220.0, 150.0).into();
    all.extend(place(Mark::PlacentalEdge, 190.0, 210.0));
    all.extend([Action::PutDown, Action::StateSide(Side::NotCovering)]);
    all.extend([
        Action::Context(ContextChange::Route(Route::Transvaginal)),
        Action::Context(ContextChange::Bladder(Bladder::Empty)),
        Action::Context(ContextChange::Contraction(Contraction::Absent)),
        PracticeAction::ToggleReasons.into(),
    ]);
    p.act(all);
    p.look("practice case read", false);
    p.act(vec![PracticeAction::ToggleReasons.into()]);
    p.press(Modifiers::NONE, Key::S);
    p.wait("the marks", |s| s.practice().desk().and_then(Session::practice_case).is_some_and(|c| c.shown.is_some()));
    p.look_down("practice shown", [0.85, 0.6]);
}

#[test]
fn every_page_draws_whole_with_content_and_without() {
    let content = Content::new();
    let mut wrong = Vec::new();
    for look in looks() {
        wrong.extend(empty(look));
        wrong.extend(full(look, &content));
    }
    assert!(wrong.is_empty(), "{} faults:\n{}", wrong.len(), wrong.join("\n"));
}
