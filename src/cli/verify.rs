//! `verify`: every record of a folder, recomputed, and whether any is missing.

use std::collections::HashMap;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::args::VerifyArgs;
use super::{Done, output, profile, tables};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::{Frame, FrameId};
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::record::{Checkpoint, ImageSource, LONGEST_CHECKPOINT, Totals, Verified};

/// Digests of the frames at hand.
#[derive(Default)]
struct Digests {
    by_uid: HashMap<(String, u32), String>,
    all: std::collections::HashSet<String>,
    /// Where a frame of a digest is, to look at its samples again.
    places: HashMap<(String, u32), PathBuf>,
}

impl Digests {
    fn of(path: &Path) -> Result<Self> {
        let mut digests = Self::default();
        for file in scan(path, &mut |_| ControlFlow::Continue(()))?.exams.iter().flat_map(|e| &e.files) {
            for number in 1..=file.frame_count() {
                // A frame that no longer decodes is as good as absent; the record then says so.
                let Ok(id) = file.frame(number).map(|f| f.id) else { continue };
                digests.all.insert(id.sha256.clone());
                digests.places.insert((id.sha256.clone(), number), file.path().to_path_buf());
                if let Some(uid) = id.sop_instance_uid {
                    digests.by_uid.insert((uid, number), id.sha256);
                }
            }
        }
        Ok(digests)
    }
}

impl ImageSource for Digests {
    fn digest_of(&self, frame: &FrameId) -> Option<String> {
        if self.all.contains(&frame.sha256) {
            return Some(frame.sha256.clone());
        }
        let uid = frame.sop_instance_uid.clone()?;
        self.by_uid.get(&(uid, frame.frame_number)).cloned()
    }

    fn frame(&self, frame: &FrameId) -> Option<Frame> {
        let path = self.places.get(&(frame.sha256.clone(), frame.frame_number))?;
        StoredFile::open(path).ok()?.frame(frame.frame_number).ok()
    }
}

pub(super) fn run(args: &VerifyArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if !folder.is_dir() {
        return Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder));
    }
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let images = args.images.as_deref().map(Digests::of).transpose()?;
    let checkpoint = args
        .checkpoint
        .as_deref()
        .map(|p| files::read_text(p, LONGEST_CHECKPOINT).and_then(|t| Checkpoint::from_json(&t)).map_err(|e| e.at(p)))
        .transpose()?;
    // Every record is checked; of those that this reader is still to read unseen, only whether they differ is said.
    let store = profile::store(&folder)?.with_tables(shelf);
    let unseen = store.unseen_files()?;
    let totals = store.verify(images.as_ref().map(|i| i as &(dyn ImageSource + Sync)), &mut |v| {
        if unseen.contains(&v.path) { print_unseen(v, out) } else { print(v, args.quiet, out) }
    })?;
    if !unseen.is_empty() {
        output::line(out, &format!("{} of them belong to exams that await your own reading: checked, not shown", unseen.len()))?;
    }
    let lost = checkpoint.as_ref().map_or(Ok(0), |c| against(c, &totals, out))?;
    if totals.unfinished > 0 {
        let text = format!("{} unfinished file(s) that a crash left; they are no records and may be removed", totals.unfinished);
        output::wrapped(out, "", &text)?;
    }
    output::line(out, &format!("{} records, {} with differences", totals.files, totals.bad))?;
    Ok(if totals.bad + lost == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn print_unseen(verified: &Verified, out: &mut dyn Write) -> Result<()> {
    match &verified.check {
        Ok(check) if check.differences.is_empty() => Ok(()),
        _ => output::line(out, "DIFFERS    a record of an exam that awaits your own reading; ask who manages the folder"),
    }
}

fn print(verified: &Verified, quiet: bool, out: &mut dyn Write) -> Result<()> {
    let check = match &verified.check {
        Err(e) => return output::line(out, &format!("NOT A RECORD  {e}")),
        Ok(check) => check,
    };
    if quiet && check.differences.is_empty() {
        return Ok(());
    }
    let name = verified.path.file_name().unwrap_or_default().to_string_lossy();
    output::line(out, &format!("{}  {name}", if check.differences.is_empty() { "verified " } else { "DIFFERS  " }))?;
    for d in &check.differences {
        output::wrapped(out, "    ", &format!("{}: expected {}, found {}", d.what, d.expected, d.found))?;
    }
    for u in &check.unchecked {
        output::wrapped(out, "    not checked: ", u)?;
    }
    Ok(())
}

/// Says what a checkpoint names and the folder does not hold; returns how many.
fn against(checkpoint: &Checkpoint, totals: &Totals, out: &mut dyn Write) -> Result<usize> {
    let lost: Vec<&String> = checkpoint.heads.iter().filter(|id| !totals.holds(id)).collect();
    for id in &lost {
        output::wrapped(out, "LOST  ", &format!("record {id}: expected since the checkpoint of {}, found none", checkpoint.made_at))?;
    }
    let own = Checkpoint::public_key(&files::signing_seed(&files::data_dir()?)?) == checkpoint.key;
    let by = if own { "this user's key".to_owned() } else { format!("another key, {}; see that it is one you trust", checkpoint.key) };
    let text = format!("Checkpoint of {}, {} records, signed by {by}: {} lost", checkpoint.made_at, checkpoint.records, lost.len());
    output::wrapped(out, "", &text)?;
    Ok(lost.len())
}
