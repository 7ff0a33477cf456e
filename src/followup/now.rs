//! What this visit still owes, what the next scan must include, and what is said without a date.

use super::Exam;
use crate::context::{Answer, Bleeding, CordInsertion, DopplerOverOs, GestationalAge, PlacentalPosition, VESSEL_WIDER, WhichPlacenta};
use crate::guideline::capital;
use crate::guideline::{BandKind, ExplainLine, Outcome, Reason};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// One thing that may be said, with its source: kept apart from the code that says it, so that the list of what is from
/// memory holds every one.
pub(super) struct Says {
    /// The last part of its row.
    row: &'static str,
    /// What it is about, for the list of what is from memory.
    about: &'static str,
    source: &'static str,
    provenance: Provenance,
}

impl Says {
    const fn of(row: &'static str, about: &'static str, source: &'static str, provenance: Provenance) -> Self {
        Self { row, about, source, provenance }
    }

    fn line(&self, text: impl Into<String>) -> ExplainLine {
        ExplainLine { text: text.into(), row: format!("program / {}", self.row), source: Citation::fixed(self.source, self.provenance) }
    }
}

/// The cervical length at which Stafford 2010 divides, mm.
const SHORT_CERVIX: Mm = Mm::new(30.0);

/// For advice that is commonly taught and for which no source was read.
const TAUGHT: &str = "commonly taught; no source was read for it";
const DOPPLER: &str = "Reddy 2014 from memory: low or previa, even if resolved, wants colour and pulsed Doppler for vasa previa; \
                       3 of 20 persisting low placentas had vasa previa in Heller 2014, PMID 24658950";
const SOGC_402: &str = "SOGC Guideline No. 402, J Obstet Gynaecol Can 2020;42:906-917.e1";
const LOOK: &str = "any low placenta with any surgery on the uterus deserves the look; anterior raises the urgency";

const NOT_CLASSIFIED: Says =
    Says::of("now / not-classified", "", "what this program requires before it classifies", Provenance::OwnAssumption);
const DECLINED: Says = Says::of(
    "now / declined",
    "",
    "transvaginal scanning is safe with previa, even when bleeding: SOGC Guideline No. 189, 2007",
    Provenance::Published,
);
const SWEEP: Says = Says::of("now / sweep", "", "Sadek 2018, BMC Pregnancy Childbirth 18:472", Provenance::Published);
const REPEAT: Says = Says::of(
    "now / repeat",
    "",
    "no repeat rule was found for this distance; own reading of its unknown repeatability",
    Provenance::OwnAssumption,
);
const DOPPLER_LOW: Says = Says::of(
    "now / doppler",
    "A low or resolved placenta wants colour and pulsed Doppler over the os, at this visit.",
    DOPPLER,
    Provenance::FromMemory,
);
const DOPPLER_CORD: Says =
    Says::of("now / doppler-cord", "A velamentous cord is a reason for Doppler over the os.", TAUGHT, Provenance::FromMemory);
const DOPPLER_LOBE: Says =
    Says::of("now / doppler-lobe", "An extra lobe is a reason for Doppler over the os.", TAUGHT, Provenance::FromMemory);
const DOPPLER_ART: Says =
    Says::of("now / doppler-conception", "Assisted conception is a reason for Doppler over the os.", TAUGHT, Provenance::FromMemory);
const DOPPLER_MANY: Says =
    Says::of("now / doppler-fetuses", "More than one fetus is a reason for Doppler over the os.", TAUGHT, Provenance::FromMemory);
const ACCRETA_SEEN: Says = Says::of(
    "now / accreta-assessed",
    "",
    "\"the absence of ultrasound findings does not preclude a diagnosis\": ACOG/SMFM Obstetric Care Consensus No. 7, 2018",
    Provenance::Published,
);
const ACCRETA: Says = Says::of(
    "now / accreta",
    "Any previa or low placenta with any previous caesarean or other surgery on the uterus: look for accreta; anterior is more urgent.",
    LOOK,
    Provenance::FromMemory,
);
const ASK_SCAR: Says = Says::of("now / ask-scar", "Previous surgery on the uterus must be asked for.", LOOK, Provenance::FromMemory);
const ANTI_D: Says = Says::of("now / anti-d", "RhD negative with bleeding: anti-D by local protocol.", TAUGHT, Provenance::FromMemory);
const INCLUDE_ROUTE: Says = Says::of("include / route", "", "SOGC Guideline No. 189, 2007", Provenance::Published);
const INCLUDE_DISTANCE: Says = Says::of(
    "include / distance",
    "The shortest of the adequate planes is what a scan reports.",
    "millimetres away or of overlap: SOGC Guideline No. 189, 2007; shortest by convention",
    Provenance::FromMemory,
);
const INCLUDE_DOPPLER: Says = Says::of(
    "include / doppler",
    "The next scan includes colour and pulsed Doppler over the os, even if resolved.",
    DOPPLER,
    Provenance::FromMemory,
);
const INCLUDE_ACCRETA: Says =
    Says::of("include / accreta", "The next scan includes the checklist of accreta signs.", LOOK, Provenance::FromMemory);
const NEVER_LOW: Says =
    Says::of("statements / not-low", "", "US expert series (contemporaryobgyn.net): above 20 mm no follow-up", Provenance::Published);
const RESOLVED: Says = Says::of("statements / resolved", "", "", Provenance::CommonPractice);
const EARLIER_UNKNOWN: Says = Says::of("statements / earlier-unknown", "", "", Provenance::CommonPractice);
const ACTIVITY: Says = Says::of("statements / activity", "", "", Provenance::CommonPractice);
const VESSEL_BEYOND: Says =
    Says::of("statements / vessel-beyond", "", "2 cm usual (second-hand); 5 cm: Schenone 2025, J Clin Med 14:1009", Provenance::SecondHand);
const CERVIX: Says =
    Says::of("statements / short-cervix", "", "Stafford 2010; SMFM Consult Series #40, 2016 (grade 2B)", Provenance::Published);
const REPEATED_BLEEDING: Says = Says::of("statements / hospital", "", "", Provenance::CommonPractice);
const RISK: Says = Says::of(
    "statements / sogc-risk-factors",
    "What SOGC 402 counts as risk factors: bleeding before 29 weeks or three episodes, thick edge, short cervix, previous caesarean.",
    SOGC_402,
    Provenance::FromMemory,
);
const DATED_LATE: Says = Says::of("statements / dated-late", "", "ACOG Committee Opinion 700, 2017", Provenance::Published);
const ELSEWHERE: Says = Says::of("statements / measured-elsewhere", "", "a typed number without a known error", Provenance::OwnAssumption);
const MULTIPLE: Says = Says::of("statements / which-placenta", "", "unknown is never taken as the only one", Provenance::OwnAssumption);

/// Everything above that may be said.
const ALL: [&Says; 28] = [
    &NOT_CLASSIFIED,
    &DECLINED,
    &SWEEP,
    &REPEAT,
    &DOPPLER_LOW,
    &DOPPLER_CORD,
    &DOPPLER_LOBE,
    &DOPPLER_ART,
    &DOPPLER_MANY,
    &ACCRETA_SEEN,
    &ACCRETA,
    &ASK_SCAR,
    &ANTI_D,
    &INCLUDE_ROUTE,
    &INCLUDE_DISTANCE,
    &INCLUDE_DOPPLER,
    &INCLUDE_ACCRETA,
    &NEVER_LOW,
    &RESOLVED,
    &EARLIER_UNKNOWN,
    &ACTIVITY,
    &VESSEL_BEYOND,
    &CERVIX,
    &REPEATED_BLEEDING,
    &RISK,
    &DATED_LATE,
    &ELSEWHERE,
    &MULTIPLE,
];

/// What of it is from memory.
pub(super) fn from_memory() -> Vec<ExplainLine> {
    ALL.iter().filter(|s| s.provenance == Provenance::FromMemory).map(|s| s.line(s.about)).collect()
}

/// What this visit still owes.
pub(super) fn now(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    let mut out = Vec::new();
    if let Some(Outcome::NotApplicable { reasons }) = exam.finding.map(|f| &f.outcome) {
        for reason in reasons.iter().filter(|r| !matches!(r, Reason::TooEarly { .. })) {
            out.push(NOT_CLASSIFIED.line(capital(&reason.words())));
        }
    }
    if c.transvaginal_declined == Answer::Yes {
        out.push(DECLINED.line(
            "The transvaginal scan was declined: the place of the placenta stays unclassified. Explain that it is safe with previa and offer it again.",
        ));
    }
    if matches!(exam.finding.map(|f| &f.outcome), Some(Outcome::NoPlacentaWithin { .. })) {
        out.push(
            SWEEP.line(
                "One plane without placenta proves nothing: sweep from side to side and record the nearest edge, or the planes seen.",
            ),
        );
    }
    let straddles = matches!(exam.finding.map(|f| &f.outcome), Some(Outcome::Straddles { .. } | Outcome::Reaches { .. }));
    if straddles || exam.finding.is_some_and(|f| !f.borderline.is_empty()) {
        out.push(REPEAT.line("Near an edge of a band: repeat the measurement, or ask a second reader, before she leaves."));
    }
    out.extend(doppler(exam));
    out.extend(accreta(exam));
    if c.rhd_negative == Answer::Yes && (matches!(c.bleeding, Bleeding::Now | Bleeding::Earlier) || c.episodes().is_some_and(|n| n > 0)) {
        out.push(ANTI_D.line("RhD negative with bleeding: anti-D by local protocol."));
    }
    out
}

/// Doppler over the os that was not done or not documented: one sentence a reason, since each rests on a source of its own.
fn doppler(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    if !matches!(c.doppler_over_os, DopplerOverOs::NotDone | DopplerOverOs::Unknown) {
        return Vec::new();
    }
    let done = if c.doppler_over_os == DopplerOverOs::NotDone { "not done" } else { "not documented" };
    let mut out = Vec::new();
    let low = if exam.resolved() {
        Some("low or previa earlier, moved away since")
    } else if exam.may_be_low() {
        Some("low placenta or previa")
    } else if c.earlier_low_placenta == Answer::Yes {
        Some("low or previa earlier")
    } else {
        None
    };
    if let Some(why) = low {
        out.push(DOPPLER_LOW.line(format!(
            "Colour and pulsed Doppler over the os for vasa previa is {done} ({why}): due NOW, not at the next routine scan, since vasa previa \
             is delivered from 34 weeks."
        )));
    }
    let others = [
        (c.cord_insertion == CordInsertion::Velamentous, &DOPPLER_CORD, "velamentous cord"),
        (c.extra_lobe == Answer::Yes, &DOPPLER_LOBE, "extra lobe"),
        (c.assisted_conception == Answer::Yes, &DOPPLER_ART, "assisted conception"),
        (c.fetuses.is_some_and(|n| n > 1), &DOPPLER_MANY, "more than one fetus"),
    ];
    for (_, says, why) in others.iter().filter(|(holds, ..)| *holds) {
        let text = if out.is_empty() {
            format!("Colour and pulsed Doppler over the os for vasa previa is {done} ({why}): due now, not at the next routine scan.")
        } else {
            format!("Doppler over the os for another reason too: {why}.")
        };
        out.push(says.line(text));
    }
    out
}

fn accreta(exam: &Exam<'_>) -> Option<ExplainLine> {
    let c = exam.context;
    let low = exam.may_be_low() || c.earlier_low_placenta == Answer::Yes && exam.kinds().is_empty();
    if !low {
        return None;
    }
    let scarred = c.scarred_uterus();
    if scarred == Answer::Yes || c.previous_accreta == Answer::Yes {
        if c.accreta_assessed == Answer::Yes {
            return Some(
                ACCRETA_SEEN.line("The checklist of accreta signs was gone through. No signs does not exclude placenta accreta spectrum."),
            );
        }
        let urgency = match c.placental_position {
            PlacentalPosition::Anterior => "An anterior placenta raises the urgency. ",
            PlacentalPosition::Posterior => "A posterior placenta is not safe either. ",
            _ => "",
        };
        return Some(ACCRETA.line(format!(
            "Low placenta or previa with previous surgery on the uterus or previous accreta: go through the checklist of accreta signs now, or \
             refer to an experienced centre. {urgency}No signs does not exclude it."
        )));
    }
    (scarred == Answer::Unknown).then(|| {
        // Only what is missing: an answer that was given must not seem lost.
        let (what, calls) = match (c.previous_caesareans, c.other_uterine_surgery) {
            (None, Answer::Unknown) => ("Previous caesareans and other surgery on the uterus are", "they call"),
            (None, _) => ("The number of previous caesareans is", "they call"),
            _ => ("Other surgery on the uterus is", "it calls"),
        };
        ASK_SCAR.line(format!("{what} not stated: ask now, since with a low placenta {calls} for a look for accreta."))
    })
}

/// What the next scan must include.
pub(super) fn include(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let mut out = vec![
        INCLUDE_ROUTE.line("Transvaginal, empty bladder, no contraction in the frame."),
        INCLUDE_DISTANCE.line("Edge-to-os distance in mm away or mm of overlap, shortest of the adequate planes, all recorded."),
        INCLUDE_DOPPLER.line("Colour and pulsed Doppler over the os for vasa previa, even if the placenta has moved away."),
    ];
    if exam.context.scarred_uterus() != Answer::No || exam.context.previous_accreta == Answer::Yes {
        out.push(INCLUDE_ACCRETA.line("The checklist of accreta signs."));
    }
    out
}

/// What is said without a date.
pub(super) fn statements(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    let mut out = Vec::new();
    if exam.kinds() == [BandKind::NotLow] {
        out.push(match c.earlier_low_placenta {
            Answer::No => NEVER_LOW.line("Never low in this pregnancy and not low now: no scan is asked for because of its place."),
            Answer::Yes => RESOLVED.line("Low earlier, not low now: not safe until vasa previa has been looked for."),
            Answer::Unknown => EARLIER_UNKNOWN
                .line("Whether it was low earlier in this pregnancy is not stated; if it was, vasa previa must be looked for."),
        });
    }
    if exam.may_reach_os() {
        out.push(ACTIVITY.line(
            "Pelvic rest; no high-intensity exercise; no digital examination through the cervix; a speculum examination is acceptable.",
        ));
    }
    if let Some(d) = c.vessel_to_os_mm.filter(|d| *d > VESSEL_WIDER) {
        let text = format!(
            "Nearest vessel {} mm from the os: beyond the usual 20 mm and the 50 mm proposed in 2025.",
            super::urgent::vessel_digits(d)
        );
        out.push(VESSEL_BEYOND.line(text));
    }
    if exam.may_reach_os() && c.cervical_length_mm.is_some_and(|cl| cl <= SHORT_CERVIX) {
        out.push(CERVIX.line(
            "Cervix of 30 mm or less with previa: birth for haemorrhage in 79 % against 28 % of 68 women (Stafford 2010). Against: SMFM Consult \
             Series #40 advises no routine cervical length in previa.",
        ));
    }
    if exam.may_be_low() && c.episodes().is_some_and(|n| n > 3) {
        out.push(REPEATED_BLEEDING.line("Repeated bleeding, more than three episodes, usually means hospital until birth."));
    }
    out.extend(risk_factors(exam));
    if c.poorly_dated() {
        out.push(DATED_LATE.line(format!(
            "Dated by {}: without a scan before 22w0d that confirmed or set the due date the pregnancy is poorly dated, and so are all dates here.",
            c.dated_by.words()
        )));
    }
    for m in &c.measured_elsewhere {
        let d = m.signed_mm.get();
        let what = if d < 0.0 { format!("overlap of {} mm", -d) } else { format!("{d} mm from the os") };
        let on = m.on.map(|d| format!(", {d}")).unwrap_or_default();
        let by = if m.by.is_empty() { String::new() } else { format!(", {}", m.by) };
        let text = format!(
            "Measured elsewhere: {what} ({} scan{on}{by}). Its error is not known: it is not classified and no change is reckoned from it.",
            m.route.words()
        );
        out.push(ELSEWHERE.line(text));
    }
    if c.fetuses.is_some_and(|n| n > 1) {
        out.push(MULTIPLE.line(match c.which_placenta {
            WhichPlacenta::Unknown => {
                "More than one fetus, and whose placenta was measured is not stated: each placenta needs a distance of its own.".to_owned()
            }
            which => format!("More than one fetus: this is of the placenta {}. Each placenta needs a distance of its own.", which.words()),
        }));
    }
    out
}

/// Which of the risk factors that SOGC 402 names are there, by what was stated.
fn risk_factors(exam: &Exam<'_>) -> Option<ExplainLine> {
    let c = exam.context;
    if !exam.may_be_low() {
        return None;
    }
    let early = c.bleeds.iter().filter_map(|b| b.on).any(|on| {
        c.dating.and_then(|d| crate::context::gestational_age(d, on).ok()).is_some_and(|age| age < GestationalAge::weeks_and_days(29, 0))
    });
    let early = early || (c.bleeding == Bleeding::Now && exam.age.is_some_and(|age| age < GestationalAge::weeks_and_days(29, 0)));
    // 3 cm for previa, 2 cm for low-lying.
    let short = if exam.may_reach_os() { 30.0 } else { 20.0 };
    let found: Vec<&str> = [
        (early, "bleeding before 29 weeks"),
        (c.episodes().is_some_and(|n| n >= 3), "three or more bleeding episodes"),
        (c.cervical_length_mm.is_some_and(|cl| cl.get() <= short), "short cervix"),
        (c.previous_caesareans.is_some_and(|n| n > 0), "previous caesarean"),
    ]
    .into_iter()
    .filter_map(|(there, words)| there.then_some(words))
    .collect();
    (!found.is_empty()).then(|| {
        RISK.line(format!(
            "Of the risk factors that SOGC 402 counts for staying in hospital and for an earlier birth, stated here: {}. A thick edge counts too.",
            found.join(", ")
        ))
    })
}
