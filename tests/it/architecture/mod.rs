//! The code map, enforced: which module may use which, and who may touch files, network, clock and random seeds.

mod documents;
mod planted;
mod scan;

use std::collections::BTreeMap;
use std::path::Path;

use scan::{Source, rust_files, scan_crate};

/// A file longer than this is about more than one thing.
const MOST_LINES: usize = 700;

/// Who may touch the outside world, and for what.
const MAY_TOUCH_THE_OUTSIDE: [(&str, &str); 8] = [
    ("files", "the one place for paths, publishing and settings"),
    ("load", "reads frames"),
    ("archive", "sends and receives over the network"),
    ("cli", "reads arguments, prints, asks the clock"),
    ("report::write", "writes the report"),
    ("interchange::write", "writes exports"),
    ("viewer::run", "opens the window, asks the clock"),
    ("viewer::worker", "loads and saves off the drawing thread"),
];

/// Who may use `files`, and through it the disk and the clock. All other modules are functions of what they are given.
const MAY_USE_FILES: [&str; 10] = ["files", "load", "scanners", "record", "archive", "report", "interchange", "practice", "cli", "viewer"];

/// Beginnings of paths that reach files, network, environment, processes or the system's randomness.
const OUTSIDE: [&str; 18] = [
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::os::unix::fs",
    "std::os::unix::net",
    "std::os::windows::fs",
    "std::os::fd",
    "tempfile",
    "directories",
    "rustix",
    "rfd",
    "getrandom",
    "image::open",
    "image::ImageReader::open",
    "dicom_object::open_file",
    "dicom_object::OpenFileOptions",
    "std::io::stdin",
];

/// The same by last name, whatever it was imported as.
const OUTSIDE_LAST: [&str; 8] =
    ["OsRng", "SysRng", "thread_rng", "from_os_rng", "try_from_os_rng", "from_rng_os", "from_entropy", "OpenOptions"];

/// Methods of `Path` that ask the file system without naming `std::fs`.
const OUTSIDE_CALLS: [&str; 10] =
    ["exists", "try_exists", "is_file", "is_dir", "is_symlink", "read_dir", "canonicalize", "metadata", "symlink_metadata", "read_link"];

/// The modules of `lib.rs` in order, and the names it re-exports with the module each comes from.
struct Map {
    order: Vec<String>,
    front_page: BTreeMap<String, String>,
}

impl Map {
    fn of(lib: &Source) -> Self {
        let order = lib.modules.clone();
        let front_page = lib
            .paths
            .iter()
            .filter_map(|p| {
                let relative: Vec<&String> = p.path.iter().filter(|s| *s != "crate").collect();
                let (first, last) = (relative.first()?, relative.last()?);
                (relative.len() > 1 && order.contains(first)).then(|| ((*last).clone(), (*first).clone()))
            })
            .collect();
        Self { order, front_page }
    }

    fn place(&self, module: &str) -> Option<usize> {
        self.order.iter().position(|m| m == module)
    }
}

/// Uses of a module that stands below the user's own in `lib.rs`, or that cannot be followed.
fn edge_faults(map: &Map, source: &Source) -> Vec<String> {
    let Some(own) = source.module.first() else { return Vec::new() };
    let Some(own_place) = map.place(own) else { return vec![format!("{}: `{own}` is not in lib.rs", source.file)] };
    let mut faults: Vec<String> =
        source.hidden.iter().map(|line| format!("{}:{line}: a second name for the crate hides what is used", source.file)).collect();
    for named in source.paths.iter().filter(|n| n.path.first().is_some_and(|s| s == "crate")) {
        let at = format!("{}:{}", source.file, named.line);
        let Some(target) = named.path.get(1) else { continue };
        let target = map.front_page.get(target).unwrap_or(target);
        if target == "files" && !MAY_USE_FILES.contains(&own.as_str()) {
            faults.push(format!("{at}: `{own}` uses `files`, which is for {} only", MAY_USE_FILES.join(", ")));
        }
        match map.place(target) {
            Some(place) if place <= own_place => {}
            Some(_) => faults.push(format!("{at}: `{own}` uses `{target}`, which stands below it in lib.rs")),
            None => faults.push(format!("{at}: `{own}` uses `crate::{target}`, which lib.rs does not list")),
        }
    }
    faults.dedup();
    faults
}

/// Touches of the outside world by a module that may not.
fn outside_faults(source: &Source) -> Vec<String> {
    let module = source.module.join("::");
    let within = |allowed: &str| module == allowed || module.strip_prefix(allowed).is_some_and(|rest| rest.starts_with("::"));
    if MAY_TOUCH_THE_OUTSIDE.iter().any(|(allowed, _)| within(allowed)) {
        return Vec::new();
    }
    let mut faults = Vec::new();
    for named in &source.paths {
        let path = named.path.join("::");
        let begins = OUTSIDE.iter().any(|o| path == *o || path.strip_prefix(o).is_some_and(|rest| rest.starts_with("::")));
        let last = named.path.len() > 1 && named.path.last().is_some_and(|l| OUTSIDE_LAST.contains(&l.as_str()));
        // `File::open`, and the clock of whichever type: `SystemTime::now`, `Zoned::now`.
        let of_type = named.path.iter().rev().nth(1);
        let file = of_type.is_some_and(|s| s == "File");
        let clock = named.path.last().is_some_and(|l| l == "now") && of_type.is_some_and(|s| s.starts_with(char::is_uppercase));
        if begins || last || file || clock {
            faults.push(format!("{}:{}: `{path}` is for {} only", source.file, named.line, allowed_names()));
        }
    }
    for (line, name) in source.calls.iter().filter(|(_, name)| OUTSIDE_CALLS.contains(&name.as_str())) {
        faults.push(format!("{}:{line}: `.{name}()` asks the file system; that is for {} only", source.file, allowed_names()));
    }
    faults
}

fn allowed_names() -> String {
    MAY_TOUCH_THE_OUTSIDE.map(|(name, _)| name).join(", ")
}

fn src() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

#[test]
fn modules_use_only_those_above_them() {
    let (sources, _) = scan_crate(&src()).unwrap();
    let map = Map::of(sources.iter().find(|s| s.module.is_empty()).unwrap());
    assert!(map.order.len() > 10, "lib.rs was not understood: {:?}", map.order);
    let n_edges = sources.iter().flat_map(|s| &s.paths).filter(|p| p.path.first().is_some_and(|s| s == "crate")).count();
    assert!(n_edges > 20, "only {n_edges} uses within the crate were found: the scan is blind");
    let faults: Vec<String> = sources.iter().flat_map(|s| edge_faults(&map, s)).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn files_network_clock_and_seeds_stay_in_their_modules() {
    let (sources, _) = scan_crate(&src()).unwrap();
    let faults: Vec<String> = sources.iter().flat_map(outside_faults).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn every_file_belongs_to_the_crate_and_can_be_read_in_a_sitting() {
    let (_, unreached) = scan_crate(&src()).unwrap();
    assert!(unreached.is_empty(), "no `mod` declaration reaches {}", unreached.join(", "));
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    for folder in ["src", "tests"] {
        rust_files(&root.join(folder), &mut files).unwrap();
    }
    let long: Vec<String> = files
        .iter()
        .map(|f| (f, std::fs::read_to_string(f).unwrap().lines().count()))
        .filter(|(_, n)| *n > MOST_LINES)
        .map(|(f, n)| format!("{} has {n} lines", f.display()))
        .collect();
    assert!(long.is_empty(), "longer than {MOST_LINES} lines:\n{}", long.join("\n"));
}

#[test]
fn main_only_hands_over_to_the_library() {
    let text = std::fs::read_to_string(src().join("main.rs")).unwrap();
    assert!(text.lines().count() <= 60, "main.rs parses arguments and calls the library, nothing else");
    let main = scan::scan("main.rs", &[], &text).unwrap();
    let doing: Vec<_> = main.paths.iter().filter(|p| p.path.starts_with(&["std".into(), "fs".into()])).collect();
    assert!(doing.is_empty(), "main.rs touches files: {doing:?}");
    assert!(main.modules.is_empty(), "main.rs has modules of its own: {:?}", main.modules);
}
