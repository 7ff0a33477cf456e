//! What an amended report changes, which records it leaves behind, and who received a report of them.

use super::{Issued, Line, Part, Weight};
use crate::caseload::SavedExam;
use crate::measure::Landmarks;
use crate::measure::more::InWords;
use crate::reading::Distance;
use crate::record::ReadingRecord;
use crate::sheet::entered;
use crate::units::PxPoint;

/// The part that says what was amended; `None` for a first report.
pub(super) fn amendment(exam: &SavedExam, all: &[ReadingRecord], issued: &[Issued]) -> Option<Part> {
    let now: Vec<&str> = exam.readings.iter().map(ReadingRecord::id).collect();
    let mut lines = Vec::new();
    let mut left_behind: Vec<String> = Vec::new();
    for reading in &exam.readings {
        for id in &reading.follows {
            match all.iter().find(|r| r.id() == id) {
                Some(before) => lines.extend(changes(before, reading)),
                None => lines.push(format!("Record {} was corrected and is not at hand: what changed cannot be said.", short(id))),
            }
        }
        left_behind.extend(ancestors(reading, all));
    }
    // A report that was sent holds no longer when it rests on a record that was corrected, or on other readings than now.
    let sent: Vec<&Issued> = issued
        .iter()
        .filter(|i| i.readings.iter().any(|id| left_behind.contains(id) || now.contains(&id.as_str())))
        .filter(|i| i.readings.iter().any(|id| !now.contains(&id.as_str())) || i.readings.len() != now.len())
        .collect();
    if lines.is_empty() && left_behind.is_empty() && sent.is_empty() {
        return None;
    }
    let mut said = vec!["THIS REPORT REPLACES AND VOIDS every report made from the records named here.".to_owned()];
    if !left_behind.is_empty() {
        let list: Vec<&str> = left_behind.iter().map(|id| short(id)).collect();
        said.push(format!("Void: record {}.", list.join(", ")));
    }
    if lines.is_empty() && !left_behind.is_empty() {
        said.push("Saved again; nothing in the reading changed.".to_owned());
    }
    said.extend(lines);
    let added = now.iter().filter(|id| !sent.is_empty() && sent.iter().all(|s| !s.readings.iter().any(|r| r == *id))).count();
    if added > 0 {
        said.push(format!("{added} reading(s) of this exam are in no report that was sent."));
    }
    match sent.as_slice() {
        [] => said.push("Nobody is recorded as having received an earlier report.".to_owned()),
        sent => said.extend(
            sent.iter().map(|s| format!("{} received a report at {} that is now void: {}. {}.", s.to, s.at, s.headline, s.finding)),
        ),
    }
    Some(Part {
        title: "Amended report".to_owned(),
        weight: Weight::Alarm,
        lines: said.into_iter().map(|text| Line { text, mark: String::new() }).collect(),
    })
}

fn short(id: &str) -> &str {
    id.get(..16).unwrap_or(id)
}

/// Ids of every record that a reading follows, near and far, as far as they are at hand.
fn ancestors(reading: &ReadingRecord, all: &[ReadingRecord]) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut open: Vec<String> = reading.follows.clone();
    while let Some(id) = open.pop() {
        // A record that follows itself in a ring, which cannot be made but could be written, ends here.
        if found.contains(&id) {
            continue;
        }
        open.extend(all.iter().filter(|r| r.id() == id).flat_map(|r| r.follows.iter().cloned()));
        found.push(id);
    }
    found
}

/// What differs between a record and the one that corrects it, in sentences.
fn changes(before: &ReadingRecord, now: &ReadingRecord) -> Vec<String> {
    let mut out = Vec::new();
    let mut say = |what: &str, was: &str, is: &str| {
        if was != is {
            out.push(format!("Changed, {what}: was \"{was}\", now \"{is}\"."));
        }
    };
    say("distance", &before.headline, &now.headline);
    say("finding", &before.finding_words, &now.finding_words);
    say("stated side", before.side.words(), now.side.words());
    say("table", &format!("{} {}", before.table.name, before.table.edition), &format!("{} {}", now.table.name, now.table.edition));
    say("reader", &before.reader, &now.reader);
    let day = |r: &ReadingRecord| r.context.exam_date.map_or_else(|| "not known".to_owned(), |d| d.to_string());
    say("exam date", &day(before), &day(now));
    let dating = |r: &ReadingRecord| r.context.dating.map_or_else(|| "not dated".to_owned(), |d| d.words());
    say("dating", &dating(before), &dating(now));
    let (was, is) = (entered(&before.context).stated, entered(&now.context).stated);
    let find = |list: &[(&str, String)], what: &str| {
        list.iter().find(|(w, _)| *w == what).map_or_else(|| "not stated".to_owned(), |(_, words)| words.clone())
    };
    let mut names: Vec<&str> = was.iter().chain(&is).map(|(w, _)| *w).collect();
    names.sort_unstable();
    names.dedup();
    for what in names {
        say(what, &find(&was, what), &find(&is, what));
    }
    say("frame", &before.notes.checklist.adequacy().words(), &now.notes.checklist.adequacy().words());
    say("scale", &scale(before), &scale(now));
    lengths(before, now, &mut say);
    if before.patient != now.patient {
        out.push("Changed: who was examined.".to_owned());
    }
    out.extend(moved(&before.landmarks, &now.landmarks));
    if out.is_empty() && !before.same_reading(now) {
        out.push("Changed: method, scale or uncertainty, not the words.".to_owned());
    }
    out
}

/// The scale of a record in words, with what was decided of it.
fn scale(record: &ReadingRecord) -> String {
    match &record.distance {
        Distance::NoScale { .. } => "none".to_owned(),
        Distance::Measured(m) => {
            let (x, y) = m.scale.calibration.mm_per_px();
            let decided = record.scale_facts.resolved.as_ref().map_or_else(String::new, |r| format!(", decided by {}: {}", r.by, r.reason));
            format!("{}, {x:.4} by {y:.4} mm a pixel{decided}", m.scale.calibration.basis().words())
        }
    }
}

/// Which further lengths changed, came or went.
fn lengths(before: &ReadingRecord, now: &ReadingRecord, say: &mut dyn FnMut(&str, &str, &str)) {
    let (was, is) = (before.more.in_words(), now.more.in_words());
    let text =
        |all: &[InWords], name: &str| all.iter().find(|w| w.name == name).map_or_else(|| "not marked".to_owned(), |w| w.text.clone());
    let mut names: Vec<&str> = was.iter().chain(&is).map(|w| w.name).collect();
    names.sort_unstable();
    names.dedup();
    for name in names {
        say(name, &text(&was, name), &text(&is, name));
    }
}

/// Which landmarks moved, and how far.
fn moved(before: &Landmarks, now: &Landmarks) -> Option<String> {
    let far = |a: PxPoint, b: PxPoint| (a.x - b.x).hypot(a.y - b.y);
    let named = [
        ("internal os", Some(before.internal_os), Some(now.internal_os)),
        (now.edge.words(), Some(before.edge.at()), Some(now.edge.at())),
        ("placental body", before.placental_body, now.placental_body),
        ("marginal sinus", before.marginal_sinus, now.marginal_sinus),
    ];
    let list: Vec<String> = named
        .into_iter()
        .filter_map(|(name, a, b)| match (a, b) {
            (Some(a), Some(b)) if far(a, b) > 0.0 => Some(format!("{name} moved by {:.1} px", far(a, b))),
            (None, Some(_)) => Some(format!("{name} marked")),
            (Some(_), None) => Some(format!("{name} taken away")),
            _ => None,
        })
        .collect();
    let kind = (before.edge.words() != now.edge.words()).then(|| format!("{} marked instead of {}", now.edge.words(), before.edge.words()));
    let list: Vec<String> = kind.into_iter().chain(list).collect();
    (!list.is_empty()).then(|| format!("Changed, landmarks: {}.", list.join(", ")))
}
