//! `due`: who is due, from the saved readings and, where a folder of exams is named, the exams that nobody read.

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::ExitCode;

use super::args::DueArgs;
use super::{Done, output, profile, tables};
use crate::caseload::{Caseload, DueRow, Unread, due_rows, rows_csv};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::followup::Standing;
use crate::load::scan::scan;
use crate::reading::context_of;
use crate::record::{Patient, ReadingRecord, Stored};
use crate::review::{exams, signed_readings};

pub(super) fn run(args: &DueArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if args.exams.is_none() && !folder.is_dir() {
        return Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder));
    }
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let store = profile::store(&folder)?;
    let (stored, mut faults) = store.load()?;
    let (told, more) = store.told()?;
    faults.extend(more);
    // For a day that has passed, what was read then: an exam of a later day plays no part.
    let by_then = |r: &ReadingRecord| args.on.is_none_or(|on| r.context.exam_date.is_none_or(|d| d <= on));
    let records: Vec<ReadingRecord> = stored.into_iter().map(|s: Stored| s.record).filter(by_then).collect();
    let unread = args.exams.as_deref().map_or_else(|| Ok(Vec::new()), |dir| unread(dir, &records))?;
    let steps: Vec<_> = store.reviews()?.0.into_iter().map(|s| s.record).collect();
    let signed = signed_readings(&exams(&records, &steps));
    let told: Vec<_> = told.into_iter().map(|t| t.record).collect();
    let cases = Caseload::of(records, &told);
    let today = args.on.unwrap_or_else(files::today);
    let mut rows = due_rows(&cases, &unread, &signed, &shelf, today)?;
    if !args.all {
        rows.retain(|r| !matches!(r.listed.standing.as_slice(), [Standing::Nothing | Standing::Past]));
    }
    if args.json {
        let text =
            serde_json::to_string_pretty(&rows).map_err(|e| Error::new(ErrorKind::Format, "the list cannot be written").caused_by(e))?;
        output::line(out, &text)?;
    } else if args.csv {
        write!(out, "{}", rows_csv(&rows)).map_err(output::broken)?;
    } else {
        let names = if args.names { names(&cases, &unread) } else { BTreeMap::new() };
        print(out, &rows, &names, today, &folder)?;
        for e in &faults {
            output::line(out, &format!("Not a record: {e}"))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The exams of a folder without a saved reading: by their study, or by their frames where they have none.
fn unread(dir: &Path, records: &[ReadingRecord]) -> Result<Vec<Unread>> {
    let studies: HashSet<&str> = records.iter().filter_map(|r| r.study_instance_uid.as_deref()).collect();
    let frames: HashSet<&str> = records.iter().map(|r| r.frame.sha256.as_str()).collect();
    let found = scan(dir, &mut |_| ControlFlow::Continue(()))?;
    let mut out = Vec::new();
    for exam in &found.exams {
        let Some(first) = exam.files.first() else { continue };
        let facts = first.facts();
        let (read, key) = match &facts.study_instance_uid {
            Some(uid) => (studies.contains(uid.as_str()), uid.clone()),
            None => {
                // A capture has no study: its frames are looked for by their digests.
                let digests: Vec<String> = exam.files.iter().filter_map(|f| f.frame(1).ok()).map(|f| f.id.sha256).collect();
                (digests.iter().any(|d| frames.contains(d.as_str())), digests.first().cloned().unwrap_or_default())
            }
        };
        if !read {
            let patient =
                Patient { name: facts.patient.name.clone(), number: facts.patient.number.clone(), birth_date: facts.patient.birth_date };
            // A study's UID and a frame's digest are long; a key is not.
            let key = Patient { number: Some(key), ..Patient::default() }.key().unwrap_or_default();
            out.push(Unread { patient, key, context: context_of(facts) });
        }
    }
    Ok(out)
}

/// Who each key stands for.
fn names(cases: &Caseload, unread: &[Unread]) -> BTreeMap<String, String> {
    let mut all: Vec<(String, &Patient)> = cases.women.iter().map(|w| (w.key.clone(), &w.patient)).collect();
    all.extend(unread.iter().map(|u| (u.patient.key().unwrap_or_else(|| u.key.clone()), &u.patient)));
    let named = |p: &Patient| {
        [p.name.clone(), p.number.clone(), p.birth_date.map(|d| d.to_string())].into_iter().flatten().collect::<Vec<_>>().join(", ")
    };
    all.into_iter().map(|(key, p)| (key, named(p))).collect()
}

fn print(out: &mut dyn Write, rows: &[DueRow], names: &BTreeMap<String, String>, today: jiff::civil::Date, folder: &Path) -> Result<()> {
    output::line(out, &format!("Due on {today} · {} exam(s) · records in {}", rows.len(), folder.display()))?;
    if rows.is_empty() {
        output::line(out, "Nothing is asked for.")?;
    }
    let mut last = None;
    for row in rows {
        let first = row.listed.standing.first().copied().unwrap_or(Standing::Nothing);
        if last.replace(first) != Some(first) {
            output::line(out, "")?;
            output::line(out, &first.words().to_uppercase())?;
        }
        let who = names.get(&row.woman).filter(|n| !n.is_empty()).map(|n| format!(" · {n}")).unwrap_or_default();
        let exam = row.exam_date.map_or_else(|| "undated exam".to_owned(), |d| format!("exam of {d}"));
        let age = row.age_today.as_ref().map(|a| format!(" · {a} on this day")).unwrap_or_default();
        output::line(out, &format!("  {}{who} · {exam}{age} · {} reading(s)", row.woman, row.readings))?;
        output::wrapped(out, "      ", &row.listed.why)?;
        if let Some((from, to)) = row.listed.from.zip(row.listed.to) {
            output::line(out, &format!("      next scan {from} to {to}"))?;
        }
        let rest: Vec<&str> = row.listed.standing.iter().skip(1).map(|s| s.words()).collect();
        if !rest.is_empty() {
            output::line(out, &format!("      also: {}", rest.join("; ")))?;
        }
        for matter in &row.listed.open {
            let id = row.reading.as_deref().and_then(|r| r.get(..12)).unwrap_or_default();
            output::line(out, &format!("      told? osspan told {id} --matter {} --to … --by … --read-back", matter.id()))?;
        }
    }
    output::line(out, "")?;
    output::line(out, "Nothing in this version signs a reading off, so every exam that was read stands as not signed off.")
}
