//! The whole answer for one exam, section by section, each sentence with the row and source that led to it.

use std::fmt::Write as _;

use crate::calibrate;
use crate::cautions::{CautionId, Facts, Scale, cautions};
use crate::context::{AccretaSign, Answer, ExamContext, GestationalAge};
use crate::error::Result;
use crate::evidence::{Condition, accreta_among_previa, conditions, delivery_windows, matching};
use crate::followup::{self, Exam, Plan, plan};
use crate::guideline::{BandKind, ExplainLine, Note, PROVISIONAL_BELOW, Table, boundary_note, classify, explain, headline};
use crate::measure::{self, Measurement, Value, words};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// One section of a sheet. Never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Its heading.
    pub title: &'static str,
    /// Its sentences.
    pub lines: Vec<ExplainLine>,
}

/// The heading of the list of what is from memory.
pub const CHECK_FIRST: &str = "Check against the primary document before relying on this";

/// Everything in the program that is from memory, each once: tables, data, follow-up, cautions, checklist, scale, thresholds.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when bundled data is faulty, which a test rules out.
pub fn from_memory(tables: &[Table]) -> Result<Vec<ExplainLine>> {
    let mut out = crate::evidence::from_memory(tables)?;
    out.extend(followup::from_memory()?);
    let line = |text: String, row: String, source: Citation| ExplainLine { text, row, source };
    out.extend(
        CautionId::ALL.into_iter().map(|id| line(format!("Caution \"{}\"", id.id()), format!("cautions / {}", id.id()), id.source())),
    );
    out.extend(Note::ALL.into_iter().map(|n| line(n.words().to_owned(), "program / notes".to_owned(), n.source())));
    out.extend(AccretaSign::ALL.into_iter().map(|s| {
        line(format!("Sign of accreta: {}, {}", s.words(), s.definition()), "program / accreta signs".to_owned(), AccretaSign::SOURCE)
    }));
    let held =
        measure::cervix::THRESHOLDS.into_iter().chain([measure::thickness::THICKNESS_THRESHOLD, measure::thickness::ANGLE_THRESHOLD]);
    out.extend(held.map(|t| line(t.says.to_owned(), "program / thresholds".to_owned(), t.source)));
    out.extend(
        crate::exam::Item::ALL.into_iter().map(|i| line(i.words().to_owned(), "program / checklist of a frame".to_owned(), i.source())),
    );
    out.push(line("How far a trace may leave the straight line.".to_owned(), "program / thresholds".to_owned(), measure::wall::SOURCE));
    out.push(line(
        "The edge's thickness is taken within 10 mm of where its plates meet.".to_owned(),
        "program / thresholds".to_owned(),
        measure::thickness::REACH_SOURCE,
    ));
    for source in [calibrate::HEADER_SOURCE, calibrate::SOUND_SPEED_SOURCE] {
        out.push(line("Uncertainty of a scale from the header.".to_owned(), "program / scale".to_owned(), source));
    }
    out.retain(|l| l.source.provenance == Provenance::FromMemory);
    Ok(out)
}

/// The answer for one exam.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// Sections in reading order: the urgent first, the closing line last.
    pub sections: Vec<Section>,
}

impl Sheet {
    /// The section of this heading.
    #[must_use]
    pub fn section(&self, title: &str) -> Option<&Section> {
        self.sections.iter().find(|s| s.title == title)
    }

    /// The sheet as text. With `trace`, each sentence is followed by its row and source.
    #[must_use]
    pub fn text(&self, trace: bool) -> String {
        let mut out = String::new();
        for section in &self.sections {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{}", section.title.to_uppercase());
            for line in &section.lines {
                let _ = writeln!(out, "  {}", marked(line));
                if trace {
                    let _ = writeln!(out, "      [{}: {}]", line.row, line.source);
                }
            }
            out.push('\n');
        }
        out
    }
}

/// The sentence, with a word on it when it is from memory.
#[must_use]
pub fn marked(line: &ExplainLine) -> String {
    if line.source.provenance == Provenance::FromMemory { format!("{} [from memory]", line.text) } else { line.text.clone() }
}

fn own(text: String, row: &str, source: &'static str) -> ExplainLine {
    ExplainLine { text, row: row.to_owned(), source: Citation::fixed(source, Provenance::OwnAssumption) }
}

/// The sheet of an exam. `all` are the tables whose readings are compared where the value lies exactly on an edge.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when bundled data is faulty, which a test rules out.
pub fn sheet(exam: &Exam<'_>, scale: Scale, all: &[Table]) -> Result<Sheet> {
    let plan = plan(exam)?;
    let mut sections = Vec::new();
    let mut add = |title, lines: Vec<ExplainLine>| {
        if !lines.is_empty() {
            sections.push(Section { title, lines });
        }
    };
    add("Urgent", plan.urgent.iter().map(|u| u.line.clone()).collect());
    add("Exam", exam_lines(exam));
    add("Distance", distance(exam, scale));
    add("Finding", finding(exam, all));
    add("Other tables", other_tables(exam, all).into_iter().map(|o| o.line).collect());
    add("This visit", plan.now.clone());
    add("Next scan", scans(&plan));
    add("The next scan must include", plan.include.clone());
    add("Also said", plan.statements.clone());
    add("Birth, by issuing body", birth(exam)?);
    add("Groups of women", groups(exam)?);
    add("Not said", plan.silent);
    let facts = Facts {
        context: exam.context,
        age: exam.age,
        scale,
        stated_side: exam.stated_side,
        measurement: exam.measurement,
        finding: exam.finding,
    };
    let line = |c: crate::cautions::Caution| ExplainLine { text: c.text, row: format!("cautions / {}", c.id.id()), source: c.source };
    add("Cautions", cautions(&facts).into_iter().map(line).collect());
    Ok(Sheet { sections })
}

fn exam_lines(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    let age = exam.age.map_or_else(|| "gestational age not known".to_owned(), |a| a.to_string());
    let dating = c.dating.map_or_else(|| "not dated".to_owned(), |d| d.words());
    let date = c.exam_date.map_or_else(|| "exam date not known".to_owned(), |d| d.to_string());
    let entered = entered(c);
    let mut out =
        vec![own(format!("{age} on {date}, {dating}"), "program / age", "280 days from the first day of the last period to the due date")];
    if !entered.stated.is_empty() {
        let all: Vec<String> = entered.stated.iter().map(|(what, is)| format!("{what} {is}")).collect();
        out.push(own(format!("Stated: {}", all.join("; ")), "program / context", "as entered"));
    }
    if !entered.unknown.is_empty() {
        out.push(own(format!("Not stated: {}", entered.unknown.join(", ")), "program / context", "unknown is never taken as no"));
    }
    out
}

/// What was stated of an exam, and the names of what was not.
pub struct Entered {
    /// What, and its words.
    pub stated: Vec<(&'static str, String)>,
    /// What was not stated.
    pub unknown: Vec<&'static str>,
}

/// Everything of a context but its dates, in the order in which it is asked.
#[must_use]
pub fn entered(c: &ExamContext) -> Entered {
    let mut out = Entered { stated: Vec::new(), unknown: Vec::new() };
    let mut put = |what, stated: bool, words: String| {
        if stated {
            out.stated.push((what, words));
        } else {
            out.unknown.push(what);
        }
    };
    macro_rules! word {
        ($what:literal, $value:expr) => {
            put($what, !$value.not_stated(), $value.words().to_owned())
        };
    }
    macro_rules! number {
        ($what:literal, $value:expr, $unit:literal) => {
            put($what, $value.is_some(), $value.map(|n| format!("{n}{}", $unit)).unwrap_or_default())
        };
    }
    word!("dated by", c.dated_by);
    word!("route", c.route);
    word!("bladder", c.bladder);
    word!("contraction", c.contraction);
    word!("bleeding", c.bleeding);
    number!("bleeding episodes", c.episodes(), "");
    word!("pain or contractions", c.pain_or_contractions);
    word!("placenta", c.placental_position);
    number!("previous caesareans", c.previous_caesareans, "");
    word!("other uterine surgery", c.other_uterine_surgery);
    word!("previous accreta", c.previous_accreta);
    word!("accreta checklist gone through", c.accreta_assessed);
    word!("Doppler over the os", c.doppler_over_os);
    number!("nearest vessel", c.vessel_to_os_mm.map(|m| short(m.get(), &[20.0, 50.0])), " mm from the os");
    word!("low earlier in this pregnancy", c.earlier_low_placenta);
    number!("cervical length", c.cervical_length_mm.map(|m| short(m.get(), &measure::cervix::THRESHOLDS.map(|t| t.at))), " mm");
    word!("presentation", c.presentation);
    number!("head station", c.head_station_cm.map(|s| format!("{s:+}")), " cm from the spines");
    word!("cord insertion", c.cord_insertion);
    word!("extra lobe", c.extra_lobe);
    number!("fetuses", c.fetuses, "");
    if c.fetuses.is_none_or(|n| n > 1) || !c.which_placenta.not_stated() {
        word!("which placenta", c.which_placenta);
    }
    word!("assisted conception", c.assisted_conception);
    word!("RhD negative", c.rhd_negative);
    if c.transvaginal_declined != Answer::Unknown {
        word!("transvaginal scan declined", c.transvaginal_declined);
    }
    if !c.accreta_signs.is_empty() {
        put("signs of accreta", true, c.accreta_signs.iter().map(|s| s.words()).collect::<Vec<_>>().join(", "));
    }
    for bleed in &c.bleeds {
        let on = bleed.on.map_or_else(|| "day not known".to_owned(), |d| d.to_string());
        put("bleeding episode", true, format!("{on}, {}", bleed.heaviness.words()));
    }
    out
}

/// A length to a tenth of a millimetre, with more digits where it would otherwise be printed on the other side of a limit.
fn short(mm: f64, limits: &[f64]) -> String {
    let same = |printed: f64| (printed - mm).abs() <= 0.05 && limits.iter().all(|l| (printed < *l, printed > *l) == (mm < *l, mm > *l));
    crate::measure::words::digits_that_keep(mm, same)
}

fn distance(exam: &Exam<'_>, scale: Scale) -> Vec<ExplainLine> {
    let Some(m) = exam.measurement else {
        let why = if scale == Scale::Missing { "there is no trustworthy scale" } else { "nothing was measured" };
        return vec![own(format!("No millimetres: {why}."), "program / no-distance", "no scale, no millimetres")];
    };
    let print = words::printer(|printed, real| exam.table.same_band(printed, real));
    let row = format!("program / {}", m.method);
    let mut out = vec![own(words::headline(&m.value, &print), &row, "how this program measures")];
    let detail = words::detail(m, &print);
    if !detail.is_empty() {
        out.push(own(detail, &row, "how this program propagates uncertainty"));
    }
    for term in &m.terms {
        let mut text = format!("{}: {:.2} mm (one SD)", term.kind.words(), term.u_mm.get());
        if term.method == measure::own_placement::METHOD {
            text.push_str(&format!("; {}", term.source.text));
        }
        out.push(ExplainLine { text, row: format!("program / {}", term.method), source: term.source.clone() });
    }
    out
}

fn finding(exam: &Exam<'_>, all: &[Table]) -> Vec<ExplainLine> {
    let Some(f) = exam.finding else { return Vec::new() };
    let mut out = vec![own(headline(f), "program / headline", "the sentences below")];
    if let Some(Value::Exact { signed_mm }) = exam.measurement.map(|m| m.value)
        && f.applies()
        && let Some(note) = boundary_note(signed_mm.get(), all)
    {
        out.push(own(note, "program / boundary", "the tables named"));
    }
    out.extend(exam.table.out_of_effect(exam.context.exam_date));
    out.extend(explain(f, exam.table));
    out
}

/// What another table says of the same place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OtherTable {
    /// The sentence.
    pub line: ExplainLine,
    /// Whether it calls the place another sort of place.
    pub differs: bool,
}

/// What the same value is under every other table, side by side.
#[must_use]
pub fn other_tables(exam: &Exam<'_>, all: &[Table]) -> Vec<OtherTable> {
    let (Some(m), Some(f)) = (exam.measurement, exam.finding) else { return Vec::new() };
    let others = all.iter().filter(|t| t.digest() != exam.table.digest());
    others
        .flat_map(|t| {
            let other = classify(t, m, exam.age, exam.context);
            // Told by what sort of place it is: each table has names of its own for the same place.
            let same = other.kinds() == f.kinds() && other.nominal_kind() == f.nominal_kind() && other.applies() == f.applies();
            let lead = if same { "the same sort of place" } else { "DIFFERENT" };
            let head = if other.applies() { format!("{} {}: {}", t.name(), t.edition(), headline(&other)) } else { headline(&other) };
            let row = other_row(&other, t);
            let line = ExplainLine { text: format!("{head} ({lead})"), row: row.0, source: row.1 };
            let out_of_effect = t.out_of_effect(exam.context.exam_date).map(|line| OtherTable { line, differs: false });
            std::iter::once(OtherTable { line, differs: !same }).chain(out_of_effect)
        })
        .collect()
}

/// The row that decided under another table, and its source.
fn other_row(finding: &crate::guideline::Finding, table: &Table) -> (String, Citation) {
    let rule = explain(finding, table).into_iter().find(|l| l.row.ends_with("/ rule") || l.text.starts_with("Not classified"));
    rule.map_or_else(|| (format!("{} / source", table.id()), table.source().clone()), |l| (l.row, l.source))
}

fn scans(plan: &Plan) -> Vec<ExplainLine> {
    plan.scans
        .iter()
        .map(|s| {
            let dates = s.dates.map_or_else(|| "no dates: the pregnancy is not dated".to_owned(), |(from, to)| format!("{from} to {to}"));
            let other = if s.own_table { "" } else { " (not the chosen table's)" };
            let text = format!("{}, {} to {} ({dates}){other}", s.line.text, s.from, s.to);
            ExplainLine { text, ..s.line.clone() }
        })
        .collect()
}

fn birth(exam: &Exam<'_>) -> Result<Vec<ExplainLine>> {
    let windows = delivery_windows()?;
    let mut out = Vec::new();
    let conditions = conditions(exam.context, exam.age, exam.finding, exam.measurement);
    if conditions.iter().any(|c| matches!(c, Condition::BleedingNow | Condition::Accreta | Condition::VasaPrevia)) {
        let text = "The planned windows of uncomplicated previa and low-lying placenta do not hold here and are not shown.";
        out.push(own(text.to_owned(), "program / conditions", "bleeding overrides; windows of different conditions are never mixed"));
    }
    for condition in conditions {
        let lead = format!("Condition: {}", condition.words());
        out.push(own(lead, "program / conditions", "what was found and recorded; never the distance alone"));
        out.extend(windows.iter().filter(|w| w.condition == condition).map(|w| {
            let line = w.line();
            ExplainLine { text: format!("  {}", line.text), ..line }
        }));
    }
    Ok(out)
}

fn groups(exam: &Exam<'_>) -> Result<Vec<ExplainLine>> {
    let (Some(age), Some(f), Some(m)) = (exam.age, exam.finding, exam.measurement) else { return Ok(Vec::new()) };
    let Some(nominal) = f.nominal_kind() else { return Ok(Vec::new()) };
    let mut out: Vec<ExplainLine> = matching(age, nominal, signed(m), &f.kinds(), &m.interval)?
        .into_iter()
        .map(|matched| {
            let line = matched.cohort.line();
            let lead = if matched.by_error_only { "Only within measurement error: " } else { "" };
            ExplainLine { text: format!("{lead}{}", line.text), ..line }
        })
        .collect();
    if let Some(row) = accreta_row(nominal, age, exam.context.previous_caesareans)? {
        out.push(row);
    }
    Ok(out)
}

/// The accreta row: only for previa at 32 weeks or later, and only with a known number of prior caesareans.
fn accreta_row(nominal: BandKind, age: GestationalAge, prior: Option<u8>) -> Result<Option<ExplainLine>> {
    let previa = matches!(nominal, BandKind::Covering | BandKind::Reaching) && age >= PROVISIONAL_BELOW;
    match prior.filter(|_| previa) {
        Some(prior) => Ok(accreta_among_previa(prior)?.map(|r| r.line())),
        None => Ok(None),
    }
}

const fn signed(m: &Measurement) -> Mm {
    match m.value {
        Value::Exact { signed_mm } => signed_mm,
        Value::Reaches { .. } => Mm::new(0.0),
        Value::OverlapAtLeast { mm } => mm.times(-1.0),
        Value::NoPlacentaWithin { mm } => mm,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_measured_length_is_short_and_never_printed_across_a_limit() {
        assert_eq!(short(33.938_717_845, &[25.0]), "33.9");
        assert_eq!(short(31.0, &[25.0]), "31");
        assert_eq!(short(24.98, &[25.0]), "24.98");
        assert_eq!(short(30.04, &measure::cervix::THRESHOLDS.map(|t| t.at)), "30.04");
        assert_eq!(short(20.004, &[20.0, 50.0]), "20.004");
    }
}
