//! Answers for `tests/outside/against_numpy.py` and `ages_and_findings.py`: one JSON request a line in, one JSON answer
//! a line out. A refusal is `{"error":…,"kind":…}`.
//!
//! - `{"do":"distance","mm_per_px":[x,y],"a":[x,y],"b":[x,y]}` → `{"mm":…}`
//! - `{"do":"age","dating":"due-date"|"last-period","date":"YYYY-MM-DD","exam":"YYYY-MM-DD"}` → `{"days":…}`
//! - `{"do":"exact-interval","events":…,"of":…}` → `{"low":…,"high":…}`, shares of 1, or nulls
//! - `{"do":"classify","table":id,"value":"exact"|"overlap-at-least"|"no-placenta-within","mm":…,"low_mm":…|null,`
//!   `"high_mm":…|null,"assumed":bool,"age_days":…|null,"route":…,"bladder":…,"contraction":…}` → the finding
#![allow(clippy::print_stdout)]

use std::io::{BufRead, stdin};

use osspan::calibrate::{Basis, Calibration};
use osspan::context::{Bladder, Contraction, Dating, ExamContext, GestationalAge, Route, gestational_age};
use osspan::estimate::Interval;
use osspan::evidence::exact_interval;
use osspan::guideline::{classify, table};
use osspan::measure::{Measurement, Side, SideCheck, Value};
use osspan::units::{Mm, PxPoint};
use osspan::{Error, ErrorKind};
use serde::Deserialize;
use serde_json::json;

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    Distance { mm_per_px: (f64, f64), a: (f64, f64), b: (f64, f64) },
    Age { dating: String, date: String, exam: String },
    ExactInterval { events: u32, of: u32 },
    Classify(Box<Classify>),
}

#[derive(Deserialize)]
struct Classify {
    table: String,
    value: String,
    mm: f64,
    low_mm: Option<f64>,
    high_mm: Option<f64>,
    assumed: bool,
    age_days: Option<i32>,
    route: Route,
    bladder: Bladder,
    contraction: Contraction,
}

fn main() -> Result<(), String> {
    for line in stdin().lock().lines() {
        let request: Request = serde_json::from_str(&line.map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
        println!("{}", answer(request).unwrap_or_else(|e| json!({"error": e.message(), "kind": format!("{:?}", e.kind())})));
    }
    Ok(())
}

fn answer(request: Request) -> osspan::Result<serde_json::Value> {
    match request {
        Request::Distance { mm_per_px: (sx, sy), a, b } => {
            let scale = Calibration::unchecked_header(sx, sy, Basis::HeaderRegion { region: 1 })?;
            let mm = scale.distance(PxPoint::new(a.0, a.1), PxPoint::new(b.0, b.1));
            Ok(json!({"mm": mm.get()}))
        }
        Request::Age { dating, date, exam } => {
            let day = |text: &str| text.parse().map_err(|_| Error::new(ErrorKind::Usage, "not a date").found(text));
            let dating = match dating.as_str() {
                "due-date" => Dating::DueDate(day(&date)?),
                _ => Dating::LastPeriod(day(&date)?),
            };
            Ok(json!({"days": gestational_age(dating, day(&exam)?)?.total_days()}))
        }
        Request::ExactInterval { events, of } => {
            let interval = exact_interval(events, of);
            Ok(json!({"low": interval.map(|i| i.0), "high": interval.map(|i| i.1)}))
        }
        Request::Classify(c) => finding(&c),
    }
}

fn finding(c: &Classify) -> osspan::Result<serde_json::Value> {
    let (value, side) = match c.value.as_str() {
        "exact" => (Value::Exact { signed_mm: Mm::new(c.mm) }, if c.mm < 0.0 { Side::Covers } else { Side::NotCovering }),
        "overlap-at-least" => (Value::OverlapAtLeast { mm: Mm::new(c.mm) }, Side::Covers),
        _ => (Value::NoPlacentaWithin { mm: Mm::new(c.mm) }, Side::NotCovering),
    };
    let measurement = Measurement {
        method: "given@1".into(),
        value,
        side,
        side_check: SideCheck::Agrees,
        terms: Vec::new(),
        u_mm: Mm::new(0.0),
        interval: Interval { low_mm: c.low_mm.map(Mm::new), high_mm: c.high_mm.map(Mm::new), coverage: 0.95 },
        assumed_repeatability: c.assumed,
        marginal_sinus_mm: None,
    };
    let age = c.age_days.map(GestationalAge::from_total_days).transpose()?;
    let context = ExamContext { route: c.route, bladder: c.bladder, contraction: c.contraction, ..ExamContext::default() };
    let finding = classify(&table(&c.table)?, &measurement, age, &context);
    serde_json::to_value(finding).map_err(|e| Error::new(ErrorKind::Format, "the finding cannot be written").caused_by(e))
}
