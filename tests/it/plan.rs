//! Who is due, who was told, change over visits, a department's own table, the form file, and the sheets of the sample exam.

use std::collections::HashSet;
use std::path::Path;

use osspan::caseload::{Caseload, Unread, Withheld, due_rows, keep_unseen, rows_csv, series};
use osspan::context::{Answer, Bleeding, DopplerOverOs, ExamContext};
use osspan::followup::{Standing, Told, UrgentId};
use osspan::guideline::{Shelf, Table};
use osspan::measure::EdgeMark;
use osspan::record::{Checkpoint, Origin, Patient, ReadingRecord, Store, ToldRecord};
use osspan::units::PxPoint;

use crate::commands::{osspan, text};
use crate::invented::Case;

/// A reading of one woman's exam on a day, due 2031-05-08; `mm` from the os (negative: overlap).
fn reading(number: &str, date: &str, mm: f64, more: impl FnOnce(&mut ExamContext)) -> ReadingRecord {
    let mut case = Case::plain();
    case.context.exam_date = Some(date.parse().unwrap());
    case.context.pain_or_contractions = Answer::No;
    case.context.bleeding = Bleeding::None;
    case.context.doppler_over_os = DopplerOverOs::DoneNoVessel;
    case.context.previous_caesareans = Some(0);
    case.context.other_uterine_surgery = Answer::No;
    case.context.earlier_low_placenta = Answer::No;
    more(&mut case.context);
    // 0.1 mm a pixel; the body lies to the left, away from the os, or beyond it.
    case.landmarks.internal_os = PxPoint::new(500.0, 240.0);
    let x = 500.0 - mm * 10.0;
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(x, 240.0) };
    case.landmarks.placental_body = Some(PxPoint::new(if mm < 0.0 { 450.0 } else { x - 60.0 }, 262.0));
    case.side = if mm < 0.0 { osspan::measure::Side::Covers } else { osspan::measure::Side::NotCovering };
    case.record_of(Origin {
        patient: Patient { name: Some(format!("Invented^{number}")), number: Some(number.into()), birth_date: None },
        study_instance_uid: Some(format!("2.25.{number}.{}", date.replace('-', ""))),
        saved_at: format!("{date}T10:00:00+01:00"),
        ..Case::origin()
    })
    .unwrap()
}

fn key(number: &str) -> String {
    Patient { number: Some(number.into()), ..Patient::default() }.key().unwrap()
}

fn told(reading: &ReadingRecord, matter: UrgentId, read_back: bool) -> ToldRecord {
    let told = Told { matter, to: "Dr A. Example".into(), by: "B. Example".into(), at: "2031-03-14T10:05:00+01:00".into(), read_back };
    ToldRecord::new(reading, told, "2031-03-14T10:06:00+01:00".into(), &Shelf::bundled()).unwrap()
}

fn rows(records: Vec<ReadingRecord>, told: &[ToldRecord], unread: &[Unread], today: &str) -> Vec<(String, Vec<Standing>)> {
    let shelf = Shelf::bundled();
    let rows = due_rows(&Caseload::of(records, told), unread, &HashSet::new(), &shelf, today.parse().unwrap()).unwrap();
    rows.into_iter().map(|r| (r.woman, r.listed.standing)).collect()
}

#[test]
fn open_urgent_matters_head_the_list_until_they_were_read_back() {
    // 2031-03-14 is 32w1d; a low placenta is due again from 36w0d, 2031-04-10.
    let bleeding = reading("B", "2031-03-14", -8.0, |c| c.bleeding = Bleeding::Now);
    let all = || {
        vec![
            bleeding.clone(),
            reading("O", "2031-02-20", 12.0, |c| c.doppler_over_os = DopplerOverOs::NotDone),
            reading("L", "2031-03-14", 12.0, |_| ()),
        ]
    };
    let firsts = |told: &[ToldRecord]| -> Vec<(String, Standing)> {
        rows(all(), told, &[], "2031-03-16").into_iter().map(|(w, s)| (w, s[0])).collect()
    };
    assert_eq!(firsts(&[]), [(key("B"), Standing::OpenUrgent), (key("O"), Standing::OwedNow), (key("L"), Standing::Unsigned)]);
    assert_eq!(firsts(&[told(&bleeding, UrgentId::CoveringAndBleeding, false)])[0].1, Standing::OpenUrgent);
    let read_back = firsts(&[told(&bleeding, UrgentId::CoveringAndBleeding, true)]);
    assert_eq!(read_back[0], (key("O"), Standing::OwedNow));
    // A correction of the reading does not make those who were told forget it.
    let mut corrected = all();
    let mut again = reading("B", "2031-03-14", -9.0, |c| c.bleeding = Bleeding::Now);
    again.follows = vec![bleeding.id().to_owned()];
    corrected.push(again);
    let list = rows(corrected, &[told(&bleeding, UrgentId::CoveringAndBleeding, true)], &[], "2031-03-16");
    assert!(list.iter().all(|(_, s)| s[0] != Standing::OpenUrgent), "{list:?}");
}

#[test]
fn windows_open_and_close_on_their_days_and_a_later_exam_or_birth_ends_them() {
    let at = |today: &str| rows(vec![reading("L", "2031-03-14", 12.0, |_| ())], &[], &[], today)[0].1.clone();
    // 36w0d to 36w6d of a due date of 2031-05-08: 2031-04-10 to 2031-04-16.
    assert_eq!(at("2031-04-09"), [Standing::Unsigned, Standing::Later]);
    assert_eq!(at("2031-04-10"), [Standing::DueNow, Standing::Unsigned]);
    assert_eq!(at("2031-04-16"), [Standing::DueNow, Standing::Unsigned]);
    assert_eq!(at("2031-04-17"), [Standing::Overdue, Standing::Unsigned]);
    // 45w0d is 2031-06-12.
    assert_eq!(at("2031-06-12"), [Standing::Overdue, Standing::Unsigned]);
    assert_eq!(at("2031-06-13"), [Standing::Unsigned, Standing::Past]);
    // A later exam takes the place of the earlier one, also when nobody read it yet.
    let second = || reading("L", "2031-04-12", 30.0, |_| ());
    let both = rows(vec![reading("L", "2031-03-14", 12.0, |_| ()), second()], &[], &[], "2031-05-01");
    assert_eq!(both.len(), 1);
    let unread = Unread {
        patient: Patient { name: None, number: Some("L".into()), birth_date: None },
        key: "0123".into(),
        exam: String::new(),
        context: ExamContext { exam_date: Some("2031-04-12".parse().unwrap()), ..ExamContext::default() },
    };
    let list = rows(vec![reading("L", "2031-03-14", 12.0, |_| ())], &[], &[unread], "2031-05-01");
    assert_eq!(list, [(key("L"), vec![Standing::Unread])]);
}

#[test]
fn low_at_an_earlier_saved_exam_asks_for_the_doppler_although_nobody_said_so() {
    let now = || reading("R", "2031-04-12", 32.0, |c| c.doppler_over_os = DopplerOverOs::NotDone);
    assert_eq!(rows(vec![now()], &[], &[], "2031-04-13")[0].1[0], Standing::Unsigned);
    let before = || reading("R", "2031-02-20", 6.0, |_| ());
    let list = rows(vec![before(), now()], &[], &[], "2031-04-13");
    assert_eq!(list[0].1[0], Standing::OwedNow);
    // Another pregnancy's placenta says nothing of this one.
    let mut other = before();
    other.context.dating = Some(osspan::context::Dating::DueDate("2030-02-01".parse().unwrap()));
    assert_eq!(rows(vec![other, now()], &[], &[], "2031-04-13")[0].1[0], Standing::Unsigned);
    // And its sheet says why.
    let cases = Caseload::of(vec![before(), now()], &[]);
    let shelf = Shelf::bundled();
    let sheet = cases.women[0].exams[1].sheet(shelf.table("rcog-2018").unwrap(), &shelf).unwrap().text(true);
    assert!(sheet.contains("taken as low earlier") && sheet.contains("[program / now / doppler:"), "{sheet}");
}

#[test]
fn of_a_scar_only_what_is_not_stated_is_asked_for() {
    let shelf = Shelf::bundled();
    let asked = |caesareans, other| {
        let low = reading("S", "2031-03-14", 6.0, |c| (c.previous_caesareans, c.other_uterine_surgery) = (caesareans, other));
        let cases = Caseload::of(vec![low], &[]);
        let sheet = cases.women[0].exams[0].sheet(shelf.table("rcog-2018").unwrap(), &shelf).unwrap().text(false);
        sheet.lines().find_map(|l| l.trim().split_once(" not stated: ask now").map(|(what, _)| what.to_owned()))
    };
    assert_eq!(asked(None, Answer::Unknown).as_deref(), Some("Previous caesareans and other surgery on the uterus are"));
    assert_eq!(asked(Some(0), Answer::Unknown).as_deref(), Some("Other surgery on the uterus is"));
    assert_eq!(asked(None, Answer::No).as_deref(), Some("The number of previous caesareans is"));
    assert_eq!(asked(Some(0), Answer::No), None);
}

#[test]
fn the_list_is_csv_and_json_and_names_nobody() {
    let shelf = Shelf::bundled();
    let cases = Caseload::of(vec![reading("=B\"1", "2031-03-14", -8.0, |c| c.bleeding = Bleeding::Now)], &[]);
    let rows = due_rows(&cases, &[], &HashSet::new(), &shelf, "2031-03-16".parse().unwrap()).unwrap();
    let csv = rows_csv(&rows).unwrap();
    let json = serde_json::to_value(&rows).unwrap();
    assert_eq!(json[0]["standing"][0], "open-urgent");
    assert_eq!(json[0]["open"][0], "covering-and-bleeding");
    assert_eq!(csv.lines().count(), 2);
    assert!(csv.contains("\"BLEEDING NOW and the placenta covers, reaches or may reach the os: clinical"), "{csv}");
    for text in [csv, json.to_string()] {
        assert!(!text.contains("Invented") && !text.contains("=B"), "{text}");
        assert!(!text.contains("8 mm"), "no distance for who reads second: {text}");
    }
}

#[test]
fn of_an_exam_that_a_second_reader_has_not_read_only_that_something_urgent_is_open_is_shown() {
    let bleeding = reading("B", "2031-03-14", -8.0, |c| c.bleeding = Bleeding::Now);
    let low = reading("L", "2031-03-14", 12.0, |c| c.doppler_over_os = DopplerOverOs::NotDone);
    let unseen: HashSet<String> = [bleeding.exam_key(), low.exam_key()].into();
    let cases = Caseload::of(vec![bleeding, low], &[]);
    let mut rows = due_rows(&cases, &[], &HashSet::new(), &Shelf::bundled(), "2031-03-16".parse().unwrap()).unwrap();
    assert_eq!(rows.len(), 2);
    keep_unseen(&mut rows, &HashSet::new());
    assert_eq!(rows.len(), 2);
    keep_unseen(&mut rows, &unseen);
    let shown = serde_json::to_string(&rows).unwrap();
    assert_eq!(rows.len(), 1);
    assert!(rows[0].listed.standing == [Standing::OpenUrgent] && !shown.contains("covers") && !shown.contains("BLEEDING"), "{shown}");
}

#[test]
fn who_was_told_is_a_record_of_its_own_that_verifies_and_is_missed() {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::at(dir.path());
    let one = reading("B", "2031-03-14", -8.0, |c| c.bleeding = Bleeding::Now);
    let kept = store.save(&one).unwrap();
    let record = told(&one, UrgentId::CoveringAndBleeding, true);
    let path = store.save_told(&record).unwrap();
    assert!(!path.to_string_lossy().contains('B') || !path.file_name().unwrap().to_string_lossy().contains("Invented"));
    assert_eq!(store.load().unwrap().0.len(), 1);
    assert_eq!(store.told().unwrap().0[0].record, record);
    let index = store.index().unwrap();
    assert_eq!((index.entries().len(), index.told().len(), index.unreadable().len()), (1, 1, 0));
    let bad = || store.verify(None, &mut |_| Ok(())).unwrap().bad;
    assert_eq!(bad(), 0);
    // A checkpoint misses it when it is gone.
    let made = Checkpoint::of(&index, "2031-03-15T00:00:00Z".into(), &[7; 32]).unwrap();
    assert!(made.heads.iter().any(|h| h == record.id()) && made.records == 2);
    // Changed: named. Its reading taken away: named too.
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("Dr A. Example", "Dr Z. Example")).unwrap();
    assert_eq!(bad(), 1);
    std::fs::write(&path, &text).unwrap();
    assert_eq!(bad(), 0);
    std::fs::remove_file(kept).unwrap();
    assert_eq!(bad(), 1);
}

/// Source: written once by this program; every version that was ever written must be read for ever.
#[test]
fn a_told_record_of_version_1_is_read_as_it_stands_and_a_later_one_refused_by_name() {
    let text = include_str!("../reference/told/v1.json");
    let record = ToldRecord::from_json(text).unwrap();
    assert_eq!((record.told.matter, record.told.to.as_str(), record.told.read_back), (UrgentId::Bleeding, "Dr A. Example", true));
    let dir = tempfile::tempdir().unwrap();
    let saved = Store::at(dir.path()).save_told(&record).unwrap();
    assert_eq!(std::fs::read_to_string(saved).unwrap(), text);
    let later = ToldRecord::from_json(&text.replace("osspan-told/1", "osspan-told/2")).unwrap_err();
    assert!(later.to_string().contains("osspan-told/2"), "{later}");
}

#[test]
fn what_was_not_urgent_or_has_no_name_or_lies_ahead_cannot_be_told() {
    let one = reading("B", "2031-03-14", 12.0, |c| c.bleeding = Bleeding::Now);
    let try_with =
        |told: Told| ToldRecord::new(&one, told, "2031-03-14T10:06:00+01:00".into(), &Shelf::bundled()).map_err(|e| e.to_string());
    let good = Told { matter: UrgentId::Bleeding, to: "A".into(), by: "B".into(), at: "2031-03-14T09:06:00Z".into(), read_back: true };
    assert!(try_with(good.clone()).is_ok());
    let refused = [
        (Told { matter: UrgentId::VasaPrevia, ..good.clone() }, "an urgent matter of this reading: bleeding"),
        (Told { to: "  ".into(), ..good.clone() }, "who was told"),
        (Told { by: String::new(), ..good.clone() }, "who told"),
        (Told { at: "2031-03-14T10:07:00+01:00".into(), ..good.clone() }, "has passed"),
        (Told { at: "2031-03-14T10:05:00".into(), ..good.clone() }, "offset"),
        (Told { to: "x".repeat(201), ..good }, "200 characters"),
    ];
    for (told, part) in refused {
        let e = try_with(told).unwrap_err();
        assert!(e.contains(part), "{part} is not in {e}");
    }
}

#[test]
fn visits_are_compared_by_one_estimand_on_their_own_scale_and_nothing_is_foretold() {
    let visits = [("2031-01-16", 4.0), ("2031-02-13", 10.0), ("2031-03-13", 24.0)];
    let records: Vec<ReadingRecord> = visits.iter().map(|(d, mm)| reading("T", d, *mm, |_| ())).collect();
    let woman = &Caseload::of(records, &[]).women[0];
    let s = series(woman, 2);
    let ages: Vec<String> = s.points.iter().map(|p| p.age.to_string()).collect();
    assert_eq!(ages, ["24w0d", "28w0d", "32w0d"]);
    // One scale for all three: its error is shared. By hand: least squares through 4, 10, 24 over 8 weeks is 2.5 a week.
    assert!(s.points.iter().all(|p| p.calibration == "scale 0"));
    let t = s.trend.as_ref().unwrap();
    assert!((t.per_week_mm - 2.5).abs() < 0.05, "{t:?}");
    let said = s.lines().iter().map(|l| l.text.as_str()).collect::<Vec<_>>().join("\n");
    assert!(
        said.contains("The edge moved away from the os: +2.5 mm per week") && said.contains("Nothing is said of where the edge will be")
    );
    // Only up to the visit that is asked about.
    assert_eq!(series(woman, 1).points.len(), 2);
    assert!(series(woman, 0).lines().is_empty());
    // The interval shown is never narrower than the uncertainty that the change is reckoned with.
    for (p, i) in s.points.iter().zip(&s.intervals) {
        assert!((i.high_mm.unwrap() - i.low_mm.unwrap()).get() >= 2.0 * 1.95 * p.u_independent_mm.get());
    }
}

const OWN: &str = r#"
[[follow-up]]
id = "30"
ages = ["24w0d", "33w6d"]
kinds = ["low-lying"]
window = ["34w0d", "34w6d"]
text = "our unit: scan at 34 weeks"
provenance = "published"
"#;

fn own_table() -> String {
    include_str!("../../src/guideline/tables/rcog-2018.toml")
        .replace("id = \"rcog-2018\"", "id = \"our-unit\"")
        .replace("name = \"RCOG Green-top Guideline 27a\"", "name = \"Our unit\"")
        + OWN
}

#[test]
fn a_departments_table_reads_plans_saves_and_verifies() {
    let table = Table::parse(&own_table()).unwrap();
    let mut case = Case::plain();
    case.table = table.clone();
    let record = case.record().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let mut shelf = Shelf::bundled();
    shelf.add(table.clone()).unwrap();
    Store::at(dir.path()).save(&record).unwrap();
    let unchecked = |store: &Store| {
        let mut all = Vec::new();
        let totals = store.verify(None, &mut |v| {
            all.extend(v.check.as_ref().unwrap().unchecked.clone());
            Ok(())
        });
        assert_eq!(totals.unwrap().bad, 0);
        all.join("; ")
    };
    assert!(unchecked(&Store::at(dir.path())).contains("our-unit is not at hand"));
    assert_eq!(unchecked(&Store::at(dir.path()).with_tables(shelf.clone())), "");
    // Its own follow-up is planned, as its own.
    let cases = Caseload::of(vec![record], &[]);
    let plan = cases.women[0].exams[0].under(&table).unwrap().plan;
    let own: Vec<&str> = plan.scans.iter().filter(|s| s.own_table).map(|s| s.line.row.as_str()).collect();
    assert_eq!(own, ["our-unit / follow-up / 30"]);
}

fn write(dir: &Path, name: &str, text: &str) -> String {
    let path = dir.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(&path, text).unwrap();
    path.to_string_lossy().into_owned()
}

#[test]
fn the_commands_take_a_table_and_a_form_and_list_and_tell() {
    let data = tempfile::tempdir().unwrap();
    let table = write(data.path(), "tables/our-unit.toml", &own_table());
    let form = write(
        data.path(),
        "form.toml",
        "exam-date = 2025-05-06\ndating = { due-date = 2025-06-30 }\nroute = \"transvaginal\"\nbladder = \"empty\"\ncontraction = \"absent\"\n\
         bleeding = \"now\"\ncervical-length-mm = \"28,5\"\n",
    );
    let frame = "sample-images/visit-2/frame-1.dcm";
    let read = [
        "read",
        frame,
        "--os",
        "249.5,177",
        "--edge",
        "249.7,237.1",
        "--body",
        "220,265",
        "--side",
        "not-covering",
        "--guideline",
        "our-unit",
        "--context",
        &form,
        "--reader",
        "T. Test",
        "--save",
        "--json",
    ];
    let out = osspan(data.path(), &read);
    assert!(out.status.success(), "{}", text(&out.stderr));
    let record = ReadingRecord::from_json(&text(&out.stdout)).unwrap();
    assert_eq!((record.table.id.as_str(), record.context.cervical_length_mm.unwrap().get()), ("our-unit", 28.5));
    let verified = osspan(data.path(), &["verify"]);
    assert!(verified.status.success() && !text(&verified.stdout).contains("not checked"), "{}", text(&verified.stdout));

    let due = text(&osspan(data.path(), &["due", "--on", "2025-05-07"]).stdout);
    assert!(
        due.contains("URGENT, NOT YET PASSED ON AND READ BACK") && due.contains("--matter bleeding") && !due.contains("Invented"),
        "{due}"
    );
    assert!(text(&osspan(data.path(), &["due", "--on", "2025-05-07", "--names"]).stdout).contains("Invented"));
    let unread = text(&osspan(data.path(), &["due", "--on", "2025-06-03", "--exams", "sample-images", "--csv"]).stdout);
    assert_eq!(unread.matches("not read").count(), 4, "two exams, each with its standing and its reason: {unread}");
    let tell = |more: &[&str]| {
        osspan(data.path(), &[&["told", &record.id()[..12], "--matter", "bleeding", "--to", "Dr A", "--by", "B"], more].concat())
    };
    let open = tell(&[]);
    assert!(open.status.success() && text(&open.stdout).contains("stays open"), "{}", text(&open.stderr));
    assert!(tell(&["--read-back"]).status.success());
    assert_eq!(tell(&["--matter", "vasa-previa"]).status.code(), Some(2), "one matter at a time");
    assert!(!text(&osspan(data.path(), &["due", "--on", "2025-05-07"]).stdout).contains("URGENT"));
    let sheet = text(&osspan(data.path(), &["sheet"]).stdout);
    assert!(
        sheet.contains("Told to Dr A by B at") && sheet.contains("cervical length 28.5 mm") && sheet.contains("our unit: scan at 34 weeks"),
        "{sheet}"
    );
    assert!(osspan(data.path(), &["verify"]).status.success());

    // Faults: all at once, by name of the file; the other tables stay.
    write(
        data.path(),
        "tables/our-unit.toml",
        &own_table().replace("upper-mm = 20.0", "upper-mm = \"far\"").replace("weeks = 16", "weeks = 99"),
    );
    let listed = osspan(data.path(), &["guidelines"]);
    let said = text(&listed.stdout);
    assert_eq!(listed.status.code(), Some(3));
    assert!(said.contains("upper-mm must be a number") && said.contains("weeks must be") && said.contains("sogc-2020"), "{said}");
    let refused = osspan(data.path(), &read);
    assert_eq!(refused.status.code(), Some(3));
    assert!(text(&refused.stderr).contains("upper-mm must be a number"), "{}", text(&refused.stderr));
    assert_eq!(osspan(data.path(), &["guidelines", "--table", &table]).status.code(), Some(3));
    let bad_form = write(data.path(), "bad.toml", "cervical-length-mm = \"1,050\"\nroute = \"x\"\n");
    let mut with_bad = read;
    with_bad[13] = &bad_form;
    with_bad[11] = "rcog-2018";
    let e = text(&osspan(data.path(), &with_bad).stderr);
    assert!(e.contains("2 faults") && e.contains("two ways"), "{e}");
}

#[test]
fn the_list_of_what_is_from_memory_is_printed() {
    let data = tempfile::tempdir().unwrap();
    let said = text(&osspan(data.path(), &["guidelines", "--from-memory"]).stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "Check against the primary document before relying on this",
        "sogc-2020 / low-lying-to-10 / upper-mm",
        "delivery / acog-831-previa",
        "followup / us-36",
        "program / now / doppler:",
        "cautions / vasa-previa-doppler",
        "program / accreta signs",
        "accreta / prior 2",
    ] {
        assert!(said.contains(part), "{part} is not in {said}");
    }
    assert!(!said.contains("rcog-2018 / low-lying / upper-mm") && !said.contains("delivery / smfm-44-previa"));
}

/// What is not decided is not classified: an exam in which no frame counts, and one in which a frame without a scale is stated to
/// cover while the others show the edge away.
#[test]
fn an_exam_is_not_classified_from_a_frame_that_does_not_count() {
    let table = osspan::guideline::table("us-consensus-2014").unwrap();
    let of = |records: Vec<ReadingRecord>| {
        let cases = Caseload::of(records, &[]);
        let exam = &cases.women[0].exams[0];
        let answered = exam.under(&table).unwrap();
        let sheet = exam.sheet(&table, &Shelf::bundled()).unwrap().text(false);
        (answered.withheld, answered.finding.is_some(), sheet)
    };
    let clear = || reading("U", "2031-03-14", 25.0, |_| ());
    assert_eq!(of(vec![clear()]).0, None);

    let mut case = Case::plain();
    case.notes.checklist.attest_all(false);
    case.notes.checklist.toggle_exception(osspan::exam::Item::NoContraction);
    let (withheld, classified, sheet) = of(vec![case.record().unwrap()]);
    assert_eq!(withheld, Some(Withheld::NoFrameCounts), "{sheet}");
    assert!(!classified && sheet.contains("No frame of this exam counts: nothing is classified"), "{sheet}");

    let mut case = Case::plain();
    case.geometry.regions.clear();
    case.side = osspan::measure::Side::Covers;
    case.landmarks.placental_body = None;
    let clear = clear();
    let covers = case
        .record_of(Origin {
            patient: clear.patient.clone(),
            study_instance_uid: clear.study_instance_uid.clone(),
            frame: osspan::frame::FrameId { sha256: "cd".repeat(32), sop_instance_uid: Some("2.25.3".into()), frame_number: 1 },
            ..Case::origin()
        })
        .unwrap();
    let (withheld, classified, sheet) = of(vec![clear, covers]);
    assert_eq!(withheld, Some(Withheld::LowWithoutScale), "{sheet}");
    assert!(!classified && sheet.contains("look again"), "{sheet}");
}

#[test]
fn a_table_that_is_not_at_hand_is_said_to_be_replaced() {
    let mut case = Case::plain();
    case.table = Table::parse(&own_table()).unwrap();
    let cases = Caseload::of(vec![case.record().unwrap()], &[]);
    let said = |shelf: &Shelf| {
        let rows = due_rows(&cases, &[], &HashSet::new(), shelf, "2031-03-20".parse().unwrap()).unwrap();
        rows[0].listed.why.contains("not at hand")
    };
    let mut with = Shelf::bundled();
    assert!(said(&with));
    with.add(case.table.clone()).unwrap();
    assert!(!said(&with));
}

#[test]
fn a_form_that_denies_bleeding_and_lists_it_is_refused() {
    let e = osspan::context::from_form("bleeding = \"none\"\nbleeding-episodes = 2\n").unwrap_err();
    assert!(e.message().contains("episodes of bleeding are stated"), "{e}");
    assert!(osspan::context::from_form("bleeding = \"none\"\nbleeding-episodes = 0\n").is_ok());
}

/// One command prints, for each bundled table, the whole sheet of every sample exam with its trace. If a change is meant:
/// `osspan sheet --sample --every-guideline --trace > tests/reference/sample-sheets.txt`, and say so in docs/CHANGELOG.md.
#[test]
fn the_sheets_of_the_sample_exam_are_as_kept() {
    let data = tempfile::tempdir().unwrap();
    let out = osspan(data.path(), &["sheet", "--sample", "--every-guideline", "--trace"]);
    assert!(out.status.success(), "{}", text(&out.stderr));
    let said = text(&out.stdout);
    assert_eq!(said.matches("== ").count(), 9, "three exams under three tables");
    assert!(!data.path().join("records").exists(), "nothing is saved");
    let kept = include_str!("../reference/sample-sheets.txt");
    let first = said.lines().zip(kept.lines()).position(|(a, b)| a != b);
    assert!(said == kept, "differs from tests/reference/sample-sheets.txt at line {first:?}:\n{:?}", first.map(|n| said.lines().nth(n)));
}
