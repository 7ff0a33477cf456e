//! Any bytes as a file: opened, every warning read, up to two frames decoded.
#![no_main]

use std::path::PathBuf;
use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;
use osspan::load::StoredFile;

/// A file of this process in memory, not on a disc.
static FILE: LazyLock<PathBuf> = LazyLock::new(|| PathBuf::from(format!("/dev/shm/osspan-fuzz-{}", std::process::id())));

fuzz_target!(|data: &[u8]| {
    std::fs::write(&*FILE, data).expect("/dev/shm takes a file");
    if let Ok(file) = StoredFile::open(&FILE) {
        for n in 1..=file.frame_count().min(2) {
            if let Ok(frame) = file.frame(n) {
                assert_eq!((frame.width, frame.height), (file.geometry().columns, file.geometry().rows));
                assert_eq!(frame.to_rgba8().len(), 4 * frame.width as usize * frame.height as usize);
            }
        }
    }
});
