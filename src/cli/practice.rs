//! `practice`: the course without a window, its scores, and a department's own cases.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand, ValueEnum};

use super::args::{FarEndArgs, SideArg, point};
use super::{Done, TablesArgs, output, profile, tables};
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, Settings};
use crate::guideline::{Shelf, Table};
use crate::load::StoredFile;
use crate::measure::Landmarks;
use crate::practice::own::{check_approved, consensus, rejected};
use crate::practice::{
    Answer, Attempt, Desk, KINDER, LEVELS, Level, Marked, ROW_NOTE, Reason, Source, competence, error_words, score, score_lines, to_csv,
    to_json,
};
use crate::record::{ReadingRecord, Role, Store};
use crate::units::PxPoint;

/// What of practice.
#[derive(Debug, Subcommand)]
pub enum PracticeCommand {
    /// The levels of the course, and how far you are
    Levels(WhoArgs),
    /// The next case: its frame, and the sonographer's line that comes with it
    Next(NextArgs),
    /// Answer the open case, and see what is true of it
    Submit(Box<SubmitArgs>),
    /// Your scores by level, the competence chart, and own cases apart
    Score(WhoArgs),
    /// Your answered cases as a table
    Export(PracticeExportArgs),
    /// Let your own placement widen your clinical readings, or no longer; it never narrows them
    Consent(ConsentArgs),
    /// Add a frame of a teaching set as an own case, with the consensus of its readers as truth
    Add(AddArgs),
}

/// Who practises.
#[derive(Clone, Debug, Args)]
pub struct WhoArgs {
    /// The trainee; the reader of this workstation when none is named
    #[arg(long)]
    pub reader: Option<String>,
}

/// Which case.
#[derive(Debug, Args)]
pub struct NextArgs {
    /// Level of the course, 1 to 6
    #[arg(long, value_parser = level, default_value = "1")]
    pub level: Level,
    /// A department's own case instead
    #[arg(long)]
    pub own: bool,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// Landmarks and side of an answer, or why the frame is not read.
#[derive(Debug, Args)]
pub struct AnswerArgs {
    /// Internal os, "x,y"
    #[arg(long, value_parser = point, allow_hyphen_values = true, required_unless_present = "reject")]
    pub os: Option<PxPoint>,
    /// The far end, and the placental body
    #[command(flatten)]
    pub far_end: FarEndArgs,
    /// Where the placenta lies, as you see it
    #[arg(long, value_enum, required_unless_present = "reject")]
    pub side: Option<SideArg>,
    /// The frame is not to be read, and why
    #[arg(long, value_enum, conflicts_with_all = ["os", "mark", "side"])]
    pub reject: Option<ReasonArg>,
}

/// An answer.
#[derive(Debug, Args)]
pub struct SubmitArgs {
    /// The case's identifier, as next prints it
    pub case: String,
    /// The answer
    #[command(flatten)]
    pub answer: AnswerArgs,
    /// Guideline table to mark the finding under; the one of this workstation when none is named
    #[arg(long)]
    pub guideline: Option<String>,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// Where a table goes.
#[derive(Debug, Args)]
pub struct PracticeExportArgs {
    /// As JSON instead of comma-separated text
    #[arg(long)]
    pub json: bool,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// Consent.
#[derive(Debug, Args)]
pub struct ConsentArgs {
    /// yes or no
    #[arg(value_enum)]
    pub answer: YesNo,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// An own case.
#[derive(Debug, Args)]
pub struct AddArgs {
    /// A frame of a written teaching set
    pub frame: PathBuf,
    /// Folder of the set's records: the consensus of at least two readers of the frame is its truth
    #[arg(long, required_unless_present = "reject")]
    pub records: Option<PathBuf>,
    /// The frame is not to be read, and why
    #[arg(long, value_enum, conflicts_with = "records")]
    pub reject: Option<ReasonArg>,
    /// Why it is so, for whoever has answered
    #[arg(long)]
    pub why: String,
    /// What the sweep showed, for whoever is to answer
    #[arg(long, default_value = "Nothing more is known of the sweep.")]
    pub note: String,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// A reason as typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ReasonArg {
    /// Full bladder
    FullBladder,
    /// Contraction of the wall
    Contraction,
    /// Plane off the shortest way
    OffAxis,
    /// No scale
    NoScale,
    /// A landmark cannot be made out
    NotSeen,
}

impl From<ReasonArg> for Reason {
    fn from(r: ReasonArg) -> Self {
        match r {
            ReasonArg::FullBladder => Self::FullBladder,
            ReasonArg::Contraction => Self::Contraction,
            ReasonArg::OffAxis => Self::OffAxis,
            ReasonArg::NoScale => Self::NoScale,
            ReasonArg::NotSeen => Self::NotSeen,
        }
    }
}

/// Yes or no.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum YesNo {
    /// Yes
    Yes,
    /// No
    No,
}

fn level(text: &str) -> Result<Level, String> {
    text.parse().ok().and_then(Level::of).ok_or_else(|| format!("expected a level from 1 to {}, found \"{text}\"", LEVELS.len()))
}

impl AnswerArgs {
    /// The answer that was typed.
    pub(super) fn answer(&self) -> Result<Answer> {
        if let Some(reason) = self.reject {
            return Ok(Answer::Reject { reason: reason.into() });
        }
        let incomplete = |expected: &str| Error::new(ErrorKind::Usage, "the answer is not complete").expected(expected).found("none");
        let edge = self.far_end.mark().ok_or_else(|| incomplete("--edge, --last-placenta or --wall-end"))?;
        let internal_os = self.os.ok_or_else(|| incomplete("--os"))?;
        let side = self.side.ok_or_else(|| incomplete("--side"))?.into();
        Ok(Answer::Read { landmarks: Landmarks { internal_os, edge, placental_body: self.far_end.body, marginal_sinus: None }, side })
    }
}

/// The practice of whoever is named, else of this workstation's reader.
pub(super) fn desk(who: &WhoArgs) -> Result<Desk> {
    let data_dir = files::data_dir()?;
    let named = match &who.reader {
        Some(name) => Some(name.clone()),
        None => profile::onlooker(&data_dir)?.map(|o| o.reader),
    };
    Desk::open(&data_dir, &named.unwrap_or_default())
}

/// The table that was named, else the one of this workstation.
pub(super) fn table<'a>(named: Option<&str>, shelf: &'a Shelf, faults: &[Error]) -> Result<&'a Table> {
    let kept = Settings::load(&files::data_dir()?)?.guideline;
    match named.or(kept.as_deref()) {
        Some(id) => tables::choose(shelf, faults, id),
        None => Err(Error::new(ErrorKind::Usage, "no guideline table is named").expected("--guideline").found("none")),
    }
}

pub(super) fn run(command: &PracticeCommand, out: &mut dyn Write) -> Done {
    match command {
        PracticeCommand::Levels(who) => levels(who, out)?,
        PracticeCommand::Next(a) => {
            let given = desk(&a.who)?.next((!a.own).then_some(a.level), &files::now())?;
            output::line(out, &format!("Case: {}", given.case.id))?;
            output::line(out, &format!("Frame: {}", given.frame.display()))?;
            output::wrapped(out, "", &given.note)?;
        }
        PracticeCommand::Submit(a) => submit(a, out)?,
        PracticeCommand::Score(who) => {
            let desk = desk(who)?;
            let (attempts, faults) = desk.attempts()?;
            show_scores(&attempts, out)?;
            output::wrapped(out, "", &desk.placement_by(&attempts)?.words())?;
            check(&attempts, out)?;
            faults.iter().try_for_each(|e| output::line(out, &format!("Left out: {e}")))?;
        }
        PracticeCommand::Export(a) => {
            let (attempts, faults) = desk(&a.who)?.attempts()?;
            let text = if a.json { to_json(&attempts)? } else { to_csv(&attempts)? };
            write!(out, "{text}").map_err(output::broken)?;
            // A table has no room for remarks: they go to standard error.
            if !a.json {
                let _ = writeln!(std::io::stderr(), "{KINDER} {ROW_NOTE}");
            }
            for e in &faults {
                let _ = writeln!(std::io::stderr(), "Left out: {e}");
            }
        }
        PracticeCommand::Consent(a) => {
            let desk = desk(&a.who)?;
            desk.set_consent(a.answer == YesNo::Yes, &files::now())?;
            output::wrapped(out, "", &desk.placement()?.words())?;
            output::wrapped(out, "", "Readings that are saved already keep the uncertainty that they were saved with.")?;
        }
        PracticeCommand::Add(a) => add(a, out)?,
    }
    Ok(ExitCode::SUCCESS)
}

fn levels(who: &WhoArgs, out: &mut dyn Write) -> Result<()> {
    let attempts = match desk(who) {
        Ok(desk) => desk.attempts()?.0,
        // The course can be looked at before anybody is named.
        Err(_) => Vec::new(),
    };
    for level in LEVELS {
        let done = attempts.iter().filter(|a| a.level() == Some(level)).count();
        output::line(out, &format!("{}  {} ({done} answered)", level.number(), level.words()))?;
        output::wrapped(out, "   ", level.about())?;
    }
    output::line(out, "How many frames of a level are not to be read, and what counts as near, are assumptions of this program.")?;
    output::wrapped(out, "", KINDER)
}

fn submit(a: &SubmitArgs, out: &mut dyn Write) -> Result<()> {
    let (shelf, faults) = tables::shelf(&a.tables.files)?;
    let table = table(a.guideline.as_deref(), &shelf, &faults)?;
    let (attempt, key) = desk(&a.who)?.submit(&a.case, a.answer.answer()?, table, &files::now())?;
    for line in error_words(&attempt.marked).iter().chain(&key.why) {
        output::wrapped(out, "", line)?;
    }
    if let Some(seconds) = attempt.taken.seconds() {
        output::line(out, &format!("Time: {seconds:.0} s"))?;
    }
    output::wrapped(out, "", if attempt.case.source == Source::Own { "Truth: what readers agreed on." } else { KINDER })
}

/// The scores of the course by level and whole, the competence chart, and own cases apart.
fn show_scores(attempts: &[Attempt], out: &mut dyn Write) -> Result<()> {
    let of = |so: &dyn Fn(&Attempt) -> bool| -> Vec<(&Marked, Option<f64>)> {
        attempts.iter().filter(|a| so(a)).map(|a| (&a.marked, a.taken.seconds())).collect()
    };
    let mut part = |title: &str, cases: Vec<(&Marked, Option<f64>)>, own: bool| -> Result<()> {
        if cases.is_empty() {
            return Ok(());
        }
        output::line(out, title)?;
        score_lines(&score(cases), own).iter().try_for_each(|l| output::wrapped(out, "  ", l))
    };
    part("Course, all levels", of(&|a| a.level().is_some()), false)?;
    for level in LEVELS {
        part(&format!("Level {}, {}", level.number(), level.words()), of(&|a| a.level() == Some(level)), false)?;
    }
    part("Own cases: truth is what readers agreed on, never scored with the course", of(&|a| a.level().is_none()), true)?;
    let failures: Vec<bool> = attempts.iter().filter(|a| a.level().is_some()).map(|a| !a.marked.well).collect();
    competence::chart_lines(&competence::charts(&failures, &competence::RATES)).iter().try_for_each(|l| output::wrapped(out, "", l))
}

/// Says of each answered case that does not come out the same again.
fn check(attempts: &[Attempt], out: &mut dyn Write) -> Result<()> {
    let (shelf, _) = tables::shelf(&[])?;
    for a in attempts {
        let failed = match shelf.by_digest(&a.table.id, &a.table.digest) {
            Some(table) => a.check(table).err().map(|e| e.message()),
            None => Some(format!("the guideline table {} is not at hand", a.table.id)),
        };
        if let Some(why) = failed {
            output::line(out, &format!("Case {}: {why}", a.case.id))?;
        }
    }
    Ok(())
}

fn add(a: &AddArgs, out: &mut dyn Write) -> Result<()> {
    if profile::onlooker(&files::data_dir()?)?.is_some_and(|o| o.role == Role::Trainee) {
        return Err(Error::new(ErrorKind::Invalid, "a trainee adds no own cases"));
    }
    let file = StoredFile::open(&a.frame)?;
    check_approved(file.facts()).map_err(|e| e.at(&a.frame))?;
    if file.frame_count() != 1 {
        return Err(Error::new(ErrorKind::Unsupported, "the frame is not added").expected("a file of one frame").found("several"));
    }
    let key = match (&a.records, a.reject) {
        (_, Some(reason)) => rejected(file.geometry(), reason.into(), &a.why),
        (records, None) => {
            let readings = readings_of(records.as_deref(), &file)?;
            consensus(file.geometry(), &readings.iter().collect::<Vec<_>>(), &a.why)?
        }
    };
    let id = desk(&a.who)?.add_own(&a.frame, &key, &a.note, &files::now())?;
    output::line(out, &format!("Own case {id}"))
}

/// The readings of a file's frame in a folder of records, by when they were saved.
fn readings_of(records: Option<&Path>, file: &StoredFile) -> Result<Vec<ReadingRecord>> {
    let dir = records.ok_or_else(|| Error::new(ErrorKind::Usage, "no readings are named").expected("--records").found("none"))?;
    let frame = file.frame(1)?.id;
    let (all, damaged) = Store::at(dir).load()?;
    output::say_damaged(&damaged);
    Ok(all.into_iter().map(|s| s.record).filter(|r| r.frame.same_picture(&frame)).collect())
}
