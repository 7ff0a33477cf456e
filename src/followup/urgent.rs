//! What stands above the millimetres: told to someone, by someone, at once.

use serde::{Deserialize, Serialize};

use super::Exam;
use crate::context::{Answer, Bleeding, VESSEL_USUAL, VESSEL_WIDER};
use crate::guideline::ExplainLine;
use crate::measure::words::digits_that_keep;
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// Which urgent matter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UrgentId {
    /// Bleeding now, with a placenta that covers, reaches or may reach the os.
    CoveringAndBleeding,
    /// Bleeding now.
    Bleeding,
    /// Pain or contractions now.
    PainOrContractions,
    /// A vessel near the os.
    VasaPrevia,
    /// Signs of placenta accreta spectrum.
    SuspectedAccreta,
}

impl UrgentId {
    /// Every matter.
    pub const ALL: [Self; 5] =
        [Self::CoveringAndBleeding, Self::Bleeding, Self::PainOrContractions, Self::VasaPrevia, Self::SuspectedAccreta];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CoveringAndBleeding => "bleeding with a placenta that covers or may reach the os",
            Self::Bleeding => "bleeding",
            Self::PainOrContractions => "pain or contractions",
            Self::VasaPrevia => "vessel near the os",
            Self::SuspectedAccreta => "signs of placenta accreta spectrum",
        }
    }

    /// Its kebab-case name, as in files and on the command line.
    #[must_use]
    pub const fn id(self) -> &'static str {
        row(self)
    }

    /// Where its sentence comes from.
    #[must_use]
    pub const fn source(self) -> Citation {
        let (text, provenance) = match self {
            Self::CoveringAndBleeding => ("any bleeding with a known previa is seen straight away", Provenance::CommonPractice),
            Self::Bleeding | Self::PainOrContractions => ("clinical review text, docslib 6472626", Provenance::Published),
            Self::VasaPrevia => (
                "2 cm usual (second-hand); 5 cm: Schenone 2025, J Clin Med 14:1009; a twin died with vessels 2.8 cm from the os, cause not determined (docslib 9754554)",
                Provenance::SecondHand,
            ),
            Self::SuspectedAccreta => ("signs are recorded and not scored; EW-AIP descriptors, Collins 2016", Provenance::FromMemory),
        };
        Citation::fixed(text, provenance)
    }

    /// Whether telling of `told` tells of this too: who was told of bleeding with a covering placenta knows of the bleeding.
    #[must_use]
    pub fn told_by(self, told: Self) -> bool {
        self == told || (self == Self::Bleeding && told == Self::CoveringAndBleeding)
    }
}

/// The urgent sentences that are from memory.
pub(super) fn from_memory() -> Vec<ExplainLine> {
    UrgentId::ALL
        .into_iter()
        .map(|id| ExplainLine {
            text: format!("Urgent: {}", id.words()),
            row: format!("program / urgent / {}", row(id)),
            source: id.source(),
        })
        .filter(|l| l.source.provenance == Provenance::FromMemory)
        .collect()
}

/// One urgent matter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Urgent {
    /// Which.
    pub id: UrgentId,
    /// The sentence, its row and source.
    pub line: ExplainLine,
}

/// That an urgent matter was passed on. Kept with the record; an urgent matter without one is open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Told {
    /// Which matter.
    pub matter: UrgentId,
    /// Who was told.
    pub to: String,
    /// Who told.
    pub by: String,
    /// When, RFC 3339 with offset.
    pub at: String,
    /// Whether it was read back.
    pub read_back: bool,
}

/// The urgent matters that nobody was told, or that were told and not read back.
#[must_use]
pub fn open<'a>(urgent: &'a [Urgent], told: &[Told]) -> Vec<&'a Urgent> {
    urgent.iter().filter(|u| !told.iter().any(|t| u.id.told_by(t.matter) && t.read_back)).collect()
}

/// The urgent matters of an exam, most pressing first.
#[must_use]
pub fn urgent(exam: &Exam<'_>) -> Vec<Urgent> {
    let c = exam.context;
    let mut out = Vec::new();
    let mut add = |id: UrgentId, text: String| {
        out.push(Urgent { id, line: ExplainLine { text, row: format!("program / urgent / {}", row(id)), source: id.source() } });
    };
    if c.bleeding == Bleeding::Now {
        if exam.may_reach_os() {
            add(
                UrgentId::CoveringAndBleeding,
                "BLEEDING NOW and the placenta covers, reaches or may reach the os: clinical assessment at once. No digital examination."
                    .into(),
            );
        } else {
            add(
                UrgentId::Bleeding,
                "BLEEDING NOW: clinical assessment at once, whatever the distance. No digital examination until previa has been excluded."
                    .into(),
            );
        }
    }
    if c.pain_or_contractions == Answer::Yes {
        add(UrgentId::PainOrContractions, "PAIN OR CONTRACTIONS NOW: clinical assessment at once, whatever the distance.".into());
    }
    let near = c.vessel_to_os_mm.filter(|d| *d <= VESSEL_WIDER);
    if c.vessel_near_os() {
        let distance = near.map_or_else(
            || "its distance from the os is not stated".to_owned(),
            |d| {
                let usual = if d <= VESSEL_USUAL { "within" } else { "beyond" };
                format!("{} mm from the os: {usual} the usual 20 mm, within the 50 mm proposed in 2025", vessel_digits(d))
            },
        );
        add(
            UrgentId::VasaPrevia,
            format!("VESSEL NEAR THE OS, {distance}. Possible vasa previa: specialist assessment now; it is delivered from 34 weeks."),
        );
    }
    if !c.accreta_signs.is_empty() {
        let signs = c.accreta_signs.iter().map(|s| s.words()).collect::<Vec<_>>().join(", ");
        add(
            UrgentId::SuspectedAccreta,
            format!("SIGNS OF PLACENTA ACCRETA SPECTRUM recorded ({signs}): refer to an experienced centre now."),
        );
    }
    out
}

const fn row(id: UrgentId) -> &'static str {
    match id {
        UrgentId::CoveringAndBleeding => "covering-and-bleeding",
        UrgentId::Bleeding => "bleeding",
        UrgentId::PainOrContractions => "pain-or-contractions",
        UrgentId::VasaPrevia => "vasa-previa",
        UrgentId::SuspectedAccreta => "suspected-accreta",
    }
}

/// A vessel's distance with the digits that keep it on its side of both limits.
pub(super) fn vessel_digits(d: Mm) -> String {
    let side = |v: f64| (v <= VESSEL_USUAL.get(), v <= VESSEL_WIDER.get());
    digits_that_keep(d.get(), |printed| side(printed) == side(d.get()))
}
