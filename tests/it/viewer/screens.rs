//! Screens of the window, drawn on the CPU. With `OSSPAN_SCREENS` naming a folder they are written there to be looked at.

use egui::accesskit::Role;
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use osspan::context::{Bladder, Contraction, Route};
use osspan::files::Settings;
use osspan::guideline;
use osspan::measure::Side;
use osspan::units::PxPoint;
use osspan::viewer::action::{Action, ContextChange, Mark};
use osspan::viewer::app::App;
use osspan::viewer::session::{MoreChange, PlanAction, Session, Typed};

use super::drawn::{Look, looks};
use super::invented::{Memory, key};
use super::raster::CpuRenderer;

fn at(x: f64, y: f64) -> PxPoint {
    PxPoint::new(x, y)
}

fn window(size: [f32; 2], light: bool, settings: &Settings, first: Vec<Action>) -> Harness<'static, App> {
    let mut settings = settings.clone();
    settings.light = light;
    let session = Session::new(guideline::tables().unwrap(), settings);
    let mut h = Harness::builder()
        .with_size(size)
        .with_max_steps(16)
        .renderer(CpuRenderer::default())
        .build_eframe(move |cc| App::new(&cc.egui_ctx, session, Box::new(Memory::default()), first));
    h.run();
    h
}

/// Who reads, and by what.
fn set_up() -> Settings {
    let mut s = Settings::default();
    s.reader = Some("R. Ito".into());
    s.guideline = Some("us-consensus-2014".into());
    s
}

/// What opens the invented exam.
fn opened() -> Vec<Action> {
    vec![Action::Open(vec!["exam".into()])]
}

fn do_it(h: &mut Harness<'static, App>, actions: Vec<Action>) {
    h.state_mut().act(actions);
    h.run();
}

fn mark(h: &mut Harness<'static, App>, marks: &[(Mark, f64, f64)], side: Side) {
    let mut all = Vec::new();
    for (m, x, y) in marks {
        all.extend([Action::Arm(*m), Action::Place(at(*x, *y))]);
    }
    all.extend([Action::PutDown, Action::StateSide(side)]);
    all.extend([
        Action::Context(ContextChange::Route(Route::Transvaginal)),
        Action::Context(ContextChange::Bladder(Bladder::Empty)),
        Action::Context(ContextChange::Contraction(Contraction::Absent)),
    ]);
    do_it(h, all);
}

/// Nothing is cut off at the sides of the window.
fn nothing_is_cut_off(h: &Harness<'static, App>, name: &str, width: f32) {
    for node in h.query_all_by(|n| matches!(n.role(), Role::Button | Role::TextInput | Role::Label | Role::RadioButton | Role::Link)) {
        let rect = node.rect();
        assert!(rect.left() >= -0.5 && rect.right() <= width + 0.5, "{name}: {:?} at {rect:?}", node.accesskit_node().label());
    }
}

fn write(h: &mut Harness<'static, App>, name: &str) {
    nothing_is_cut_off(h, name, h.ctx.content_rect().width());
    let picture = h.render().unwrap();
    let bright = picture.pixels().filter(|p| p.0[0] > 200).count();
    assert!(bright > 200, "{name} is blank");
    if let Some(dir) = std::env::var_os("OSSPAN_SCREENS") {
        picture.save(std::path::Path::new(&dir).join(format!("{name}.png"))).unwrap();
    }
}

#[test]
fn every_screen_draws_in_both_themes_and_sizes() {
    for Look(size, light, size_name) in looks() {
        let theme = if light { "light" } else { "dark" };
        let name = |what: &str| format!("{what}-{size_name}-{theme}");
        let mut h = window(size, light, &Settings::default(), Vec::new());
        write(&mut h, &name("empty"));

        let mut h = window(size, light, &set_up(), opened());
        do_it(&mut h, vec![Action::GoTo(key("visit1-a.dcm", 1))]);
        mark(
            &mut h,
            &[(Mark::InternalOs, 330.0, 300.0), (Mark::PlacentalEdge, 390.0, 300.0), (Mark::PlacentalBody, 250.0, 310.0)],
            Side::Covers,
        );
        do_it(&mut h, vec![Action::Save]);
        write(&mut h, &name("overlap"));
        do_it(&mut h, vec![Action::GoTo(key("visit2-cine.dcm", 2))]);
        mark(
            &mut h,
            &[(Mark::InternalOs, 400.0, 310.0), (Mark::PlacentalEdge, 245.0, 302.0), (Mark::PlacentalBody, 200.0, 330.0)],
            Side::NotCovering,
        );
        do_it(&mut h, vec![Action::ToggleList, Action::GoTo(key("visit2-a.dcm", 1))]);
        do_it(&mut h, vec![Action::ToggleList]);
        h.hover_at(egui::pos2(420.0, 350.0));
        h.run();
        write(&mut h, &name("placing"));
        mark(
            &mut h,
            &[(Mark::InternalOs, 390.0, 310.0), (Mark::PlacentalEdge, 250.0, 302.0), (Mark::PlacentalBody, 200.0, 330.0)],
            Side::NotCovering,
        );
        write(&mut h, &name("reading"));
        do_it(&mut h, vec![Action::ToggleWhy, Action::ToggleList]);
        write(&mut h, &name("why-and-list"));
        let context = |c| Action::Context(c);
        do_it(
            &mut h,
            vec![
                Action::ToggleWhy,
                Action::Plan(PlanAction::ToggleMore),
                context(ContextChange::Caesareans("2".into())),
                context(ContextChange::Bleeding(osspan::context::Bleeding::Now)),
                context(ContextChange::More(MoreChange::Type(Typed::Cervix, "1,050".into()))),
                context(ContextChange::More(MoreChange::AddBleed(osspan::context::Heaviness::Light))),
                context(ContextChange::More(MoreChange::Type(Typed::ElsewhereMm, "-4,5".into()))),
                context(ContextChange::More(MoreChange::AddElsewhere)),
            ],
        );
        write(&mut h, &name("more-questions"));
        do_it(&mut h, vec![Action::Plan(PlanAction::ToggleMore), Action::Save]);
        write(&mut h, &name("urgent"));
        do_it(&mut h, vec![Action::ToggleWhy]);
        do_it(&mut h, vec![Action::ToggleHelp, Action::ToggleList]);
        write(&mut h, &name("help"));
        do_it(&mut h, vec![Action::ToggleHelp, Action::RequestClose]);
        write(&mut h, &name("closing"));
    }
}
