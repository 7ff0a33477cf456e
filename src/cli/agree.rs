//! `agree`: an agreement study of saved records, as text, CSV or JSON. No patient is named.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::{Done, output, profile};
use crate::agree::study::{By, Options, PARTS_NOTE, PairStudy, Part, Row, Study, readings, study};
use crate::csv_text::{csv_text, words_cell};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::measure::Repeatability;
use crate::plot::agreement::{self, Figure as Shown};
use crate::report::figure::Figure;
use crate::synth::readers::{INVENTED, READERS, invented_study};

/// Pixels a point of a PNG file.
const PER_POINT: f64 = 3.0;

/// Arguments of `agree`.
#[derive(Debug, Args)]
pub struct AgreeArgs {
    /// Folders of records, such as one of each workstation; the user's data folder when none is named
    pub folders: Vec<PathBuf>,
    /// Count readings made after seeing another reader's too; agreement then looks better than it is
    #[arg(long)]
    pub include_unblinded: bool,
    /// Look at the readings that were made with edge assist, instead of those without
    #[arg(long)]
    pub assisted: bool,
    /// Resamples of patients for each interval
    #[arg(long, default_value_t = 2_000, value_parser = clap::value_parser!(u32).range(100..=100_000))]
    pub resamples: u32,
    /// Seed of the resampling
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Print the study as JSON
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print the figures as CSV
    #[arg(long)]
    pub csv: bool,
    /// Look at an invented study instead of records: three readers of known bias and spread
    #[arg(long, conflicts_with = "folders")]
    pub demo: bool,
    /// Draw a plot into this file, .svg or .png; a file there is replaced
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,
    /// What the plot shows
    #[arg(long, value_enum, default_value_t = PlotOf::Differences, requires = "plot")]
    pub plot_of: PlotOf,
    /// The first of the two readers of the plot; the first pair when none is named
    #[arg(long, requires = "second", requires = "plot", value_name = "NAME")]
    pub first: Option<String>,
    /// The second of them
    #[arg(long, requires = "first", value_name = "NAME")]
    pub second: Option<String>,
    /// Tell points apart by gestational-age, distance or scanner
    #[arg(long, value_parser = way, requires = "plot")]
    pub marks: Option<By>,
    /// Only one part of the readings, by its name in the figures, such as "distance 0 to 10 mm"
    #[arg(long, requires = "plot", value_name = "NAME")]
    pub part: Option<String>,
}

/// What a plot shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PlotOf {
    /// Two readers' differences against their means, with bias and limits of agreement (Bland and Altman)
    Differences,
    /// Their bias by gestational age, distance and scanner
    Parts,
    /// The share of findings that differ, by the same
    Findings,
    /// Intraclass correlations of every two readers
    Correlations,
}

fn way(word: &str) -> std::result::Result<By, String> {
    let id = |by: &By| by.words().replace(' ', "-");
    By::ALL.into_iter().find(|by| id(by) == word).ok_or_else(|| format!("one of {}", By::ALL.map(|by| id(&by)).join(", ")))
}

pub(super) fn run(args: &AgreeArgs, out: &mut dyn Write) -> Done {
    let (mut records, mut damaged) = (Vec::new(), Vec::new());
    if args.demo {
        records = invented_study(args.seed)?;
    } else {
        let folders = if args.folders.is_empty() { vec![files::records_dir()?] } else { args.folders.clone() };
        for folder in &folders {
            if !folder.is_dir() {
                return Err(Error::new(ErrorKind::Io, "there are no records")
                    .expected("a folder of records")
                    .found("no such folder")
                    .at(folder)
                    .remedy("osspan agree --demo shows an invented study"));
            }
            let (found, faulty) = profile::store(folder)?.load()?;
            records.extend(found.into_iter().map(|s| s.record));
            damaged.extend(faulty);
        }
    }
    let options =
        Options { include_not_blinded: args.include_unblinded, assisted: args.assisted, resamples: args.resamples, seed: args.seed };
    let made = study(&readings(&records, &options)?, &options)?;
    let drawn = args.plot.as_deref().map(|path| plot(args, &made, path)).transpose()?;
    if args.json {
        let text =
            serde_json::to_string_pretty(&made).map_err(|e| Error::new(ErrorKind::Record, "the study cannot be written").caused_by(e))?;
        output::line(out, &text)?;
    } else if args.csv {
        write!(out, "{}", figures_csv(&made.rows())?).map_err(output::broken)?;
    } else {
        if args.demo {
            output::wrapped(out, "", &known())?;
        }
        text(out, &made)?;
        for e in &damaged {
            output::wrapped(out, "  ! ", &format!("not a record: {e}"))?;
        }
        if let Some(path) = drawn {
            output::line(out, &format!("Drawn: {}", path.display()))?;
        }
    }
    if args.json || args.csv {
        output::say_damaged(&damaged);
    }
    Ok(output::all_of_it(&damaged))
}

/// What is known of the invented readers.
fn known() -> String {
    let each = READERS.map(|r| format!("{} bias {:+.1} mm, SD {:.1} mm", r.name, r.bias_mm, r.sd_mm));
    format!("{INVENTED}, whose bias and spread are known: {}.", each.join("; "))
}

fn plot(args: &AgreeArgs, study: &Study, path: &Path) -> Result<PathBuf> {
    let refused = |expected: String, found: &str| Error::new(ErrorKind::Usage, "the plot cannot be drawn").expected(expected).found(found);
    let (Some(name), ending) = (path.file_name().and_then(|n| n.to_str()), path.extension().and_then(|e| e.to_str())) else {
        return Err(refused("a file name".into(), "none"));
    };
    let png = match ending {
        Some("svg") => false,
        Some("png") => true,
        other => return Err(refused("a file that ends in .svg or .png".into(), other.unwrap_or("no ending"))),
    };
    let figure = match args.plot_of {
        PlotOf::Differences => {
            let pair = pair(args, study)?;
            let part = args.part.as_deref().map(|name| part(pair, name)).transpose()?;
            let mut drawn = agreement::differences(pair, part, args.marks)
                .ok_or_else(|| refused("two pairs or more with a signed distance each".into(), "fewer"))?;
            agreement::note(&mut drawn.notes, args.demo, args.include_unblinded);
            Figure::of_differences(&drawn)
        }
        PlotOf::Parts | PlotOf::Findings | PlotOf::Correlations => {
            let mut forest = match args.plot_of {
                PlotOf::Correlations => agreement::correlations(study),
                PlotOf::Findings => agreement::parts(pair(args, study)?, Shown::Changed),
                _ => agreement::parts(pair(args, study)?, Shown::Bias),
            };
            if forest.groups.is_empty() {
                return Err(refused("a figure to show".into(), "none"));
            }
            agreement::note(&mut forest.notes, args.demo, args.include_unblinded);
            Figure::of_parts(&forest)
        }
    };
    let bytes = if png { figure.png(PER_POINT)? } else { figure.svg().into_bytes() };
    files::replace(files::folder_of(path), name, &bytes)
}

fn pair<'a>(args: &AgreeArgs, study: &'a Study) -> Result<&'a PairStudy> {
    let wanted = |p: &&PairStudy| match (&args.first, &args.second) {
        (Some(a), Some(b)) => [(a, b), (b, a)].contains(&(&p.first, &p.second)),
        _ => true,
    };
    study.pairs.iter().find(wanted).ok_or_else(|| {
        let all: Vec<String> = study.pairs.iter().map(|p| format!("{} and {}", p.first, p.second)).collect();
        Error::new(ErrorKind::Usage, "the plot cannot be drawn")
            .expected("two readers who read a frame in common")
            .found(if all.is_empty() { "no two".to_owned() } else { format!("others; there are {}", all.join("; ")) })
    })
}

fn part<'a>(pair: &'a PairStudy, name: &str) -> Result<&'a Part> {
    pair.subgroups.iter().map(|s| &s.part).find(|p| p.words() == name).ok_or_else(|| {
        let all: Vec<String> = pair.subgroups.iter().map(|s| s.part.words()).collect();
        Error::new(ErrorKind::Usage, "the plot cannot be drawn").expected(format!("one of: {}", all.join("; "))).found(name)
    })
}

/// A study's figures as CSV, one a line.
///
/// # Errors
/// As [`csv_text`].
pub(crate) fn figures_csv(rows: &[Row]) -> Result<String> {
    let cells = |r: &Row| {
        let number = |v: Option<f64>| v.map_or(String::new(), |v| v.to_string());
        let words = [&r.who, &r.figure, &r.unit].map(|w| words_cell(w));
        words.into_iter().chain([r.value.to_string(), number(r.low), number(r.high), r.n.to_string(), words_cell(&r.basis)]).collect()
    };
    csv_text(&["who", "figure", "unit", "value", "low_95", "high_95", "n", "basis"], rows.iter().map(cells))
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
    for (n, why) in s.left_out.reasons() {
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
    if s.pairs.iter().any(|p| !p.subgroups.is_empty()) {
        output::line(out, &format!("{PARTS_NOTE}."))?;
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
    let digits = r.digits();
    let end = |v: Option<f64>| v.map_or("?".into(), |v| format!("{v:.digits$}"));
    let interval = if r.low.is_none() && r.high.is_none() { String::new() } else { format!(" (95 %: {} to {})", end(r.low), end(r.high)) };
    let unit = if r.unit.is_empty() { String::new() } else { format!(" {}", r.unit) };
    format!("  {:<56} {:>8.digits$}{unit}{interval} · {} {}", r.figure, r.value, r.n.round(), r.basis)
}
