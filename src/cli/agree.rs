//! `agree`: an agreement study of saved records, as text, CSV or JSON. No patient is named.

use std::io::Write;
use std::process::ExitCode;

use super::args::AgreeArgs;
use super::{Done, output, profile};
use crate::agree::study::{Options, Row, Study, readings, study};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::measure::Repeatability;

pub(super) fn run(args: &AgreeArgs, out: &mut dyn Write) -> Done {
    let folders = if args.folders.is_empty() { vec![files::records_dir()?] } else { args.folders.clone() };
    let (mut records, mut damaged) = (Vec::new(), Vec::new());
    for folder in &folders {
        if !folder.is_dir() {
            return Err(Error::new(ErrorKind::Io, "there are no records")
                .expected("a folder of records")
                .found("no such folder")
                .at(folder));
        }
        let (found, faulty) = profile::store(folder)?.load()?;
        records.extend(found.into_iter().map(|s| s.record));
        damaged.extend(faulty);
    }
    let options =
        Options { include_not_blinded: args.include_unblinded, assisted: args.assisted, resamples: args.resamples, seed: args.seed };
    let made = study(&readings(&records, &options)?, &options)?;
    if args.json {
        let text =
            serde_json::to_string_pretty(&made).map_err(|e| Error::new(ErrorKind::Record, "the study cannot be written").caused_by(e))?;
        output::line(out, &text)?;
    } else if args.csv {
        csv(out, &made.rows())?;
    } else {
        text(out, &made)?;
        for e in &damaged {
            output::wrapped(out, "  ! ", &format!("not a record: {e}"))?;
        }
    }
    // What is printed is right, but not of all that was named.
    Ok(if damaged.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(ErrorKind::Record.exit_code()) })
}

/// A field of RFC 4180. One that a spreadsheet would take for a formula is set off by an apostrophe.
fn field(text: &str) -> String {
    let safe = if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() };
    if safe.contains([',', '"', '\n', '\r']) { format!("\"{}\"", safe.replace('"', "\"\"")) } else { safe }
}

fn csv(out: &mut dyn Write, rows: &[Row]) -> Result<()> {
    output::line(out, "who,figure,unit,value,low_95,high_95,n,basis")?;
    for r in rows {
        let number = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
        let (value, low, high) = (r.value, number(r.low), number(r.high));
        output::line(
            out,
            &format!("{},{},{},{value},{low},{high},{},{}", field(&r.who), field(&r.figure), field(&r.unit), r.n, field(&r.basis)),
        )?;
    }
    Ok(())
}

fn text(out: &mut dyn Write, s: &Study) -> Result<()> {
    output::line(
        out,
        &format!(
            "{} readings count: {} readers, {} patients, {} exams, {} frames; {} without a signed distance take part in findings only",
            s.readings,
            s.readers.len(),
            s.patients,
            s.exams,
            s.frames,
            s.without_signed_distance
        ),
    )?;
    let l = &s.left_out;
    for (n, why) in [
        (l.corrected, "corrected by their own reader"),
        (l.not_blinded, "made after seeing another reader's reading"),
        (l.too_soon, "by the same reader less than 24 hours after the last of the frame"),
        (l.altered, "do not match their digest"),
        (l.same_again, "the same record again"),
        (l.assist, if s.options.assisted { "made without edge assist" } else { "made with edge assist: --assisted looks at those" }),
        (l.inadequate, "of frames judged inadequate"),
    ] {
        if n > 0 {
            output::line(out, &format!("  left out: {n} {why}"))?;
        }
    }
    let mut who = "";
    let rows = s.rows();
    for r in &rows {
        if r.who != who {
            output::line(out, &heading(s, &r.who))?;
            who = &r.who;
        }
        output::line(out, &row(r))?;
    }
    output::line(out, "Repeatability in use")?;
    match (&s.own.repeatability, &s.own.why_not) {
        (Some(own), _) => output::wrapped(
            out,
            "  ",
            &format!("The department's own may replace the labelled assumption: SD {:.2} mm [{}]", own.sd_mm.get(), own.source),
        )?,
        (None, why) => {
            let assumed = Repeatability::assumed_total();
            let why = why.as_deref().unwrap_or("not known");
            output::wrapped(
                out,
                "  ",
                &format!("The labelled assumption stays: SD {:.2} mm [{}]. Why: {why}", assumed.sd_mm.get(), assumed.source),
            )?;
        }
    }
    if !s.warnings.is_empty() {
        output::line(out, "To be said beside it")?;
    }
    for w in &s.warnings {
        output::wrapped(out, "  - ", w)?;
    }
    Ok(())
}

/// Who, and for a pair the counts that are no estimates.
fn heading(s: &Study, who: &str) -> String {
    match s.pairs.iter().find(|p| who == format!("{} and {}", p.first, p.second)) {
        Some(p) => format!(
            "{who} (differences are first minus second): {} frames of {} patients · findings differ in {} of {} · one covering, one not: {}",
            p.frames, p.patients, p.changed.0, p.changed.1, p.sides_differ
        ),
        None => who.to_owned(),
    }
}

fn row(r: &Row) -> String {
    let digits = if r.unit.starts_with("mm") && r.unit != "mm per mm" { 2 } else { 3 };
    let end = |v: Option<f64>| v.map_or("?".into(), |v| format!("{v:.digits$}"));
    let interval = if r.low.is_none() && r.high.is_none() { String::new() } else { format!(" (95 %: {} to {})", end(r.low), end(r.high)) };
    let unit = if r.unit.is_empty() { String::new() } else { format!(" {}", r.unit) };
    format!("  {:<56} {:>8.digits$}{unit}{interval} · {} {}", r.figure, r.value, r.n.round(), r.basis)
}
