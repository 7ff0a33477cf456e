//! `told`: that an urgent matter was passed on, as a record beside the reading.

use std::io::Write;
use std::process::ExitCode;

use super::args::ToldArgs;
use super::{Done, output, profile, tables};
use crate::error::{Error, ErrorKind};
use crate::files;
use crate::followup::Told;
use crate::record::{Query, ToldRecord};

pub(super) fn run(args: &ToldArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let (shelf, _) = tables::shelf(&args.tables.files)?;
    let store = profile::store(&folder)?;
    let index = store.index()?;
    let found = index.find(&Query { id: Some(args.reading.clone()), ..Query::default() });
    let entry = match found.as_slice() {
        [one] => one,
        all => {
            return Err(Error::new(ErrorKind::Usage, "the reading cannot be told from others")
                .expected("the beginning of one reading's id, as osspan due and find show it")
                .found(format!("{} readings", all.len())));
        }
    };
    let reading = store.open(entry)?.record;
    let now = files::now();
    let told = Told {
        matter: args.matter,
        to: args.to.clone(),
        by: args.by.clone(),
        at: args.at.clone().unwrap_or_else(|| now.clone()),
        read_back: args.read_back,
    };
    let record = ToldRecord::new(&reading, told, now, &shelf)?;
    let path = store.save_told(&record)?;
    output::line(out, &crate::caseload::told_line(&record.told).text)?;
    if !args.read_back {
        output::line(out, "It was not read back, so the matter stays open and heads the due list.")?;
    }
    output::line(out, &format!("Saved as {}", path.display()))?;
    Ok(ExitCode::SUCCESS)
}
