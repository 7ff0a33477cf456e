//! Exams, files and frames as a session knows them, and what a reader has done on one frame.

use std::path::PathBuf;

use crate::calibrate::ScaleFacts;
use crate::calibrate::header::{PixelSpacingConsent, Use, survey};
use crate::context::{Dating, ExamContext};
use crate::exam::FrameNotes;
use crate::frame::Geometry;
use crate::load::{Exam, ExamKey, Facts, Identity};
use crate::measure::{EdgeMark, Landmarks, Side};
use crate::units::PxPoint;
use crate::viewer::action::Mark;

/// How a session addresses a frame: file and frame number from 1.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FrameKey {
    /// The file.
    pub path: PathBuf,
    /// Frame number inside it, from 1.
    pub number: u32,
}

/// A file that holds frames, without its pixels.
#[derive(Clone, Debug)]
pub struct SourceFile {
    /// Where it is.
    pub path: PathBuf,
    /// Number of frames, at least 1.
    pub frame_count: u32,
    /// Size and scale attributes.
    pub geometry: Geometry,
    /// What it says of itself.
    pub facts: Facts,
    /// What is odd about it.
    pub warnings: Vec<String>,
}

impl SourceFile {
    /// Height of a pixel over its width: by the scale of the first usable region, else by Pixel Aspect Ratio, else 1.
    #[must_use]
    pub fn tallness(&self) -> f64 {
        let by_region = survey(&self.geometry).regions.iter().find_map(|r| match r.verdict {
            Use::Distance { mm_per_px_x, mm_per_px_y } => Some(mm_per_px_y / mm_per_px_x),
            Use::No(_) => None,
        });
        let by_aspect = self.geometry.pixel_aspect_vertical_horizontal.filter(|a| a[0] > 0 && a[1] > 0);
        by_region.or_else(|| by_aspect.map(|[v, h]| f64::from(v) / f64::from(h))).unwrap_or(1.0)
    }
}

/// An exam with what is known of it.
#[derive(Clone, Debug)]
pub struct ExamState {
    /// What makes its files one exam.
    pub key: ExamKey,
    /// Who was examined.
    pub patient: Identity,
    /// The exam date that the files give.
    pub file_date: Option<jiff::civil::Date>,
    /// Its files.
    pub files: Vec<SourceFile>,
    /// What does not fit together.
    pub warnings: Vec<String>,
    /// What is known of it.
    pub context: ExamContext,
    /// What was typed.
    pub form: Form,
    /// Whether the reader has said anything about it here.
    pub context_touched: bool,
    /// The guideline table that it names for itself, as the sample exam does; used while the reader has chosen none.
    pub names_table: Option<String>,
}

/// Typed text of the fields that are not choices, kept as typed until it can be understood.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Form {
    /// Exam date.
    pub exam_date: String,
    /// Due date or last period.
    pub dating: String,
    /// Whether `dating` is a last period.
    pub is_last_period: bool,
    /// Previous caesareans.
    pub caesareans: String,
    /// The less common fields.
    pub more: super::MoreForm,
}

impl Form {
    /// The form that shows `context`.
    #[must_use]
    pub fn of(context: &ExamContext) -> Self {
        let (dating, is_last_period) = match context.dating {
            Some(Dating::DueDate(d)) => (d.to_string(), false),
            Some(Dating::LastPeriod(d)) => (d.to_string(), true),
            None => (String::new(), false),
        };
        Self {
            exam_date: context.exam_date.map(|d| d.to_string()).unwrap_or_default(),
            dating,
            is_last_period,
            caesareans: context.previous_caesareans.map(|n| n.to_string()).unwrap_or_default(),
            more: super::more::form_of(context),
        }
    }
}

impl ExamState {
    /// An exam of `files` as a scan of a folder found it. The exam date and last period that the files state are taken
    /// over; nothing else is assumed.
    #[must_use]
    pub fn new(key: ExamKey, patient: Identity, date: Option<jiff::civil::Date>, files: Vec<SourceFile>, warnings: Vec<String>) -> Self {
        let last_period = files.iter().find_map(|f| f.facts.last_menstrual_date);
        let context = ExamContext { exam_date: date, dating: last_period.map(Dating::LastPeriod), ..ExamContext::default() };
        Self {
            key,
            patient,
            file_date: date,
            files,
            warnings,
            form: Form::of(&context),
            context,
            context_touched: false,
            names_table: None,
        }
    }

    /// What the exam says of itself besides its files, as the sample exam does: its guideline table and its dating.
    pub fn name_for_itself(&mut self, table: &str, dating: Dating) {
        self.names_table = Some(table.to_owned());
        self.context.dating = Some(dating);
        self.form = Form::of(&self.context);
    }

    /// The number of frames of the whole exam.
    #[must_use]
    pub fn frame_count(&self) -> u32 {
        self.files.iter().map(|f| f.frame_count).fold(0, u32::saturating_add)
    }

    /// The frame at a place of the exam, counted from 0 over all its files.
    #[must_use]
    pub fn frame_at(&self, mut place: u32) -> Option<FrameKey> {
        for f in &self.files {
            if place < f.frame_count {
                return Some(FrameKey { path: f.path.clone(), number: place + 1 });
            }
            place -= f.frame_count;
        }
        None
    }

    /// The place of a frame, counted from 0 over all files of the exam.
    #[must_use]
    pub fn place_of(&self, key: &FrameKey) -> Option<u32> {
        let mut before = 0_u32;
        for f in &self.files {
            if f.path == key.path {
                return (1..=f.frame_count).contains(&key.number).then(|| before + key.number - 1);
            }
            before = before.saturating_add(f.frame_count);
        }
        None
    }

    /// The Study Instance UID, where there is one.
    #[must_use]
    pub fn study(&self) -> Option<&str> {
        match &self.key {
            ExamKey::Study(uid) => Some(uid),
            ExamKey::Folder(_) => None,
        }
    }
}

impl From<&Exam> for ExamState {
    fn from(exam: &Exam) -> Self {
        let file = |f: &crate::load::StoredFile| SourceFile {
            path: f.path().to_path_buf(),
            frame_count: f.frame_count(),
            geometry: f.geometry().clone(),
            facts: f.facts().clone(),
            warnings: f.warnings().to_vec(),
        };
        Self::new(exam.key.clone(), exam.patient.clone(), exam.date, exam.files.iter().map(file).collect(), exam.warnings.clone())
    }
}

/// What a reader has done on one frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FrameWork {
    /// Centre of the internal os.
    pub os: Option<PxPoint>,
    /// The far end of the distance.
    pub edge: Option<EdgeMark>,
    /// A point on the placental body.
    pub body: Option<PxPoint>,
    /// Edge of a marginal sinus.
    pub sinus: Option<PxPoint>,
    /// The stated side. There is no default.
    pub side: Option<Side>,
    /// Consent to Pixel Spacing alone.
    pub consent: Option<PixelSpacingConsent>,
    /// What the reader decided about the scale: one set by hand, or the reason why the file's is right.
    pub scale: ScaleFacts,
    /// What was said and marked besides.
    pub notes: FrameNotes,
}

impl FrameWork {
    /// Whether nothing has been done.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Where a mark is.
    #[must_use]
    pub fn get(&self, mark: Mark) -> Option<PxPoint> {
        match (mark, self.edge) {
            (Mark::InternalOs, _) => self.os,
            (Mark::PlacentalBody, _) => self.body,
            (Mark::MarginalSinus, _) => self.sinus,
            (Mark::PlacentalEdge, Some(EdgeMark::PlacentalEdge { at }))
            | (Mark::LastPlacenta, Some(EdgeMark::LastPlacentaSeen { at }))
            | (Mark::EndOfWall, Some(EdgeMark::EndOfWallSeen { at })) => Some(at),
            _ => super::notes::get(&self.notes.more, mark),
        }
    }

    /// Puts a mark somewhere. The three marks of the far end replace one another.
    pub fn put(&mut self, mark: Mark, at: PxPoint) {
        match mark {
            Mark::InternalOs => self.os = Some(at),
            Mark::PlacentalBody => self.body = Some(at),
            Mark::MarginalSinus => self.sinus = Some(at),
            Mark::PlacentalEdge => self.edge = Some(EdgeMark::PlacentalEdge { at }),
            Mark::LastPlacenta => self.edge = Some(EdgeMark::LastPlacentaSeen { at }),
            Mark::EndOfWall => self.edge = Some(EdgeMark::EndOfWallSeen { at }),
            _ => super::notes::put(&mut self.notes.more, mark, at),
        }
    }

    /// Takes a mark away.
    pub fn remove(&mut self, mark: Mark) {
        match mark {
            Mark::InternalOs => self.os = None,
            Mark::PlacentalBody => self.body = None,
            Mark::MarginalSinus => self.sinus = None,
            Mark::PlacentalEdge | Mark::LastPlacenta | Mark::EndOfWall => {
                if self.get(mark).is_some() {
                    self.edge = None;
                }
            }
            _ => super::notes::remove(&mut self.notes.more, mark),
        }
    }

    /// The placed marks, in the order of [`Mark::ALL`], then of [`Mark::MORE`], traces point by point.
    pub fn placed(&self) -> impl Iterator<Item = (Mark, PxPoint)> + '_ {
        let more = super::notes::marks(&self.notes.more);
        Mark::ALL.into_iter().chain(more).filter_map(|m| self.get(m).map(|p| (m, p)))
    }

    /// The landmarks of a reading, when both ends are there.
    #[must_use]
    pub fn landmarks(&self) -> Option<Landmarks> {
        Some(Landmarks { internal_os: self.os?, edge: self.edge?, placental_body: self.body, marginal_sinus: self.sinus })
    }
}
