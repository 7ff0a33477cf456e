//! `export`: a teaching set without identity, in steps: prepare, look and decide, write.
//!
//! The prepared folder holds the cleaned pictures to look at, and `set.json` with the key and the paths of the originals:
//! it is private, and is removed by its owner when the set is done.

use std::io::{Cursor, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;

use super::{Done, output, profile};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::interchange::teaching::{Blank, Decision, TeachingSet};
use crate::load::scan::scan;

const SET: &str = "set.json";
/// Longest prepared set, bytes.
const LONGEST: u64 = 64 * 1024 * 1024;

/// The steps of an export.
#[derive(Debug, Subcommand)]
pub enum ExportCommand {
    /// List the frames of a file or folder, and put their cleaned pictures in a new private folder to look at
    Prepare {
        /// A file or folder with the exams
        images: PathBuf,
        /// The new folder; it will hold the way back to the originals
        #[arg(long)]
        to: PathBuf,
    },
    /// Blank one more box of a frame, where text sits inside the picture
    Blank {
        /// The prepared folder
        set: PathBuf,
        /// The frame's number in the set, as its picture is named
        #[arg(long)]
        frame: usize,
        /// First column, first row, last column, last row, in pixels from 0: "10,20,200,35"
        #[arg(long = "box", value_parser = area)]
        area: Blank,
    },
    /// Say that you looked at frames and found nothing that tells who was examined
    Approve {
        /// The prepared folder
        set: PathBuf,
        /// Their numbers in the set: "1-4,7"
        #[arg(long, value_parser = numbers)]
        frames: FrameNumbers,
        /// Who looked
        #[arg(long)]
        by: String,
    },
    /// Leave frames out
    LeaveOut {
        /// The prepared folder
        set: PathBuf,
        /// Their numbers in the set: "1-4,7"
        #[arg(long, value_parser = numbers)]
        frames: FrameNumbers,
    },
    /// Write the approved frames, and the readings of them
    Write {
        /// The prepared folder
        set: PathBuf,
        /// A new folder for the teaching set
        #[arg(long)]
        to: PathBuf,
        /// Folder of records; the user's data folder when none is named
        #[arg(long)]
        records: Option<PathBuf>,
    },
}

/// Numbers of frames in the set, from 1.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameNumbers(Vec<(usize, usize)>);

impl FrameNumbers {
    fn iter(&self) -> impl Iterator<Item = usize> {
        self.0.iter().flat_map(|&(first, last)| first..=last)
    }
}

fn numbers(text: &str) -> Result<FrameNumbers, String> {
    let wrong = || format!("expected numbers such as 1-4,7, found \"{text}\"");
    let one = |t: &str| t.trim().parse::<usize>().map_err(|_| wrong());
    let ranges = text.split(',').map(|part| {
        let (first, last) = part.split_once('-').map_or((one(part), one(part)), |(a, b)| (one(a), one(b)));
        let (first, last) = (first?, last?);
        if first == 0 || last < first { Err(wrong()) } else { Ok((first, last)) }
    });
    Ok(FrameNumbers(ranges.collect::<Result<_, _>>()?))
}

fn area(text: &str) -> Result<Blank, String> {
    let parts: Vec<u32> = text.split(',').map(|t| t.trim().parse()).collect::<Result<_, _>>().unwrap_or_default();
    let [min_x, min_y, max_x, max_y] = parts[..] else {
        return Err(format!("expected four numbers such as 10,20,200,35, found \"{text}\""));
    };
    Ok(Blank { min_x, min_y, max_x, max_y })
}

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
        ExportCommand::Approve { set: dir, frames, by } => decide(dir, frames, out, &mut |set, index| {
            let picture = set.picture(index)?;
            set.approve(index, by, &picture)
        })?,
        ExportCommand::LeaveOut { set: dir, frames } => decide(dir, frames, out, &mut TeachingSet::leave_out)?,
        ExportCommand::Write { set: dir, to, records } => {
            let set = load(dir)?;
            let folder = match records {
                Some(f) => f.clone(),
                None => files::records_dir()?,
            };
            let (records, damaged) = profile::store(&folder)?.load()?;
            let records: Vec<_> = records.into_iter().map(|s| s.record).collect();
            let written = set.write(to, &records)?;
            output::say_damaged(&damaged);
            for reason in &written.left_out {
                output::wrapped(out, "left out  ", reason)?;
            }
            let text = format!("{} frames and {} readings written to {}", written.frames.len(), written.records.len(), to.display());
            output::line(out, &text)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn decide(
    dir: &Path,
    frames: &FrameNumbers,
    out: &mut dyn Write,
    how: &mut dyn FnMut(&mut TeachingSet, usize) -> Result<()>,
) -> Result<()> {
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn numbers_of_frames_are_read_and_nonsense_refused() {
        assert_eq!(numbers("1-3,7").unwrap().iter().collect::<Vec<_>>(), [1, 2, 3, 7]);
        for bad in ["", "0", "3-1", "a", "1,,2", "1-"] {
            assert!(numbers(bad).is_err(), "{bad}");
        }
        assert_eq!(area("1, 2,3,4").unwrap(), Blank { min_x: 1, min_y: 2, max_x: 3, max_y: 4 });
        assert!(area("1,2,3").is_err() && area("1,2,3,x").is_err());
    }
}
