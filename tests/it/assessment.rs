//! Assessments: two forms alike, a set that comes out the same bit for bit, taken blind, marked under the lead's seal.

use osspan::ErrorKind;
use osspan::files::unseal;
use osspan::practice::assessment::{
    Answers, AssessmentResult, Criteria, Form, Frozen, MOST_APART, ROUND, Signed, Sitting, cases, freeze, likeness, mark_answers,
    read_part, read_set, slots,
};
use osspan::practice::{Answer, Desk, Expected, Secret};
use osspan::synth::cases::{EdgeForm, NEAR_MM, THRESHOLDS_MM};

use crate::commands::{osspan, text};
use crate::common::practice::{KINDS, answer, guideline, rng, scored};
use crate::practice::files;

const NOW: &str = "2031-03-14T10:00:00+00:00";
const LATER: &str = "2031-03-14T10:01:00+00:00";
const SECRET: [u8; 32] = [7; 32];

fn secret(i: u8) -> Secret {
    Secret::new([i; 32])
}

#[test]
fn two_forms_are_alike_slot_by_slot_and_share_no_picture() {
    let table = guideline();
    let mut alike = 0;
    for i in 0..12 {
        let [a, b] = Form::BOTH.map(|form| cases(&secret(i), form, 2).unwrap());
        assert_eq!((a.len(), b.len(), slots(2).len()), (2 * ROUND, 2 * ROUND, 2 * ROUND));
        assert_eq!(cases(&secret(i), Form::A, 2).unwrap(), a, "the same secret, the same set");
        for x in &a {
            let y = b.iter().find(|y| y.slot == x.slot).unwrap();
            let (v, w) = (x.task.wanted(), y.task.wanted());
            assert_eq!((v.level, v.trap, v.edge, v.wall), (w.level, w.trap, w.edge, w.wall));
            assert!((v.distance_mm - w.distance_mm).abs() <= 1.0 + 1e-9 && x.task.truth().internal_os != y.task.truth().internal_os);
            for limit in THRESHOLDS_MM {
                assert_eq!(v.distance_mm < limit, w.distance_mm < limit, "on the same side of {limit}");
            }
            assert!(x.id != y.id && v.seed != w.seed);
        }
        let to_reject = a.iter().filter(|p| p.task.expected() != Expected::Read).count();
        assert_eq!(to_reject, 10);
        assert_eq!(a.iter().filter(|p| p.task.key().near_limit && p.task.expected() == Expected::Read).count(), 12);
        // What docs/PRACTICE.md says of a round: five overlaps, one of them near 0; each look of the edge.
        let read: Vec<_> = a.iter().filter(|p| p.task.expected() == Expected::Read).map(|p| p.task.wanted()).collect();
        assert_eq!(read.iter().filter(|w| w.distance_mm < 0.0).count(), 2 * 5);
        assert_eq!(read.iter().filter(|w| (-NEAR_MM..0.0).contains(&w.distance_mm)).count(), 2);
        let looks = [EdgeForm::Usual, EdgeForm::Thin, EdgeForm::Thick, EdgeForm::Sinus];
        assert_eq!(looks.map(|look| read.iter().filter(|w| w.edge == look).count()), [20, 4, 4, 2]);
        let l = likeness(&a, &b, 2, &table);
        alike += usize::from(l.alike());
        assert!(l.most_mm <= 1.0 + 1e-9 && l.findings.len() == 9);
    }
    assert!(alike >= 6, "{alike} of 12 pairs within {MOST_APART}");
}

/// Simulated readers sit both forms of many assessments: neither form is harder.
#[test]
fn simulated_readers_do_as_well_on_either_form() {
    let table = guideline();
    for (k, kind) in KINDS.iter().enumerate() {
        let (mut well, mut findings) = ([0.0; 2], [0.0; 2]);
        let sittings = 40;
        for i in 0..sittings {
            for (f, form) in Form::BOTH.into_iter().enumerate() {
                let mut rng = rng(1000 * k as u64 + 2 * u64::from(i) + f as u64);
                let marked: Vec<_> = cases(&secret(i), form, 1)
                    .unwrap()
                    .iter()
                    .map(|p| osspan::practice::mark(&answer(kind, &p.task.key(), 2.0, &mut rng), &p.task.key(), &table).unwrap())
                    .collect();
                let s = scored(&marked);
                well[f] += f64::from(s.well.events) / f64::from(sittings);
                findings[f] += f64::from(s.finding.events) / f64::from(sittings);
            }
        }
        // Each mean of 40 sittings of 20 cases has a standard error of at most √(20/4)/√40 = 0.35; four of the difference's.
        for [a, b] in [well, findings] {
            assert!((a - b).abs() < 4.0 * 0.35 * 2.0_f64.sqrt(), "{kind:?}: {a} {b}");
        }
    }
}

fn criteria() -> Criteria {
    Criteria { least_well: 16, most_bias_mm: Some(2.0), most_sd_mm: Some(3.0), least_findings: Some(11), least_rejected: Some(4) }
}

#[test]
fn a_set_is_frozen_taken_blind_and_marked_under_its_passphrase_alone() {
    let dir = tempfile::tempdir().unwrap();
    let (set_dir, lead_seed, own_seed) = (dir.path().join("set"), [1; 32], [2; 32]);
    let table = guideline();
    let what = Frozen { name: "Spring", rounds: 1, criteria: criteria(), table: &table, by: "L. Lead", at: NOW };
    // A secret whose forms are alike, which freezing would look for by itself.
    let fit = (0..)
        .find(|i| likeness(&cases(&secret(*i), Form::A, 1).unwrap(), &cases(&secret(*i), Form::B, 1).unwrap(), 1, &table).alike())
        .unwrap();
    let alike = freeze(&set_dir, &what, "a long sentence", &lead_seed, || Ok([fit; 32])).unwrap();
    assert!(alike.alike());
    let impossible = Frozen { criteria: Criteria { least_well: 21, ..criteria() }, ..what.clone() };
    assert_eq!(freeze(&dir.path().join("no"), &impossible, "x", &lead_seed, || Ok(SECRET)).unwrap_err().kind(), ErrorKind::Usage);

    let form = set_dir.join("form-B");
    let set = read_set(&form).unwrap();
    assert_eq!((set.by.as_str(), set.content.cases.len()), ("L. Lead", ROUND));
    assert_eq!(unseal(&set.content.sealed, "a long sentence").unwrap(), [fit; 32]);

    // Nothing of the truth lies in the folder: names, set, frames.
    let placed = cases(&secret(fit), Form::B, 1).unwrap();
    for path in files(&form) {
        let bytes = std::fs::read(&path).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        for p in &placed {
            let (t, seed) = (p.task.truth(), p.task.wanted().seed);
            for v in [t.edge_to_os_mm, t.shortest_mm, t.internal_os.x, t.placental_edge.y] {
                for part in
                    [format!("{v:.3}").into_bytes(), v.to_le_bytes().to_vec(), seed.to_string().into_bytes(), seed.to_le_bytes().to_vec()]
                {
                    assert!(!bytes.windows(part.len()).any(|w| w == part) && !name.as_bytes().windows(part.len()).any(|w| w == part));
                }
            }
        }
    }

    // Two trainees take it: one answers what is true, the other as a poor reader would.
    let mut rng = rng(3);
    let mut handed = Vec::new();
    for (name, good) in [("T. Good", true), ("T. Poor", false)] {
        let desk = || Desk::open(dir.path(), name).unwrap();
        let mut sitting = Sitting::open(&form, desk()).unwrap();
        assert_eq!(sitting.hand_in(&form, &own_seed, NOW).unwrap_err().kind(), ErrorKind::Usage);
        while let Some(turn) = sitting.turn(NOW).unwrap() {
            let key = placed.iter().find(|p| p.id == turn.id).unwrap().task.key();
            let given = match (good, key.expected) {
                (true, Expected::Read) => Answer::Read { landmarks: key.landmarks, side: key.side },
                (true, Expected::Reject { reason }) => Answer::Reject { reason },
                (false, _) => answer(&KINDS[5], &key, 2.0, &mut rng),
            };
            assert_eq!(sitting.answer("another", given, LATER).unwrap_err().kind(), ErrorKind::Usage);
            sitting.answer(&turn.id, given, LATER).unwrap();
            // Left and taken up again, it goes on where it was.
            sitting = Sitting::open(&form, desk()).unwrap();
        }
        let path = sitting.hand_in(&form, &own_seed, LATER).unwrap();
        assert_eq!(sitting.hand_in(&form, &own_seed, LATER).unwrap_err().kind(), ErrorKind::Record, "once");
        handed.push(path);
    }
    let read = |i: usize| -> Signed<Answers> { read_part(&handed[i]).unwrap() };
    let result = mark_answers(&form, &read(0), "a long sentence", &table).unwrap();
    assert!(result.passed && result.score.well.events == 20 && result.criteria.len() == 5, "{:?}", result.criteria);
    assert_eq!((result.trainee.as_str(), result.cases[0].seconds), ("T. Good", Some(60.0)));
    assert!(!AssessmentResult::new(&set, &read(1), &placed, &table).unwrap().passed);
    assert_eq!(mark_answers(&form, &read(0), "another sentence", &table).unwrap_err().kind(), ErrorKind::Usage);
    assert!(mark_answers(&set_dir.join("form-A"), &read(0), "a long sentence", &table).is_err(), "answers to the other form");
    let signed = Signed::new(result, "L. Lead", LATER, &lead_seed).unwrap();
    let json = signed.to_json().unwrap();
    assert_eq!(Signed::<AssessmentResult>::from_json(&json).unwrap(), signed);
    assert!(Signed::<AssessmentResult>::from_json(&json.replacen("\"passed\": true", "\"passed\": false", 1)).is_err());

    // Answers changed after they were signed, and a frame changed after it was frozen, are found.
    let changed = std::fs::read_to_string(&handed[1]).unwrap().replacen("T. Poor", "T. Best", 1);
    assert!(Signed::<Answers>::from_json(&changed).unwrap_err().message().contains("changed after it was signed"));
    let frame = form.join("frames").join(format!("{}.dcm", set.content.cases[0].id));
    let mut bytes = std::fs::read(&frame).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    std::fs::write(&frame, bytes).unwrap();
    assert_eq!(Sitting::open(&form, Desk::open(dir.path(), "T. Third").unwrap()).unwrap().turn(NOW).unwrap_err().kind(), ErrorKind::Format);
}

/// The same secret and version give the same bytes on every machine and in every later build of this version.
#[test]
fn frames_come_out_bit_for_bit() {
    let placed = cases(&Secret::new(SECRET), Form::A, 1).unwrap();
    let digest = |i: usize| {
        let p = &placed[i];
        osspan::digest::sha256_hex(p.task.object(&p.id).unwrap().to_bytes().unwrap())
    };
    assert_eq!(
        [placed[0].id.clone(), digest(0), digest(13)],
        [
            "0f4ed294c26f84453353",
            "eda0b0313666563d990bdebd8e0ce9ea48107c037d8cab3a7a13882ae422fb99",
            "143c103968d74ddcdbba8b18ca891660e639ede0abad930d1dbd944a5ea2fa8d"
        ]
    );
}

#[test]
fn a_trainee_neither_freezes_nor_marks() {
    let data = tempfile::tempdir().unwrap();
    let to = data.path().join("set");
    osspan(data.path(), &["profile", "--reader", "T. Trainee", "--role", "trainee"]);
    let freeze = ["assessment", "freeze", "--to", to.to_str().unwrap(), "--name", "x", "--guideline", "rcog-2018", "--least-well", "16"];
    let refused = osspan(data.path(), &freeze);
    assert!(text(&refused.stderr).contains("a trainee neither freezes"), "{}", text(&refused.stderr));
    assert!(!to.exists());
    assert!(text(&osspan(data.path(), &["assessment", "freeze", "--to", "x", "--name", "x"]).stderr).contains("--least-well"));
}
