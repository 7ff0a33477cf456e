//! A reading in plain text, as a person reads it: distance, finding, scale, then what must be said beside it.

use std::io::Write;

use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{self, Table};
use crate::reading::{Distance, Reading};

/// Writing to standard output failed.
pub(super) fn broken(e: &std::io::Error) -> Error {
    Error::new(ErrorKind::Io, "the output cannot be written").found(e.to_string())
}

/// One line of output.
pub(super) fn line(out: &mut dyn Write, text: &str) -> Result<()> {
    writeln!(out, "{text}").map_err(|e| broken(&e))
}

/// Prints one reading.
pub(super) fn reading(out: &mut dyn Write, reading: &Reading, table: &Table) -> Result<()> {
    line(out, &format!("  {}", reading.headline))?;
    if !reading.detail.is_empty() {
        line(out, &format!("    {}", reading.detail))?;
    }
    line(out, &format!("  {}", reading.finding))?;
    match &reading.distance {
        Distance::Measured(measured) => {
            let (scale, finding) = (&measured.scale, &measured.finding);
            for why in guideline::explain(finding, table) {
                wrapped(out, "    ", &format!("{} [{}]", why.text, why.source))?;
            }
            let (x, y) = scale.calibration.mm_per_px();
            line(out, &format!("  Scale: {} · {x:.4} by {y:.4} mm a pixel (x by y)", scale.calibration.basis().words()))?;
            wrapped(out, "    ", &scale.calibration.scale_source().to_string())?;
            for w in &scale.warnings {
                wrapped(out, "    ", w)?;
            }
        }
        Distance::NoScale { reason } => wrapped(out, "    ", reason)?,
    }
    for block in &reading.blocks {
        wrapped(out, "  Not to be saved: ", block)?;
    }
    Ok(())
}

/// Prints the cautions, each with its source.
pub(super) fn cautions<'a>(out: &mut dyn Write, all: impl IntoIterator<Item = &'a crate::cautions::Caution>) -> Result<()> {
    line(out, "Cautions")?;
    for c in all {
        wrapped(out, "  - ", &format!("{} [{}]", c.text, c.source))?;
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
