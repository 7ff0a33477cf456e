//! What is to be sent, on disk: one file an object, replaced whole at each step, so that neither a kill nor a power cut loses an
//! object or makes one seem stored that is not.
//!
//! An object is marked as being tried before its first byte goes out. One that is found so marked later was cut off in the
//! middle: whether the archive has it is not known, and it is sent again under the same UID, which archives know how to take.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::object::{self, Object};
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, FolderLock};
use crate::record::study_key;

const SCHEMA: &str = "osspan-outbox/1";
/// Longest file of an item, bytes.
const LONGEST: u64 = 64 * 1024;

/// Where an object stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "is", rename_all = "snake_case", deny_unknown_fields)]
pub enum Outcome {
    /// Not yet: it waits to be sent.
    NotYet {
        /// What the last try failed for.
        why: Option<String>,
    },
    /// It is being sent, or was when the program ended.
    Trying {
        /// Since when.
        since: String,
    },
    /// The archive said that it has it.
    Stored {
        /// When.
        at: String,
    },
    /// The archive said that it has it, with a warning.
    StoredWithWarning {
        /// When.
        at: String,
        /// What the archive said.
        said: String,
    },
    /// The archive said no.
    Refused {
        /// When.
        at: String,
        /// What the archive said.
        said: String,
    },
    /// It cannot be sent, for a reason on this side.
    Withheld {
        /// When.
        at: String,
        /// Why.
        why: String,
    },
}

impl Outcome {
    /// Whether it is still to be sent.
    #[must_use]
    pub const fn is_open(&self) -> bool {
        matches!(self, Self::NotYet { .. } | Self::Trying { .. })
    }

    /// Whether the archive said that it has it.
    #[must_use]
    pub const fn is_stored(&self) -> bool {
        matches!(self, Self::Stored { .. } | Self::StoredWithWarning { .. })
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::NotYet { why: None } => "not yet: waiting to be sent".into(),
            Self::NotYet { why: Some(why) } => format!("not yet: {why}"),
            Self::Trying { since } => {
                let since = minute(since);
                format!("not yet: a try of {since} has not ended; whether the archive has it is not known, and it will be sent again")
            }
            Self::Stored { at } => format!("stored, said the archive {}", minute(at)),
            Self::StoredWithWarning { at, said } => format!("stored with a warning, said the archive {}: {said}", minute(at)),
            Self::Refused { at, said } => format!("REFUSED by the archive {}: {said}", minute(at)),
            Self::Withheld { at, why } => format!("NOT SENT, {}: {why}", minute(at)),
        }
    }
}

/// A time to the minute, for people.
fn minute(at: &str) -> String {
    at.get(..16).unwrap_or(at).replace('T', " ")
}

/// One object and one archive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    schema: String,
    /// Made from archive, UID and content: the same object is queued once.
    pub id: String,
    /// The archive's name in the settings.
    pub to: String,
    /// The object's file.
    pub file: PathBuf,
    /// Whether the file was made for the outbox and is removed once the archive has it.
    pub made: bool,
    /// SHA-256 of the data set when it was queued.
    pub digest: String,
    /// SOP Instance UID.
    pub instance: String,
    /// Study Instance UID.
    pub study: String,
    /// Whether it is a report.
    pub report: bool,
    /// When it was queued.
    pub queued_at: String,
    /// How often its sending was begun.
    pub tries: u32,
    /// Where it stands.
    pub outcome: Outcome,
}

impl Item {
    /// The key that the exam's readings have: [`ReadingRecord::exam_key`](crate::record::ReadingRecord::exam_key).
    #[must_use]
    pub fn exam(&self) -> String {
        study_key(&self.study)
    }

    /// One line of a list, without identity.
    #[must_use]
    pub fn line(&self) -> String {
        let what = if self.report { "report" } else { "image" };
        let end = object::end_of(&self.instance);
        let tries = if self.tries > 1 { format!(" ({} tries)", self.tries) } else { String::new() };
        format!("{what} …{end} to {}: {}{tries}", self.to, self.outcome.words())
    }
}

/// The outbox of a data folder.
#[derive(Clone, Debug)]
pub struct Outbox {
    dir: PathBuf,
}

impl Outbox {
    /// The outbox of a data folder; it is made when something is queued.
    #[must_use]
    pub fn of(data_dir: &Path) -> Self {
        Self { dir: files::outbox_in(data_dir) }
    }

    /// Queues the object in `path` for the archive named `to`. One that is there already is given back as it stands; with
    /// `again`, one that the archive has, or has refused, is queued anew.
    ///
    /// # Errors
    /// As [`Object::open`]; [`ErrorKind::Io`].
    pub fn add(&self, path: &Path, to: &str, again: bool) -> Result<Item> {
        let path = std::path::absolute(path).map_err(|e| Error::io("the file cannot be named", path, e))?;
        self.queue(&path, to, again, false)
    }

    /// Queues an object that was made for sending, given as the bytes of its file; `again` as of [`Outbox::add`]. They are kept
    /// in the outbox until every archive that they are queued for has them.
    ///
    /// # Errors
    /// As [`Outbox::add`].
    pub fn add_made(&self, bytes: &[u8], to: &str, again: bool) -> Result<Item> {
        let object = Object::read(std::io::Cursor::new(bytes), Path::new(""))?;
        // A report of the same name may have been made anew with other content.
        let digest = object::digest_of(&mut &bytes[..]).unwrap_or_default();
        let name = format!("{}_{}.dcm", object.instance, digest.get(..12).unwrap_or_default());
        let path = self.objects().join(&name);
        if !path.is_file() {
            files::publish_new(&self.objects(), &name, bytes)?;
        }
        let item = self.queue(&path, to, again, true);
        // The archive may have had it before.
        self.let_go(&path)?;
        item
    }

    fn objects(&self) -> PathBuf {
        self.dir.join("objects")
    }

    fn queue(&self, path: &Path, to: &str, again: bool, made: bool) -> Result<Item> {
        let object = Object::open(path)?;
        let digest = object.digest()?;
        let basis = format!("{to}\n{}\n{digest}", object.instance);
        let id = object::digest_of(&mut basis.as_bytes()).unwrap_or_default().get(..24).unwrap_or_default().to_owned();
        let known = self.dir.join(name(&id));
        if known.is_file() {
            let mut item = read(&known)?;
            if again && !item.outcome.is_open() {
                item.outcome = Outcome::NotYet { why: None };
                item.made = made;
                let before = std::mem::replace(&mut item.file, path.to_path_buf());
                self.save(&item)?;
                self.let_go(&before)?;
            }
            return Ok(item);
        }
        let item = Item {
            schema: SCHEMA.into(),
            id,
            to: to.to_owned(),
            file: path.to_path_buf(),
            made,
            digest,
            instance: object.instance,
            study: object.study,
            report: object::is_report(&object.class),
            queued_at: files::now_exactly(),
            tries: 0,
            outcome: Outcome::NotYet { why: None },
        };
        self.save(&item)?;
        Ok(item)
    }

    /// Everything in it, in the order of queueing, and an error for each file that is no item.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when the folder cannot be listed.
    pub fn items(&self) -> Result<(Vec<Item>, Vec<Error>)> {
        let (mut items, mut faults) = (Vec::new(), Vec::new());
        for path in files::list(&self.dir, "json")? {
            match read(&path) {
                Ok(item) => items.push(item),
                Err(e) => faults.push(e.at(&path)),
            }
        }
        let order = |i: &Item| (files::instant(&i.queued_at).0, i.study.clone(), i.instance.clone());
        items.sort_by_cached_key(order);
        Ok((items, faults))
    }

    /// Queues again what the archive refused or this side withheld; returns how many.
    ///
    /// # Errors
    /// As [`Outbox::items`], [`ErrorKind::Io`].
    pub fn retry(&self, wanted: impl Fn(&Item) -> bool) -> Result<usize> {
        let mut count = 0;
        for mut item in self.items()?.0 {
            if matches!(item.outcome, Outcome::Refused { .. } | Outcome::Withheld { .. }) && wanted(&item) {
                item.outcome = Outcome::NotYet { why: None };
                self.save(&item)?;
                count += 1;
            }
        }
        Ok(count)
    }

    /// Drops from the list what the archive has; returns how many.
    ///
    /// # Errors
    /// As [`Outbox::items`], [`ErrorKind::Io`].
    pub fn clear_stored(&self) -> Result<usize> {
        let stored: Vec<Item> = self.items()?.0.into_iter().filter(|i| i.outcome.is_stored()).collect();
        stored.iter().try_for_each(|i| files::remove(&self.dir.join(name(&i.id))))?;
        Ok(stored.len())
    }

    /// Removes a file that was made for the outbox, unless an archive has still to get it: one that refused it may be asked again.
    fn let_go(&self, file: &Path) -> Result<()> {
        let wanted = |i: &Item| i.file == file && !i.outcome.is_stored();
        if !file.starts_with(self.objects()) || self.items()?.0.iter().any(wanted) { Ok(()) } else { files::remove(file) }
    }

    /// Puts an item's state on disk before anything goes on.
    pub(super) fn save(&self, item: &Item) -> Result<()> {
        let text =
            serde_json::to_vec_pretty(item).map_err(|e| Error::new(ErrorKind::Format, "the outbox cannot be written").caused_by(e))?;
        files::replace(&self.dir, &name(&item.id), &text)?;
        if item.made && item.outcome.is_stored() { self.let_go(&item.file) } else { Ok(()) }
    }

    /// Holds the outbox for one sender; `None` when another program is sending.
    pub(super) fn hold(&self) -> Result<Option<FolderLock>> {
        files::lock_folder(&self.dir)
    }
}

fn name(id: &str) -> String {
    format!("{id}.json")
}

fn read(path: &Path) -> Result<Item> {
    let damaged = |e: &dyn std::fmt::Display| {
        Error::new(ErrorKind::Format, "an item of the outbox cannot be read")
            .found(e.to_string())
            .remedy("Move the file away and queue its object again")
    };
    let item: Item = serde_json::from_str(&files::read_text(path, LONGEST)?).map_err(|e| damaged(&e))?;
    if item.schema == SCHEMA { Ok(item) } else { Err(damaged(&"another version")) }
}
