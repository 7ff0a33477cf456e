//! Practice on disk: the open case, answered ones, consent, own cases. Everything lies in a folder of its own in the data
//! folder, one part for each reader, and nothing in it is a clinical record.
//!
//! What an open case is follows from this folder's secret and from when it was given; nothing on disk says it otherwise.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::VERSION;
use super::attempt::{Attempt, CaseRef, Source, Taken};
use super::course::{Level, Task};
use super::key::AnswerKey;
use super::marking::Answer;
use super::own::{OWN_SCHEMA, OwnCase};
use super::placement::{Consent, Placement};
use super::secret::Secret;
use crate::dicom::write::UltrasoundObject;
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::guideline::Table;

/// Version of the shape of the open case's file.
const OPEN_SCHEMA: &str = "osspan-open-case/1";
const OPEN: &str = "open-case.json";
const CONSENT: &str = "consent.json";
/// Longest file of this folder that is read but frames, bytes.
const LONGEST: u64 = 256 * 1024;
/// Longest frame, bytes.
const LONGEST_FRAME: u64 = 64 * 1024 * 1024;

/// The case that a reader has been given and not answered. It names no seed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpenCase {
    /// The version of the shape of this file.
    pub schema: String,
    /// The case's identifier.
    pub id: String,
    /// The level; `None` for an own case.
    pub level: Option<Level>,
    /// Its number among this reader's cases, from 1.
    pub number: usize,
    /// When it was given, RFC 3339.
    pub given_at: String,
}

/// A case as a reader gets it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Given {
    /// Which.
    pub case: OpenCase,
    /// Its frame.
    pub frame: PathBuf,
    /// The sonographer's line that comes with it.
    pub note: String,
}

/// One reader's practice in a data folder.
#[derive(Clone, Debug)]
pub struct Desk {
    data_dir: PathBuf,
    dir: PathBuf,
    reader: String,
}

impl Desk {
    /// A reader's practice in `data_dir`; nothing is made there before a case is given.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when nobody is named.
    pub fn open(data_dir: &Path, reader: &str) -> Result<Self> {
        let reader = reader.trim();
        if reader.is_empty() {
            return Err(Error::new(ErrorKind::Usage, "practice is kept under a name")
                .expected("a reader")
                .found("none")
                .remedy("Name the reader: osspan profile --reader NAME"));
        }
        let name = digest::sha256_hex(reader.as_bytes());
        let dir = files::practice_in(data_dir).join(name.get(..16).unwrap_or_default());
        Ok(Self { data_dir: data_dir.to_path_buf(), dir, reader: reader.to_owned() })
    }

    fn secret(&self) -> Result<Secret> {
        files::practice_secret(&self.data_dir).map(Secret::new)
    }

    /// Who practises.
    #[must_use]
    pub fn reader(&self) -> &str {
        &self.reader
    }

    /// Where this reader's practice is kept.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The case that is open; `None` when there is none.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when its file is damaged, [`ErrorKind::Io`].
    pub fn open_case(&self) -> Result<Option<Given>> {
        self.kept()?.map(|case| self.give(case)).transpose()
    }

    /// What is kept of the open case; its frame is not looked at.
    fn kept(&self) -> Result<Option<OpenCase>> {
        let path = self.dir.join(OPEN);
        let Some(text) = files::read_text_if_there(&path, LONGEST)? else { return Ok(None) };
        let fail =
            |found: String| Error::new(ErrorKind::Format, "the open case cannot be read").expected(OPEN_SCHEMA).found(found).at(&path);
        let case: OpenCase = serde_json::from_str(&text).map_err(|e| fail(e.to_string()))?;
        if case.schema != OPEN_SCHEMA {
            return Err(fail(case.schema));
        }
        Ok(Some(case))
    }

    /// Whether a case is open.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn is_open(&self) -> Result<bool> {
        files::read_text_if_there(&self.dir.join(OPEN), LONGEST).map(|t| t.is_some())
    }

    /// The next case of a level, or of the own cases where `level` is `None`. A case that is open stays the next one until it is
    /// answered: hard ones cannot be passed over.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when no own case is left; [`ErrorKind::Io`].
    pub fn next(&self, level: Option<Level>, now: &str) -> Result<Given> {
        if let Some(open) = self.open_case()? {
            return Ok(open);
        }
        let (attempts, _) = self.attempts()?;
        let number = attempts.len() + 1;
        let id = match level {
            Some(level) => self.secret()?.id(&self.parts(level, number, now).each_ref().map(String::as_str)),
            None => {
                let seen = |id: &str| attempts.iter().any(|a| a.case.id == id);
                let left = self.own_cases()?.into_iter().find(|c| !seen(&c.id));
                left.map(|c| c.id).ok_or_else(|| {
                    Error::new(ErrorKind::Usage, "there is no own case left")
                        .expected("one that you have not answered")
                        .found("none")
                        .remedy("A lead adds one with osspan practice add")
                })?
            }
        };
        let case = OpenCase { schema: OPEN_SCHEMA.into(), id, level, number, given_at: now.to_owned() };
        let text = serde_json::to_vec_pretty(&case).map_err(|e| unwritable(&e))?;
        // The frame first: a case whose file is there can be shown.
        let given = self.give(case)?;
        files::replace(&self.dir, OPEN, &text)?;
        Ok(given)
    }

    /// Marks an answer to the open case and keeps it; returns it with what is true of the case.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when no case is open or another one is; as [`Attempt::new`].
    pub fn submit(&self, id: &str, answer: Answer, table: &Table, now: &str) -> Result<(Attempt, AnswerKey)> {
        let open = self.kept()?.filter(|c| c.id == id).ok_or_else(|| {
            Error::new(ErrorKind::Usage, "the answer is not taken").expected("an answer to the open case").found("another, or none open")
        })?;
        let (source, key) = match open.level {
            Some(level) => {
                let seed = self.seed(level, &open)?;
                (Source::Course { version: VERSION, level, seed }, Task::new(level, seed)?.key())
            }
            None => (Source::Own, self.own_key(id)?),
        };
        let taken = Taken { reader: self.reader.clone(), given_at: open.given_at, submitted_at: now.to_owned() };
        let attempt = Attempt::new(CaseRef { id: open.id, source }, taken, answer, &key, table)?;
        let name = format!("attempt-{}.json", attempt.content_sha256.get(..20).unwrap_or_default());
        files::publish_new(&self.dir.join("attempts"), &name, attempt.to_json()?.as_bytes())?;
        files::remove(&self.dir.join(OPEN))?;
        files::remove(&self.frame_path(id))?;
        Ok((attempt, key))
    }

    /// Every answered case, in the order answered, and an error for each file that holds none.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when the folder cannot be listed.
    pub fn attempts(&self) -> Result<(Vec<Attempt>, Vec<Error>)> {
        let (mut found, mut faults) = (Vec::new(), Vec::new());
        for path in files::list(&self.dir.join("attempts"), "json")? {
            match files::read_text(&path, LONGEST).and_then(|t| Attempt::from_json(&t)) {
                Ok(a) => found.push(a),
                Err(e) => faults.push(e.at(&path)),
            }
        }
        found.sort_by(|a, b| {
            files::instant(&a.taken.submitted_at)
                .cmp(&files::instant(&b.taken.submitted_at))
                .then_with(|| a.taken.given_at.cmp(&b.taken.given_at))
                .then_with(|| a.case.id.cmp(&b.case.id))
        });
        Ok((found, faults))
    }

    /// What this reader's practice says of their placement.
    ///
    /// # Errors
    /// As [`Desk::attempts`] and [`Desk::placement_by`].
    pub fn placement(&self) -> Result<Placement> {
        self.placement_by(&self.attempts()?.0)
    }

    /// The same, of this reader's answered cases as they were read.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when the consent is damaged.
    pub fn placement_by(&self, attempts: &[Attempt]) -> Result<Placement> {
        Ok(Placement::of(attempts, self.consent()?))
    }

    fn consent(&self) -> Result<Consent> {
        let path = self.dir.join(CONSENT);
        let Some(text) = files::read_text_if_there(&path, LONGEST)? else { return Ok(Consent::default()) };
        serde_json::from_str(&text).map_err(|e| {
            Error::new(ErrorKind::Format, "the consent cannot be read").expected("one that was given here").found(e.to_string()).at(&path)
        })
    }

    /// Keeps consent to widen clinical readings, given `now`, or its withdrawal. Readings already saved keep what they have.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn set_consent(&self, yes: bool, now: &str) -> Result<()> {
        let consent = Consent { given_at: yes.then(|| now.to_owned()) };
        let text = serde_json::to_vec_pretty(&consent).map_err(|e| unwritable(&e))?;
        files::replace(&self.dir, CONSENT, &text).map(drop)
    }

    /// Adds an own case: the frame's file, what is true of it, the line that comes with it. Returns its identifier.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when the frame is a case already; [`ErrorKind::Io`].
    pub fn add_own(&self, frame: &Path, key: &AnswerKey, note: &str, now: &str) -> Result<String> {
        let bytes = files::read_bytes(frame, LONGEST_FRAME)?;
        let file_sha256 = digest::sha256_hex(&bytes);
        let id = self.secret()?.id(&["own", &file_sha256]);
        let secret = serde_json::to_vec(key).map_err(|e| unwritable(&e))?;
        let case = OwnCase {
            schema: OWN_SCHEMA.into(),
            id: id.clone(),
            added_by: self.reader.clone(),
            added_at: now.to_owned(),
            file_sha256,
            note: note.trim().to_owned(),
            sealed: files::seal(&secret, &self.secret()?.passphrase(&["own", &id]))?,
        };
        let text = serde_json::to_vec_pretty(&case).map_err(|e| unwritable(&e))?;
        let own = self.own_dir();
        files::publish_new(&own, &format!("{id}.dcm"), &bytes)?;
        files::publish_new(&own, &format!("{id}.json"), &text)?;
        Ok(id)
    }

    /// Every own case, by when it was added.
    ///
    /// # Errors
    /// [`ErrorKind::Format`], [`ErrorKind::Io`].
    pub fn own_cases(&self) -> Result<Vec<OwnCase>> {
        let read = |path: &PathBuf| files::read_text(path, LONGEST).and_then(|t| OwnCase::from_json(&t)).map_err(|e| e.at(path));
        let mut all: Vec<OwnCase> = files::list(&self.own_dir(), "json")?.iter().map(read).collect::<Result<_>>()?;
        all.sort_by(|a, b| files::instant(&a.added_at).cmp(&files::instant(&b.added_at)).then_with(|| a.id.cmp(&b.id)));
        Ok(all)
    }

    fn own_key(&self, id: &str) -> Result<AnswerKey> {
        let case = self.own_case(id)?;
        let secret = files::unseal(&case.sealed, &self.secret()?.passphrase(&["own", id]))?;
        serde_json::from_slice(&secret)
            .map_err(|e| Error::new(ErrorKind::Format, "the own case cannot be opened").expected("its sealed truth").found(e.to_string()))
    }

    fn own_case(&self, id: &str) -> Result<OwnCase> {
        let gone = || Error::new(ErrorKind::Usage, "the own case is not here any more").expected(id).found("none");
        // An id is hexadecimal digits; from a file that was written by hand it could be a way to another folder.
        let path = self.own_dir().join(format!("{}.json", digest::from_hex(id).map(|_| id).ok_or_else(gone)?));
        let text = files::read_text_if_there(&path, LONGEST)?.ok_or_else(gone)?;
        OwnCase::from_json(&text).map_err(|e| e.at(&path)).and_then(|c| if c.id == id { Ok(c) } else { Err(gone()) })
    }

    fn own_dir(&self) -> PathBuf {
        files::practice_in(&self.data_dir).join("own")
    }

    fn frame_path(&self, id: &str) -> PathBuf {
        self.dir.join("frames").join(format!("{id}.dcm"))
    }

    /// What fixes a case of the course, besides the secret.
    fn parts(&self, level: Level, number: usize, given_at: &str) -> [String; 4] {
        [self.reader.clone(), level.number().to_string(), number.to_string(), given_at.to_owned()]
    }

    fn seed(&self, level: Level, open: &OpenCase) -> Result<u64> {
        Ok(self.secret()?.seed(&self.parts(level, open.number, &open.given_at).each_ref().map(String::as_str)))
    }

    /// The case with its frame, which is made where it is not there.
    fn give(&self, case: OpenCase) -> Result<Given> {
        let frame = self.frame_path(&case.id);
        let there = files::list(&self.dir.join("frames"), "dcm")?.contains(&frame);
        let note = match case.level {
            None => {
                let own = self.own_case(&case.id)?;
                if !there {
                    let bytes = files::read_bytes(&self.own_dir().join(format!("{}.dcm", case.id)), LONGEST_FRAME)?;
                    if digest::sha256_hex(&bytes) != own.file_sha256 {
                        return Err(Error::new(ErrorKind::Format, "the own case's frame was changed since it was added"));
                    }
                    put(&frame, &bytes)?;
                }
                own.note
            }
            Some(level) => {
                let task = Task::new(level, self.seed(level, &case)?)?;
                if !there {
                    put(&frame, &UltrasoundObject::to_bytes(&task.object(&case.id)?)?)?;
                }
                task.scan_note().to_owned()
            }
        };
        Ok(Given { case, frame, note })
    }
}

fn put(path: &Path, bytes: &[u8]) -> Result<()> {
    let (Some(dir), Some(name)) = (path.parent(), path.file_name()) else { return Ok(()) };
    files::replace(dir, &name.to_string_lossy(), bytes).map(drop)
}

fn unwritable(e: &serde_json::Error) -> Error {
    Error::new(ErrorKind::Record, "practice cannot be kept").found(e.to_string())
}
