//! The paragraph for the record system, in a template that a department may edit.
//!
//! A template is given whole sentences, never a bare number. What it leaves out or shortens of the words that must not be
//! missing is added under it, and that this was done is said.

use minijinja::{AutoEscape, Environment, UndefinedBehavior, context};

use super::{Part, Report};
use crate::error::{Error, ErrorKind, Result};

/// The template that is used where a department has none.
pub const TEMPLATE: &str = include_str!("templates/note.txt");
/// Longest template that is taken, bytes.
pub const LONGEST_TEMPLATE: u64 = 64 * 1024;
/// What stands above the words that a template left out.
pub const ADDED: &str = "Left out by the template and added by the program:";
/// Steps that a template may take: a loop without end is ended.
const STEPS: u64 = 50_000;
/// Longest paragraph, bytes.
const LONGEST: usize = 256 * 1024;

/// A place to write to that ends when it is full.
struct Room(Vec<u8>);

impl std::io::Write for Room {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if self.0.len() + bytes.len() > LONGEST {
            return Err(std::io::Error::other("the paragraph is too long"));
        }
        self.0.extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// The sentences of a part, without the marks of their sources.
fn sentences(part: Option<&Part>) -> Vec<String> {
    part.map(|p| p.lines.iter().map(|l| l.text.clone()).collect()).unwrap_or_default()
}

/// Each with a full stop, so that they can follow each other.
fn ended(all: Vec<String>) -> Vec<String> {
    all.into_iter().map(|t| if t.ends_with('.') { t } else { t + "." }).collect()
}

/// The words that stand in every paragraph, whatever the template.
#[must_use]
pub fn required(report: &Report) -> Vec<String> {
    let mut out = vec![report.standing.words()];
    out.extend(sentences(report.part("Urgent")));
    out.extend(sentences(report.part("Amended report")));
    out.extend([&report.headline, &report.detail, &report.finding, &report.table].into_iter().cloned());
    out.extend(report.straddling.clone());
    out.extend(sentences(report.part("Cautions")));
    out.retain(|s| !s.trim().is_empty());
    out
}

/// The paragraph of a report in a template.
///
/// # Errors
/// [`ErrorKind::Format`] when the template is faulty, asks for what is not known, or does not end.
pub fn note(report: &Report, template: &str) -> Result<String> {
    let faulty = |e: minijinja::Error| {
        let line = e.line().map(|n| format!(" in line {n}")).unwrap_or_default();
        let why = e.detail().map_or_else(|| e.kind().to_string(), |d| format!("{}, {d}", e.kind()));
        Error::new(ErrorKind::Format, "the template of the paragraph cannot be used")
            .expected("a template as `osspan report template` prints it")
            .found(format!("{why}{line}"))
    };
    let mut env = Environment::new();
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    env.set_auto_escape_callback(|_| AutoEscape::None);
    env.set_fuel(Some(STEPS));
    let fact = |what: &str| report.facts.iter().find(|p| p.what == what).map_or("not known", |p| p.is.as_str());
    let of = |title: &str| sentences(report.part(title));
    let known = context! {
        standing => report.standing.words(),
        date => fact("Exam"),
        age => fact("Gestational age"),
        route => fact("Route"),
        bladder => fact("Bladder"),
        contraction => fact("Contraction"),
        urgent => of("Urgent"),
        amended => of("Amended report"),
        headline => report.headline.as_str(),
        detail => report.detail.as_str(),
        finding => report.finding.as_str(),
        straddling => report.straddling.clone(),
        table => report.table.as_str(),
        frames => ended(of("What the frames come to")),
        visits => ended(of("Change over visits")),
        now => ended(of("This visit")),
        scans => of("Next scan"),
        include => ended(of("The next scan must include")),
        cautions => of("Cautions"),
        reader => fact("Read by"),
        digest => report.digest(),
    };
    let mut room = Room(Vec::new());
    env.template_from_str(template).and_then(|t| t.render_captured_to(known, &mut room).map(|_| ())).map_err(faulty)?;
    let text = String::from_utf8_lossy(&room.0).trim().to_owned();
    Ok(completed(text, &required(report)))
}

/// Adds what is missing of the required sentences.
fn completed(text: String, required: &[String]) -> String {
    let one_spaced = |t: &str| t.split_whitespace().collect::<Vec<_>>().join(" ");
    let have = one_spaced(&text);
    let missing: Vec<&String> = required.iter().filter(|r| !have.contains(&one_spaced(r))).collect();
    if missing.is_empty() {
        return text + "\n";
    }
    let list: Vec<&str> = missing.iter().map(|m| m.as_str()).collect();
    format!("{text}\n\n{ADDED}\n{}\n", list.join("\n"))
}
