//! Looking through a folder: which files hold frames, which exams they belong to, and why the others are left out.

use std::collections::{HashMap, HashSet};
use std::io::Read;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use jiff::civil::Date;
use sha2::{Digest, Sha256};

use super::{Identity, StoredFile};
use crate::dicom::limits::{MAX_SCAN_DEPTH, MAX_SCAN_FILES};
use crate::error::{Error, ErrorKind, Result};

/// How far a scan has come; given to the caller before each file is opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Files looked at so far.
    pub done: usize,
    /// Files found; grows while folders are still being listed.
    pub found: usize,
    /// The file about to be opened, or the folder just listed.
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
/// `progress` is called before each file and may stop the scan; what was found until then is returned. Links to folders
/// are followed once each, so that loops end.
///
/// # Errors
/// `Io` when `path` itself cannot be read, `Limit` beyond [`MAX_SCAN_FILES`]. A single unreadable file is listed in
/// [`Scan::not_frames`] instead.
pub fn scan(path: &Path, progress: &mut dyn FnMut(Progress) -> ControlFlow<()>) -> Result<Scan> {
    let mut listing = Listing { progress, files: Vec::new(), not_frames: Vec::new(), folders: HashSet::new(), stopped: false };
    let meta = std::fs::metadata(path).map_err(|e| Error::io("the place cannot be read", path, e))?;
    if meta.is_dir() {
        std::fs::read_dir(path).map_err(|e| Error::io("the folder cannot be read", path, e))?;
        listing.folder(path, 0)?;
    } else {
        listing.files.push(path.to_path_buf());
    }
    let Listing { files, mut not_frames, stopped, .. } = listing;
    let mut opened = Vec::new();
    let mut was_stopped = stopped;
    for (done, file) in files.iter().enumerate() {
        if was_stopped || progress(Progress { done, found: files.len(), current: file.clone() }).is_break() {
            was_stopped = true;
            break;
        }
        match StoredFile::open(file) {
            Ok(f) => opened.push(f),
            Err(e) => not_frames.push((file.clone(), e.message())),
        }
    }
    let clashes = same_uid(&mut opened, &mut not_frames);
    let mut exams = group(opened);
    for exam in &mut exams {
        let files = &exam.files;
        exam.warnings.extend(clashes.iter().filter(|(p, _)| files.iter().any(|f| f.path() == p)).map(|(_, w)| w.clone()));
        exam.warnings.dedup();
    }
    not_frames.sort();
    Ok(Scan { exams, not_frames, stopped: was_stopped })
}

struct Listing<'a> {
    progress: &'a mut dyn FnMut(Progress) -> ControlFlow<()>,
    files: Vec<PathBuf>,
    not_frames: Vec<(PathBuf, String)>,
    folders: HashSet<PathBuf>,
    stopped: bool,
}

impl Listing<'_> {
    /// Lists the files under `folder`, in order of name.
    fn folder(&mut self, folder: &Path, depth: usize) -> Result<()> {
        let once = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_path_buf());
        if self.stopped || !self.folders.insert(once) {
            return Ok(());
        }
        if depth > MAX_SCAN_DEPTH {
            self.not_frames.push((folder.to_path_buf(), format!("folders are looked into {MAX_SCAN_DEPTH} deep, and no deeper")));
            return Ok(());
        }
        let entries = match std::fs::read_dir(folder) {
            Ok(e) => e,
            Err(e) => {
                self.not_frames.push((folder.to_path_buf(), format!("the folder cannot be read: {e}")));
                return Ok(());
            }
        };
        let mut paths: Vec<PathBuf> = entries.take(MAX_SCAN_FILES + 1).filter_map(|e| e.ok().map(|e| e.path())).collect();
        paths.sort();
        for path in paths {
            match std::fs::metadata(&path) {
                Ok(m) if m.is_dir() => self.folder(&path, depth + 1)?,
                Ok(m) if m.is_file() => {
                    if self.files.len() >= MAX_SCAN_FILES {
                        return Err(Error::new(ErrorKind::Limit, "the folder holds too many files")
                            .expected(format!("at most {MAX_SCAN_FILES}"))
                            .remedy("Open a folder further down"));
                    }
                    self.files.push(path);
                }
                Ok(_) => self.not_frames.push((path, "neither a file nor a folder".into())),
                Err(e) => self.not_frames.push((path, format!("it cannot be read: {e}"))),
            }
            if self.stopped {
                return Ok(());
            }
        }
        self.stopped |= (self.progress)(Progress { done: 0, found: self.files.len(), current: folder.to_path_buf() }).is_break();
        Ok(())
    }
}

/// Files with one SOP Instance UID: true copies are moved to `not_frames`; contents that differ are said to differ, and
/// both stay.
fn same_uid(files: &mut Vec<StoredFile>, not_frames: &mut Vec<(PathBuf, String)>) -> Vec<(PathBuf, String)> {
    let mut by_uid: HashMap<String, Vec<usize>> = HashMap::new();
    for (i, f) in files.iter().enumerate() {
        if let Some(uid) = &f.facts().sop_instance_uid {
            by_uid.entry(uid.clone()).or_default().push(i);
        }
    }
    let (mut copies, mut clashes) = (Vec::new(), Vec::new());
    for same in by_uid.into_values().filter(|s| s.len() > 1) {
        let mut kinds: Vec<(Option<String>, usize)> = Vec::new();
        for i in same {
            let Some(file) = files.get(i) else { continue };
            let digest = file_digest(file.path()).ok();
            match kinds.iter().find(|k| k.0.is_some() && k.0 == digest) {
                Some(&(_, first)) => copies.push((i, first)),
                None => kinds.push((digest, i)),
            }
        }
        if kinds.len() > 1 {
            for &(_, i) in &kinds {
                let message =
                    format!("{} files share one SOP Instance UID and differ in content; they are not the same picture", kinds.len());
                if let Some(f) = files.get_mut(i) {
                    f.warn(message.clone());
                    clashes.push((f.path().to_path_buf(), message));
                }
            }
        }
    }
    copies.sort_unstable();
    for &(copy, first) in &copies {
        if let (Some(c), Some(f)) = (files.get(copy), files.get(first)) {
            not_frames.push((c.path().to_path_buf(), format!("a copy of {}", f.path().display())));
        }
    }
    for &(copy, _) in copies.iter().rev() {
        files.remove(copy);
    }
    clashes
}

fn file_digest(path: &Path) -> std::io::Result<String> {
    let mut file = std::fs::File::open(path)?;
    let mut hash = Sha256::new();
    let mut piece = vec![0_u8; 64 * 1024];
    loop {
        let n = file.read(&mut piece)?;
        if n == 0 {
            return Ok(crate::digest::hex(&hash.finalize()));
        }
        hash.update(piece.get(..n).unwrap_or_default());
    }
}

fn group(files: Vec<StoredFile>) -> Vec<Exam> {
    let mut exams: Vec<Exam> = Vec::new();
    let mut places: HashMap<ExamKey, usize> = HashMap::new();
    for file in files {
        let key = match &file.facts().study_instance_uid {
            Some(uid) => ExamKey::Study(uid.clone()),
            None => ExamKey::Folder(file.path().parent().map(Path::to_path_buf).unwrap_or_default()),
        };
        let place = *places.entry(key.clone()).or_insert(exams.len());
        match exams.get_mut(place) {
            Some(exam) => {
                exam.take(file);
            }
            None => exams.push(Exam {
                key,
                patient: file.facts().patient.clone(),
                date: file.facts().exam_date,
                files: vec![file],
                warnings: Vec::new(),
            }),
        }
    }
    for exam in &mut exams {
        exam.files.sort_by(|a, b| a.path().cmp(b.path()));
    }
    exams.sort_by(|a, b| {
        let name = |e: &Exam| e.files.first().map(|f| f.path().to_path_buf());
        (a.date.is_none(), a.date, name(a)).cmp(&(b.date.is_none(), b.date, name(b)))
    });
    exams
}

impl Exam {
    fn take(&mut self, file: StoredFile) {
        let facts = file.facts();
        if facts.patient != self.patient {
            let warning = "the files of this exam do not agree on who was examined";
            if !self.warnings.iter().any(|w| w == warning) {
                self.warnings.push(warning.into());
            }
        }
        self.date = match (self.date, facts.exam_date) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        self.files.push(file);
    }
}
