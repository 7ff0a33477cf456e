//! The archive: sending records and images, finding and fetching exams, receiving what scanners send. The network is used here
//! and nowhere else.
//!
//! Whatever comes in is bounded in memory and time before it is believed. Nothing is said to be stored before the archive said
//! so, and nothing is put into another transfer syntax on the way. [`Outbox`] holds what waits to be sent, on disk.

mod association;
mod command;
mod inbox;
mod link;
mod object;
mod outbox;
mod query;
mod receiver;
mod sender;
mod settings;
mod taking;
mod tls;
mod web;
mod wire;

pub use inbox::{Arrived, Inbox};
pub use object::{Object, end_of};
pub use outbox::{Item, Outbox, Outcome};
pub use query::{Answer, Fetched, Found, MOST_FOUND, Question};
pub use receiver::{Event, Receiver};
pub use sender::{Pass, Sender, Watch};
pub use settings::{ArchiveSettings, Caller, ClientTls, DicomArchive, Patience, Place, ReceiverSettings, SAMPLE, ServerTls, WebArchive};

use std::ops::ControlFlow;
use std::path::Path;
use std::time::Instant;

use crate::error::Result;
use link::Link;

impl ArchiveSettings {
    fn link<'a>(&'a self, archive: &'a DicomArchive) -> Link<'a> {
        Link { own: &self.title, archive, patience: self.patience }
    }

    /// Asks the archive of this name whether it is there and would talk to this workstation; says how it answered.
    ///
    /// # Errors
    /// [`ErrorKind::Io`](crate::ErrorKind::Io) when it does not answer, [`ErrorKind::Usage`](crate::ErrorKind::Usage) when it
    /// does not want this workstation.
    pub fn test(&self, name: &str) -> Result<String> {
        let begun = Instant::now();
        match self.place(name)? {
            Place::Dicom(archive) => {
                self.link(archive).echo()?;
                Ok(format!("answered a link test (C-ECHO) in {} ms", begun.elapsed().as_millis()))
            }
            Place::Web(archive) => {
                web::test(archive, &self.patience)?;
                Ok(format!("answered a search (QIDO-RS) in {} ms", begun.elapsed().as_millis()))
            }
        }
    }

    /// The exams of the archive of this name that match.
    ///
    /// # Errors
    /// As [`Self::test`]; as [`Question::checked`].
    pub fn find(&self, name: &str, question: Question) -> Result<Answer> {
        let question = question.checked()?;
        match self.place(name)? {
            Place::Dicom(archive) => self.link(archive).find(&question),
            Place::Web(archive) => web::find(archive, &self.patience, &question),
        }
    }

    /// Fetches a study from the archive of this name into a folder. `progress` is told how many objects have come and how many
    /// are left, where the archive says so, and may stop it.
    ///
    /// # Errors
    /// As [`Self::test`]; [`ErrorKind::Usage`](crate::ErrorKind::Usage) when `study` is no UID, or it was stopped.
    pub fn fetch(
        &self,
        name: &str,
        study: &str,
        folder: &Path,
        progress: &mut dyn FnMut(usize, Option<u16>) -> ControlFlow<()>,
    ) -> Result<Fetched> {
        if !object::is_uid(study) {
            return Err(crate::Error::new(crate::ErrorKind::Usage, "the exam cannot be named so")
                .expected("a Study Instance UID")
                .found("something else"));
        }
        let inbox = Inbox::at(folder);
        let most = self.receiver.largest_object_mb.saturating_mul(1_000_000);
        match self.place(name)? {
            Place::Dicom(archive) => self.link(archive).get(study, &inbox, most, progress),
            Place::Web(archive) => web::get(archive, &self.patience, study, &inbox, most, progress),
        }
    }
}
