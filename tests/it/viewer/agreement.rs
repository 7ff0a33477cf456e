//! The page of the agreement study, driven by keys and labels on the invented study and on saved records.

use egui::{Key, Modifiers};
use osspan::agree::study::{By, Study};
use osspan::plot::axes::Form;
use osspan::viewer::action::Action;
use osspan::viewer::page::Page;
use osspan::viewer::session::{AgreementAction as Do, Chart, Kind};

use super::drive::{Window, label, wait, window};

fn open(h: &mut Window) {
    h.key_press(Key::F12);
    wait(h, "the page", |s| s.page() == Page::Agreement && !s.agreement().waiting());
}

#[test]
fn the_invented_study_is_looked_at_point_by_point_and_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    open(&mut h);
    assert!(h.state().session().agreement().made().is_none(), "there are no readings yet");
    label(&mut h, "Look at the invented study");
    wait(&mut h, "the study", |s| s.agreement().made().is_some_and(|m| m.invented));
    let s = |h: &Window| h.state().session().agreement().plot().unwrap().clone();
    assert_eq!(s(&h).points.len(), 72);
    assert!(s(&h).notes[0].starts_with("Invented"), "the plot says that it is invented");

    // From point to point by means; the first is the smallest.
    h.key_press(Key::ArrowRight);
    h.run();
    let first = h.state().session().agreement().chosen().unwrap();
    assert!(s(&h).points.iter().all(|p| p.mean_mm >= s(&h).points[first].mean_mm));
    h.key_press(Key::ArrowRight);
    h.run();
    let second = h.state().session().agreement().chosen().unwrap();
    assert!(second != first && s(&h).points[second].mean_mm >= s(&h).points[first].mean_mm);
    let (point, place) = h.state().session().agreement().point(second).unwrap();
    assert!((0.5 * (point.first_mm + point.second_mm) - s(&h).points[second].mean_mm).abs() < 1e-12);
    assert!(place.study_instance_uid.is_some());
    // An invented frame has no exam to go to, and that is said.
    h.key_press(Key::Enter);
    h.run();
    assert!(h.state().session().messages().iter().any(|m| m.contains("invented")) && h.state().session().page() == Page::Agreement);

    // Nearer, moved, whole again; what is out of view comes into view when it is stepped to.
    let whole = s(&h).shown();
    h.key_press(Key::Plus);
    h.run();
    assert!(s(&h).shown().means.1 - s(&h).shown().means.0 < whole.means.1 - whole.means.0);
    h.key_press_modifiers(Modifiers::SHIFT, Key::ArrowRight);
    h.run();
    assert!(!s(&h).shows(second));
    h.key_press(Key::ArrowLeft);
    h.run();
    assert!(s(&h).shows(first));
    h.key_press(Key::Num0);
    h.run();
    assert_eq!(s(&h).shown(), whole);

    // By parts: forms differ, the legend names each; one part alone has its own figures.
    label(&mut h, "points by: scanner");
    assert!(s(&h).legend.len() == 2 && s(&h).points.iter().any(|p| p.form == Form::Ring));
    let all = s(&h).bias.at_mm;
    let part = h.state().session().agreement().pair().unwrap().subgroups.iter().find(|g| g.part.by == By::Distance).unwrap().part.clone();
    label(&mut h, &format!("frames: {}", part.words()));
    assert!(s(&h).points.len() < 72 && (s(&h).bias.at_mm - all).abs() > 1e-9);
    label(&mut h, "readers: B. Invented and C. Invented");
    assert_eq!(s(&h).of, "B. Invented − C. Invented");
    for chart in Chart::ALL {
        label(&mut h, &format!("plot: {}", chart.words()));
        assert_eq!(h.state().session().agreement().forest().is_some(), chart != Chart::Differences);
    }

    for (i, kind) in Kind::ALL.into_iter().enumerate() {
        label(&mut h, &format!("write: {}", kind.words()));
        let ends = format!(".{}", kind.ending());
        wait(&mut h, "the file", |s| s.agreement().said().is_some_and(|t| t.ends_with(&ends)));
        assert_eq!(std::fs::read_dir(dir.path().join("agreement")).unwrap().count(), i + 1);
    }
    let file = |ending: &str| {
        let found = std::fs::read_dir(dir.path().join("agreement")).unwrap().map(|f| f.unwrap().path());
        std::fs::read(found.into_iter().find(|p| p.extension().is_some_and(|e| e == ending)).unwrap()).unwrap()
    };
    assert!(String::from_utf8(file("svg")).unwrap().contains("Invented"));
    assert!(image::load_from_memory(&file("png")).unwrap().width() > 2000);
    let study: Study = serde_json::from_slice(&file("json")).unwrap();
    assert_eq!(study.pairs.len(), 3);
    assert!(file("csv").starts_with(b"who,figure,unit"));
}

#[test]
fn late_answers_do_not_stand_for_newer_ones() {
    let dir = tempfile::tempdir().unwrap();
    let mut h = window(dir.path());
    h.state_mut().act(vec![Action::ShowPage(Page::Agreement), Do::Invented(true).into(), Do::Invented(false).into()]);
    h.run();
    wait(&mut h, "the last answer", |s| !s.agreement().waiting());
    // The invented study was asked for first and may come last.
    std::thread::sleep(std::time::Duration::from_secs(2));
    h.run();
    assert!(h.state().session().agreement().made().is_none());
}
