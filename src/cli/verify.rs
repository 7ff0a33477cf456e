//! `verify`: every record of a folder, recomputed.

use std::collections::HashMap;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::ExitCode;

use super::args::VerifyArgs;
use super::{Done, output};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::FrameId;
use crate::load::scan::scan;
use crate::record::{ImageSource, Store, verify};

/// Digests of the frames at hand.
#[derive(Default)]
struct Digests {
    by_uid: HashMap<(String, u32), String>,
    all: std::collections::HashSet<String>,
}

impl Digests {
    fn of(path: &Path) -> Result<Self> {
        let mut digests = Self::default();
        for file in scan(path, &mut |_| ControlFlow::Continue(()))?.exams.iter().flat_map(|e| &e.files) {
            for number in 1..=file.frame_count() {
                // A frame that no longer decodes is as good as absent; the record then says so.
                let Ok(id) = file.frame(number).map(|f| f.id) else { continue };
                digests.all.insert(id.sha256.clone());
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
}

pub(super) fn run(args: &VerifyArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if !folder.is_dir() {
        return Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder));
    }
    let images = args.images.as_deref().map(Digests::of).transpose()?;
    let (records, damaged) = Store::at(&folder).load()?;
    let mut bad = damaged.len();
    for e in &damaged {
        output::line(out, &format!("NOT A RECORD  {e}"))?;
    }
    for stored in &records {
        let check = verify(&stored.record, images.as_ref().map(|i| i as &dyn ImageSource));
        let name = stored.path.file_name().unwrap_or_default().to_string_lossy();
        output::line(out, &format!("{}  {name}", if check.differences.is_empty() { "verified " } else { "DIFFERS  " }))?;
        bad += usize::from(!check.differences.is_empty());
        for d in &check.differences {
            output::wrapped(out, "    ", &format!("{}: expected {}, found {}", d.what, d.expected, d.found))?;
        }
        for u in &check.unchecked {
            output::wrapped(out, "    not checked: ", u)?;
        }
    }
    output::line(out, &format!("{} records, {bad} with differences", records.len() + damaged.len()))?;
    Ok(if bad == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
