//! `read`: one reading from coordinates.

use std::io::Write;
use std::process::ExitCode;

use super::args::ReadArgs;
use super::output::Said;
use super::{Done, notes, output, profile, tables};
use crate::agree::own;
use crate::calibrate::hand::{Aspect, HandScale, find_ruler, parse_distance};
use crate::calibrate::header::PixelSpacingConsent;
use crate::calibrate::ticks::find_ticks;
use crate::calibrate::{Resolution, ScaleFacts, judge};
use crate::context::{Dating, ExamContext, PlacentalPosition, from_form};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::followup::{self, Exam, Plan};
use crate::frame::{Frame, Geometry};
use crate::guideline::Table;
use crate::load::StoredFile;
use crate::measure::{Landmarks, Side, words};
use crate::practice::Desk;
use crate::reading::{self, Distance, Inputs};
use crate::record::{Onlooker, Origin, Patient, ReadingRecord, Role};
use crate::scanners;
use crate::sheet::marked;

/// Longest form file that is read, bytes.
const LONGEST_FORM: u64 = 64 * 1024;

pub(super) fn run(args: &ReadArgs, out: &mut dyn Write) -> Done {
    let edge = args.far_end.mark().ok_or_else(|| {
        Error::new(ErrorKind::Usage, "the far end of the distance is missing")
            .expected("one of --edge, --last-placenta, --wall-end")
            .found("none")
    })?;
    let (shelf, faults) = tables::shelf(&args.tables.files)?;
    let table = tables::choose(&shelf, &faults, &args.guideline)?;
    let file = StoredFile::open(&args.file)?;
    let frame = file.frame(args.frame)?;
    let of_file = reading::context_of(file.facts());
    // What is named on the command line goes before the form, and the form before the file.
    let mut context = match &args.context {
        Some(path) => files::read_text(path, LONGEST_FORM).and_then(|t| from_form(&t)).map_err(|e| e.at(path))?,
        None => of_file.clone(),
    };
    context.exam_date = args.exam_date.or(context.exam_date).or(of_file.exam_date);
    context.dating = args.due_date.map(Dating::DueDate).or(args.last_period.map(Dating::LastPeriod)).or(context.dating).or(of_file.dating);
    if !args.route.not_stated() {
        context.route = args.route;
    }
    if !args.bladder.not_stated() {
        context.bladder = args.bladder;
    }
    if !args.contraction.not_stated() {
        context.contraction = args.contraction;
    }
    if !args.bleeding.not_stated() {
        context.bleeding = args.bleeding;
    }
    context.previous_caesareans = args.previous_caesareans.or(context.previous_caesareans);
    // Dates that were given but cannot be true are refused, not dropped.
    if context.exam_date.is_some() && context.dating.is_some() {
        context.gestational_age()?;
    }
    let consent = args.accept_pixel_spacing.then(|| PixelSpacingConsent { by: args.reader.clone().unwrap_or_default().trim().to_owned() });
    let mut landmarks = Landmarks { internal_os: args.os, edge, placental_body: args.far_end.body, marginal_sinus: args.sinus };
    let history = scanners::load(&files::scale_checks_dir()?)?;
    let mut scale = scanners::scale_facts(find_ticks(&frame), file.facts(), context.exam_date, &history);
    scale.hand = hand_scale(args, &file, &frame)?;
    let lateral = context.placental_position == PlacentalPosition::Lateral;
    let notes = notes::of(&args.notes, lateral, &mut landmarks, &frame, &|at| {
        judge(file.geometry(), &[at], consent.as_ref(), &scale, context.exam_date).scale.map(|(calibration, _)| calibration)
    })?;
    scale.resolved = resolution(args, file.geometry(), &landmarks, consent.as_ref(), &scale, &context);
    let folder = match &args.records {
        Some(d) => d.clone(),
        None => files::records_dir()?,
    };
    let store = profile::store(&folder)?;
    // What is no record takes no part in the exam's values and the repeatability, and that is said.
    let (known, damaged) = store.load()?;
    output::say_damaged(&damaged);
    let known: Vec<ReadingRecord> = known.into_iter().map(|s| s.record).collect();
    let mut in_use = own::in_use(&known);
    if let Some(reader) = args.reader.as_deref().filter(|r| !r.trim().is_empty()) {
        // By the reader's consent their own placement in practice widens it; it never narrows it.
        in_use = Desk::open(&files::data_dir()?, reader)?.placement()?.widen(in_use);
    }
    let repeatability = in_use.repeatability.clone();
    let inputs = Inputs {
        geometry: file.geometry(),
        landmarks: &landmarks,
        side: args.side.into(),
        consent: consent.as_ref(),
        scale: &scale,
        repeatability: &repeatability,
        context: &context,
        notes: &notes,
        table,
    };
    let made = reading::read(&inputs)?;
    let mut saved = None;
    let mut exam = None;
    if args.save || args.json {
        let reader = args.reader.as_deref().unwrap_or("not named");
        let follows = store.own_heads(&frame.id, reader, Patient::from(&file.facts().patient).key().as_deref())?;
        let origin = Origin::of(&file, frame.id.clone(), reader, files::now_exactly(), follows);
        let record = ReadingRecord::new(&inputs, &made, origin)?.with_exam(&known)?;
        let mark = store.second_reading(&who(reader)?, &record.exam_key(), args.second.served())?;
        let record = record.with_second(mark)?;
        if args.save {
            saved = Some(store.save(&record)?);
        }
        if args.json {
            write!(out, "{}", record.to_json()?).map_err(output::broken)?;
        }
        exam = record.exam;
    }
    if !args.json {
        output::line(out, &format!("Frame {} of {} · {}", args.frame, file.frame_count(), context_line(&context)))?;
        let plan = plan_of(&made, table, &reading::context_in_force(&context, &notes, &made.more), args.side.into())?;
        // What is urgent stands above the millimetres.
        for urgent in &plan.urgent {
            output::wrapped(out, "  ! ", &marked(&urgent.line))?;
        }
        let mut said = Said::default();
        output::reading(out, &made, table, &mut said)?;
        if let Some(why) = table.out_of_effect(context.exam_date) {
            output::wrapped(out, "  ! ", &why.text)?;
        }
        notes::print(out, &made, &notes, &mut said)?;
        output::wrapped(out, "  Repeatability: ", &in_use.words())?;
        if let Some(exam) = exam.as_ref().filter(|e| e.readings.len() > 1) {
            output::wrapped(out, "  This exam: ", &format!("{} readings by this reader", exam.readings.len()))?;
            for text in exam.values.words(words::printer(|printed, real| table.same_band(printed, real))) {
                output::wrapped(out, "    ", &text)?;
            }
        }
        what_now(out, &plan, &mut said)?;
        output::cautions(out, &made.cautions, &mut said)?;
        said.print_sources(out)?;
        if let Some(path) = &saved {
            output::line(out, &format!("Saved as {}", path.display()))?;
        }
    }
    let refused = matches!(made.distance, Distance::NoScale { .. }) || !made.blocks.is_empty();
    Ok(if refused { ExitCode::from(ErrorKind::Uncalibrated.exit_code()) } else { ExitCode::SUCCESS })
}

/// Who reads. What somebody else's profile hides is not hidden from this reader.
fn who(reader: &str) -> Result<Onlooker> {
    let here = profile::onlooker(&files::data_dir()?)?.filter(|o| o.reader.trim() == reader.trim());
    Ok(here.unwrap_or_else(|| Onlooker { reader: reader.trim().to_owned(), role: Role::Sonographer }))
}

fn plan_of(made: &reading::Reading, table: &Table, context: &ExamContext, side: Side) -> Result<Plan> {
    let measured = made.distance.measured();
    followup::plan(&Exam {
        table,
        context,
        age: context.gestational_age().ok(),
        stated_side: Some(side),
        measurement: measured.map(|m| &m.measurement),
        finding: measured.map(|m| &m.finding),
    })
}

/// What this visit owes and the next scan by the chosen table's body; `sheet` says the rest.
fn what_now(out: &mut dyn Write, plan: &Plan, said: &mut Said) -> Result<()> {
    if !plan.now.is_empty() {
        output::line(out, "This visit")?;
        for line in &plan.now {
            output::wrapped(out, "  - ", &format!("{} {}", line.text, said.mark(&line.source)))?;
        }
    }
    if !plan.scans.is_empty() {
        output::line(out, "Next scan (the sheet of a saved reading says what every body asks for)")?;
    }
    // A table of one's own may leave the next scan to others.
    let own = plan.scans.iter().any(|s| s.own_table);
    for scan in plan.scans.iter().filter(|s| s.own_table || !own) {
        let dates = scan.dates.map_or_else(|| "no dates: not dated".to_owned(), |(from, to)| format!("{from} to {to}"));
        let text = format!("{}, {} to {} ({dates}) {}", scan.line.text, scan.from, scan.to, said.mark(&scan.line.source));
        output::wrapped(out, "  - ", &text)?;
    }
    Ok(())
}

/// The scale set by hand on the command line, where one was.
fn hand_scale(args: &ReadArgs, file: &StoredFile, frame: &Frame) -> Result<Option<HandScale>> {
    let (Some(from), Some(to), Some(length)) = (args.ruler_from, args.ruler_to, &args.ruler_length) else { return Ok(None) };
    let (distance, unit) = parse_distance(length)?;
    let geometry = file.geometry();
    let aspect = match geometry.pixel_aspect_vertical_horizontal {
        Some([vertical, horizontal]) => Aspect::FromFile { vertical, horizontal },
        None if args.square_pixels => Aspect::StatedSquare,
        None => {
            return Err(Error::new(ErrorKind::Usage, "the shape of the pixels is not known")
                .expected("a Pixel Aspect Ratio in the file, or your statement")
                .found("neither")
                .remedy("State it where it is so: --square-pixels"));
        }
    };
    Ok(Some(HandScale {
        ruler: find_ruler(frame, from, to)?,
        distance,
        unit,
        aspect,
        by: args.reader.clone().unwrap_or_default().trim().to_owned(),
        field_confirmed: args.confirm_field,
        size: [geometry.columns, geometry.rows],
        taken_from: None,
    }))
}

/// The decision given on the command line, about whatever speaks against the scale now.
fn resolution(
    args: &ReadArgs,
    geometry: &Geometry,
    landmarks: &Landmarks,
    consent: Option<&PixelSpacingConsent>,
    scale: &ScaleFacts,
    context: &crate::context::ExamContext,
) -> Option<Resolution> {
    let reason = args.resolve_scale.as_ref()?.trim().to_owned();
    let points = [landmarks.internal_os, landmarks.edge.at()];
    let checks = judge(geometry, &points, consent, scale, context.exam_date).unresolved;
    let by = args.reader.clone().unwrap_or_default().trim().to_owned();
    (!checks.is_empty()).then_some(Resolution { checks, reason, by })
}

/// Age, route and date in one line.
pub(super) fn context_line(context: &crate::context::ExamContext) -> String {
    let age = context.gestational_age().map_or("gestational age unknown".to_owned(), |a| a.to_string());
    let date = context.exam_date.map_or("undated".to_owned(), |d| d.to_string());
    format!("{age} · {} · {date}", context.route.words())
}
