//! More questions, who was told, who is due and the whole answer in the window.

use osspan::context::{AccretaSign, Answer, Bladder, Bleeding, Contraction, Heaviness, Route};
use osspan::files::Settings;
use osspan::followup::{Standing, UrgentId};
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, ContextChange, Effect, Mark};
use osspan::viewer::page::Page;
use osspan::viewer::session::{MoreChange, Outcome, PlanAction, SaveState, Session, Typed};

use super::invented::{Memory, key};

/// A session in a world in memory that answers at once.
struct World {
    session: Session,
    memory: Memory,
}

impl World {
    fn new() -> Self {
        let mut settings = Settings::default();
        settings.reader = Some("R. Ito".into());
        settings.guideline = Some("us-consensus-2014".into());
        let mut world = Self { session: Session::new(guideline::tables().unwrap(), settings), memory: Memory::default() };
        world.act(Action::Open(vec!["exam".into()]));
        world
    }

    fn act(&mut self, action: Action) {
        let mut waiting: Vec<Effect> = self.session.apply(action);
        while !waiting.is_empty() {
            let effect = waiting.remove(0);
            if let Some(answer) = self.memory.answer(effect) {
                waiting.extend(self.session.apply(answer));
            }
        }
    }

    fn say(&mut self, change: ContextChange) {
        self.act(Action::Context(change));
    }

    fn more(&mut self, change: MoreChange) {
        self.say(ContextChange::More(change));
    }

    fn plan(&mut self, action: PlanAction) {
        self.act(Action::Plan(action));
    }

    /// A complete reading of a frame, the edge 14 mm away or 6 mm beyond the os.
    fn read(&mut self, path: &str, covers: bool) {
        self.act(Action::GoTo(key(path, 1)));
        let edge = if covers { 390.0 } else { 190.0 };
        let body = if covers { 250.0 } else { 140.0 };
        for (mark, x) in [(Mark::InternalOs, 330.0), (Mark::PlacentalEdge, edge), (Mark::PlacentalBody, body)] {
            self.act(Action::Arm(mark));
            self.act(Action::Place(PxPoint::new(x, 310.0)));
        }
        self.act(Action::PutDown);
        self.act(Action::StateSide(if covers { Side::Covers } else { Side::NotCovering }));
        self.say(ContextChange::Route(Route::Transvaginal));
        self.say(ContextChange::Bladder(Bladder::Empty));
        self.say(ContextChange::Contraction(Contraction::Absent));
        assert!(matches!(self.session.outcome(), Outcome::Read(_)), "{:?}", self.session.outcome());
    }

    fn now(&self) -> Vec<String> {
        self.session.plan().unwrap().now.iter().map(|l| l.row.clone()).collect()
    }
}

#[test]
fn typed_numbers_take_commas_refuse_what_is_ambiguous_and_can_be_taken_back() {
    let mut w = World::new();
    w.read("visit2-a.dcm", false);
    let context = |w: &World| w.session.exam().unwrap().context.clone();
    w.more(MoreChange::Type(Typed::Cervix, "31,5".into()));
    assert_eq!(context(&w).cervical_length_mm.unwrap().get(), 31.5);
    w.more(MoreChange::Type(Typed::Cervix, "1,050".into()));
    assert_eq!(context(&w).cervical_length_mm, None, "an old number does not outlive what was typed over it");
    assert!(Typed::Cervix.fault("1,050").unwrap().contains("two ways"));
    w.more(MoreChange::Type(Typed::Station, "-3".into()));
    w.more(MoreChange::Type(Typed::Fetuses, "9".into()));
    assert_eq!((context(&w).head_station_cm, context(&w).fetuses), (Some(-3), None));
    w.more(MoreChange::Type(Typed::BleedDate, "1 Mar 2031".into()));
    w.more(MoreChange::AddBleed(Heaviness::Heavy));
    assert_eq!(context(&w).bleeds[0].on.unwrap().to_string(), "2031-03-01");
    w.more(MoreChange::Type(Typed::BleedDate, "yesterday".into()));
    w.more(MoreChange::AddBleed(Heaviness::Heavy));
    assert_eq!(context(&w).bleeds.len(), 1, "a day that cannot be read adds nothing");
    w.more(MoreChange::Type(Typed::ElsewhereMm, "-4,5".into()));
    w.more(MoreChange::Type(Typed::ElsewhereBy, " first hospital ".into()));
    w.more(MoreChange::AddElsewhere);
    let one = &context(&w).measured_elsewhere[0];
    assert_eq!((one.signed_mm.get(), one.by.as_str()), (-4.5, "first hospital"));
    assert!(w.session.plan().unwrap().statements.iter().any(|l| l.text.contains("overlap of 4.5 mm")));
    w.act(Action::Undo);
    assert!(context(&w).measured_elsewhere.is_empty());
    w.act(Action::Redo);
    w.more(MoreChange::RemoveElsewhere(0));
    w.more(MoreChange::RemoveElsewhere(0));
    w.more(MoreChange::RemoveBleed(7));
    assert!(context(&w).measured_elsewhere.is_empty() && context(&w).bleeds.len() == 1);
}

#[test]
fn the_checklist_is_asked_for_recorded_and_makes_signs_urgent() {
    let mut w = World::new();
    w.read("visit2-a.dcm", false);
    w.say(ContextChange::Caesareans("2".into()));
    assert!(w.now().iter().any(|r| r.ends_with("now / accreta")));
    w.more(MoreChange::Assessed(Answer::Yes));
    assert!(w.now().iter().any(|r| r.ends_with("now / accreta-assessed")));
    w.more(MoreChange::Sign(AccretaSign::Lacunae));
    w.more(MoreChange::Sign(AccretaSign::LossOfPlane));
    assert_eq!(w.session.exam().unwrap().context.accreta_signs, [AccretaSign::LossOfPlane, AccretaSign::Lacunae]);
    assert_eq!(w.session.plan().unwrap().urgent[0].id, UrgentId::SuspectedAccreta);
    w.more(MoreChange::Sign(AccretaSign::Lacunae));
    w.more(MoreChange::Sign(AccretaSign::LossOfPlane));
    assert!(w.session.plan().unwrap().urgent.is_empty());
    w.act(Action::Save);
    assert_eq!(w.session.save_state(), SaveState::Saved);
    assert_eq!(w.memory.saved.lock().unwrap()[0].record.context.accreta_assessed, Answer::Yes);
}

#[test]
fn who_was_told_is_recorded_and_closes_the_matter_once_it_is_read_back() {
    let mut w = World::new();
    w.read("visit2-a.dcm", false);
    w.say(ContextChange::Bleeding(Bleeding::Now));
    assert_eq!(w.session.open_urgent()[0].id, UrgentId::Bleeding);
    w.act(Action::Save);
    let id = w.session.record_of_current().unwrap().record.id().to_owned();
    let standing = |w: &World| w.session.planning().list().unwrap().rows[0].listed.standing[0];
    w.act(Action::ShowPage(Page::Due));
    assert_eq!(standing(&w), Standing::OpenUrgent);
    w.plan(PlanAction::AskTold(id.clone(), UrgentId::Bleeding));
    w.plan(PlanAction::SaveTold);
    assert!(w.session.messages().iter().any(|m| m.contains("Name who was told")) && w.memory.told.lock().unwrap().is_empty());
    w.plan(PlanAction::TypeTo("Dr A. Example".into()));
    w.plan(PlanAction::SaveTold);
    // Told but not read back: still open, and it still heads the list.
    assert_eq!((w.session.open_urgent().len(), standing(&w)), (1, Standing::OpenUrgent));
    w.plan(PlanAction::AskTold(id, UrgentId::Bleeding));
    w.plan(PlanAction::TypeTo("Dr A. Example".into()));
    w.plan(PlanAction::ReadBack(true));
    w.plan(PlanAction::SaveTold);
    assert!(w.session.open_urgent().is_empty() && standing(&w) != Standing::OpenUrgent);
    let told = w.memory.told.lock().unwrap();
    assert_eq!(told.len(), 2);
    assert_eq!(told[1].record.told.by, "R. Ito");
}

#[test]
fn escape_puts_away_what_is_being_stated_before_it_leaves_the_page() {
    let mut w = World::new();
    w.act(Action::ShowPage(Page::Due));
    w.plan(PlanAction::AskTold("x".into(), UrgentId::Bleeding));
    w.act(Action::Escape);
    assert!(w.session.planning().telling().is_none() && w.session.page() == Page::Due);
    w.act(Action::Escape);
    assert_eq!(w.session.page(), Page::Reading);
}

#[test]
fn the_whole_answer_holds_the_change_over_ones_own_visits_and_what_an_earlier_reading_asks_for() {
    let mut w = World::new();
    w.read("visit1-a.dcm", true);
    w.act(Action::Save);
    assert_eq!(w.session.earlier_low_seen(), None);
    w.read("visit3-a.dcm", false);
    assert_eq!(w.session.earlier_low_seen().unwrap().to_string(), "2030-12-19");
    w.say(ContextChange::EarlierLow(Answer::Yes));
    assert_eq!(w.session.earlier_low_seen(), None);
    w.act(Action::Save);
    w.act(Action::ShowPage(Page::Answer));
    let answer = w.session.planning().answer().unwrap();
    assert!(answer.sheet.section("Cautions").is_some() && answer.sheet.section("Other tables").unwrap().lines.len() == 2);
    let mm: Vec<f64> = answer.series.points.iter().map(|p| p.signed_mm.get().round()).collect();
    assert_eq!(mm, [-6.0, 14.0]);
    assert!(answer.series.trend.as_ref().unwrap().demonstrated);
    // Another reader's visits stay out of sight.
    w.act(Action::TypeReader("B. Owusu".into()));
    w.act(Action::NameReader);
    w.act(Action::ShowPage(Page::Answer));
    assert!(w.session.planning().answer().is_none_or(|a| a.series.points.is_empty()));
    // The page is not kept up to date out of sight.
    w.act(Action::ShowPage(Page::Tables));
    assert!(w.session.planning().answer().is_none() && w.session.planning().memory().is_none());
    w.plan(PlanAction::ToggleFromMemory);
    assert!(w.session.planning().memory().unwrap().len() > 40);
}

#[test]
fn an_open_exam_that_nobody_read_is_listed_as_unread_and_can_be_gone_to() {
    let mut w = World::new();
    w.read("visit1-a.dcm", true);
    w.act(Action::Save);
    w.act(Action::ShowPage(Page::Due));
    let rows = &w.session.planning().list().unwrap().rows;
    let standing: Vec<Standing> = rows.iter().map(|r| r.listed.standing[0]).collect();
    // The first visit was read, but a later, unread one takes its place.
    assert_eq!(standing, [Standing::Unread, Standing::Unread]);
    w.plan(PlanAction::GoToStudy("1.3".into()));
    assert_eq!((w.session.page(), w.session.current().unwrap()), (Page::Reading, &key("visit3-a.dcm", 1)));
}
