//! `sr`: exams as DICOM structured reports, and what structured reports say.

use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use jiff::civil::Date;

use super::folder::Folder;
use super::{Done, output, profile, tables};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::guideline::capital;
use crate::interchange::sr::{self, Document, Identity, OurReport, StoredImages, Template, others, scanner};
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::measure::words;
use crate::record::{Onlooker, ReadingRecord, study_key, unseen};

/// What of a structured report.
#[derive(Debug, Subcommand)]
pub enum SrCommand {
    /// Write exams as measurement reports (TID 1500), one file an exam
    Write(SrWriteArgs),
    /// Say what structured reports hold, ours and others', and how they differ from our saved readings of the same frames
    Read(SrReadArgs),
    /// Print the codes that reports use, standard and own, with where each was looked up
    Codes,
}

/// Arguments of `sr write`.
#[derive(Debug, Args)]
pub struct SrWriteArgs {
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
    /// Folder with the images that were read: a report names the very frames, and they are looked at first
    #[arg(long)]
    pub images: PathBuf,
    /// Folder for the reports
    #[arg(long)]
    pub to: PathBuf,
    /// One patient only, by key or number as `osspan find` shows them
    #[arg(long)]
    pub patient: Option<String>,
    /// One day only
    #[arg(long)]
    pub exam: Option<Date>,
    /// With names, dates, the reader's own words and the whole records; without it all of them are withheld
    #[arg(long)]
    pub identity: bool,
}

/// Arguments of `sr read`.
#[derive(Debug, Args)]
pub struct SrReadArgs {
    /// The reports
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Folder of records to compare with; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
    /// Folder with the images that the reports refer to: sizes and frame numbers are held against them
    #[arg(long)]
    pub images: Option<PathBuf>,
    /// Print, of a scanner's report, only the lines of a form for read --context
    #[arg(long)]
    pub form: bool,
}

pub(super) fn run(command: &SrCommand, out: &mut dyn Write) -> Done {
    match command {
        SrCommand::Write(args) => write(args, out),
        SrCommand::Read(args) => read(args, out),
        SrCommand::Codes => codes(out),
    }
}

fn stored_files(folder: &Path) -> Result<Vec<StoredFile>> {
    Ok(scan(folder, &mut |_| ControlFlow::Continue(()))?.exams.into_iter().flat_map(|e| e.files).collect())
}

/// The reports of the exams that `files` belong to, with identity, of readings that this workstation's reader may see; and why
/// there is none of an exam that has readings.
pub(crate) fn reports(data_dir: &Path, records: &Path, files: &[StoredFile]) -> Result<(Vec<sr::Written>, Vec<String>)> {
    let saved = Folder::of(&profile::store_in(data_dir, records)?)?;
    let images = StoredImages::of(files);
    let (shelf, _) = tables::shelf(&[])?;
    let here = |uid: &String| files.iter().any(|f| f.facts().study_instance_uid.as_ref() == Some(uid));
    let (mut written, mut left_out) = (Vec::new(), Vec::new());
    let exams = saved.cases.women.iter().flat_map(|w| &w.exams);
    for exam in exams.filter(|e| e.readings.iter().any(|r| r.study_instance_uid.as_ref().is_some_and(here))) {
        let (reviews, signers) = (&saved.reviews, &saved.signers);
        match sr::of_exam(&sr::Request { exam, reviews, signers, shelf: &shelf, images: &images, identity: Identity::Shown }) {
            Ok(report) => {
                left_out.extend(report.left_out.iter().cloned());
                written.push(report);
            }
            Err(e) => left_out.push(e.message()),
        }
    }
    left_out.extend(saved.damaged.iter().map(|e| format!("not a record: {}", e.message())));
    Ok((written, left_out))
}

fn write(args: &SrWriteArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.records {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let saved = Folder::of(&profile::store(&folder)?)?;
    let files = stored_files(&args.images)?;
    let images = StoredImages::of(&files);
    let (shelf, _) = tables::shelf(&[])?;
    let identity = if args.identity { Identity::Shown } else { Identity::Withheld };
    let wanted = |w: &&crate::caseload::Woman| args.patient.as_ref().is_none_or(|p| w.is(p));
    let exams = saved.cases.women.iter().filter(wanted).flat_map(|w| &w.exams);
    let (mut written, mut code) = (0, ExitCode::SUCCESS);
    for exam in exams.filter(|e| args.exam.is_none_or(|d| e.context.exam_date == Some(d))) {
        let request = sr::Request { exam, reviews: &saved.reviews, signers: &saved.signers, shelf: &shelf, images: &images, identity };
        let key = exam.readings.first().map_or_else(String::new, ReadingRecord::exam_key);
        let report = match sr::of_exam(&request) {
            Ok(report) => report,
            // One exam without its images does not keep the others from being written.
            Err(e) => {
                output::wrapped(out, &format!("exam {key}  not written: "), &e.message())?;
                code = ExitCode::from(e.kind().exit_code());
                continue;
            }
        };
        let path = files::replace(&args.to, &format!("structured-report-{key}.dcm"), &report.bytes)?;
        output::line(out, &format!("{}  {} reading(s), {} image(s)", path.display(), exam.readings.len(), report.evidence.len()))?;
        for why in &report.left_out {
            output::wrapped(out, "  left out  ", why)?;
        }
        written += 1;
    }
    saved.say_damaged();
    if written == 0 && code == ExitCode::SUCCESS {
        return Err(Error::new(ErrorKind::Usage, "no report was written")
            .expected("an exam with saved readings")
            .found("none")
            .at(&folder));
    }
    Ok(code)
}

/// What comes of one report.
enum Outcome {
    Read,
    /// Its coded content is not what its records say.
    Changed,
}

fn read(args: &SrReadArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.records {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let saved = if folder.is_dir() { Folder::of(&profile::store(&folder)?)? } else { Folder::default() };
    let files = args.images.as_deref().map(stored_files).transpose()?.unwrap_or_default();
    let images = StoredImages::of(&files);
    let reader = Reader { saved: &saved, images: &images, onlooker: profile::onlooker(&files::data_dir()?)?, form: args.form };
    let mut code = ExitCode::SUCCESS;
    for file in &args.files {
        match reader.report(file, out) {
            Ok(Outcome::Read) => {}
            Ok(Outcome::Changed) => code = ExitCode::from(1),
            // One that cannot be read does not keep the others from being read.
            Err(e) if args.files.len() > 1 && !output::reader_gone(&e) => code = super::fail(&e),
            Err(e) => return Err(e),
        }
    }
    saved.say_damaged();
    Ok(code)
}

struct Reader<'a> {
    saved: &'a Folder,
    images: &'a StoredImages<'a>,
    onlooker: Option<Onlooker>,
    form: bool,
}

impl Reader<'_> {
    fn report(&self, file: &Path, out: &mut dyn Write) -> Result<Outcome> {
        let document = files::read_bytes(file, sr::LONGEST).and_then(|b| Document::from_bytes(&b)).map_err(|e| e.at(file))?;
        let template = sr::check(&document, &|uid| self.images.known(uid)).map_err(|e| e.at(file))?;
        let print = !self.form;
        if print {
            output::line(out, &format!("{}", file.display()))?;
        }
        match template {
            Template::ObGyn => self.scanner(&document, out).map(|()| Outcome::Read),
            _ if self.form => Err(Error::new(ErrorKind::Usage, "there is no form of this report")
                .expected("a scanner's OB-GYN report, template 5000")
                .found("a measurement report")
                .at(file)),
            Template::MeasurementReport => self.measurements(&document, out),
        }
    }

    /// Whether the reader has still to read this exam without seeing others' readings.
    fn is_unseen(&self, document: &Document, by: &str) -> bool {
        let Some(who) = &self.onlooker else { return false };
        let key = study_key(&document.study_uid);
        let mut all: Vec<crate::record::Saved> = self.saved.records.iter().map(ReadingRecord::saved).filter(|s| s.exam == key).collect();
        // The report is another's reading of it; which frame decides nothing that the reader's own do not.
        let frame = all.iter().find(|s| s.reader == who.reader.trim()).map(|s| s.frame.clone()).unwrap_or_default();
        all.push(crate::record::Saved { exam: key.clone(), reader: by.to_owned(), frame, same_frames: false });
        unseen(who, all).contains(&key)
    }

    fn measurements(&self, document: &Document, out: &mut dyn Write) -> Result<Outcome> {
        let ours = if sr::check::is_ours(&document.root) { Some(sr::ours(document)?) } else { None };
        if self.is_unseen(document, ours.as_ref().map_or("", |o| o.reader.as_str())) {
            output::line(out, "  An exam that you have still to read: nothing of another's reading is shown before yours is saved")?;
            return Ok(Outcome::Read);
        }
        match ours {
            Some(report) => self.own(&report, out),
            None => self.others(document, out).map(|()| Outcome::Read),
        }
    }

    fn own(&self, report: &OurReport, out: &mut dyn Write) -> Result<Outcome> {
        let review = report.exam.review.as_ref().map_or("", |c| c.meaning.as_ref());
        output::line(out, &format!("  Measurement report by {} · read by {} · {review}", report.device, report.reader))?;
        for step in &report.exam.steps {
            output::wrapped(out, "    ", step)?;
        }
        if let Some(words) = &report.exam.words {
            output::wrapped(out, "  Exam: ", words)?;
        }
        for r in &report.readings {
            let frame = r.image.frames.first().map_or_else(String::new, |n| format!(" frame {n}"));
            output::line(out, &format!("  {}{frame}", r.image.instance_uid))?;
            output::wrapped(out, "    ", &r.headline)?;
            if let Some(interval) = r.distance.as_ref().and_then(|d| d.interval) {
                let basis = r.scale.as_ref().map_or_else(String::new, |s| format!(" · scale {}", s.basis));
                output::wrapped(out, "    ", &(words::interval_words(&interval, |v| format!("{:.1}", v.abs())) + &basis))?;
            }
            if let Some(why) = &r.no_scale {
                output::wrapped(out, "    ", why)?;
            }
            if let Some((finding, [table, edition, _])) = &r.finding {
                output::wrapped(out, "    ", &format!("{} · {table}, {edition}", finding.meaning))?;
            }
            let here = if r.is_among(&self.saved.records) { "saved here" } else { "not saved here" };
            output::line(out, &format!("    reading {} · {here}", r.record.get(..20).unwrap_or(&r.record)))?;
            for (id, sentences) in r.beside(&self.saved.records) {
                output::wrapped(out, "    - ", &format!("{} [{}]", sentences.join(" "), id.get(..20).unwrap_or(&id)))?;
            }
        }
        for why in &report.exam.left_out {
            output::wrapped(out, "  left out  ", why)?;
        }
        for d in &report.differences {
            output::wrapped(out, "  ! ", &format!("Changed after it was written: {}: expected {}, found {}", d.what, d.expected, d.found))?;
        }
        for caution in &report.exam.cautions {
            output::wrapped(out, "  - ", caution)?;
        }
        Ok(if report.differences.is_empty() { Outcome::Read } else { Outcome::Changed })
    }

    fn others(&self, document: &Document, out: &mut dyn Write) -> Result<()> {
        let (found, rest) = others::distances(document);
        output::line(out, &format!("  Measurement report of others: {} distance(s), {rest} other measurement(s)", found.len()))?;
        for one in &found {
            match one {
                Err(refused) => output::wrapped(out, "    ! ", &format!("{} is not taken: {}", refused.what, refused.why))?,
                Ok(d) => {
                    let of: Vec<&str> = d.of.iter().map(|c| c.meaning.as_ref()).collect();
                    let by = d.observer.as_deref().unwrap_or("nobody named");
                    output::line(out, &format!("    {:.2} mm ({} {}) · {} · by {by}", d.mm.get(), d.stated.0, d.stated.1, of.join(", ")))?;
                    let beside = others::beside(d, &self.saved.records);
                    if beside.is_empty() {
                        output::line(out, "      No reading of that frame is saved here")?;
                    }
                    for b in beside {
                        let short = b.record.get(..20).unwrap_or(&b.record).to_owned();
                        output::wrapped(out, "      - ", &format!("{} [{short}]", b.words().join(" ")))?;
                    }
                }
            }
        }
        Ok(())
    }

    fn scanner(&self, document: &Document, out: &mut dyn Write) -> Result<()> {
        let mut report = scanner::scanner(document);
        let hidden = self.is_unseen(document, "") && !report.distances.is_empty();
        if hidden {
            report.distances.clear();
        }
        if self.form {
            return output::line(out, report.form()?.trim_end());
        }
        output::line(out, "  OB-GYN report of a scanner")?;
        if report.is_empty() && !hidden {
            output::line(out, "    Nothing in it that a reading can use")?;
        }
        if let Some((dating, concept)) = &report.dating {
            output::line(out, &format!("    {} ({})", capital(&dating.words()), concept.meaning))?;
        }
        for l in report.cervix.iter().chain(&report.distances) {
            output::line(out, &format!("    {} {:.1} mm", l.concept.meaning, l.mm.get()))?;
        }
        if hidden {
            output::line(out, "    Its own distance is not shown before your reading of the exam is saved")?;
        }
        for refused in &report.refused {
            output::wrapped(out, "    ! ", &format!("{} is not taken: {}", capital(&refused.what), refused.why))?;
        }
        let of_study =
            |e: &&crate::caseload::SavedExam| e.readings.iter().any(|r| r.study_instance_uid.as_ref() == Some(&document.study_uid));
        for exam in self.saved.cases.women.iter().flat_map(|w| &w.exams).filter(of_study) {
            for sentence in report.against(exam) {
                output::wrapped(out, "    - ", &sentence)?;
            }
        }
        Ok(())
    }
}

fn codes(out: &mut dyn Write) -> Done {
    for (code, seen) in sr::codes::ALL {
        output::line(out, &format!("{}\t{}\t{}\t{}", code.value, code.scheme, code.meaning, seen.words()))?;
    }
    Ok(ExitCode::SUCCESS)
}
