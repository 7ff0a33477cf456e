//! `phantom`: scale checks on a distance phantom, and the history of a department's scanners.

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Subcommand};
use jiff::civil::Date;

use super::{Done, output};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::load::StoredFile;
use crate::phantom::{self, Check, Definition, Together, Tolerance, Verdict};
use crate::scanners::{self, Due, Listed, Made, ScaleCheck, ScannerKey};

/// Longest definition of a phantom, bytes.
const LONGEST: u64 = 256 * 1024;

/// What can be done with a phantom.
#[derive(Debug, Subcommand)]
pub enum PhantomCommand {
    /// The phantoms that are known, and the tolerances with their source
    List,
    /// Check the scale of a scanner: find the pins, match them, fit, compare with the files' own scale
    Check(CheckArgs),
    /// Every scanner with its checks, when the next one is due, and which way its scale goes
    History(HistoryArgs),
}

/// Arguments of `phantom check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Frames of the phantom: one file or more, all of one scanner, probe and preset
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Id of the phantom (see `phantom list`), or the file of a definition; there is no default
    #[arg(long)]
    pub phantom: String,
    /// Frame number in each file, from 1
    #[arg(long, default_value_t = 1)]
    pub frame: u32,
    /// Print where each pin was found and how far it lies off the fit
    #[arg(long)]
    pub residuals: bool,
    /// Add the check to the history
    #[arg(long, requires = "by")]
    pub save: bool,
    /// Who checked; needed for --save
    #[arg(long)]
    pub by: Option<String>,
    /// Day of the check, YYYY-MM-DD; taken from the files where they say so
    #[arg(long)]
    pub date: Option<Date>,
}

/// Arguments of `phantom history`.
#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// Which day it is, YYYY-MM-DD, instead of today
    #[arg(long)]
    pub today: Option<Date>,
}

pub(super) fn run(command: &PhantomCommand, out: &mut dyn Write) -> Done {
    match command {
        PhantomCommand::List => list(out),
        PhantomCommand::Check(args) => check(args, out),
        PhantomCommand::History(args) => history(args, out),
    }
}

fn list(out: &mut dyn Write) -> Done {
    for d in phantom::phantoms()? {
        let [wide, high] = d.extent_mm();
        output::line(out, &format!("{:16} {}", d.id, d.name))?;
        output::wrapped(out, "    ", &format!("{} pins over {wide} by {high} mm. {} [{}]", d.pins().len(), d.note, d.source))?;
    }
    let t = phantom::tolerance()?;
    output::line(out, "")?;
    output::wrapped(out, "Tolerances: ", &format!("{}. {}", t.name, t.source))?;
    for (axis, l) in [("down", t.down), ("across", t.across)] {
        let text =
            format!("action from {} mm or {} %, defect from {} mm or {} %", l.action_mm, l.action_percent, l.defect_mm, l.defect_percent);
        output::line(out, &format!("    {axis:7} {text}"))?;
    }
    output::line(out, &format!("    next check after {} months [{}]", t.check_every_months, t.check_every_source))?;
    Ok(ExitCode::SUCCESS)
}

fn definition(name: &str) -> Result<Definition> {
    if name.ends_with(".toml") {
        let path = PathBuf::from(name);
        return Definition::parse(&files::read_text(&path, LONGEST)?).map_err(|e| e.at(&path));
    }
    phantom::phantom(name)
}

fn check(args: &CheckArgs, out: &mut dyn Write) -> Done {
    let phantom = definition(&args.phantom)?;
    let tolerance = phantom::tolerance()?;
    let mut checks = Vec::new();
    let mut of: Option<(Option<ScannerKey>, Option<String>)> = None;
    let mut day = args.date;
    for path in &args.files {
        let file = StoredFile::open(path)?;
        let this = (ScannerKey::of(file.facts()), file.facts().preset.clone());
        if of.as_ref().is_some_and(|o| *o != this) {
            return Err(Error::new(ErrorKind::Usage, "the frames are not of one scanner, probe and preset")
                .remedy("Check each scanner, probe and preset by itself")
                .at(path));
        }
        of = Some(this);
        day = day.or(file.facts().exam_date);
        let frame = file.frame(args.frame)?;
        checks.push(phantom::check(&frame, file.geometry(), &phantom).map_err(|e| e.at(path))?);
    }
    let Some(all) = phantom::together(&checks, &phantom, &tolerance) else {
        return Err(Error::new(ErrorKind::Usage, "no frame was named"));
    };
    let (scanner, preset) = of.unwrap_or_default();
    let whose = scanner.as_ref().map_or("scanner not named in the file".to_owned(), ScannerKey::words);
    output::line(out, &format!("{} · {whose}", phantom.name))?;
    for (c, path) in checks.iter().zip(&args.files) {
        one(out, c, &path.file_name().unwrap_or_default().to_string_lossy(), args.residuals)?;
    }
    result(out, &all, &tolerance)?;
    if args.save {
        let scanner = scanner.ok_or_else(|| {
            Error::new(ErrorKind::Invalid, "the check cannot be kept").expected("a file that names its scanner").found("none")
        })?;
        let checked_on =
            day.ok_or_else(|| Error::new(ErrorKind::Usage, "the day of the check is not known").remedy("Name it: --date YYYY-MM-DD"))?;
        let made = Made { checked_on, made_at: files::now_exactly(), by: args.by.clone().unwrap_or_default(), scanner, preset };
        let entry = ScaleCheck::new(made, &checks, &phantom, &tolerance)?;
        let dir = files::scale_checks_dir()?;
        let history = scanners::load(&dir)?;
        let (saved, path) = scanners::save(&dir, &history, entry, &files::signing_seed(&files::data_dir()?)?)?;
        output::line(out, &format!("Saved as {} · next check due {}", path.display(), saved.next_due))?;
    }
    Ok(if all.verdict() == Verdict::Within { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn one(out: &mut dyn Write, c: &Check, name: &str, residuals: bool) -> Result<()> {
    let f = &c.fit;
    output::line(out, &format!("  {name}: {} of the phantom's pins matched, region {}", c.matching.pairs.len(), c.region))?;
    for (axis, header, found, u, sd) in [
        ("across", c.header_mm_per_px[0], f.mm_per_px_x, f.u_rel_x, f.sd_mm[0]),
        ("down", c.header_mm_per_px[1], f.mm_per_px_y, f.u_rel_y, f.sd_mm[1]),
    ] {
        let text =
            format!("{axis:7} file {header:.5} mm a pixel, pins {found:.5} ± {:.2} %; pins scatter by {sd:.2} mm", 100.0 * f.t95() * u);
        output::line(out, &format!("    {text}"))?;
    }
    let text = format!(
        "turned by {:.1} ± {:.1}°, sheared by {:.2} ± {:.2} %, scales correlated by {:.2}",
        f.rotation_degrees,
        f.t95() * f.u_rotation_degrees,
        100.0 * f.shear,
        100.0 * f.t95() * f.u_shear,
        f.correlation
    );
    output::line(out, &format!("    {text}"))?;
    if let Some(l) = f.local {
        let [x, y] = l.half_range;
        output::line(out, &format!("    scale over the pins differs by ±{:.2} % across and ±{:.2} % down", 100.0 * x, 100.0 * y))?;
    }
    for n in &c.notes {
        output::wrapped(out, "    ! ", &n.words())?;
    }
    for r in f.residuals.iter().filter(|_| residuals) {
        let aside = if r.kept { "" } else { "  set aside" };
        let text = format!(
            "pin {:3}  at ({:8.2}, {:8.2}) px  off by {:+.3} mm across, {:+.3} down{aside}",
            r.pin + 1,
            r.at.x,
            r.at.y,
            r.off_mm[0],
            r.off_mm[1]
        );
        output::line(out, &format!("      {text}"))?;
    }
    Ok(())
}

fn result(out: &mut dyn Write, all: &Together, tolerance: &Tolerance) -> Result<()> {
    let half = all.half_widths();
    for (k, axis) in [(1, "down"), (0, "across")] {
        let a = all.axes[k];
        let way = if all.error[k] >= 0.0 { "long" } else { "short" };
        let text = format!(
            "the file's scale reads {:.2} ± {:.2} % {way} ({:+.2} mm over {:.0} mm): {} by the published limits, {} by per cent alone{}",
            100.0 * all.error[k].abs(),
            100.0 * half[k],
            a.error_mm,
            a.over_mm,
            a.published.words(),
            a.by_percent.words(),
            if a.borderline { "; its interval reaches the next limit" } else { "" }
        );
        output::wrapped(out, &format!("{axis:7} "), &text)?;
    }
    output::wrapped(out, "Result: ", &format!("{} [{}]", all.verdict().words(), tolerance.source))?;
    output::wrapped(
        out,
        "        ",
        &format!(
            "correlation of the two axes {:.2}, the speed of sound in the phantom included. A phantom says nothing about the speed of sound in a patient: that part of a reading's error stays.",
            all.correlation
        ),
    )
}

fn history(args: &HistoryArgs, out: &mut dyn Write) -> Done {
    let dir = files::scale_checks_dir()?;
    let history = scanners::load(&dir)?;
    let today = args.today.unwrap_or_else(files::today);
    for Listed { scanner, checks, due } in history.scanners(today) {
        let due = match due {
            Due::On(d) => format!("next check due {d}"),
            Due::Overdue(d) => format!("OVERDUE since {d}"),
        };
        output::line(out, &format!("{} · {due}", scanner.words()))?;
        for c in &checks {
            let part = |k: usize| format!("{:+.2} ± {:.2} %", 100.0 * c.error[k], 196.0 * c.u[k]);
            let preset = c.preset.as_deref().map_or(String::new(), |p| format!(", preset {p}"));
            let invented = if c.invented { ", INVENTED for the sample" } else { "" };
            let text = format!("{}  down {}  across {}  {}", c.checked_on, part(1), part(0), c.verdict().words());
            output::line(out, &format!("  {text}{preset}, by {}{invented}", c.by))?;
        }
        if let (Some(first), Some(last)) = (checks.first(), checks.last())
            && checks.len() > 1
        {
            let step = |k: usize| 100.0 * (last.error[k] - first.error[k]);
            let text = format!("  since {}: down {:+.2} %, across {:+.2} %", first.checked_on, step(1), step(0));
            output::line(out, &text)?;
        }
    }
    if history.checks().is_empty() {
        output::line(out, "No scanner was ever checked.")?;
    }
    for e in &history.damaged {
        output::line(out, &format!("Not a check that can be trusted: {e}"))?;
    }
    for id in history.missing() {
        output::line(out, &format!("A check that another one follows is not here: {id}"))?;
    }
    output::line(out, &format!("Kept in {}", dir.display()))?;
    Ok(if history.damaged.is_empty() && history.missing().is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
