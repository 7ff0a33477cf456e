//! When bodies plan birth, by condition, side by side.

use std::borrow::Cow;

use serde::Deserialize;
use serde::de::Error as _;

use super::bundled;
use crate::context::{Bleeding, ExamContext, GestationalAge};
use crate::error::Result;
use crate::guideline::{BandKind, ExplainLine, Finding, PROVISIONAL_BELOW};
use crate::measure::Measurement;
use crate::source::{Citation, Provenance};

/// What a window is for. Windows of one condition never stand for another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Bleeding at the time of the exam: overrides all others.
    BleedingNow,
    /// Signs of placenta accreta spectrum were recorded.
    Accreta,
    /// A vessel was seen near the os.
    VasaPrevia,
    /// The placenta covers the os, or reaches it (treated as previa until a clinician decides).
    Previa,
    /// Low-lying, whatever the distance.
    LowLying,
    /// Low-lying, 10 mm or less.
    #[serde(rename = "low-lying-to-10")]
    LowLyingTo10,
    /// Low-lying, 11 to 20 mm.
    #[serde(rename = "low-lying-over-10")]
    LowLyingOver10,
}

impl Condition {
    /// The kebab-case name used in the data.
    #[must_use]
    pub const fn id(self) -> &'static str {
        match self {
            Self::BleedingNow => "bleeding-now",
            Self::Accreta => "accreta",
            Self::VasaPrevia => "vasa-previa",
            Self::Previa => "previa",
            Self::LowLying => "low-lying",
            Self::LowLyingTo10 => "low-lying-to-10",
            Self::LowLyingOver10 => "low-lying-over-10",
        }
    }

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::BleedingNow => "bleeding now",
            Self::Accreta => "signs of placenta accreta spectrum",
            Self::VasaPrevia => "vessel seen near the os",
            Self::Previa => "previa",
            Self::LowLying => "low-lying placenta",
            Self::LowLyingTo10 => "low-lying placenta, 10 mm or less",
            Self::LowLyingOver10 => "low-lying placenta, 11 to 20 mm",
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    window: Vec<DeliveryWindow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    id: String,
    body: String,
    condition: Condition,
    text: String,
    from: Option<String>,
    to: Option<String>,
    citation: String,
    provenance: Provenance,
}

/// What one body says of one condition.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "Raw")]
pub struct DeliveryWindow {
    /// Its id.
    pub id: String,
    /// Who says it.
    pub body: String,
    /// Of what.
    pub condition: Condition,
    /// For whom, or the statement itself.
    pub text: String,
    /// First and last age, both included, where it gives them.
    pub window: Option<(GestationalAge, GestationalAge)>,
    /// The source.
    pub source: Citation,
}

impl TryFrom<Raw> for DeliveryWindow {
    type Error = toml::de::Error;

    fn try_from(r: Raw) -> std::result::Result<Self, Self::Error> {
        let window = match (&r.from, &r.to) {
            (None, None) => None,
            (Some(from), Some(to)) => match (from.parse::<GestationalAge>(), to.parse::<GestationalAge>()) {
                (Ok(from), Ok(to)) if from <= to => Some((from, to)),
                _ => return Err(toml::de::Error::custom(format!("{}: from and to must be ages in order", r.id))),
            },
            _ => return Err(toml::de::Error::custom(format!("{}: from and to come together", r.id))),
        };
        Ok(Self {
            id: r.id,
            body: r.body,
            condition: r.condition,
            text: r.text,
            window,
            source: Citation { text: Cow::Owned(r.citation), provenance: r.provenance },
        })
    }
}

impl DeliveryWindow {
    /// The sentence, its row and source.
    #[must_use]
    pub fn line(&self) -> ExplainLine {
        let window = self.window.map(|(from, to)| format!(", {from} to {to}")).unwrap_or_default();
        ExplainLine {
            text: format!("{}: {}{window}", self.body, self.text),
            row: format!("delivery / {}", self.id),
            source: self.source.clone(),
        }
    }
}

/// All windows.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when the bundled data is faulty, which a test rules out.
pub fn delivery_windows() -> Result<Vec<DeliveryWindow>> {
    bundled::<File>("delivery", include_str!("data/delivery.toml")).map(|f| f.window)
}

/// The conditions whose windows belong beside an exam, most urgent first.
///
/// Bleeding now overrides every planned window. With signs of accreta or a vessel near the os the windows of
/// uncomplicated previa and low-lying placenta do not hold and are left out, so that they cannot be mixed up. Previa and
/// low-lying come only from [`PROVISIONAL_BELOW`] on, since before it the place is provisional. A straddling value brings
/// the conditions of every band that it reaches; an edge that reaches the os brings previa and no low-lying one.
#[must_use]
pub fn conditions(
    context: &ExamContext,
    age: Option<GestationalAge>,
    finding: Option<&Finding>,
    measurement: Option<&Measurement>,
) -> Vec<Condition> {
    if context.bleeding == Bleeding::Now {
        return vec![Condition::BleedingNow];
    }
    let mut out = Vec::new();
    if !context.accreta_signs.is_empty() {
        out.push(Condition::Accreta);
    }
    if context.vessel_near_os() {
        out.push(Condition::VasaPrevia);
    }
    if !out.is_empty() || age.is_none_or(|a| a < PROVISIONAL_BELOW) {
        return out;
    }
    let (Some(finding), Some(m)) = (finding, measurement) else { return out };
    // An edge that reaches the os is treated as previa: whatever its interval reaches, no low-lying row stands beside it.
    let kinds = if finding.nominal_kind() == Some(BandKind::Reaching) { vec![BandKind::Reaching] } else { finding.kinds() };
    if kinds.iter().any(|k| matches!(k, BandKind::Covering | BandKind::Reaching)) {
        out.push(Condition::Previa);
    }
    if kinds.contains(&BandKind::LowLying) {
        out.push(Condition::LowLying);
        let low = m.interval.low_mm.map_or(f64::NEG_INFINITY, |l| l.get());
        let high = m.interval.high_mm.map_or(f64::INFINITY, |h| h.get());
        // The interval always holds the value; 10 and 20 mm belong to the band below them, as in the body that has both.
        let reaches = |from: f64, to: f64| high > from && low <= to;
        if reaches(0.0, 10.0) {
            out.push(Condition::LowLyingTo10);
        }
        if reaches(10.0, 20.0) {
            out.push(Condition::LowLyingOver10);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn every_window_is_cited_and_the_previa_window_is_not_the_accreta_window() {
        let all = delivery_windows().unwrap();
        assert!(all.iter().all(|w| !w.source.text.is_empty() && !w.body.is_empty()));
        let ends = |c| all.iter().filter(|w| w.condition == c).filter_map(|w| w.window).map(|w| w.1).max().unwrap().to_string();
        assert_eq!((ends(Condition::Previa), ends(Condition::Accreta)), ("37w6d".into(), "37w0d".into()));
        let line = all.iter().find(|w| w.id == "acog-smfm-accreta").unwrap().line();
        assert_eq!(line.text, "ACOG/SMFM Obstetric Care Consensus No. 7, 2018: placenta accreta spectrum, 34w0d to 35w6d");
        assert!(line.source.to_string().contains("second-hand"));
    }
}
