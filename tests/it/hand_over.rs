//! What other programs get: the table of readings and FHIR. Values equal the record's, nothing names her unasked, no band changes.

use std::collections::HashSet;

use osspan::caseload::Caseload;
use osspan::guideline::Shelf;
use osspan::interchange::readings::{COLUMNS, Cell, csv, dictionary, rows};
use osspan::interchange::{fhir, readings};
use osspan::measure::{EdgeMark, Side};
use osspan::record::{Origin, Patient, ReadingRecord};
use osspan::units::PxPoint;
use serde_json::Value;

use crate::invented::{Case, table};

const SECRETS: [&str; 5] = ["Invented", "Ada", "DEMO-7", "2.25.1", "2.25.2"];

fn origin() -> Origin {
    let patient = Patient {
        name: Some("Invented^Ada^Mary=字^字=".into()),
        number: Some("DEMO-7".into()),
        birth_date: Some(jiff::civil::date(2001, 2, 3)),
    };
    Origin { patient, ..Case::origin() }
}

fn record(case: &Case) -> ReadingRecord {
    case.record_of(origin()).unwrap()
}

/// A reading at `mm` along the row on the invented frame's scale of 0.1 mm a pixel.
fn at(mm: f64) -> ReadingRecord {
    let mut case = Case::plain();
    case.landmarks.edge = EdgeMark::PlacentalEdge { at: PxPoint::new(300.0 - mm / 0.1, 240.0) };
    case.landmarks.placental_body = Some(PxPoint::new(300.0 - mm / 0.1 - 40.0, 250.0));
    record(&case)
}

fn cell(record: &ReadingRecord, name: &str) -> Cell {
    let all = [record.clone()];
    let row = rows(&all, &HashSet::new())[0];
    (COLUMNS.iter().find(|c| c.name == name).unwrap().of)(&row)
}

fn bundle(records: &[ReadingRecord], identity: bool, signed: bool) -> Value {
    let shelf = Shelf::bundled();
    let cases = Caseload::of(records.to_vec(), &[]);
    let woman = &cases.women[0];
    fhir::bundle(&fhir::Request { woman, exam: woman.exams.len() - 1, table: &table(), shelf: &shelf, identity, signed }).unwrap()
}

fn resources<'a>(bundle: &'a Value, kind: &'a str) -> Vec<&'a Value> {
    let all = bundle["entry"].as_array().unwrap();
    all.iter().map(|e| &e["resource"]).filter(|r| r["resourceType"] == kind).collect()
}

#[test]
fn a_row_holds_the_records_own_numbers() {
    let r = record(&Case::plain());
    let all = [r.clone()];
    let text = csv(&rows(&all, &HashSet::new()), false).unwrap();
    let mut reader = ::csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    let line = reader.records().next().unwrap().unwrap();
    let read = |name: &str| line[header.iter().position(|h| h == name).unwrap()].to_owned();
    let m = osspan::caseload::measurement_of(&r).unwrap();
    let osspan::measure::Value::Exact { signed_mm } = m.value else { panic!("not exact") };
    assert_eq!(read("distance_signed_mm").parse::<f64>().unwrap().to_bits(), signed_mm.get().to_bits());
    assert_eq!(read("distance_low95_mm").parse::<f64>().unwrap().to_bits(), m.interval.low_mm.unwrap().get().to_bits());
    assert_eq!(read("distance_u_mm").parse::<f64>().unwrap().to_bits(), m.u_mm.get().to_bits());
    assert_eq!(read("distance_kind"), "exact");
    assert_eq!(read("side"), "not-covering");
    assert_eq!(read("gestational_age_d"), "225");
    assert_eq!(read("saved_at"), "2031-03-14T09:00:00Z");
    assert_eq!(read("os_x_px"), "300");
    assert_eq!((read("current").as_str(), read("stands").as_str()), ("true", "true"));
    assert_eq!(line.len(), COLUMNS.iter().filter(|c| !c.identity).count());
}

#[test]
fn each_cell_is_of_its_columns_kind() {
    use readings::Kind;
    for r in [record(&Case::plain()), at(3.0)] {
        for column in COLUMNS {
            let kind = match cell(&r, column.name) {
                Cell::Nothing => continue,
                Cell::Text(t) => {
                    assert!(!t.is_empty(), "{} is empty text instead of nothing", column.name);
                    Kind::Text
                }
                Cell::Number(_) => Kind::Number,
                Cell::Whole(_) => Kind::Whole,
                Cell::Flag(_) => Kind::Flag,
                Cell::Day(_) => Kind::Day,
                Cell::Moment(_) => Kind::Moment,
            };
            assert_eq!(kind, column.kind, "{}", column.name);
        }
    }
}

#[test]
fn one_sided_values_are_no_exact_ones() {
    let mut case = Case::plain();
    case.landmarks.edge = EdgeMark::LastPlacentaSeen { at: PxPoint::new(200.0, 240.0) };
    case.landmarks.placental_body = None;
    case.side = Side::Covers;
    let r = record(&case);
    assert_eq!(cell(&r, "distance_kind"), Cell::Text("overlap-at-least".into()));
    assert_eq!(cell(&r, "distance_signed_mm"), Cell::Nothing);
    assert_eq!(cell(&r, "distance_low95_mm"), Cell::Nothing);
    let Cell::Number(size) = cell(&r, "distance_size_mm") else { panic!("no size") };
    let made = bundle(&[r], false, false);
    let value = &resources(&made, "Observation")[0]["valueQuantity"];
    assert_eq!(value["comparator"], "<=");
    assert!((value["value"].as_f64().unwrap() + size).abs() < 0.005, "{value}");
}

#[test]
fn nothing_names_her_unless_asked() {
    let all = [record(&Case::plain())];
    let made = rows(&all, &HashSet::new());
    let quiet = [csv(&made, false).unwrap(), bundle(&all, false, true).to_string()];
    for text in &quiet {
        for secret in SECRETS {
            assert!(!text.contains(secret), "{secret} in {text}");
        }
        assert!(!text.contains("2001-02-03"));
    }
    assert!(csv(&made, true).unwrap().contains("Invented^Ada"));
    let named = bundle(&all, true, true);
    let patient = resources(&named, "Patient")[0];
    assert_eq!((patient["name"][0]["family"].as_str(), patient["name"][0]["given"][1].as_str()), (Some("Invented"), Some("Mary")));
    assert_eq!(patient["birthDate"], "2001-02-03");
}

#[test]
fn a_reader_whose_name_is_a_formula_stays_words() {
    let r = Case::plain().record_of(Origin { reader: "=HYPERLINK(1)".into(), ..origin() }).unwrap();
    let all = [r];
    assert!(csv(&rows(&all, &HashSet::new()), false).unwrap().contains(",'=HYPERLINK(1),"));
}

#[test]
fn only_the_newest_is_current_and_what_a_review_set_beside_does_not_stand() {
    let first = at(14.0);
    let second = at(15.0);
    let second = Case::plain().record_of(Origin { follows: vec![first.id().to_owned()], saved_at: second.saved_at, ..origin() }).unwrap();
    let other = Case::plain().record_of(Origin { reader: "S. Two".into(), ..origin() }).unwrap();
    let beside = HashSet::from([other.id().to_owned()]);
    let all = [first, second, other];
    let seen: Vec<(bool, bool)> = rows(&all, &beside).iter().map(|r| (r.current, r.stands)).collect();
    assert_eq!(seen, [(false, false), (true, true), (true, false)]);
}

#[test]
fn a_bundle_holds_together() {
    let made = bundle(&[record(&Case::plain()), at(14.0)], true, true);
    let text = made.to_string();
    assert!(!text.contains("null"), "{text}");
    let urls: Vec<&str> = made["entry"].as_array().unwrap().iter().map(|e| e["fullUrl"].as_str().unwrap()).collect();
    assert_eq!(urls.iter().collect::<HashSet<_>>().len(), urls.len());
    for part in text.split("\"reference\":\"").skip(1) {
        let to = part.split('"').next().unwrap();
        assert!(urls.contains(&to), "{to} leads nowhere");
    }
    let report = resources(&made, "DiagnosticReport")[0];
    assert_eq!(report["status"], "final");
    assert_eq!(report["result"].as_array().unwrap().len(), resources(&made, "Observation").len());
    let conclusion = report["conclusion"].as_str().unwrap();
    assert!(conclusion.contains("14 mm from the internal os, not covering"), "{conclusion}");
    assert!(conclusion.contains("not a certified medical device") || conclusion.contains("Not a certified medical device"), "{conclusion}");
    // Two frames: the finding stands with the one that decides.
    let deciding = resources(&made, "Observation").into_iter().filter(|o| !o["interpretation"].is_null()).count();
    assert_eq!(deciding, 1);
    let unsigned = bundle(&[at(14.0)], false, false);
    assert_eq!(resources(&unsigned, "DiagnosticReport")[0]["status"], "preliminary");
}

#[test]
fn a_value_keeps_its_band() {
    // Just under 20 mm is another band than 20 mm: two decimals would make it one.
    let made = bundle(&[at(19.9996)], false, false);
    let value = resources(&made, "Observation")[0]["valueQuantity"]["value"].as_f64().unwrap();
    assert!((19.99..20.0).contains(&value), "{value}");
}

#[test]
fn the_page_about_it_lists_every_column() {
    let page = include_str!("../../docs/INTERCHANGE.md");
    for c in COLUMNS {
        let line = format!("| `{}` | {} | {} | {} |", c.name, c.kind.words(), c.unit, c.means);
        assert!(page.contains(&line), "docs/INTERCHANGE.md lacks the line\n{line}");
    }
    assert_eq!(dictionary().unwrap().lines().count(), COLUMNS.len() + 1);
}
