//! `guidelines`: the tables with the source of every number.

use std::io::Write;
use std::process::ExitCode;

use super::output::Said;
use super::{Done, output};
use crate::guideline;

pub(super) fn run(out: &mut dyn Write) -> Done {
    let mut said = Said::default();
    for table in guideline::tables()? {
        let cited = said.mark(table.source());
        output::line(out, &format!("{} · {} · {} · citation {cited}", table.id(), table.name(), table.edition()))?;
        let age = table.minimum_age();
        let marks = said.marks(&[&age.age_source, &age.strictly_source]);
        output::wrapped(out, "  ", &format!("Speaks {} {marks}", age.words()))?;
        for band in table.bands() {
            output::wrapped(out, "  - ", &format!("{}: {} {}", band.label, band.rule, said.mark(&band.rule_source)))?;
            if let Some(upper) = &band.upper {
                let end = if upper.included { "included" } else { "not included" };
                let mark = said.marks(&[&upper.mm_source, &upper.included_source]);
                output::wrapped(out, "    ", &format!("up to {} mm, {end} {mark}", upper.mm.get()))?;
            }
        }
    }
    said.print_sources(out)?;
    Ok(ExitCode::SUCCESS)
}
