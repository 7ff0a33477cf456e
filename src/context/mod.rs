//! What is known of an exam besides its frames: gestational age, route, bladder, bleeding, history.
//!
//! Unknown is a value of its own everywhere. It is the default, it is said aloud, and it changes the advice.

mod age;
mod lists;

pub use age::{Dating, GestationalAge, MAX_AGE_DAYS, TERM_DAYS, date_at, gestational_age};
pub use lists::{
    AccretaSign, Answer, Bladder, Bleeding, Contraction, CordInsertion, DopplerOverOs, PlacentalPosition, Presentation, Route,
};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::units::Mm;

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
