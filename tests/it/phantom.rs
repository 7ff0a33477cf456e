//! Phantom checks recover a known scale, and the commands say and keep what came of it.

use std::path::Path;

use crate::common::phantom::{coverage, on_frames};

#[test]
fn known_scales_are_found_to_a_thousandth_and_intervals_hold_them() {
    for id in ["grid-10", "endocavity-10", "column-and-rows"] {
        let f = on_frames(id);
        assert!(f.worst.iter().all(|w| *w < 1e-3), "{id}: {:?}", f.worst);
        assert!(f.rotation < 0.1 && f.shear < 2e-3, "{id}: {}° {}", f.rotation, f.shear);
        for held in coverage(id) {
            assert!((0.93..=0.975).contains(&held), "{id}: {held}");
        }
    }
}

fn osspan(data: &Path, args: &[&str]) -> (i32, String) {
    let made = std::process::Command::new(env!("CARGO_BIN_EXE_osspan"))
        .args(args)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .env("OSSPAN_DATA", data)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&made.stdout).into_owned() + &String::from_utf8_lossy(&made.stderr);
    (made.status.code().unwrap(), text)
}

#[test]
fn a_check_is_made_kept_and_listed_by_commands() {
    let data = tempfile::tempdir().unwrap();
    let frames = ["calibration/sample/phantom-1.dcm", "calibration/sample/phantom-2.dcm"];
    let check = |rest: &[&str]| osspan(data.path(), &[&["phantom", "check"], &frames[..], rest].concat());
    let (code, text) = check(&["--phantom", "endocavity-10", "--save", "--by", "R. Ito"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("within tolerance") && text.contains("from memory") && text.contains("next check due 2026-01-27"), "{text}");
    let (code, text) = check(&["--phantom", "grid-10"]);
    assert!(code == 3 && text.contains("do not lie as this phantom's do"), "{code} {text}");
    let (code, text) = osspan(data.path(), &["phantom", "history", "--today", "2026-01-28"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("OVERDUE since 2026-01-27") && text.contains("by R. Ito") && text.contains("INVENTED"), "{text}");
    let kept = std::fs::read_dir(data.path().join("scale-checks")).unwrap().next().unwrap().unwrap().path();
    let text = std::fs::read_to_string(&kept).unwrap();
    std::fs::write(&kept, text.replacen("R. Ito", "R. Oti", 1)).unwrap();
    let (code, text) = osspan(data.path(), &["phantom", "history"]);
    assert!(code == 1 && text.contains("changed after it was signed"), "{code} {text}");
}
