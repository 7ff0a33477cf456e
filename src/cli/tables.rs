//! `guidelines`: the tables with the source of every number.

use std::io::Write;
use std::process::ExitCode;

use super::output::Sources;
use super::{Done, output};
use crate::guideline;

pub(super) fn run(out: &mut dyn Write) -> Done {
    let mut sources = Sources::default();
    for table in guideline::tables()? {
        let cited = sources.mark(table.source());
        output::line(out, &format!("{} · {} · {} · citation {cited}", table.id(), table.name(), table.edition()))?;
        let age = table.minimum_age();
        let marks = sources.marks(&[&age.age_source, &age.strictly_source]);
        output::wrapped(out, "  ", &format!("Speaks {} {marks}", age.words()))?;
        for band in table.bands() {
            output::wrapped(out, "  - ", &format!("{}: {} {}", band.label, band.rule, sources.mark(&band.rule_source)))?;
            if let Some(upper) = &band.upper {
                let end = if upper.included { "included" } else { "not included" };
                let mark = sources.marks(&[&upper.mm_source, &upper.included_source]);
                output::wrapped(out, "    ", &format!("up to {} mm, {end} {mark}", upper.mm.get()))?;
            }
        }
    }
    sources.print(out)?;
    Ok(ExitCode::SUCCESS)
}
