//! Assessments on disk: freezing, sitting, handing in, marking.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::forms::{Likeness, likeness};
use super::plan::{Form, MOST_ROUNDS, Placed, ROUND, cases};
use super::result::{Answered, Answers, AssessmentResult};
use super::set::{AssessmentSet, Criteria, SetCase};
use super::signed::{Part, Signed};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::guideline::{Table, TableRef};
use crate::load::StoredFile;
use crate::practice::VERSION;
use crate::practice::desk::Desk;
use crate::practice::marking::{Answer, check_answer};
use crate::practice::secret::Secret;

/// The set's file in its folder.
const SET: &str = "set.json";
/// Version of the shape of an unfinished sitting's file.
const SITTING_SCHEMA: &str = "osspan-sitting/1";
/// Longest part of an assessment that is read, bytes.
const LONGEST: u64 = 4 * 1024 * 1024;
/// Longest frame, bytes.
const LONGEST_FRAME: u64 = 64 * 1024 * 1024;
/// Secrets that are tried until two forms are alike.
const TRIES: usize = 50;

/// What a lead freezes.
#[derive(Clone, Debug)]
pub struct Frozen<'a> {
    /// What it is called.
    pub name: &'a str,
    /// Rounds of 20 cases.
    pub rounds: usize,
    /// What must be reached.
    pub criteria: Criteria,
    /// The guideline table.
    pub table: &'a Table,
    /// Who freezes it.
    pub by: &'a str,
    /// Now, RFC 3339.
    pub at: &'a str,
}

fn fail(kind: ErrorKind, what: &str) -> Error {
    Error::new(kind, what)
}

/// Freezes both forms of a new assessment in the new folder `dir`, in parts "form-A" and "form-B", each with its frames. Returns
/// how alike they are. `random` gives 32 secret bytes each time it is called.
///
/// # Errors
/// [`ErrorKind::Usage`] when the criteria cannot be met or there is no passphrase, [`ErrorKind::Record`] when the folder holds a
/// set already, [`ErrorKind::Io`].
pub fn freeze(dir: &Path, what: &Frozen<'_>, passphrase: &str, seed: &[u8; 32], random: impl Fn() -> Result<[u8; 32]>) -> Result<Likeness> {
    if !(1..=MOST_ROUNDS).contains(&what.rounds) {
        return Err(fail(ErrorKind::Usage, "the set is not frozen")
            .expected(format!("1 to {MOST_ROUNDS} rounds of {ROUND} cases"))
            .found(what.rounds.to_string()));
    }
    what.criteria.check(what.rounds * ROUND)?;
    let folder = |form: Form| dir.join(format!("form-{}", form.letter()));
    // Frames are written one by one: what would stop the set is looked for before the first.
    for form in Form::BOTH {
        if files::read_text_if_there(&folder(form).join(SET), LONGEST)?.is_some() {
            return Err(fail(ErrorKind::Record, "the set is not frozen").expected("a new folder").found("a set already").at(dir));
        }
    }
    for _ in 0..TRIES {
        let secret = Secret::new(random()?);
        let both = [cases(&secret, Form::A, what.rounds)?, cases(&secret, Form::B, what.rounds)?];
        let [a, b] = &both;
        let alike = likeness(a, b, what.rounds, what.table);
        if !alike.alike() {
            continue;
        }
        let sealed = [files::seal(secret.bytes(), passphrase)?, files::seal(secret.bytes(), passphrase)?];
        for ((form, placed), sealed) in Form::BOTH.into_iter().zip(&both).zip(sealed) {
            let folder = folder(form);
            let mut listed = Vec::new();
            for p in placed {
                let bytes = p.task.object(&p.id)?.to_bytes()?;
                listed.push(SetCase { id: p.id.clone(), file_sha256: digest::sha256_hex(&bytes), note: p.task.scan_note().into() });
                files::publish_new(&folder.join("frames"), &format!("{}.dcm", p.id), &bytes)?;
            }
            let set = AssessmentSet {
                name: what.name.trim().to_owned(),
                form,
                version: VERSION,
                rounds: what.rounds,
                table: TableRef::from(what.table),
                criteria: what.criteria.clone(),
                cases: listed,
                sealed,
            };
            files::publish_new(&folder, SET, Signed::new(set, what.by, what.at, seed)?.to_json()?.as_bytes())?;
        }
        return Ok(alike);
    }
    Err(fail(ErrorKind::Invalid, "no two forms alike were found").expected(format!("one pair in {TRIES}")).found("none"))
}

/// Reads a part of an assessment from its file.
///
/// # Errors
/// As [`Signed::from_json`]; [`ErrorKind::Io`].
pub fn read_part<T: Part>(path: &Path) -> Result<Signed<T>> {
    Signed::from_json(&files::read_text(path, LONGEST)?).map_err(|e| e.at(path))
}

/// Reads the set in a folder.
///
/// # Errors
/// As [`read_part`].
pub fn read_set(dir: &Path) -> Result<Signed<AssessmentSet>> {
    read_part(&dir.join(SET))
}

/// What is kept of a sitting until it is handed in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    schema: String,
    set: String,
    answers: Vec<Answered>,
    open: Option<(String, String)>,
}

/// One trainee's sitting of a set.
#[derive(Clone, Debug)]
pub struct Sitting {
    dir: PathBuf,
    set: Signed<AssessmentSet>,
    desk: Desk,
    kept: Kept,
}

/// The case whose turn it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Turn {
    /// The case.
    pub id: String,
    /// Its frame.
    pub frame: PathBuf,
    /// The sonographer's line.
    pub note: String,
    /// Its number, from 1.
    pub number: usize,
    /// Of so many.
    pub of: usize,
}

impl Sitting {
    /// A trainee's sitting of the set in `dir`: taken up where it was left.
    ///
    /// # Errors
    /// As [`read_part`]; [`ErrorKind::Unsupported`] when the set is of another version of the course.
    pub fn open(dir: &Path, desk: Desk) -> Result<Self> {
        let set = read_set(dir)?;
        if set.content.version != VERSION {
            return Err(fail(ErrorKind::Unsupported, "the set cannot be taken")
                .expected(format!("version {VERSION} of the course"))
                .found(set.content.version.to_string()));
        }
        let id = set.id()?;
        let path = desk.dir().join(name(&id));
        let kept = match files::read_text_if_there(&path, LONGEST)? {
            None => Kept { schema: SITTING_SCHEMA.into(), set: id, answers: Vec::new(), open: None },
            Some(text) => {
                let damaged =
                    |found: String| fail(ErrorKind::Format, "the sitting cannot be read").expected(SITTING_SCHEMA).found(found).at(&path);
                let kept: Kept = serde_json::from_str(&text).map_err(|e| damaged(e.to_string()))?;
                if kept.schema != SITTING_SCHEMA || kept.set != id {
                    return Err(damaged("another".into()));
                }
                kept
            }
        };
        Ok(Self { dir: dir.to_path_buf(), set, desk, kept })
    }

    /// The set.
    #[must_use]
    pub const fn set(&self) -> &Signed<AssessmentSet> {
        &self.set
    }

    /// How many cases are still to answer. Asking does not give the next one.
    #[must_use]
    pub const fn left(&self) -> usize {
        self.set.content.cases.len().saturating_sub(self.kept.answers.len())
    }

    /// The case whose turn it is, given `now` unless it was before; `None` when all are answered.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when its frame was changed; [`ErrorKind::Io`].
    pub fn turn(&mut self, now: &str) -> Result<Option<Turn>> {
        let (number, of) = (self.kept.answers.len() + 1, self.set.content.cases.len());
        let Some(case) = self.set.content.cases.get(number - 1).cloned() else { return Ok(None) };
        let frame = self.dir.join("frames").join(format!("{}.dcm", case.id));
        if digest::sha256_hex(files::read_bytes(&frame, LONGEST_FRAME)?) != case.file_sha256 {
            return Err(fail(ErrorKind::Format, "the case cannot be given")
                .expected("the frame that was frozen")
                .found("another")
                .at(&frame));
        }
        if self.kept.open.as_ref().is_none_or(|(id, _)| *id != case.id) {
            self.kept.open = Some((case.id.clone(), now.to_owned()));
            self.keep()?;
        }
        Ok(Some(Turn { id: case.id, frame, note: case.note, number, of }))
    }

    /// Takes the answer to the case whose turn it is. Nothing is said of whether it is right.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when it is another case's turn; as [`check_answer`].
    pub fn answer(&mut self, id: &str, answer: Answer, now: &str) -> Result<()> {
        let turn = self.turn(now)?.filter(|t| t.id == id).ok_or_else(|| {
            fail(ErrorKind::Usage, "the answer is not taken").expected("an answer to the case whose turn it is").found("another")
        })?;
        check_answer(&answer, StoredFile::open(&turn.frame)?.geometry())?;
        let given_at = self.kept.open.take().map_or_else(|| now.to_owned(), |(_, at)| at);
        self.kept.answers.push(Answered { id: turn.id, given_at, submitted_at: now.to_owned(), answer });
        self.keep()
    }

    /// Signs all answers and puts them in the folder `to`; returns their file.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] while cases are unanswered; [`ErrorKind::Record`] when they were handed in before.
    pub fn hand_in(&self, to: &Path, seed: &[u8; 32], now: &str) -> Result<PathBuf> {
        let (done, of) = (self.kept.answers.len(), self.set.content.cases.len());
        if done < of {
            return Err(fail(ErrorKind::Usage, "the answers are not handed in").expected(format!("{of} answers")).found(done.to_string()));
        }
        let answers = Answers { set: self.kept.set.clone(), answers: self.kept.answers.clone() };
        let signed = Signed::new(answers, self.desk.reader(), now, seed)?;
        // One name for a trainee and a set: answers are handed in once, and both forms' may lie in one folder.
        let who = self.desk.dir().file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let set = self.kept.set.get(..8).unwrap_or_default();
        files::publish_new(to, &format!("answers-{set}-{who}.json"), signed.to_json()?.as_bytes())
    }

    fn keep(&self) -> Result<()> {
        let text = serde_json::to_vec_pretty(&self.kept)
            .map_err(|e| fail(ErrorKind::Record, "the sitting cannot be kept").found(e.to_string()))?;
        files::replace(self.desk.dir(), &name(&self.kept.set), &text).map(drop)
    }
}

fn name(set: &str) -> String {
    format!("sitting-{}.json", set.get(..20).unwrap_or_default())
}

/// Makes every frame of the set in `dir` again under the lead's passphrase, compares them bit for bit, and marks the answers.
///
/// # Errors
/// [`ErrorKind::Usage`] when the passphrase is another; [`ErrorKind::Record`] when a frame comes out otherwise; as
/// [`AssessmentResult::new`].
pub fn mark_answers(dir: &Path, answers: &Signed<Answers>, passphrase: &str, table: &Table) -> Result<AssessmentResult> {
    let set = read_set(dir)?;
    let content = &set.content;
    if content.version != VERSION {
        return Err(fail(ErrorKind::Unsupported, "the set cannot be marked")
            .expected(format!("version {VERSION} of the course"))
            .found(content.version.to_string()));
    }
    // What can be told without drawing is told first.
    AssessmentResult::check_set(&set, answers, table)?;
    let secret: [u8; 32] = files::unseal(&content.sealed, passphrase)?
        .try_into()
        .map_err(|_| fail(ErrorKind::Format, "the sealed secret cannot be used").expected("32 bytes").found("another length"))?;
    let placed: Vec<Placed> = cases(&Secret::new(secret), content.form, content.rounds)?;
    let other = || fail(ErrorKind::Record, "the set cannot be marked").expected("the frames that its secret gives").found("others");
    if placed.len() != content.cases.len() {
        return Err(other());
    }
    for (p, listed) in placed.iter().zip(&content.cases) {
        if p.id != listed.id || digest::sha256_hex(p.task.object(&p.id)?.to_bytes()?) != listed.file_sha256 {
            return Err(other());
        }
    }
    AssessmentResult::new(&set, answers, &placed, table)
}
