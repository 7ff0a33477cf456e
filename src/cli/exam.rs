//! `exam`: what each reader's saved readings of an exam come to. No patient is named.

use std::io::Write;
use std::process::ExitCode;

use serde_json::json;

use super::args::ExamValuesArgs;
use super::{Done, output, profile, tables};
use crate::error::{Error, ErrorKind};
use crate::exam::Item;
use crate::measure::words;
use crate::record::{HeldExam, HeldReading, ReadingRecord, held, model_with, others_of, same_exam};
use crate::{files, guideline};

pub(super) fn run(args: &ExamValuesArgs, out: &mut dyn Write) -> Done {
    if args.checklist {
        for item in Item::ALL {
            let says = if item.decides() { "the frame does not count" } else { "said, but the frame counts" };
            output::wrapped(out, &format!("{}  ", item.letter()), &format!("{} [{}]", item.words(), item.source()))?;
            output::line(out, &format!("     exception: {} ({says})", item.exception()))?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let (records, damaged) = profile::store(&folder)?.load()?;
    let records: Vec<ReadingRecord> = records.into_iter().map(|s| s.record).collect();
    let wanted = |r: &&ReadingRecord| args.reader.as_ref().is_none_or(|name| *name == r.reader);
    // The newest record of each exam and reader stands for it.
    let mut newest: Vec<&ReadingRecord> = Vec::new();
    for record in records.iter().filter(wanted) {
        newest.retain(|n| !(n.reader == record.reader && same_exam(n, record)));
        newest.push(record);
    }
    if newest.is_empty() {
        return Err(damaged.into_iter().next().unwrap_or_else(|| {
            Error::new(ErrorKind::Io, "there are no exams").expected("a folder of saved readings").found("none").at(&folder)
        }));
    }
    let mut all = Vec::new();
    for record in newest {
        let readings: Vec<HeldReading> = others_of(record, &records).into_iter().chain([record]).filter_map(held).collect();
        let date = record.context.exam_date.map_or_else(|| "undated".to_owned(), |d| d.to_string());
        let age = record.context.gestational_age().map_or_else(|_| "age unknown".to_owned(), |a| a.to_string());
        let exam = HeldExam::of(readings, model_with(&record.repeatability))?;
        if args.json {
            all.push(json!({
                "patient": record.patient.key(),
                "study": record.study_instance_uid,
                "date": date,
                "reader": record.reader,
                "exam": exam,
            }));
            continue;
        }
        // The bands keep printed numbers on their side; without the table itself, those of the first bundled one do.
        let table = match shelf.by_digest(&record.table.id, &record.table.digest) {
            Some(table) => table.clone(),
            None => guideline::table("us-consensus-2014")?,
        };
        let print = words::printer(|printed, real| table.same_band(printed, real));
        let key = record.patient.key().unwrap_or_else(|| "patient not known".into());
        output::line(out, &format!("Exam of {date} · {age} · {key} · read by {} · {}", record.reader, record.table.name))?;
        for (i, r) in exam.readings.iter().enumerate() {
            let left_out = exam.values.summary.excluded.iter().find(|(place, _)| *place == i);
            let state = left_out.map_or_else(|| r.adequacy.words(), |(_, why)| format!("left out: {}", why.words()));
            let set = if exam.values.sets.is_empty() { String::new() } else { format!(" · set {}", r.set) };
            output::wrapped(out, &format!("  {} ", i + 1), &format!("{}{set} · {state}", words::headline(&r.measurement.value, &print)))?;
        }
        for text in exam.values.words(&print) {
            output::wrapped(out, "  ", &text)?;
        }
        if let Some(decisive) = exam.values.summary.decisive.and_then(|i| exam.readings.get(i)) {
            let finding = records.iter().find(|r| r.id() == decisive.record).map_or(&record.finding_words, |r| &r.finding_words);
            output::wrapped(out, "  Finding, from the frame that decides: ", finding)?;
        }
    }
    if args.json {
        let text =
            serde_json::to_string_pretty(&all).map_err(|e| Error::new(ErrorKind::Record, "the exams cannot be written").caused_by(e))?;
        output::line(out, &text)?;
        output::say_damaged(&damaged);
    } else {
        for e in &damaged {
            output::wrapped(out, "Not a record: ", &e.to_string())?;
        }
    }
    Ok(output::all_of_it(&damaged))
}
