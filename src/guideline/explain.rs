//! Where each sentence of a finding comes from: which row of which table, with its source.

use super::{Band, BandKind, BandRef, Finding, Outcome, Reason, Table, WhyBorderline};
use crate::source::{Citation, Provenance};

/// One sentence of the explanation and its source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExplainLine {
    /// The sentence.
    pub text: String,
    /// Which row of which table led to it: "rcog-2018 / low-lying / upper-mm", "cohorts / heller-2014", "program / …".
    pub row: String,
    /// Where it comes from and how well it is known.
    pub source: Citation,
}

/// The explanation: table, rule, numbers and notes, each with its source.
///
/// `table` is the one that the finding was made with.
#[must_use]
pub fn explain(finding: &Finding, table: &Table) -> Vec<ExplainLine> {
    let mut out =
        vec![line(format!("Table: {}, edition {}", table.name, table.edition), format!("{} / source", table.id), table.source.clone())];
    out.extend(table.effective_lines());
    let mut rule = |band: &BandRef, lead: &str| {
        if let Some(b) = table.bands.iter().find(|b| b.id == band.id) {
            out.push(rule_line(table, b, lead));
            out.extend(edge_lines(table, b));
        }
    };
    match &finding.outcome {
        Outcome::Within { band } => rule(band, "Band "),
        Outcome::Straddles { nominal, also } => {
            rule(nominal, "Band ");
            also.iter().for_each(|b| rule(b, "The 95 % interval also reaches "));
        }
        Outcome::Reaches { also } => {
            if let Some(zero) = table.bands.iter().find(|b| b.kind == BandKind::Reaching) {
                rule(&zero.into(), "Band ");
            }
            also.iter().for_each(|b| rule(b, "The 95 % interval also reaches "));
        }
        Outcome::NoPlacentaWithin { possible, also } => {
            possible.iter().for_each(|b| rule(b, "Still possible: "));
            also.iter().for_each(|b| rule(b, "Within measurement error also "));
        }
        Outcome::NotApplicable { reasons } => {
            for reason in reasons {
                let (row, source) = match reason {
                    Reason::TooEarly { .. } => (format!("{} / minimum-age", table.id), table.minimum_age.age_source.clone()),
                    _ => (
                        "program / requirements".to_owned(),
                        Citation::fixed("what this program requires before it classifies", Provenance::OwnAssumption),
                    ),
                };
                out.push(line(format!("Not classified: {}", reason.words()), row, source));
            }
        }
    }
    if finding.applies() {
        out.extend(age_lines(table));
    }
    if !finding.shares.is_empty() {
        // Rounding must not turn "nearly always" into "always".
        let share = |percent: u8| if percent >= 100 { "over 99 %".to_owned() } else { format!("{percent} %") };
        let each = finding.shares.iter().map(|s| format!("{} {}", s.band.label, share(s.percent))).collect::<Vec<_>>().join(", ");
        let text = format!("{each}: measurement error only, not the chance of previa at birth");
        let source = Citation::fixed("the department's own SDs, normal error", Provenance::OwnAssumption);
        out.push(line(text, "program / shares".to_owned(), source));
    }
    for near in &finding.borderline {
        let (text, row, source) = match near.why {
            WhyBorderline::AssumedRepeatability => (
                format!(
                    "Borderline: within {} mm of {} mm, and no repeatability of this distance is established",
                    super::BORDERLINE_MM,
                    near.edge_mm.get()
                ),
                "program / borderline",
                Citation::fixed("within 5 mm of 0, 10 and 20 mm, from a proxy of 2 mm SD", Provenance::OwnAssumption),
            ),
            WhyBorderline::BetweenWholeMillimetres => (
                format!(
                    "Borderline: just above {} mm the guideline states whole millimetres and says nothing of this value",
                    near.edge_mm.get()
                ),
                "program / whole-millimetres",
                Citation::fixed("taken into the outer band", Provenance::OwnAssumption),
            ),
        };
        out.push(line(text, row.to_owned(), source));
    }
    out.extend(finding.notes.iter().map(|n| line(n.words().to_owned(), "program / notes".to_owned(), n.source())));
    out
}

fn line(text: String, row: String, source: Citation) -> ExplainLine {
    ExplainLine { text, row, source }
}

fn rule_line(table: &Table, band: &Band, lead: &str) -> ExplainLine {
    line(format!("{lead}\"{}\": {}", band.label, band.rule), format!("{} / {} / rule", table.id, band.id), band.rule_source.clone())
}

/// The youngest age and whether it is itself too young.
fn age_lines(table: &Table) -> Vec<ExplainLine> {
    let min = &table.minimum_age;
    let strictly = format!("{} itself is {}", min.age, if min.strictly_older { "too early" } else { "old enough" });
    vec![
        line(format!("The table speaks {}", min.words()), format!("{} / minimum-age", table.id), min.age_source.clone()),
        line(strictly, format!("{} / minimum-age / strictly-older", table.id), min.strictly_source.clone()),
    ]
}

/// The numbers at both ends of a band, each with its source.
fn edge_lines(table: &Table, band: &Band) -> Vec<ExplainLine> {
    let at = table.bands.iter().position(|b| b.id == band.id);
    let lower = at.and_then(|i| i.checked_sub(1)).and_then(|i| table.bands.get(i));
    let mut out = Vec::new();
    for (owner, is_lower) in [(lower, true), (Some(band), false)] {
        let Some((owner, edge)) = owner.and_then(|b| b.upper.as_ref().map(|e| (b, e))) else { continue };
        let (end, inside) = if is_lower { ("from", !edge.included) } else { ("to", edge.included) };
        let row = format!("{} / {} / upper", table.id, owner.id);
        out.push(line(format!("  {end} {} mm", edge.mm.get()), format!("{row}-mm"), edge.mm_source.clone()));
        let text = format!("  exactly {} mm {} to this band", edge.mm.get(), if inside { "belongs" } else { "does not belong" });
        out.push(line(text, format!("{row}-included"), edge.included_source.clone()));
    }
    out
}

impl Table {
    /// What must be said when the table was not in effect on the day of an exam; `None` when it was, or either is not known.
    #[must_use]
    pub fn out_of_effect(&self, exam_date: Option<jiff::civil::Date>) -> Option<ExplainLine> {
        let (on, effective) = exam_date.zip(self.effective.as_ref())?;
        let (what, source) = if effective.not_yet(on) {
            ("was not yet in effect", effective.from_source.clone())
        } else if effective.no_longer(on) {
            ("was no longer in effect", effective.to_source.clone())
        } else {
            return None;
        };
        let text = format!("On {on} this table {what}: it is {}. Choose the edition that held on that day.", effective.words());
        Some(line(text, format!("{} / effective", self.id), source?))
    }

    /// When the table is in effect, each end with its source.
    fn effective_lines(&self) -> Vec<ExplainLine> {
        let Some(e) = &self.effective else { return Vec::new() };
        let end = |end: &Option<(jiff::civil::Date, String)>, source: &Option<Citation>, key: &str| {
            let ((_, text), source) = end.as_ref().zip(source.as_ref())?;
            Some(line(format!("In effect {key} {text}"), format!("{} / effective-{key}", self.id), source.clone()))
        };
        [end(&e.from, &e.from_source, "from"), end(&e.to, &e.to_source, "to")].into_iter().flatten().collect()
    }

    /// Every fact of the table, each with its row and source.
    #[must_use]
    pub fn facts(&self) -> Vec<ExplainLine> {
        let mut out = self.effective_lines();
        out.extend(age_lines(self));
        for band in &self.bands {
            out.push(rule_line(self, band, ""));
            if let Some(edge) = &band.upper {
                let row = format!("{} / {} / upper", self.id, band.id);
                out.push(line(format!("\"{}\" ends at {} mm", band.label, edge.mm.get()), format!("{row}-mm"), edge.mm_source.clone()));
                let text = format!("exactly {} mm {} to it", edge.mm.get(), if edge.included { "belongs" } else { "does not belong" });
                out.push(line(text, format!("{row}-included"), edge.included_source.clone()));
            }
        }
        out.extend(self.follow_up.iter().map(|f| line(f.text.clone(), format!("{} / follow-up / {}", self.id, f.id), f.source.clone())));
        out
    }
}
