//! The architecture test finds faults that are planted on purpose, and lets sound code pass.

use super::scan::{Source, scan};
use super::{Map, edge_faults, outside_faults};

const LIB: &str = "
    //! Order: units, error, files, frame, measure, viewer.
    pub mod units; pub mod error; pub mod files;
    pub mod frame; /* pub mod ghost; */
    pub mod measure;
    #[cfg(feature = \"viewer\")]
    pub mod viewer;
    #[cfg(test)]
    mod only_in_tests;
    pub use error::{Error, deep::Other as Another};
    pub use measure::edge_to_os;
";

fn source(module: &str, text: &str) -> Source {
    let module: Vec<String> = module.split("::").map(Into::into).collect();
    scan("planted.rs", &module, text).unwrap()
}

fn edges(module: &str, text: &str) -> usize {
    edge_faults(&Map::of(&scan("lib.rs", &[], LIB).unwrap()), &source(module, text)).len()
}

fn outside(module: &str, text: &str) -> usize {
    outside_faults(&source(module, text)).len()
}

#[test]
fn the_map_is_read_from_lib() {
    let map = Map::of(&scan("lib.rs", &[], LIB).unwrap());
    assert_eq!(map.order, ["units", "error", "files", "frame", "measure", "viewer"]);
    assert_eq!(map.front_page.get("Error").unwrap(), "error");
    assert_eq!(map.front_page.get("edge_to_os").unwrap(), "measure");
}

#[test]
fn upward_uses_are_found_however_they_are_written() {
    for bad in [
        "use crate::measure;",
        "use crate::measure::edge_to_os;",
        "use crate::{units::Mm, measure::{Side, interval::Z95}};",
        "use crate::{\n    units::Mm,\n    // a comment\n    measure,\n};",
        "use {crate::measure::Side, std::fmt};",
        "use super::measure::Side;",
        "use super::{units, measure};",
        "use self::super::measure as m;",
        "fn f() { let d = crate::measure::edge_to_os(); }",
        "fn f(x: &crate::measure::Side) {}",
        "fn f() { println!(\"{}\", crate::measure::METHOD); }",
        "macro_rules! m { () => { $crate::measure::METHOD }; }",
        "mod inner { use super::super::measure::Side; }",
        "mod inner { mod deeper { fn f() { super::super::super::measure::g(); } } }",
        "impl From<crate::measure::Side> for Vec<u8> {}",
        "fn f() { Vec::<crate::measure::Side>::new(); }",
        "#[serde(with = \"crate::measure::words\")] struct S;",
        "#[cfg(not(test))] use crate::measure::Side;",
        "#[cfg(any(test, feature = \"viewer\"))] use crate::measure::Side;",
        "#[cfg(test)] use crate::units::{Mm, Px}; use crate::measure::Side;",
        "#[cfg(test)] const X: [u8; 1] = [0]; fn f() { crate::measure::g(); }",
        "#[cfg(test)] #[allow(dead_code)] fn t() {} use crate::measure::Side;",
        "use crate::edge_to_os;",
        "use osspan::measure::Side;",
        "pub use crate::measure::*;",
    ] {
        assert_eq!(edges("frame", bad), 1, "{bad}");
    }
    assert_eq!(edges("frame::deep", "use super::super::measure::Side;"), 1);
    assert_eq!(edges("units", "use crate::Another;"), 1, "a re-export counts as the module it comes from");
}

#[test]
fn the_disk_and_the_clock_are_not_reached_by_way_of_files() {
    for bad in ["use crate::files;", "use crate::{units::Mm, files::now};", "fn f() { super::files::now(); }"] {
        assert_eq!(edges("frame", bad), 1, "{bad}");
        assert_eq!(edges("viewer::run", &bad.replace("super::", "super::super::")), 0, "{bad}");
    }
}

#[test]
fn names_that_would_hide_a_use_are_faults() {
    for bad in [
        "use crate as root;",
        "extern crate self as osspan;",
        "use crate::{self as root};",
        "use crate::*;",
        "use super::*;",
        "use crate::ghost::G;",
    ] {
        assert!(edges("frame", bad) > 0, "{bad}");
    }
}

#[test]
fn sound_code_passes() {
    for good in [
        "use crate::units::Mm; use crate::error::{Error, Result}; use crate::Error as E;",
        "use super::units::Mm;",
        "use self::inner::X; mod inner { use super::X; use super::super::units; }",
        "/// See [`crate::measure`].\n//! crate::measure\nfn f() {}",
        "// use crate::measure;\n/* crate::measure::x() */ fn f() { let s = \"crate::measure\"; let r = r#\"use crate::measure;\"#; }",
        "#[cfg(test)] mod tests { use crate::measure::Side; fn f() { crate::viewer::g(); } }",
        "#[cfg(all(test, unix))] mod tests { use crate::measure::Side; }",
        "#[cfg(test)] use crate::measure::{Side, Value};",
        "#[cfg(test)] mod tests;",
        "pub(crate) fn f() {} pub(in crate::frame) fn g() {}",
        "use std::{fmt, collections::BTreeMap}; fn f() { u32::from(1_u8); <u8 as Into<u32>>::into(1); }",
        "fn f() { measure::g(); now::now(); }",
    ] {
        assert_eq!(edges("frame", good), 0, "{good}");
        assert_eq!(outside("frame", good), 0, "{good}");
    }
}

#[test]
fn the_outside_world_is_found_however_it_is_reached() {
    for bad in [
        "use std::fs;",
        "use std::fs::File;",
        "use std::{fmt, fs::read};",
        "fn f() { std::fs::read(p); }",
        "use std::net::TcpStream;",
        "fn f() { File::open(p); }",
        "fn f() { SystemTime::now(); }",
        "fn f() { std::time::Instant::now(); }",
        "fn f() { jiff::Zoned::now(); }",
        "fn f() { ChaCha8Rng::from_os_rng(); }",
        "use rand_core::OsRng;",
        "fn f(p: &Path) -> bool { p.exists() }",
        "fn f() { image::open(p); }",
        "fn f() { std::env::var(\"HOME\"); }",
        "use tempfile::NamedTempFile;",
        "use ::std::fs;",
    ] {
        assert_eq!(outside("measure", bad), 1, "{bad}");
        assert_eq!(outside("files::publish", bad), 0, "files may: {bad}");
        assert_eq!(outside("viewer::panels", bad), 1, "drawing may not: {bad}");
    }
    assert_eq!(outside("filesystem", "use std::fs;"), 1, "a name that only begins like an allowed one is another module");
    assert_eq!(outside("measure", "use std::time::{Duration, Instant}; fn f(t: Instant) {} #[cfg(test)] mod t { use std::fs; }"), 0);
}
