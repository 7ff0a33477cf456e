//! `sample`: the bundled sample exam, read from its saved landmarks.

use std::io::Write;
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
use crate::guideline::Table;
use crate::load::StoredFile;
use crate::measure::{Measurement, Repeatability, words};
use crate::reading::{self, Distance, Inputs, Reading};
use crate::record::{Origin, Query, ReadingRecord, Store};
use crate::sample::{FILE, SavedLandmarks};
use crate::scanners::{self, History};
use crate::trend::{Point, trend};
use crate::{files, guideline};

/// Longest landmarks file, bytes.
const LONGEST: u64 = 1024 * 1024;

pub(super) fn run(args: &SampleArgs, out: &mut dyn Write) -> Done {
    let dir = files::sample_exam_dir().ok_or_else(|| {
        Error::new(ErrorKind::Io, "the sample exam is not here")
            .expected("a folder sample-images beside the program or the sources")
            .found("none")
            .remedy("Run it from the checkout, or name a file: osspan read --help")
    })?;
    let saved = SavedLandmarks::parse(&files::read_text(&dir.join(FILE), LONGEST)?)?;
    let table = guideline::table(&saved.guideline)?;
    let folder = match &args.records {
        Some(d) => d.clone(),
        None => files::records_dir()?,
    };
    let store = Store::at(&folder).with_index(files::index_file(&folder)?);
    output::line(out, "Sample exam: an invented patient, synthetic frames, invented landmarks")?;
    output::line(out, &format!("Guideline {} · due {} · read by {}", table.name(), saved.due_date, saved.reader))?;
    let repeatability = Repeatability::assumed_total();
    let history = History::new(scanners::sample_checks()?);
    let mut said = Said::default();
    let mut visit = Visit::default();
    let mut points: Vec<Point> = Vec::new();
    let (mut written, mut kept) = (0, 0);
    for one in &saved.readings {
        let file = StoredFile::open(&dir.join(&one.file))?;
        let frame = file.frame(one.frame)?;
        let context = one.context(saved.context(file.facts()));
        let landmarks = one.landmarks();
        let scale = scanners::scale_facts(find_ticks(&frame), file.facts(), context.exam_date, &history);
        let inputs = Inputs {
            geometry: file.geometry(),
            landmarks: &landmarks,
            side: one.side,
            consent: None,
            scale: &scale,
            repeatability: &repeatability,
            context: &context,
            notes: crate::exam::FrameNotes::NONE,
            table: &table,
        };
        let made = reading::read(&inputs)?;
        if visit.study != file.facts().study_instance_uid {
            points.extend(visit.end(out, &table, &mut said)?);
            visit = Visit { study: file.facts().study_instance_uid.clone(), age: context.gestational_age().ok(), ..Visit::default() };
        }
        output::line(out, "")?;
        output::line(out, &format!("{} frame {} · {}", one.file, one.frame, context_line(&context)))?;
        output::reading(out, &made, &table, &mut said)?;
        visit.add(&made);
        let index = store.index()?;
        let follows = index.own_heads(&frame.id, &saved.reader);
        let record = ReadingRecord::new(&inputs, &made, Origin::of(&file, frame.id, &saved.reader, files::now(), follows))?;
        // Running the sample again adds nothing to a folder that already holds the same readings.
        let of_frame = Query { frame: Some(record.frame.sha256.clone()), ..Query::default() };
        if index.find(&of_frame).iter().any(|e| store.open(e).is_ok_and(|s| s.record.same_reading(&record))) {
            kept += 1;
        } else {
            store.save(&record)?;
            written += 1;
        }
    }
    points.extend(visit.end(out, &table, &mut said)?);
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
