//! `guidelines`: the tables with the source of every number; and the tables that a department adds.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use super::args::GuidelinesArgs;
use super::output::Said;
use super::{Done, output};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::guideline::capital;
use crate::guideline::{Shelf, Table};
use crate::sheet;

/// Longest table file that is read, bytes.
const LONGEST: u64 = 256 * 1024;

/// The bundled tables, those in the folder `tables` of the data folder, and the files named; with an error for each that
/// cannot be used. A table of one's own never takes the place of another.
pub(crate) fn at_hand(named: &[PathBuf]) -> (Shelf, Vec<Error>) {
    let (mut shelf, mut faults) = (Shelf::bundled(), Vec::new());
    let in_folder = files::tables_dir().and_then(|dir| files::list(&dir, "toml")).unwrap_or_else(|e| {
        faults.push(e);
        Vec::new()
    });
    for path in in_folder.iter().chain(named) {
        let added = files::read_text(path, LONGEST).and_then(|t| Table::parse(&t)).and_then(|t| shelf.add(t));
        if let Err(e) = added {
            faults.push(e.at(path));
        }
    }
    (shelf, faults)
}

/// The tables at hand for a command. A file that was named must be usable; one in the folder is missed only by who asks for
/// it, and `guidelines` says why.
pub(super) fn shelf(named: &[PathBuf]) -> Result<(Shelf, Vec<Error>)> {
    let (shelf, faults) = at_hand(named);
    let (of_named, of_folder): (Vec<Error>, Vec<Error>) =
        faults.into_iter().partition(|e| e.path().is_some_and(|p| named.iter().any(|n| n == p)));
    match of_named.len() {
        0 => Ok((shelf, of_folder)),
        1 => Err(of_named.into_iter().next().unwrap_or_else(|| Error::new(ErrorKind::Guideline, "a table cannot be used"))),
        n => {
            let all = of_named.iter().map(|e| format!("\n{e}")).collect::<String>();
            Err(Error::new(ErrorKind::Guideline, format!("{n} tables cannot be used")).found(all))
        }
    }
}

/// The table of this id; where there is none, a faulty file of the folder may be why.
pub(super) fn choose<'a>(shelf: &'a Shelf, faults: &[Error], id: &str) -> Result<&'a Table> {
    shelf.table(id).map_err(|e| {
        if faults.is_empty() {
            return e;
        }
        let why = faults.iter().map(|f| format!("\n{f}")).collect::<String>();
        Error::new(ErrorKind::Guideline, format!("{}; {} table(s) of your own cannot be used", e.message(), faults.len())).found(why)
    })
}

pub(super) fn run(args: &GuidelinesArgs, out: &mut dyn Write) -> Done {
    let (shelf, faults) = at_hand(&args.tables.files);
    if args.from_memory {
        output::line(out, &format!("{} (from memory)", sheet::CHECK_FIRST))?;
        for said in sheet::from_memory(shelf.all())? {
            output::wrapped(out, "  - ", &format!("{} [{}: {}]", said.text.trim(), said.row, said.source.text))?;
        }
    } else {
        print(&shelf, out)?;
    }
    if faults.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    output::line(out, "")?;
    output::line(out, "Tables that cannot be used")?;
    for fault in &faults {
        for line in fault.to_string().lines() {
            output::line(out, &format!("  {line}"))?;
        }
    }
    Ok(ExitCode::from(ErrorKind::Guideline.exit_code()))
}

fn print(shelf: &Shelf, out: &mut dyn Write) -> Result<()> {
    let mut said = Said::default();
    for table in shelf.all() {
        let cited = said.mark(table.source());
        let own = if shelf.own().iter().any(|t| t.id() == table.id()) { " · your own" } else { "" };
        output::line(out, &format!("{} · {} · {}{own} · citation {cited}", table.id(), table.name(), table.edition()))?;
        if let Some(e) = table.effective() {
            let sources: Vec<_> = [&e.from_source, &e.to_source].into_iter().flatten().collect();
            output::wrapped(out, "  ", &format!("{} {}", capital(&e.words()), said.marks(&sources)))?;
        }
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
        for f in table.follow_up() {
            let window = f.window.map(|(a, b)| format!(", {a} to {b}")).unwrap_or_default();
            let text = format!("exam from {} to {}: {}{window} {}", f.ages.0, f.ages.1, f.text, said.mark(&f.source));
            output::wrapped(out, "  + ", &text)?;
        }
    }
    said.print_sources(out)
}
