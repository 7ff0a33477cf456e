//! The page of the report: which form, on which paper, with or without identity, and what the patient is told to avoid. Everything
//! that is shown comes from saved readings, and from a store that shows only what this reader may see.

use std::path::PathBuf;

use super::Session;
use crate::guideline::Shelf;
use crate::load::ExamKey;
use crate::record::study_key;
use crate::report::pdf::{Op, Paper};
use crate::report::{Avoid, Form, Picture, Wish};
use crate::viewer::action::{Action, Effect};
use crate::viewer::page::Page;
use crate::viewer::words::counted;

/// Codes of the languages of the patient's page, with their names.
pub const LANGUAGES: [(&str, &str); 2] = [("en", "English"), ("es", "español")];

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum ReportAction {
    /// Make this form.
    Choose(Form),
    /// The next form.
    NextForm,
    /// The other paper.
    TurnPaper,
    /// Whether name, number and date of birth stand in it.
    ToggleIdentity,
    /// Whether it is marked as a draft.
    ToggleDraft,
    /// Whether other tables, windows of birth and groups of women stand in it too.
    ToggleFull,
    /// The next language of the patient's page.
    NextLanguage,
    /// Whether the patient is told to avoid this.
    ToggleAvoid(Avoid),
    /// The field of the phone number was edited.
    TypePhone(String),
    /// Show the pages as they print, or the words.
    TogglePages,
    /// The field of the file was edited.
    TypeFile(String),
    /// The field of who receives it was edited.
    TypeTo(String),
    /// What it looks like, in answer to the question of that number; an error in words otherwise.
    Made(u64, Result<Box<Preview>, String>),
    /// Write it to the file of the field.
    Write,
    /// It was written, in words; an error in words otherwise.
    Written(Result<String, String>),
    /// Copy the paragraph for the record system.
    Copy,
    /// The paragraph; an error in words otherwise.
    Paragraph(Result<Paragraph, String>),
}

/// What a session asks of the world for the page.
#[derive(Clone, Debug)]
pub enum ReportEffect {
    /// Make what it looks like, for the question of that number; answered by [`ReportAction::Made`].
    Make(u64, Box<ReportJob>),
    /// Write it to a new file, and record who receives it where somebody is named; answered by [`ReportAction::Written`].
    Write(Box<ReportJob>, PathBuf, Option<String>),
    /// Make the paragraph; answered by [`ReportAction::Paragraph`].
    Paragraph(Box<ReportJob>),
}

/// Everything that a report is made from besides the records.
#[derive(Clone, Debug)]
pub struct ReportJob {
    /// Key of the exam.
    pub exam: String,
    /// Key of the patient, as the index of records has it.
    pub patient: Option<String>,
    /// The exam's files.
    pub files: Vec<PathBuf>,
    /// The tables at hand.
    pub shelf: Shelf,
    /// What it is asked for.
    pub wish: Wish,
    /// The form.
    pub form: Form,
    /// The paper.
    pub paper: Paper,
    /// Code of the patient's language.
    pub language: &'static str,
    /// What to avoid, as the clinician chose.
    pub avoid: Vec<Avoid>,
    /// The phone number to call.
    pub phone: String,
}

/// What a report looks like.
#[derive(Clone)]
pub struct Preview {
    /// Its words: the form itself where it is text, else the same words as text.
    pub words: String,
    /// Its pages, where it has paper.
    pub pages: Vec<Vec<Op>>,
    /// The paper.
    pub paper: Paper,
    /// The frames that the pages name.
    pub pictures: Vec<Picture>,
    /// What stands across every page.
    pub watermark: Option<String>,
    /// What the code on it holds.
    pub code: String,
    /// A file that does not exist yet, to write it to.
    pub file: PathBuf,
    /// How many readings it is made from.
    pub readings: usize,
    /// That files of the folder could not be read, which may belong to it.
    pub unread: Option<String>,
}

/// A paragraph for the record system.
#[derive(Clone)]
pub struct Paragraph {
    /// Its words.
    pub text: String,
    /// How many readings it is made from.
    pub readings: usize,
    /// As [`Preview::unread`].
    pub unread: Option<String>,
}

// As of a preview.
impl std::fmt::Debug for Paragraph {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Paragraph(of {} reading(s))", self.readings)
    }
}

// It may name a patient: nothing of it goes where debug output goes.
impl std::fmt::Debug for Preview {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Preview({} page(s) of {} reading(s))", self.pages.len(), self.readings)
    }
}

/// The page's own state.
#[derive(Clone)]
pub struct ReportPage {
    form: Form,
    paper: Paper,
    wish: Wish,
    language: usize,
    avoid: Vec<Avoid>,
    phone: String,
    pages: bool,
    /// The file as typed; `None` while it is the one that was suggested.
    file: Option<String>,
    to: String,
    preview: Option<Box<Preview>>,
    /// Why there is no preview.
    why_not: Option<String>,
    /// Number of the last question: answers to earlier ones say what is no longer asked.
    asked: u64,
    /// The number of the question that the preview answers.
    answered: u64,
    /// The exam that was asked about: what was made, typed or chosen for it is for no other.
    of: Option<ExamKey>,
    making: bool,
    /// Whether something was chosen while it was being made.
    again: bool,
    writing: bool,
    copying: bool,
    said: Option<String>,
}

impl Default for ReportPage {
    fn default() -> Self {
        Self {
            form: Form::Pdf,
            paper: Paper::A4,
            wish: Wish::default(),
            language: 0,
            avoid: Vec::new(),
            phone: String::new(),
            pages: true,
            file: None,
            to: String::new(),
            preview: None,
            why_not: None,
            asked: 0,
            answered: 0,
            of: None,
            making: false,
            again: false,
            writing: false,
            copying: false,
            said: None,
        }
    }
}

// As its preview.
impl std::fmt::Debug for ReportPage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "ReportPage({:?}, question {})", self.form, self.asked)
    }
}

impl ReportPage {
    /// The form.
    #[must_use]
    pub const fn form(&self) -> Form {
        self.form
    }

    /// The paper.
    #[must_use]
    pub const fn paper(&self) -> Paper {
        self.paper
    }

    /// What it is asked for.
    #[must_use]
    pub const fn wish(&self) -> Wish {
        self.wish
    }

    /// Code and name of the patient's language.
    #[must_use]
    pub fn language(&self) -> (&'static str, &'static str) {
        LANGUAGES.get(self.language).copied().unwrap_or(("en", "English"))
    }

    /// What the patient is told to avoid.
    #[must_use]
    pub fn avoid(&self) -> &[Avoid] {
        &self.avoid
    }

    /// What stands in the field of the phone number.
    #[must_use]
    pub fn phone(&self) -> &str {
        &self.phone
    }

    /// Whether pages are shown, where the form has any.
    #[must_use]
    pub const fn shows_pages(&self) -> bool {
        self.pages && self.form.on_paper()
    }

    /// What stands in the field of the file.
    #[must_use]
    pub fn file(&self) -> String {
        let suggested = || self.preview.as_ref().map(|p| p.file.display().to_string());
        self.file.clone().or_else(suggested).unwrap_or_default()
    }

    /// What stands in the field of who receives it.
    #[must_use]
    pub fn to(&self) -> &str {
        &self.to
    }

    /// What it looks like.
    #[must_use]
    pub fn preview(&self) -> Option<&Preview> {
        self.preview.as_deref()
    }

    /// The number of the question that the preview answers, for what is kept of it.
    #[must_use]
    pub const fn answered(&self) -> u64 {
        self.answered
    }

    /// Why there is no preview.
    #[must_use]
    pub fn why_not(&self) -> Option<&str> {
        self.why_not.as_deref()
    }

    /// Whether it is being made or written.
    #[must_use]
    pub const fn busy(&self) -> bool {
        self.making || self.writing
    }

    /// What the last writing came to.
    #[must_use]
    pub fn said(&self) -> Option<&str> {
        self.said.as_deref()
    }
}

/// Said where no exam is open.
const NO_EXAM: &str = "No exam is open. Open one and save a reading of it: a report is made from saved readings only.";
/// Said where no saved reading is at hand.
const NOTHING_SAVED: &str = "Nothing is saved of this exam yet: a report is made from saved readings only. Save the reading first (S).";

impl Session {
    /// The page of the report.
    #[must_use]
    pub const fn report(&self) -> &ReportPage {
        &self.report
    }

    /// Whether a frame of this exam has work that no record holds, and which therefore is in no report.
    #[must_use]
    pub fn unsaved_in_exam(&self) -> bool {
        let Some(exam) = self.exam() else { return false };
        self.unsaved().iter().any(|key| exam.place_of(key).is_some())
    }

    fn report_job(&self) -> Option<ReportJob> {
        let exam = self.exam()?;
        let key = exam.study().map(study_key).or_else(|| self.record_of_current().map(|s| s.record.exam_key()))?;
        let page = &self.report;
        Some(ReportJob {
            exam: key,
            patient: crate::record::Patient::from(&exam.patient).key(),
            files: exam.files.iter().map(|f| f.path.clone()).collect(),
            shelf: self.shelf(),
            wish: page.wish,
            form: page.form,
            paper: page.paper,
            language: page.language().0,
            avoid: page.avoid.clone(),
            phone: page.phone.trim().to_owned(),
        })
    }

    /// Asks for what it looks like; once more when it is there, while an earlier question is open. With another exam on screen the
    /// page begins anew, but for the number to call, which is the department's.
    pub(super) fn make_report(&mut self) -> Vec<Effect> {
        let exam = self.exam().map(|e| e.key.clone());
        if self.report.of != exam {
            let page = &mut self.report;
            page.of = exam;
            (page.preview, page.why_not, page.file, page.said) = (None, None, None, None);
            page.avoid.clear();
            page.to.clear();
        }
        if self.report.making {
            self.report.again = true;
            return Vec::new();
        }
        self.report.asked += 1;
        let Some(job) = self.report_job() else {
            self.report.preview = None;
            self.report.why_not = Some(if self.exam().is_some() { NOTHING_SAVED } else { NO_EXAM }.to_owned());
            return Vec::new();
        };
        self.report.making = true;
        vec![Effect::Report(ReportEffect::Make(self.report.asked, Box::new(job)))]
    }

    pub(super) fn act_on_report(&mut self, action: ReportAction) -> Vec<Effect> {
        let page = &mut self.report;
        match action {
            ReportAction::Choose(form) => page.form = form,
            ReportAction::NextForm => page.form = after(&Form::ALL, page.form),
            ReportAction::TurnPaper => page.paper = if page.paper == Paper::A4 { Paper::Letter } else { Paper::A4 },
            ReportAction::ToggleIdentity => page.wish.identity = !page.wish.identity,
            ReportAction::ToggleDraft => page.wish.draft = !page.wish.draft,
            ReportAction::ToggleFull => page.wish.full = !page.wish.full,
            ReportAction::NextLanguage => page.language = (page.language + 1) % LANGUAGES.len(),
            ReportAction::ToggleAvoid(what) => match page.avoid.iter().position(|a| *a == what) {
                Some(i) => drop(page.avoid.remove(i)),
                None => {
                    page.avoid.push(what);
                    page.avoid.sort_by_key(|a| Avoid::ALL.iter().position(|b| a == b));
                }
            },
            ReportAction::TypePhone(text) => page.phone = text,
            ReportAction::TogglePages => {
                page.pages = !page.pages;
                return Vec::new();
            }
            ReportAction::TypeFile(text) => {
                page.file = Some(text);
                return Vec::new();
            }
            ReportAction::TypeTo(text) => {
                page.to = text;
                return Vec::new();
            }
            ReportAction::Made(number, result) => return self.report_made(number, result),
            ReportAction::Write => return self.write_report(),
            ReportAction::Written(result) => return self.report_written(result),
            ReportAction::Copy => return self.copy_paragraph(),
            ReportAction::Paragraph(result) => return self.paragraph_made(result),
        }
        self.report.said = None;
        if self.page == Page::Report { self.make_report() } else { Vec::new() }
    }

    fn report_made(&mut self, number: u64, result: Result<Box<Preview>, String>) -> Vec<Effect> {
        self.report.making = false;
        if std::mem::take(&mut self.report.again) {
            return self.make_report();
        }
        if number == self.report.asked {
            let (preview, why_not) = match result {
                Ok(made) => (Some(made), None),
                Err(why) => (None, Some(why)),
            };
            (self.report.preview, self.report.why_not) = (preview, why_not);
            self.report.answered = number;
        }
        Vec::new()
    }

    fn write_report(&mut self) -> Vec<Effect> {
        if self.report.busy() {
            return Vec::new();
        }
        let file = self.report.file().trim().to_owned();
        let Some(job) = self.report_job().filter(|_| self.report.preview.is_some()) else {
            self.tell(NOTHING_SAVED);
            return Vec::new();
        };
        if file.is_empty() {
            self.tell("Type the path of the file to write.");
            return Vec::new();
        }
        self.report.writing = true;
        let to = Some(self.report.to.trim().to_owned()).filter(|t| !t.is_empty());
        vec![Effect::Report(ReportEffect::Write(Box::new(job), PathBuf::from(file), to))]
    }

    fn report_written(&mut self, result: Result<String, String>) -> Vec<Effect> {
        self.report.writing = false;
        match result {
            Ok(words) => {
                self.report.said = Some(words);
                self.report.file = None;
                self.report.to.clear();
                // The next file to write to is another one, and who received it may stand in the next report.
                self.make_report()
            }
            Err(why) => {
                self.tell(format!("The report is not written: {why}"));
                Vec::new()
            }
        }
    }

    fn copy_paragraph(&mut self) -> Vec<Effect> {
        if self.report.copying {
            return Vec::new();
        }
        let Some(job) = self.report_job() else {
            self.tell(NOTHING_SAVED);
            return Vec::new();
        };
        self.report.copying = true;
        vec![Effect::Report(ReportEffect::Paragraph(Box::new(job)))]
    }

    fn paragraph_made(&mut self, result: Result<Paragraph, String>) -> Vec<Effect> {
        self.report.copying = false;
        match result {
            Ok(made) => {
                let unsaved = if self.unsaved_in_exam() { " What is not saved yet is not in it." } else { "" };
                let unread = made.unread.map_or_else(String::new, |words| format!(" NOT in it: {words}"));
                let readings = counted(made.readings, "saved reading");
                self.tell(format!("The paragraph is on the clipboard, made from {readings} of this exam.{unsaved}{unread}"));
                vec![Effect::Copy(made.text)]
            }
            Err(why) => {
                self.tell(format!("No paragraph: {why}"));
                Vec::new()
            }
        }
    }
}

/// The one after `now`, round and round.
fn after<T: Copy + PartialEq>(all: &[T], now: T) -> T {
    let next = all.iter().position(|x| *x == now).map_or(0, |i| (i + 1) % all.len());
    all.get(next).copied().unwrap_or(now)
}

impl From<ReportAction> for Action {
    fn from(action: ReportAction) -> Self {
        Self::Report(action)
    }
}
