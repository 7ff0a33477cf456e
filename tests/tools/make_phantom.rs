//! Writes the sample phantom's frames and the invented history of the sample scanner into `calibration/` anew:
//! `cargo run --example make-phantom [folder]`.
#![allow(clippy::print_stderr)]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use jiff::civil::date;
use osspan::dicom::write::{Coding, Pictures, UltrasoundObject, uid_from};
use osspan::frame::Samples;
use osspan::phantom::made::{Seen, seen};
use osspan::phantom::{check, phantom, tolerance};
use osspan::scanners::{Made, ScaleCheck, ScannerKey};
use osspan::{Error, ErrorKind, Result};

const PHANTOM: &str = "endocavity-10";
const MAKER: &str = "Osspan";
const MODEL: &str = "Synthetic frames";

fn main() -> ExitCode {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("calibration"), PathBuf::from);
    match write(&folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{e}");
            ExitCode::FAILURE
        }
    }
}

/// The sample scanner's scale as of one day: it drifts a little.
fn how(day: usize, frame: u64) -> Seen {
    let drift = [0.002, 0.003, 0.006, 0.009][day.min(3)];
    Seen {
        mm_per_px: [0.2, 0.2],
        header_mm_per_px: [0.2 * (1.0 + drift / 2.0), 0.2 * (1.0 - drift)],
        rotation_degrees: 1.0 + frame as f64,
        pin_sd_mm: [0.08, 0.04],
        seed: 10 * day as u64 + frame,
        ..Seen::default()
    }
}

fn write(folder: &Path) -> Result<()> {
    let (definition, tolerance) = (phantom(PHANTOM)?, tolerance()?);
    let failed = |e| Error::io("the sample phantom cannot be written", folder, e);
    std::fs::create_dir_all(folder.join("sample")).map_err(failed)?;
    let days = [date(2023, 2, 6), date(2024, 2, 5), date(2024, 8, 20), date(2025, 1, 27)];
    let mut entries = Vec::new();
    for (i, day) in days.into_iter().enumerate() {
        let mut checks = Vec::new();
        for number in 1..=2_u64 {
            let (frame, geometry, _) = seen(&definition, &how(i, number));
            checks.push(check(&frame, &geometry, &definition)?);
            if i + 1 == days.len() {
                let Samples::Gray8(samples) = frame.samples else {
                    return Err(Error::new(ErrorKind::Invalid, "the sample phantom is not grey"));
                };
                let object = UltrasoundObject {
                    patient_name: "Phantom^Not a person".into(),
                    patient_id: "PHANTOM".into(),
                    study_date: day.strftime("%Y%m%d").to_string(),
                    study_time: "080000".into(),
                    study_description: "Synthetic distance phantom".into(),
                    study_id: "P1".into(),
                    study_uid: uid_from("osspan sample phantom study"),
                    series_uid: uid_from("osspan sample phantom series"),
                    instance_uid: uid_from(&format!("osspan sample phantom {number}")),
                    series_number: 1,
                    instance_number: number as u32,
                    manufacturer: MAKER.into(),
                    model: MODEL.into(),
                    comments: "Invented. Not made by a scanner.".into(),
                    rows: frame.height as u16,
                    columns: frame.width as u16,
                    pictures: Pictures::Single(samples),
                    regions: geometry.regions,
                    coding: Coding::Plain,
                };
                std::fs::write(folder.join("sample").join(format!("phantom-{number}.dcm")), object.to_bytes()?).map_err(failed)?;
            }
        }
        let made = Made {
            checked_on: day,
            made_at: format!("{day}T08:30:00+00:00"),
            by: "Invented".into(),
            scanner: ScannerKey { manufacturer: Some(MAKER.into()), model: Some(MODEL.into()), device: None, probe: None },
            preset: None,
        };
        entries.push(ScaleCheck::new(made, &checks, &definition, &tolerance)?.as_invented());
    }
    let text = serde_json::to_string_pretty(&entries).map_err(|e| Error::new(ErrorKind::Record, e.to_string()))?;
    std::fs::write(folder.join("sample-history.json"), text + "\n").map_err(failed)
}
