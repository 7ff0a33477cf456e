//! `sample`: the bundled sample exam, read from its saved landmarks.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use super::args::SampleArgs;
use super::output::Said;
use super::read::context_line;
use super::{Done, output};
use crate::calibrate::ticks::find_ticks;
use crate::cautions::{Caution, CautionId};
use crate::context::GestationalAge;
use crate::error::{Error, ErrorKind, Result};
use crate::exam;
use crate::frame::FrameId;
use crate::guideline::Table;
use crate::load::StoredFile;
use crate::measure::{Measurement, Repeatability, words};
use crate::reading::{self, Distance, Inputs, Reading};
use crate::record::{Origin, Patient, Query, ReadingRecord, Store};
use crate::sample::{FILE, SavedLandmarks, SavedReading};
use crate::scanners::{self, History};
use crate::trend::{Point, trend};
use crate::{files, guideline};

/// Longest landmarks file, bytes.
const LONGEST: u64 = 1024 * 1024;

/// The sample exam, opened.
pub(super) struct Sample {
    dir: PathBuf,
    pub(super) saved: SavedLandmarks,
    table: Table,
    repeatability: Repeatability,
    history: History,
}

/// One of its saved readings, read.
pub(super) struct Read<'a> {
    file: &'a StoredFile,
    frame: FrameId,
    inputs: &'a Inputs<'a>,
    reading: Reading,
}

impl Read<'_> {
    /// The record as `reader` would save it.
    pub(super) fn record(&self, reader: &str, saved_at: String, follows: Vec<String>) -> Result<ReadingRecord> {
        ReadingRecord::new(self.inputs, &self.reading, Origin::of(self.file, self.frame.clone(), reader, saved_at, follows))
    }
}

impl Sample {
    pub(super) fn open() -> Result<Self> {
        let dir = files::sample_exam_dir().ok_or_else(|| {
            Error::new(ErrorKind::Io, "the sample exam is not here")
                .expected("a folder sample-images beside the program or the sources")
                .found("none")
                .remedy("Run it from the checkout, or name a file: osspan read --help")
        })?;
        let saved = SavedLandmarks::parse(&files::read_text(&dir.join(FILE), LONGEST)?)?;
        let table = guideline::table(&saved.guideline)?;
        let history = History::new(scanners::sample_checks()?);
        Ok(Self { dir, saved, table, repeatability: Repeatability::assumed_total(), history })
    }

    /// Reads one of the saved readings, for `with` to use.
    pub(super) fn read<T>(&self, one: &SavedReading, with: impl FnOnce(&Read<'_>) -> Result<T>) -> Result<T> {
        let file = StoredFile::open(&self.dir.join(&one.file))?;
        let frame = file.frame(one.frame)?;
        let context = one.context(self.saved.context(file.facts()));
        let landmarks = one.landmarks();
        let scale = scanners::scale_facts(find_ticks(&frame), file.facts(), context.exam_date, &self.history);
        let inputs = Inputs {
            geometry: file.geometry(),
            landmarks: &landmarks,
            side: one.side,
            consent: None,
            scale: &scale,
            repeatability: &self.repeatability,
            context: &context,
            notes: crate::exam::FrameNotes::NONE,
            table: &self.table,
        };
        with(&Read { file: &file, frame: frame.id, inputs: &inputs, reading: reading::read(&inputs)? })
    }
}

pub(super) fn run(args: &SampleArgs, out: &mut dyn Write) -> Done {
    let sample = Sample::open()?;
    let (saved, table) = (&sample.saved, &sample.table);
    let folder = match &args.records {
        Some(d) => d.clone(),
        None => files::records_dir()?,
    };
    let store = Store::at(&folder).with_index(files::index_file(&folder)?);
    output::line(out, "Sample exam: an invented patient, synthetic frames, invented landmarks")?;
    output::line(out, &format!("Guideline {} · due {} · read by {}", table.name(), saved.due_date, saved.reader))?;
    let mut said = Said::default();
    let mut visit = Visit::default();
    let mut points: Vec<Point> = Vec::new();
    let (mut written, mut kept) = (0, 0);
    for one in &saved.readings {
        let is_new = sample.read(one, |read| {
            let study = &read.file.facts().study_instance_uid;
            if visit.study != *study {
                points.extend(visit.end(out, table, &mut said)?);
                visit = Visit { study: study.clone(), age: read.inputs.context.gestational_age().ok(), ..Visit::default() };
            }
            output::line(out, "")?;
            output::line(out, &format!("{} frame {} · {}", one.file, one.frame, context_line(read.inputs.context)))?;
            output::reading(out, &read.reading, table, &mut said)?;
            visit.add(&read.reading);
            let index = store.index()?;
            let record = read.record(
                &saved.reader,
                files::now_exactly(),
                index.own_heads(&read.frame, &saved.reader, Patient::from(&read.file.facts().patient).key().as_deref()),
            )?;
            // Running the sample again adds nothing to a folder that already holds the same readings.
            let of_frame = Query { frame: Some(record.frame.sha256.clone()), ..Query::default() };
            let is_new = !index.find(&of_frame).iter().any(|e| store.open(e).is_ok_and(|s| s.record.same_reading(&record)));
            if is_new {
                store.save(&record)?;
            }
            Ok(is_new)
        })?;
        *if is_new { &mut written } else { &mut kept } += 1;
    }
    points.extend(visit.end(out, table, &mut said)?);
    output::line(out, "")?;
    if points.len() > 1 {
        output::line(out, "Change over the visits (exam distance, the mean of the planes read)")?;
        for change in trend(&points)?.lines() {
            output::wrapped(out, "  ", &format!("{} {}", change.text, said.mark(&change.source)))?;
        }
        output::line(out, "")?;
    }
    said.print_sources(out)?;
    output::line(out, "")?;
    output::line(out, &format!("Records: {} ({written} saved now, {kept} already there)", store.dir().display()))?;
    Ok(ExitCode::SUCCESS)
}

/// The frames of one visit: their distances, and their cautions, each once.
#[derive(Default)]
struct Visit {
    study: Option<String>,
    age: Option<GestationalAge>,
    measurements: Vec<Measurement>,
    cautions: Vec<Caution>,
    closing: Option<Caution>,
}

impl Visit {
    fn add(&mut self, reading: &Reading) {
        if let Distance::Measured(m) = &reading.distance {
            self.measurements.push(m.measurement.clone());
        }
        for c in &reading.cautions {
            if c.id == CautionId::Closing {
                self.closing = Some(c.clone());
            } else if !self.cautions.contains(c) {
                self.cautions.push(c.clone());
            }
        }
    }

    /// Prints what the frames come to and their cautions under the visit's last frame, the closing line last. Gives the
    /// visit's place on the line of serial exams, where it has a distance and a date.
    fn end(&self, out: &mut dyn Write, table: &Table, said: &mut output::Said) -> Result<Option<Point>> {
        if self.measurements.is_empty() {
            return Ok(None);
        }
        let repeats: Vec<_> =
            self.measurements.iter().map(|measurement| exam::Repeat { measurement, adequacy: exam::Adequacy::NotStated }).collect();
        let summary = exam::summarise(&repeats, &exam::Model::default())?;
        output::line(out, "")?;
        output::wrapped(out, "This visit: ", &summary.headline(words::printer(|printed, real| table.same_band(printed, real))))?;
        for note in &summary.notes {
            output::wrapped(out, "  ", &note.words())?;
        }
        let all: Vec<Caution> = self.cautions.iter().chain(&self.closing).cloned().collect();
        output::cautions(out, &all, said)?;
        Ok(match (&summary.exam_distance, self.age) {
            (exam::ExamDistance::Estimate { signed_mm, u_shared_mm, .. }, Some(age)) => Some(Point {
                age,
                signed_mm: *signed_mm,
                // Not made smaller by the visit's repeats: the assumed total holds the difference between scans too, and
                // how much of it that is, is not known.
                u_independent_mm: Repeatability::assumed_total().sd_mm,
                u_scale_relative: if signed_mm.get() == 0.0 { 0.0 } else { (u_shared_mm.get() / signed_mm.get()).abs().min(1.0) },
                calibration: self.study.clone().unwrap_or_default(),
            }),
            _ => None,
        })
    }
}
