//! `assessment`: freezing a set, taking it, handing in, marking.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand};

use super::practice::{AnswerArgs, WhoArgs, desk, table};
use super::{Done, TablesArgs, output, profile, tables};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::practice::assessment::{
    Answers, AssessmentResult, AssessmentSet, Criteria, Frozen, MOST_APART, Part, ROUND, Signed, Sitting, freeze, mark_answers, read_part,
    read_set,
};
use crate::practice::{KINDER, score_lines};
use crate::record::Role;

/// What of an assessment.
#[derive(Debug, Subcommand)]
pub enum AssessmentCommand {
    /// Freeze both forms of a new set under your passphrase, read from the first line of standard input
    Freeze(FreezeArgs),
    /// The case whose turn it is: its frame, and the line that comes with it
    Take(TakeArgs),
    /// Answer it; nothing is said of whether it is right
    Answer(Box<AnswerTurnArgs>),
    /// Sign your answers and hand them in
    HandIn(HandInArgs),
    /// Mark answers under your passphrase, read from the first line of standard input
    Mark(MarkArgs),
    /// What a set, answers or a result say, and who signed
    Show(ShowArgs),
}

/// A new set.
#[derive(Debug, Args)]
pub struct FreezeArgs {
    /// A new folder for both forms
    #[arg(long)]
    pub to: PathBuf,
    /// What it is called
    #[arg(long)]
    pub name: String,
    /// Rounds of 20 cases, 1 to 5
    #[arg(long, default_value_t = 1)]
    pub rounds: usize,
    /// Guideline table that findings are marked under
    #[arg(long)]
    pub guideline: Option<String>,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
    /// To pass: fewest cases done well; there is no default
    #[arg(long)]
    pub least_well: u32,
    /// To pass: largest bias either way, mm
    #[arg(long)]
    pub most_bias: Option<f64>,
    /// To pass: largest spread, one SD, mm
    #[arg(long)]
    pub most_sd: Option<f64>,
    /// To pass: fewest findings right
    #[arg(long)]
    pub least_findings: Option<u32>,
    /// To pass: fewest misleading frames rejected
    #[arg(long)]
    pub least_rejected: Option<u32>,
}

/// A set to take.
#[derive(Debug, Args)]
pub struct TakeArgs {
    /// The folder of one form, which holds set.json
    pub set: PathBuf,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// An answer.
#[derive(Debug, Args)]
pub struct AnswerTurnArgs {
    /// The folder of one form
    pub set: PathBuf,
    /// The case's identifier, as take prints it
    pub case: String,
    /// The answer
    #[command(flatten)]
    pub answer: AnswerArgs,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// Handing in.
#[derive(Debug, Args)]
pub struct HandInArgs {
    /// The folder of one form
    pub set: PathBuf,
    /// Where the answers go; the set's folder when nothing is named
    #[arg(long)]
    pub to: Option<PathBuf>,
    /// Your key is sealed: read its passphrase from the first line of standard input
    #[arg(long)]
    pub passphrase: bool,
    /// Who
    #[command(flatten)]
    pub who: WhoArgs,
}

/// Marking.
#[derive(Debug, Args)]
pub struct MarkArgs {
    /// The folder of the form that was taken
    pub set: PathBuf,
    /// The file of answers
    pub answers: PathBuf,
    /// Where the result goes; the folder of the answers when nothing is named
    #[arg(long)]
    pub to: Option<PathBuf>,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// A part.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// A file of a set, of answers or of a result
    pub file: PathBuf,
}

/// The lead of this workstation: who freezes and marks. A trainee does neither.
fn lead() -> Result<String> {
    let who = profile::named()?;
    if who.role == Role::Trainee {
        return Err(Error::new(ErrorKind::Invalid, "a trainee neither freezes nor marks an assessment"));
    }
    Ok(who.reader)
}

/// A sealed key cannot be opened while standard input gives the set's passphrase.
fn open_key(reader: &str) -> Result<[u8; 32]> {
    profile::reader_seed(&files::data_dir()?, reader, || {
        Err(profile::sealed("Freeze and mark with a key that is not sealed: standard input gives the set's passphrase"))
    })
}

pub(super) fn run(command: &AssessmentCommand, out: &mut dyn Write) -> Done {
    match command {
        AssessmentCommand::Freeze(a) => freeze_set(a, out)?,
        AssessmentCommand::Take(a) => {
            let mut sitting = Sitting::open(&a.set, desk(&a.who)?)?;
            signer(sitting.set(), out)?;
            match sitting.turn(&files::now())? {
                Some(turn) => {
                    output::line(out, &format!("Case {} of {}: {}", turn.number, turn.of, turn.id))?;
                    output::line(out, &format!("Frame: {}", turn.frame.display()))?;
                    output::wrapped(out, "", &turn.note)?;
                }
                None => output::line(out, "All cases are answered: hand them in (osspan assessment hand-in).")?,
            }
        }
        AssessmentCommand::Answer(a) => {
            let mut sitting = Sitting::open(&a.set, desk(&a.who)?)?;
            sitting.answer(&a.case, a.answer.answer()?, &files::now())?;
            output::line(out, &format!("Taken. Cases left: {}", sitting.left()))?;
        }
        AssessmentCommand::HandIn(a) => {
            let desk = desk(&a.who)?;
            let asked =
                || if a.passphrase { profile::typed() } else { Err(profile::sealed("Give --passphrase and type it on standard input")) };
            let seed = profile::reader_seed(&files::data_dir()?, desk.reader(), asked)?;
            let to = a.to.clone().unwrap_or_else(|| a.set.clone());
            let path = Sitting::open(&a.set, desk)?.hand_in(&to, &seed, &files::now())?;
            output::line(out, &format!("Handed in as {}", path.display()))?;
        }
        AssessmentCommand::Mark(a) => mark(a, out)?,
        AssessmentCommand::Show(a) => show(&a.file, out)?,
    }
    Ok(ExitCode::SUCCESS)
}

fn freeze_set(a: &FreezeArgs, out: &mut dyn Write) -> Result<()> {
    let lead = lead()?;
    let (shelf, faults) = tables::shelf(&a.tables.files)?;
    let table = table(a.guideline.as_deref(), &shelf, &faults)?;
    let criteria = Criteria {
        least_well: a.least_well,
        most_bias_mm: a.most_bias,
        most_sd_mm: a.most_sd,
        least_findings: a.least_findings,
        least_rejected: a.least_rejected,
    };
    let at = files::now();
    let what = Frozen { name: &a.name, rounds: a.rounds, criteria, table, by: &lead, at: &at };
    let alike = freeze(&a.to, &what, &profile::typed()?, &open_key(&lead)?, files::random_key)?;
    output::line(out, &format!("Frozen: two forms of {} cases in {}", a.rounds * ROUND, a.to.display()))?;
    output::wrapped(
        out,
        "",
        &format!(
            "Distances of the two forms differ by at most {:.2} mm a case; expected right findings of readers with a bias of −1 to 1 mm and an SD of \
             1 to 3 mm by at most {:.2} a round of {ROUND} (allowed: {MOST_APART}). Readers and limits are assumptions of this program.",
            alike.most_mm, alike.most_apart
        ),
    )?;
    output::wrapped(out, "", "Give trainees one form's folder. Keep the passphrase to yourself: with it anybody can work out the answers.")
}

fn mark(a: &MarkArgs, out: &mut dyn Write) -> Result<()> {
    let lead = lead()?;
    let answers: Signed<Answers> = read_part(&a.answers)?;
    let set = read_set(&a.set)?;
    let (shelf, _) = tables::shelf(&a.tables.files)?;
    let wanted = &set.content.table;
    let table = shelf.by_digest(&wanted.id, &wanted.digest).ok_or_else(|| {
        Error::new(ErrorKind::Guideline, "the answers are not marked")
            .expected(format!("the guideline table {}", wanted.id))
            .found("none like it here")
    })?;
    let result = mark_answers(&a.set, &answers, &profile::typed()?, table)?;
    let signed = Signed::new(result, &lead, &files::now(), &open_key(&lead)?)?;
    signer(&answers, out)?;
    say(&signed.content, out)?;
    let to = a.to.as_deref().unwrap_or_else(|| files::folder_of(&a.answers));
    let name = a.answers.file_name().map(|n| n.to_string_lossy().replace("answers-", "")).unwrap_or_default();
    let path = files::publish_new(to, &format!("result-{name}"), signed.to_json()?.as_bytes())?;
    output::line(out, &format!("Saved as {}", path.display()))
}

fn say(result: &AssessmentResult, out: &mut dyn Write) -> Result<()> {
    output::line(out, &format!("{}: {}", result.trainee, if result.passed { "passed" } else { "not passed" }))?;
    for m in &result.criteria {
        output::line(out, &format!("  {} {}; found {}", if m.met { "met:" } else { "NOT MET:" }, m.asked, m.found))?;
    }
    score_lines(&result.score, false).iter().try_for_each(|l| output::wrapped(out, "  ", l))
}

/// Who signed a part, and whether that key is known here.
fn signer<T: Part>(part: &Signed<T>, out: &mut dyn Write) -> Result<()> {
    let known = profile::signers(&files::data_dir()?)?;
    let short = part.key.get(..16).unwrap_or(&part.key);
    let words = match known.iter().find(|s| s.key == part.key) {
        Some(s) if s.name == part.by => format!("Signed by {}, whose key is known here, {}", part.by, part.at),
        Some(_) => format!("Signed as {}, with a key that is known here as another person's ({short})", part.by),
        None => format!("Signed as {}, with a key that is not known here ({short}); osspan profile --know", part.by),
    };
    output::line(out, &words)
}

fn show(file: &Path, out: &mut dyn Write) -> Result<()> {
    if let Ok(set) = read_part::<AssessmentSet>(file) {
        let s = &set.content;
        output::line(out, &format!("Assessment \"{}\", form {}: {} cases under {}", s.name, s.form.letter(), s.cases.len(), s.table.name))?;
        signer(&set, out)?;
        return output::wrapped(out, "", KINDER);
    }
    if let Ok(answers) = read_part::<Answers>(file) {
        output::line(out, &format!("{} answers", answers.content.answers.len()))?;
        return signer(&answers, out);
    }
    let result: Signed<AssessmentResult> = read_part(file)?;
    signer(&result, out)?;
    say(&result.content, out)
}
