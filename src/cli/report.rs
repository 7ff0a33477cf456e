//! `report`: the report of a saved exam as text, HTML, PDF, a paragraph for the record system, or a page for the patient.

use std::cell::RefCell;
use std::collections::HashMap;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use jiff::civil::Date;

use super::args::{TablesArgs, word};
use super::{Done, output, profile, tables};
use crate::caseload::{Caseload, Woman, table_or_first};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::FrameId;
use crate::guideline::Shelf;
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::record::{ReadingRecord, Signer};
use crate::report::{self, Avoid, Choices, Images, Issued, Language, PatientPage, Raster, Report, Request};
use crate::review::{ExamReview, exams, not_standing};

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

impl From<PaperArg> for crate::report::pdf::Paper {
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
    /// How the names of its files begin.
    #[must_use]
    pub const fn stem(self) -> &'static str {
        match self {
            Self::Text | Self::Html | Self::Pdf => "report",
            Self::Note | Self::Template => "note",
            Self::PatientText | Self::PatientHtml | Self::PatientPdf => "patient",
        }
    }

    /// How they end.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Text | Self::Note | Self::Template | Self::PatientText => "txt",
            Self::Html | Self::PatientHtml => "html",
            Self::Pdf | Self::PatientPdf => "pdf",
        }
    }

    /// Whether it can go to the terminal.
    #[must_use]
    pub const fn is_text(self) -> bool {
        !matches!(self, Self::Pdf | Self::PatientPdf)
    }
}

pub(super) fn run(args: &ReportArgs, out: &mut dyn Write) -> Done {
    if args.form == ReportForm::Template {
        out.write_all(report::TEMPLATE.as_bytes()).map_err(output::broken)?;
        return Ok(ExitCode::SUCCESS);
    }
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let store = profile::store(&folder)?;
    let (stored, mut damaged) = store.load()?;
    if stored.is_empty() {
        return Err(damaged.into_iter().next().unwrap_or_else(|| {
            Error::new(ErrorKind::Io, "there are no records").expected("a folder of saved readings").found("none").at(&folder)
        }));
    }
    let (told, more) = store.told()?;
    damaged.extend(more);
    let told: Vec<_> = told.into_iter().map(|t| t.record).collect();
    let all: Vec<ReadingRecord> = stored.into_iter().map(|s| s.record).collect();
    let sent_dir = match &args.sent {
        Some(d) => d.clone(),
        None => files::data_dir()?.join("sent-reports"),
    };
    // Before the first report is sent there is no such folder.
    let (issued, more) = if sent_dir.is_dir() { Issued::load(&sent_dir)? } else { (Vec::new(), Vec::new()) };
    damaged.extend(more);
    let (steps, more) = store.reviews()?;
    damaged.extend(more);
    let steps: Vec<_> = steps.into_iter().map(|s| s.record).collect();
    let reviews = exams(&all, &steps);
    let cases = Caseload::reviewed(all.clone(), &told, &not_standing(&reviews));
    let images = args.images.as_deref().map(Found::at).transpose()?;
    let maker = Maker {
        args,
        shelf: &shelf,
        all: &all,
        issued: &issued,
        reviews: &reviews,
        signers: store.signers(),
        images: images.as_ref(),
        template: template(args)?,
    };
    let chosen = chosen(args, &cases)?;
    for (woman, exam) in &chosen {
        let made = maker.report(woman, *exam)?;
        let bytes = maker.bytes(&made)?;
        let name = format!("{}-{}-{}.{}", args.form.stem(), woman.key, day(woman, *exam), args.form.ending());
        match &args.out {
            None if args.form.is_text() => out.write_all(&bytes).map_err(output::broken)?,
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
            let at = Issued::new(&made, to)?.save(&sent_dir)?;
            output::line(out, &format!("Sent to {to}: {}", at.display()))?;
        }
    }
    for e in &damaged {
        let _ = writeln!(std::io::stderr(), "osspan: not a record: {e}");
    }
    Ok(ExitCode::SUCCESS)
}

struct Maker<'a> {
    args: &'a ReportArgs,
    shelf: &'a Shelf,
    all: &'a [ReadingRecord],
    issued: &'a [Issued],
    reviews: &'a [ExamReview],
    signers: &'a [Signer],
    images: Option<&'a Found>,
    template: String,
}

impl Maker<'_> {
    fn report(&self, woman: &Woman, exam: usize) -> Result<Report> {
        let saved = woman.exams.get(exam).ok_or_else(|| Error::new(ErrorKind::Usage, "there is no such exam"))?;
        let table = table_or_first(saved, self.shelf)?;
        let none = report::NoImages;
        Report::of(&Request {
            woman,
            exam,
            table: &table,
            shelf: self.shelf,
            all: self.all,
            issued: self.issued,
            images: self.images.map_or(&none as &dyn Images, |f| f),
            identity: self.args.identity,
            draft: self.args.draft,
            full: self.args.full,
            reviews: self.reviews,
            signers: self.signers,
            made_at: &self.args.now.clone().unwrap_or_else(files::now),
        })
    }

    fn page(&self, made: &Report) -> Result<PatientPage> {
        let choices = Choices { avoid: &self.args.avoid, phone: self.args.phone.as_deref() };
        Ok(report::patient_page(made, &Language::bundled(&self.args.language)?, choices))
    }

    fn bytes(&self, made: &Report) -> Result<Vec<u8>> {
        Ok(match self.args.form {
            ReportForm::Text => report::text(made).into_bytes(),
            ReportForm::Html => report::html(made)?.into_bytes(),
            ReportForm::Pdf => report::pdf::pdf(made, self.args.paper.into())?,
            ReportForm::Note => report::note(made, &self.template)?.into_bytes(),
            ReportForm::Template => report::TEMPLATE.as_bytes().to_vec(),
            ReportForm::PatientText => self.page(made)?.text().into_bytes(),
            ReportForm::PatientHtml => report::patient_html(&self.page(made)?)?.into_bytes(),
            ReportForm::PatientPdf => self.page(made)?.pdf(made, self.args.paper.into())?,
        })
    }
}

/// The template of the paragraph: the one that was named, the department's, or the bundled one.
fn template(args: &ReportArgs) -> Result<String> {
    let own = files::data_dir().map(|d| d.join("note-template.txt")).ok().filter(|p| p.is_file());
    match args.template.as_ref().or(own.as_ref()) {
        Some(path) => files::read_text(path, report::LONGEST_TEMPLATE),
        None => Ok(report::TEMPLATE.to_owned()),
    }
}

/// The day of an exam, for a file's name.
fn day(woman: &Woman, exam: usize) -> String {
    let date = woman.exams.get(exam).and_then(|e| e.context.exam_date);
    date.map_or_else(|| format!("undated-{}", exam + 1), |d| d.to_string())
}

/// The exams that were asked for.
fn chosen<'a>(args: &ReportArgs, cases: &'a Caseload) -> Result<Vec<(&'a Woman, usize)>> {
    let of = |w: &&Woman| args.patient.as_ref().is_none_or(|p| w.key == *p || w.patient.number.as_ref() == Some(p));
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
        Some(file) if !out.is_dir() && how_many == 1 && file.contains('.') => {
            let dir = out.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_path_buf);
            Ok((dir, file))
        }
        _ => Ok((out.to_path_buf(), name)),
    }
}

/// Frames of a folder, found again by their digests.
struct Found {
    files: Vec<StoredFile>,
    by_uid: HashMap<String, usize>,
    /// Which file a digest turned up in, so that captures are decoded once.
    seen: RefCell<HashMap<String, (usize, u32)>>,
}

impl Found {
    fn at(path: &Path) -> Result<Self> {
        let files: Vec<StoredFile> = scan(path, &mut |_| ControlFlow::Continue(()))?.exams.into_iter().flat_map(|e| e.files).collect();
        let by_uid = files.iter().enumerate().filter_map(|(i, f)| Some((f.facts().sop_instance_uid.clone()?, i))).collect();
        Ok(Self { files, by_uid, seen: RefCell::default() })
    }

    fn read(&self, file: usize, number: u32, wanted: &FrameId) -> Option<Raster> {
        let frame = self.files.get(file)?.frame(number).ok()?;
        self.seen.borrow_mut().insert(frame.id.sha256.clone(), (file, number));
        (frame.id.sha256 == wanted.sha256).then(|| Raster { width: frame.width, height: frame.height, rgba: frame.to_rgba8() })
    }
}

impl Images for Found {
    fn picture(&self, wanted: &FrameId) -> Result<Raster, String> {
        let known = self.seen.borrow().get(&wanted.sha256).copied();
        if let Some(found) = known.and_then(|(file, number)| self.read(file, number, wanted)) {
            return Ok(found);
        }
        if let Some(file) = wanted.sop_instance_uid.as_ref().and_then(|uid| self.by_uid.get(uid)) {
            return self
                .read(*file, wanted.frame_number, wanted)
                .ok_or_else(|| "the image at hand differs from the one that was read".to_owned());
        }
        let unnamed = self.files.iter().enumerate().filter(|(_, f)| f.facts().sop_instance_uid.is_none());
        unnamed
            .filter(|(_, f)| wanted.frame_number <= f.frame_count())
            .find_map(|(i, _)| self.read(i, wanted.frame_number, wanted))
            .ok_or_else(|| "its image is not among those named".to_owned())
    }
}
