//! A reading in plain text, as a person reads it: distance, finding, scale, then what must be said beside it.

use std::io::Write;
use std::process::ExitCode;

use crate::cautions::Caution;
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{self, Table};
use crate::reading::{Distance, Reading};
use crate::source::{Citation, Provenance};

/// Writing to standard output failed.
pub(super) fn broken(e: std::io::Error) -> Error {
    Error::new(ErrorKind::Io, "the output cannot be written").found(e.to_string()).caused_by(e)
}

/// Whether writing failed because nobody reads any more.
pub(super) fn reader_gone(e: &Error) -> bool {
    let io = std::error::Error::source(e).and_then(|s| s.downcast_ref::<std::io::Error>());
    io.is_some_and(|io| io.kind() == std::io::ErrorKind::BrokenPipe)
}

/// One line of output.
pub(super) fn line(out: &mut dyn Write, text: &str) -> Result<()> {
    writeln!(out, "{text}").map_err(broken)
}

/// Says on standard error what is no record: standard output may hold a table or a page.
pub(super) fn say_damaged<E: std::fmt::Display>(damaged: &[E]) {
    for e in damaged {
        // Nothing is left to tell when standard error itself is gone.
        let _ = writeln!(std::io::stderr(), "osspan: not a record: {e}");
    }
}

/// How a command ends that did its work without the files that are no records: what it printed is right, but not of all that was
/// named.
pub(super) fn all_of_it<E>(damaged: &[E]) -> ExitCode {
    if damaged.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(ErrorKind::Record.exit_code()) }
}

/// What has been said so far, so that it is said once: the sources (a number in the text, the whole citation at the
/// end) and the reasons of the last reading.
#[derive(Default)]
pub(super) struct Said {
    sources: Vec<String>,
    reasons: Vec<String>,
    scale: Vec<String>,
}

impl Said {
    /// "[2, from memory]": how well it is known stands where it is used.
    pub(super) fn mark(&mut self, source: &Citation) -> String {
        let known = match source.provenance {
            Provenance::FromMemory => "from memory",
            other => other.words(),
        };
        if source.text.is_empty() {
            return format!("[{known}]");
        }
        let i = self.sources.iter().position(|t| *t == source.text).unwrap_or_else(|| {
            self.sources.push(source.text.to_string());
            self.sources.len() - 1
        });
        format!("[{}, {known}]", i + 1)
    }

    /// Several sources of one sentence, each once.
    pub(super) fn marks(&mut self, sources: &[&Citation]) -> String {
        let mut marks: Vec<String> = Vec::new();
        for m in sources.iter().map(|s| self.mark(s)) {
            if !marks.contains(&m) {
                marks.push(m);
            }
        }
        marks.join(" ")
    }

    /// The list.
    pub(super) fn print_sources(&self, out: &mut dyn Write) -> Result<()> {
        line(out, "Sources (\"from memory\": check against the primary document before relying on it)")?;
        for (i, text) in self.sources.iter().enumerate() {
            wrapped(out, &format!("  {:>2} ", i + 1), text)?;
        }
        Ok(())
    }
}

/// Prints one reading.
pub(super) fn reading(out: &mut dyn Write, reading: &Reading, table: &Table, said: &mut Said) -> Result<()> {
    line(out, &format!("  {}", reading.headline))?;
    if !reading.detail.is_empty() {
        line(out, &format!("    {}", reading.detail))?;
    }
    line(out, &format!("  {}", reading.finding))?;
    match &reading.distance {
        Distance::Measured(measured) => {
            let (scale, finding) = (&measured.scale, &measured.finding);
            let reasons: Vec<_> =
                guideline::explain(finding, table).iter().map(|why| format!("{} {}", why.text, said.mark(&why.source))).collect();
            if reasons == said.reasons {
                line(out, "    for the same reasons as above")?;
            }
            for why in reasons.iter().filter(|_| reasons != said.reasons) {
                wrapped(out, "    ", why)?;
            }
            said.reasons = reasons;
            let (x, y) = scale.calibration.mm_per_px();
            let mark = said.marks(&[scale.calibration.scale_source(), scale.calibration.sound_speed_source()]);
            let basis = scale.calibration.basis().words();
            wrapped(out, "  Scale: ", &format!("{basis} · {x:.4} by {y:.4} mm a pixel (x by y) · its uncertainty {mark}"))?;
            for w in &scale.warnings {
                wrapped(out, "    ", w)?;
            }
        }
        Distance::NoScale { reason } => wrapped(out, "    ", reason)?,
    }
    let lines: Vec<String> = reading.scale_lines.iter().map(|l| format!("{}: {}", l.agreement.word(), l.text)).collect();
    if !lines.is_empty() && lines == said.scale {
        line(out, "    the scale stands as above")?;
    } else {
        for (text, l) in lines.iter().zip(&reading.scale_lines) {
            wrapped(out, if l.serious { "    ! " } else { "    - " }, text)?;
        }
    }
    said.scale = lines;
    for block in &reading.blocks {
        wrapped(out, "  Not to be saved: ", block)?;
    }
    Ok(())
}

/// Prints the cautions, each with its source.
pub(super) fn cautions(out: &mut dyn Write, all: &[Caution], said: &mut Said) -> Result<()> {
    line(out, "Cautions")?;
    for c in all {
        wrapped(out, "  - ", &format!("{} {}", c.text, said.mark(&c.source)))?;
    }
    Ok(())
}

/// Prints `text` in lines of at most 110 characters, later lines indented like the first.
pub(super) fn wrapped(out: &mut dyn Write, first: &str, text: &str) -> Result<()> {
    let indent = " ".repeat(first.chars().count());
    let mut current = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && current.chars().count() + 1 + word.chars().count() > 110 {
            line(out, &current)?;
            current.clone_from(&indent);
            empty = true;
        }
        if !empty {
            current.push(' ');
        }
        current.push_str(word);
        empty = false;
    }
    line(out, &current)
}
