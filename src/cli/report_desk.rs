//! Everything that reports of a folder are made from, for the command and the window alike: records as this workstation's reader may
//! see them, reviews, who was told, who received what, the department's template, and the images.

use std::cell::RefCell;
use std::collections::HashMap;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use super::folder::Folder;
#[cfg(feature = "viewer")]
use super::profile;
use crate::caseload::{Caseload, Woman, table_or_first};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::FrameId;
use crate::guideline::Shelf;
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::report::{self, Images, Issued, Raster, Report, Request, Wish};

/// The department's own template of the paragraph, in the data folder.
const TEMPLATE: &str = "note-template.txt";

/// What reports of a folder are made from.
pub(crate) struct ReportDesk {
    shelf: Shelf,
    folder: Folder,
    issued: Vec<Issued>,
    sent_dir: PathBuf,
}

impl ReportDesk {
    /// The desk of a folder of records, or of the user's data folder. `sent` is the folder of what was sent, in the data folder when
    /// none is named.
    pub(crate) fn open(data_dir: &Path, folder: Option<&PathBuf>, sent: Option<&Path>, shelf: Shelf) -> Result<Self> {
        Self::of(data_dir, Folder::open(folder)?, sent, shelf)
    }

    /// As [`ReportDesk::open`], for the window and one patient by her key: however many records the folder has, only hers are read.
    #[cfg(feature = "viewer")]
    pub(crate) fn of_patient(data_dir: &Path, folder: &Path, patient: Option<&str>, shelf: Shelf) -> Result<Self> {
        Self::of(data_dir, Folder::of_patient(&profile::store_in(data_dir, folder)?, patient)?, None, shelf)
    }

    fn of(data_dir: &Path, mut folder: Folder, sent: Option<&Path>, shelf: Shelf) -> Result<Self> {
        let sent_dir = sent.map_or_else(|| data_dir.join("sent-reports"), Path::to_path_buf);
        // Before the first report is sent there is no such folder.
        let (issued, more) = if sent_dir.is_dir() { Issued::load(&sent_dir)? } else { (Vec::new(), Vec::new()) };
        folder.damaged.extend(more);
        Ok(Self { shelf, folder, issued, sent_dir })
    }

    /// The women of the folder.
    pub(crate) const fn cases(&self) -> &Caseload {
        &self.folder.cases
    }

    /// Which files of the folder could not be read, each in words; what they hold is in no report.
    #[cfg(feature = "viewer")]
    pub(crate) fn damaged(&self) -> Vec<String> {
        self.folder.damaged.iter().map(ToString::to_string).collect()
    }

    /// Says on standard error which files could not be read.
    pub(super) fn say_damaged(&self) {
        self.folder.say_damaged();
    }

    /// The report of one of a woman's exams, made now or at the moment `now`.
    pub(crate) fn report(&self, woman: &Woman, exam: usize, wish: Wish, images: Option<&Found>, now: &str) -> Result<Report> {
        let saved = woman.exams.get(exam).ok_or_else(|| Error::new(ErrorKind::Usage, "there is no such exam"))?;
        let table = table_or_first(saved, &self.shelf)?;
        let none = report::NoImages;
        Report::of(&Request {
            woman,
            exam,
            table: &table,
            shelf: &self.shelf,
            all: &self.folder.records,
            issued: &self.issued,
            images: images.map_or(&none as &dyn Images, |f| f),
            identity: wish.identity,
            draft: wish.draft,
            full: wish.full,
            reviews: &self.folder.reviews,
            signers: &self.folder.signers,
            made_at: now,
        })
    }

    /// Records that a report goes to somebody; gives the file that says so.
    pub(crate) fn send(&self, report: &Report, to: &str) -> Result<PathBuf> {
        Issued::new(report, to)?.save(&self.sent_dir)
    }
}

/// The template of the paragraph: the one that was named, the department's, or the bundled one.
pub(crate) fn template(data_dir: &Path, named: Option<&Path>) -> Result<String> {
    let own = Some(data_dir.join(TEMPLATE)).filter(|p| p.is_file());
    match named.or(own.as_deref()) {
        Some(path) => files::read_text(path, report::LONGEST_TEMPLATE).map_err(|e| e.at(path)),
        None => Ok(report::TEMPLATE.to_owned()),
    }
}

/// Frames of files and folders, found again by their digests.
pub(crate) struct Found {
    files: Vec<StoredFile>,
    by_uid: HashMap<String, usize>,
    /// Which file a digest turned up in, so that captures are decoded once.
    seen: RefCell<HashMap<String, (usize, u32)>>,
}

impl Found {
    /// What these files and folders hold.
    pub(crate) fn at(paths: &[PathBuf]) -> Result<Self> {
        let mut files: Vec<StoredFile> = Vec::new();
        for path in paths {
            files.extend(scan(path, &mut |_| ControlFlow::Continue(()))?.exams.into_iter().flat_map(|e| e.files));
        }
        let by_uid = files.iter().enumerate().filter_map(|(i, f)| Some((f.facts().sop_instance_uid.clone()?, i))).collect();
        Ok(Self { files, by_uid, seen: RefCell::default() })
    }

    fn read(&self, file: usize, number: u32, wanted: &FrameId) -> Option<Raster> {
        let frame = self.files.get(file)?.frame(number).ok()?;
        self.seen.borrow_mut().insert(frame.id.sha256.clone(), (file, number));
        (frame.id.sha256 == wanted.sha256).then(|| Raster { width: frame.width, height: frame.height, rgba: frame.to_rgba8() })
    }
}

impl Images for Found {
    fn picture(&self, wanted: &FrameId) -> std::result::Result<Raster, String> {
        let known = self.seen.borrow().get(&wanted.sha256).copied();
        if let Some(found) = known.and_then(|(file, number)| self.read(file, number, wanted)) {
            return Ok(found);
        }
        if let Some(file) = wanted.sop_instance_uid.as_ref().and_then(|uid| self.by_uid.get(uid)) {
            return self
                .read(*file, wanted.frame_number, wanted)
                .ok_or_else(|| "the image at hand differs from the one that was read".to_owned());
        }
        let unnamed = self.files.iter().enumerate().filter(|(_, f)| f.facts().sop_instance_uid.is_none());
        unnamed
            .filter(|(_, f)| wanted.frame_number <= f.frame_count())
            .find_map(|(i, _)| self.read(i, wanted.frame_number, wanted))
            .ok_or_else(|| "its image is not among those named".to_owned())
    }
}
