//! `sr`: exams as DICOM structured reports, and what structured reports say.

use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use jiff::civil::Date;

use super::{Done, output, profile, tables};
use crate::caseload::Caseload;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::interchange::sr::{self, Identity, StoredImages};
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::record::ReadingRecord;
use crate::review::{ExamReview, exams, not_standing};

/// What of a structured report.
#[derive(Debug, Subcommand)]
pub enum SrCommand {
    /// Write exams as measurement reports (TID 1500), one file an exam
    Write(SrWriteArgs),
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

pub(super) fn run(command: &SrCommand, out: &mut dyn Write) -> Done {
    match command {
        SrCommand::Write(args) => write(args, out),
        SrCommand::Codes => codes(out),
    }
}

/// The saved readings of a folder and their reviews, as this reader may see them.
struct Saved {
    records: Vec<ReadingRecord>,
    reviews: Vec<ExamReview>,
    signers: Vec<crate::record::Signer>,
    told: Vec<crate::record::ToldRecord>,
    damaged: Vec<Error>,
}

impl Saved {
    fn load(folder: &Path) -> Result<Self> {
        let store = profile::store(folder)?;
        let (stored, mut damaged) = store.load()?;
        let records: Vec<ReadingRecord> = stored.into_iter().map(|s| s.record).collect();
        let (steps, more) = store.reviews()?;
        damaged.extend(more);
        let steps: Vec<_> = steps.into_iter().map(|s| s.record).collect();
        let (told, more) = store.told()?;
        damaged.extend(more);
        let reviews = exams(&records, &steps);
        let told = told.into_iter().map(|t| t.record).collect();
        Ok(Self { records, reviews, signers: store.signers().to_vec(), told, damaged })
    }

    fn say_damaged(&self) {
        for e in &self.damaged {
            let _ = writeln!(std::io::stderr(), "osspan: not a record: {e}");
        }
    }
}

fn stored_files(folder: &Path) -> Result<Vec<StoredFile>> {
    Ok(scan(folder, &mut |_| ControlFlow::Continue(()))?.exams.into_iter().flat_map(|e| e.files).collect())
}

fn write(args: &SrWriteArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.records {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let saved = Saved::load(&folder)?;
    let files = stored_files(&args.images)?;
    let images = StoredImages::of(&files);
    let (shelf, _) = tables::shelf(&[])?;
    let cases = Caseload::reviewed(saved.records.clone(), &saved.told, &not_standing(&saved.reviews));
    let identity = if args.identity { Identity::Shown } else { Identity::Withheld };
    let wanted = |w: &&crate::caseload::Woman| args.patient.as_ref().is_none_or(|p| w.key == *p || w.patient.number.as_ref() == Some(p));
    let exams = cases.women.iter().filter(wanted).flat_map(|w| &w.exams);
    let mut written = 0;
    for exam in exams.filter(|e| args.exam.is_none_or(|d| e.context.exam_date == Some(d))) {
        let request = sr::Request { exam, reviews: &saved.reviews, signers: &saved.signers, shelf: &shelf, images: &images, identity };
        let report = sr::of_exam(&request)?;
        let key = exam.readings.first().map_or_else(String::new, ReadingRecord::exam_key);
        let path = files::replace(&args.to, &format!("structured-report-{key}.dcm"), &report.bytes)?;
        output::line(out, &format!("{}  {} reading(s), {} image(s)", path.display(), exam.readings.len(), report.evidence.len()))?;
        for why in &report.left_out {
            output::wrapped(out, "  left out  ", why)?;
        }
        written += 1;
    }
    saved.say_damaged();
    if written == 0 {
        return Err(Error::new(ErrorKind::Usage, "no report was written")
            .expected("an exam with saved readings")
            .found("none")
            .at(&folder));
    }
    Ok(ExitCode::SUCCESS)
}

fn codes(out: &mut dyn Write) -> Done {
    for (code, seen) in sr::codes::ALL {
        output::line(out, &format!("{}\t{}\t{}\t{}", code.value, code.scheme, code.meaning, seen.words()))?;
    }
    Ok(ExitCode::SUCCESS)
}
