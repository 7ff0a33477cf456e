//! `sheet`: the whole answer for saved readings: urgent first, distance, finding, next scan, what each body says of birth,
//! groups of women, cautions. With `--trace` every sentence names the row and the source that led to it.

use std::io::Write;
use std::process::ExitCode;

use super::args::SheetArgs;
use super::{Done, output};
use crate::cautions::Scale;
use crate::error::{Error, ErrorKind, Result};
use crate::followup::Exam;
use crate::guideline::{self, Table};
use crate::reading::Distance;
use crate::record::{ReadingRecord, Store};
use crate::sheet::sheet;
use crate::{evidence, files};

pub(super) fn run(args: &SheetArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let (records, damaged) = Store::at(&folder).load()?;
    if records.is_empty() {
        return Err(damaged.into_iter().next().unwrap_or_else(|| {
            Error::new(ErrorKind::Io, "there are no records").expected("a folder of saved readings").found("none").at(&folder)
        }));
    }
    let all = guideline::tables()?;
    for stored in &records {
        let record = &stored.record;
        let own = guideline::table(&record.table.id)?;
        let chosen: Vec<&Table> = if args.every_guideline { all.iter().collect() } else { vec![&own] };
        for table in chosen {
            let name = stored.path.file_name().unwrap_or_default().to_string_lossy();
            output::line(out, &format!("== {name} · {} · read by {}", table.name(), record.reader))?;
            output::line(out, &text(record, table, &all, args.trace)?)?;
        }
    }
    if args.trace {
        output::line(out, "CHECK AGAINST THE PRIMARY DOCUMENT BEFORE RELYING ON THIS (from memory)")?;
        for said in evidence::from_memory(&all)? {
            output::wrapped(out, "  - ", &said.text)?;
        }
    }
    for e in &damaged {
        output::line(out, &format!("Not a record: {e}"))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn text(record: &ReadingRecord, table: &Table, all: &[Table], trace: bool) -> Result<String> {
    let age = record.context.gestational_age().ok();
    let measurement = match &record.distance {
        Distance::Measured(m) => Some(&m.measurement),
        Distance::NoScale { .. } => None,
    };
    let finding = measurement.map(|m| guideline::classify(table, m, age, &record.context));
    let exam = Exam { table, context: &record.context, age, stated_side: Some(record.side), measurement, finding: finding.as_ref() };
    let scale = if measurement.is_some() { Scale::Unchecked } else { Scale::Missing };
    Ok(sheet(&exam, scale, all)?.text(trace))
}
