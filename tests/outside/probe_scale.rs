//! Answers for tests/outside/scales.py: what the header's scale and the ticks of a frame say. JSON lines in and out.
#![allow(missing_docs, clippy::print_stdout, clippy::print_stderr)]

use std::io::BufRead;
use std::path::Path;

use osspan::calibrate::ticks::find_ticks;
use osspan::load::StoredFile;
use serde_json::{Value, json};

fn answer(request: &Value) -> osspan::Result<Value> {
    let file = StoredFile::open(Path::new(request["file"].as_str().unwrap_or_default()))?;
    let frame = file.frame(1)?;
    let rows = find_ticks(&frame);
    Ok(json!({ "ticks": rows }))
}

fn main() {
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        let request: Value = serde_json::from_str(&line).unwrap_or_default();
        let out = answer(&request).unwrap_or_else(|e| json!({ "error": e.message(), "kind": format!("{:?}", e.kind()) }));
        println!("{out}");
    }
}
