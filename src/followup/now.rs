//! What this visit still owes, what the next scan must include, and what is said without a date.

use super::Exam;
use crate::context::{Answer, Bleeding, CordInsertion, DopplerOverOs, PlacentalPosition};
use crate::evidence::VESSEL_WIDER;
use crate::guideline::{BandKind, ExplainLine, Outcome, Reason};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

fn line(row: &str, text: impl Into<String>, source: &'static str, provenance: Provenance) -> ExplainLine {
    ExplainLine { text: text.into(), row: format!("program / {row}"), source: Citation::fixed(source, provenance) }
}

/// The cervical length at which Stafford 2010 divides, mm.
const SHORT_CERVIX: Mm = Mm::new(30.0);

/// For advice that is commonly taught and for which no source was read.
const TAUGHT: &str = "commonly taught; no source was read for it";
const DOPPLER: &str = "Reddy 2014 from memory: low or previa, even if resolved, wants colour and pulsed Doppler for vasa previa; \
                       3 of 20 persisting low placentas had vasa previa in Heller 2014, PMID 24658950";

/// What this visit still owes.
pub(super) fn now(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    let mut out = Vec::new();
    if let Some(Outcome::NotApplicable { reasons }) = exam.finding.map(|f| &f.outcome) {
        for reason in reasons.iter().filter(|r| !matches!(r, Reason::TooEarly { .. })) {
            out.push(line(
                "now / not-classified",
                capital(&reason.words()),
                "what this program requires before it classifies",
                Provenance::OwnAssumption,
            ));
        }
    }
    if c.transvaginal_declined == Answer::Yes {
        let text = "The transvaginal scan was declined: the place of the placenta stays unclassified. Explain that it is safe with previa and offer it again.";
        out.push(line(
            "now / declined",
            text,
            "transvaginal scanning is safe with previa, even when bleeding: SOGC Guideline No. 189, 2007",
            Provenance::Published,
        ));
    }
    if matches!(exam.finding.map(|f| &f.outcome), Some(Outcome::NoPlacentaWithin { .. })) {
        let text = "One plane without placenta proves nothing: sweep from side to side and record the nearest edge, or the planes seen.";
        out.push(line("now / sweep", text, "Sadek 2018, BMC Pregnancy Childbirth 18:472", Provenance::Published));
    }
    let straddles = matches!(exam.finding.map(|f| &f.outcome), Some(Outcome::Straddles { .. } | Outcome::Reaches { .. }));
    if straddles || exam.finding.is_some_and(|f| !f.borderline.is_empty()) {
        let text = "Near an edge of a band: repeat the measurement, or ask a second reader, before she leaves.";
        out.push(line(
            "now / repeat",
            text,
            "no repeat rule was found for this distance; own reading of its unknown repeatability",
            Provenance::OwnAssumption,
        ));
    }
    out.extend(doppler(exam));
    out.extend(accreta(exam));
    if c.rhd_negative == Answer::Yes && matches!(c.bleeding, Bleeding::Now | Bleeding::Earlier) {
        out.push(line("now / anti-d", "RhD negative with bleeding: anti-D by local protocol.", TAUGHT, Provenance::FromMemory));
    }
    out
}

fn doppler(exam: &Exam<'_>) -> Option<ExplainLine> {
    let c = exam.context;
    if !matches!(c.doppler_over_os, DopplerOverOs::NotDone | DopplerOverOs::Unknown) {
        return None;
    }
    let mut why = Vec::new();
    if exam.resolved() {
        why.push("low or previa earlier, moved away since");
    } else if exam.may_be_low() {
        why.push("low placenta or previa");
    } else if c.earlier_low_placenta == Answer::Yes {
        why.push("low or previa earlier");
    }
    if c.cord_insertion == CordInsertion::Velamentous {
        why.push("velamentous cord");
    }
    if c.extra_lobe == Answer::Yes {
        why.push("extra lobe");
    }
    if c.assisted_conception == Answer::Yes {
        why.push("assisted conception");
    }
    if c.fetuses.is_some_and(|n| n > 1) {
        why.push("more than one fetus");
    }
    if why.is_empty() {
        return None;
    }
    let done = if c.doppler_over_os == DopplerOverOs::NotDone { "not done" } else { "not documented" };
    // The cited rule is about low placentas; the other reasons rest on nothing that was read.
    let cited = exam.resolved() || exam.may_be_low() || c.earlier_low_placenta == Answer::Yes;
    let source = if cited { DOPPLER } else { TAUGHT };
    let text = format!(
        "Colour and pulsed Doppler over the os for vasa previa is {done} ({}): due NOW, not at the next routine scan, since vasa previa is \
         delivered from 34 weeks.",
        why.join(", ")
    );
    Some(line("now / doppler", text, source, Provenance::FromMemory))
}

fn accreta(exam: &Exam<'_>) -> Option<ExplainLine> {
    let c = exam.context;
    let low = exam.may_be_low() || c.earlier_low_placenta == Answer::Yes && exam.kinds().is_empty();
    if !low {
        return None;
    }
    let scarred = c.scarred_uterus();
    let (row, text) = if scarred == Answer::Yes || c.previous_accreta == Answer::Yes {
        if c.accreta_assessed == Answer::Yes {
            return Some(line(
                "now / accreta-assessed",
                "The checklist of accreta signs was gone through. No signs does not exclude placenta accreta spectrum.",
                "\"the absence of ultrasound findings does not preclude a diagnosis\": ACOG/SMFM Obstetric Care Consensus No. 7, 2018",
                Provenance::Published,
            ));
        }
        let urgency = match c.placental_position {
            PlacentalPosition::Anterior => "An anterior placenta raises the urgency. ",
            PlacentalPosition::Posterior => "A posterior placenta is not safe either. ",
            _ => "",
        };
        let text = format!(
            "Low placenta or previa with previous surgery on the uterus or previous accreta: go through the checklist of accreta signs now, or \
             refer to an experienced centre. {urgency}No signs does not exclude it."
        );
        ("now / accreta", text)
    } else if scarred == Answer::Unknown {
        let text = "Previous caesareans and other surgery on the uterus are not stated: ask now, since with a low placenta they call for a look for accreta.";
        ("now / ask-scar", text.to_owned())
    } else {
        return None;
    };
    Some(line(
        row,
        text,
        "any low placenta with any surgery on the uterus deserves the look; anterior raises the urgency",
        Provenance::FromMemory,
    ))
}

/// What the next scan must include.
pub(super) fn include(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let mut out = vec![
        line(
            "include / route",
            "Transvaginal, empty bladder, no contraction in the frame.",
            "SOGC Guideline No. 189, 2007",
            Provenance::Published,
        ),
        line(
            "include / distance",
            "Edge-to-os distance in mm away or mm of overlap, shortest of the adequate planes, all recorded.",
            "millimetres away or of overlap: SOGC Guideline No. 189, 2007; shortest by convention",
            Provenance::FromMemory,
        ),
        line(
            "include / doppler",
            "Colour and pulsed Doppler over the os for vasa previa, even if the placenta has moved away.",
            DOPPLER,
            Provenance::FromMemory,
        ),
    ];
    if exam.context.scarred_uterus() != Answer::No || exam.context.previous_accreta == Answer::Yes {
        out.push(line(
            "include / accreta",
            "The checklist of accreta signs.",
            "any low placenta with any surgery on the uterus deserves the look",
            Provenance::FromMemory,
        ));
    }
    out
}

/// What is said without a date.
pub(super) fn statements(exam: &Exam<'_>) -> Vec<ExplainLine> {
    let c = exam.context;
    let mut out = Vec::new();
    if exam.kinds() == [BandKind::NotLow] {
        match c.earlier_low_placenta {
            Answer::No => out.push(line(
                "statements / not-low",
                "Never low in this pregnancy and not low now: no scan is asked for because of its place.",
                "US expert series (contemporaryobgyn.net): above 20 mm no follow-up",
                Provenance::Published,
            )),
            Answer::Yes => out.push(line(
                "statements / resolved",
                "Low earlier, not low now: not safe until vasa previa has been looked for.",
                "",
                Provenance::CommonPractice,
            )),
            Answer::Unknown => out.push(line(
                "statements / earlier-unknown",
                "Whether it was low earlier in this pregnancy is not stated; if it was, vasa previa must be looked for.",
                "",
                Provenance::CommonPractice,
            )),
        }
    }
    if exam.may_reach_os() {
        out.push(line(
            "statements / activity",
            "Pelvic rest; no high-intensity exercise; no digital examination through the cervix; a speculum examination is acceptable.",
            "",
            Provenance::CommonPractice,
        ));
    }
    if let Some(d) = c.vessel_to_os_mm.filter(|d| *d > VESSEL_WIDER) {
        out.push(line(
            "statements / vessel-beyond",
            format!("Nearest vessel {} mm from the os: beyond the usual 20 mm and the 50 mm proposed in 2025.", d.get()),
            "2 cm usual (second-hand); 5 cm: Schenone 2025, J Clin Med 14:1009",
            Provenance::SecondHand,
        ));
    }
    if exam.may_reach_os() && c.cervical_length_mm.is_some_and(|cl| cl <= SHORT_CERVIX) {
        out.push(line(
            "statements / short-cervix",
            "Cervix of 30 mm or less with previa: birth for haemorrhage in 79 % against 28 % of 68 women (Stafford 2010). Against: SMFM Consult \
             Series #40 advises no routine cervical length in previa.",
            "Stafford 2010; SMFM Consult Series #40, 2016 (grade 2B)",
            Provenance::Published,
        ));
    }
    if exam.may_be_low() && c.bleeding_episodes.is_some_and(|n| n >= 3) {
        out.push(line(
            "statements / hospital",
            "Three or more bleeding episodes: SOGC 402 counts them as a risk factor for staying in hospital; repeated bleeding usually means \
             hospital until birth.",
            "SOGC Guideline No. 402, J Obstet Gynaecol Can 2020;42:906-917.e1",
            Provenance::FromMemory,
        ));
    }
    out
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}
