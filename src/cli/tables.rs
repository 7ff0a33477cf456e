//! `guidelines`: the tables with the source of every number.

use std::io::Write;
use std::process::ExitCode;

use super::{Done, output};
use crate::guideline;

pub(super) fn run(out: &mut dyn Write) -> Done {
    for table in guideline::tables()? {
        output::line(out, &format!("{} · {} · {}", table.id(), table.name(), table.edition()))?;
        output::wrapped(out, "  ", &table.source().to_string())?;
        let age = table.minimum_age();
        output::wrapped(out, "  ", &format!("Speaks {} [{}; {}]", age.words(), age.age_source, age.strictly_source))?;
        for band in table.bands() {
            output::wrapped(out, "  - ", &format!("{}: {} [{}]", band.label, band.rule, band.rule_source))?;
            if let Some(upper) = &band.upper {
                let end = if upper.included { "included" } else { "not included" };
                output::wrapped(
                    out,
                    "    ",
                    &format!("up to {} mm, {end} [{}; {}]", upper.mm.get(), upper.mm_source, upper.included_source),
                )?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}
