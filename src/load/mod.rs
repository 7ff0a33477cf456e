//! Stored files become frames: DICOM ultrasound images and cines, and pictures captured from a scanner.
//!
//! [`StoredFile::open`] reads a header only. [`StoredFile::frame`] decodes one frame and nothing else.

mod facts;
pub mod scan;

use std::path::{Path, PathBuf};

pub use facts::{Facts, Identity, Kind};
pub use scan::{Exam, ExamKey, Progress, Scan};

use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, Geometry};

/// A file that holds one or more frames: its header, and the way to each frame.
#[derive(Debug)]
pub struct StoredFile {
    path: PathBuf,
    frame_count: u32,
    geometry: Geometry,
    facts: Facts,
    warnings: Vec<String>,
}

impl StoredFile {
    /// Reads the header of the file at `path`.
    ///
    /// # Errors
    /// `Io` when it cannot be read, `Format` when it is damaged or neither DICOM nor a known picture format,
    /// `Unsupported` (with the name) when it is sound but of a sort not read here, `Limit` when it declares more than
    /// [`limits`](crate::dicom::limits) allow.
    pub fn open(path: &Path) -> Result<Self> {
        Err(Error::new(ErrorKind::Unsupported, "this build does not read files yet").at(path))
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The number of frames, at least 1.
    #[must_use]
    pub fn frame_count(&self) -> u32 {
        self.frame_count
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

    /// Decodes frame `number`, counted from 1.
    ///
    /// # Errors
    /// `Usage` when there is no such frame, `Format` when its data are damaged or cut short, `Unsupported` when its
    /// coding is not read here, `Io` when the file has changed or cannot be read.
    pub fn frame(&self, number: u32) -> Result<Frame> {
        Err(Error::new(ErrorKind::Usage, "there is no such frame").found(format!("frame {number}")).at(&self.path))
    }
}
