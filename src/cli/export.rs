//! `export`: a teaching set without identity, in steps: prepare, look and decide, write.
//!
//! The prepared folder holds the cleaned pictures to look at, and `set.json` with the key and the paths of the originals:
//! it is private, and is removed by its owner when the set is done.

use std::io::{Cursor, Write};
use std::ops::ControlFlow;
use std::path::Path;
use std::process::ExitCode;

use super::args::{ExportCommand, FrameNumbers};
use super::{Done, output};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::interchange::teaching::{Decision, TeachingSet};
use crate::load::scan::scan;
use crate::record::Store;

const SET: &str = "set.json";
/// Longest prepared set, bytes.
const LONGEST: u64 = 64 * 1024 * 1024;

pub(super) fn run(command: &ExportCommand, out: &mut dyn Write) -> Done {
    match command {
        ExportCommand::Prepare { images, to } => {
            let found = scan(images, &mut |_| ControlFlow::Continue(()))?;
            let set = TeachingSet::prepare(found.exams.iter().flat_map(|e| &e.files), &files::random_key()?);
            if to.join(SET).exists() {
                return Err(Error::new(ErrorKind::Usage, "a set is prepared there already").remedy("Name another folder").at(to));
            }
            for index in 0..set.frames().len() {
                save_picture(&set, index, to)?;
            }
            save(&set, to)?;
            for (_, reason) in set.left_out() {
                output::wrapped(out, "left out  ", reason)?;
            }
            let text = format!("{} frames to look at in {}; then: osspan export approve", set.frames().len(), to.display());
            output::line(out, &text)?;
        }
        ExportCommand::Blank { set: dir, frame, area } => {
            let mut set = load(dir)?;
            set.blank(frame.saturating_sub(1), *area)?;
            save_picture(&set, frame.saturating_sub(1), dir)?;
            save(&set, dir)?;
            output::line(out, &format!("Frame {frame} blanked there; look at it again"))?;
        }
        ExportCommand::Approve { set: dir, frames, by } => decide(dir, frames, out, &mut |set, index| set.approve(index, by))?,
        ExportCommand::LeaveOut { set: dir, frames } => decide(dir, frames, out, &mut TeachingSet::leave_out)?,
        ExportCommand::Write { set: dir, to, records } => {
            let set = load(dir)?;
            let folder = match records {
                Some(f) => f.clone(),
                None => files::records_dir()?,
            };
            let records: Vec<_> = Store::at(folder).load()?.0.into_iter().map(|s| s.record).collect();
            let written = set.write(to, &records)?;
            for reason in &written.left_out {
                output::wrapped(out, "left out  ", reason)?;
            }
            let text = format!("{} frames and {} readings written to {}", written.frames.len(), written.records.len(), to.display());
            output::line(out, &text)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn decide(dir: &Path, frames: &FrameNumbers, out: &mut dyn Write, how: &mut dyn FnMut(&mut TeachingSet, usize) -> Result<()>) -> Result<()> {
    let mut set = load(dir)?;
    for number in frames.iter() {
        // Frames count from 1; the library then refuses 0 and what is beyond the last.
        how(&mut set, number.wrapping_sub(1))?;
    }
    save(&set, dir)?;
    let open = set.frames().iter().filter(|f| f.decision == Decision::Open).count();
    output::line(out, &format!("{open} of {} frames still to decide", set.frames().len()))
}

fn load(dir: &Path) -> Result<TeachingSet> {
    let path = dir.join(SET);
    TeachingSet::from_json(&files::read_text(&path, LONGEST)?).map_err(|e| e.at(&path))
}

fn save(set: &TeachingSet, dir: &Path) -> Result<()> {
    files::replace(dir, SET, set.to_json()?.as_bytes()).map(drop)
}

/// The cleaned picture as a PNG to look at.
fn save_picture(set: &TeachingSet, index: usize, dir: &Path) -> Result<()> {
    let picture = set.picture(index)?;
    let fail = |found: String| Error::new(ErrorKind::Format, "the picture cannot be written").found(found);
    let rgba = image::RgbaImage::from_raw(picture.width, picture.height, picture.to_rgba8()).ok_or_else(|| fail("another size".into()))?;
    let mut bytes = Cursor::new(Vec::new());
    rgba.write_to(&mut bytes, image::ImageFormat::Png).map_err(|e| fail(e.to_string()))?;
    files::replace(dir, &format!("frame-{:04}.png", index + 1), bytes.get_ref()).map(drop)
}
