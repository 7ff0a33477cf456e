//! `readings`: saved readings as a table for other programs. `fhir`: one exam as FHIR R4.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use jiff::civil::Date;

use super::args::TablesArgs;
use super::folder::Folder;
use super::{Done, output, tables};
use crate::caseload::table_or_first;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::interchange::{fhir, readings};
use crate::review::{not_standing, signed_readings};

/// Arguments of `readings`.
#[derive(Debug, Args)]
pub struct ReadingsArgs {
    /// What to make
    #[arg(value_enum)]
    pub form: ReadingsForm,
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// File to write to; a file there is replaced
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Name, number, date of birth and UIDs go out too; otherwise a key stands for each patient
    #[arg(long)]
    pub identity: bool,
}

/// What `readings` makes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ReadingsForm {
    /// A row for each saved reading, units in the names of the columns
    Csv,
    /// The same as Apache Parquet, with the dictionary in the file
    Parquet,
    /// What each column means, as CSV
    Dictionary,
}

/// Arguments of `fhir`.
#[derive(Debug, Args)]
pub struct FhirArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Key of the patient as `find` shows it, or the patient number
    #[arg(long)]
    pub patient: Option<String>,
    /// Day of the exam, YYYY-MM-DD; the newest when none is named
    #[arg(long)]
    pub exam: Option<Date>,
    /// File to write to; a file there is replaced
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Name, number and date of birth go out too; otherwise a key stands for the patient
    #[arg(long)]
    pub identity: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

pub(super) fn readings(args: &ReadingsArgs, out: &mut dyn Write) -> Done {
    if args.form == ReadingsForm::Dictionary {
        return put(readings::dictionary()?.as_bytes(), args.out.as_deref(), out);
    }
    if args.form == ReadingsForm::Parquet && args.out.is_none() {
        return Err(Error::new(ErrorKind::Usage, "Parquet is not printed here").expected("--out FILE").found("none"));
    }
    let folder = Folder::open(args.folder.as_ref())?;
    let rows = readings::rows(&folder.records, &not_standing(&folder.reviews));
    let bytes = match args.form {
        ReadingsForm::Parquet => parquet(&rows, args.identity)?,
        ReadingsForm::Csv | ReadingsForm::Dictionary => readings::csv(&rows, args.identity)?.into_bytes(),
    };
    put(&bytes, args.out.as_deref(), out)?;
    said_of(&folder)
}

#[cfg(feature = "parquet")]
fn parquet(rows: &[readings::Row<'_>], identity: bool) -> Result<Vec<u8>> {
    readings::parquet::parquet(rows, identity)
}

#[cfg(not(feature = "parquet"))]
fn parquet(_: &[readings::Row<'_>], _: bool) -> Result<Vec<u8>> {
    Err(Error::new(ErrorKind::Usage, "this build has no Parquet")
        .expected("one made with `cargo build --release --features parquet`")
        .remedy("Take csv instead: it holds the same"))
}

pub(super) fn fhir(args: &FhirArgs, out: &mut dyn Write) -> Done {
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let folder = Folder::open(args.folder.as_ref())?;
    let (woman, exam) = folder.exam(args.patient.as_deref(), args.exam)?;
    let saved = woman.exams.get(exam).ok_or_else(|| Error::new(ErrorKind::Usage, "there is no such exam"))?;
    let signed = signed_readings(&folder.reviews);
    let request = fhir::Request {
        woman,
        exam,
        table: &table_or_first(saved, &shelf)?,
        shelf: &shelf,
        identity: args.identity,
        signed: saved.readings.iter().all(|r| signed.contains(r.id())),
    };
    let text = serde_json::to_string_pretty(&fhir::bundle(&request)?)
        .map_err(|e| Error::new(ErrorKind::Record, "the exam cannot be written as FHIR").caused_by(e))?;
    put(format!("{text}\n").as_bytes(), args.out.as_deref(), out)?;
    said_of(&folder)
}

/// To the file, or to standard output where none is named.
fn put(bytes: &[u8], path: Option<&Path>, out: &mut dyn Write) -> Done {
    let Some(path) = path else {
        out.write_all(bytes).map_err(output::broken)?;
        return Ok(ExitCode::SUCCESS);
    };
    let name = path.file_name().and_then(|n| n.to_str()).ok_or_else(|| {
        Error::new(ErrorKind::Usage, "that is no file to write to").expected("--out FILE").found(path.display().to_string())
    })?;
    let at = files::replace(files::folder_of(path), name, bytes)?;
    output::line(out, &at.display().to_string())?;
    Ok(ExitCode::SUCCESS)
}

/// What is written is right, but not of everything in the folder.
fn said_of(folder: &Folder) -> Done {
    folder.say_damaged();
    Ok(output::all_of_it(&folder.damaged))
}
