//! The report as plain text.

use std::fmt::Write as _;

use super::{CLOSING, Report};

/// Longest line, characters.
const WIDTH: usize = 100;

/// The report as plain text, in lines of at most 100 characters.
#[must_use]
pub fn text(report: &Report) -> String {
    let mut out = String::new();
    wrapped(&mut out, "", "PLACENTAL EDGE AND INTERNAL OS: REPORT OF AN EXAM");
    wrapped(&mut out, "", &report.standing.words());
    out.push('\n');
    for p in report.identity.iter().chain(&report.facts) {
        wrapped(&mut out, &format!("{:<18}", p.what), &p.is);
    }
    let parts = report.parts.iter();
    for part in parts.clone().filter(|p| p.weight == super::Weight::Alarm) {
        lines(&mut out, part);
    }
    out.push('\n');
    for said in [Some(&report.headline), Some(&report.detail), Some(&report.finding), report.straddling.as_ref()].into_iter().flatten() {
        if !said.is_empty() {
            wrapped(&mut out, "  ", said);
        }
    }
    wrapped(&mut out, "  ", &format!("Table: {}", report.table));
    for picture in &report.pictures {
        if let Err(why) = &picture.raster {
            wrapped(&mut out, "  ", &format!("No picture of reading {}: {why}.", picture.number));
        }
    }
    for part in parts.filter(|p| p.weight != super::Weight::Alarm) {
        lines(&mut out, part);
    }
    out.push_str("\nSOURCES\n");
    wrapped(&mut out, "  ", super::SOURCES_NOTE);
    for source in report.numbered_sources() {
        wrapped(&mut out, "  ", &source);
    }
    out.push('\n');
    wrapped(&mut out, "", &report.digest_words());
    wrapped(&mut out, "", &format!("Made {} by {} ({}). {CLOSING}", report.made_at, report.software, super::VERSION));
    out
}

fn lines(out: &mut String, part: &super::Part) {
    // Writing to a String cannot fail.
    let _ = writeln!(out, "\n{}", part.title.to_uppercase());
    for line in &part.lines {
        wrapped(out, "  - ", &line.marked());
    }
}

/// Adds `text` in lines, later ones indented like the first.
fn wrapped(out: &mut String, first: &str, text: &str) {
    let indent = " ".repeat(first.chars().count());
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line.clone_from(&indent);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
}
