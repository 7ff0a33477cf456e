//! Sends what the outbox holds, and puts on disk what the archive says of each object as soon as it says it.

use std::collections::{HashMap, VecDeque};
use std::ops::ControlFlow;
use std::path::Path;
use std::time::{Duration, Instant};

use super::command::Meaning;
use super::link::{Link, Said};
use super::object::Object;
use super::outbox::{Item, Outbox, Outcome};
use super::settings::{ArchiveSettings, Place};
use super::web;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// A sender with its memory of which archives did not answer.
#[derive(Debug)]
pub struct Sender {
    settings: ArchiveSettings,
    outbox: Outbox,
    waits: HashMap<String, Wait>,
    /// Passes in a row in which nothing was stored.
    barren: u32,
}

/// An archive that did not answer.
#[derive(Debug)]
struct Wait {
    tries: u32,
    until: Instant,
}

/// What a pass over the outbox came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pass {
    /// Objects that an archive said it has.
    pub stored: usize,
    /// Of them, those with a warning.
    pub warned: usize,
    /// Objects that an archive refused, or that cannot be sent.
    pub refused: usize,
    /// Objects that still wait.
    pub waiting: usize,
    /// How long until another pass makes sense, where something waits.
    pub next: Option<Duration>,
    /// What archives did not answer for, one sentence each.
    pub troubles: Vec<String>,
}

/// Told of each item whenever its state has changed on disk; may stop the pass.
pub type Watch<'a> = dyn FnMut(&Item) -> ControlFlow<()> + 'a;

/// Why a batch ended before its end.
pub(super) enum Halt {
    /// The archive cannot be reached, or has no room: later.
    Link(Error),
    /// Whoever watches wants to stop.
    Stopped,
    /// The outbox itself cannot be written: nothing must go on.
    Outbox(Error),
}

/// The objects for one archive, in order, and how their states are kept.
pub(super) struct Batch<'a, 'w> {
    outbox: &'a Outbox,
    watch: &'a mut Watch<'w>,
    pass: &'a mut Pass,
}

impl Batch<'_, '_> {
    /// Marks an object as being sent, on disk, before its first byte goes out.
    pub(super) fn trying(&mut self, item: &mut Item) -> std::result::Result<(), Halt> {
        item.tries += 1;
        item.outcome = Outcome::Trying { since: files::now() };
        self.keep(item)
    }

    /// Keeps what the archive said.
    pub(super) fn said(&mut self, item: &mut Item, said: Said) -> std::result::Result<(), Halt> {
        let at = files::now();
        item.outcome = match said.meaning {
            Meaning::Success => Outcome::Stored { at },
            Meaning::Warning => Outcome::StoredWithWarning { at, said: said.words },
            Meaning::Later | Meaning::Pending => Outcome::NotYet { why: Some(said.words) },
            Meaning::Failure => Outcome::Refused { at, said: said.words },
        };
        match &item.outcome {
            Outcome::Stored { .. } => self.pass.stored += 1,
            Outcome::StoredWithWarning { .. } => {
                self.pass.stored += 1;
                self.pass.warned += 1;
            }
            Outcome::Refused { .. } => self.pass.refused += 1,
            _ => {}
        }
        self.keep(item)
    }

    /// Keeps that an object could not be sent this time.
    pub(super) fn not_yet(&mut self, item: &mut Item, why: &Error) -> std::result::Result<(), Halt> {
        item.outcome = Outcome::NotYet { why: Some(why.message()) };
        self.keep(item)
    }

    /// Whether an object is still what was queued; where it is not, that is kept. Asked right before it is sent, since all of it
    /// has to be read for that.
    pub(super) fn unchanged(&mut self, item: &mut Item, object: &Object) -> std::result::Result<bool, Halt> {
        match object.digest() {
            Ok(digest) if digest == item.digest => Ok(true),
            Ok(_) => {
                let why = "the file was changed after it was queued; queue it again".into();
                item.outcome = Outcome::Withheld { at: files::now(), why };
                self.pass.refused += 1;
                self.keep(item).map(|()| false)
            }
            Err(e) => self.not_yet(item, &e).map(|()| false),
        }
    }

    fn keep(&mut self, item: &Item) -> std::result::Result<(), Halt> {
        self.outbox.save(item).map_err(Halt::Outbox)?;
        if (self.watch)(item).is_break() { Err(Halt::Stopped) } else { Ok(()) }
    }
}

impl Sender {
    /// A sender for the outbox of a data folder.
    #[must_use]
    pub fn new(settings: ArchiveSettings, data_dir: &Path) -> Self {
        Self { settings, outbox: Outbox::of(data_dir), waits: HashMap::new(), barren: 0 }
    }

    /// Tries everything that waits and whose archive is not to be left alone for now. Of one object that cannot be read the
    /// rest is not held up; of one archive that does not answer no other is.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when another program is sending from this outbox; [`ErrorKind::Io`] when the outbox cannot be read
    /// or written, upon which nothing more is sent.
    pub fn pass(&mut self, watch: &mut Watch<'_>) -> Result<Pass> {
        let Some(_held) = self.outbox.hold()? else {
            return Err(Error::new(ErrorKind::Usage, "another program is sending from this outbox").remedy("Wait for it, or end it"));
        };
        let mut open: Vec<Item> = self.outbox.items()?.0.into_iter().filter(|i| i.outcome.is_open()).collect();
        // Those that failed more often come later, so that a faulty one does not keep others waiting for ever.
        open.sort_by_key(|i| i.tries);
        let mut places: Vec<String> = Vec::new();
        for item in &open {
            if !places.contains(&item.to) {
                places.push(item.to.clone());
            }
        }
        let mut pass = Pass::default();
        for name in places {
            if self.waits.get(&name).is_some_and(|w| w.until > Instant::now()) {
                continue;
            }
            let items: Vec<Item> = open.iter().filter(|i| i.to == name).cloned().collect();
            let halt = self.deliver(&name, items, watch, &mut pass).err();
            match halt {
                None => drop(self.waits.remove(&name)),
                Some(Halt::Stopped) => break,
                Some(Halt::Outbox(e)) => return Err(e),
                Some(Halt::Link(e)) => {
                    let tries = self.waits.get(&name).map_or(0, |w| w.tries) + 1;
                    self.waits.insert(name.clone(), Wait { tries, until: Instant::now() + self.settings.patience.wait(tries) });
                    pass.troubles.push(format!("{name}: {}", e.message()));
                }
            }
        }
        let still: Vec<Item> = self.outbox.items()?.0.into_iter().filter(|i| i.outcome.is_open()).collect();
        pass.waiting = still.len();
        self.barren = if pass.stored > 0 { 0 } else { self.barren.saturating_add(1) };
        let otherwise = self.settings.patience.wait(self.barren.max(1));
        let left = |i: &Item| self.waits.get(&i.to).map_or(otherwise, |w| w.until.saturating_duration_since(Instant::now()));
        let waits = still.iter().map(left);
        pass.next = waits.min();
        Ok(pass)
    }

    fn deliver(&self, name: &str, items: Vec<Item>, watch: &mut Watch<'_>, pass: &mut Pass) -> std::result::Result<(), Halt> {
        let mut batch = Batch { outbox: &self.outbox, watch, pass };
        let place = self.settings.place(name).map_err(Halt::Link)?;
        let mut ready: VecDeque<(Item, Object)> = VecDeque::new();
        for mut item in items {
            match Object::open(&item.file) {
                Ok(object) => ready.push_back((item, object)),
                // It may lie on a disk that is not connected.
                Err(e) => batch.not_yet(&mut item, &e)?,
            }
        }
        match place {
            Place::Dicom(archive) => {
                let link = Link { own: &self.settings.title, archive, patience: self.settings.patience };
                over_network(&link, ready, &mut batch)
            }
            Place::Web(archive) => web::store(archive, &self.settings.patience, ready, &mut batch),
        }
    }
}

fn over_network(link: &Link<'_>, mut ready: VecDeque<(Item, Object)>, batch: &mut Batch<'_, '_>) -> std::result::Result<(), Halt> {
    while let Some((first, _)) = ready.front() {
        let objects: Vec<Object> = ready.iter().map(|r| r.1.clone()).collect();
        let mut first = first.clone();
        let mut sending = match link.open_for(&objects) {
            Ok(sending) => sending,
            Err(e) => {
                batch.not_yet(&mut first, &e)?;
                return Err(Halt::Link(e));
            }
        };
        while let Some((mut item, object)) = ready.pop_front_if(|r| sending.covers(&r.1)) {
            if !batch.unchanged(&mut item, &object)? {
                continue;
            }
            let done = batch.trying(&mut item).and_then(|()| match sending.store(&object) {
                Ok(said) => {
                    let later = said.meaning == Meaning::Later;
                    let words = said.words.clone();
                    batch.said(&mut item, said)?;
                    if later { Err(Halt::Link(Error::new(ErrorKind::Io, "the archive has no room").found(words))) } else { Ok(()) }
                }
                Err(e) => {
                    batch.not_yet(&mut item, &e)?;
                    Err(Halt::Link(e))
                }
            });
            if let Err(halt) = done {
                sending.abort();
                return Err(halt);
            }
        }
        sending.release();
    }
    Ok(())
}
