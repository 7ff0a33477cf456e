//! What a report says of each frame besides its distance: the further lengths, whether the frame counts, and what speaks for or
//! against its scale.

use crate::calibrate::cross::{Agreement, CrossCheck, ScaleLine};
use crate::calibrate::judge;
use crate::exam::{Adequacy, Item};
use crate::guideline::{ExplainLine, capital};
use crate::record::ReadingRecord;
use crate::source::{Citation, Provenance};

/// Where the lengths themselves come from; what they are held against has sources of its own.
const LENGTHS: Citation = Citation::fixed("how this program measures lengths, each with its interval", Provenance::OwnAssumption);
/// Where the answers to the checklist come from.
const CHECKLIST: Citation = Citation::fixed("what the reader attested of each frame", Provenance::OwnAssumption);
/// Where the cross-checks come from.
const SCALE: Citation = Citation::fixed("what else in the file and the picture speaks for or against the scale", Provenance::OwnAssumption);

/// Cervical length, edge thickness, vessel, way along the wall and width of the os, of every reading that has them: value with its
/// interval, what must be seen beside it, and how it lies to what the literature says.
pub(super) fn lengths(readings: &[ReadingRecord]) -> Vec<ExplainLine> {
    let mut out = Vec::new();
    for (i, reading) in readings.iter().enumerate() {
        for length in reading.more.in_words() {
            let row = format!("report / {}", length.name);
            let of = which(&[i], readings.len());
            let mut text = format!("{}{of}: {}", length.name, length.text);
            for flag in &length.flags {
                if !text.ends_with('.') {
                    text.push('.');
                }
                text.push(' ');
                text.push_str(flag);
            }
            out.push(ExplainLine { text, row: row.clone(), source: LENGTHS });
            let against = length.against.into_iter();
            out.extend(against.map(|(says, source)| ExplainLine {
                text: format!("{}{of}: {says}", length.name),
                row: row.clone(),
                source,
            }));
        }
    }
    out
}

/// "2, 3" for places from 0; empty when they are all there are.
fn which(places: &[usize], of: usize) -> String {
    if places.len() == of {
        return String::new();
    }
    let names: Vec<String> = places.iter().map(|i| (i + 1).to_string()).collect();
    format!(" (reading {})", names.join(", "))
}

/// Sentences that several readings share, each once with the places of those that it is of.
fn shared<T: PartialEq>(all: impl IntoIterator<Item = (usize, T)>) -> Vec<(T, Vec<usize>)> {
    let mut out: Vec<(T, Vec<usize>)> = Vec::new();
    for (place, said) in all {
        match out.iter_mut().find(|(known, _)| *known == said) {
            Some((_, places)) if places.contains(&place) => {}
            Some((_, places)) => places.push(place),
            None => out.push((said, vec![place])),
        }
    }
    out
}

/// Whether each frame counts, and what of the checklist was excepted or not answered.
pub(super) fn frames(readings: &[ReadingRecord]) -> Vec<ExplainLine> {
    let said = readings.iter().enumerate().flat_map(|(i, r)| of_frame(r).into_iter().map(move |line| (i, line)));
    let line = |((text, source), places): ((String, Citation), Vec<usize>)| ExplainLine {
        text: format!("{text}{}", which(&places, readings.len())),
        row: "report / frames".to_owned(),
        source,
    };
    shared(said).into_iter().map(line).collect()
}

fn of_frame(reading: &ReadingRecord) -> Vec<(String, Citation)> {
    let list = &reading.notes.checklist;
    let (decide, open) = (Item::ALL.into_iter().filter(|i| i.decides()).count(), list.unanswered());
    let set = if reading.notes.set_number() > 1 { format!("set {}, ", reading.notes.set_number()) } else { String::new() };
    let mut text = format!("{set}{}", list.adequacy().words());
    match list.adequacy() {
        Adequacy::Adequate => text.push_str(&format!(": all {decide} points of the checklist that decide")),
        _ if open.len() == decide => text.push_str(": no point of the checklist that decides was answered"),
        _ if open.is_empty() => {}
        _ => {
            let names: Vec<&str> = open.iter().map(|i| i.words()).collect();
            text.push_str(&format!("; not answered: {}", names.join("; ")));
        }
    }
    let mut out = vec![(capital(&text), CHECKLIST)];
    out.extend(list.exceptions().into_iter().map(|item| (format!("Excepted: {}", item.exception()), item.source())));
    if reading.notes.distance_assisted() {
        out.push(("A place that the program offered for a landmark of the distance was accepted by the reader".to_owned(), CHECKLIST));
    }
    out
}

/// What speaks for and against the scale of each frame, once where frames share it; what speaks against it first. What is consistent
/// is only named, unless `full`; the last phantom check always stands with its day.
pub(super) fn scale_checks(readings: &[ReadingRecord], full: bool) -> Vec<ExplainLine> {
    let mut said: Vec<(usize, ScaleLine)> = Vec::new();
    for (i, r) in readings.iter().enumerate() {
        let points = [r.landmarks.internal_os, r.landmarks.edge.at()];
        let judged = judge(&r.geometry, &points, r.pixel_spacing_consent.as_ref(), &r.scale_facts, r.context.exam_date);
        said.extend(judged.lines.into_iter().map(|line| (i, line)));
    }
    // The speed of sound stands among the terms of the uncertainty, with its size.
    said.retain(|(_, l)| full || l.check != CrossCheck::SoundSpeed);
    let in_words = |l: &ScaleLine| full || l.agreement != Agreement::Consistent || l.check == CrossCheck::Phantom;
    let (whole, named): (Vec<_>, Vec<_>) = said.into_iter().partition(|(_, l)| in_words(l));
    let mut whole = shared(whole);
    whole.sort_by_key(|(l, _)| l.agreement != Agreement::Inconsistent);
    let mut out: Vec<String> = whole
        .into_iter()
        .map(|(l, places)| {
            let lead = if l.agreement == Agreement::Inconsistent { "SPEAKS AGAINST THE SCALE" } else { "Scale check" };
            format!("{lead}{}, {}: {}", which(&places, readings.len()), l.agreement.word(), l.text)
        })
        .collect();
    let named: Vec<String> = shared(named.into_iter().map(|(i, l)| (i, l.check)))
        .into_iter()
        .map(|(check, places)| format!("{}{}", name(check), which(&places, readings.len())))
        .collect();
    if !named.is_empty() {
        out.push(format!("Consistent with the scale: {}", named.join("; ")));
    }
    out.into_iter().map(|text| ExplainLine { text, row: "report / scale checks".to_owned(), source: SCALE }).collect()
}

const fn name(check: CrossCheck) -> &'static str {
    match check {
        CrossCheck::Ticks => "the ticks in the picture",
        CrossCheck::Box => "the region's box",
        CrossCheck::PixelSpacing => "Pixel Spacing",
        CrossCheck::PixelAspect => "Pixel Aspect Ratio",
        CrossCheck::Depth => "the depth of the picture",
        CrossCheck::Phantom => "the last phantom check",
        CrossCheck::SoundSpeed => "the speed of sound",
    }
}
