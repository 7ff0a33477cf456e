//! Taking an object that the other side sends over an association, whether it pushes it or was asked for it.

use dicom_dictionary_std::tags;

use super::association::Association;
use super::command::Command;
use super::inbox::{Arrived, Inbox};
use crate::error::{Error, ErrorKind, Result};

/// What an object came to. The outer error is the end of the association; the inner one was told to the sender.
pub(super) type Taken = Result<std::result::Result<Arrived, Error>>;

/// Takes the data set that follows the C-STORE request `asked` and answers.
pub(super) fn take(association: &mut Association, context: u8, asked: &Command, inbox: &Inbox, most: u64) -> Taken {
    let agreed = association.context(context).cloned();
    let class = asked.words(tags::AFFECTED_SOP_CLASS_UID).unwrap_or_default();
    let instance = asked.words(tags::AFFECTED_SOP_INSTANCE_UID).unwrap_or_default();
    let begun = match &agreed {
        Some(c) if c.class == class => inbox.begin(&class, &instance, &c.syntax, association.peer()),
        _ => Err(Error::new(ErrorKind::Invalid, "the object is of another sort than was agreed")),
    };
    // Whatever is wrong so far, the data set is on its way and has to be read before anything can be answered.
    let mut arriving = begun;
    if asked.has_data() {
        association.receive_data(context, most, &mut |bytes| {
            if let Ok(a) = &mut arriving {
                a.take(bytes);
            }
        })?;
    } else {
        arriving = Err(Error::new(ErrorKind::Format, "the object cannot be taken").expected("a data set").found("none"));
    }
    let outcome = arriving.and_then(super::inbox::Arriving::finish);
    let answer = match &outcome {
        Ok(_) => Command::answer(asked, 0),
        Err(e) => Command::answer(asked, status_of(e)).text(tags::ERROR_COMMENT, &comment(e)),
    };
    association.send(context, &answer)?;
    Ok(outcome)
}

/// Statuses of PS3.4 table B.2-1: out of resources, does not agree with its sort, not understood. Of an object's own faults
/// [`ErrorKind::Invalid`] is only that it contradicts what was said of it.
fn status_of(e: &Error) -> u16 {
    match e.kind() {
        ErrorKind::Io => 0xA700,
        ErrorKind::Invalid => 0xA900,
        _ => 0xC000,
    }
}

/// Error Comment (0000,0902) has at most 64 characters, plain ones.
fn comment(e: &Error) -> String {
    e.message().chars().filter(|c| c.is_ascii() && !c.is_ascii_control() && *c != '\\').take(64).collect()
}
