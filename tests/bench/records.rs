//! How long verification and finding take, and how much memory, for 1 000, 10 000 and 100 000 records.
//!
//!     cargo run --release --example bench-records [-- COUNT ...]
//!
//! Each measurement runs in a process of its own, so that its largest memory is its own. Records are written without
//! flushing, beside the system's temporary files, and removed afterwards.
#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::panic)]

#[path = "../common/records.rs"]
#[allow(unreachable_pub, missing_docs, dead_code)]
mod records;

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use osspan::record::{Query, Store};
use records::Case;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match &arguments[..] {
        [one, what, dir] if one == "--one" => measure(what, Path::new(dir)),
        [] => table(&[1_000, 10_000, 100_000]),
        counts => table(&counts.iter().map(|c| c.parse().unwrap()).collect::<Vec<u64>>()),
    }
}

fn table(counts: &[u64]) {
    let cores = std::thread::available_parallelism().unwrap();
    println!("{cores} cores; seconds by the clock, seconds of all cores (µs a record), largest memory");
    println!("{:>8}  {:>32}  {:>32}  {:>32}", "records", "verify", "find, first", "find, again");
    for &count in counts {
        let dir = tempfile::tempdir().unwrap();
        fill(dir.path(), count);
        let cells: Vec<String> = ["verify", "find", "find"].iter().map(|what| run_one(what, dir.path(), count)).collect();
        println!("{count:>8}  {:>32}  {:>32}  {:>32}", cells[0], cells[1], cells[2]);
    }
}

/// A tree as departments keep them: 1 000 records a folder.
fn fill(dir: &Path, count: u64) {
    let mut case = Case::plain();
    for n in 0..count {
        let folder = dir.join(format!("tree/{:03}", n / 1000));
        std::fs::create_dir_all(&folder).unwrap();
        let record = case.numbered(n, Vec::new()).unwrap();
        std::fs::write(folder.join(format!("reading-{}.json", &record.id()[..20])), record.to_json().unwrap()).unwrap();
    }
}

fn run_one(what: &str, dir: &Path, count: u64) -> String {
    let done = Command::new(std::env::current_exe().unwrap()).args(["--one", what]).arg(dir).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = String::from_utf8(done.stdout).unwrap();
    let [seconds, processor, megabytes] = text.split_whitespace().map(|t| t.parse().unwrap()).collect::<Vec<f64>>()[..] else {
        panic!("three numbers, not {text}")
    };
    format!("{seconds:.2} s, {processor:.2} s ({:.0}), {megabytes} MB", processor * 1e6 / count as f64)
}

fn measure(what: &str, dir: &Path) {
    let started = Instant::now();
    let store = Store::at(dir.join("tree")).with_index(dir.join("index"));
    if what == "verify" {
        let totals = store.verify(None, &mut |_| Ok(())).unwrap();
        assert!(totals.files > 0 && totals.bad == 0);
    } else {
        let index = store.index().unwrap();
        let found = index.find(&Query { patient: Some("INV-7".into()), current: true, ..Query::default() });
        assert_eq!(found.len(), 16);
        store.open(found[3]).unwrap();
    }
    let seconds = started.elapsed().as_secs_f64();
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    // Ticks of 10 ms on Linux. On a busy machine this tells more than the clock.
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks: f64 = stat.rsplit(')').next().unwrap_or("").split(' ').skip(12).take(2).filter_map(|t| t.parse::<f64>().ok()).sum();
    let kilobytes: f64 = status
        .lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|v| v.trim().trim_end_matches(" kB").parse().ok())
        .unwrap_or(f64::NAN);
    println!("{seconds} {} {:.0}", ticks / 100.0, kilobytes / 1024.0);
}
