//! What is known of an exam besides its frames: gestational age, route, bladder, bleeding, history.
//!
//! Unknown is a value of its own everywhere. It is the default, it is said aloud, and it changes the advice.

use std::fmt;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// Days from the first day of the last period to the due date (280, the usual reckoning).
pub const TERM_DAYS: i32 = 280;
/// The highest gestational age that is believed, days: 45w0d (an assumption of this program, no source).
pub const MAX_AGE_DAYS: u16 = 45 * 7;

/// Completed days of pregnancy, counted from the first day of the last period. From 0 to [`MAX_AGE_DAYS`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u16", into = "u16")]
pub struct GestationalAge(u16);

impl GestationalAge {
    /// `weeks` completed weeks and `days` more, for ages that are part of a rule. Capped at [`MAX_AGE_DAYS`].
    #[must_use]
    pub const fn weeks_and_days(weeks: u8, days: u8) -> Self {
        let total = weeks as u16 * 7 + days as u16;
        Self(if total > MAX_AGE_DAYS { MAX_AGE_DAYS } else { total })
    }

    /// An age of `total_days` days.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] below 0 or above [`MAX_AGE_DAYS`].
    pub fn from_total_days(total_days: i32) -> Result<Self> {
        match u16::try_from(total_days) {
            Ok(days) if days <= MAX_AGE_DAYS => Ok(Self(days)),
            _ => Err(Error::new(ErrorKind::Invalid, "the gestational age is not plausible")
                .expected(format!("from 0w0d to {} (an assumption of this program)", Self(MAX_AGE_DAYS)))
                .found(if total_days < 0 {
                    format!("an exam {} days before day 0 of the pregnancy", total_days.unsigned_abs())
                } else {
                    format!("{}w{}d", total_days / 7, total_days % 7)
                })
                .remedy("Check the exam date and the due date or last period")),
        }
    }

    /// Completed weeks.
    #[must_use]
    pub const fn weeks(self) -> u16 {
        self.0 / 7
    }

    /// Days beyond the completed weeks, 0 to 6.
    #[must_use]
    pub const fn days(self) -> u16 {
        self.0 % 7
    }

    /// All days.
    #[must_use]
    pub const fn total_days(self) -> u16 {
        self.0
    }
}

impl fmt::Display for GestationalAge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}w{}d", self.weeks(), self.days())
    }
}

impl TryFrom<u16> for GestationalAge {
    type Error = Error;
    fn try_from(days: u16) -> Result<Self> {
        Self::from_total_days(i32::from(days))
    }
}

impl From<GestationalAge> for u16 {
    fn from(age: GestationalAge) -> Self {
        age.0
    }
}

/// What the gestational age is reckoned from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dating {
    /// The due date (expected date of delivery).
    DueDate(Date),
    /// The first day of the last menstrual period.
    LastPeriod(Date),
}

impl Dating {
    /// The due date: given, or last period + [`TERM_DAYS`].
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when the date leaves the calendar.
    pub fn due_date(self) -> Result<Date> {
        match self {
            Self::DueDate(due) => Ok(due),
            Self::LastPeriod(period) => period
                .checked_add(jiff::Span::new().days(TERM_DAYS))
                .map_err(|e| Error::new(ErrorKind::Invalid, "the last period cannot be used").found(period.to_string()).caused_by(e)),
        }
    }

    /// The words shown for it.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::DueDate(d) => format!("due date {d}"),
            Self::LastPeriod(d) => format!("last period {d}"),
        }
    }
}

/// The gestational age on `exam_date`, by calendar dates alone: days = [`TERM_DAYS`] − (due date − exam date).
///
/// # Errors
/// [`ErrorKind::Invalid`] when the age is below 0 or above [`MAX_AGE_DAYS`], which means that a date is wrong.
pub fn gestational_age(dating: Dating, exam_date: Date) -> Result<GestationalAge> {
    let due = dating.due_date()?;
    let days_left = (due - exam_date).get_days();
    GestationalAge::from_total_days(TERM_DAYS - days_left)
        .map_err(|e| Error::new(ErrorKind::Invalid, format!("{} with {} and exam date {exam_date}", e.message(), dating.words())))
}

/// Makes a word list: the enum, its kebab-case names in files, and the words shown for each value.
macro_rules! words {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident => $words:literal,)+ }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum $name {
            $($(#[$vmeta])* $variant,)+
            /// Not stated.
            #[default]
            Unknown,
        }

        impl $name {
            /// Every value, the order in which a person is asked.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+ Self::Unknown];

            /// The words shown for it.
            #[must_use]
            pub const fn words(self) -> &'static str {
                match self {
                    $(Self::$variant => $words,)+
                    Self::Unknown => "unknown",
                }
            }
        }
    };
}

words! {
    /// How the frames were acquired.
    Route {
        /// Through the vagina: the only route that the bands of a table are for.
        Transvaginal => "transvaginal",
        /// Through the abdomen.
        Transabdominal => "transabdominal",
        /// Through the perineum.
        Translabial => "translabial",
    }
}

words! {
    /// The maternal bladder during the scan.
    Bladder {
        /// Emptied, as a transvaginal scan wants it.
        Empty => "empty",
        /// Full: it presses the lower segment and can mimic a previa.
        Full => "full",
    }
}

words! {
    /// A focal contraction of the lower uterine wall in the frame; it can mimic a previa.
    Contraction {
        /// None in the frame.
        Absent => "absent",
        /// Seen in the frame.
        Present => "present",
    }
}

words! {
    /// Vaginal bleeding in this pregnancy.
    Bleeding {
        /// None so far.
        None => "none",
        /// At the time of the exam.
        Now => "now",
        /// Earlier in the pregnancy, not now.
        Earlier => "earlier",
    }
}

words! {
    /// Where the bulk of the placenta lies.
    PlacentalPosition {
        /// On the front wall.
        Anterior => "anterior",
        /// On the back wall.
        Posterior => "posterior",
        /// On a side wall.
        Lateral => "lateral",
        /// At the fundus.
        Fundal => "fundal",
    }
}

words! {
    /// Colour and pulsed Doppler over the internal os, looking for vasa previa.
    DopplerOverOs {
        /// Done, no vessel found.
        DoneNoVessel => "done, no vessel found",
        /// Done, a fetal vessel was found near the os.
        DoneVesselSeen => "done, vessel seen",
        /// Not done.
        NotDone => "not done",
    }
}

words! {
    /// An answer that may be missing.
    Answer {
        /// Yes.
        Yes => "yes",
        /// No.
        No => "no",
    }
}

/// What is known of one exam. Every field may be unknown.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
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
