//! Stored files become frames: DICOM ultrasound images and cines, and pictures captured from a scanner.
//!
//! [`StoredFile::open`] reads a header only. [`StoredFile::frame`] decodes one frame and nothing else; the file is opened
//! anew for it, so a thousand open exams hold no file handles.

mod capture;
mod decode;
mod facts;
pub mod identity;
mod image_file;
pub mod scan;

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

pub use facts::{Facts, Identity, Kind, StudyFacts};
pub use scan::{Exam, ExamKey, Progress, Scan};

use crate::dicom::limits::MAX_CAPTURE_FILE;
use crate::dicom::source::first_bytes;
use crate::dicom::walk;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, FrameId, Geometry};

/// A file that holds one or more frames: its header, and the way to each frame.
#[derive(Debug)]
pub struct StoredFile {
    path: PathBuf,
    stamp: Stamp,
    content: Content,
    geometry: Geometry,
    facts: Facts,
    warnings: Vec<String>,
}

#[derive(Debug)]
enum Content {
    Dicom(Box<image_file::ImageFile>),
    Capture(capture::Format),
}

/// Length and time of the last change: a file that differs from when it was opened is not read on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stamp {
    length: u64,
    changed: Option<SystemTime>,
}

impl StoredFile {
    /// Reads the header of the file at `path`.
    ///
    /// # Errors
    /// `Io` when it cannot be read, `Format` when it is damaged or neither DICOM nor a known picture format,
    /// `Unsupported` (with the name) when it is sound but of a sort not read here, `Limit` when it declares more than
    /// [`limits`](crate::dicom::limits) allow.
    pub fn open(path: &Path) -> Result<Self> {
        Self::open_inner(path).map_err(|e| e.at(path))
    }

    fn open_inner(path: &Path) -> Result<Self> {
        let (mut file, stamp) = open_file(path)?;
        let head = first_bytes(&mut file, 160).map_err(|e| Error::io("the file cannot be read", path, e))?;
        if let Some(format) = capture::Format::of(&head) {
            if stamp.length > MAX_CAPTURE_FILE {
                return Err(Error::new(ErrorKind::Limit, "the picture file is too long")
                    .expected(format!("at most {MAX_CAPTURE_FILE} bytes"))
                    .found(stamp.length.to_string()));
            }
            let picture = capture::describe(format, &mut file)?;
            let mut facts = Facts::empty(Kind::Capture);
            facts.transfer_syntax_name = format.name().to_owned();
            let geometry = Geometry { rows: picture.height, columns: picture.width, ..Geometry::default() };
            let (path, content) = (path.to_path_buf(), Content::Capture(format));
            return Ok(Self { path, stamp, content, geometry, facts, warnings: picture.warnings });
        }
        if !walk::looks_like_dicom(&head) {
            return Err(Error::new(ErrorKind::Format, "the file is not one that holds a frame")
                .expected("DICOM, PNG, JPEG, TIFF or BMP")
                .found(if head.is_empty() { "an empty file" } else { "none of these" }));
        }
        let opened = image_file::open(&mut file)?;
        Ok(Self {
            path: path.to_path_buf(),
            stamp,
            content: Content::Dicom(Box::new(opened.file)),
            geometry: opened.geometry,
            facts: opened.facts,
            warnings: opened.warnings,
        })
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The number of frames, at least 1.
    #[must_use]
    pub fn frame_count(&self) -> u32 {
        match &self.content {
            Content::Dicom(d) => d.frame_count(),
            Content::Capture(_) => 1,
        }
    }

    /// Size, ultrasound regions and pixel spacing, as stored.
    #[must_use]
    pub fn geometry(&self) -> &Geometry {
        &self.geometry
    }

    /// What the file says about itself.
    #[must_use]
    pub fn facts(&self) -> &Facts {
        &self.facts
    }

    /// What is odd about the file without stopping it from being read; free of identity.
    #[must_use]
    pub fn warnings(&self) -> &[String] {
        &self.warnings
    }

    fn warn(&mut self, warning: String) {
        self.warnings.push(warning);
    }

    /// Decodes frame `number`, counted from 1.
    ///
    /// # Errors
    /// `Usage` when there is no such frame, `Format` when its data are damaged or cut short or the file has changed
    /// since it was opened, `Unsupported` when its coding is not read here, `Io` when it cannot be read.
    pub fn frame(&self, number: u32) -> Result<Frame> {
        self.frame_inner(number).map_err(|e| e.at(&self.path))
    }

    fn frame_inner(&self, number: u32) -> Result<Frame> {
        let count = self.frame_count();
        if number == 0 || number > count {
            return Err(Error::new(ErrorKind::Usage, "there is no such frame").expected(format!("1 to {count}")).found(number.to_string()));
        }
        let (mut file, stamp) = open_file(&self.path)?;
        if stamp != self.stamp {
            return Err(Error::new(ErrorKind::Format, "the file has changed since it was opened").remedy("Open it again"));
        }
        let (samples, sha256) = match &self.content {
            Content::Dicom(d) => d.frame(number, &self.geometry, file)?,
            Content::Capture(format) => {
                let mut bytes = Vec::new();
                file.by_ref()
                    .take(MAX_CAPTURE_FILE)
                    .read_to_end(&mut bytes)
                    .map_err(|e| Error::io("the file cannot be read", &self.path, e))?;
                let (width, height, samples) = capture::decode(*format, &bytes)?;
                if (width, height) != (self.geometry.columns, self.geometry.rows) {
                    return Err(Error::new(ErrorKind::Format, "the file has changed since it was opened").remedy("Open it again"));
                }
                (samples, identity::capture(format.name(), &bytes))
            }
        };
        let id = FrameId { sha256, sop_instance_uid: self.facts.sop_instance_uid.clone(), frame_number: number };
        Ok(Frame { id, width: self.geometry.columns, height: self.geometry.rows, samples })
    }
}

fn open_file(path: &Path) -> Result<(File, Stamp)> {
    let failed = |e| Error::io("the file cannot be opened", path, e);
    // A pipe or a device would make reading wait for ever.
    let found = std::fs::metadata(path).map_err(failed)?;
    if !found.is_file() {
        return Err(Error::new(ErrorKind::Usage, "this is not a file").found(if found.is_dir() { "a folder" } else { "a device or pipe" }));
    }
    let mut file = File::open(path).map_err(failed)?;
    let length = file.seek(SeekFrom::End(0)).map_err(failed)?;
    file.rewind().map_err(failed)?;
    Ok((file, Stamp { length, changed: found.modified().ok() }))
}
