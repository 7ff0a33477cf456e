//! Looking through a folder: which files hold frames, which exams they belong to, and why the others are left out.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use super::{Identity, StoredFile};
use crate::error::Result;

/// How far a scan has come; given to the caller before each file is opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Files looked at so far.
    pub done: usize,
    /// Files found; grows while folders are still being listed.
    pub found: usize,
    /// The file about to be opened.
    pub current: PathBuf,
}

/// What makes files one exam.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ExamKey {
    /// Study Instance UID (0020,000D).
    Study(String),
    /// The folder, for captures and files without a study.
    Folder(PathBuf),
}

/// The frames of one visit.
#[derive(Debug)]
pub struct Exam {
    /// What makes these files one exam.
    pub key: ExamKey,
    /// Who was examined, as the first file says.
    pub patient: Identity,
    /// The earliest exam date that a file gives.
    pub date: Option<Date>,
    /// The files, sorted by name.
    pub files: Vec<StoredFile>,
    /// What does not fit together (two patients in one study, one UID with two contents), free of identity.
    pub warnings: Vec<String>,
}

/// What a folder holds.
#[derive(Debug, Default)]
pub struct Scan {
    /// Exams, by date and then by name of their first file; undated ones last.
    pub exams: Vec<Exam>,
    /// Files that hold no frame that can be read, with the reason.
    pub not_frames: Vec<(PathBuf, String)>,
    /// Whether the caller stopped the scan before its end.
    pub stopped: bool,
}

/// Looks at `path`, a file or a folder with everything under it. Only headers are read.
///
/// `progress` is called before each file and may stop the scan; what was found until then is returned.
///
/// # Errors
/// `Io` when `path` itself cannot be read. A single unreadable file is listed in [`Scan::not_frames`] instead.
pub fn scan(path: &Path, progress: &mut dyn FnMut(Progress) -> ControlFlow<()>) -> Result<Scan> {
    let mut scan = Scan::default();
    if progress(Progress { done: 0, found: 1, current: path.to_path_buf() }).is_break() {
        scan.stopped = true;
        return Ok(scan);
    }
    match StoredFile::open(path) {
        Ok(file) => scan.exams.push(Exam {
            key: ExamKey::Folder(path.to_path_buf()),
            patient: file.facts().patient.clone(),
            date: file.facts().exam_date,
            files: vec![file],
            warnings: Vec::new(),
        }),
        Err(e) => scan.not_frames.push((path.to_path_buf(), e.message())),
    }
    Ok(scan)
}
