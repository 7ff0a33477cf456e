//! What is known of an exam besides its frames: gestational age, route, bladder, bleeding, history.
//!
//! Unknown is a value of its own everywhere. It is the default, it is said aloud, and it changes the advice.

mod age;
mod form;
mod lists;
mod numbers;

pub use age::{Dating, GestationalAge, MAX_AGE_DAYS, TERM_DAYS, date_at, gestational_age};
pub use form::{blank_form, from_form};
pub use lists::{
    AccretaSign, Answer, Bladder, Bleeding, Contraction, CordInsertion, DatedBy, DopplerOverOs, Heaviness, PlacentalPosition, Presentation,
    Route, WhichPlacenta,
};
pub use numbers::{Limits, decimal, whole};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::units::Mm;

/// The usual distance from the os within which a vessel is called vasa previa, mm (second-hand).
pub const VESSEL_USUAL: Mm = Mm::new(20.0);
/// The wider distance proposed by Schenone 2025, J Clin Med 14:1009, mm.
pub const VESSEL_WIDER: Mm = Mm::new(50.0);

/// One bleeding episode.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct BleedingEpisode {
    /// The day, where it is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on: Option<Date>,
    /// How much.
    pub heaviness: Heaviness,
}

/// A distance that was measured elsewhere and typed in. Its error is not known, so it is shown and nothing follows from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct MeasuredElsewhere {
    /// Signed distance, mm: negative is overlap.
    pub signed_mm: Mm,
    /// The day, where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<Date>,
    /// How it was scanned.
    #[serde(default)]
    pub route: Route,
    /// Where or by whom, as typed; may be empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub by: String,
}

/// What is known of one exam. Every field may be unknown.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct ExamContext {
    /// The day of the exam.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub exam_date: Option<Date>,
    /// What the gestational age is reckoned from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dating: Option<Dating>,
    /// How the frames were acquired.
    pub route: Route,
    /// The bladder during the scan.
    pub bladder: Bladder,
    /// A contraction of the lower uterine wall in the frame.
    pub contraction: Contraction,
    /// Vaginal bleeding.
    pub bleeding: Bleeding,
    /// Abdominal pain, or contractions that she feels, at the time of the exam.
    pub pain_or_contractions: Answer,
    /// Where the bulk of the placenta lies.
    pub placental_position: PlacentalPosition,
    /// Number of previous caesarean births; `None` when unknown. The present one is never counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub previous_caesareans: Option<u8>,
    /// Other surgery on the uterus (myomectomy, curettage, …).
    pub other_uterine_surgery: Answer,
    /// Doppler over the os for vasa previa.
    pub doppler_over_os: DopplerOverOs,
    /// A low-lying placenta or previa was seen earlier in this pregnancy.
    pub earlier_low_placenta: Answer,
    /// Number of fetuses; `None` when unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fetuses: Option<u8>,
    /// Number of bleeding episodes so far; `None` when unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bleeding_episodes: Option<u8>,
    /// Placenta accreta in an earlier pregnancy.
    pub previous_accreta: Answer,
    /// The checklist of accreta signs was gone through at this exam.
    pub accreta_assessed: Answer,
    /// Accreta signs seen at this exam.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub accreta_signs: Vec<AccretaSign>,
    /// Shortest distance from the internal os to a fetal vessel outside the placenta, mm, not signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vessel_to_os_mm: Option<Mm>,
    /// Cervical length, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cervical_length_mm: Option<Mm>,
    /// How the baby lies.
    pub presentation: Presentation,
    /// Where the cord meets the placenta.
    pub cord_insertion: CordInsertion,
    /// The placenta has a second or an extra lobe.
    pub extra_lobe: Answer,
    /// Assisted conception.
    pub assisted_conception: Answer,
    /// The mother is RhD negative.
    pub rhd_negative: Answer,
    /// A transvaginal scan was offered and declined.
    pub transvaginal_declined: Answer,
    /// What the due date rests on.
    #[serde(skip_serializing_if = "DatedBy::not_stated")]
    pub dated_by: DatedBy,
    /// Station of the head, whole cm from the ischial spines: negative above them, positive below.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub head_station_cm: Option<i8>,
    /// Whose placenta was measured, where there is more than one fetus.
    #[serde(skip_serializing_if = "WhichPlacenta::not_stated")]
    pub which_placenta: WhichPlacenta,
    /// The bleeding episodes that are known one by one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bleeds: Vec<BleedingEpisode>,
    /// Distances that were measured elsewhere.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub measured_elsewhere: Vec<MeasuredElsewhere>,
}

impl ExamContext {
    /// The gestational age at the exam.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when a date is missing, or as [`gestational_age`].
    pub fn gestational_age(&self) -> Result<GestationalAge> {
        let missing = |what: &str| {
            Error::new(ErrorKind::Invalid, "the gestational age cannot be reckoned")
                .expected("an exam date, and a due date or the first day of the last period")
                .found(format!("no {what}"))
                .remedy("Give the missing date; nothing is assumed for it")
        };
        match (self.dating, self.exam_date) {
            (Some(dating), Some(exam)) => gestational_age(dating, exam),
            (None, Some(_)) => Err(missing("due date or last period")),
            (Some(_), None) => Err(missing("exam date")),
            (None, None) => Err(missing("date at all")),
        }
    }

    /// Number of bleeding episodes so far: as counted, or as many as are listed one by one; `None` when unknown.
    #[must_use]
    pub fn episodes(&self) -> Option<u8> {
        let listed = u8::try_from(self.bleeds.len()).unwrap_or(u8::MAX);
        self.bleeding_episodes.map(|n| n.max(listed)).or_else(|| (listed > 0).then_some(listed))
    }

    /// Whether a vessel was seen near the os, by Doppler or by its distance: at the wider of the two distances.
    #[must_use]
    pub fn vessel_near_os(&self) -> bool {
        self.doppler_over_os == DopplerOverOs::DoneVesselSeen || self.vessel_to_os_mm.is_some_and(|d| d <= VESSEL_WIDER)
    }

    /// Whether the due date was set by a first scan at 22w0d or later, or by no scan at all.
    #[must_use]
    pub const fn poorly_dated(&self) -> bool {
        matches!(self.dated_by, DatedBy::LateScan | DatedBy::LastPeriod)
    }

    /// Whether there is, or may have been, surgery on the uterus: any previous caesarean or other operation.
    #[must_use]
    pub fn scarred_uterus(&self) -> Answer {
        match (self.previous_caesareans, self.other_uterine_surgery) {
            (Some(n), _) if n > 0 => Answer::Yes,
            (_, Answer::Yes) => Answer::Yes,
            (Some(_), Answer::No) => Answer::No,
            _ => Answer::Unknown,
        }
    }
}
