//! A finding in words.

use super::{Band, BandRef, Finding, NearEdge, Outcome, Reason, Table};

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

/// The text with its first letter large.
#[must_use]
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}
