//! Invented exams against answers typed by hand.

use jiff::civil::Date;
use osspan::cautions::Scale;
use osspan::context::{Dating, ExamContext};
use osspan::followup::{Exam, plan};
use osspan::guideline::{self, classify, headline};
use osspan::measure::{Measurement, Side, Value};
use osspan::sheet::{Sheet, sheet};
use osspan::source::Provenance;
use osspan::units::Mm;
use serde::Deserialize;

use crate::invented;

#[derive(Deserialize)]
struct File {
    case: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Case {
    name: String,
    table: String,
    due: Option<String>,
    exam: String,
    d: Option<f64>,
    reaches: Option<f64>,
    at_least: Option<f64>,
    none_within: Option<f64>,
    stated: Option<Side>,
    half: Option<f64>,
    #[serde(default)]
    assumed: bool,
    #[serde(default)]
    set: toml::Table,
    #[serde(default)]
    unset: Vec<String>,
    #[serde(default)]
    finding: Vec<String>,
    #[serde(default)]
    not_finding: Vec<String>,
    distance: Option<String>,
    #[serde(default)]
    boundary: bool,
    #[serde(default)]
    urgent: Vec<String>,
    now: Option<Vec<String>>,
    scan: Option<(String, String)>,
    other_scans: Option<Vec<(String, String)>>,
    #[serde(default)]
    said: Vec<String>,
    #[serde(default)]
    not_said: Vec<String>,
    #[serde(default)]
    beside: Vec<String>,
    #[serde(default)]
    out_of_effect: bool,
    birth: Option<Vec<String>>,
    #[serde(default)]
    cautions: Vec<String>,
    #[serde(default)]
    not_cautions: Vec<String>,
    #[serde(default)]
    groups: Vec<String>,
    #[serde(default)]
    not_groups: Vec<String>,
}

const GOOD: &str = r#"
route = "transvaginal"
bladder = "empty"
contraction = "absent"
bleeding = "none"
pain-or-contractions = "no"
placental-position = "posterior"
previous-caesareans = 0
other-uterine-surgery = "no"
doppler-over-os = "done-no-vessel"
earlier-low-placenta = "no"
previous-accreta = "no"
fetuses = 1
"#;

fn context(case: &Case) -> ExamContext {
    let mut table: toml::Table = GOOD.parse().unwrap();
    table.extend(case.set.clone());
    for key in &case.unset {
        table.remove(key);
    }
    let mut c: ExamContext = table.try_into().unwrap();
    c.exam_date = Some(case.exam.parse().unwrap());
    let due = case.due.as_deref().unwrap_or("2026-06-10");
    c.dating = (!due.is_empty()).then(|| Dating::DueDate(due.parse::<Date>().unwrap()));
    c
}

fn measurement(case: &Case) -> Option<Measurement> {
    let half = case.half.unwrap_or(3.0);
    let mm = Mm::new;
    let (value, side, low, high) = match (case.d, case.reaches, case.at_least, case.none_within) {
        (Some(d), None, None, None) => {
            let side = if d < 0.0 { Side::Covers } else { Side::NotCovering };
            (Value::Exact { signed_mm: mm(d) }, side, Some(d - half), Some(d + half))
        }
        (None, Some(r), None, None) => (Value::Reaches { centre_distance_mm: mm(r) }, Side::Reaches, Some(-r - half), Some(r + half)),
        (None, None, Some(x), None) => (Value::OverlapAtLeast { mm: mm(x) }, Side::Covers, None, Some(half - x)),
        (None, None, None, Some(x)) => (Value::NoPlacentaWithin { mm: mm(x) }, Side::NotCovering, Some(x - half), None),
        _ => return None,
    };
    Some(invented::measurement(value, side, (low, high), half / 2.0, case.assumed))
}

/// The last parts of the rows of a section that begin with `lead`.
fn rows(sheet: &Sheet, title: &str, lead: &str) -> Vec<String> {
    let lines = sheet.section(title).map(|s| s.lines.as_slice()).unwrap_or_default();
    lines.iter().filter_map(|l| l.row.strip_prefix(lead)).map(str::to_owned).collect()
}

fn check(case: &Case, faults: &mut Vec<String>) {
    let mut fault = |what: &str, got: String| faults.push(format!("{}: {what}, got {got}", case.name));
    let table = guideline::table(&case.table).unwrap();
    let all = guideline::tables().unwrap();
    let context = context(case);
    let age = context.gestational_age().ok();
    let m = measurement(case);
    let finding = m.as_ref().map(|m| classify(&table, m, age, &context));
    let exam = Exam { table: &table, context: &context, age, stated_side: case.stated, measurement: m.as_ref(), finding: finding.as_ref() };
    let scale = if m.is_some() { Scale::Checked } else { Scale::Missing };
    let plan = plan(&exam).unwrap();
    let sheet = sheet(&exam, scale, &all).unwrap();
    let text = sheet.text(true);

    let head = finding.as_ref().map(headline).unwrap_or_default();
    for part in &case.finding {
        if !head.contains(part.as_str()) {
            fault(&format!("headline without \"{part}\""), head.clone());
        }
    }
    for part in &case.not_finding {
        if head.contains(part.as_str()) {
            fault(&format!("headline with \"{part}\""), head.clone());
        }
    }
    let distance = &sheet.section("Distance").unwrap().lines[0].text;
    if case.distance.as_ref().is_some_and(|d| !distance.contains(d.as_str())) {
        fault("distance", distance.clone());
    }
    if case.boundary != text.contains("the guidelines differ.") {
        fault("boundary note", text.clone());
    }
    let urgent = rows(&sheet, "Urgent", "program / urgent / ");
    if urgent != case.urgent {
        fault("urgent", format!("{urgent:?}"));
    }
    let now = rows(&sheet, "This visit", "program / now / ");
    if now != case.now.clone().unwrap_or_default() {
        fault("now", format!("{now:?}"));
    }
    let dates = |own: bool| -> Vec<(String, String)> {
        let dated = plan.scans.iter().filter(|s| s.own_table == own).filter_map(|s| s.dates);
        dated.map(|(from, to)| (from.to_string(), to.to_string())).collect()
    };
    let want: Vec<(String, String)> = case.scan.iter().cloned().collect();
    if dates(true) != want {
        fault("next scan", format!("{:?}", dates(true)));
    }
    if let Some(others) = &case.other_scans
        && dates(false) != *others
    {
        fault("other scans", format!("{:?}", dates(false)));
    }
    let mut said = rows(&sheet, "Also said", "program / statements / ");
    said.extend(rows(&sheet, "Also said", "followup / "));
    for s in case.said.iter().filter(|s| !said.contains(s)) {
        fault(&format!("not said: {s}"), format!("{said:?}"));
    }
    for s in case.not_said.iter().filter(|s| said.contains(s)) {
        fault(&format!("said: {s}"), format!("{said:?}"));
    }
    let other: Vec<&str> = sheet.section("Other tables").iter().flat_map(|s| &s.lines).map(|l| l.text.as_str()).collect();
    for part in case.beside.iter().filter(|p| !other.iter().any(|o| o.contains(p.as_str()))) {
        fault(&format!("not beside it: {part}"), format!("{other:#?}"));
    }
    let out_of_effect = sheet.section("Finding").is_some_and(|s| s.lines.iter().any(|l| l.row == format!("{} / effective", case.table)));
    if out_of_effect != case.out_of_effect {
        fault("in effect", text.clone());
    }
    let birth: Vec<String> =
        osspan::evidence::conditions(&context, age, finding.as_ref(), m.as_ref()).iter().map(|c| c.id().to_owned()).collect();
    if birth != case.birth.clone().unwrap_or_default() {
        fault("birth", format!("{birth:?}"));
    }
    let cautions = rows(&sheet, "Cautions", "cautions / ");
    for c in case.cautions.iter().filter(|c| !cautions.contains(c)) {
        fault(&format!("caution {c} is missing"), format!("{cautions:?}"));
    }
    for c in case.not_cautions.iter().filter(|c| cautions.contains(c)) {
        fault(&format!("caution {c} should not fire"), format!("{cautions:?}"));
    }
    let mut groups = rows(&sheet, "Groups of women", "cohorts / ");
    let accreta = sheet.section("Groups of women").into_iter().flat_map(|s| &s.lines).filter(|l| l.row.starts_with("accreta"));
    groups.extend(accreta.filter_map(|l| l.text.split("accreta in ").nth(1)?.split(" (").next().map(|n| format!("accreta {n}"))));
    for g in case.groups.iter().filter(|g| !groups.contains(g)) {
        fault(&format!("group {g} is missing"), format!("{groups:?}"));
    }
    for g in case.not_groups.iter().filter(|g| groups.contains(g)) {
        fault(&format!("group {g} should not be there"), format!("{groups:?}"));
    }
    // Always: whatever is from memory says so on the sheet without its trace, and stands in the list of what to check first.
    let (bare, listed) = (sheet.text(false), osspan::sheet::from_memory(&all).unwrap());
    for line in sheet.sections.iter().flat_map(|s| &s.lines).filter(|l| l.source.provenance == Provenance::FromMemory) {
        if !bare.contains(&format!("{} [from memory]", line.text)) || !listed.iter().any(|l| l.row == line.row) {
            fault("from memory, and not said or not listed", format!("{line:?}"));
        }
    }
    // Always: a source with every sentence, the closing line last, no promise, never "clear" for a placenta.
    if sheet.sections.iter().flat_map(|s| &s.lines).any(|l| l.row.is_empty()) {
        fault("a sentence without a row", text.clone());
    }
    if cautions.last().map(String::as_str) != Some("closing") {
        fault("closing line", format!("{cautions:?}"));
    }
    let lower = text.to_lowercase();
    for word in [" clear", "will resolve", "you should", "must deliver"] {
        if lower.contains(word) {
            fault(&format!("the words \"{word}\""), text.clone());
        }
    }
}

#[test]
fn every_vignette_has_its_answer() {
    let file: File = toml::from_str(include_str!("../reference/vignettes.toml")).unwrap();
    assert!(file.case.len() >= 60, "{} vignettes", file.case.len());
    let mut faults = Vec::new();
    for case in &file.case {
        check(case, &mut faults);
    }
    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}

/// The whole sheets of three invented exams, one for each table, as text with their trace.
#[test]
fn whole_sheets_with_their_trace() {
    let file: File = toml::from_str(include_str!("../reference/vignettes.toml")).unwrap();
    let mut out = String::new();
    for name in [
        "Overlap of 18 mm at 20 weeks: Taipale's 15 mm row and its scan at 26 to 30 weeks beside RCOG's",
        "Signs of accreta recorded: urgent, own row of birth, and not the previa row",
        "Exactly 20 mm under SOGC: low-lying, and the other readings are printed",
        "No due date: nothing is classified, nothing is planned",
        "Bleeding now, 2 mm, error reaches the os: treated as covering",
    ] {
        let case = file.case.iter().find(|c| c.name == name).unwrap();
        let (table, all, context) = (guideline::table(&case.table).unwrap(), guideline::tables().unwrap(), context(case));
        let (age, m) = (context.gestational_age().ok(), measurement(case));
        let finding = m.as_ref().map(|m| classify(&table, m, age, &context));
        let exam = Exam { table: &table, context: &context, age, stated_side: None, measurement: m.as_ref(), finding: finding.as_ref() };
        out.push_str(&format!("===== {name} =====\n\n{}", sheet(&exam, Scale::Unchecked, &all).unwrap().text(true)));
    }
    insta::assert_snapshot!(out);
}
