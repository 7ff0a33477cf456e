//! Stored files become the frames that were put into them: every syntax and colour, and files that are wrong on purpose.

mod captures;
mod colour;
mod dicomfile;
mod hostile;
mod jpeg;
mod scan;
mod seeds;
mod syntaxes;

use std::path::PathBuf;

use osspan::frame::{Frame, Samples};
use osspan::load::StoredFile;
use osspan::{Error, Result};

use dicomfile::DicomFile;

/// A file in a folder of its own, which goes when this goes.
struct Held {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

fn hold(bytes: &[u8]) -> Held {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file.dcm");
    std::fs::write(&path, bytes).unwrap();
    Held { _folder: folder, path }
}

fn open(file: &DicomFile) -> Result<StoredFile> {
    open_bytes(&file.bytes())
}

fn open_bytes(bytes: &[u8]) -> Result<StoredFile> {
    StoredFile::open(&hold(bytes).path)
}

fn frame(file: &DicomFile, number: u32) -> Result<Frame> {
    let held = hold(&file.bytes());
    StoredFile::open(&held.path)?.frame(number)
}

fn samples(file: &DicomFile, number: u32) -> Samples {
    frame(file, number).unwrap().samples
}

/// The failure of a file, whether it shows at once or only when its first frame is decoded.
fn failure(file: &DicomFile) -> Error {
    frame(file, 1).unwrap_err()
}
