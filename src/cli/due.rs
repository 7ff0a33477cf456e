//! `due`: who is due, from the saved readings and, where a folder of exams is named, the exams that nobody read.

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use rayon::prelude::*;

use super::args::DueArgs;
use super::{Done, output, profile, tables};
use crate::caseload::{Caseload, DueRow, Unread, due_rows, keep_unseen, rows_csv};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::followup::Standing;
use crate::load::scan::scan;
use crate::reading::context_of;
use crate::record::{Entry, Onlooker, Patient, ReadingRecord, Store, ToldRecord, study_key, unseen};
use crate::review::{exams, not_standing, signed_readings};

pub(super) fn run(args: &DueArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if args.exams.is_none() && !folder.is_dir() {
        return Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder));
    }
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let today = args.on.unwrap_or_else(files::today);
    let store = Store::at(&folder).with_index(files::index_file(&folder)?);
    // For a day that has passed, what was read then: an exam of a later day plays no part.
    let found = gather(&store, profile::onlooker(&files::data_dir()?)?.as_ref(), today, args.on.is_some())?;
    let LookedThrough { unread, not_frames } = args.exams.as_deref().map(|dir| unread(dir, &found)).transpose()?.unwrap_or_default();
    let long_ago = found.long_ago_words();
    let cases = Caseload::reviewed(found.records, &found.told, &found.not_standing);
    let mut rows = due_rows(&cases, &unread, &found.signed, &shelf, today)?;
    keep_unseen(&mut rows, &found.unseen);
    if !args.all {
        rows.retain(|r| !matches!(r.listed.standing.as_slice(), [Standing::Nothing | Standing::Past]));
    }
    if args.json {
        let text =
            serde_json::to_string_pretty(&rows).map_err(|e| Error::new(ErrorKind::Format, "the list cannot be written").caused_by(e))?;
        output::line(out, &text)?;
    } else if args.csv {
        write!(out, "{}", rows_csv(&rows)?).map_err(output::broken)?;
    } else {
        let names = if args.names { names(&cases, &unread) } else { BTreeMap::new() };
        print(out, &rows, &names, today, &folder)?;
        if let Some(words) = &long_ago {
            output::line(out, words)?;
        }
        for e in &found.faults {
            output::line(out, &format!("Not a record: {e}"))?;
        }
        for (path, why) in &not_frames {
            output::line(out, &format!("In no exam: {}: {why}", path.display()))?;
        }
    }
    if args.json || args.csv {
        output::say_damaged(&found.faults);
        for (path, why) in &not_frames {
            // Nothing is left to tell when standard error itself is gone.
            let _ = writeln!(std::io::stderr(), "osspan: in no exam: {}: {why}", path.display());
        }
    }
    Ok(output::all_of_it(&found.faults))
}

/// Exams longer ago than this are of no pregnancy that goes on, days: they are not read, so that a list over many years stays
/// quick. No pregnancy that is believed is older than 315 days.
const LONG_AGO: i32 = 400;

/// What a due list is made from, and what of it must be kept out of sight.
pub(crate) struct Gathered {
    pub(crate) records: Vec<ReadingRecord>,
    pub(crate) told: Vec<ToldRecord>,
    pub(crate) signed: HashSet<String>,
    /// Readings beside those that stand.
    pub(crate) not_standing: HashSet<String>,
    pub(crate) unseen: HashSet<String>,
    /// Keys of every exam that was read, however long ago.
    pub(crate) exams: HashSet<String>,
    /// Digests of every frame that was read.
    pub(crate) frames: HashSet<String>,
    /// Readings of exams too long ago.
    pub(crate) long_ago: usize,
    pub(crate) faults: Vec<String>,
}

impl Gathered {
    /// That readings of exams too long ago are left out, in words.
    pub(crate) fn long_ago_words(&self) -> Option<String> {
        (self.long_ago > 0).then(|| format!("{} reading(s) of exams more than {LONG_AGO} days ago are left out.", self.long_ago))
    }
}

/// Reads a folder for its due list on `today`. It is made from every reader's readings, so that nobody is missed; what `who`
/// may not see yet is taken out of the list afterwards. Exams after `today` play no part when `until_today` is set.
pub(crate) fn gather(store: &Store, who: Option<&Onlooker>, today: Date, until_today: bool) -> Result<Gathered> {
    files::check_records(store.dir())?;
    let index = store.index()?;
    let entries = index.entries();
    let unseen = who.map(|who| unseen(who, entries.iter().map(Entry::saved))).unwrap_or_default();
    let by_then = |e: &&Entry| !until_today || e.exam_date().is_none_or(|d| d <= today);
    let (recent, old): (Vec<&Entry>, Vec<&Entry>) =
        entries.iter().filter(by_then).partition(|e| e.exam_date().is_none_or(|d| (today - d).get_days() <= LONG_AGO));
    let read: Vec<Result<ReadingRecord>> = recent.par_iter().map(|e| store.open(e).map(|s| s.record)).collect();
    let mut faults: Vec<String> = index.unreadable().iter().map(ToString::to_string).collect();
    let mut records = Vec::new();
    for one in read {
        match one {
            Ok(record) => records.push(record),
            Err(e) => faults.push(e.to_string()),
        }
    }
    let steps: Vec<_> = index.reviews().iter().map(|s| s.record.clone()).collect();
    let reviews = exams(&records, &steps);
    let signed = signed_readings(&reviews);
    let not_standing = not_standing(&reviews);
    Ok(Gathered {
        told: index.told().iter().map(|t| t.record.clone()).collect(),
        signed,
        not_standing,
        unseen,
        exams: entries.iter().filter(by_then).map(|e| e.exam().to_owned()).collect(),
        frames: entries.iter().filter(by_then).map(Entry::frame).collect(),
        long_ago: old.len(),
        faults,
        records,
    })
}

/// A folder of exams, looked through.
#[derive(Default)]
struct LookedThrough {
    /// Its exams without a saved reading.
    unread: Vec<Unread>,
    /// Its files that are in no exam, since no frame can be read of them, each with the reason.
    not_frames: Vec<(PathBuf, String)>,
}

/// The exams of a folder without a saved reading: by their study, or by their frames where they have none.
fn unread(dir: &Path, read: &Gathered) -> Result<LookedThrough> {
    let found = scan(dir, &mut |_| ControlFlow::Continue(()))?;
    let mut out = Vec::new();
    for exam in &found.exams {
        let Some(first) = exam.files.first() else { continue };
        let facts = first.facts();
        let (is_read, key) = match &facts.study_instance_uid {
            Some(uid) => (read.exams.contains(&study_key(uid)), uid.clone()),
            None => {
                // A capture has no study: its frames are looked for by their digests.
                let digests: Vec<String> = exam.files.iter().filter_map(|f| f.frame(1).ok()).map(|f| f.id.sha256).collect();
                (digests.iter().any(|d| read.frames.contains(d)), digests.first().cloned().unwrap_or_default())
            }
        };
        if !is_read {
            let patient = Patient::from(&facts.patient);
            // A study's UID and a frame's digest are long; a key is not.
            let key = Patient { number: Some(key), ..Patient::default() }.key().unwrap_or_default();
            out.push(Unread {
                patient,
                key,
                exam: facts.study_instance_uid.as_deref().map(study_key).unwrap_or_default(),
                context: context_of(facts),
            });
        }
    }
    Ok(LookedThrough { unread: out, not_frames: found.not_frames })
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

fn print(out: &mut dyn Write, rows: &[DueRow], names: &BTreeMap<String, String>, today: Date, folder: &Path) -> Result<()> {
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
    Ok(())
}
