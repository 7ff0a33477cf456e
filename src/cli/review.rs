//! `review`: the queue of exams that await a second reader, comparing, agreeing, settling, returning, signing.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Subcommand};

use super::{Done, output, profile};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::record::{Mode, Onlooker, ReadingRecord, Role, Served, Settlement, Store};
use crate::review::{Desk, ExamReview, Order, Standing, Wish};

/// What of a review.
#[derive(Debug, Subcommand)]
pub enum ReviewCommand {
    /// Exams that await your second reading; nothing of the first is shown
    Queue(QueueArgs),
    /// Exams whose review you may see, and where each stands
    List(FolderArgs),
    /// Both readings of an exam and how they compare, once yours is saved
    Compare(ExamArgs),
    /// You agree: the first reading stands
    Agree(ExamArgs),
    /// Your reading stands in place of the first, which comes to the same finding
    Amend(ReasonArgs),
    /// A difference that you settled together with the other reader
    Settle(SettleArgs),
    /// The first reading goes back to its reader
    Return(ReasonArgs),
    /// Sign what stands
    Sign(SignArgs),
}

/// A folder.
#[derive(Debug, Args)]
pub struct FolderArgs {
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
}

/// How to serve the queue.
#[derive(Debug, Args)]
pub struct QueueArgs {
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
    /// Draw the order with this seed
    #[arg(long)]
    pub seed: Option<u64>,
    /// Name the frames that the first reader chose: for studies of placement alone
    #[arg(long)]
    pub same_frames: bool,
    /// Say nothing of whose exams they are
    #[arg(long)]
    pub no_identity: bool,
    /// As JSON
    #[arg(long)]
    pub json: bool,
}

/// How an exam came to its second reader, for the record of their reading.
#[derive(Clone, Copy, Debug, Args)]
pub struct SecondArgs {
    /// As a second reader: the queue's order was drawn with this seed
    #[arg(long)]
    pub queue_seed: Option<u64>,
    /// As a second reader: the frames are those that the first reader chose, for studies of placement alone
    #[arg(long)]
    pub same_frames: bool,
}

impl SecondArgs {
    pub(super) const fn served(self) -> Served {
        Served { mode: if self.same_frames { Mode::SameFrames } else { Mode::OwnFrames }, queue_seed: self.queue_seed }
    }
}

/// An exam.
#[derive(Debug, Args)]
pub struct ExamArgs {
    /// The exam's key, or its beginning, as queue and list print it
    pub exam: String,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
}

/// An exam and a reason.
#[derive(Debug, Args)]
pub struct ReasonArgs {
    /// The exam's key, or its beginning, as queue and list print it
    pub exam: String,
    /// Why
    #[arg(long)]
    pub reason: String,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
}

/// A settlement.
#[derive(Debug, Args)]
#[command(group = clap::ArgGroup::new("comes_to").required(true))]
pub struct SettleArgs {
    /// The exam's key, or its beginning, as queue and list print it
    pub exam: String,
    /// The other reader, as in the records
    #[arg(long)]
    pub with: String,
    /// Id, or its beginning, of the reading that stands
    #[arg(long, group = "comes_to")]
    pub stands: Option<String>,
    /// None stands: the woman is scanned again
    #[arg(long, group = "comes_to")]
    pub scan_again: bool,
    /// Why
    #[arg(long)]
    pub reason: String,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
}

/// A signature.
#[derive(Debug, Args)]
pub struct SignArgs {
    /// The exam's key, or its beginning, as queue and list print it
    pub exam: String,
    /// The key is sealed: read its passphrase from the first line of standard input
    #[arg(long)]
    pub passphrase: bool,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub records: Option<PathBuf>,
}

fn folder(named: Option<&PathBuf>) -> Result<PathBuf> {
    let folder = match named {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if folder.is_dir() {
        Ok(folder)
    } else {
        Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder))
    }
}

fn desk(records: Option<&PathBuf>) -> Result<Desk> {
    let who = profile::named()?;
    Desk::open(&Store::at(folder(records)?), who)
}

fn find<'a>(desk: &'a Desk, key: &str) -> Result<&'a ExamReview> {
    let found: Vec<&ExamReview> = desk.seen().filter(|e| e.exam.starts_with(&key.to_lowercase())).collect();
    match found.as_slice() {
        [one] if !key.is_empty() => Ok(one),
        // An exam that is still to be read unseen looks just as one that is not there.
        many => Err(Error::new(ErrorKind::Usage, "there is no such exam that you may see")
            .expected("the beginning of one exam's key")
            .found(format!("{} of it", many.len()))
            .remedy("A reviewer sees an exam's readings once their own is saved")),
    }
}

pub(super) fn run(command: &ReviewCommand, out: &mut dyn Write) -> Done {
    match command {
        ReviewCommand::Queue(a) => show_queue(a, out)?,
        ReviewCommand::List(a) => {
            let desk = desk(a.records.as_ref())?;
            for exam in desk.seen() {
                line_of(exam, out)?;
            }
            output::line(out, &format!("{} exams", desk.seen().count()))?;
            faults(&desk, out)?;
        }
        ReviewCommand::Compare(a) => {
            let desk = desk(a.records.as_ref())?;
            compare(find(&desk, &a.exam)?, desk.who(), out)?;
            faults(&desk, out)?;
        }
        ReviewCommand::Agree(a) => take(&a.exam, a.records.as_ref(), |_| Ok(Wish::Agree), None, out)?,
        ReviewCommand::Amend(a) => {
            take(&a.exam, a.records.as_ref(), |_| Ok(Wish::Amend { reason: a.reason.clone() }), None, out)?;
        }
        ReviewCommand::Return(a) => {
            take(&a.exam, a.records.as_ref(), |_| Ok(Wish::Return { reason: a.reason.clone() }), None, out)?;
        }
        ReviewCommand::Settle(a) => {
            let wish = |exam: &ExamReview| {
                let settlement = match &a.stands {
                    None => Settlement::ScanAgain,
                    Some(id) => {
                        let found: Vec<&ReadingRecord> = exam.readings.iter().filter(|r| r.id().starts_with(id.as_str())).collect();
                        let [one] = found.as_slice() else {
                            return Err(Error::new(ErrorKind::Usage, "the reading cannot be told from others")
                                .expected("the beginning of one reading's id, as compare prints it")
                                .found(format!("{} readings", found.len())));
                        };
                        Settlement::Stands { reading: one.id().to_owned() }
                    }
                };
                Ok(Wish::Settle { with: a.with.clone(), settlement, reason: a.reason.clone() })
            };
            take(&a.exam, a.records.as_ref(), wish, None, out)?;
        }
        ReviewCommand::Sign(a) => {
            let who = profile::named()?;
            if who.role == Role::Trainee {
                return Err(Error::new(ErrorKind::Invalid, "a trainee cannot sign"));
            }
            let asked =
                || if a.passphrase { profile::typed() } else { Err(profile::sealed("Give --passphrase and type it on standard input")) };
            let seed = profile::reader_seed(&files::data_dir()?, &who.reader, asked)?;
            take(&a.exam, a.records.as_ref(), |_| Ok(Wish::Sign), Some(&seed), out)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn faults(desk: &Desk, out: &mut dyn Write) -> Result<()> {
    desk.faults().iter().try_for_each(|e| output::line(out, &format!("Not a record: {e}")))
}

fn show_queue(a: &QueueArgs, out: &mut dyn Write) -> Result<()> {
    let order = a.seed.map_or(Order::ByDate, |seed| Order::Drawn { seed });
    let waiting = desk(a.records.as_ref())?.waiting(order, a.same_frames, !a.no_identity);
    if a.json {
        let text = serde_json::to_string_pretty(&waiting)
            .map_err(|e| Error::new(ErrorKind::Format, "the queue cannot be written").caused_by(e))?;
        return output::line(out, &text);
    }
    for w in &waiting {
        let date = w.exam_date.map_or_else(|| "no date".to_owned(), |d| d.to_string());
        let age = w.age.clone().unwrap_or_else(|| "not dated".into());
        let whose = w.woman.clone().unwrap_or_else(|| "identity withheld".into());
        output::line(out, &format!("{}  {date} · {age} · {whose}", w.exam))?;
        for (uid, number) in &w.frames {
            output::line(out, &format!("    frame {number} of {}", uid.as_deref().unwrap_or("a capture")))?;
        }
    }
    let drawn = a.seed.map_or_else(String::new, |s| format!(", order drawn with seed {s}"));
    output::line(out, &format!("Awaiting your reading: {}{drawn}", waiting.len()))
}

fn line_of(exam: &ExamReview, out: &mut dyn Write) -> Result<()> {
    let date = exam.date().map_or_else(|| "no date".to_owned(), |d| d.to_string());
    output::line(out, &format!("{}  {date} · {} · {}", exam.exam, exam.readers().join(", "), exam.standing().words()))
}

fn compare(exam: &ExamReview, who: &Onlooker, out: &mut dyn Write) -> Result<()> {
    line_of(exam, out)?;
    let readers = exam.readers();
    let second = readers.iter().skip(1).find(|r| **r == who.reader).copied();
    for reader in &readers {
        if let Some(r) = exam.deciding(reader) {
            let id = r.id().get(..12).unwrap_or_default();
            output::line(out, &format!("  {id}  {reader}: {}. {}", r.headline, r.finding_words))?;
            if let Some(mark) = &r.second {
                output::line(out, &format!("      {}", mark.words()))?;
            }
        }
    }
    match exam.comparison(second) {
        None => output::line(out, "  One reader only: there is nothing to compare.")?,
        Some(c) => {
            for sentence in c.words() {
                output::line(out, &format!("  {sentence}"))?;
            }
            if c.discordant() {
                output::line(out, "  Discordant: it must be settled together, or returned, before anything is signed.")?;
            }
        }
    }
    output::line(out, "  Stored images only; the acquisition was not checked again.")?;
    for step in &exam.steps {
        output::line(out, &format!("  {} {} by {}, {}", step.saved_at, step.step.words(), step.by, step.role.words()))?;
    }
    Ok(())
}

fn take(
    key: &str,
    records: Option<&PathBuf>,
    wish: impl FnOnce(&ExamReview) -> Result<Wish>,
    seed: Option<&[u8; 32]>,
    out: &mut dyn Write,
) -> Result<()> {
    let desk = desk(records)?;
    let exam = find(&desk, key)?;
    let who = desk.who();
    let record = exam.step(&wish(exam)?, &who.reader, who.role, files::now_exactly(), seed)?;
    let path = Store::at(folder(records)?).save_review(&record)?;
    output::line(out, &format!("{}: {} by {}", exam.exam, record.step.words(), record.by))?;
    output::line(out, &format!("Saved as {}", path.display()))?;
    let key = exam.exam.clone();
    let desk = desk.with_step(&key, record);
    let standing = find(&desk, &key)?.standing();
    if standing != Standing::Signed {
        output::line(out, &format!("Now: {}", standing.words()))?;
    }
    Ok(())
}
