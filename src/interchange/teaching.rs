//! A teaching set: frames and readings of exams, without identity.
//!
//! Two steps, with a person between them. [`TeachingSet::prepare`] lists the frames; each is then shown cleaned
//! ([`TeachingSet::picture`]), blanked further where text sits inside the picture, and approved or left out. Only when
//! every frame is decided, [`TeachingSet::write`](crate::interchange::write) makes the files.
//!
//! What is made: one US Image object a frame, with identity removed by the Basic Profile of PS3.15 with Clean Pixel Data,
//! and one record a reading. UIDs, case names and reader names are made from the set's secret key, so that they agree
//! across the set and cannot be traced back without it. Dates keep only their distance: a patient's first date becomes
//! 2000-01-01. Digests, links and signatures of the originals do not travel.
//!
//! A prepared set holds the key and the paths of the originals: it is as private as they are.

use std::path::{Path, PathBuf};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

pub use super::clean::Blank;
use super::clean::{clean, kept};
use crate::dicom::write::uid_from;
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, Samples};
use crate::load::{Kind, StoredFile};

const SCHEMA: &str = "osspan-teaching-set/1";
/// The day that a patient's first date becomes.
pub const FIRST_DAY: Date = Date::constant(2000, 1, 1);

/// What was decided about a frame.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Decision {
    /// Nothing yet.
    #[default]
    Open,
    /// Somebody looked at the cleaned picture and found nothing in it that tells who was examined.
    Approved {
        /// Who.
        by: String,
        /// SHA-256 of the cleaned samples that were looked at.
        picture_sha256: String,
    },
    /// It stays out of the set.
    LeftOut,
}

/// One frame of the set.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TeachingFrame {
    /// The file it comes from.
    pub source: PathBuf,
    /// Its number there, from 1.
    pub number: u32,
    /// Boxes blanked besides everything outside the ultrasound regions.
    pub blanked: Vec<Blank>,
    /// What was decided.
    pub decision: Decision,
}

/// The frames of a teaching set and what was decided about each.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TeachingSet {
    schema: String,
    key: String,
    frames: Vec<TeachingFrame>,
    left_out: Vec<(PathBuf, String)>,
}

impl std::fmt::Debug for TeachingSet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "TeachingSet({} frames, key and sources kept back)", self.frames.len())
    }
}

impl TeachingSet {
    /// Lists the frames of `files`. `key` is 32 secret random bytes; the same key gives the same new UIDs.
    ///
    /// A file without a usable ultrasound region (every captured picture is one) cannot be cleaned and is left out with
    /// the reason.
    #[must_use]
    pub fn prepare<'a>(files: impl IntoIterator<Item = &'a StoredFile>, key: &[u8; 32]) -> Self {
        let mut set = Self { schema: SCHEMA.into(), key: digest::hex(key), frames: Vec::new(), left_out: Vec::new() };
        for file in files {
            match cleanable(file) {
                Ok(()) => set.frames.extend((1..=file.frame_count()).map(|number| TeachingFrame {
                    source: file.path().to_path_buf(),
                    number,
                    blanked: Vec::new(),
                    decision: Decision::Open,
                })),
                Err(e) => set.left_out.push((file.path().to_path_buf(), e.message())),
            }
        }
        set
    }

    /// The frames.
    #[must_use]
    pub fn frames(&self) -> &[TeachingFrame] {
        &self.frames
    }

    /// Files that cannot be part of a teaching set, and why.
    #[must_use]
    pub fn left_out(&self) -> &[(PathBuf, String)] {
        &self.left_out
    }

    /// The picture of frame `index` as it would be written: blanked outside the ultrasound regions and in the added boxes.
    ///
    /// # Errors
    /// As [`StoredFile::frame`]; [`ErrorKind::Usage`] when there is no such frame.
    pub fn picture(&self, index: usize) -> Result<Frame> {
        let frame = self.frame(index)?;
        cleaned(&StoredFile::open(&frame.source)?, frame)
    }

    /// Blanks one more box of frame `index`. An approval given before is withdrawn: the picture is another now.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is no such frame or the box ends before it begins.
    pub fn blank(&mut self, index: usize, more: Blank) -> Result<()> {
        if more.min_x > more.max_x || more.min_y > more.max_y {
            return Err(Error::new(ErrorKind::Usage, "the box ends before it begins")
                .expected("first column, first row, last column, last row")
                .found(format!("{},{},{},{}", more.min_x, more.min_y, more.max_x, more.max_y)));
        }
        let frame = self.frame_mut(index)?;
        frame.blanked.push(more);
        frame.decision = Decision::Open;
        Ok(())
    }

    /// Takes back the last box of frame `index`, and an approval with it.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is no such frame.
    pub fn take_back_blank(&mut self, index: usize) -> Result<()> {
        let frame = self.frame_mut(index)?;
        if frame.blanked.pop().is_some() {
            frame.decision = Decision::Open;
        }
        Ok(())
    }

    /// Records that `by` looked at frame `index` as `shown`, its [`TeachingSet::picture`], and found no identity in it.
    /// Writing refuses any other picture than the one that was shown.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when nobody is named or there is no such frame.
    pub fn approve(&mut self, index: usize, by: &str, shown: &Frame) -> Result<()> {
        if by.trim().is_empty() {
            return Err(Error::new(ErrorKind::Usage, "the frame is not approved").expected("who looked at it").found("no name"));
        }
        self.frame_mut(index)?.decision = Decision::Approved { by: by.trim().to_owned(), picture_sha256: digest(shown) };
        Ok(())
    }

    /// Leaves frame `index` out.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is no such frame.
    pub fn leave_out(&mut self, index: usize) -> Result<()> {
        self.frame_mut(index)?.decision = Decision::LeftOut;
        Ok(())
    }

    /// The set as text, to go on later. As private as the originals.
    ///
    /// # Errors
    /// [`ErrorKind::Format`].
    pub fn to_json(&self) -> Result<String> {
        serde_json::to_string_pretty(self).map_err(|e| Error::new(ErrorKind::Format, "the set cannot be written").caused_by(e))
    }

    /// Reads a prepared set.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when damaged or of another version.
    pub fn from_json(text: &str) -> Result<Self> {
        let fail = |found: String| Error::new(ErrorKind::Format, "the prepared set cannot be read").expected(SCHEMA).found(found);
        let set: Self = serde_json::from_str(text).map_err(|e| fail(e.to_string()))?;
        if set.schema == SCHEMA { Ok(set) } else { Err(fail(set.schema)) }
    }

    /// The picture of frame `index` and its file, when it is the one that was approved; `None` when it was left out.
    pub(super) fn approved(&self, index: usize) -> Result<Option<(StoredFile, Frame)>> {
        let frame = self.frame(index)?;
        let picture_sha256 = match &frame.decision {
            Decision::LeftOut => return Ok(None),
            Decision::Approved { picture_sha256, .. } => picture_sha256,
            Decision::Open => {
                return Err(Error::new(ErrorKind::Usage, "the set is not ready")
                    .expected("every frame approved or left out")
                    .found(format!("frame {} of the set undecided", index + 1)));
            }
        };
        let file = StoredFile::open(&frame.source)?;
        let picture = cleaned(&file, frame)?;
        if digest(&picture) != *picture_sha256 {
            return Err(Error::new(ErrorKind::Format, format!("frame {} of the set has changed since it was approved", index + 1))
                .remedy("Look at it and approve it again"));
        }
        Ok(Some((file, picture)))
    }

    /// A new UID for `old`: the same for the same key, and not to be traced back without it.
    pub(super) fn uid(&self, old: &str) -> String {
        uid_from(&format!("{}/uid/{old}", self.key))
    }

    /// A short name for `old`, in the same way.
    pub(super) fn alias(&self, what: &str, old: &str) -> String {
        let digest = Sha256::digest(format!("{}/{what}/{old}", self.key).as_bytes());
        format!("{what}-{}", digest.iter().take(5).map(|b| format!("{b:02X}")).collect::<String>())
    }

    fn frame(&self, index: usize) -> Result<&TeachingFrame> {
        self.frames.get(index).ok_or_else(|| no_frame(index, self.frames.len()))
    }

    fn frame_mut(&mut self, index: usize) -> Result<&mut TeachingFrame> {
        let count = self.frames.len();
        self.frames.get_mut(index).ok_or_else(|| no_frame(index, count))
    }
}

fn no_frame(index: usize, count: usize) -> Error {
    Error::new(ErrorKind::Usage, "the set has no such frame").expected(format!("1 to {count}")).found((index + 1).to_string())
}

fn cleanable(file: &StoredFile) -> Result<()> {
    if file.facts().kind == Kind::Capture {
        return Err(Error::new(ErrorKind::Unsupported, "the picture cannot be cleaned")
            .expected("a DICOM file with ultrasound regions")
            .found("a captured picture, which does not say where its text is"));
    }
    kept(file.geometry()).map(drop)
}

fn cleaned(file: &StoredFile, frame: &TeachingFrame) -> Result<Frame> {
    let mut picture = file.frame(frame.number)?;
    clean(&mut picture, &kept(file.geometry())?, &frame.blanked);
    Ok(picture)
}

/// SHA-256 of a picture's size and samples.
pub(super) fn digest(frame: &Frame) -> String {
    let mut sha = Sha256::new();
    sha.update(frame.width.to_le_bytes());
    sha.update(frame.height.to_le_bytes());
    match &frame.samples {
        Samples::Gray8(d) | Samples::Rgb8(d) => sha.update(d),
        Samples::Gray16 { data, .. } => data.iter().for_each(|v| sha.update(v.to_le_bytes())),
    }
    digest::hex(&sha.finalize())
}

/// Whose frame a file holds, as far as it says so; never shown, only made into an alias.
pub(super) fn whose(file: &StoredFile) -> String {
    let who = &file.facts().patient;
    let path = |p: &Path| p.parent().unwrap_or(p).to_string_lossy().into_owned();
    match (&who.number, &who.name, &file.facts().study_instance_uid) {
        (Some(number), ..) => format!("number/{number}"),
        (None, Some(name), _) => format!("name/{name}/{:?}", who.birth_date),
        (None, None, Some(study)) => format!("study/{study}"),
        (None, None, None) => format!("folder/{}", path(file.path())),
    }
}
