//! Answers for tests/outside/scales.py and simulated_phantom.py: what the header's scale and the ticks of a frame say, and what
//! a check on a phantom finds. JSON lines in and out.
#![allow(missing_docs, clippy::print_stdout, clippy::print_stderr)]

use std::io::BufRead;
use std::path::Path;

use osspan::calibrate::cross::CrossCheck;
use osspan::calibrate::ticks::find_ticks;
use osspan::calibrate::{ScaleFacts, header, judge};
use osspan::load::StoredFile;
use osspan::phantom::{Definition, check};
use osspan::units::PxPoint;
use serde_json::{Value, json};

fn answer(request: &Value) -> osspan::Result<Value> {
    let file = StoredFile::open(Path::new(request["file"].as_str().unwrap_or_default()))?;
    let frame = file.frame(1)?;
    if let Some(text) = request["phantom"].as_str() {
        let c = check(&frame, file.geometry(), &Definition::parse(text)?)?;
        let notes: Vec<String> = c.notes.iter().map(osspan::phantom::Note::words).collect();
        return Ok(json!({
            "pins": c.matching.pairs.len(),
            "error": c.error,
            "u": [c.fit.u_rel_x, c.fit.u_rel_y],
            "t95": c.fit.t95(),
            "sd_mm": c.fit.sd_mm,
            "rotation": c.fit.rotation_degrees,
            "shear": c.fit.shear,
            "notes": notes,
        }));
    }
    let ticks = find_ticks(&frame);
    let geometry = file.geometry();
    // The middle of the first region that can be used, else of the picture.
    let bounds = header::survey(geometry).regions.iter().find(|r| r.reason().is_none()).and_then(|r| r.bounds);
    let at = bounds.map_or_else(
        || PxPoint::new(f64::from(geometry.columns) / 2.0, f64::from(geometry.rows) / 2.0),
        |b| PxPoint::new(f64::from(b.min_x + b.max_x) / 2.0, f64::from(b.min_y + b.max_y) / 2.0),
    );
    let facts = ScaleFacts { ticks: Some(ticks.clone()), ..ScaleFacts::default() };
    let judged = judge(geometry, &[at], None, &facts, None);
    let says = judged.lines.iter().find(|l| l.check == CrossCheck::Ticks && !ticks.is_empty()).map(|l| l.agreement.word());
    let verdict = match &judged.scale {
        Ok(_) => "millimetres by the header".to_owned(),
        Err(e) => format!("no millimetres: {}", e.message().split(':').next().unwrap_or_default()),
    };
    Ok(json!({ "ticks": ticks, "says": says, "verdict": verdict }))
}

fn main() {
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        let request: Value = serde_json::from_str(&line).unwrap_or_default();
        let out = answer(&request).unwrap_or_else(|e| json!({ "error": e.message(), "kind": format!("{:?}", e.kind()) }));
        println!("{out}");
    }
}
