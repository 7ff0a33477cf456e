//! Carries out what a session asks: opens, decodes and saves off the drawing thread, so that the window never waits.

mod agreement;
mod archive;
mod in_order;
mod planning;
mod practice;
mod repeatability;
mod report;
mod review;
mod scale;
mod teaching;

use std::collections::HashSet;
use std::future::Future;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, Wake, Waker};
use std::thread;
use std::time::{Duration, Instant};

use in_order::InOrder;

use super::action::{Action, Effect, Found};
use super::app::World;
use super::decoder::Decoder;
use super::keeper::Keeper;
use super::session::{ArchiveAction, ArchiveEffect, ExamState, SaveJob, TeachingEffect};
use crate::cli::profile;
use crate::context::Dating;
use crate::digest;
use crate::error::Result;
use crate::files;
use crate::load::scan;
use crate::record::{Drafts, Patient, Store, Stored};
use crate::sample::{self, SavedLandmarks};

/// How often the window is told how far opening has come.
const PROGRESS_EVERY: Duration = Duration::from_millis(80);
/// A dialog that ends sooner than this without an answer was never shown.
const NO_DIALOG: Duration = Duration::from_millis(400);
/// Longest landmarks file of the sample exam, bytes.
const LONGEST_SAMPLE: u64 = 1024 * 1024;

/// The way to the window from any thread.
#[derive(Clone)]
struct Answers {
    send: Sender<Action>,
    ctx: egui::Context,
}

impl Answers {
    /// Gives the window an answer, and wakes it. It may be gone already; then nobody wants the answer.
    fn give(&self, action: Action) {
        let _ = self.send.send(action);
        self.ctx.request_repaint();
    }
}

/// Threads and channels behind a window.
pub struct Worker {
    send: Sender<Action>,
    receive: Receiver<Action>,
    decoder: Decoder,
    stop: Arc<AtomicBool>,
    records: PathBuf,
    keeper: Keeper,
    /// Writes the teaching set in progress.
    teaching: InOrder,
    data_dir: PathBuf,
    archive: Arc<archive::Shared>,
    receiver: Arc<Mutex<Option<crate::archive::Receiver>>>,
}

impl Worker {
    /// A worker that keeps records in `records`, settings and unfinished readings in `data_dir`, and begins by reading what
    /// was left unfinished.
    #[must_use]
    pub fn new(records: PathBuf, data_dir: PathBuf, ctx: &egui::Context) -> Self {
        let (send, receive) = channel();
        let decoder = Decoder::start(&send, ctx);
        let drafts = Drafts::at(files::drafts_in(&data_dir));
        let answers = Answers { send: send.clone(), ctx: ctx.clone() };
        let keeper = Keeper::start(drafts.clone(), window_name(), move |text| answers.give(Action::Tell(text)));
        let stop = Arc::new(AtomicBool::new(false));
        let (archive, receiver) = (Arc::default(), Arc::default());
        let worker = Self { send, receive, decoder, stop, records, keeper, teaching: InOrder::start(), data_dir, archive, receiver };
        let left_in = worker.data_dir.clone();
        worker.spawn(ctx, move |answer| {
            if let Some(action) = teaching::left(&left_in) {
                answer(action);
            }
        });
        let folders = [worker.records.clone(), files::drafts_in(&worker.data_dir)];
        worker.spawn(ctx, move |_| {
            // What cannot be tidied is in nobody's way.
            folders.iter().for_each(|dir| drop(files::remove_leftovers(dir)));
        });
        let data_dir = worker.data_dir.clone();
        worker.spawn(ctx, move |answer| {
            answer(scale::history(&data_dir));
            if let Some(practised) = practice::at_start(&data_dir) {
                answer(practised);
            }
        });
        let (data_dir, records) = (worker.data_dir.clone(), worker.records.clone());
        worker.spawn(ctx, move |answer| {
            if let Some(action) = repeatability::of_folder(&data_dir, &records) {
                answer(action);
            }
        });
        worker.spawn(ctx, move |answer| match drafts.load() {
            Ok((drafts, faults)) => answer(Action::Drafts(drafts, faults.iter().map(ToString::to_string).collect())),
            Err(e) => answer(Action::Tell(format!("Unfinished readings cannot be listed: {e}"))),
        });
        worker
    }

    /// Runs `work` on a thread of its own with a way to answer. A fault in it becomes a message, never a dead window.
    fn spawn(&self, ctx: &egui::Context, work: impl FnOnce(&dyn Fn(Action)) + Send + 'static) {
        let answers = self.answers_to(ctx);
        thread::spawn(move || {
            let answer = |action: Action| answers.give(action);
            if catch_unwind(AssertUnwindSafe(|| work(&answer))).is_err() {
                answer(Action::Tell("A fault in the program stopped that. What is on screen is kept; please report it.".into()));
            }
        });
    }

    fn answers_to(&self, ctx: &egui::Context) -> Answers {
        Answers { send: self.send.clone(), ctx: ctx.clone() }
    }

    fn open(&self, paths: Vec<PathBuf>, ctx: &egui::Context) {
        self.stop.store(false, Ordering::Relaxed);
        self.decoder.forget();
        let stop = self.stop.clone();
        let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
        self.spawn(ctx, move |answer| {
            let found = catch_unwind(AssertUnwindSafe(|| look_through(&paths, &stop, answer)));
            let found = found.unwrap_or_else(|_| Err("A fault in the program stopped the looking.".to_owned()));
            // First what was read before, so that nobody begins anew beside it.
            if let Ok(found) = &found {
                let keys = found.exams.iter().map(|e| Patient::from(&e.patient).key()).collect();
                answer(records_of(&data_dir, &records, &keys));
                answer(planning::told(&data_dir, &records));
            }
            answer(Action::Opened(found));
        });
    }

    /// Starts the receiver or stops it, off this thread: a port may be slow to be had or given back.
    fn receive(&self, yes: bool, ctx: &egui::Context) {
        let (data_dir, held, answers) = (self.data_dir.clone(), self.receiver.clone(), self.answers_to(ctx));
        self.spawn(ctx, move |answer| {
            let mut held = held.lock().unwrap_or_else(PoisonError::into_inner);
            // The one that ran goes first: its port may be wanted again.
            *held = None;
            let mut listening = None;
            if yes {
                match archive::receive(&data_dir, move |action| answers.give(action)) {
                    Ok((receiver, words)) => {
                        *held = Some(receiver);
                        listening = Some(words);
                    }
                    Err(e) => answer(Action::Tell(format!("Nothing is received: {e}"))),
                }
            }
            answer(ArchiveAction::Listening(listening).into());
        });
    }

    fn pick(&self, folder: bool, ctx: &egui::Context) {
        // The dialog is asked for here because some platforms want that on the window's own thread; waiting is elsewhere.
        let dialog = rfd::AsyncFileDialog::new();
        let begun = Instant::now();
        let (files, one): (Option<_>, Option<_>) =
            if folder { (None, Some(dialog.pick_folder())) } else { (Some(dialog.pick_files()), None) };
        self.spawn(ctx, move |answer| {
            let paths: Vec<PathBuf> = match (files, one) {
                (Some(f), _) => wait_for(f).unwrap_or_default().iter().map(|h| h.path().to_path_buf()).collect(),
                (_, Some(f)) => wait_for(f).iter().map(|h| h.path().to_path_buf()).collect(),
                (None, None) => Vec::new(),
            };
            if !paths.is_empty() {
                answer(Action::Open(paths));
            } else if begun.elapsed() < NO_DIALOG {
                let text =
                    "No file dialog could be shown here. Type a path in the list of exams and frames (F), or drop files on the window.";
                answer(Action::Tell(text.into()));
            }
        });
    }
}

impl World for Worker {
    fn carry_out(&mut self, effect: Effect, ctx: &egui::Context) {
        match effect {
            Effect::Open(paths) => self.open(paths, ctx),
            Effect::StopOpening => self.stop.store(true, Ordering::Relaxed),
            Effect::PickFiles => self.pick(false, ctx),
            Effect::PickFolder => self.pick(true, ctx),
            Effect::Decode(key) => self.decoder.now(key),
            Effect::DecodeAhead(keys) => self.decoder.ahead(keys),
            Effect::Save(job) => {
                let index = files::index_in(&self.data_dir, &self.records);
                let store = Store::at(&self.records).with_index(index);
                self.spawn(ctx, move |answer| {
                    let saved = catch_unwind(AssertUnwindSafe(|| save(&store, &job)));
                    let result = match saved {
                        Ok(Ok(stored)) => Ok(Box::new(stored)),
                        Ok(Err(e)) => Err(e.to_string()),
                        Err(_) => Err("a fault in the program; nothing was written".into()),
                    };
                    answer(Action::Saved(job, result));
                });
            }
            Effect::KeepSettings(settings) => {
                // On this thread, in order: it is one small file, and the last choice must be the one that stays.
                if let Err(e) = settings.save(&self.data_dir) {
                    self.answers_to(ctx).give(Action::Tell(format!("The settings are not kept: {e}")));
                }
            }
            Effect::Teaching(effect @ (TeachingEffect::Keep(_) | TeachingEffect::Forget)) => {
                let (data_dir, records, answers) = (self.data_dir.clone(), self.records.clone(), self.answers_to(ctx));
                self.teaching.then(move || {
                    if let Some(action) = teaching::carry_out(effect, &data_dir, &records) {
                        answers.give(action);
                    }
                });
            }
            Effect::Plan(effect) => {
                let (records, data_dir) = (self.records.clone(), self.data_dir.clone());
                self.spawn(ctx, move |answer| answer(planning::carry_out(effect, &data_dir, &records)));
            }
            Effect::Teaching(effect) => {
                let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
                self.spawn(ctx, move |answer| {
                    if let Some(action) = teaching::carry_out(effect, &data_dir, &records) {
                        answer(action);
                    }
                });
            }
            Effect::Report(effect) => {
                let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
                self.spawn(ctx, move |answer| answer(report::carry_out(effect, &data_dir, &records)));
            }
            Effect::Practice(effect) => {
                let data_dir = self.data_dir.clone();
                self.spawn(ctx, move |answer| answer(practice::carry_out(effect, &data_dir)));
            }
            Effect::Review(effect) => {
                let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
                self.spawn(ctx, move |answer| answer(review::carry_out(effect, &data_dir, &records)));
            }
            Effect::Agreement(effect) => {
                let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
                self.spawn(ctx, move |answer| answer(agreement::carry_out(effect, &data_dir, &records)));
            }
            Effect::ReadRecords(patients) => {
                let (data_dir, records) = (self.data_dir.clone(), self.records.clone());
                self.spawn(ctx, move |answer| answer(records_of(&data_dir, &records, &patients.into_iter().collect())));
            }
            Effect::Scale(effect) => {
                let data_dir = self.data_dir.clone();
                self.spawn(ctx, move |answer| answer(scale::carry_out(effect, &data_dir)));
            }
            Effect::Archive(ArchiveEffect::Receive(yes)) => self.receive(yes, ctx),
            Effect::Archive(effect) => {
                let (data_dir, records, shared) = (self.data_dir.clone(), self.records.clone(), self.archive.clone());
                self.spawn(ctx, move |answer| archive::carry_out(effect, &data_dir, &records, &shared, answer));
            }
            Effect::KeepDraft(draft) => self.keeper.keep(*draft),
            Effect::DiscardDraft(draft) => self.keeper.discard(*draft),
            // The window itself does these.
            Effect::Close | Effect::Focus(_) | Effect::Copy(_) => {}
        }
    }

    fn finish(&mut self) {
        *self.receiver.lock().unwrap_or_else(PoisonError::into_inner) = None;
        self.keeper.finish();
        self.teaching.finish();
    }

    fn answers(&mut self) -> Vec<Action> {
        let answers: Vec<Action> = self.receive.try_iter().collect();
        self.decoder.taken(answers.iter().filter(|a| matches!(a, Action::Decoded(..))).count());
        answers
    }
}

/// A name that no other window has.
fn window_name() -> String {
    let random = files::random_key().unwrap_or_default();
    // Without randomness two windows might share a name only if they also shared a process number.
    format!("{:x}{}", std::process::id(), digest::hex(&random[..6]))
}

fn save(store: &Store, job: &SaveJob) -> Result<Stored> {
    files::check_records(store.dir())?;
    let record = job.record(files::now_exactly())?;
    let (who, served) = job.reader();
    let mark = store.second_reading(&who, &record.exam_key(), served)?;
    let record = record.with_second(mark)?;
    let path = store.save(&record)?;
    Ok(Stored { path, record })
}

/// The records of these patients that this reader may see, by their keys; with no key, those that name nobody. However many
/// records there are, only these are read.
fn records_of(data_dir: &Path, records: &Path, keys: &HashSet<Option<String>>) -> Action {
    let found = profile::store_in(data_dir, records).and_then(|store| store.index().map(|index| (store, index))).map(|(store, index)| {
        let mut faults: Vec<String> = index.unreadable().iter().map(ToString::to_string).collect();
        let mut records = Vec::new();
        for entry in index.entries().iter().filter(|e| keys.contains(&e.patient().map(str::to_owned))) {
            match store.open(entry) {
                Ok(stored) => records.push(stored),
                Err(e) => faults.push(e.to_string()),
            }
        }
        Action::Records(records, faults)
    });
    found.unwrap_or_else(|e| Action::Tell(format!("The saved records cannot be listed: {e}")))
}

/// Looks through files and folders, telling how far it has come.
fn look_through(paths: &[PathBuf], stop: &AtomicBool, answer: &dyn Fn(Action)) -> std::result::Result<Found, String> {
    let mut found = Found::default();
    let (mut before, mut told) = (0, Instant::now());
    for path in paths {
        let mut last = 0;
        let scanned = scan::scan(path, &mut |p| {
            last = p.found;
            if told.elapsed() >= PROGRESS_EVERY {
                told = Instant::now();
                answer(Action::OpenProgress(before + p.done, before + p.found));
            }
            if stop.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
        .map_err(|e| e.to_string())?;
        before += last;
        found.exams.extend(scanned.exams.iter().map(ExamState::from));
        found.not_frames.extend(scanned.not_frames.into_iter().map(|(p, why)| (name_of(&p), why)));
        if scanned.stopped {
            found.stopped = true;
            break;
        }
    }
    join_same_exams(&mut found);
    name_sample(&mut found)?;
    Ok(found)
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Files of one exam that were named one by one become one exam.
fn join_same_exams(found: &mut Found) {
    let mut joined: Vec<ExamState> = Vec::new();
    for exam in std::mem::take(&mut found.exams) {
        match joined.iter_mut().find(|e| e.key == exam.key) {
            Some(known) => {
                for file in exam.files {
                    if !known.files.iter().any(|f| f.path == file.path) {
                        known.files.push(file);
                    }
                }
                known.files.sort_by(|a, b| a.path.cmp(&b.path));
            }
            None => joined.push(exam),
        }
    }
    found.exams = joined;
}

/// The bundled sample exam names its own guideline and due date.
fn name_sample(found: &mut Found) -> std::result::Result<(), String> {
    let Some(dir) = files::sample_exam_dir() else { return Ok(()) };
    let dir = dir.canonicalize().unwrap_or(dir);
    let in_sample = |p: &Path| p.canonicalize().is_ok_and(|p| p.starts_with(&dir));
    let mut exams: Vec<&mut ExamState> = found.exams.iter_mut().filter(|e| e.files.iter().all(|f| in_sample(&f.path))).collect();
    if exams.is_empty() {
        return Ok(());
    }
    let saved =
        files::read_text(&dir.join(sample::FILE), LONGEST_SAMPLE).and_then(|t| SavedLandmarks::parse(&t)).map_err(|e| e.to_string())?;
    for exam in &mut exams {
        exam.name_for_itself(&saved.guideline, Dating::DueDate(saved.due_date));
    }
    found.not_frames.retain(|(name, _)| name != sample::FILE);
    Ok(())
}

/// Waits for a future on this thread.
fn wait_for<T>(future: impl Future<Output = T>) -> T {
    struct Unpark(thread::Thread);
    impl Wake for Unpark {
        fn wake(self: Arc<Self>) {
            self.0.unpark();
        }
    }
    let waker = Waker::from(Arc::new(Unpark(thread::current())));
    let mut context = Context::from_waker(&waker);
    let mut future = pin!(future);
    loop {
        match future.as_mut().poll(&mut context) {
            Poll::Ready(value) => return value,
            Poll::Pending => thread::park(),
        }
    }
}
