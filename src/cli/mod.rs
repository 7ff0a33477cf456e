//! Everything that can be done without a window.
//!
//! Exit codes: 0 done; 1 `verify` found a difference, a scale check is beyond
//! tolerance, or an archive does not have everything; 2 bad use; 3 measurement refused (no scale, contradictory
//! landmarks, impossible dates); 4 a file or record cannot be read or written.

pub(crate) mod agree;
pub(crate) mod archive;
mod args;
mod assessment;
mod checkpoint;
pub(crate) mod due;
mod exam;
mod export;
mod find;
mod folder;
mod hand_over;
mod list;
mod notes;
mod output;
mod phantom;
mod practice;
pub(crate) mod profile;
mod read;
mod report;
pub(crate) mod report_desk;
mod review;
mod sample;
mod sheet;
mod sr;
pub(crate) mod tables;
mod told;
mod verify;

pub use agree::{AgreeArgs, PlotOf};
pub use archive::{ArchiveCommand, FetchArgs, FindExamArgs, OutboxArgs, ReceiveArgs, SendArgs};
pub use args::{
    Arguments, CheckpointArgs, Command, DueArgs, ExamValuesArgs, FindArgs, GuidelinesArgs, ListArgs, ReadArgs, SampleArgs, SheetArgs,
    SideArg, TablesArgs, ToldArgs, VerifyArgs,
};
pub use assessment::{AnswerTurnArgs, AssessmentCommand, FreezeArgs, HandInArgs, MarkArgs, ShowArgs, TakeArgs};
pub use export::{ExportCommand, FrameNumbers};
pub use hand_over::{FhirArgs, ReadingsArgs, ReadingsForm};
pub use notes::NotesArgs;
pub use phantom::{CheckArgs, HistoryArgs, PhantomCommand};
pub use practice::{
    AddArgs, AnswerArgs, ConsentArgs, NextArgs, PracticeCommand, PracticeExportArgs, ReasonArg, SubmitArgs, WhoArgs, YesNo,
};
pub use profile::ProfileArgs;
pub use report::{PaperArg, ReportArgs, ReportForm};
pub use review::{ExamArgs, FolderArgs, QueueArgs, ReasonArgs, ReviewCommand, SecondArgs, SettleArgs, SignArgs};
pub use sr::{SrCommand, SrReadArgs, SrWriteArgs};

use std::io::Write;
use std::process::ExitCode;

use crate::error::{Error, Result};

/// Runs one command, printing to standard output; an error goes to standard error in one sentence.
#[must_use]
pub fn run(command: &Command) -> ExitCode {
    let mut out = std::io::stdout().lock();
    let done = match command {
        Command::Read(a) => read::run(a, &mut out),
        Command::List(a) => list::run(a, &mut out),
        Command::Verify(a) => verify::run(a, &mut out),
        Command::Exam(a) => exam::run(a, &mut out),
        Command::Find(a) => find::run(a, &mut out),
        Command::Export(a) => export::run(a, &mut out),
        Command::Checkpoint(a) => checkpoint::run(a, &mut out),
        Command::Agree(a) => agree::run(a, &mut out),
        Command::Sheet(a) => sheet::run(a, &mut out),
        Command::Due(a) => due::run(a, &mut out),
        Command::Told(a) => told::run(a, &mut out),
        Command::Profile(a) => profile::run(a, &mut out),
        Command::Review(a) => review::run(a, &mut out),
        Command::Guidelines(a) => tables::run(a, &mut out),
        Command::Form => output::line(&mut out, crate::context::blank_form().trim_end()).map(|()| ExitCode::SUCCESS),
        Command::Phantom(a) => phantom::run(a, &mut out),
        Command::Assessment(a) => assessment::run(a, &mut out),
        Command::Practice(a) => practice::run(a, &mut out),
        Command::Archive(a) => archive::run(a, &mut out),
        Command::Report(a) => report::run(a, &mut out),
        Command::Readings(a) => hand_over::readings(a, &mut out),
        Command::Fhir(a) => hand_over::fhir(a, &mut out),
        Command::Sample(a) => sample::run(a, &mut out),
        Command::Sr(a) => sr::run(a, &mut out),
    };
    match done.and_then(|code| out.flush().map(|()| code).map_err(output::broken)) {
        Ok(code) => code,
        // Whoever reads the output has had enough of it (`osspan list . | head`): no failure of ours.
        Err(e) if output::reader_gone(&e) => ExitCode::SUCCESS,
        Err(e) => fail(&e),
    }
}

/// Says an error on standard error and gives its exit code.
#[must_use]
pub fn fail(error: &Error) -> ExitCode {
    let mut text = error.to_string();
    if !text.ends_with(['.', ']']) {
        text.push('.');
    }
    // Nothing is left to tell when standard error itself is gone.
    let _ = writeln!(std::io::stderr(), "osspan: {text}");
    ExitCode::from(error.kind().exit_code())
}

/// What a command comes to.
type Done = Result<ExitCode>;
