//! Answers for `tests/outside/agree.py`: one JSON request a line on standard input, one JSON answer a line out.
#![allow(clippy::print_stdout)]

use std::io::{BufRead, stdin};

use osspan::agree::bland_altman::{Pair, bland_altman};
use osspan::agree::components::{Exam, nested, one_way, own_repeatability, two_way};
use osspan::agree::icc::icc;
use osspan::agree::kappa::{Weights, cohen, fleiss};
use osspan::agree::study::{Category, Observation, Options, Readings, Study, study};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    BlandAltman {
        pairs: Vec<Pair>,
    },
    OneWay {
        groups: Vec<Vec<f64>>,
    },
    TwoWay {
        table: Vec<Vec<f64>>,
    },
    Nested {
        exams: Vec<Exam>,
    },
    Own {
        exams: Vec<Exam>,
    },
    Icc {
        table: Vec<Vec<f64>>,
    },
    Cohen {
        table: Vec<Vec<u32>>,
        weights: Weights,
    },
    Fleiss {
        counts: Vec<Vec<u32>>,
    },
    /// A whole study: one reading a row.
    Study {
        readers: Vec<String>,
        rows: Vec<Row>,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    patient: usize,
    frame: usize,
    reader: usize,
    mm: Option<f64>,
    place: Option<usize>,
    age_days: Option<u16>,
    scanner: Option<String>,
}

fn main() -> Result<(), String> {
    for line in stdin().lock().lines() {
        let request: Request = serde_json::from_str(&line.map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
        println!("{}", answer(request).unwrap_or_else(|e| json!({"error": e.message()})));
    }
    Ok(())
}

fn value(what: impl Serialize) -> osspan::Result<Value> {
    serde_json::to_value(what).map_err(|e| osspan::Error::new(osspan::ErrorKind::Invalid, e.to_string()))
}

fn answer(request: Request) -> osspan::Result<Value> {
    match request {
        Request::BlandAltman { pairs } => value(bland_altman(&pairs)?),
        Request::OneWay { groups } => value(one_way(&groups)?),
        Request::TwoWay { table } => value(two_way(&table)?),
        Request::Nested { exams } => value(nested(&exams)?),
        Request::Own { exams } => value(own_repeatability(&nested(&exams)?)?),
        Request::Icc { table } => value(icc(&table)?),
        Request::Cohen { table, weights } => value(cohen(&table, weights)?),
        Request::Fleiss { counts } => value(fleiss(&counts)?),
        Request::Study { readers, rows } => value(whole(readers, rows)?),
    }
}

fn whole(readers: Vec<String>, rows: Vec<Row>) -> osspan::Result<Study> {
    let observations: Vec<Observation> = rows
        .into_iter()
        .map(|r| Observation {
            patient: r.patient,
            exam: r.patient,
            frame: r.frame,
            reader: r.reader,
            signed_mm: r.mm,
            category: r.place.map(|place| Category { table: "one".into(), place }),
            age_days: r.age_days,
            scanner: r.scanner,
        })
        .collect();
    let options = Options { resamples: 100, ..Options::default() };
    study(&Readings { readers, observations, ..Readings::default() }, &options)
}
