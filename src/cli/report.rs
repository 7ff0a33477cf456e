//! `report`: the report of a saved exam as text, HTML, PDF, a paragraph for the record system, or a page for the patient.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use jiff::civil::Date;

use super::args::{TablesArgs, word};
use super::report_desk::{Found, ReportDesk, template};
use super::{Done, output, tables};
use crate::caseload::{Caseload, Woman};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::report::pdf::Paper;
use crate::report::{self, Avoid, Choices, Form, Making, Wish};

/// Arguments of `report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// What to make
    #[arg(value_enum)]
    pub form: ReportForm,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub folder: Option<PathBuf>,
    /// Key of the patient as `find` shows it, or the patient number
    #[arg(long)]
    pub patient: Option<String>,
    /// Day of the exam, YYYY-MM-DD; the newest when none is named
    #[arg(long)]
    pub exam: Option<Date>,
    /// Every exam that the options leave, a file each
    #[arg(long, requires = "out")]
    pub all: bool,
    /// File or folder with the images; without it there are no pictures
    #[arg(long)]
    pub images: Option<PathBuf>,
    /// File or folder to write to; a file there is replaced
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Size of the paper of a PDF
    #[arg(long, value_enum, default_value = "a4")]
    pub paper: PaperArg,
    /// Name, number and date of birth stand in it
    #[arg(long)]
    pub identity: bool,
    /// Mark it as a draft on every page
    #[arg(long)]
    pub draft: bool,
    /// Other tables, windows of birth by issuing body and groups of women too
    #[arg(long)]
    pub full: bool,
    /// Template of the paragraph; else note-template.txt of the data folder, else the bundled one
    #[arg(long)]
    pub template: Option<PathBuf>,
    /// Language of the patient's page: en, es
    #[arg(long, default_value = "en")]
    pub language: String,
    /// What the patient is told to avoid, as you choose: sex, vagina, exam, exercise, lifting, travel
    #[arg(long, value_parser = word::<Avoid>, value_delimiter = ',')]
    pub avoid: Vec<Avoid>,
    /// Phone number on the patient's page
    #[arg(long)]
    pub phone: Option<String>,
    /// Record that it goes to this person or place, so that a later report can name who holds a void one
    #[arg(long)]
    pub to: Option<String>,
    /// Folder of what was sent; in the user's data folder when none is named
    #[arg(long)]
    pub sent: Option<PathBuf>,
    /// The moment that stands on it, RFC 3339; now when not named
    #[arg(long)]
    pub now: Option<String>,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Paper.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PaperArg {
    /// 210 × 297 mm
    A4,
    /// 8.5 × 11 inches
    Letter,
}

impl From<PaperArg> for Paper {
    fn from(p: PaperArg) -> Self {
        match p {
            PaperArg::A4 => Self::A4,
            PaperArg::Letter => Self::Letter,
        }
    }
}

/// What `report` makes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ReportForm {
    /// Plain text
    Text,
    /// One self-contained page for a browser
    Html,
    /// A page or more to print
    Pdf,
    /// A paragraph for the record system
    Note,
    /// The template of that paragraph, to be edited
    Template,
    /// A page for the patient: plain text
    PatientText,
    /// A page for the patient: HTML
    PatientHtml,
    /// A page for the patient: PDF
    PatientPdf,
}

impl ReportForm {
    /// The form; `None` for the template, which no report is made into.
    const fn form(self) -> Option<Form> {
        Some(match self {
            Self::Text => Form::Text,
            Self::Html => Form::Html,
            Self::Pdf => Form::Pdf,
            Self::Note => Form::Note,
            Self::Template => return None,
            Self::PatientText => Form::PatientText,
            Self::PatientHtml => Form::PatientHtml,
            Self::PatientPdf => Form::PatientPdf,
        })
    }
}

pub(super) fn run(args: &ReportArgs, out: &mut dyn Write) -> Done {
    let Some(form) = args.form.form() else {
        out.write_all(report::TEMPLATE.as_bytes()).map_err(output::broken)?;
        return Ok(ExitCode::SUCCESS);
    };
    let data_dir = files::data_dir()?;
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let desk = ReportDesk::open(&data_dir, args.folder.as_ref(), args.sent.as_deref(), shelf)?;
    let images = args.images.as_ref().map(|path| Found::at(std::slice::from_ref(path))).transpose()?;
    let template = template(&data_dir, args.template.as_deref())?;
    let making = Making {
        paper: args.paper.into(),
        template: &template,
        language: &args.language,
        choices: Choices { avoid: &args.avoid, phone: args.phone.as_deref() },
    };
    let wish = Wish { identity: args.identity, draft: args.draft, full: args.full };
    let chosen = chosen(args, desk.cases())?;
    for (woman, exam) in &chosen {
        let now = args.now.clone().unwrap_or_else(files::now);
        let made = desk.report(woman, *exam, wish, images.as_ref(), &now)?;
        let bytes = making.bytes(&made, form)?;
        let name = format!("{}-{}-{}.{}", form.stem(), woman.key, day(woman, *exam), form.ending());
        match &args.out {
            None if !form.on_paper() => out.write_all(&bytes).map_err(output::broken)?,
            None => {
                return Err(Error::new(ErrorKind::Usage, "a PDF is not printed here")
                    .expected("--out FILE or --out FOLDER")
                    .found("neither"));
            }
            Some(path) => {
                let (dir, name) = place(path, name, chosen.len())?;
                let at = files::replace(&dir, &name, &bytes)?;
                output::line(out, &at.display().to_string())?;
            }
        }
        if let Some(to) = &args.to {
            let at = desk.send(&made, to)?;
            output::line(out, &format!("Sent to {to}: {}", at.display()))?;
        }
    }
    desk.say_damaged();
    Ok(ExitCode::SUCCESS)
}

/// The day of an exam, for a file's name.
fn day(woman: &Woman, exam: usize) -> String {
    let date = woman.exams.get(exam).and_then(|e| e.context.exam_date);
    date.map_or_else(|| format!("undated-{}", exam + 1), |d| d.to_string())
}

/// The exams that were asked for.
fn chosen<'a>(args: &ReportArgs, cases: &'a Caseload) -> Result<Vec<(&'a Woman, usize)>> {
    let of = |w: &&Woman| args.patient.as_ref().is_none_or(|p| w.is(p));
    let women: Vec<&Woman> = cases.women.iter().filter(of).collect();
    let exams = |w: &'a Woman| {
        let on = |i: &usize| args.exam.is_none_or(|d| w.exams.get(*i).and_then(|e| e.context.exam_date) == Some(d));
        (0..w.exams.len()).filter(on).map(move |i| (w, i)).collect::<Vec<_>>()
    };
    let mut found: Vec<(&Woman, usize)> = women.iter().flat_map(|w| exams(w)).collect();
    if found.is_empty() {
        return Err(Error::new(ErrorKind::Usage, "there is no such exam")
            .expected("--patient and --exam as `osspan find` shows them")
            .found(format!("{} patient(s) in the folder", cases.women.len())));
    }
    if args.all {
        return Ok(found);
    }
    if women.len() > 1 {
        return Err(Error::new(ErrorKind::Usage, "the exam is not named")
            .expected("--patient, with the key or number of one patient, or --all")
            .found(format!("{} patients", women.len())));
    }
    // The newest of one patient.
    Ok(found.pop().into_iter().collect())
}

/// Folder and file name of one report.
fn place(out: &Path, name: String, how_many: usize) -> Result<(PathBuf, String)> {
    let file = out.file_name().map(|n| n.to_string_lossy().into_owned());
    match file {
        Some(file) if !out.is_dir() && how_many == 1 && file.contains('.') => Ok((files::folder_of(out).to_path_buf(), file)),
        _ => Ok((out.to_path_buf(), name)),
    }
}
