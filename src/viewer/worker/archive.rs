//! What the page of the archive asks of the network, each on a thread of its own. The receiver runs until it is told to stop or the
//! window closes.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::PROGRESS_EVERY;
use crate::archive::{ArchiveSettings, Fetched, Item, Outbox, Pass, Question, Receiver, Sender};
use crate::cli::archive::{Blind, queue_reports};
use crate::error::Result;
use crate::viewer::action::Action;
use crate::viewer::session::{ArchiveAction as Tell, ArchiveEffect, SetUp};

/// How long a wait for another try may go on without looking whether it is still wanted.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// What threads of the page share.
#[derive(Debug, Default)]
pub(super) struct Shared {
    stop_fetching: AtomicBool,
    /// Number of the newest sending: an older one that waits for another try gives way to it.
    sending: AtomicU64,
    /// Held during a pass over the outbox, so that a newer sending begins its own after that of the older one: the outbox would take
    /// the two for two programs.
    turn: Mutex<()>,
}

/// Carries out one effect but that of the receiver, which lives with the worker.
pub(super) fn carry_out(effect: ArchiveEffect, data_dir: &Path, records: &Path, shared: &Shared, answer: &dyn Fn(Action)) {
    let tell = |t: Tell| answer(Action::Archive(t));
    match effect {
        ArchiveEffect::Load => tell(Tell::Loaded(set_up(data_dir, records).map_err(|e| e.to_string()))),
        ArchiveEffect::Test(names) => {
            for name in names {
                let outcome = ArchiveSettings::load(data_dir).and_then(|s| s.test(&name));
                let well = outcome.is_ok();
                tell(Tell::Tested(name, outcome.unwrap_or_else(|e| e.message()), well));
            }
        }
        ArchiveEffect::Send { files, to } => match queue(&files, &to, data_dir, records) {
            Ok(left_out) => {
                if !left_out.is_empty() {
                    answer(Action::Tell(format!("Not queued: {}", left_out.join("; "))));
                }
                send(data_dir, records, shared, &tell);
            }
            Err(e) => tell(Tell::Sent(e.message())),
        },
        ArchiveEffect::SendWaiting => send(data_dir, records, shared, &tell),
        ArchiveEffect::TakeUp => {
            // What cannot be read here is said on the page of the archive.
            let left = Outbox::of(data_dir).items().map_or(0, |(items, _)| items.iter().filter(|i| i.outcome.is_open()).count());
            if left > 0 {
                tell(Tell::TakenUp(left));
                send(data_dir, records, shared, &tell);
            }
        }
        ArchiveEffect::Retry => match Outbox::of(data_dir).retry(|_| true) {
            Ok(_) => send(data_dir, records, shared, &tell),
            Err(e) => tell(Tell::Sent(e.message())),
        },
        ArchiveEffect::ClearStored => {
            if let Err(e) = Outbox::of(data_dir).clear_stored() {
                answer(Action::Tell(e.message()));
            }
            show_outbox(data_dir, records, &tell);
        }
        ArchiveEffect::Find(at, patient, name) => {
            let question = Question { patient, name, ..Question::default() };
            let found = ArchiveSettings::load(data_dir).and_then(|s| s.find(&at, question));
            tell(Tell::Answered(found.map(|a| (a.found, a.more)).map_err(|e| e.message())));
        }
        ArchiveEffect::Fetch(from, study) => {
            shared.stop_fetching.store(false, Ordering::Relaxed);
            tell(Tell::Fetched(fetch(&from, &study, data_dir, &shared.stop_fetching, &tell).map_err(|e| e.message())));
        }
        ArchiveEffect::StopFetching => shared.stop_fetching.store(true, Ordering::Relaxed),
        ArchiveEffect::Receive(_) => {}
    }
}

/// Starts to receive; what happens is told as it happens.
pub(super) fn receive(data_dir: &Path, tell: impl Fn(Action) + Send + Sync + 'static) -> Result<(Receiver, String)> {
    let settings = ArchiveSettings::load(data_dir)?;
    let receiver = Receiver::start(&settings, data_dir, move |event| tell(Tell::Received(event.words()).into()))?;
    let secure = if settings.receiver.tls.is_some() { "TLS" } else { "in clear" };
    let words = format!("{} at {}, {secure}", settings.title, receiver.address());
    Ok((receiver, words))
}

fn set_up(data_dir: &Path, records: &Path) -> Result<SetUp> {
    let settings = ArchiveSettings::load(data_dir)?;
    let (outbox, not_items) = Shown::now(data_dir, records)?.parts();
    Ok(SetUp {
        archives: settings.names().map(str::to_owned).collect(),
        received: settings.received(data_dir),
        title: settings.title,
        outbox,
        not_items,
    })
}

/// The outbox as this reader may see it: read once, then kept up to date by what a pass tells.
struct Shown {
    blind: Blind,
    items: Vec<Item>,
    not_items: Vec<String>,
}

impl Shown {
    fn now(data_dir: &Path, records: &Path) -> Result<Self> {
        let blind = Blind::now(data_dir, records)?;
        let (items, faults) = blind.outbox(data_dir)?;
        Ok(Self { blind, items, not_items: faults.iter().map(ToString::to_string).collect() })
    }

    fn parts(self) -> (Vec<Item>, Vec<String>) {
        (self.items, self.not_items)
    }

    fn show(&self, tell: &dyn Fn(Tell)) {
        tell(Tell::Outbox(self.items.clone(), self.not_items.clone()));
    }

    fn take(&mut self, changed: &Item) {
        if self.blind.hides(changed) {
            return;
        }
        match self.items.iter_mut().find(|i| i.id == changed.id) {
            Some(item) => *item = changed.clone(),
            // Queued after the list was read.
            None => self.items.push(changed.clone()),
        }
    }
}

/// Reads the outbox anew and shows it; `None` where it cannot be read, which the next pass will say.
fn show_outbox(data_dir: &Path, records: &Path, tell: &dyn Fn(Tell)) -> Option<Shown> {
    let shown = Shown::now(data_dir, records).ok()?;
    shown.show(tell);
    Some(shown)
}

/// Queues the files of an exam and the reports of its saved readings; what could not be queued comes back in words.
fn queue(files: &[PathBuf], to: &str, data_dir: &Path, records: &Path) -> Result<Vec<String>> {
    let outbox = Outbox::of(data_dir);
    ArchiveSettings::load(data_dir)?.place(to)?;
    let mut left_out: Vec<String> = files.iter().filter_map(|path| outbox.add(path, to, false).err()).map(|e| e.message()).collect();
    left_out.extend(queue_reports(data_dir, records, files, to, false)?.1);
    Ok(left_out)
}

/// Sends what waits, and tries again while the window is open and something still waits.
fn send(data_dir: &Path, records: &Path, shared: &Shared, tell: &dyn Fn(Tell)) {
    let own = shared.sending.fetch_add(1, Ordering::SeqCst) + 1;
    let wanted = || shared.sending.load(Ordering::SeqCst) == own;
    let (mut sender, patience) = match ArchiveSettings::load(data_dir) {
        Ok(settings) => (Sender::new(settings.clone(), data_dir), settings.patience),
        Err(e) => return tell(Tell::Sent(e.message())),
    };
    let mut failed = 0;
    // What was queued is seen at once, also while an older sending has its turn.
    show_outbox(data_dir, records, tell);
    loop {
        let turn = shared.turn.lock().unwrap_or_else(PoisonError::into_inner);
        if !wanted() {
            return;
        }
        let (mut told, mut newest) = (None::<Instant>, own);
        let mut shown = show_outbox(data_dir, records, tell);
        let pass = sender.pass(&mut |item| {
            if let Some(shown) = &mut shown {
                shown.take(item);
            }
            if told.is_none_or(|t| t.elapsed() >= PROGRESS_EVERY) {
                // A newer sending has queued more, which this pass will not tell of.
                let now = shared.sending.load(Ordering::SeqCst);
                if std::mem::replace(&mut newest, now) != now {
                    shown = show_outbox(data_dir, records, tell);
                } else if let Some(shown) = &shown {
                    shown.show(tell);
                }
                told = Some(Instant::now());
            }
            ControlFlow::Continue(())
        });
        drop(turn);
        show_outbox(data_dir, records, tell);
        // What failed as a whole (another program is sending, the disk is full) will pass as well.
        let (text, next) = match pass {
            Ok(pass) => {
                failed = 0;
                (words(&pass), pass.next)
            }
            Err(e) => {
                failed += 1;
                (e.message() + ".", Some(patience.wait(failed)))
            }
        };
        // A newer sending, which waits for its turn, will say what came of it.
        if wanted() {
            let again = next.map_or_else(String::new, |n| format!(" The next try is in {} s.", n.as_secs().max(1)));
            tell(Tell::Sent(text + &again));
        }
        let Some(wait) = next else { return };
        let until = Instant::now() + wait;
        while wanted() && Instant::now() < until {
            std::thread::sleep(LOOK_EVERY.min(wait));
        }
    }
}

fn words(pass: &Pass) -> String {
    let mut text = format!("Stored now: {}", pass.stored);
    if pass.warned > 0 {
        text.push_str(&format!(" ({} with a warning)", pass.warned));
    }
    if pass.refused > 0 {
        text.push_str(&format!(", refused or not sent: {}", pass.refused));
    }
    if pass.waiting > 0 {
        text.push_str(&format!(", not yet: {}", pass.waiting));
    }
    text.push('.');
    for trouble in &pass.troubles {
        text.push_str(&format!(" {trouble}."));
    }
    text
}

fn fetch(from: &str, study: &str, data_dir: &Path, stop: &AtomicBool, tell: &dyn Fn(Tell)) -> Result<(String, PathBuf)> {
    let settings = ArchiveSettings::load(data_dir)?;
    let folder = settings.received(data_dir);
    let mut told = Instant::now();
    let Fetched { arrived, known, notes, failed } = settings.fetch(from, study, &folder, &mut |came, left| {
        if told.elapsed() >= PROGRESS_EVERY {
            told = Instant::now();
            tell(Tell::Fetching(came, left));
        }
        if stop.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    })?;
    let mut text = format!("Objects fetched: {arrived}");
    if known > 0 {
        text.push_str(&format!(" ({known} were here already)"));
    }
    for note in notes.iter().chain(&failed) {
        text.push_str(&format!(". {note}"));
    }
    Ok((text, folder.join(study)))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use std::net::TcpListener;
    use std::sync::{Arc, mpsc};
    use std::thread::JoinHandle;

    use super::*;

    const LONGEST: Duration = Duration::from_secs(60);

    /// A data folder with one image in its outbox, for an archive at `port`.
    fn desk(port: u16) -> tempfile::TempDir {
        let home = tempfile::tempdir().unwrap();
        let text = format!(
            "title = \"DESK\"\n[[archive]]\nname = \"site\"\ntitle = \"SITE\"\nhost = \"127.0.0.1\"\nport = {port}\n\
             [patience]\nconnect_s = 1\nsilence_s = 2\nanswer_s = 2\nretry_s = 1\n"
        );
        std::fs::write(crate::files::archive_settings_in(home.path()), text).unwrap();
        let image = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/visit-2/frame-1.dcm");
        Outbox::of(home.path()).add(&image, "site", false).unwrap();
        home
    }

    /// An archive that takes everything.
    fn archive(port: u16) -> (tempfile::TempDir, Receiver) {
        let site = tempfile::tempdir().unwrap();
        let text = format!("title = \"SITE\"\n[receiver]\nport = {port}\n[[caller]]\ntitle = \"DESK\"\n");
        let receiver = Receiver::start(&ArchiveSettings::parse(&text, site.path()).unwrap(), site.path(), |_| ()).unwrap();
        (site, receiver)
    }

    /// A sending on a thread of its own, and what it tells.
    fn sending(home: &Path, shared: &Arc<Shared>) -> (JoinHandle<()>, mpsc::Receiver<Tell>) {
        let (said, heard) = mpsc::channel();
        let (home, shared) = (home.to_path_buf(), Arc::clone(shared));
        let thread = std::thread::spawn(move || send(&home, &crate::files::records_in(&home), &shared, &|t| drop(said.send(t))));
        (thread, heard)
    }

    /// What comes next of how a pass ended.
    fn sent(heard: &mpsc::Receiver<Tell>) -> String {
        loop {
            if let Tell::Sent(words) = heard.recv_timeout(LONGEST).expect("nothing is sent any more") {
                return words;
            }
        }
    }

    #[test]
    fn a_newer_sending_waits_for_the_pass_of_the_older_one_and_goes_on() {
        // It takes the call and never says a word.
        let silent = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = silent.local_addr().unwrap().port();
        let home = desk(port);
        let shared = Arc::new(Shared::default());
        let (first, of_first) = sending(home.path(), &shared);
        silent.accept().unwrap();
        let (second, of_second) = sending(home.path(), &shared);
        let words = sent(&of_second);
        assert!(words.contains("not yet: 1") && words.contains("next try") && !words.contains("another program"), "{words}");
        first.join().unwrap();
        assert!(!of_first.try_iter().any(|t| matches!(t, Tell::Sent(_))), "it spoke for the newer one");
        drop(silent);
        let _there = archive(port);
        while !sent(&of_second).contains("Stored now: 1") {}
        second.join().unwrap();
    }

    #[test]
    fn what_is_no_item_is_shown_and_a_pass_shows_its_progress() {
        let (_site, receiver) = archive(0);
        let home = desk(receiver.address().port());
        std::fs::write(crate::files::outbox_in(home.path()).join("bad.json"), "{").unwrap();
        let set_up = set_up(home.path(), &crate::files::records_in(home.path())).unwrap();
        assert!(set_up.outbox.len() == 1 && set_up.not_items[0].contains("an item of the outbox cannot be read"), "{set_up:?}");
        let (thread, heard) = sending(home.path(), &Arc::default());
        thread.join().unwrap();
        let shown = heard.try_iter().filter_map(|t| if let Tell::Outbox(items, faults) = t { Some((items, faults)) } else { None });
        let shown: Vec<_> = shown.collect();
        assert!(shown.iter().all(|(items, faults)| (items.len(), faults.len()) == (1, 1)), "{shown:?}");
        assert!(shown.iter().any(|(items, _)| matches!(items[0].outcome, crate::archive::Outcome::Trying { .. })), "{shown:?}");
        assert!(shown.last().unwrap().0[0].outcome.is_stored());
    }

    #[test]
    fn another_program_that_is_sending_is_waited_for() {
        let (_site, receiver) = archive(0);
        let home = desk(receiver.address().port());
        let held = crate::files::lock_folder(&crate::files::outbox_in(home.path())).unwrap().unwrap();
        let (thread, heard) = sending(home.path(), &Arc::default());
        let words = sent(&heard);
        assert!(words.contains("another program") && words.contains("next try"), "{words}");
        drop(held);
        while !sent(&heard).contains("Stored now: 1") {}
        thread.join().unwrap();
    }
}
