//! A DICOM file as it is sent: what it is, and its data set byte by byte as it stands. Nothing is ever put into another
//! transfer syntax on the way.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use dicom_object::FileMetaTableBuilder;
use sha2::{Digest, Sha256};

use crate::dicom::attributes::{self as at, Attributes};
use crate::dicom::source::first_bytes;
use crate::dicom::syntax::Syntax;
use crate::dicom::walk;
use crate::dicom::write::{IMPLEMENTATION, IMPLEMENTATION_NAME};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};

/// A file that can be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Object {
    /// The file.
    pub path: PathBuf,
    /// SOP Class UID.
    pub class: String,
    /// SOP Instance UID.
    pub instance: String,
    /// Study Instance UID.
    pub study: String,
    /// Transfer syntax of its data set.
    pub syntax: Syntax,
    /// Where the data set begins in the file, bytes.
    pub data_set: u64,
}

impl Object {
    /// Reads the header of a file.
    ///
    /// # Errors
    /// As [`walk::walk`]; [`ErrorKind::Format`] when one of its UIDs is absent or none.
    pub fn open(path: &Path) -> Result<Self> {
        let read = || {
            let mut file = BufReader::new(File::open(path).map_err(|e| Error::io("the file cannot be read", path, e))?);
            Self::read(&mut file, path)
        };
        read().map_err(|e| e.at(path))
    }

    /// Whether the file begins as DICOM does; one that cannot be read does not.
    #[must_use]
    pub fn is_dicom(path: &Path) -> bool {
        let head = File::open(path).and_then(|mut f| first_bytes(&mut f, 160));
        head.is_ok_and(|head| walk::looks_like_dicom(&head))
    }

    /// As [`Object::open`], of what is behind `reader`.
    ///
    /// # Errors
    /// As [`Object::open`].
    pub(super) fn read<R: Read + Seek>(reader: R, path: &Path) -> Result<Self> {
        let header = walk::walk(reader)?;
        let a = Attributes::decode(&header.kept, header.syntax.layout)?;
        let uid = |which: at::Attribute| match a.text(which) {
            Some(text) if is_uid(&text) => Ok(text),
            found => Err(at::bad(which, "a UID", if found.is_some() { "something else" } else { "none" })),
        };
        Ok(Self {
            path: path.to_path_buf(),
            class: uid(at::SOP_CLASS)?,
            instance: uid(at::SOP_INSTANCE)?,
            study: uid(at::STUDY)?,
            syntax: header.syntax,
            data_set: header.data_set,
        })
    }

    /// The data set from its first byte.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn data_set(&self) -> Result<BufReader<File>> {
        let fail = |e| Error::io("the file cannot be read", &self.path, e);
        let mut file = File::open(&self.path).map_err(fail)?;
        file.seek(SeekFrom::Start(self.data_set)).map_err(fail)?;
        Ok(BufReader::with_capacity(256 * 1024, file))
    }

    /// SHA-256 of the data set.
    ///
    /// # Errors
    /// [`ErrorKind::Io`].
    pub fn digest(&self) -> Result<String> {
        digest_of(&mut self.data_set()?).map_err(|e| Error::io("the file cannot be read", &self.path, e))
    }

    /// Preamble and file meta group (PS3.10 section 7.1) for the data set as it stands; `from` is the title of whoever sent it.
    ///
    /// # Errors
    /// [`ErrorKind::Format`].
    pub(super) fn head(&self, from: Option<&str>) -> Result<Vec<u8>> {
        head(&self.class, &self.instance, self.syntax.uid, from)
    }
}

/// SHA-256, in hexadecimal, of what is left of `reader`.
pub(super) fn digest_of(reader: &mut dyn Read) -> std::io::Result<String> {
    let mut hash = Sha256::new();
    let mut piece = vec![0_u8; 256 * 1024];
    loop {
        let n = reader.read(&mut piece)?;
        if n == 0 {
            return Ok(digest::hex(&hash.finalize()));
        }
        hash.update(piece.get(..n).unwrap_or_default());
    }
}

/// What stands before a data set in a file.
pub(super) fn head(class: &str, instance: &str, syntax: &str, from: Option<&str>) -> Result<Vec<u8>> {
    let mut builder = FileMetaTableBuilder::new()
        .media_storage_sop_class_uid(class)
        .media_storage_sop_instance_uid(instance)
        .transfer_syntax(syntax)
        .implementation_class_uid(IMPLEMENTATION)
        .implementation_version_name(IMPLEMENTATION_NAME);
    if let Some(title) = from {
        builder = builder.source_application_entity_title(title);
    }
    let failed = |e: &dyn std::fmt::Display| Error::new(ErrorKind::Format, "a file's head cannot be written").found(e.to_string());
    let table = builder.build().map_err(|e| failed(&e))?;
    let mut bytes = vec![0_u8; 128];
    bytes.extend_from_slice(b"DICM");
    table.write(&mut bytes).map_err(|e| failed(&e))?;
    Ok(bytes)
}

/// Whether this is a UID (PS3.5 section 9.1): numbers between dots, at most 64 characters. Nothing else becomes part of a file
/// name or of an address.
pub(super) fn is_uid(text: &str) -> bool {
    text.len() <= 64 && text.split('.').all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit()))
}

/// The last 12 characters of a UID, by which people tell objects and exams apart in a list.
#[must_use]
pub fn end_of(uid: &str) -> &str {
    uid.char_indices().nth_back(11).and_then(|(at, _)| uid.get(at..)).unwrap_or(uid)
}

/// The classes of objects that are sent, fetched and received (PS3.4 table B.5-1): ultrasound, captures, and reports.
pub(super) const CLASSES: [&str; 13] = [
    "1.2.840.10008.5.1.4.1.1.6.1",
    "1.2.840.10008.5.1.4.1.1.3.1",
    // Retired, and still on old scanners.
    "1.2.840.10008.5.1.4.1.1.6",
    "1.2.840.10008.5.1.4.1.1.3",
    // Secondary Capture, then its multi-frame kinds of 8-bit grey, more bits, and colour.
    "1.2.840.10008.5.1.4.1.1.7",
    "1.2.840.10008.5.1.4.1.1.7.2",
    "1.2.840.10008.5.1.4.1.1.7.3",
    "1.2.840.10008.5.1.4.1.1.7.4",
    // Reports: Basic Text, Enhanced, Comprehensive, Comprehensive 3D, Extensible.
    "1.2.840.10008.5.1.4.1.1.88.11",
    "1.2.840.10008.5.1.4.1.1.88.22",
    "1.2.840.10008.5.1.4.1.1.88.33",
    "1.2.840.10008.5.1.4.1.1.88.34",
    "1.2.840.10008.5.1.4.1.1.88.35",
];

/// Whether objects of this class are reports.
#[must_use]
pub(super) fn is_report(class: &str) -> bool {
    class.starts_with("1.2.840.10008.5.1.4.1.1.88.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_a_uid_is_its_last_twelve_characters() {
        assert_eq!(["1.2.840.10008.5.1.4", "1.2.3", "", "12345678901é"].map(end_of), [".10008.5.1.4", "1.2.3", "", "12345678901é"]);
    }
}
