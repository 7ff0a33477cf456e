//! Prints the figures that the documents quote: `tests/figures NAME`. The same seeds always print the same text.
#![allow(unreachable_pub, missing_docs, clippy::print_stdout, clippy::print_stderr, clippy::expect_used)]

#[path = "../common/mod.rs"]
mod common;

use std::process::ExitCode;

use common::coverage::{ANGLES_DEGREES, DISTANCES_MM, READINGS, SIDES, coverage, seed};

/// Every figure there is.
const NAMES: [&str; 1] = ["coverage"];

fn main() -> ExitCode {
    let name = std::env::args().nth(1).unwrap_or_default();
    match name.as_str() {
        "--list" => NAMES.iter().for_each(|name| println!("{name}")),
        "coverage" => print!("{}", coverage_table()),
        _ => {
            eprintln!("no figure \"{name}\"; there are: {}", NAMES.join(", "));
            return ExitCode::from(2);
        }
    }
    ExitCode::SUCCESS
}

/// Share of simulated readings whose 95 % interval holds the true distance, per cent.
fn coverage_table() -> String {
    let angles: String = ANGLES_DEGREES.iter().map(|a| format!(" {a}° |")).collect();
    let mut text = format!(
        "Share of simulated readings whose 95 % interval holds the true distance, in per cent; {READINGS} readings per cell.\n\n\
         | true distance, mm | side | {}\n|---:|---|{}\n",
        angles.trim_start(),
        "---:|".repeat(ANGLES_DEGREES.len())
    );
    for (i, truth) in DISTANCES_MM.into_iter().enumerate() {
        for (k, (from, name)) in SIDES.into_iter().enumerate() {
            let cells: String = ANGLES_DEGREES
                .into_iter()
                .enumerate()
                .map(|(j, degrees)| format!(" {:.1} |", 100.0 * coverage(truth, degrees, from, READINGS, seed(i, j, k))))
                .collect();
            text.push_str(&format!("| {truth} | {name} |{cells}\n"));
        }
    }
    text
}
