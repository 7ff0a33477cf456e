//! What is known of the images that a report refers to.

use std::cell::RefCell;
use std::collections::HashMap;

use super::check::ImageFacts;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::FrameId;
use crate::load::StoredFile;

/// Where the images of readings are looked up.
pub trait Images {
    /// What is known of the image of a frame that was read.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when it is not at hand, or when the one at hand is not the one that was read.
    fn facts(&self, frame: &FrameId) -> Result<ImageFacts>;
}

impl ImageFacts {
    /// What a file says of itself; `None` for a captured picture, and for a file without the UIDs that a reference needs.
    #[must_use]
    pub fn of(file: &StoredFile) -> Option<Self> {
        let (facts, geometry) = (file.facts(), file.geometry());
        Some(Self {
            class_uid: facts.sop_class_uid.clone()?,
            instance_uid: facts.sop_instance_uid.clone()?,
            study_uid: facts.study_instance_uid.clone()?,
            series_uid: facts.series_instance_uid.clone()?,
            rows: geometry.rows,
            columns: geometry.columns,
            frames: file.frame_count(),
            study: facts.study.clone(),
        })
    }
}

/// Images at hand as files. Each frame that is asked for is decoded once, to see that it is the one that was read.
pub struct StoredImages<'a> {
    by_uid: HashMap<String, &'a StoredFile>,
    seen: RefCell<HashMap<(String, u32), String>>,
}

impl<'a> StoredImages<'a> {
    /// Those of `files` that can be referred to.
    pub fn of(files: impl IntoIterator<Item = &'a StoredFile>) -> Self {
        let by_uid = files.into_iter().filter_map(|f| Some((f.facts().sop_instance_uid.clone()?, f))).collect();
        Self { by_uid, seen: RefCell::default() }
    }

    /// What is known of an image by its SOP Instance UID.
    #[must_use]
    pub fn known(&self, uid: &str) -> Option<ImageFacts> {
        self.by_uid.get(uid).and_then(|f| ImageFacts::of(f))
    }
}

impl Images for StoredImages<'_> {
    fn facts(&self, frame: &FrameId) -> Result<ImageFacts> {
        let uid = frame.sop_instance_uid.as_deref().unwrap_or_default();
        let absent = |found: &str| {
            Error::new(ErrorKind::Usage, "the image of a reading is needed for its report")
                .expected("the image that was read, with Study, Series and SOP UIDs")
                .found(found)
                .remedy("Name the folder that holds it")
        };
        let file = self.by_uid.get(uid).ok_or_else(|| absent("none of its UID"))?;
        let key = (uid.to_owned(), frame.frame_number);
        let known = self.seen.borrow().get(&key).cloned();
        let digest = match known {
            Some(digest) => digest,
            None => {
                let digest = file.frame(frame.frame_number)?.id.sha256;
                self.seen.borrow_mut().insert(key, digest.clone());
                digest
            }
        };
        if digest != frame.sha256 {
            return Err(absent("another picture under the same UID"));
        }
        ImageFacts::of(file).ok_or_else(|| absent("one without these UIDs"))
    }
}
