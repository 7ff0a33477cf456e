//! `sheet`: the whole answer for saved readings, exam by exam: urgent first, distance, finding under every body's table, next scan,
//! what each body says of birth, groups of women, change over visits, cautions. With `--trace` every sentence names the row
//! and the source that led to it.

use std::io::Write;
use std::process::ExitCode;

use super::args::SheetArgs;
use super::folder::Folder;
use super::sample::Sample;
use super::{Done, output, tables};
use crate::caseload::{Caseload, SavedExam, table_or_first};
use crate::error::{Error, Result};
use crate::guideline::Table;
use crate::record::ReadingRecord;
use crate::sample::SavedReading;
use crate::sheet;

pub(super) fn run(args: &SheetArgs, out: &mut dyn Write) -> Done {
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let (cases, damaged) = if args.sample { (Caseload::of(sample_records()?, &[]), Vec::new()) } else { saved(args)? };
    for woman in &cases.women {
        for (i, exam) in woman.exams.iter().enumerate() {
            let own = table_or_first(exam, &shelf)?;
            let chosen: Vec<&Table> = if args.every_guideline { shelf.all().iter().collect() } else { vec![&own] };
            let date = exam.context.exam_date.map_or_else(|| "undated".to_owned(), |d| d.to_string());
            let mut readers: Vec<&str> = exam.readings.iter().map(|r| r.reader.as_str()).collect();
            readers.sort_unstable();
            readers.dedup();
            for table in chosen {
                let head =
                    format!("== {} · exam of {date} · {} {} · read by {}", woman.key, table.name(), table.edition(), readers.join(", "));
                output::line(out, &head)?;
                if exam.table(&shelf).is_none() && !args.every_guideline {
                    output::line(out, "   (the table that it was read with is not at hand)")?;
                }
                output::line(out, &SavedExam::sheet_of(woman, i, table, &shelf)?.text(args.trace))?;
            }
        }
    }
    if args.trace {
        output::line(out, &format!("{} (from memory)", sheet::CHECK_FIRST.to_uppercase()))?;
        for said in sheet::from_memory(shelf.all())? {
            output::wrapped(out, "  - ", &format!("{} [{}]", said.text.trim(), said.row))?;
        }
    }
    for e in &damaged {
        output::line(out, &format!("Not a record: {e}"))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn saved(args: &SheetArgs) -> Result<(Caseload, Vec<Error>)> {
    let folder = Folder::open(args.folder.as_ref())?;
    Ok((folder.cases, folder.damaged))
}

/// The sample exam's readings from its saved landmarks, as they would be saved; the clock plays no part in them.
fn sample_records() -> Result<Vec<ReadingRecord>> {
    let sample = Sample::open()?;
    let record = |(n, one): (usize, &SavedReading)| {
        let saved_at = format!("2025-01-01T00:{:02}:{:02}+00:00", n / 60 % 60, n % 60);
        sample.read(one, |read| read.record(&sample.saved.reader, saved_at, Vec::new()))
    };
    sample.saved.readings.iter().enumerate().map(record).collect()
}
