//! Answers for `tests/outside/against_numpy.py`: one JSON request a line on standard input, one JSON answer a line out.
//!
//! `{"do":"distance","mm_per_px":[x,y],"a":[x,y],"b":[x,y]}` → `{"mm":…}` or `{"error":…}`.
#![allow(clippy::print_stdout)]

use std::io::{BufRead, stdin};

use osspan::calibrate::{Basis, Calibration};
use osspan::units::PxPoint;
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    Distance { mm_per_px: (f64, f64), a: (f64, f64), b: (f64, f64) },
}

fn main() -> Result<(), String> {
    for line in stdin().lock().lines() {
        let request: Request = serde_json::from_str(&line.map_err(|e| e.to_string())?).map_err(|e| e.to_string())?;
        println!("{}", answer(request).unwrap_or_else(|e| json!({"error": e.message(), "kind": format!("{:?}", e.kind())})));
    }
    Ok(())
}

fn answer(request: Request) -> osspan::Result<Value> {
    match request {
        Request::Distance { mm_per_px: (sx, sy), a, b } => {
            let scale = Calibration::unchecked_header(sx, sy, Basis::HeaderRegion { region: 1 })?;
            let mm = scale.distance(PxPoint::new(a.0, a.1), PxPoint::new(b.0, b.1));
            Ok(json!({"mm": mm.get()}))
        }
    }
}
