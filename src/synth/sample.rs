//! The bundled sample exams: three visits of an invented patient, made by the generator of this module.
//!
//! The placenta overlaps the internal os at the first visit, lies close at the second and well away at the third. Planes
//! of one visit differ as planes off the shortest way do: they only lengthen the distance.

use std::fmt::Write as _;

use serde::Serialize;

use super::noise::Noise;
use super::object::{Scale, object};
use super::{Anatomy, Hold, Look, Scanner, Seed, Sweep, Truth, render, sweep, truth};
use crate::context::Answer;
use crate::dicom::write::{Coding, Pictures, UltrasoundObject, uid_from};
use crate::digest::sha256_hex;
use crate::error::{Error, ErrorKind, Result};
use crate::measure::{EdgeMark, Side};
use crate::units::PxPoint;

/// Due date of the invented pregnancy: the visits are at 20 weeks 2 days, 32 weeks 1 day and 36 weeks 0 days.
const DUE_DATE: &str = "2025-06-30";
/// Changes when the files change, so that no two sets share a UID.
const EDITION: &str = "osspan sample 2";

/// One visit as it is looked at.
struct Visit {
    /// YYYYMMDD.
    date: &'static str,
    /// On its shortest way.
    anatomy: Anatomy,
    scanner: Scanner,
    hold: Hold,
    /// How far each single plane is turned off the shortest way, degrees.
    planes: &'static [f64],
    sweep: Option<Sweep>,
    /// Whether a low placenta was seen earlier in this pregnancy.
    earlier_low: Answer,
}

/// One DICOM file of the sample exams.
#[derive(Clone, Debug)]
pub struct SampleFile {
    /// Path inside `sample-images`, with forward slashes.
    pub name: String,
    /// The file.
    pub bytes: Vec<u8>,
    /// SOP Instance UID.
    pub sop_instance_uid: String,
    /// Millimetres per pixel, across and down.
    pub mm_per_px: [f64; 2],
    /// The truth of each frame, in order.
    pub frames: Vec<Truth>,
    /// Whether a low placenta was seen earlier in this pregnancy.
    pub earlier_low: Answer,
}

fn visits() -> [Visit; 3] {
    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm: 74.0, mm_per_px_x: 0.26, mm_per_px_y: 0.26 };
    let hold = Hold { os_x_mm: 5.0, os_y_mm: 34.0, turn_degrees: 0.0 };
    let anatomy = Anatomy::posterior(0.0);
    [
        Visit {
            date: "20250212",
            anatomy: Anatomy {
                edge_to_os_mm: -9.0,
                edge_thickness_mm: 12.5,
                placenta_thickness_mm: 17.0,
                cervix_length_mm: 40.0,
                head_radius_mm: 24.0,
                bladder_mm: 6.0,
                ..anatomy
            },
            scanner,
            hold,
            planes: &[0.0, 20.0, 30.0],
            sweep: None,
            earlier_low: Answer::Unknown,
        },
        Visit {
            date: "20250506",
            anatomy: Anatomy { edge_to_os_mm: 14.0, cervix_length_mm: 37.0, bladder_mm: 6.0, ..anatomy },
            scanner: Scanner { mm_per_px_y: 0.21, ..scanner },
            hold: Hold { turn_degrees: -3.0, ..hold },
            planes: &[0.0, 18.0],
            sweep: Some(Sweep {
                frames: 6,
                frame_time_ms: 80.0,
                from_degrees: -27.0,
                to_degrees: 22.0,
                slide_mm: 2.5,
                breathing_mm: 1.0,
                breath_s: 3.0,
            }),
            earlier_low: Answer::Yes,
        },
        Visit {
            date: "20250602",
            anatomy: Anatomy { edge_to_os_mm: 31.0, cervix_length_mm: 34.0, bladder_mm: 5.0, ..anatomy },
            scanner: Scanner { depth_mm: 78.0, mm_per_px_x: 0.27, mm_per_px_y: 0.27, ..scanner },
            hold: Hold { os_x_mm: 10.0, os_y_mm: 30.0, turn_degrees: 5.0 },
            planes: &[0.0, 12.0, 19.0],
            sweep: None,
            earlier_low: Answer::Yes,
        },
    ]
}

/// The DICOM files of the sample exams, the same bytes every time.
///
/// # Errors
/// None in practice: the anatomies are fixed and valid.
pub fn sample_exam() -> Result<Vec<SampleFile>> {
    let mut files = Vec::new();
    for (v, visit) in (1_u32..).zip(visits()) {
        for (k, &degrees) in (1_u32..).zip(visit.planes) {
            let anatomy = visit.anatomy.turned_off_axis(degrees)?;
            let picture = render(&anatomy, &visit.scanner, &visit.hold, Seed { tissue: u64::from(100 * v + k), shot: 0 })?;
            let pictures = Pictures::Single(picture);
            files.push(file(
                &visit,
                &visit.scanner,
                &format!("frame-{k}"),
                v,
                k,
                pictures,
                vec![truth(&anatomy, &visit.scanner, &visit.hold)?],
            )?);
        }
        if let Some(how) = &visit.sweep {
            let k = visit.planes.len() as u32 + 1;
            // Coarser pixels, as scanners store clips.
            let scanner =
                Scanner { mm_per_px_x: visit.scanner.mm_per_px_x * 1.25, mm_per_px_y: visit.scanner.mm_per_px_y * 1.25, ..visit.scanner };
            let swept = sweep(&visit.anatomy, &scanner, &visit.hold, how, u64::from(100 * v + 10), &Look::default())?;
            let (frames, truths) = swept.into_iter().unzip();
            files.push(file(&visit, &scanner, "sweep-1", v, k, Pictures::Cine { frames, frame_time_ms: how.frame_time_ms }, truths)?);
        }
    }
    Ok(files)
}

fn file(visit: &Visit, scanner: &Scanner, short: &str, v: u32, k: u32, pictures: Pictures, frames: Vec<Truth>) -> Result<SampleFile> {
    let name = format!("visit-{v}/{short}.dcm");
    let coding = if frames.len() > 1 { Coding::Rle } else { Coding::Plain };
    let object = UltrasoundObject {
        study_date: visit.date.into(),
        study_time: format!("10{:02}00", 10 + k),
        study_id: v.to_string(),
        study_uid: uid_from(&format!("{EDITION}/visit-{v}")),
        series_uid: uid_from(&format!("{EDITION}/visit-{v}/series")),
        instance_number: k,
        ..object(&format!("{EDITION}/{name}"), scanner, pictures, coding, Scale::InRegion)?
    };
    Ok(SampleFile {
        bytes: object.to_bytes()?,
        sop_instance_uid: object.instance_uid,
        mm_per_px: [scanner.mm_per_px_x, scanner.mm_per_px_y],
        earlier_low: visit.earlier_low,
        name,
        frames,
    })
}

#[derive(Serialize)]
struct TruthFile<'a> {
    schema: &'static str,
    made_by: &'static str,
    due_date: &'static str,
    files: Vec<FileTruth<'a>>,
}

#[derive(Serialize)]
struct FileTruth<'a> {
    file: &'a str,
    sop_instance_uid: &'a str,
    mm_per_px: [f64; 2],
    frames: Vec<FrameTruth<'a>>,
}

#[derive(Serialize)]
struct FrameTruth<'a> {
    frame: u32,
    #[serde(flatten)]
    truth: &'a Truth,
}

#[derive(Serialize)]
struct LandmarkFile<'a> {
    schema: &'static str,
    reader: &'static str,
    guideline: &'static str,
    due_date: &'static str,
    readings: Vec<Reading<'a>>,
}

/// One frame as the demo reader read it.
#[derive(Serialize)]
struct Reading<'a> {
    file: &'a str,
    frame: u32,
    internal_os: [f64; 2],
    edge: EdgeMark,
    placental_body: [f64; 2],
    side: Side,
    route: &'static str,
    bladder: &'static str,
    earlier_low_placenta: Answer,
}

/// The demo reader reads each single frame, and of a sweep the frame with the shortest distance. Each landmark lies
/// 0.3 to 1 mm from the truth, in a seeded direction, to a tenth of a pixel.
fn reading<'a>(file: &'a SampleFile, seed: u64) -> Option<Reading<'a>> {
    let shortest = (1_u32..).zip(&file.frames).min_by(|a, b| a.1.edge_to_os_mm.abs().total_cmp(&b.1.edge_to_os_mm.abs()));
    let (frame, t) = shortest?;
    let mut noise = Noise::new(seed, 0);
    let mut off = |p: PxPoint| {
        let (sin, cos) = libm::sincos(noise.between(0.0, std::f64::consts::TAU));
        let mm = noise.between(0.35, 0.95);
        let tenth = |v: f64| libm::round(v * 10.0) / 10.0;
        PxPoint::new(tenth(p.x + mm * cos / file.mm_per_px[0]), tenth(p.y + mm * sin / file.mm_per_px[1]))
    };
    let (os, edge, body) = (off(t.internal_os), off(t.placental_edge), off(t.placental_body));
    Some(Reading {
        file: &file.name,
        frame,
        internal_os: [os.x, os.y],
        edge: EdgeMark::PlacentalEdge { at: edge },
        placental_body: [body.x, body.y],
        side: t.side,
        route: "transvaginal",
        bladder: "empty",
        earlier_low_placenta: file.earlier_low,
    })
}

/// Every generated file of `sample-images` as (path, bytes): the exams, `truth.json`, `landmarks.json`, `SHA256SUMS`.
///
/// # Errors
/// None in practice; see [`sample_exam`].
pub fn sample_images() -> Result<Vec<(String, Vec<u8>)>> {
    let files = sample_exam()?;
    let truth = TruthFile {
        schema: "osspan-sample-truth/1",
        made_by: "cargo run --example make-samples",
        due_date: DUE_DATE,
        files: files
            .iter()
            .map(|f| FileTruth {
                file: &f.name,
                sop_instance_uid: &f.sop_instance_uid,
                mm_per_px: f.mm_per_px,
                frames: (1_u32..).zip(&f.frames).map(|(frame, truth)| FrameTruth { frame, truth }).collect(),
            })
            .collect(),
    };
    let landmarks = LandmarkFile {
        schema: "osspan-sample-landmarks/1",
        reader: "Demo reader",
        guideline: "us-consensus-2014",
        due_date: DUE_DATE,
        readings: (500_u64..).zip(&files).filter_map(|(seed, f)| reading(f, seed)).collect(),
    };
    let mut all: Vec<(String, Vec<u8>)> = vec![("landmarks.json".into(), json(&landmarks)?), ("truth.json".into(), json(&truth)?)];
    all.extend(files.into_iter().map(|f| (f.name, f.bytes)));
    let mut sums = String::new();
    for (name, bytes) in &all {
        // Writing to a string cannot fail.
        let _ = writeln!(sums, "{}  {name}", sha256_hex(bytes));
    }
    all.push(("SHA256SUMS".into(), sums.into_bytes()));
    Ok(all)
}

fn json(value: &impl Serialize) -> Result<Vec<u8>> {
    let mut bytes = serde_json::to_vec_pretty(value)
        .map_err(|e| Error::new(ErrorKind::Format, "the sample's text file cannot be made").found(e.to_string()).caused_by(e))?;
    bytes.push(b'\n');
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use std::sync::LazyLock;

    use jiff::civil::Date;

    use super::*;

    /// Drawn once for all tests.
    static MADE: LazyLock<Vec<SampleFile>> = LazyLock::new(|| sample_exam().unwrap());

    #[test]
    fn three_visits_overlapping_then_close_then_away_within_three_megabytes() {
        let files = &*MADE;
        let of = |visit: &str| files.iter().filter(|f| f.name.starts_with(visit)).flat_map(|f| &f.frames).collect::<Vec<_>>();
        for (visit, shortest, side, n) in
            [("visit-1", -9.0, Side::Covers, 3), ("visit-2", 14.0, Side::NotCovering, 8), ("visit-3", 31.0, Side::NotCovering, 3)]
        {
            let frames = of(visit);
            assert_eq!(frames.len(), n);
            assert_eq!(frames[0].edge_to_os_mm, shortest);
            for t in frames {
                let longer = t.edge_to_os_mm.abs() - shortest.abs();
                assert!((0.0..2.0).contains(&longer) && t.side == side, "{visit}: {longer}");
                for landmark in ["internal os", "placental edge", "placental body", "bladder"] {
                    assert!(t.visible.iter().any(|v| v == landmark), "{visit}: {landmark} is out of view");
                }
            }
        }
        let total: usize = files.iter().map(|f| f.bytes.len()).sum();
        assert!(total < 2_900_000, "{total} bytes");
    }

    /// Naegele's rule counts 280 days from the last period to the due date.
    #[test]
    fn the_visits_are_at_the_weeks_that_the_due_date_says() {
        let due: Date = DUE_DATE.parse().unwrap();
        for (visit, weeks, days) in visits().iter().zip([(20, 2), (32, 1), (36, 0)]).map(|(v, (w, d))| (v, w, d)) {
            let exam = Date::strptime("%Y%m%d", visit.date).unwrap();
            assert_eq!(280 - (due - exam).get_days(), 7 * weeks + days);
        }
    }

    #[test]
    fn the_demo_reader_is_off_by_a_third_to_a_whole_millimetre() {
        for (seed, f) in (500_u64..).zip(&*MADE) {
            let r = reading(f, seed).unwrap();
            let t = &f.frames[r.frame as usize - 1];
            let marks = [
                (PxPoint::new(r.internal_os[0], r.internal_os[1]), t.internal_os),
                (r.edge.at(), t.placental_edge),
                (PxPoint::new(r.placental_body[0], r.placental_body[1]), t.placental_body),
            ];
            for (read, truth) in marks {
                let step = read - truth;
                let off = (step.x * f.mm_per_px[0]).hypot(step.y * f.mm_per_px[1]);
                assert!((0.3..=1.0).contains(&off), "{}: {off} mm", f.name);
            }
        }
    }
}
