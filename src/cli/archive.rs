//! `archive`: testing links, sending, what waits to be sent, finding and fetching exams, receiving.

use std::collections::HashSet;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use clap::{Args, Subcommand};
use jiff::civil::Date;

use super::{Done, output, profile, sr};
use crate::archive::{ArchiveSettings, Event, Item, Object, Outbox, Outcome, Question, Receiver, SAMPLE, Sender};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::record::{Store, unseen};

/// What to do with an archive.
#[derive(Debug, Subcommand)]
pub enum ArchiveCommand {
    /// Where the settings are and what they name; or a sample with every entry explained
    Settings {
        /// Print the sample
        #[arg(long)]
        sample: bool,
    },
    /// Whether archives answer and would talk to this workstation
    Test {
        /// Their names in the settings; all when none is named
        names: Vec<String>,
    },
    /// Queue objects for an archive and send what waits
    Send(SendArgs),
    /// What waits to be sent, and what the archive said of the rest
    Outbox(OutboxArgs),
    /// Find exams in an archive
    Find(FindExamArgs),
    /// Fetch an exam from an archive
    Fetch(FetchArgs),
    /// Receive what scanners and archives send, until told to end
    Receive(ReceiveArgs),
}

/// Arguments of `archive send`.
#[derive(Debug, Args)]
pub struct SendArgs {
    /// DICOM files, and folders of them
    #[arg(required = true)]
    pub paths: Vec<PathBuf>,
    /// The archive's name in the settings
    #[arg(long)]
    pub to: String,
    /// Also the saved readings of these exams, as a structured report each, with identity
    #[arg(long)]
    pub reports: bool,
    /// Folder of records for --reports; the user's data folder when none is named
    #[arg(long, requires = "reports")]
    pub records: Option<PathBuf>,
    /// Also what the archive has, or refused, before
    #[arg(long)]
    pub again: bool,
    /// Put them in the outbox and send nothing now
    #[arg(long, conflicts_with = "keep_trying")]
    pub queue_only: bool,
    /// Keep trying for so many seconds while the archive does not answer
    #[arg(long, value_name = "SECONDS", default_value_t = 0)]
    pub keep_trying: u64,
}

/// Arguments of `archive outbox`.
#[derive(Debug, Args)]
pub struct OutboxArgs {
    /// As JSON
    #[arg(long)]
    pub json: bool,
    /// Queue again what was refused, or could not be sent
    #[arg(long)]
    pub retry: bool,
    /// Send what waits
    #[arg(long)]
    pub send: bool,
    /// Send, and keep trying for so many seconds while an archive does not answer
    #[arg(long, value_name = "SECONDS")]
    pub keep_trying: Option<u64>,
    /// Take what the archives have off the list
    #[arg(long)]
    pub clear_stored: bool,
}

/// Arguments of `archive find`.
#[derive(Debug, Args)]
pub struct FindExamArgs {
    /// The archive's name in the settings
    #[arg(long)]
    pub at: String,
    /// Patient number, whole
    #[arg(long)]
    pub patient: Option<String>,
    /// Beginning of the family name
    #[arg(long)]
    pub name: Option<String>,
    /// First day, YYYY-MM-DD
    #[arg(long, requires = "until")]
    pub since: Option<Date>,
    /// Last day, YYYY-MM-DD
    #[arg(long, requires = "since")]
    pub until: Option<Date>,
    /// Study Instance UID
    #[arg(long)]
    pub study: Option<String>,
    /// As JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `archive fetch`.
#[derive(Debug, Args)]
pub struct FetchArgs {
    /// Study Instance UID, as find prints it
    pub study: String,
    /// The archive's name in the settings
    #[arg(long)]
    pub from: String,
    /// Into this folder; that of received exams when none is named
    #[arg(long)]
    pub into: Option<PathBuf>,
}

/// Arguments of `archive receive`.
#[derive(Debug, Args)]
pub struct ReceiveArgs {
    /// End after so many seconds
    #[arg(long)]
    pub seconds: Option<u64>,
    /// End once so many objects have arrived and their sender is done
    #[arg(long)]
    pub objects: Option<usize>,
}

pub(super) fn run(command: &ArchiveCommand, out: &mut dyn Write) -> Done {
    let data_dir = files::data_dir()?;
    match command {
        ArchiveCommand::Settings { sample: true } => {
            output::line(out, SAMPLE.trim_end())?;
            Ok(ExitCode::SUCCESS)
        }
        ArchiveCommand::Settings { sample: false } => settings(&data_dir, out),
        ArchiveCommand::Test { names } => test(&data_dir, names, out),
        ArchiveCommand::Send(a) => send(&data_dir, a, out),
        ArchiveCommand::Outbox(a) => outbox(&data_dir, a, out),
        ArchiveCommand::Find(a) => find(&data_dir, a, out),
        ArchiveCommand::Fetch(a) => fetch(&data_dir, a, out),
        ArchiveCommand::Receive(a) => receive(&data_dir, a, out),
    }
}

/// One line that is seen at once, though more is to come.
fn told(out: &mut dyn Write, text: &str) -> Result<()> {
    output::line(out, text)?;
    out.flush().map_err(output::broken)
}

fn settings(data_dir: &Path, out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    output::line(out, &format!("Settings: {}", files::archive_settings_in(data_dir).display()))?;
    output::line(out, &format!("This workstation: {}", s.title))?;
    let secure = |tls: bool| if tls { "TLS" } else { "in clear" };
    let r = &s.receiver;
    output::line(
        out,
        &format!("Receives at {} port {}, {}, into {}", r.bind, r.port, secure(r.tls.is_some()), s.received(data_dir).display()),
    )?;
    for c in &s.callers {
        let from = c.address.map_or_else(|| "from any address".to_owned(), |a| format!("from {a}"));
        output::line(out, &format!("  may send: {} {from}", c.title))?;
    }
    for a in &s.archives {
        output::line(out, &format!("Archive \"{}\": {} at {} port {}, {}", a.name, a.title, a.host, a.port, secure(a.tls.is_some())))?;
    }
    for w in &s.webs {
        let signs = match (&w.user, &w.token_file) {
            (Some(user), _) => format!("as {user}"),
            (None, Some(_)) => "with a token".to_owned(),
            (None, None) => "without signing in".to_owned(),
        };
        output::line(out, &format!("Archive \"{}\": {} {signs}", w.name, w.base))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn test(data_dir: &Path, names: &[String], out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    let all: Vec<&str> = if names.is_empty() { s.names().collect() } else { names.iter().map(String::as_str).collect() };
    if all.is_empty() {
        return Err(Error::new(ErrorKind::Usage, "there is nothing to test").expected("an archive in the settings").found("none"));
    }
    let mut code = ExitCode::SUCCESS;
    for name in all {
        match s.test(name) {
            Ok(words) => told(out, &format!("{name}: {words}"))?,
            Err(e) => {
                told(out, &format!("{name}: {e}"))?;
                code = ExitCode::from(e.kind().exit_code());
            }
        }
    }
    Ok(code)
}

/// The files that are named, and those of the folders that are. What in a folder is no DICOM at all is counted only.
fn objects(paths: &[PathBuf], out: &mut dyn Write) -> Result<Vec<PathBuf>> {
    let (mut all, mut others) = (Vec::new(), 0);
    for path in paths {
        let found = scan(path, &mut |_| ControlFlow::Continue(()))?;
        all.extend(found.exams.iter().flat_map(|e| &e.files).map(|f| f.path().to_path_buf()));
        // Reports are no frames and are sent as well.
        for (file, _) in found.not_frames {
            if file == *path || Object::is_dicom(&file) {
                all.push(file);
            } else {
                others += 1;
            }
        }
    }
    if others > 0 {
        told(out, &format!("Left out of the folders, as they are not DICOM: {others}"))?;
    }
    all.sort();
    all.dedup();
    Ok(all)
}

fn send(data_dir: &Path, a: &SendArgs, out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    s.place(&a.to)?;
    let outbox = Outbox::of(data_dir);
    let mut ids = HashSet::new();
    let mut left_out = 0;
    let paths = objects(&a.paths, out)?;
    for path in &paths {
        match outbox.add(path, &a.to, a.again) {
            Ok(item) => {
                if item.outcome.is_stored() {
                    told(out, &format!("Before: {}", item.line()))?;
                }
                ids.insert(item.id);
            }
            Err(e) => {
                left_out += 1;
                told(out, &format!("Not queued: {e}"))?;
            }
        }
    }
    let records = a.records.clone().unwrap_or_else(|| files::records_in(data_dir));
    if a.reports {
        let (items, why) = queue_reports(data_dir, &records, &paths, &a.to, a.again)?;
        told(out, &format!("Reports of saved readings: {}", items.len()))?;
        why.iter().try_for_each(|w| told(out, &format!("Not in a report: {w}")))?;
        ids.extend(items.into_iter().map(|i| i.id));
    }
    if ids.is_empty() {
        return Err(Error::new(ErrorKind::Format, "there is nothing to send").expected("at least one DICOM object").found("none"));
    }
    told(out, &format!("Queued for {}: {}", a.to, ids.len()))?;
    if !a.queue_only {
        deliver(s, data_dir, &records, Duration::from_secs(a.keep_trying), out)?;
    }
    let own: Vec<Item> = outbox.items()?.0.into_iter().filter(|i| ids.contains(&i.id)).collect();
    let all = own.iter().all(|i| i.outcome.is_stored()) && left_out == 0;
    summary(&own, out)?;
    Ok(if all || a.queue_only { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Queues the saved readings of the exams that these files belong to, as reports, and says what could not be put into one; `again` as of
/// [`Outbox::add`].
pub(crate) fn queue_reports(data_dir: &Path, records: &Path, paths: &[PathBuf], to: &str, again: bool) -> Result<(Vec<Item>, Vec<String>)> {
    // What holds no frame is no image that a reading could be of.
    let images: Vec<StoredFile> = paths.iter().filter_map(|p| StoredFile::open(p).ok()).collect();
    let (reports, left_out) = sr::reports(data_dir, records, &images)?;
    let outbox = Outbox::of(data_dir);
    let items = reports.iter().map(|r| outbox.add_made(&r.bytes, to, again)).collect::<Result<_>>()?;
    Ok((items, left_out))
}

fn summary(items: &[Item], out: &mut dyn Write) -> Result<()> {
    let count = |f: fn(&Item) -> bool| items.iter().filter(|i| f(i)).count();
    let stored = count(|i| i.outcome.is_stored());
    let waiting = count(|i| i.outcome.is_open());
    output::line(out, &format!("Stored: {stored}; refused or not sent: {}; not yet: {waiting}", items.len() - stored - waiting))
}

/// Sends what waits, and tries again until everything was answered or the time is up. What is said of it is what the reader may
/// see by the readings in the folder `records`.
fn deliver(settings: ArchiveSettings, data_dir: &Path, records: &Path, keep_trying: Duration, out: &mut dyn Write) -> Result<()> {
    let end = Instant::now() + keep_trying;
    let blind = Blind::now(data_dir, records)?;
    let mut sender = Sender::new(settings, data_dir);
    loop {
        let mut failed = None;
        let pass = sender.pass(&mut |item| {
            // The begin of a try is of interest only when it does not end, and then it stands in the outbox.
            let quiet = matches!(item.outcome, Outcome::Trying { .. }) || blind.hides(item);
            let said = if quiet { Ok(()) } else { told(out, &item.line()) };
            match said {
                Ok(()) => ControlFlow::Continue(()),
                Err(e) => {
                    failed = Some(e);
                    ControlFlow::Break(())
                }
            }
        })?;
        if let Some(e) = failed {
            return Err(e);
        }
        for trouble in &pass.troubles {
            told(out, trouble)?;
        }
        match pass.next {
            Some(wait) if Instant::now() + wait <= end => {
                told(out, &format!("Not yet: {}; the next try in {} s", pass.waiting, wait.as_secs().max(1)))?;
                std::thread::sleep(wait);
            }
            _ => return Ok(()),
        }
    }
}

/// What of the outbox this workstation's reader may see: reports of others' readings that they have still to read unseen are
/// as if they were not there.
pub(crate) struct Blind(HashSet<String>);

impl Blind {
    /// As it is now, by the readings in the folder `records`.
    pub(crate) fn now(data_dir: &Path, records: &Path) -> Result<Self> {
        let Some(who) = profile::onlooker(data_dir)? else { return Ok(Self(HashSet::new())) };
        let index = Store::at(records).with_index(files::index_in(data_dir, records)).index()?;
        Ok(Self(unseen(&who, index.entries().iter().map(crate::record::Entry::saved))))
    }

    /// Whether nothing of it may be shown.
    pub(crate) fn hides(&self, item: &Item) -> bool {
        item.report && self.0.contains(&item.exam())
    }

    /// What of the outbox may be shown, and an error for each file in it that is no item.
    pub(crate) fn outbox(&self, data_dir: &Path) -> Result<(Vec<Item>, Vec<Error>)> {
        let (mut items, faults) = Outbox::of(data_dir).items()?;
        items.retain(|i| !self.hides(i));
        Ok((items, faults))
    }
}

fn outbox(data_dir: &Path, a: &OutboxArgs, out: &mut dyn Write) -> Done {
    let (outbox, records) = (Outbox::of(data_dir), files::records_in(data_dir));
    if a.retry {
        let count = outbox.retry(|_| true)?;
        told(out, &format!("Queued again: {count}"))?;
    }
    if a.send || a.keep_trying.is_some() {
        deliver(ArchiveSettings::load(data_dir)?, data_dir, &records, Duration::from_secs(a.keep_trying.unwrap_or(0)), out)?;
    }
    if a.clear_stored {
        told(out, &format!("Taken off the list: {}", outbox.clear_stored()?))?;
    }
    let (items, faults) = Blind::now(data_dir, &records)?.outbox(data_dir)?;
    if a.json {
        let text =
            serde_json::to_string_pretty(&items).map_err(|e| Error::new(ErrorKind::Format, "the outbox cannot be written").caused_by(e))?;
        output::line(out, &text)?;
    } else {
        for item in &items {
            output::line(out, &item.line())?;
        }
        summary(&items, out)?;
        faults.iter().try_for_each(|e| output::line(out, &format!("Not an item: {e}")))?;
    }
    let all = items.iter().all(|i| i.outcome.is_stored()) && faults.is_empty();
    Ok(if all { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn find(data_dir: &Path, a: &FindExamArgs, out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    let question = Question { patient: a.patient.clone(), name: a.name.clone(), days: a.since.zip(a.until), study: a.study.clone() };
    let answer = s.find(&a.at, question)?;
    if a.json {
        let text = serde_json::to_string_pretty(&answer.found)
            .map_err(|e| Error::new(ErrorKind::Format, "the answer cannot be written").caused_by(e))?;
        output::line(out, &text)?;
        return Ok(ExitCode::SUCCESS);
    }
    for f in &answer.found {
        output::line(out, &f.study)?;
        output::line(out, &format!("    {}", f.line()))?;
    }
    let more = if answer.more { ", and there are more: ask more narrowly" } else { "" };
    output::line(out, &format!("Exams: {}{more}", answer.found.len()))?;
    Ok(ExitCode::SUCCESS)
}

fn fetch(data_dir: &Path, a: &FetchArgs, out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    let folder = a.into.clone().unwrap_or_else(|| s.received(data_dir));
    let mut failed = None;
    let mut before = usize::MAX;
    let fetched = s.fetch(&a.from, &a.study, &folder, &mut |arrived, left| {
        if arrived == before {
            return ControlFlow::Continue(());
        }
        before = arrived;
        let left = left.map_or_else(String::new, |n| format!(", {n} to come"));
        match told(out, &format!("Arrived: {arrived}{left}")) {
            Ok(()) => ControlFlow::Continue(()),
            Err(e) => {
                failed = Some(e);
                ControlFlow::Break(())
            }
        }
    });
    if let Some(e) = failed {
        return Err(e);
    }
    let fetched = fetched?;
    for note in fetched.notes.iter().chain(&fetched.failed) {
        output::line(out, &format!("! {note}"))?;
    }
    if fetched.arrived == 0 && fetched.failed.is_empty() {
        return Err(Error::new(ErrorKind::Usage, "the archive has no such exam").expected("its Study Instance UID, as find prints it"));
    }
    let known = if fetched.known > 0 { format!(" ({} were here already)", fetched.known) } else { String::new() };
    output::line(out, &format!("Objects: {}{known}; failed: {}", fetched.arrived, fetched.failed.len()))?;
    output::line(out, &format!("In {}", folder.join(&a.study).display()))?;
    Ok(if fetched.failed.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn receive(data_dir: &Path, a: &ReceiveArgs, out: &mut dyn Write) -> Done {
    let s = ArchiveSettings::load(data_dir)?;
    let (tell, events) = mpsc::channel();
    let receiver = Receiver::start(&s, data_dir, move |e| {
        // Nobody listens any more only when the command is ending.
        let _ = tell.send(e);
    })?;
    let secure = if s.receiver.tls.is_some() { "TLS" } else { "in clear" };
    told(out, &format!("{} listens at {}, {secure}; received exams go to {}", s.title, receiver.address(), receiver.folder().display()))?;
    let end = a.seconds.map(|s| Instant::now() + Duration::from_secs(s));
    let (mut arrived, mut refused) = (0, 0);
    loop {
        let wait = end.map_or(Duration::from_secs(3600), |e| e.saturating_duration_since(Instant::now()));
        match events.recv_timeout(wait) {
            Ok(event) => {
                arrived += usize::from(matches!(event, Event::Arrived { .. }));
                refused += usize::from(matches!(event, Event::Refused { .. }));
                told(out, &event.words())?;
                if matches!(event, Event::Ended { .. } | Event::Broken { .. }) && a.objects.is_some_and(|n| arrived >= n) {
                    break;
                }
            }
            Err(_) if end.is_some_and(|e| Instant::now() >= e) => break,
            Err(_) => {}
        }
    }
    drop(receiver);
    told(out, &format!("Objects received: {arrived}; not taken: {refused}"))?;
    Ok(ExitCode::SUCCESS)
}
