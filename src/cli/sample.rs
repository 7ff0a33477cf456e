//! `sample`: the bundled sample exam, read from its saved landmarks.

use std::io::Write;
use std::process::ExitCode;

use super::args::SampleArgs;
use super::output::Said;
use super::read::context_line;
use super::{Done, output};
use crate::cautions::{Caution, CautionId};
use crate::error::{Error, ErrorKind, Result};
use crate::load::StoredFile;
use crate::measure::Repeatability;
use crate::reading::{self, Inputs};
use crate::record::{Origin, Query, ReadingRecord, Store};
use crate::sample::{FILE, SavedLandmarks};
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
    let mut said = Said::default();
    let mut visit = Visit::default();
    let (mut written, mut kept) = (0, 0);
    for one in &saved.readings {
        let file = StoredFile::open(&dir.join(&one.file))?;
        let frame = file.frame(one.frame)?;
        let context = one.context(saved.context(file.facts()));
        let landmarks = one.landmarks();
        let inputs = Inputs {
            geometry: file.geometry(),
            landmarks: &landmarks,
            side: one.side,
            consent: None,
            repeatability: &repeatability,
            context: &context,
            table: &table,
        };
        let made = reading::read(&inputs)?;
        if visit.study != file.facts().study_instance_uid {
            visit.end(out, &mut said)?;
            visit = Visit { study: file.facts().study_instance_uid.clone(), ..Visit::default() };
        }
        output::line(out, "")?;
        output::line(out, &format!("{} frame {} · {}", one.file, one.frame, context_line(&context)))?;
        output::reading(out, &made, &table, &mut said)?;
        visit.add(&made.cautions);
        let follows = store.heads(&frame.id)?;
        let record = ReadingRecord::new(&inputs, &made, Origin::of(&file, frame.id, &saved.reader, files::now(), follows))?;
        // Running the sample again adds nothing to a folder that already holds the same readings.
        let of_frame = Query { frame: Some(record.frame.sha256.clone()), ..Query::default() };
        if store.index()?.find(&of_frame).iter().any(|e| store.open(e).is_ok_and(|s| s.record.same_reading(&record))) {
            kept += 1;
        } else {
            store.save(&record)?;
            written += 1;
        }
    }
    visit.end(out, &mut said)?;
    output::line(out, "")?;
    said.print_sources(out)?;
    output::line(out, "")?;
    output::line(out, &format!("Records: {} ({written} saved now, {kept} already there)", store.dir().display()))?;
    Ok(ExitCode::SUCCESS)
}

/// The cautions of one visit's frames, each once.
#[derive(Default)]
struct Visit {
    study: Option<String>,
    cautions: Vec<Caution>,
    closing: Option<Caution>,
}

impl Visit {
    fn add(&mut self, all: &[Caution]) {
        for c in all {
            if c.id == CautionId::Closing {
                self.closing = Some(c.clone());
            } else if !self.cautions.contains(c) {
                self.cautions.push(c.clone());
            }
        }
    }

    /// Prints them under the visit's last frame, the closing line last.
    fn end(&self, out: &mut dyn Write, said: &mut output::Said) -> Result<()> {
        let all: Vec<Caution> = self.cautions.iter().chain(&self.closing).cloned().collect();
        if all.is_empty() { Ok(()) } else { output::cautions(out, &all, said) }
    }
}
