//! Saves invented records for `records.py`, and says each id only after its record is saved.
//!
//!     record-saver FOLDER COUNT FIRST [backwards]
//!
//! `COUNT` records numbered from `FIRST`, each following the one before of its frame as the folder shows it. With
//! `backwards` each is saved an hour before the last. A save that fails ends the program with its one message.
#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::print_stderr)]

#[path = "../common/records.rs"]
#[allow(unreachable_pub, missing_docs, dead_code)]
mod records;

use std::io::Write;
use std::process::ExitCode;

use osspan::record::Store;
use records::Case;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, folder, count, first, rest @ ..] = &arguments[..] else {
        eprintln!("record-saver FOLDER COUNT FIRST [backwards]");
        return ExitCode::from(2);
    };
    let (count, first): (u64, u64) = (count.parse().unwrap(), first.parse().unwrap());
    let store = Store::at(folder);
    let mut case = Case::plain();
    let mut follows = Vec::new();
    for n in first..first + count {
        let mut record = case.numbered(n, follows).unwrap();
        // One frame a writer, so that its records make one chain.
        record.frame.sha256 = format!("{first:016x}").repeat(4);
        if rest.first().is_some_and(|r| r == "backwards") {
            record.saved_at = format!("2031-03-{:02}T10:00:00+01:00", 28 - (n - first));
        }
        record.content_sha256 = record.digest().unwrap();
        if let Err(e) = store.save(&record) {
            eprintln!("{e}");
            return ExitCode::from(e.kind().exit_code());
        }
        println!("{}", record.id());
        std::io::stdout().flush().unwrap();
        follows = vec![record.id().to_owned()];
    }
    ExitCode::SUCCESS
}
