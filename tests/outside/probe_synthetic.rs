//! Answers for `tests/outside/synthetic.py` and `simulated_points.py`: one JSON request a line in, one JSON answer a line
//! out. A refusal is `{"error":…}`.
//!
//! - `{"do":"even-tissue","scanner":…,"echo_db":…,"loss_db_per_mm":…,"seed":…}` → the envelope
//! - `{"do":"greys",…as even-tissue…}` → the shown picture's columns, rows, samples and the mm of the first pixel's middle
//! - `{"do":"disc","shell":…or absent,"radius":…,"depth":…,"seed":…}` → the envelope
//! - `{"do":"frame","anatomy":…,"turn":…,"hold":[x,y,turn],"tissue":…}` → the frame's columns, rows, mm per px, samples, truth
//! - `{"do":"write","folder":…}` → writes single frames and sweeps in each coding, gives names, raw samples' digests, truths
//! - `{"do":"digest"}` → digest of one frame's samples
//! - `{"do":"points","scanner":…,"at_mm":[[x,y],…]}` → the envelope
//! - `{"do":"time","scale":…,"frames":…}` → `{"columns":…,"rows":…,"seconds":…}` to draw so many frames whose pixels are
//!   `scale` times those of a 640 × 488 one
//! - `{"do":"between-bright-points","file":…,"near":[[x,y],[x,y]],"reach_px":…}` → `{"mm":…,"at":[[x,y],[x,y]]}`, from the
//!   centroids of brightness near two places, by the loader's own samples and the header's own scale
#![allow(clippy::print_stdout, clippy::expect_used)]

use std::io::{BufRead, stdin};
use std::path::{Path, PathBuf};
use std::time::Instant;

use osspan::calibrate::header::calibration_for;
use osspan::dicom::write::{Coding, Pictures};
use osspan::digest::sha256_hex;
use osspan::frame::{Frame, Samples};
use osspan::load::StoredFile;
use osspan::synth::object::{Scale, object};
use osspan::synth::{Anatomy, Envelope, Hold, Look, Scanner, Seed, Sweep, Truth, phantom, render, sweep, truth};
use osspan::units::PxPoint;
use osspan::{Error, ErrorKind, Result};
use serde::Deserialize;
use serde_json::{Value, json};

#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
enum Request {
    EvenTissue { scanner: Probe, echo_db: f64, loss_db_per_mm: f64, seed: u64 },
    Greys { scanner: Probe, echo_db: f64, seed: u64 },
    Disc { scanner: Probe, shell: Option<f64>, radius: f64, depth: f64, seed: u64 },
    Frame { anatomy: Box<Anatomy>, turn: f64, hold: [f64; 3], tissue: u64 },
    Write { folder: PathBuf },
    Digest,
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

const STILL: Scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_x: 0.26, mm_per_px_y: 0.26 };
const HOLD: Hold = Hold { os_x_mm: 4.0, os_y_mm: 34.0, turn_degrees: 0.0 };

/// One frame and one sweep in each coding, and one frame without a scale.
fn write(folder: &Path) -> Result<Value> {
    let how =
        Sweep { frames: 5, frame_time_ms: 60.0, from_degrees: -35.0, to_degrees: 25.0, slide_mm: 2.0, breathing_mm: 1.5, breath_s: 2.5 };
    let anatomy = Anatomy::posterior(12.0);
    let swept = sweep(&anatomy, &STILL, &HOLD, &how, 21, &Look::default())?;
    let single = render(&anatomy, &STILL, &HOLD, Seed { tissue: 21, shot: 0 })?;
    let mut made = Vec::new();
    let codings = [("plain", Coding::Plain), ("rle", Coding::Rle), ("jpeg", Coding::Jpeg { quality: 92 })];
    for (name, coding, scale) in codings.map(|(n, c)| (n, c, Scale::InRegion)).into_iter().chain([("no-scale", Coding::Plain, Scale::None)])
    {
        let frames: Vec<Vec<u8>> = swept.iter().map(|(samples, _)| samples.clone()).collect();
        for (kind, pictures) in
            [("frame", Pictures::Single(single.clone())), ("sweep", Pictures::Cine { frames, frame_time_ms: how.frame_time_ms })]
        {
            let label = format!("{kind}-{name}.dcm");
            let path = folder.join(&label);
            let bytes = object(&label, &STILL, pictures, coding, scale)?.to_bytes()?;
            std::fs::write(&path, bytes).map_err(|e| Error::io("the file cannot be written", &path, e))?;
            made.push(label);
        }
    }
    let truths: Vec<&Truth> = swept.iter().map(|(_, t)| t).collect();
    let digests: Vec<String> = swept.iter().map(|(samples, _)| sha256_hex(samples)).collect();
    Ok(json!({ "files": made, "frame": sha256_hex(&single), "sweep": digests, "truths": truths, "shortest": how.shortest_frame() }))
}

fn answer(request: Request) -> Result<Value> {
    match request {
        Request::EvenTissue { scanner, echo_db, loss_db_per_mm, seed } => {
            Ok(envelope(&phantom::even_tissue(&scanner.scanner(), echo_db, loss_db_per_mm, seed)?))
        }
        Request::Greys { scanner, echo_db, seed } => {
            let scanner = scanner.scanner();
            let samples = phantom::shown(&scanner, &phantom::even_tissue(&scanner, echo_db, 0.28, seed)?, &Look::default())?;
            Ok(json!({ "columns": scanner.columns(), "rows": scanner.rows(), "samples": samples }))
        }
        Request::Disc { scanner, shell, radius, depth, seed } => {
            let disc = shell.map_or(phantom::Disc::Fluid, phantom::Disc::Shell);
            Ok(envelope(&phantom::with_disc(&scanner.scanner(), disc, radius, depth, seed)?))
        }
        Request::Frame { anatomy, turn, hold, tissue } => {
            let scanner = Scanner { half_angle_degrees: 60.0, depth_mm: 76.0, mm_per_px_y: 0.22, ..STILL };
            let hold = Hold { os_x_mm: hold[0], os_y_mm: hold[1], turn_degrees: hold[2] };
            let plane = anatomy.turned_off_axis(turn)?;
            let samples = render(&plane, &scanner, &hold, Seed { tissue, shot: 0 })?;
            Ok(json!({
                "columns": scanner.columns(), "rows": scanner.rows(), "mm_per_px": [scanner.mm_per_px_x, scanner.mm_per_px_y],
                "samples": samples, "truth": truth(&plane, &scanner, &hold)?,
            }))
        }
        Request::Write { folder } => write(&folder),
        Request::Digest => {
            let samples = render(&Anatomy::posterior(14.0), &STILL, &HOLD, Seed { tissue: 7, shot: 0 })?;
            Ok(json!({ "sha256": sha256_hex(&samples) }))
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
