#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use jiff::civil::{Date, date};

use super::*;
use crate::phantom::made::{Seen, seen};
use crate::phantom::{Check, check, phantom, tolerance};

fn checks(header: f64) -> Vec<Check> {
    let d = phantom("endocavity-10").unwrap();
    let (frame, geometry, _) = seen(&d, &Seen { mm_per_px: [0.2; 2], header_mm_per_px: [0.2, header], ..Seen::default() });
    vec![check(&frame, &geometry, &d).unwrap()]
}

fn key(probe: &str) -> ScannerKey {
    ScannerKey { manufacturer: Some("Nobody".into()), model: Some("None".into()), device: None, probe: Some(probe.into()) }
}

fn entry(day: Date, probe: &str, preset: Option<&str>, header: f64) -> ScaleCheck {
    let made = Made {
        checked_on: day,
        made_at: format!("{day}T10:00:00+00:00"),
        by: " R. Ito ".into(),
        scanner: key(probe),
        preset: preset.map(str::to_owned),
    };
    ScaleCheck::new(made, &checks(header), &phantom("endocavity-10").unwrap(), &tolerance().unwrap()).unwrap()
}

#[test]
fn a_saved_check_is_signed_linked_and_noticed_when_changed_or_gone() {
    let dir = tempfile::tempdir().unwrap();
    let seed = [3; 32];
    let history = load(dir.path()).unwrap();
    let (first, path) = save(dir.path(), &history, entry(date(2030, 1, 2), "A", None, 0.2), &seed).unwrap();
    assert_eq!(first.by, "R. Ito");
    let history = load(dir.path()).unwrap();
    let (second, _) = save(dir.path(), &history, entry(date(2031, 1, 2), "A", None, 0.2), &seed).unwrap();
    assert_eq!(second.follows, Some(first.id().unwrap()));
    let history = load(dir.path()).unwrap();
    assert!(history.missing().is_empty() && history.damaged.is_empty());
    assert!(save(dir.path(), &History::default(), first.clone(), &seed).is_err(), "saved twice");

    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("R. Ito", "R. Itoh")).unwrap();
    let history = load(dir.path()).unwrap();
    assert!(history.damaged[0].contains("changed after it was signed"));
    assert_eq!(history.missing(), [first.id().unwrap()]);
    let forged = serde_json::to_string(&entry(date(2030, 1, 2), "A", None, 0.2).as_invented()).unwrap();
    assert!(ScaleCheck::from_json(&forged).unwrap_err().to_string().contains("invented"));
}

#[test]
fn a_reading_takes_the_last_check_before_it_of_its_own_probe_and_preset() {
    let history = History::new(vec![
        entry(date(2030, 6, 1), "A", Some("cervix"), 0.2),
        entry(date(2030, 1, 1), "A", Some("cervix"), 0.206),
        entry(date(2030, 3, 1), "A", Some("pelvis"), 0.2),
    ]);
    let last = |preset, day| history.last_for(&key("A"), preset, day);
    assert_eq!(last(Some("cervix"), date(2030, 12, 1)).unwrap().checked_on, date(2030, 6, 1));
    let earlier = last(Some("cervix"), date(2030, 5, 1)).unwrap();
    assert_eq!((earlier.checked_on, earlier.other_preset), (date(2030, 1, 1), false));
    assert!((earlier.error_y - 0.03).abs() < 2e-3 && earlier.verdict == crate::calibrate::CheckVerdict::Defect, "{earlier:?}");
    assert!(last(None, date(2030, 12, 1)).unwrap().other_preset);
    assert_eq!(last(Some("cervix"), date(2029, 12, 31)), None);
    assert_eq!(history.last_for(&key("B"), None, date(2030, 12, 1)), None);
    let listed = history.scanners(date(2031, 5, 31));
    assert_eq!((listed.len(), listed[0].checks.len(), listed[0].due), (1, 3, Due::On(date(2031, 6, 1))));
    assert_eq!(history.scanners(date(2031, 6, 2))[0].due, Due::Overdue(date(2031, 6, 1)));
}

#[test]
fn the_bundled_history_is_invented_and_of_the_sample_scanner_only() {
    for c in sample_checks().unwrap() {
        assert!(c.invented && c.scanner.manufacturer.as_deref() == Some("Osspan") && c.key.is_empty());
    }
}
