//! Recomputes a record from its own inputs and says every difference.

use std::sync::LazyLock;

use super::ReadingRecord;
use crate::assist;
use crate::calibrate::judge;
use crate::cautions::{self, CautionId};
use crate::digest::sha256_hex;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, FrameId};
use crate::guideline::Shelf;
use crate::measure::{self, Measurement, own_placement};
use crate::reading::{self, Distance, Inputs};

/// Largest difference between a recorded number and the recomputed one, mm: room for another machine's elementary
/// functions, far below anything that is shown.
const TOLERANCE_MM: f64 = 1e-9;

/// The bundled tables, parsed once for however many records.
static BUNDLED: LazyLock<Shelf> = LazyLock::new(Shelf::bundled);

/// One difference.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// What differs.
    pub what: String,
    /// What should stand there.
    pub expected: String,
    /// What does.
    pub found: String,
}

/// What came of checking one record.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Check {
    /// Differences: the record, its image or its table was changed. Empty when it verifies.
    pub differences: Vec<Difference>,
    /// What could not be checked, and why.
    pub unchecked: Vec<String>,
}

/// Finds what the images at hand say about a recorded frame.
pub trait ImageSource {
    /// The digest of the frame that bears this record's SOP Instance UID and frame number, or, for captures, its digest:
    /// `None` when no such frame is at hand.
    fn digest_of(&self, frame: &FrameId) -> Option<String>;

    /// The frame itself, where it is at hand: to recompute what follows from its samples.
    fn frame(&self, _: &FrameId) -> Option<Frame> {
        None
    }
}

/// Checks a record made in this process; `images` are the frames at hand, where there are any. A record from a file is
/// checked by [`verify_text`], since an older version may have written it with fewer fields.
#[must_use]
pub fn verify(record: &ReadingRecord, images: Option<&dyn ImageSource>) -> Check {
    let digest = record.digest();
    checked(record, digest, images, &BUNDLED)
}

/// Reads a record's text and checks it. Its content is digested as it stands in the text.
///
/// # Errors
/// As [`ReadingRecord::from_json`].
pub fn verify_text(text: &str, images: Option<&dyn ImageSource>) -> Result<(ReadingRecord, Check)> {
    verify_text_with(text, images, &BUNDLED)
}

/// As [`verify_text`], for a record that may have been made with any table of `shelf`.
///
/// # Errors
/// As [`ReadingRecord::from_json`].
pub fn verify_text_with(text: &str, images: Option<&dyn ImageSource>, shelf: &Shelf) -> Result<(ReadingRecord, Check)> {
    let record = ReadingRecord::from_json(text)?;
    let check = checked(&record, content_digest(text), images, shelf);
    Ok((record, check))
}

fn checked(record: &ReadingRecord, digest: Result<String>, images: Option<&dyn ImageSource>, shelf: &Shelf) -> Check {
    let mut check = recompute_with(record, images, shelf);
    let (expected, found) = match digest {
        Ok(d) if d == record.content_sha256 => return check,
        Ok(d) => (format!("digest {}", record.content_sha256), format!("digest {d}")),
        Err(e) => ("a digest".into(), e.message()),
    };
    check.differences.insert(0, Difference { what: "the record's content".into(), expected, found });
    check
}

/// SHA-256 (hex) of a record's text as it was when its digest was made: without white space between its parts, and with
/// the digest left empty. For a record that this version writes it is [`ReadingRecord::digest`].
pub(super) fn content_digest(text: &str) -> Result<String> {
    const FIELD: &[u8] = b"\"content_sha256\":\"";
    let (mut bare, mut in_string, mut escaped) = (Vec::with_capacity(text.len()), false, false);
    for byte in text.bytes() {
        if !in_string && byte.is_ascii_whitespace() {
            continue;
        }
        in_string ^= byte == b'"' && !escaped;
        escaped = in_string && byte == b'\\' && !escaped;
        bare.push(byte);
    }
    let missing = || Error::new(ErrorKind::Record, "the record cannot be checked").expected("a digest").found("none");
    let start = bare.windows(FIELD.len()).position(|w| w == FIELD).ok_or_else(missing)? + FIELD.len();
    let length = bare[start..].iter().position(|&b| b == b'"').ok_or_else(missing)?;
    bare.drain(start..start + length);
    Ok(sha256_hex(&bare))
}

/// Checks everything of a record but its digest: each number and word, its table, its image.
#[must_use]
pub fn recompute(record: &ReadingRecord, images: Option<&dyn ImageSource>) -> Check {
    recompute_with(record, images, &BUNDLED)
}

fn recompute_with(record: &ReadingRecord, images: Option<&dyn ImageSource>, shelf: &Shelf) -> Check {
    let mut check = Check::default();
    let mut differ = |what: &str, expected: String, found: String| {
        check.differences.push(Difference { what: what.into(), expected, found });
    };
    let mut unchecked = Vec::new();
    let by_id = shelf.all().iter().find(|t| t.id() == record.table.id);
    match shelf.by_digest(&record.table.id, &record.table.digest) {
        None if by_id.is_none() => {
            unchecked.push(format!("the guideline table {} is not at hand: put its file with your tables, or name it", record.table.id));
        }
        None => {
            let found = by_id.map(|t| format!("digest {}", t.digest())).unwrap_or_default();
            differ("the guideline table", format!("digest {}", record.table.digest), found);
        }
        Some(table) => {
            let inputs = Inputs {
                geometry: &record.geometry,
                landmarks: &record.landmarks,
                side: record.side,
                consent: record.pixel_spacing_consent.as_ref(),
                scale: &record.scale_facts,
                repeatability: &record.repeatability,
                context: &record.context,
                notes: &record.notes,
                table,
            };
            match reading::read(&inputs) {
                Err(e) => differ("the landmarks", "a reading".into(), e.message()),
                Ok(again) => compare(record, &again, &mut differ, &mut unchecked),
            }
        }
    }
    if !record.notes.assisted.is_empty() {
        match images.and_then(|i| i.frame(&record.frame)) {
            Some(frame) => compare_offers(record, &frame, &mut differ, &mut unchecked),
            None => unchecked.push("the offers of the edge assist follow from the image, which is not at hand".into()),
        }
    }
    if let Some(images) = images {
        match images.digest_of(&record.frame) {
            None => unchecked.push("the image is not among those at hand".into()),
            Some(d) if d != record.frame.sha256 => differ("the image", format!("digest {}", record.frame.sha256), format!("digest {d}")),
            Some(_) => {}
        }
    }
    check.unchecked = unchecked;
    check
}

fn compare(record: &ReadingRecord, again: &reading::Reading, differ: &mut dyn FnMut(&str, String, String), unchecked: &mut Vec<String>) {
    compare_more(record, again, differ);
    compare_exam(record, differ, unchecked);
    compare_own_placement(record, differ, unchecked);
    match (&record.distance, &again.distance) {
        (Distance::Measured(recorded), Distance::Measured(now)) => {
            let (s0, m0, f0) = (&recorded.scale, &recorded.measurement, &recorded.finding);
            let (s1, m1, f1) = (&now.scale, &now.measurement, &now.finding);
            if m0.method != measure::METHOD {
                unchecked.push(format!(
                    "the method {} is no longer available; this program has {}: the distance, its finding and its words are not checked",
                    m0.method,
                    measure::METHOD
                ));
                return;
            }
            if s0.calibration != s1.calibration {
                differ("the scale", format!("{:?} mm per px", s1.calibration.mm_per_px()), format!("{:?}", s0.calibration.mm_per_px()));
            }
            for (what, again, recorded) in numbers(m1, m0) {
                let same = match (again, recorded) {
                    (Some(a), Some(r)) => (a - r).abs() <= TOLERANCE_MM,
                    (a, r) => a.is_none() && r.is_none(),
                };
                if !same {
                    let show = |v: Option<f64>| v.map_or("none".into(), |v| format!("{v} mm"));
                    differ(what, show(again), show(recorded));
                }
            }
            if std::mem::discriminant(&m0.value) != std::mem::discriminant(&m1.value)
                || m0.side != m1.side
                || m0.side_check != m1.side_check
            {
                differ("the kind of value or the side", format!("{:?}, {:?}", m1.value, m1.side), format!("{:?}, {:?}", m0.value, m0.side));
            }
            if f0 != f1 {
                differ("the finding", again.finding.clone(), record.finding_words.clone());
            }
        }
        (Distance::NoScale { .. }, Distance::NoScale { .. }) => {}
        (Distance::NoScale { .. }, Distance::Measured(_)) => {
            differ("the distance", again.headline.clone(), "no millimetres".into());
        }
        (Distance::Measured(_), Distance::NoScale { reason }) => differ("the distance", reason.clone(), record.headline.clone()),
    }
    if record.rules != cautions::RULES {
        unchecked.push(format!(
            "words and cautions follow version {} of the rules; this program has version {}",
            record.rules,
            cautions::RULES
        ));
        return;
    }
    if record.headline != again.headline {
        differ("the headline", again.headline.clone(), record.headline.clone());
    }
    if !record.cautions.iter().eq(again.cautions.iter().map(|c| &c.id)) {
        let list = |ids: &mut dyn Iterator<Item = &CautionId>| ids.map(|i| format!("{i:?}")).collect::<Vec<_>>().join(", ");
        differ("the cautions", list(&mut again.cautions.iter().map(|c| &c.id)), list(&mut record.cautions.iter()));
    }
    if record.finding_words != again.finding {
        differ("the finding in words", again.finding.clone(), record.finding_words.clone());
    }
}

/// The lengths of further landmarks.
fn compare_more(record: &ReadingRecord, again: &reading::Reading, differ: &mut dyn FnMut(&str, String, String)) {
    let (was, now) = (record.more.skeleton(), again.more.skeleton());
    if was != now {
        differ("the further lengths", now.join("; "), was.join("; "));
        return;
    }
    compare_numbers(&again.more.numbers(), &record.more.numbers(), differ);
}

fn compare_numbers(again: &[(&'static str, f64)], recorded: &[(&'static str, f64)], differ: &mut dyn FnMut(&str, String, String)) {
    if again.len() != recorded.len() {
        differ("the numbers of the further lengths", again.len().to_string(), recorded.len().to_string());
    }
    for ((what, a), (_, r)) in again.iter().zip(recorded) {
        // A number that is none fails too.
        let same = (a - r).abs() <= TOLERANCE_MM;
        if !same {
            differ(what, a.to_string(), r.to_string());
        }
    }
}

/// The offers of the edge assist, from the frame's own samples.
fn compare_offers(record: &ReadingRecord, frame: &Frame, differ: &mut dyn FnMut(&str, String, String), unchecked: &mut Vec<String>) {
    for a in &record.notes.assisted {
        if a.method != assist::METHOD {
            unchecked.push(format!("the method {} is no longer available; this program has {}", a.method, assist::METHOD));
            continue;
        }
        let facts = &record.scale_facts;
        let judged = judge(&record.geometry, &[a.placed], record.pixel_spacing_consent.as_ref(), facts, record.context.exam_date);
        let again = judged.scale.ok().and_then(|(scale, _)| assist::offer_for(a.of, frame, a.placed, &scale).ok());
        // Px, mm or a ratio; the tolerance is far below what is shown of any.
        let near = |x: f64, y: f64| (x - y).abs() <= 1e-6;
        let same = again.is_some_and(|o| {
            near(o.at.x, a.offer.at.x)
                && near(o.at.y, a.offer.at.y)
                && near(o.sd_mm.get(), a.offer.sd_mm.get())
                && near(o.contrast, a.offer.contrast)
                && near(o.moved_mm.get(), a.offer.moved_mm.get())
        });
        if !same {
            differ("an offer of the edge assist", format!("{again:?}"), format!("{:?}", a.offer));
        }
    }
}

/// A repeatability that the reader's own placement in practice widened, from the errors that the record repeats.
fn compare_own_placement(record: &ReadingRecord, differ: &mut dyn FnMut(&str, String, String), unchecked: &mut Vec<String>) {
    let r = &record.repeatability;
    let Some(own) = &r.own_placement else { return };
    if r.method != own_placement::METHOD {
        unchecked.push(format!("the method {} is no longer available; this program has {}", r.method, own_placement::METHOD));
        return;
    }
    let again = own_placement::widened(&own.without, &own.errors_mm, &own.consented_at);
    let same = (again.sd_mm - r.sd_mm).abs().get() <= TOLERANCE_MM
        && again.own_placement.is_some()
        && (again.assumed, again.degrees_of_freedom) == (r.assumed, r.degrees_of_freedom);
    if !same {
        differ("the repeatability widened by practice", format!("SD {}", again.sd_mm), format!("SD {}", r.sd_mm));
    }
}

/// The values of the exam: from the readings that the record repeats, of which the last is its own.
fn compare_exam(record: &ReadingRecord, differ: &mut dyn FnMut(&str, String, String), unchecked: &mut Vec<String>) {
    let Some(exam) = &record.exam else { return };
    let own = super::held(record).map(|own| super::HeldReading { record: String::new(), ..own });
    if exam.readings.last() != own.as_ref() {
        differ("the exam's readings", "this reading as the last of them".into(), "another".into());
    }
    if exam.values.summary.method != crate::exam::METHOD {
        unchecked.push(format!(
            "the method {} is no longer available; this program has {}",
            exam.values.summary.method,
            crate::exam::METHOD
        ));
        return;
    }
    let tree = |v: &crate::exam::ExamValues| serde_json::to_value(v).unwrap_or_default();
    match super::values_of(&exam.readings, &exam.model) {
        Err(e) => differ("the exam's values", "values".into(), e.message()),
        Ok(again) => {
            if let Some((place, a, r)) = first_difference(&tree(&again), &tree(&exam.values), "exam") {
                differ(&format!("the exam's values, {place}"), a, r);
            }
        }
    }
}

/// The first place at which two trees differ by more than the tolerance.
fn first_difference(a: &serde_json::Value, b: &serde_json::Value, place: &str) -> Option<(String, String, String)> {
    use serde_json::Value;
    match (a, b) {
        (Value::Number(x), Value::Number(y)) if x.as_f64().zip(y.as_f64()).is_some_and(|(x, y)| (x - y).abs() <= TOLERANCE_MM) => None,
        (Value::Object(x), Value::Object(y)) if x.len() == y.len() => {
            x.iter().find_map(|(k, v)| first_difference(v, y.get(k).unwrap_or(&Value::Null), &format!("{place}.{k}")))
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => {
            x.iter().zip(y).enumerate().find_map(|(i, (v, w))| first_difference(v, w, &format!("{place}.{i}")))
        }
        (a, b) if a == b => None,
        (a, b) => Some((place.to_owned(), a.to_string(), b.to_string())),
    }
}

/// Every number of a measurement, recomputed beside recorded.
fn numbers<'a>(a: &'a Measurement, b: &'a Measurement) -> Vec<(&'static str, Option<f64>, Option<f64>)> {
    let value = |m: &Measurement| match m.value {
        measure::Value::Exact { signed_mm: v }
        | measure::Value::Reaches { centre_distance_mm: v }
        | measure::Value::OverlapAtLeast { mm: v }
        | measure::Value::NoPlacentaWithin { mm: v } => Some(v.get()),
    };
    let term = |m: &Measurement, i: usize| m.terms.get(i).map(|t| t.u_mm.get());
    let mut all = vec![
        ("the distance", value(a), value(b)),
        ("its standard uncertainty", Some(a.u_mm.get()), Some(b.u_mm.get())),
        ("the lower end of its interval", a.interval.low_mm.map(|v| v.get()), b.interval.low_mm.map(|v| v.get())),
        ("the upper end of its interval", a.interval.high_mm.map(|v| v.get()), b.interval.high_mm.map(|v| v.get())),
        ("the marginal sinus distance", a.marginal_sinus_mm.map(|v| v.get()), b.marginal_sinus_mm.map(|v| v.get())),
    ];
    for i in 0..a.terms.len().max(b.terms.len()) {
        all.push(("an uncertainty term", term(a, i), term(b, i)));
    }
    all
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn white_space_between_the_parts_does_not_count_and_all_else_does() {
        let digest = |t: &str| content_digest(t).unwrap();
        let plain = digest(r#"{"content_sha256":"","a":"x \" y","b":[1,2]}"#);
        assert_eq!(plain, sha256_hex(br#"{"content_sha256":"","a":"x \" y","b":[1,2]}"#));
        assert_eq!(digest("{ \"content_sha256\" : \"abc\",\n \"a\": \"x \\\" y\", \"b\": [1,\n2] }\n"), plain);
        assert_ne!(digest(r#"{"content_sha256":"","a":"x \"  y","b":[1,2]}"#), plain);
        assert_ne!(digest(r#"{"content_sha256":"","a":"x \" y","b":[1,3]}"#), plain);
        assert!(content_digest("{}").is_err() && content_digest(r#"{"content_sha256":"#).is_err());
    }
}
