//! What the page of the report asks of files.

use std::path::{Path, PathBuf};

use crate::cli::report_desk::{Found, ReportDesk, template};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::report::pdf::{self, Letters};
use crate::report::{Choices, Form, Making, Report, note, text};
use crate::viewer::action::Action;
use crate::viewer::session::{Paragraph, Preview, ReportAction, ReportEffect, ReportJob};
use crate::viewer::words::counted;

/// Carries out one effect.
pub(super) fn carry_out(effect: ReportEffect, data_dir: &Path, records: &Path) -> Action {
    Action::Report(match effect {
        ReportEffect::Make(number, job) => {
            ReportAction::Made(number, preview(&job, data_dir, records).map(Box::new).map_err(|e| e.to_string()))
        }
        ReportEffect::Write(job, file, to) => {
            ReportAction::Written(write(&job, &file, to.as_deref(), data_dir, records).map_err(|e| e.to_string()))
        }
        ReportEffect::Paragraph(job) => ReportAction::Paragraph(paragraph(&job, data_dir, records).map_err(|e| e.to_string())),
    })
}

/// The report, the desk it was made at, and how a file of it is called.
fn made(job: &ReportJob, pictures: bool, data_dir: &Path, records: &Path) -> Result<(ReportDesk, Report, String)> {
    let nothing = || Error::new(ErrorKind::Usage, "nothing is saved of this exam that you may see").remedy("Save the reading first (S)");
    if !records.is_dir() {
        return Err(nothing());
    }
    let desk = ReportDesk::of_patient(data_dir, records, job.patient.as_deref(), job.shelf.clone())?;
    let found = desk.cases().women.iter().find_map(|w| {
        let exam = w.exams.iter().position(|e| e.readings.first().is_some_and(|r| r.exam_key() == job.exam))?;
        Some((w, exam))
    });
    // A reading may well have been saved, and its file be damaged.
    let (woman, exam) = found.ok_or_else(|| match not_read(&desk.damaged()) {
        Some(words) => nothing().found(words),
        None => nothing(),
    })?;
    let images = if pictures { Some(Found::at(&job.files)?) } else { None };
    let report = desk.report(woman, exam, job.wish, images.as_ref(), &files::now())?;
    let day = woman.exams.get(exam).and_then(|e| e.context.exam_date).map_or_else(|| "undated".to_owned(), |d| d.to_string());
    let stem = format!("{}-{}-{day}", job.form.stem(), woman.key);
    Ok((desk, report, stem))
}

fn making<'a>(job: &'a ReportJob, template: &'a str) -> Making<'a> {
    let phone = Some(job.phone.as_str()).filter(|p| !p.is_empty());
    Making { paper: job.paper, template, language: job.language, choices: Choices { avoid: &job.avoid, phone } }
}

/// That files could not be read, with the first of them.
fn not_read(damaged: &[String]) -> Option<String> {
    let first = damaged.first()?;
    Some(format!("{} of the records folder could not be read and may belong to it: {first}", counted(damaged.len(), "file")))
}

fn preview(job: &ReportJob, data_dir: &Path, records: &Path) -> Result<Preview> {
    let (desk, report, stem) = made(job, job.form == Form::Pdf, data_dir, records)?;
    let template = template(data_dir, None)?;
    let making = making(job, &template);
    let words = match job.form {
        Form::Pdf | Form::Html | Form::Text => text(&report),
        Form::Note => note(&report, &template)?,
        Form::PatientPdf | Form::PatientHtml | Form::PatientText => making.page(&report)?.text(),
    };
    let letters = Letters::new()?;
    let (pages, watermark) = match job.form {
        Form::Pdf => (pdf::pages(&report, job.paper, &letters), report.standing.watermark().map(str::to_owned)),
        Form::PatientPdf => {
            let page = making.page(&report)?;
            (page.pages(job.paper, &letters), page.watermark(&report))
        }
        _ => (Vec::new(), None),
    };
    let code = report.code();
    let readings = report.records.len();
    let pictures = if job.form == Form::Pdf { report.pictures } else { Vec::new() };
    let file = free(&files::reports_in(data_dir), &stem, job.form.ending());
    let unread = not_read(&desk.damaged());
    Ok(Preview { words, pages, paper: job.paper, pictures, watermark, code, file, readings, unread })
}

/// A file of this name that does not exist yet.
fn free(dir: &Path, stem: &str, ending: &str) -> PathBuf {
    let named = |n: u32| dir.join(if n == 1 { format!("{stem}.{ending}") } else { format!("{stem}-{n}.{ending}") });
    // Beyond that, writing says that the name is taken.
    (1..1000).map(named).find(|p| !p.exists()).unwrap_or_else(|| named(1000))
}

fn write(job: &ReportJob, file: &Path, to: Option<&str>, data_dir: &Path, records: &Path) -> Result<String> {
    let (desk, report, _) = made(job, true, data_dir, records)?;
    let template = template(data_dir, None)?;
    let bytes = making(job, &template).bytes(&report, job.form)?;
    let name = file.file_name().ok_or_else(|| Error::new(ErrorKind::Usage, "the file has no name").at(file))?.to_string_lossy();
    let at = files::publish_new(files::folder_of(file), &name, &bytes)?;
    let mut said = format!("Written: {}.", at.display());
    if let Some(to) = to {
        desk.send(&report, to)?;
        said.push_str(&format!(" Recorded that it goes to {to}."));
    }
    if let Some(words) = not_read(&desk.damaged()) {
        said.push_str(&format!(" NOT in it: {words}"));
    }
    Ok(said)
}

fn paragraph(job: &ReportJob, data_dir: &Path, records: &Path) -> Result<Paragraph> {
    let (desk, report, _) = made(job, false, data_dir, records)?;
    Ok(Paragraph { text: note(&report, &template(data_dir, None)?)?, readings: report.records.len(), unread: not_read(&desk.damaged()) })
}
