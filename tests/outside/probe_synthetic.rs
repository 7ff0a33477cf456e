//! Answers for `tests/outside/synthetic.py` and `simulated_points.py`: one JSON request a line in, one JSON answer a line
//! out. A refusal is `{"error":…}`.
//!
//! - `{"do":"even-tissue","scanner":…,"echo_db":…,"loss_db_per_mm":…,"seed":…}` → the envelope
//! - `{"do":"points","scanner":…,"at_mm":[[x,y],…]}` → the envelope
//! - `{"do":"time","scale":…,"frames":…}` → `{"columns":…,"rows":…,"seconds":…}` to draw so many frames whose pixels are
//!   `scale` times those of a 640 × 488 one
//! - `{"do":"between-bright-points","file":…,"near":[[x,y],[x,y]],"reach_px":…}` → `{"mm":…,"at":[[x,y],[x,y]]}`, from the
//!   centroids of brightness near two places, by the loader's own samples and the header's own scale
#![allow(clippy::print_stdout, clippy::expect_used)]

use std::io::{BufRead, stdin};
use std::path::PathBuf;
use std::time::Instant;

use osspan::calibrate::header::calibration_for;
use osspan::frame::{Frame, Samples};
use osspan::load::StoredFile;
use osspan::synth::{Anatomy, Envelope, Hold, Scanner, Seed, phantom, render};
use osspan::units::PxPoint;
use osspan::{Error, ErrorKind, Result};
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    EvenTissue { scanner: Probe, echo_db: f64, loss_db_per_mm: f64, seed: u64 },
    Points { scanner: Probe, at_mm: Vec<[f64; 2]> },
    Time { scale: f64, frames: u32 },
    BetweenBrightPoints { file: PathBuf, near: [[f64; 2]; 2], reach_px: u32 },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Probe {
    face_radius_mm: f64,
    half_angle_degrees: f64,
    depth_mm: f64,
}

impl Probe {
    const fn scanner(&self) -> Scanner {
        Scanner {
            face_radius_mm: self.face_radius_mm,
            half_angle_degrees: self.half_angle_degrees,
            depth_mm: self.depth_mm,
            mm_per_px_x: 0.26,
            mm_per_px_y: 0.26,
        }
    }
}

fn envelope(e: &Envelope) -> Value {
    json!({ "depths": e.depths, "beams": e.beams, "depth_step_mm": e.depth_step_mm, "amplitude": e.amplitude })
}

/// Centroid of brightness, px, within `reach` pixels of `near` each way.
fn centroid(frame: &Frame, near: [f64; 2], reach: u32) -> Result<PxPoint> {
    let Samples::Gray8(samples) = &frame.samples else {
        return Err(Error::new(ErrorKind::Unsupported, "the test frame is not 8-bit grey"));
    };
    let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
    let (c, r) = (near[0] as u32, near[1] as u32);
    for row in r.saturating_sub(reach)..=(r + reach).min(frame.height - 1) {
        for column in c.saturating_sub(reach)..=(c + reach).min(frame.width - 1) {
            let g = f64::from(samples[(row * frame.width + column) as usize]);
            (sum, x, y) = (sum + g, x + g * (f64::from(column) + 0.5), y + g * (f64::from(row) + 0.5));
        }
    }
    if sum > 0.0 { Ok(PxPoint::new(x / sum, y / sum)) } else { Err(Error::new(ErrorKind::Invalid, "nothing is bright there")) }
}

fn answer(request: Request) -> Result<Value> {
    match request {
        Request::EvenTissue { scanner, echo_db, loss_db_per_mm, seed } => {
            Ok(envelope(&phantom::even_tissue(&scanner.scanner(), echo_db, loss_db_per_mm, seed)?))
        }
        Request::Points { scanner, at_mm } => Ok(envelope(&phantom::points(&scanner.scanner(), &at_mm)?.0)),
        Request::Time { scale, frames } => {
            let scanner = Scanner {
                face_radius_mm: 10.0,
                half_angle_degrees: 50.0,
                depth_mm: 70.0,
                mm_per_px_x: 0.2 * scale,
                mm_per_px_y: 0.155 * scale,
            };
            let hold = Hold { os_x_mm: 3.0, os_y_mm: 33.0, turn_degrees: 0.0 };
            let start = Instant::now();
            for shot in 0..frames {
                render(&Anatomy::posterior(14.0), &scanner, &hold, Seed { tissue: 1, shot })?;
            }
            Ok(json!({ "columns": scanner.columns(), "rows": scanner.rows(), "seconds": start.elapsed().as_secs_f64() }))
        }
        Request::BetweenBrightPoints { file, near, reach_px } => {
            let file = StoredFile::open(&file)?;
            let frame = file.frame(1)?;
            let (a, b) = (centroid(&frame, near[0], reach_px)?, centroid(&frame, near[1], reach_px)?);
            let scale = calibration_for(file.geometry(), &[a, b], None)?;
            Ok(json!({ "mm": scale.calibration.distance(a, b).get(), "at": [[a.x, a.y], [b.x, b.y]] }))
        }
    }
}

fn main() {
    for line in stdin().lock().lines() {
        let line = line.expect("standard input can be read");
        let request: Request = serde_json::from_str(&line).expect("a request of the kinds above");
        println!("{}", answer(request).unwrap_or_else(|e| json!({ "error": e.to_string() })));
    }
}
