//! `find`: records by patient key, date, reader, finding or frame. No patient is named.

use std::io::Write;
use std::process::ExitCode;

use super::args::FindArgs;
use super::{Done, output, profile};
use crate::error::{Error, ErrorKind};
use crate::files;
use crate::record::Query;

pub(super) fn run(args: &FindArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    if !folder.is_dir() {
        return Err(Error::new(ErrorKind::Io, "there are no records").expected("a folder of records").found("no such folder").at(&folder));
    }
    let store = profile::store(&folder)?;
    let index = store.index()?;
    let query = Query {
        patient: args.patient.clone(),
        from: args.from,
        to: args.to,
        reader: args.reader.clone(),
        finding: args.finding.clone(),
        frame: args.frame.clone(),
        id: args.id.clone(),
        current: args.current,
    };
    let found = index.find(&query);
    for entry in &found {
        if args.json {
            write!(out, "{}", store.open(entry)?.record.to_json()?).map_err(output::broken)?;
            continue;
        }
        let date = entry.exam_date().map_or("undated   ".to_owned(), |d| d.to_string());
        let patient = entry.patient().unwrap_or("no patient      ");
        output::line(out, &format!("{date} · {patient} · {} · {}", entry.reader, entry.path().display()))?;
        output::line(out, &format!("    {}. {}", entry.headline, entry.finding))?;
    }
    if args.json {
        output::say_damaged(index.unreadable());
    } else {
        let (all, unread) = (index.entries().len(), index.unreadable().len());
        output::line(out, &format!("{} of {all} records; {unread} file(s) hold none", found.len()))?;
    }
    Ok(ExitCode::SUCCESS)
}
