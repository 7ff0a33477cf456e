//! Where objects arrive: written beside, walked through, then put in place whole. Two objects of one UID with different
//! content are both kept and said to differ.

use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::object::{self, Object, is_uid};
use crate::dicom::syntax;
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, Writing};
use crate::load::StoredFile;

/// The folder of objects that arrived.
#[derive(Clone, Debug)]
pub struct Inbox {
    folder: PathBuf,
}

/// What became of an object.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrived {
    /// Its file.
    pub path: PathBuf,
    /// Its study.
    pub study: String,
    /// Its SOP Instance UID.
    pub instance: String,
    /// Whether it is a report.
    pub report: bool,
    /// It was here before with the same content.
    pub known: bool,
    /// An object of the same UID with other content is here too.
    pub differs: bool,
    /// Why it cannot be read as a frame, where it is an image.
    pub unreadable: Option<String>,
}

impl Arrived {
    /// One sentence, without identity.
    #[must_use]
    pub fn words(&self) -> String {
        let what = if self.report { "report" } else { "image" };
        let end = object::end_of(&self.instance);
        let mut text = format!("{what} …{end}");
        if self.known {
            text.push_str(": was here already, the same");
        }
        if self.differs {
            text.push_str(": an object of this UID with OTHER content was here; both are kept, look at both");
        }
        if let Some(why) = &self.unreadable {
            text.push_str(&format!(": kept, but it cannot be read ({why})"));
        }
        text
    }
}

/// An object that is arriving.
pub(super) struct Arriving<'a> {
    inbox: &'a Inbox,
    file: Writing,
    failed: Option<Error>,
    class: String,
    instance: String,
}

impl Inbox {
    /// The inbox in `folder`, which is made when the first object arrives.
    #[must_use]
    pub fn at(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into() }
    }

    /// Where it is.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Begins an object of which only the data set will come.
    pub(super) fn begin(&self, class: &str, instance: &str, syntax: &str, from: &str) -> Result<Arriving<'_>> {
        if !is_uid(instance) || !is_uid(class) {
            return Err(Error::new(ErrorKind::Format, "the object cannot be taken").expected("UIDs").found("something else"));
        }
        let mut arriving = self.begin_file(class, instance)?;
        // A command without a known syntax cannot come here: contexts are agreed in known ones only.
        let syntax = syntax::find(syntax).map_or(syntax, |s| s.uid);
        let head = object::head(class, instance, syntax, Some(from))?;
        arriving.file.write_all(&head).map_err(|e| Error::io("the object cannot be written", &self.folder, e))?;
        Ok(arriving)
    }

    /// Begins an object that will come as a whole file.
    pub(super) fn begin_file(&self, class: &str, instance: &str) -> Result<Arriving<'_>> {
        // Hidden, and on the same disk, so that what is half there is in no list and can be put in place by renaming.
        let file = Writing::begin(&self.folder.join(".arriving"))?;
        Ok(Arriving { inbox: self, file, failed: None, class: class.to_owned(), instance: instance.to_owned() })
    }
}

impl Arriving<'_> {
    /// Takes the next bytes. A failure is kept for [`Arriving::finish`], so that the sender can be told in order.
    pub(super) fn take(&mut self, bytes: &[u8]) {
        if self.failed.is_none()
            && let Err(e) = self.file.write_all(bytes)
        {
            self.failed = Some(Error::io("the object cannot be written", &self.inbox.folder, e));
        }
    }

    /// Puts the object in place.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] for the disk; [`ErrorKind::Invalid`] when it is another than was said; [`ErrorKind::Format`],
    /// [`ErrorKind::Limit`] and [`ErrorKind::Unsupported`] when it is no sound object.
    pub(super) fn finish(mut self) -> Result<Arrived> {
        if let Some(e) = self.failed.take() {
            return Err(e);
        }
        let fail = |e| Error::io("the object cannot be written", &self.inbox.folder, e);
        self.file.flush().map_err(fail)?;
        self.file.seek(SeekFrom::Start(0)).map_err(fail)?;
        let object = Object::read(std::io::BufReader::new(&mut self.file), Path::new(""))?;
        let said = |what: &str| Error::new(ErrorKind::Invalid, format!("the object is of another {what} than was said"));
        if !self.class.is_empty() && object.class != self.class {
            return Err(said("sort"));
        }
        if !self.instance.is_empty() && object.instance != self.instance {
            return Err(said("UID"));
        }
        self.file.seek(SeekFrom::Start(object.data_set)).map_err(fail)?;
        let digest = object::digest_of(&mut self.file).map_err(fail)?;
        place(self.file, &self.inbox.folder, &object, &digest)
    }
}

/// Puts a checked object in place, beside one of its UID with other content.
fn place(file: Writing, folder: &Path, object: &Object, digest: &str) -> Result<Arrived> {
    let dir = folder.join(&object.study);
    let plain = format!("{}.dcm", object.instance);
    let apart = format!("{}_{}.dcm", object.instance, digest.get(..12).unwrap_or_default());
    let mut arrived = Arrived {
        path: dir.join(&plain),
        study: object.study.clone(),
        instance: object.instance.clone(),
        report: object::is_report(&object.class),
        known: false,
        differs: false,
        unreadable: None,
    };
    let same = |path: &Path| -> Result<bool> {
        let there = Object::open(path)?;
        Ok(there.syntax == object.syntax && there.digest()? == digest)
    };
    if arrived.path.exists() {
        if same(&arrived.path)? {
            return Ok(Arrived { known: true, ..arrived });
        }
        arrived.differs = true;
        arrived.path = dir.join(&apart);
        if arrived.path.exists() {
            return Ok(Arrived { known: true, ..arrived });
        }
    }
    let name = if arrived.differs { &apart } else { &plain };
    match file.publish(&dir, name) {
        Ok(path) => arrived.path = path,
        // Another association brought the same UID in the meantime. Asking the sender to try again settles it.
        Err(e) if e.kind() == ErrorKind::Record => {
            return Err(Error::new(ErrorKind::Io, "the same object came twice at once").remedy("Send it again"));
        }
        Err(e) => return Err(e),
    }
    if !arrived.report {
        arrived.unreadable = StoredFile::open(&arrived.path).err().map(|e| e.message());
    }
    Ok(arrived)
}

/// Removes what a crash left half arrived.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder cannot be listed.
pub(super) fn tidy(folder: &Path) -> Result<usize> {
    files::remove_leftovers(&folder.join(".arriving"))
}
