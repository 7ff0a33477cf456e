//! Practice without a window: no answer before submitting, honest scores, and what practice may do to clinical readings.

use std::path::{Path, PathBuf};

use osspan::agree::own::InUse;
use osspan::measure::Repeatability;
use osspan::measure::own_placement::LEAST_ERRORS;
use osspan::practice::placement::{Consent, Placement};
use osspan::practice::{Answer, Attempt, CaseRef, Desk, Expected, LEVELS, Level, Reason, Source, Taken, Task, VERSION, to_csv, to_json};
use osspan::reading;
use osspan::record::{Origin, Patient, ReadingRecord, verify, verify_text};
use osspan::units::Mm;

use crate::commands::{done, osspan, text};
use crate::common::practice::{KINDS, answer, guideline, recover, rng, tasks};
use crate::invented::Case;

const NOW: &str = "2031-03-14T10:00:00+00:00";
const LATER: &str = "2031-03-14T10:00:42+00:00";

/// Every file of a folder and of those in it.
pub fn files(dir: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    for e in std::fs::read_dir(dir).unwrap() {
        let path = e.unwrap().path();
        if path.is_dir() { all.extend(files(&path)) } else { all.push(path) }
    }
    all
}

/// Every text that may stand for a number: with one to six decimals, and as stored in binary.
fn writings(v: f64) -> Vec<Vec<u8>> {
    let mut all: Vec<Vec<u8>> = (1..=6).map(|d| format!("{v:.d$}").into_bytes()).filter(|t| t.len() > 4).collect();
    all.extend([v.to_le_bytes().to_vec(), v.to_be_bytes().to_vec(), (v as f32).to_le_bytes().to_vec()]);
    all
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|w| w == part)
}

#[test]
fn no_answer_is_reachable_before_submitting() {
    let data = tempfile::tempdir().unwrap();
    let desk = Desk::open(data.path(), "T. Trainee").unwrap();
    let given = desk.next(Some(Level::WhatMisleads), NOW).unwrap();
    let before: Vec<(PathBuf, Vec<u8>)> = files(data.path()).into_iter().map(|p| (p.clone(), std::fs::read(&p).unwrap())).collect();
    // Asked again, even for another level, it is the same case: hard ones cannot be passed over.
    assert_eq!(desk.next(Some(Level::ClearPictures), LATER).unwrap(), given);
    let (attempt, key) = desk.submit(&given.case.id, Answer::Reject { reason: Reason::NotSeen }, &guideline(), LATER).unwrap();
    let Source::Course { seed, level, version } = attempt.case.source else { panic!("a case of the course") };
    assert_eq!((level, version, attempt.taken.seconds()), (Level::WhatMisleads, VERSION, Some(42.0)));
    let task = Task::new(level, seed).unwrap();

    let (marks, truth) = (&key.landmarks, task.truth());
    let mut secrets: Vec<Vec<u8>> = [
        truth.edge_to_os_mm,
        truth.shortest_mm,
        marks.internal_os.x,
        marks.internal_os.y,
        marks.edge.at().x,
        marks.edge.at().y,
        truth.external_os.x,
    ]
    .into_iter()
    .flat_map(writings)
    .collect();
    secrets.extend([
        seed.to_string().into_bytes(),
        format!("{seed:x}").into_bytes(),
        seed.to_le_bytes().to_vec(),
        seed.to_be_bytes().to_vec(),
    ]);
    let words = [
        "bladder",
        "contraction",
        "off-axis",
        "off the shortest",
        "no scale",
        "no-scale",
        "reject",
        "covers",
        "not-covering",
        "wanted",
        "truth",
    ];
    // The secret that all cases follow from is this user's private key; everything else is searched, names and bytes.
    for (path, bytes) in before.iter().filter(|(p, _)| !p.ends_with("keys/practice.seed")) {
        let name = path.strip_prefix(data.path()).unwrap().to_string_lossy().to_lowercase();
        let lower = bytes.to_ascii_lowercase();
        for s in &secrets {
            assert!(!holds(&lower, s) && !holds(bytes, s) && !holds(name.as_bytes(), s), "{name} holds {:?}", String::from_utf8_lossy(s));
        }
        // Greys side by side may be the codes of a word's letters by chance; words are looked for in all else.
        let picture = lower.windows(4).position(|w| w == [0xE0, 0x7F, 0x10, 0x00]).unwrap_or(lower.len());
        for word in words {
            assert!(!holds(&lower[..picture], word.as_bytes()) && !name.contains(word), "{name} holds {word}");
        }
        assert!(!name.contains("what-misleads"));
    }
    assert!(before.iter().any(|(p, b)| p.extension().is_some_and(|e| e == "dcm") && b.len() > 100_000), "the frame was searched");
    // The same level and number under another secret, or given at another moment, is another case.
    assert_ne!(desk.next(Some(Level::WhatMisleads), LATER).unwrap().case.id, given.case.id);
}

#[test]
fn frames_of_two_cases_differ_in_picture_size_scale_and_uids_alone() {
    let ids = ["3f6c1a2b3c4d5e6f7a8b", "9a8b7c6d5e4f3a2b1c0d"];
    let [a, b] = [0, 1].map(|i| {
        let task = (0..).map(|s| Task::new(Level::WhatMisleads, s + 50 * i).unwrap()).find(|t| t.expected() != Expected::Read).unwrap();
        task.object(ids[i as usize]).unwrap()
    });
    let bare = |o: &osspan::dicom::write::UltrasoundObject| {
        [&o.patient_name, &o.patient_id, &o.study_date, &o.study_time, &o.study_description, &o.study_id, &o.model, &o.comments]
            .map(Clone::clone)
    };
    assert_eq!(bare(&a), bare(&b));
    assert_ne!(a.instance_uid, b.instance_uid);
}

#[test]
fn scores_recover_what_simulated_trainees_were_given() {
    for (i, kind) in KINDS.iter().enumerate() {
        let r = recover(kind, 120, 40 + i as u64);
        // 120 trainees of 60 cases, some 38 errors each: four standard errors of the mean bias and SD.
        let se = kind.sd / (120.0 * 38.0_f64).sqrt();
        assert!((r.bias - kind.bias).abs() < 4.0 * se, "{kind:?}: {r:?}");
        assert!((r.sd - kind.sd).abs() < 4.0 * se + 0.01 * kind.sd, "{kind:?}: {r:?}");
        // 95 % of 120, four standard errors; exact intervals hold more often.
        for held in [r.bias_held, r.sd_held] {
            assert!((held - 0.95).abs() < 0.08, "{kind:?}: {r:?}");
        }
        assert!(r.rejected_held > 0.89 && r.read_held > 0.89, "{kind:?}: {r:?}");
    }
    let [good, .., poor] = KINDS.map(|k| recover(&k, 60, 9).competent);
    assert!(good > 0.9 && poor < 0.02, "{good} {poor}");
}

fn attempts(n: usize, kind: &crate::common::practice::Trainee) -> Vec<Attempt> {
    let (mut rng, table) = (rng(5), guideline());
    (0..n)
        .map(|i| {
            let (level, seed) = (LEVELS[1 + i % 5], 900 + i as u64);
            let key = Task::new(level, seed).unwrap().key();
            let case = CaseRef { id: format!("{i:020x}"), source: Source::Course { version: VERSION, level, seed } };
            let taken = Taken { reader: "T. Trainee".into(), given_at: NOW.into(), submitted_at: LATER.into() };
            Attempt::new(case, taken, answer(kind, &key, 2.0, &mut rng), &key, &table).unwrap()
        })
        .collect()
}

#[test]
fn an_answered_case_is_marked_again_and_a_changed_one_is_refused() {
    let table = guideline();
    for a in attempts(40, &KINDS[3]) {
        let text = a.to_json().unwrap();
        let back = Attempt::from_json(&text).unwrap();
        assert_eq!(back, a);
        back.check(&table).unwrap();
        let Source::Course { seed, .. } = a.case.source else { panic!() };
        assert!(Attempt::from_json(&text.replace(&seed.to_string(), &(seed + 1).to_string())).is_err());
        let mut other = a.clone();
        other.case.source = Source::Course { version: VERSION, level: Level::ClearPictures, seed: 1 };
        other.marked.true_mm = Some(Mm::new(99.0));
        assert!(other.check(&table).is_err());
        other.case.source = Source::Course { version: VERSION + 1, level: Level::ClearPictures, seed: 1 };
        assert!(other.check(&table).unwrap_err().message().contains("version"));
    }
}

#[test]
fn exports_have_a_row_a_case_and_say_what_they_are() {
    let all = attempts(12, &KINDS[2]);
    let csv = to_csv(&all).unwrap();
    let rows: Vec<Vec<&str>> = csv.lines().map(|l| l.split(',').collect()).collect();
    assert_eq!(rows.len(), 13);
    assert!(rows.iter().all(|r| r.len() == rows[0].len()));
    let error = rows[0].iter().position(|c| *c == "error_mm").unwrap();
    for (row, a) in rows[1..].iter().zip(&all) {
        assert_eq!(row[error].is_empty(), a.marked.error_mm.is_none());
    }
    let json: serde_json::Value = serde_json::from_str(&to_json(&all).unwrap()).unwrap();
    assert!(json["caution"].as_str().unwrap().contains("kinder") && json["cases"].as_array().unwrap().len() == 12);
}

/// A clinical reading made with this repeatability, as a record.
fn record_with(repeatability: &Repeatability) -> ReadingRecord {
    let case = Case::plain();
    let inputs = case.inputs(repeatability);
    ReadingRecord::new(&inputs, &reading::read(&inputs).unwrap(), Case::origin()).unwrap()
}

#[test]
fn practice_widens_clinical_uncertainty_by_consent_alone_and_never_narrows_it() {
    let assumed = || InUse::assumed("few readings");
    let wide = attempts(60, &KINDS[5]);
    let narrow = attempts(60, &KINDS[0]);
    let consent = || Consent { given_at: Some(NOW.into()) };
    let of = |all: &[Attempt], consent| Placement::of(all, consent).widen(assumed()).repeatability;
    let base = assumed().repeatability;
    assert_eq!(of(&wide, Consent::default()), base, "without consent");
    assert_eq!(of(&narrow, consent()), base, "it is narrower");
    assert_eq!(of(&wide[..20], consent()), base, "too few");
    let widened = of(&wide, consent());
    assert!(widened.sd_mm > Mm::new(3.0) && widened.own_placement.is_some());
    let counted: Vec<f64> = wide.iter().filter_map(|a| a.marked.counted_error()).collect();
    assert!(counted.len() >= LEAST_ERRORS);
    let expected = (counted.iter().map(|e| e * e).sum::<f64>() / counted.len() as f64).sqrt();
    assert!((widened.sd_mm.get() - expected).abs() < 1e-12);

    let (plain, wider) = (record_with(&base), record_with(&widened));
    let u = |r: &ReadingRecord| match &r.distance {
        reading::Distance::Measured(m) => m.measurement.u_mm,
        reading::Distance::NoScale { .. } => panic!("a distance"),
    };
    assert!(u(&wider) > u(&plain));
    assert!(!plain.to_json().unwrap().contains("own_placement"), "old records and new ones without it have the same shape");
    let text = wider.to_json().unwrap();
    assert!(verify_text(&text, None).unwrap().1.differences.is_empty(), "it verifies");
    // Any of the errors changed, or the SD itself, is found, whatever the digest says.
    let mut changed = wider.clone();
    let own = changed.repeatability.own_placement.as_mut().unwrap();
    own.errors_mm[3] = Mm::new(own.errors_mm[3].get() + 1.0);
    changed.content_sha256 = changed.digest().unwrap();
    let what: Vec<String> = verify(&changed, None).differences.into_iter().map(|d| d.what).collect();
    assert_eq!(what, ["the repeatability widened by practice"]);
    // The sheet says so.
    assert!(Placement::of(&wide, consent()).widen(assumed()).words().contains("widened by your consent"));
}

#[test]
fn a_practice_frame_makes_no_clinical_record() {
    let case = Case::plain();
    let assumed = Repeatability::assumed_total();
    let inputs = case.inputs(&assumed);
    let origin = Origin { patient: Patient { number: Some("PRACTICE-FRAME".into()), ..Patient::default() }, ..Case::origin() };
    let e = ReadingRecord::new(&inputs, &reading::read(&inputs).unwrap(), origin).unwrap_err();
    assert!(e.message().contains("practice frame"), "{e}");
}

/// The course by commands, from nothing to a score, with the truth as the answer.
#[test]
fn the_course_is_taken_by_commands() {
    let data = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| osspan(data.path(), args);
    let ok = |args: &[&str]| done(data.path(), args);
    assert!(text(&run(&["practice", "next"]).stderr).contains("--reader NAME"));
    let levels = ok(&["practice", "levels"]);
    assert!(levels.contains("6  as in the clinic (0 answered)") && levels.contains("are assumptions of this program"), "{levels}");
    ok(&["profile", "--reader", "T. Trainee", "--role", "trainee"]);
    let next = ok(&["practice", "next", "--level", "1"]);
    let line = |name: &str| next.lines().find_map(|l| l.strip_prefix(name)).unwrap().to_owned();
    let (id, frame) = (line("Case: "), line("Frame: "));
    assert!(frame.contains(&id));

    // The instrument reads it as any frame, and will not save it.
    let marks = ["--os", "200,200", "--edge", "260,200", "--side", "not-covering"];
    let read = [&["read", frame.as_str(), "--guideline", "rcog-2018"][..], &marks[..], &["--reader", "T. Trainee", "--save"]].concat();
    let refused = run(&read);
    assert!(!refused.status.success() && text(&refused.stderr).contains("practice frame"), "{}", text(&refused.stderr));
    assert!(!data.path().join("records").exists());

    let submit = [&["practice", "submit", id.as_str(), "--guideline", "rcog-2018"][..], &marks[..]].concat();
    let said = ok(&submit);
    assert!(said.contains("Error ") && said.contains("true ") && said.contains("Synthetic frames are kinder"), "{said}");
    assert!(text(&run(&submit).stderr).contains("none open"), "once only");
    assert!(!Path::new(&frame).exists());
    let score = ok(&["practice", "score"]);
    assert!(score.contains("1 cases") && score.contains("Level 1, clear pictures") && score.contains("Competence chart: not shown yet"));
    assert!(score.contains("Synthetic frames are kinder"));
    // Numbers that no source claims say so where they are shown.
    let score = score.split_whitespace().collect::<Vec<_>>().join(" ");
    for own in [
        "2.0 mm (the labelled total of clinical readings, an assumption of this program)",
        "within 3 mm of 0, 10 or 20 mm (an assumption of this program)",
        "counts as near a limit are assumptions of this program",
        "(30, and the newest 60 that are taken, are assumptions of this program)",
    ] {
        assert!(score.contains(own), "\"{own}\" is not in {score}");
    }
    assert_eq!(ok(&["practice", "export"]).lines().count(), 2);
    assert!(ok(&["practice", "consent", "yes"]).contains("of 30 cases that count"));
}

#[test]
fn levels_are_numbered_and_tasks_are_cheap_to_know() {
    assert_eq!(LEVELS.map(Level::number), [1, 2, 3, 4, 5, 6]);
    assert_eq!(tasks(Some(Level::NearTheLimits), 5, 1).len(), 5);
}

/// A frame of a teaching set becomes an own case: two readers' consensus, sealed, scored apart.
#[test]
fn an_approved_frame_becomes_an_own_case_scored_apart() {
    let data = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| osspan(data.path(), args);
    let ok = |args: &[&str]| done(data.path(), args);
    let image = "sample-images/visit-2/frame-1.dcm";
    let read = |edge: &str, reader: &str| {
        let base = ["read", image, "--os", "249.5,177", "--edge", edge, "--side", "not-covering", "--guideline", "rcog-2018"];
        ok(&[&base[..], &["--route", "transvaginal", "--due-date", "2025-06-30", "--reader", reader, "--save"]].concat());
    };
    read("249.7,235", "R. One");
    let (set, out) = (data.path().join("prepared"), data.path().join("set"));
    let (set, out) = (set.to_str().unwrap(), out.to_str().unwrap());
    ok(&["export", "prepare", image, "--to", set]);
    ok(&["export", "approve", set, "--frames", "1", "--by", "L. Lead"]);
    let write = |to: &str| ok(&["export", "write", set, "--to", to]);
    write(out);
    let frame = format!("{out}/frames/frame-0001.dcm");
    let records = format!("{out}/records");
    let add =
        |records: &str| run(&["practice", "add", &frame, "--records", records, "--why", "The lower lip is the os.", "--reader", "L. Lead"]);
    assert!(text(&add(&records).stderr).contains("at least 2 readers"), "one reader is no consensus");
    assert!(
        text(&run(&["practice", "add", image, "--records", &records, "--why", "x", "--reader", "L. Lead"]).stderr).contains("teaching set")
    );

    read("249.7,239", "R. Two");
    let both = data.path().join("both");
    write(both.to_str().unwrap());
    ok(&["profile", "--reader", "T. Trainee", "--role", "trainee"]);
    assert!(text(&add(both.join("records").to_str().unwrap()).stderr).contains("a trainee adds no own cases"));
    ok(&["profile", "--reader", "L. Lead", "--role", "reviewer"]);
    let added = add(both.join("records").to_str().unwrap());
    assert!(added.status.success(), "{}", text(&added.stderr));
    let id = text(&added.stdout).trim().strip_prefix("Own case ").unwrap().to_owned();
    // Its file tells nothing of the truth.
    let stored = std::fs::read_to_string(data.path().join("practice/own").join(format!("{id}.json"))).unwrap();
    assert!(!stored.contains("237.0") && !stored.contains("lower lip") && !stored.contains("READER-"));

    let next = ok(&["practice", "next", "--own", "--reader", "T. Trainee"]);
    assert!(next.contains(&id));
    let submit = ["practice", "submit", &id, "--os", "249.5,177", "--edge", "249.7,237", "--side", "not-covering"];
    let said = ok(&[&submit[..], &["--guideline", "rcog-2018", "--reader", "T. Trainee"]].concat());
    assert!(
        said.contains("as it is")
            && said.contains("Consensus of 2 readers. The lower lip is the os.")
            && said.contains("readers agreed on"),
        "{said}"
    );
    let score = ok(&["practice", "score", "--reader", "T. Trainee"]);
    assert!(score.contains("Own cases: truth is what readers agreed on") && !score.contains("Course, all levels"), "{score}");
    assert!(score.contains("Own placement: 0 of 30"), "own cases say nothing of placement");
    assert!(text(&run(&["practice", "next", "--own", "--reader", "T. Trainee"]).stderr).contains("no own case left"));
    assert!(
        text(&run(&["practice", "add", &frame, "--records", &records, "--why", "x", "--reader", "L. Lead"]).stderr).contains("readers")
    );
}
