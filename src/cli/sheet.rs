//! `sheet`: the whole answer for saved readings, exam by exam: urgent first, distance, finding under every body's table, next scan,
//! what each body says of birth, groups of women, change over visits, cautions. With `--trace` every sentence names the row
//! and the source that led to it.

use std::io::Write;
use std::process::ExitCode;

use super::args::SheetArgs;
use super::sample::Sample;
use super::{Done, output, profile, tables};
use crate::caseload::{Caseload, SavedExam, table_or_first};
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::Table;
use crate::record::ReadingRecord;
use crate::review::{exams, not_standing};
use crate::sample::SavedReading;
use crate::{files, sheet};

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
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let store = profile::store(&folder)?;
    let (records, mut damaged) = store.load()?;
    if records.is_empty() {
        return Err(damaged.into_iter().next().unwrap_or_else(|| {
            Error::new(ErrorKind::Io, "there are no records").expected("a folder of saved readings").found("none").at(&folder)
        }));
    }
    let (told, more) = store.told()?;
    damaged.extend(more);
    let records: Vec<ReadingRecord> = records.into_iter().map(|s| s.record).collect();
    let (steps, more) = store.reviews()?;
    damaged.extend(more);
    let steps: Vec<_> = steps.into_iter().map(|s| s.record).collect();
    let told: Vec<_> = told.into_iter().map(|t| t.record).collect();
    let beside = not_standing(&exams(&records, &steps));
    Ok((Caseload::reviewed(records, &told, &beside), damaged))
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
