//! Invented readers who read synthetic frames with a known bias and spread: an agreement study whose answer is known.
//!
//! Nothing is drawn; landmarks come from the truth of each frame. A reader's edge lies on the line from the os through the true
//! edge, at the true distance plus the reader's bias plus a normal error of the reader's SD. So the distances' differences
//! have exactly the known bias and spread, however each landmark was shifted with them.

use jiff::ToSpan;
use jiff::civil::date;

use super::anatomy::Wall;
use super::cases::{Case, EdgeForm, Level, Trap, Wanted, case};
use super::noise::Noise;
use crate::calibrate::HEADER_ALONE;
use crate::context::{Bladder, Contraction, Dating, ExamContext, Route};
use crate::digest::sha256_hex;
use crate::error::Result;
use crate::exam::FrameNotes;
use crate::frame::{FrameId, Geometry};
use crate::guideline;
use crate::measure::{EdgeMark, Landmarks, Repeatability, Side};
use crate::reading::{self, Inputs};
use crate::record::{Mode, Origin, Patient, ReadingRecord, SecondReading};
use crate::scanners::ScannerKey;
use crate::units::PxPoint;

/// An invented reader.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InventedReader {
    /// Name; it says that it is invented.
    pub name: &'static str,
    /// What their distances are too long by, mm.
    pub bias_mm: f64,
    /// SD of their distances about that, mm.
    pub sd_mm: f64,
}

/// The three readers of the invented study.
pub const READERS: [InventedReader; 3] = [
    InventedReader { name: "A. Invented", bias_mm: 0.0, sd_mm: 1.0 },
    InventedReader { name: "B. Invented", bias_mm: 0.8, sd_mm: 1.5 },
    InventedReader { name: "C. Invented", bias_mm: -0.5, sd_mm: 1.2 },
];
/// Invented women, each with one exam.
pub const WOMEN: usize = 36;
/// Frames of each exam.
pub const FRAMES_EACH: usize = 2;
/// SD between the true distances of one exam's frames, mm.
pub const BETWEEN_FRAMES_MM: f64 = 1.0;
/// What every mention of the study says.
pub const INVENTED: &str = "Invented: three invented readers, synthetic frames";

/// The records of the study drawn with a seed: every frame read by every reader, the second and third blind to those before.
///
/// # Errors
/// None in practice: frames and readings of the ranges drawn here can be made.
pub fn invented_study(seed: u64) -> Result<Vec<ReadingRecord>> {
    let mut noise = Noise::new(seed, 1 << 52);
    let mut out = Vec::new();
    for woman in 0..WOMEN {
        // Far enough from 0 that no error takes an edge over the os, which would fold the distribution.
        let centre = if woman.is_multiple_of(6) { noise.between(-17.0, -11.0) } else { noise.between(10.0, 32.0) };
        for frame in 0..FRAMES_EACH {
            let number = woman * FRAMES_EACH + frame;
            let wanted = Wanted {
                distance_mm: centre + BETWEEN_FRAMES_MM * noise.normal_pair().0,
                wall: if woman.is_multiple_of(2) { Wall::Posterior } else { Wall::Anterior },
                level: Level::Usual,
                trap: Trap::None,
                edge: EdgeForm::Usual,
                seed: seed.wrapping_mul(1_000).wrapping_add(number as u64),
            };
            let drawn = case(&wanted)?;
            let mut before: Vec<String> = Vec::new();
            for (place, reader) in READERS.iter().enumerate() {
                let record = record(&drawn, reader, place, woman, number, seed, &mut noise)?;
                let mut first = before.clone();
                first.sort();
                let mark = (!first.is_empty()).then(|| SecondReading {
                    exam: record.exam_key(),
                    first,
                    mode: Mode::SameFrames,
                    queue_seed: Some(seed),
                    blinded: true,
                });
                let record = record.with_second(mark)?;
                before.push(record.id().to_owned());
                out.push(record);
            }
        }
    }
    Ok(out)
}

fn record(
    drawn: &Case,
    reader: &InventedReader,
    place: usize,
    woman: usize,
    number: usize,
    seed: u64,
    noise: &mut Noise,
) -> Result<ReadingRecord> {
    let truth = drawn.truth()?;
    let (mm, (x, y)) = (truth.edge_to_os_mm, noise.normal_pair());
    let shift = |p: PxPoint| PxPoint::new(p.x + 1.5 * x, p.y + 1.5 * y);
    let read = mm + reader.bias_mm + reader.sd_mm * noise.normal_pair().0;
    let k = read / mm;
    let os = shift(truth.internal_os);
    let along = truth.placental_edge - truth.internal_os;
    let landmarks = Landmarks {
        internal_os: os,
        edge: EdgeMark::PlacentalEdge { at: PxPoint::new(os.x + k * along.x, os.y + k * along.y) },
        placental_body: None,
        marginal_sinus: None,
    };
    let scanner = &drawn.scanner;
    let geometry = Geometry { rows: scanner.rows(), columns: scanner.columns(), regions: vec![scanner.region()], ..Geometry::default() };
    let exam_date = date(2031, 3, 1).saturating_add(i64::try_from(woman).unwrap_or(0).days());
    // From 24 to 37 weeks: 280 days before the due date is the first day of the last period.
    let age_days = 24 * 7 + (woman * 5) % 90;
    let due = exam_date.saturating_add((280 - i64::try_from(age_days).unwrap_or(0)).days());
    let context = ExamContext {
        exam_date: Some(exam_date),
        dating: Some(Dating::DueDate(due)),
        route: Route::Transvaginal,
        bladder: Bladder::Empty,
        contraction: Contraction::Absent,
        ..ExamContext::default()
    };
    let (table, repeatability) = (guideline::table("us-consensus-2014")?, Repeatability::assumed_total());
    let inputs = Inputs {
        geometry: &geometry,
        landmarks: &landmarks,
        side: if read < 0.0 { Side::Covers } else { Side::NotCovering },
        consent: None,
        scale: &HEADER_ALONE,
        repeatability: &repeatability,
        context: &context,
        notes: FrameNotes::NONE,
        table: &table,
    };
    let origin = Origin {
        frame: FrameId { sha256: sha256_hex(format!("invented frame {number} of study {seed}")), sop_instance_uid: None, frame_number: 1 },
        patient: Patient { number: Some(format!("INVENTED-{seed}-{woman}")), ..Patient::default() },
        study_instance_uid: Some(format!("2.25.{}", 9_000_000 + seed.wrapping_mul(1_000).wrapping_add(woman as u64))),
        reader: reader.name.to_owned(),
        saved_at: format!("2031-05-{:02}T10:{:02}:{:02}.000+00:00", 2 + 3 * place, number / 60, number % 60),
        follows: Vec::new(),
        scanner: Some(ScannerKey {
            manufacturer: Some("Invented".into()),
            model: Some(if woman.is_multiple_of(3) { "Two" } else { "One" }.into()),
            device: None,
            probe: Some("endocavity".into()),
        }),
    };
    ReadingRecord::new(&inputs, &reading::read(&inputs)?, origin)
}
