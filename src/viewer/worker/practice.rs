//! What the page of practice asks of files.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::cli::profile;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::load::StoredFile;
use crate::load::scan::scan;
use crate::practice::Desk;
use crate::practice::assessment::Sitting;
use crate::viewer::action::Action;
use crate::viewer::session::{ExamState, GivenCase, Known, Of, PracticeAction as Do, PracticeEffect};

/// What the reader of this workstation has practised, for when the window opens; nothing before one is named.
pub(super) fn at_start(data_dir: &Path) -> Option<Action> {
    let reader = profile::onlooker(data_dir).ok()??.reader;
    Some(carry_out(PracticeEffect::Load(reader), data_dir))
}

/// Carries out one effect.
pub(super) fn carry_out(effect: PracticeEffect, data_dir: &Path) -> Action {
    let desk = |reader: &str| Desk::open(data_dir, reader);
    let loaded = |reader: String, done: Result<()>| {
        let known = done.and_then(|()| desk(&reader)).and_then(|d| known(&d));
        Do::Loaded(reader, known.map(Box::new).map_err(|e| e.to_string()))
    };
    Action::Practice(match effect {
        PracticeEffect::Load(reader) => loaded(reader, Ok(())),
        PracticeEffect::Next(reader, level) => {
            let given = desk(&reader).and_then(|d| d.next(level, &files::now())).and_then(|g| {
                let of = g.case.level.map_or(Of::Own, Of::Level);
                case(g.case.id, of, g.note, &g.frame)
            });
            Do::Given(given.map(Box::new).map_err(|e| e.to_string()))
        }
        PracticeEffect::Submit(reader, id, answer, table) => {
            let marked = desk(&reader).and_then(|d| d.submit(&id, answer, &table, &files::now()));
            Do::Marked(marked.map(Box::new).map_err(|e| e.message()))
        }
        PracticeEffect::Consent(reader, yes) => {
            let kept = desk(&reader).and_then(|d| d.set_consent(yes, &files::now()));
            loaded(reader, kept)
        }
        PracticeEffect::Turn(reader, folder) => turn(desk(&reader).and_then(|d| Sitting::open(&folder, d)), folder),
        PracticeEffect::AnswerTurn(reader, folder, id, answer) => {
            let sitting = desk(&reader).and_then(|d| Sitting::open(&folder, d)).and_then(|mut s| {
                s.answer(&id, answer, &files::now())?;
                Ok(s)
            });
            match sitting {
                // The case stays on its desk, and can be answered again.
                Err(e) => Do::Marked(Err(e.message())),
                sitting => turn(sitting, folder),
            }
        }
        PracticeEffect::HandIn(reader, folder, passphrase) => {
            let done = hand_in(data_dir, &reader, &folder, &passphrase);
            Do::HandedIn(done.map_err(|e| e.to_string()))
        }
    })
}

fn known(desk: &Desk) -> Result<Known> {
    let (attempts, faults) = desk.attempts()?;
    let own_left = desk.own_cases()?.iter().filter(|c| attempts.iter().all(|a| a.case.id != c.id)).count();
    Ok(Known {
        placement: desk.placement_by(&attempts)?,
        open: desk.is_open()?,
        own_left,
        faults: faults.iter().map(ToString::to_string).collect(),
        attempts,
    })
}

/// The case whose turn it is in a sitting, or that all are answered.
fn turn(sitting: Result<Sitting>, folder: PathBuf) -> Do {
    let mut sitting = match sitting {
        Ok(s) => s,
        Err(e) => return Do::Given(Err(e.to_string())),
    };
    match sitting.turn(&files::now()) {
        Ok(None) => {
            let set = sitting.set();
            Do::AllAnswered(Ok((folder, format!("{}, form {}", set.content.name, set.content.form.letter()))))
        }
        Ok(Some(t)) => {
            let given = case(t.id, Of::Assessment(folder, t.number, t.of), t.note, &t.frame);
            Do::Given(given.map(Box::new).map_err(|e| e.to_string()))
        }
        Err(e) => Do::Given(Err(e.to_string())),
    }
}

/// A case with its frame, loaded as any frame is.
fn case(id: String, of: Of, note: String, path: &Path) -> Result<GivenCase> {
    let scanned = scan(path, &mut |_| ControlFlow::Continue(()))?;
    let unreadable = || Error::new(ErrorKind::Format, "the practice frame cannot be read").expected("one frame").found("none").at(path);
    let exam = scanned.exams.first().map(ExamState::from).ok_or_else(unreadable)?;
    let frame = Arc::new(StoredFile::open(path)?.frame(1)?);
    Ok(GivenCase { id, of, note, exam, frame })
}

fn hand_in(data_dir: &Path, reader: &str, folder: &Path, passphrase: &str) -> Result<String> {
    let asked =
        || if passphrase.is_empty() { Err(profile::sealed("Type its passphrase beside the button")) } else { Ok(passphrase.to_owned()) };
    let seed = profile::reader_seed(data_dir, reader, asked)?;
    let path = Sitting::open(folder, Desk::open(data_dir, reader)?)?.hand_in(folder, &seed, &files::now())?;
    Ok(format!("Handed in as {}", path.display()))
}
