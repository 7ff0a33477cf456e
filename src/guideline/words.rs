//! A finding in words, and where each sentence comes from.

use super::{Band, BandRef, Finding, NearEdge, Outcome, Reason, Table, WhyBorderline};
use crate::source::{Citation, Provenance};

/// One sentence of the explanation and its source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExplainLine {
    /// The sentence.
    pub text: String,
    /// Where it comes from and how well it is known.
    pub source: Citation,
}

impl Reason {
    /// The sentence shown: why, and what would help.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::RouteUnknown => "the scan route is not stated: state whether the frames are transvaginal".into(),
            Self::NotTransvaginal { route } => {
                format!("a {} frame is not classified as a transvaginal finding: repeat transvaginally", route.words())
            }
            Self::BladderFull => "the bladder was full, which can mimic previa: repeat with an empty bladder".into(),
            Self::ContractionPresent => "a contraction was in the frame, which can mimic previa: repeat in 20 to 60 minutes".into(),
            Self::AgeUnknown => "the gestational age is not known: give the exam date and the due date or last period".into(),
            Self::TooEarly { age, minimum, strictly_older } => format!(
                "at {age} it is too early for this table, which speaks {} {minimum}: the placental position is provisional; \
                 most low placentas of the second trimester are not low at birth",
                if *strictly_older { "only after" } else { "from" }
            ),
            Self::SideDisagrees => "the point on the placental body contradicts the stated side: mark or state it again".into(),
            Self::NotANumber => "the distance or its interval is not a number".into(),
        }
    }
}

/// The finding in one line, with "provisional at this age" and borderline where they apply.
#[must_use]
pub fn headline(finding: &Finding) -> String {
    let mut text = match &finding.outcome {
        Outcome::Within { band } => capital(&band.label),
        Outcome::Straddles { nominal, also } => {
            format!("{}; the 95 % interval also reaches: {}", capital(&nominal.label), list(also))
        }
        Outcome::Reaches { also } => {
            let mut t = String::from("Reaches or partly covers the os: treat as previa until a clinician decides");
            if !also.is_empty() {
                t.push_str(&format!("; the 95 % interval also reaches: {}", list(also)));
            }
            t
        }
        Outcome::NoPlacentaWithin { possible, also } => {
            let mut t = format!("Not determined by one plane without placenta; still possible: {}", list(possible));
            if !also.is_empty() {
                t.push_str(&format!("; within measurement error also: {}", list(also)));
            }
            t
        }
        Outcome::NotApplicable { reasons } => {
            let why = reasons.iter().map(Reason::words).collect::<Vec<_>>().join("; ");
            return format!("Not classified under {} {}: {why}", finding.table.name, finding.table.edition);
        }
    };
    if let Some(near) = borderline_words(&finding.borderline) {
        text.push_str(&format!(" ({near})"));
    }
    if finding.provisional() {
        text.push_str(", provisional at this age");
    }
    text
}

/// "borderline near 10 and 20 mm", or nothing.
fn borderline_words(near: &[NearEdge]) -> Option<String> {
    let edges: Vec<String> = near.iter().map(|n| n.edge_mm.get().to_string()).collect();
    let (last, rest) = edges.split_last()?;
    Some(if rest.is_empty() { format!("borderline near {last} mm") } else { format!("borderline near {} and {last} mm", rest.join(", ")) })
}

/// The explanation: table, rule, numbers and notes, each with its source.
///
/// `table` is the one that the finding was made with.
#[must_use]
pub fn explain(finding: &Finding, table: &Table) -> Vec<ExplainLine> {
    let mut out = vec![ExplainLine { text: format!("Table: {}, edition {}", table.name, table.edition), source: table.source.clone() }];
    let mut rule = |band: &BandRef, lead: &str| {
        if let Some(b) = table.bands.iter().find(|b| b.id == band.id) {
            out.push(ExplainLine { text: format!("{lead}\"{}\": {}", b.label, b.rule), source: b.rule_source.clone() });
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
            if let Some(zero) = table.bands.iter().find(|b| b.kind == super::BandKind::Reaching) {
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
                let source = match reason {
                    Reason::TooEarly { .. } => table.minimum_age.age_source.clone(),
                    _ => Citation::fixed("what this program requires before it classifies", Provenance::OwnAssumption),
                };
                out.push(ExplainLine { text: format!("Not classified: {}", reason.words()), source });
            }
        }
    }
    if finding.applies() {
        let min = &table.minimum_age;
        out.push(ExplainLine { text: format!("The table speaks {}", min.words()), source: min.age_source.clone() });
        if min.strictly_source != min.age_source {
            let text = format!("{} itself is {}", min.age, if min.strictly_older { "too early" } else { "old enough" });
            out.push(ExplainLine { text, source: min.strictly_source.clone() });
        }
    }
    for near in &finding.borderline {
        let (text, source) = match near.why {
            WhyBorderline::AssumedRepeatability => (
                format!(
                    "Borderline: within {} mm of {} mm, and no repeatability of this distance is established",
                    super::BORDERLINE_MM,
                    near.edge_mm.get()
                ),
                Citation::fixed("within 5 mm of 0, 10 and 20 mm, from a proxy of 2 mm SD", Provenance::OwnAssumption),
            ),
            WhyBorderline::BetweenWholeMillimetres => (
                format!(
                    "Borderline: just above {} mm the guideline states whole millimetres and says nothing of this value",
                    near.edge_mm.get()
                ),
                Citation::fixed("taken into the outer band", Provenance::OwnAssumption),
            ),
        };
        out.push(ExplainLine { text, source });
    }
    out.extend(finding.notes.iter().map(|n| ExplainLine { text: n.words().into(), source: n.source() }));
    out
}

/// The numbers at both ends of a band, each with its source.
fn edge_lines(table: &Table, band: &Band) -> Vec<ExplainLine> {
    let at = table.bands.iter().position(|b| b.id == band.id);
    let lower = at.and_then(|i| i.checked_sub(1)).and_then(|i| table.bands.get(i)).and_then(|b| b.upper.as_ref());
    let mut out = Vec::new();
    for (edge, is_lower) in [(lower, true), (band.upper.as_ref(), false)] {
        let Some(edge) = edge else { continue };
        let end = if is_lower { "from" } else { "to" };
        out.push(ExplainLine { text: format!("  {end} {} mm", edge.mm.get()), source: edge.mm_source.clone() });
        let inside = edge.included != is_lower;
        let text = format!("  exactly {} mm {} to this band", edge.mm.get(), if inside { "belongs" } else { "does not belong" });
        out.push(ExplainLine { text, source: edge.included_source.clone() });
    }
    out
}

/// The readings of all tables when a signed distance, mm, lies exactly on an edge that they treat differently.
#[must_use]
pub fn boundary_note(signed_mm: f64, tables: &[Table]) -> Option<String> {
    let on_edge = tables.iter().any(|t| t.edges().any(|e| e.get().total_cmp(&(signed_mm + 0.0)).is_eq()));
    if !on_edge {
        return None;
    }
    let readings: Vec<(&Table, &Band)> = tables.iter().filter_map(|t| t.band_at(signed_mm).map(|b| (t, b))).collect();
    let first = readings.first()?.1.kind;
    if readings.iter().all(|(_, b)| b.kind == first) {
        return None;
    }
    let each = readings.iter().map(|(t, b)| format!("{} {}: {}", t.name, t.edition, b.label)).collect::<Vec<_>>().join("; ");
    Some(format!("At exactly {signed_mm} mm the guidelines differ. {each}."))
}

fn list(bands: &[BandRef]) -> String {
    bands.iter().map(|b| b.label.as_str()).collect::<Vec<_>>().join("; ")
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}
