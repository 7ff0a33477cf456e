//! The whole answer for one exam, section by section, each sentence with the row and source that led to it.

use std::fmt::Write as _;

use crate::cautions::{Facts, Scale, cautions};
use crate::context::GestationalAge;
use crate::error::Result;
use crate::evidence::{Condition, accreta_among_previa, conditions, delivery_windows, matching};
use crate::followup::{Exam, Plan, plan};
use crate::guideline::{BandKind, ExplainLine, PROVISIONAL_BELOW, Table, boundary_note, explain, headline};
use crate::measure::{Measurement, Value, words};
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
                let _ = writeln!(out, "  {}", line.text);
                if trace {
                    let _ = writeln!(out, "      [{}: {}]", line.row, line.source);
                }
            }
            out.push('\n');
        }
        out
    }
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
    let scan = format!(
        "Route {}, bladder {}, contraction {}, placenta {}, bleeding {}, previous caesareans {}",
        c.route.words(),
        c.bladder.words(),
        c.contraction.words(),
        c.placental_position.words(),
        c.bleeding.words(),
        c.previous_caesareans.map_or_else(|| "unknown".to_owned(), |n| n.to_string()),
    );
    vec![
        own(format!("{age} on {date}, {dating}"), "program / age", "280 days from the first day of the last period to the due date"),
        own(scan, "program / context", "as entered"),
    ]
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
        let text = format!("{}: {:.2} mm (one SD)", term.kind.words(), term.u_mm.get());
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
    out.extend(explain(f, exam.table));
    out
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
