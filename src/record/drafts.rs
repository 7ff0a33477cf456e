//! Unfinished readings: kept as the reader works, offered again after a crash, gone once the reading is saved.
//!
//! A draft is the reader's own and holds landmarks and statements, not whose frame it is. It is no record: it may be
//! replaced, and nothing is computed from it until it becomes a reading. Each window keeps its own, so that two at once,
//! or a new one beside what an earlier one left, do not overwrite each other.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::calibrate::ScaleFacts;
use crate::calibrate::header::PixelSpacingConsent;
use crate::context::ExamContext;
use crate::error::{Error, ErrorKind, Result};
use crate::exam::FrameNotes;
use crate::files;
use crate::frame::FrameId;
use crate::measure::{EdgeMark, Side};
use crate::units::PxPoint;

const SCHEMA: &str = "osspan-draft/1";
const LONGEST: u64 = 256 * 1024;

/// An unfinished reading of one frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Draft {
    schema: String,
    /// The frame.
    pub frame: FrameId,
    /// The file that the frame was opened from.
    pub file: PathBuf,
    /// The window that keeps it: letters and digits that are its own.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub window: String,
    /// When the draft was kept, RFC 3339 with offset.
    pub kept_at: String,
    /// Who reads, if named yet.
    pub reader: String,
    /// Id of the chosen guideline table.
    pub table: Option<String>,
    /// Internal os, px.
    pub internal_os: Option<PxPoint>,
    /// The far end of the distance.
    pub edge: Option<EdgeMark>,
    /// A point on the placental body, px.
    pub placental_body: Option<PxPoint>,
    /// Edge of a marginal sinus, px.
    pub marginal_sinus: Option<PxPoint>,
    /// The stated side.
    pub side: Option<Side>,
    /// Consent to Pixel Spacing alone.
    pub pixel_spacing_consent: Option<PixelSpacingConsent>,
    /// What was stated of the exam.
    pub context: ExamContext,
    /// A scale set by hand and a decision about the scale.
    #[serde(default, skip_serializing_if = "ScaleFacts::is_empty")]
    pub scale: ScaleFacts,
    /// What was said and marked on the frame besides.
    #[serde(default, skip_serializing_if = "FrameNotes::is_empty")]
    pub notes: FrameNotes,
}

impl Draft {
    /// An empty draft for `frame` of `file`.
    #[must_use]
    pub fn of(frame: FrameId, file: &Path, kept_at: String) -> Self {
        Self {
            schema: SCHEMA.into(),
            frame,
            file: file.to_path_buf(),
            window: String::new(),
            kept_at,
            reader: String::new(),
            table: None,
            internal_os: None,
            edge: None,
            placental_body: None,
            marginal_sinus: None,
            side: None,
            pixel_spacing_consent: None,
            context: ExamContext::default(),
            scale: ScaleFacts::default(),
            notes: FrameNotes::default(),
        }
    }

    /// The name of its file, without the folder.
    #[must_use]
    pub fn name(&self) -> String {
        // Frames of a frozen cine share their bytes, so the number is part of the name.
        let frame = self.frame.sha256.get(..20).unwrap_or(&self.frame.sha256);
        let window: String = self.window.chars().filter(char::is_ascii_alphanumeric).take(32).collect();
        format!("draft-{frame}-{}-{window}.json", self.frame.frame_number)
    }
}

/// A private folder of drafts, one a frame and window.
#[derive(Clone, Debug)]
pub struct Drafts {
    dir: PathBuf,
}

impl Drafts {
    /// The drafts in `dir` (usually [`files::drafts_in`]), which is made when the first one is kept.
    #[must_use]
    pub fn at(dir: impl Into<PathBuf>) -> Self {
        Self { dir: dir.into() }
    }

    /// Keeps a draft in place of an earlier one of the same frame and window. After it returns, a crash does not lose it.
    ///
    /// # Errors
    /// [`ErrorKind::Io`]; an earlier draft of the frame then still stands.
    pub fn keep(&self, draft: &Draft) -> Result<()> {
        let text =
            serde_json::to_vec_pretty(draft).map_err(|e| Error::new(ErrorKind::Format, "the draft cannot be written").caused_by(e))?;
        files::replace(&self.dir, &draft.name(), &text)?;
        Ok(())
    }

    /// The drafts to offer again, newest first, and an error for each file that holds none.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when the folder exists but cannot be listed.
    pub fn load(&self) -> Result<(Vec<Draft>, Vec<Error>)> {
        let mut found = (Vec::new(), Vec::new());
        for path in files::list(&self.dir, "json")? {
            match files::read_text(&path, LONGEST).and_then(|t| parse(&t)) {
                Ok(draft) => found.0.push(draft),
                Err(e) => found.1.push(e.at(&path)),
            }
        }
        found.0.sort_by(|a, b| files::instant(&b.kept_at).cmp(&files::instant(&a.kept_at)).then_with(|| a.frame.cmp(&b.frame)));
        Ok(found)
    }

    /// Forgets a draft: its reading was saved, or the reader let it go. An absent draft is no error.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn discard(&self, draft: &Draft) -> Result<()> {
        files::remove(&self.dir.join(draft.name()))
    }
}

fn parse(text: &str) -> Result<Draft> {
    let damaged = |found: String| Error::new(ErrorKind::Format, "the draft cannot be read").expected(SCHEMA).found(found);
    let value: serde_json::Value = serde_json::from_str(text).map_err(|e| damaged(e.to_string()))?;
    match value.get("schema").and_then(|s| s.as_str()) {
        Some(SCHEMA) => serde_json::from_str(text).map_err(|e| damaged(e.to_string())),
        other => Err(damaged(other.unwrap_or("no schema").to_owned())),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn frame(letter: &str) -> FrameId {
        FrameId { sha256: letter.repeat(64), sop_instance_uid: Some("2.25.7".into()), frame_number: 3 }
    }

    #[test]
    fn drafts_come_back_as_they_were_and_go_when_discarded() {
        let dir = tempfile::tempdir().unwrap();
        let drafts = Drafts::at(dir.path().join("drafts"));
        assert!(drafts.load().unwrap().0.is_empty());
        let mut one = Draft::of(frame("a"), Path::new("x/y.dcm"), "2031-03-14T09:26:53+01:00".into());
        drafts.keep(&one).unwrap();
        one.internal_os = Some(PxPoint::new(0.1 + 0.2, 7.5));
        one.side = Some(Side::Covers);
        drafts.keep(&one).unwrap();
        let two = Draft::of(frame("b"), Path::new("x/z.dcm"), "2031-03-14T09:26:54+01:00".into());
        drafts.keep(&two).unwrap();
        assert_eq!(drafts.load().unwrap().0, [two.clone(), one.clone()]);
        drafts.discard(&one).unwrap();
        drafts.discard(&one).unwrap();
        assert_eq!(drafts.load().unwrap().0, std::slice::from_ref(&two));
        // Another window's draft of the same frame stands beside it.
        let other = Draft { window: "w2".into(), side: Some(Side::Covers), ..two.clone() };
        drafts.keep(&other).unwrap();
        assert_eq!(drafts.load().unwrap().0.len(), 2);
        drafts.discard(&other).unwrap();
        assert_eq!(drafts.load().unwrap().0, [two]);
    }

    #[test]
    fn a_damaged_or_later_draft_is_named_and_the_rest_still_offered() {
        let dir = tempfile::tempdir().unwrap();
        let drafts = Drafts::at(dir.path());
        drafts.keep(&Draft::of(frame("a"), Path::new("x"), "2031".into())).unwrap();
        std::fs::write(dir.path().join("draft-x.json"), r#"{"schema":"osspan-draft/9"}"#).unwrap();
        let (found, damaged) = drafts.load().unwrap();
        assert_eq!((found.len(), damaged.len()), (1, 1));
        assert!(damaged[0].message().contains("osspan-draft/9"));
    }
}
