//! What must be said beside a distance: facts in, cautions out, most urgent first.
//!
//! Each caution has an id, a trigger (its function below), a wording and a source. The closing line is always last.

use serde::{Deserialize, Serialize};

use crate::context::{Answer, Bladder, Bleeding, Contraction, DopplerOverOs, ExamContext, GestationalAge, PlacentalPosition, Route};
use crate::guideline::{BORDERLINE_MM, Finding, Outcome, PROVISIONAL_BELOW, may_reach_os};
use crate::measure::{Measurement, Side, Value};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// Version of the rules below and of the sentences that a record repeats. It goes up with each change after which the same
/// reading gets other cautions or other words, so that older records are not taken for altered ones.
pub const RULES: u32 = 2;

/// What is known of the scale of the frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// There is no trustworthy scale, so there are no millimetres.
    Missing,
    /// A scale from the file that nobody has checked on a phantom.
    Unchecked,
    /// A scale whose last phantom check is overdue, of another preset, or beyond tolerance.
    Doubtful,
    /// A scale that a person set by hand on the marks in the picture.
    ByHand,
    /// A scale that was checked on a phantom.
    Checked,
}

impl Scale {
    /// Of a scale in use.
    #[must_use]
    pub const fn of(standing: crate::calibrate::Standing) -> Self {
        use crate::calibrate::Standing;
        match standing {
            Standing::Unchecked => Self::Unchecked,
            Standing::Doubtful => Self::Doubtful,
            Standing::ByHand => Self::ByHand,
            Standing::Checked => Self::Checked,
        }
    }
}

/// All that a caution may depend on.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// What is known of the exam.
    pub context: &'a ExamContext,
    /// The gestational age at the exam, where it can be reckoned.
    pub age: Option<GestationalAge>,
    /// The scale of the frame.
    pub scale: Scale,
    /// The side as the reader stated it, where there is a statement but no measurement (no scale, say).
    pub stated_side: Option<Side>,
    /// The measurement, where there is one.
    pub measurement: Option<&'a Measurement>,
    /// The finding, where a table was chosen.
    pub finding: Option<&'a Finding>,
}

/// Which caution.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CautionId {
    /// Bleeding, pain or contractions override any distance.
    BleedingOrPain,
    /// A vessel was seen near the os.
    VesselSeen,
    /// Signs of placenta accreta spectrum were recorded.
    AccretaSigns,
    /// No digital examination until previa is excluded.
    NoDigitalExamination,
    /// The placenta reaches or overlaps the os: previa pattern.
    CoversOrReaches,
    /// Previous caesarean or uterine surgery with a low placenta: look for accreta.
    LookForAccreta,
    /// Low now or earlier and no Doppler for vasa previa documented.
    VasaPreviaDoppler,
    /// No scale, so no millimetres.
    ScaleMissing,
    /// The scale was not checked on a phantom.
    ScaleUnchecked,
    /// The last phantom check is overdue, of another preset, or beyond tolerance.
    ScaleDoubtful,
    /// The scale was set by hand.
    ScaleByHand,
    /// The frame is not transvaginal, or the route is unknown.
    Route,
    /// The bladder was full, or was not stated.
    Bladder,
    /// A contraction in the frame, or not stated.
    Contraction,
    /// The gestational age is not known.
    AgeUnknown,
    /// Early: the place is provisional.
    AgeProvisional,
    /// At and around 20 mm guidelines differ; never round.
    NearTwenty,
    /// Two-dimensional planes can over-read.
    TwoDimensional,
    /// No repeatability is established.
    Repeatability,
    /// No delivery date from a distance.
    DeliveryWindows,
    /// A reassuring distance excludes nothing.
    ReassuringDistance,
    /// Something that changes the advice was not stated.
    NotStated,
    /// The closing line.
    Closing,
}

impl CautionId {
    /// Every caution, in the order in which they are said.
    pub const ALL: [Self; 23] = [
        Self::BleedingOrPain,
        Self::VesselSeen,
        Self::AccretaSigns,
        Self::NoDigitalExamination,
        Self::CoversOrReaches,
        Self::LookForAccreta,
        Self::VasaPreviaDoppler,
        Self::ScaleMissing,
        Self::ScaleDoubtful,
        Self::ScaleByHand,
        Self::ScaleUnchecked,
        Self::Route,
        Self::Bladder,
        Self::Contraction,
        Self::AgeUnknown,
        Self::AgeProvisional,
        Self::NearTwenty,
        Self::TwoDimensional,
        Self::Repeatability,
        Self::DeliveryWindows,
        Self::ReassuringDistance,
        Self::NotStated,
        Self::Closing,
    ];

    /// Where its sentence comes from.
    #[must_use]
    pub const fn source(self) -> Citation {
        let (text, provenance) = match self {
            Self::BleedingOrPain => ("clinical review text, docslib 6472626", Provenance::Published),
            Self::VesselSeen => ("vasa previa is delivered from 34 weeks (SMFM Consult Series #37, #44)", Provenance::Published),
            Self::AccretaSigns => (
                "signs are recorded and not scored; EW-AIP descriptors, Collins 2016, Ultrasound Obstet Gynecol 47:271-5",
                Provenance::FromMemory,
            ),
            Self::NoDigitalExamination => ("", Provenance::CommonPractice),
            Self::CoversOrReaches => (
                "Predanic 2005 groups 0 mm with overlap (PMID 15914681); Becker 2001 calls reaching the os low-lying",
                Provenance::Published,
            ),
            Self::LookForAccreta => (
                "\"the absence of ultrasound findings does not preclude a diagnosis\": ACOG/SMFM Obstetric Care Consensus No. 7, 2018",
                Provenance::Published,
            ),
            Self::VasaPreviaDoppler => (
                "follow-up by Reddy 2014 from memory; 3 of 20 persisting low placentas had vasa previa in Heller 2014, PMID 24658950",
                Provenance::FromMemory,
            ),
            Self::ScaleMissing => ("how this program measures", Provenance::OwnAssumption),
            Self::ScaleUnchecked => ("action levels of Goodsitt 1998, Med Phys 25:1385 (AAPM US Task Group 1)", Provenance::FromMemory),
            Self::ScaleDoubtful => ("action levels of Goodsitt 1998, Med Phys 25:1385 (AAPM US Task Group 1)", Provenance::FromMemory),
            Self::ScaleByHand => ("how this program measures", Provenance::OwnAssumption),
            Self::Route => (
                "SOGC Guideline No. 189, 2007 (superseded): 60 % of placental positions were reclassified by transvaginal scan; the route is safe with previa",
                Provenance::Published,
            ),
            Self::Bladder => ("an overfull bladder can mimic previa; empty for a transvaginal scan", Provenance::Published),
            Self::Contraction => {
                ("a contraction (wall above 1.5 cm) can mimic previa; rescan after 20 to 60 minutes", Provenance::Published)
            }
            Self::AgeUnknown => ("ACOG Committee Opinion 700, 2017", Provenance::Published),
            Self::AgeProvisional => {
                ("Heller 2014, PMID 24658950: 98.4 % of 1,240 low-lying placentas at 16–24 weeks resolved", Provenance::Published)
            }
            Self::NearTwenty => {
                ("RCOG Green-top Guideline 27a, 2018 (read); Reddy 2014 and SOGC 402, 2020 (both from memory)", Provenance::FromMemory)
            }
            Self::TwoDimensional => ("Sadek 2018, BMC Pregnancy Childbirth 18:472 (n = 76)", Provenance::Published),
            Self::Repeatability => {
                ("Simon 2012, PMID 22262488: reproducibility unknown; the 5 mm is an assumption of this program", Provenance::OwnAssumption)
            }
            Self::DeliveryWindows => {
                ("SMFM Consult Series #44, 2018: previa 36 to 37 6/7 weeks; placenta accreta 34 to 37 weeks", Provenance::Published)
            }
            Self::ReassuringDistance => ("how this program words its findings", Provenance::OwnAssumption),
            Self::NotStated => ("unknown is never taken as no", Provenance::OwnAssumption),
            Self::Closing => ("purpose of this program", Provenance::OwnAssumption),
        };
        Citation::fixed(text, provenance)
    }

    /// Its kebab-case name, as in files.
    #[must_use]
    pub const fn id(self) -> &'static str {
        match self {
            Self::BleedingOrPain => "bleeding-or-pain",
            Self::VesselSeen => "vessel-seen",
            Self::AccretaSigns => "accreta-signs",
            Self::NoDigitalExamination => "no-digital-examination",
            Self::CoversOrReaches => "covers-or-reaches",
            Self::LookForAccreta => "look-for-accreta",
            Self::VasaPreviaDoppler => "vasa-previa-doppler",
            Self::ScaleMissing => "scale-missing",
            Self::ScaleUnchecked => "scale-unchecked",
            Self::ScaleDoubtful => "scale-doubtful",
            Self::ScaleByHand => "scale-by-hand",
            Self::Route => "route",
            Self::Bladder => "bladder",
            Self::Contraction => "contraction",
            Self::AgeUnknown => "age-unknown",
            Self::AgeProvisional => "age-provisional",
            Self::NearTwenty => "near-twenty",
            Self::TwoDimensional => "two-dimensional",
            Self::Repeatability => "repeatability",
            Self::DeliveryWindows => "delivery-windows",
            Self::ReassuringDistance => "reassuring-distance",
            Self::NotStated => "not-stated",
            Self::Closing => "closing",
        }
    }
}

/// One caution.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// Which.
    pub id: CautionId,
    /// The sentence shown.
    pub text: String,
    /// Where it comes from.
    pub source: Citation,
}

/// Every caution that applies, most urgent first; [`CautionId::Closing`] always last.
#[must_use]
pub fn cautions(facts: &Facts<'_>) -> Vec<Caution> {
    let rules: [fn(&Facts<'_>) -> Option<Caution>; 23] = [
        bleeding_or_pain,
        vessel_seen,
        accreta_signs,
        no_digital_examination,
        covers_or_reaches,
        look_for_accreta,
        vasa_previa_doppler,
        scale_missing,
        route,
        bladder,
        contraction,
        age_unknown,
        age_provisional,
        near_twenty,
        two_dimensional,
        repeatability,
        scale_unchecked,
        scale_doubtful,
        scale_by_hand,
        delivery_windows,
        reassuring_distance,
        not_stated,
        closing,
    ];
    rules.iter().filter_map(|rule| rule(facts)).collect()
}

fn caution(id: CautionId, text: impl Into<String>) -> Option<Caution> {
    Some(Caution { id, text: text.into(), source: id.source() })
}

impl Facts<'_> {
    fn side(&self) -> Option<Side> {
        self.measurement.map(|m| m.side).or(self.stated_side)
    }

    fn may_reach_os(&self) -> bool {
        may_reach_os(self.measurement, self.stated_side)
    }

    /// Whether previa is excluded: a table classified a distance seen at both ends, and no part of its interval reaches the os.
    fn previa_excluded(&self) -> bool {
        let seen = matches!(self.finding.map(|f| &f.outcome), Some(Outcome::Within { .. } | Outcome::Straddles { .. }));
        self.measurement.is_some() && seen && !self.may_reach_os()
    }

    /// Whether the finding, or any band that its interval reaches, is nearer than the normal band. Without a finding
    /// that applies, any measurement may be, and so may a placenta that was stated to reach the os or was low earlier.
    fn may_be_low(&self) -> bool {
        self.finding
            .and_then(Finding::may_be_low)
            .unwrap_or_else(|| self.measurement.is_some() || self.may_reach_os() || self.context.earlier_low_placenta == Answer::Yes)
    }
}

/// The number of a value on the signed axis, mm.
const fn signed(value: &Value) -> f64 {
    match value {
        Value::Exact { signed_mm } => signed_mm.get(),
        Value::Reaches { .. } => 0.0,
        Value::OverlapAtLeast { mm } => -mm.get(),
        Value::NoPlacentaWithin { mm } => mm.get(),
    }
}

fn bleeding_or_pain(f: &Facts<'_>) -> Option<Caution> {
    let (bleeding, pain) = (f.context.bleeding == Bleeding::Now, f.context.pain_or_contractions == Answer::Yes);
    let what = match (bleeding, pain) {
        (true, true) => "Bleeding, with pain or contractions",
        (true, false) => "Bleeding now",
        (false, true) => "Pain or contractions now",
        (false, false) => return None,
    };
    caution(
        CautionId::BleedingOrPain,
        format!(
            "{what}: clinical assessment now. This overrides any distance. No digital vaginal examination until previa has been excluded."
        ),
    )
}

fn vessel_seen(f: &Facts<'_>) -> Option<Caution> {
    if !f.context.vessel_near_os() {
        return None;
    }
    caution(
        CautionId::VesselSeen,
        "A vessel was seen near the os: possible vasa previa. Specialist assessment now; do not wait for a routine scan.",
    )
}

fn accreta_signs(f: &Facts<'_>) -> Option<Caution> {
    let signs = &f.context.accreta_signs;
    if signs.is_empty() {
        return None;
    }
    let list = signs.iter().map(|s| s.words()).collect::<Vec<_>>().join(", ");
    caution(
        CautionId::AccretaSigns,
        format!("Signs of placenta accreta spectrum are recorded ({list}): refer to an experienced centre now."),
    )
}

fn no_digital_examination(f: &Facts<'_>) -> Option<Caution> {
    if f.previa_excluded() {
        return None;
    }
    caution(
        CautionId::NoDigitalExamination,
        "Previa is not excluded: no digital examination through the cervix. A speculum examination is acceptable. Any bleeding: be seen straight away.",
    )
}

fn covers_or_reaches(f: &Facts<'_>) -> Option<Caution> {
    let reaches = "The edge REACHES or partly covers the os: previa pattern. Treat as previa until a clinician decides.";
    let overlaps = "The placenta OVERLAPS the os: previa pattern.";
    let text = match (f.measurement.map(|m| m.value), f.side()) {
        (Some(Value::Exact { signed_mm }), _) if signed_mm.get() < 0.0 => overlaps,
        (Some(Value::Exact { signed_mm }), _) if signed_mm.get() <= 0.0 => reaches,
        (Some(Value::Reaches { .. }), _) | (None, Some(Side::Reaches)) => reaches,
        (Some(Value::OverlapAtLeast { .. }), _) | (None, Some(Side::Covers)) => overlaps,
        (Some(_), _) if f.may_reach_os() => {
            "The edge was read as not covering, but within the 95 % interval it may reach or overlap the os."
        }
        _ => return None,
    };
    caution(CautionId::CoversOrReaches, text)
}

fn look_for_accreta(f: &Facts<'_>) -> Option<Caution> {
    if f.context.scarred_uterus() != Answer::Yes || !f.may_be_low() {
        return None;
    }
    let history = match f.context.previous_caesareans {
        Some(0) => "Previous surgery on the uterus".to_owned(),
        Some(1) => "1 PRIOR caesarean (one now would be number 2)".to_owned(),
        Some(n) => format!("{n} PRIOR caesareans (one now would be number {})", u16::from(n) + 1),
        None => "Previous surgery on the uterus, number of caesareans not stated".to_owned(),
    };
    let place = match f.context.placental_position {
        PlacentalPosition::Anterior => " An anterior placenta raises the urgency.",
        PlacentalPosition::Posterior => " A posterior placenta is not safe either.",
        _ => "",
    };
    caution(
        CautionId::LookForAccreta,
        format!(
            "{history} and a low placenta or previa: look for placenta accreta spectrum now or refer to an experienced centre.{place} \
             No signs does not exclude it."
        ),
    )
}

fn vasa_previa_doppler(f: &Facts<'_>) -> Option<Caution> {
    if !matches!(f.context.doppler_over_os, DopplerOverOs::NotDone | DopplerOverOs::Unknown) {
        return None;
    }
    let text = match f.context.earlier_low_placenta {
        Answer::Yes => "Low or previa earlier in this pregnancy: targeted colour Doppler over the os for vasa previa is not documented.",
        _ if f.may_be_low() => "Low placenta or previa: colour and pulsed Doppler over the os for vasa previa is not documented.",
        _ => return None,
    };
    caution(
        CautionId::VasaPreviaDoppler,
        format!(
            "{text} It belongs to this visit, not to the next routine scan. A low placenta that has moved away is not safe until this is done."
        ),
    )
}

fn scale_missing(f: &Facts<'_>) -> Option<Caution> {
    if f.scale != Scale::Missing {
        return None;
    }
    caution(CautionId::ScaleMissing, "No verified scale: millimetres are NOT reported, and pixels are not classified.")
}

fn scale_unchecked(f: &Facts<'_>) -> Option<Caution> {
    if f.scale != Scale::Unchecked {
        return None;
    }
    caution(CautionId::ScaleUnchecked, "The scale comes from the file and has not been checked on a phantom.")
}

fn scale_doubtful(f: &Facts<'_>) -> Option<Caution> {
    if f.scale != Scale::Doubtful {
        return None;
    }
    caution(
        CautionId::ScaleDoubtful,
        "The last phantom check of this scale is overdue, was made with another preset, or was beyond tolerance: see what speaks for and against the scale.",
    )
}

fn scale_by_hand(f: &Facts<'_>) -> Option<Caution> {
    if f.scale != Scale::ByHand {
        return None;
    }
    caution(
        CautionId::ScaleByHand,
        "The scale was set by hand on the marks in the picture: a slip there makes every distance wrong by the same factor. Have a second person check the ruler and the distance typed.",
    )
}

fn route(f: &Facts<'_>) -> Option<Caution> {
    let text = match f.context.route {
        Route::Transvaginal => return None,
        Route::Unknown => "The scan route is not stated: not classifiable as a transvaginal finding.".to_owned(),
        other => format!(
            "A {} image is not classifiable as a transvaginal finding: repeat transvaginally, which is safe with previa, even when bleeding.",
            other.words()
        ),
    };
    caution(CautionId::Route, text)
}

fn bladder(f: &Facts<'_>) -> Option<Caution> {
    let text = match f.context.bladder {
        Bladder::Empty => return None,
        Bladder::Full => "Full bladder, which can mimic previa: repeat with an empty bladder.",
        Bladder::Unknown => "The bladder was not stated; a full one can mimic previa.",
    };
    caution(CautionId::Bladder, text)
}

fn contraction(f: &Facts<'_>) -> Option<Caution> {
    let text = match f.context.contraction {
        Contraction::Absent => return None,
        Contraction::Present => "Contraction in the frame, which can mimic previa: repeat after 20 to 60 minutes.",
        Contraction::Unknown => "Whether a contraction was in the frame was not stated; one can mimic previa.",
    };
    caution(CautionId::Contraction, text)
}

fn age_unknown(f: &Facts<'_>) -> Option<Caution> {
    if f.age.is_some() {
        return None;
    }
    caution(
        CautionId::AgeUnknown,
        "The gestational age is not known: the distance cannot be classified. Check how the pregnancy was dated; a due date with no scan before 22w0d is poorly dated.",
    )
}

fn age_provisional(f: &Facts<'_>) -> Option<Caution> {
    let age = f.age.filter(|a| *a < PROVISIONAL_BELOW)?;
    caution(
        CautionId::AgeProvisional,
        format!(
            "At {age} the placental position is provisional: most low placentas of the second trimester are not low at birth. No chance is given for one woman."
        ),
    )
}

fn near_twenty(f: &Facts<'_>) -> Option<Caution> {
    let m = f.measurement?;
    let value = signed(&m.value);
    if (value - 20.0).abs() > BORDERLINE_MM && !m.interval.contains(Mm::new(20.0)) {
        return None;
    }
    let place = if value < 20.0 {
        "This value is under 20 mm, however it is rounded."
    } else if value > 20.0 {
        "This value is above 20 mm, however it is rounded."
    } else {
        "This value is exactly 20 mm."
    };
    caution(
        CautionId::NearTwenty,
        format!(
            "{place} Guidelines differ at exactly 20 mm: not low-lying for RCOG and the US consensus, low-lying for SOGC. Near it a finding is borderline."
        ),
    )
}

fn two_dimensional(f: &Facts<'_>) -> Option<Caution> {
    let m = f.measurement?;
    if m.side == Side::Covers {
        return None;
    }
    let lateral = match f.context.placental_position {
        PlacentalPosition::Lateral => " This placenta is lateral, where it over-reads most.",
        PlacentalPosition::Unknown => " It over-reads most for a lateral placenta; the position is not stated.",
        _ => "",
    };
    caution(
        CautionId::TwoDimensional,
        format!("A two-dimensional plane may over-read: the true distance may be smaller.{lateral} A wide os makes it worse."),
    )
}

fn repeatability(f: &Facts<'_>) -> Option<Caution> {
    if !f.measurement?.assumed_repeatability {
        return None;
    }
    caution(
        CautionId::Repeatability,
        "The repeatability of this distance is not established: within 5 mm of 0, 10 or 20 mm repeat it or ask a second reader.",
    )
}

fn delivery_windows(f: &Facts<'_>) -> Option<Caution> {
    if !f.may_be_low() {
        return None;
    }
    caution(
        CautionId::DeliveryWindows,
        "No delivery date follows from a distance alone. Windows differ by condition and by issuing body: the one for uncomplicated previa is not the one for placenta accreta spectrum, and bleeding overrides both.",
    )
}

fn reassuring_distance(f: &Facts<'_>) -> Option<Caution> {
    if f.measurement?.side != Side::NotCovering {
        return None;
    }
    caution(CautionId::ReassuringDistance, "A reassuring distance never excludes haemorrhage, vasa previa or placenta accreta.")
}

fn not_stated(f: &Facts<'_>) -> Option<Caution> {
    let c = f.context;
    let mut missing = Vec::new();
    if c.bleeding == Bleeding::Unknown {
        missing.push("bleeding");
    }
    if c.pain_or_contractions == Answer::Unknown {
        missing.push("pain or contractions");
    }
    if c.scarred_uterus() == Answer::Unknown {
        missing.push("previous caesareans and other surgery on the uterus");
    }
    if c.earlier_low_placenta == Answer::Unknown {
        missing.push("whether the placenta was low earlier in this pregnancy");
    }
    if missing.is_empty() {
        return None;
    }
    caution(CautionId::NotStated, format!("Not stated, and it would change the advice: {}.", missing.join("; ")))
}

fn closing(_: &Facts<'_>) -> Option<Caution> {
    caution(
        CautionId::Closing,
        "This tool supports, and does not replace, a licensed clinician's judgement and local protocol. It is not a certified medical device.",
    )
}
