//! Answers for `tests/outside/frames.py`: one JSON request a line on standard input, one JSON answer a line out.
//!
//! `{"do":"frames","file":…}` → rows, columns, n_frames, geometry, transfer syntax, warnings;
//! `{"do":"decode","file":…,"frame":n,"out":…}` → writes raw samples to `out` and says their shape and bits.
//! Either may answer `{"error":…,"kind":…}` instead.
#![allow(clippy::print_stdout)]

use std::io::{BufRead, stdin};
use std::path::{Path, PathBuf};

use osspan::frame::Samples;
use osspan::load::StoredFile;
use osspan::{Error, ErrorKind};
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    Frames { file: PathBuf },
    Decode { file: PathBuf, frame: u32, out: PathBuf },
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
        Request::Frames { file } => {
            let f = StoredFile::open(&file)?;
            let g = f.geometry();
            Ok(json!({
                "rows": g.rows,
                "columns": g.columns,
                "n_frames": f.frame_count(),
                "regions": g.regions,
                "pixel_spacing": g.pixel_spacing_row_column,
                "pixel_aspect": g.pixel_aspect_vertical_horizontal,
                "transfer_syntax": f.facts().transfer_syntax_uid,
                "photometric": f.facts().photometric,
                "sop_instance_uid": f.facts().sop_instance_uid,
                "warnings": f.warnings(),
            }))
        }
        Request::Decode { file, frame, out } => {
            let frame = StoredFile::open(&file)?.frame(frame)?;
            let (bytes, channels, bits, max) = match frame.samples {
                Samples::Gray8(d) => (d, 1, 8, 255),
                Samples::Gray16 { data, max } => (data.iter().flat_map(|v| v.to_le_bytes()).collect(), 1, 16, max),
                Samples::Rgb8(d) => (d, 3, 8, 255),
            };
            write(&out, &bytes)?;
            Ok(json!({
                "rows": frame.height, "columns": frame.width, "channels": channels, "bits": bits, "max": max, "sha256": frame.id.sha256
            }))
        }
    }
}

fn write(path: &Path, bytes: &[u8]) -> osspan::Result<()> {
    std::fs::write(path, bytes).map_err(|e| Error::new(ErrorKind::Io, "the samples cannot be written").found(e.to_string()))
}
