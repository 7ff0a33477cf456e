//! Writes a teaching set, and reads every file back before it counts.

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use super::object::TeachingObject;
use super::teaching::{Decision, FIRST_DAY, TeachingSet, whose};
use crate::calibrate::ScaleFacts;
use crate::calibrate::header::PixelSpacingConsent;
use crate::context::{Dating, ExamContext};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::frame::{FrameId, Geometry};
use crate::guideline;
use crate::load::StoredFile;
use crate::measure::Repeatability;
use crate::reading::{self, Inputs};
use crate::record::{Origin, Patient, ReadingRecord, Store, recompute};
use crate::source::{Citation, Provenance};

/// Transfer syntaxes that lose something, by the end of their UID under 1.2.840.10008.1.2.4: JPEG, near-lossless JPEG-LS,
/// JPEG 2000, high-throughput JPEG 2000, and every video.
const LOSSY: [&str; 5] = ["50", "51", "81", "91", "203"];

/// What was written.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// The frames, in the order of the set.
    pub frames: Vec<PathBuf>,
    /// The records.
    pub records: Vec<PathBuf>,
    /// Records that belong to the set and were left out, with the reason, free of identity.
    pub left_out: Vec<String>,
}

/// An original frame's place in the set.
struct Place {
    id: FrameId,
    geometry: Geometry,
    study_uid: String,
    whose: String,
}

impl TeachingSet {
    /// Writes the approved frames to `frames` and the readings of them to `records` in the new folder `dir`. The originals
    /// are only read. Nothing is written unless every frame is decided.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when a frame is undecided or `dir` is not empty, [`ErrorKind::Format`] when a picture is not
    /// the approved one or a written file does not read back as it should, [`ErrorKind::Io`].
    pub fn write(&self, dir: &Path, records: &[ReadingRecord]) -> Result<Written> {
        if fs::read_dir(dir).is_ok_and(|mut d| d.next().is_some()) {
            return Err(Error::new(ErrorKind::Usage, "the teaching set needs a folder of its own")
                .expected("a new or empty folder")
                .found("files")
                .at(dir));
        }
        if let Some(open) = self.frames().iter().position(|f| f.decision == Decision::Open) {
            return Err(Error::new(ErrorKind::Usage, "the set is not ready")
                .expected("every frame approved or left out")
                .found(format!("frame {} of the set undecided", open + 1)));
        }
        let first_days = self.first_days(records)?;
        let mut written = Written::default();
        let mut places: HashMap<String, Place> = HashMap::new();
        for index in 0..self.frames().len() {
            if let Some((old, path, place)) = self.write_frame(index, &dir.join("frames"), &first_days)? {
                written.frames.push(path);
                places.insert(old, place);
            }
        }
        self.write_records(&dir.join("records"), records, &places, &first_days, &mut written)?;
        Ok(written)
    }

    /// The earliest date known of each patient: of exams, and where there is none, of readings.
    fn first_days(&self, records: &[ReadingRecord]) -> Result<HashMap<String, Date>> {
        let mut first: HashMap<String, Date> = HashMap::new();
        let mut later = |who: String, day: Date| {
            first.entry(who).and_modify(|d| *d = (*d).min(day)).or_insert(day);
        };
        let mut last: Option<(PathBuf, StoredFile)> = None;
        for frame in self.frames().iter().filter(|f| f.decision != Decision::LeftOut) {
            // Frames of one file lie next to each other: its header is read once.
            if last.as_ref().is_none_or(|(path, _)| *path != frame.source) {
                last = Some((frame.source.clone(), StoredFile::open(&frame.source)?));
            }
            let Some((_, file)) = &last else { continue };
            let uid = &file.facts().sop_instance_uid;
            let of_file = records.iter().filter(|r| uid.is_some() && r.frame.sop_instance_uid == *uid);
            let exams = file.facts().exam_date.into_iter().chain(of_file.clone().filter_map(|r| r.context.exam_date));
            let day = exams.min().or_else(|| of_file.filter_map(|r| day_of(&r.saved_at)).min());
            if let Some(day) = day {
                later(whose(file), day);
            }
        }
        Ok(first)
    }

    fn write_frame(&self, index: usize, dir: &Path, first_days: &HashMap<String, Date>) -> Result<Option<(String, PathBuf, Place)>> {
        let Some((file, picture)) = self.approved(index)? else { return Ok(None) };
        let (facts, who) = (file.facts(), whose(&file));
        let part = |stored: &Option<String>| stored.clone().unwrap_or_else(|| who.clone());
        let instance = format!("{}/{}/{}", part(&facts.sop_instance_uid), picture.id.frame_number, picture.id.sha256);
        let study_uid = self.uid(&part(&facts.study_instance_uid));
        let bytes = TeachingObject {
            frame: &picture,
            geometry: file.geometry(),
            case: &self.alias("CASE", &who),
            date: facts.exam_date.map(|d| moved(d, first_days.get(&who))).transpose()?,
            study_uid: &study_uid,
            series_uid: &self.uid(&format!("series/{}", part(&facts.series_instance_uid))),
            instance_uid: &self.uid(&instance),
            number: index + 1,
            image_type: &facts.image_type,
            lossy: is_lossy(&facts.transfer_syntax_uid),
        }
        .to_bytes()?;
        let path = files::publish_new(dir, &format!("frame-{:04}.dcm", index + 1), &bytes)?;
        let back = StoredFile::open(&path)?;
        let again = back.frame(1)?;
        if back.geometry() != file.geometry() || again.samples != picture.samples {
            return Err(Error::new(ErrorKind::Format, "the written frame does not read back as it should")
                .expected("the same picture and scale")
                .found("another")
                .at(&path));
        }
        let place = Place { id: again.id, geometry: back.geometry().clone(), study_uid, whose: who };
        Ok(Some((picture.id.sha256, path, place)))
    }

    /// Records in the order of their links, so that each can name the new ids of those it follows.
    fn write_records(
        &self,
        dir: &Path,
        records: &[ReadingRecord],
        places: &HashMap<String, Place>,
        first_days: &HashMap<String, Date>,
        written: &mut Written,
    ) -> Result<()> {
        let store = Store::at(dir);
        let mut waiting: Vec<(usize, &ReadingRecord, &Place)> =
            records.iter().enumerate().filter_map(|(n, r)| Some((n, r, places.get(&r.frame.sha256)?))).collect();
        let mut new_ids: HashMap<&str, Option<String>> = HashMap::new();
        while !waiting.is_empty() {
            let pending: std::collections::HashSet<&str> = waiting.iter().map(|(_, r, _)| r.id()).collect();
            let (ready, rest): (Vec<_>, Vec<_>) =
                waiting.into_iter().partition(|(_, r, _)| !r.follows.iter().any(|f| pending.contains(f.as_str())));
            if ready.is_empty() {
                written.left_out.push(format!("{} record(s) that follow each other in a circle", rest.len()));
                break;
            }
            for (n, record, place) in ready {
                let follows = record.follows.iter().filter_map(|f| new_ids.get(f.as_str()).cloned().flatten()).collect();
                match self.cleaned_record(record, place, first_days.get(&place.whose), follows) {
                    Ok(new) => {
                        written.records.push(store.save(&new)?);
                        new_ids.insert(record.id(), Some(new.content_sha256));
                    }
                    Err(why) => {
                        written.left_out.push(format!("record {} of the list: {}", n + 1, why.message()));
                        new_ids.insert(record.id(), None);
                    }
                }
            }
            waiting = rest;
        }
        Ok(())
    }

    /// The reading of `old` made again on the new frame, with aliases for names and moved dates.
    fn cleaned_record(&self, old: &ReadingRecord, place: &Place, first: Option<&Date>, follows: Vec<String>) -> Result<ReadingRecord> {
        let unfit = |found: &str| Error::new(ErrorKind::Record, "it is not exported").expected("a record that verifies").found(found);
        if let Some(d) = recompute(old, None).differences.first() {
            return Err(unfit(&format!("a difference in {}", d.what)));
        }
        let shelf = guideline::Shelf::bundled();
        let table = shelf.by_digest(&old.table.id, &old.table.digest).ok_or_else(|| unfit("one made with a table that is not bundled"))?;
        let dating = match old.context.dating {
            Some(Dating::DueDate(d)) => Some(Dating::DueDate(moved(d, first)?)),
            Some(Dating::LastPeriod(d)) => Some(Dating::LastPeriod(moved(d, first)?)),
            None => None,
        };
        let exam_date = old.context.exam_date.map(|d| moved(d, first)).transpose()?;
        let mut context = ExamContext { exam_date, dating, ..old.context.clone() };
        for bleed in &mut context.bleeds {
            bleed.on = bleed.on.map(|d| moved(d, first)).transpose()?;
        }
        // Where and by whom may name a person or a place.
        for one in &mut context.measured_elsewhere {
            one.on = one.on.map(|d| moved(d, first)).transpose()?;
            one.by = String::new();
        }
        check_nothing_else(&context).map_err(|found| unfit(&found))?;
        let consent = old.pixel_spacing_consent.as_ref().map(|c| PixelSpacingConsent { by: self.alias("READER", &c.by) });
        let assumed = Repeatability::assumed_total();
        let own = Repeatability {
            source: Citation::fixed("the original department's own repeatability", Provenance::OwnAssumption),
            // How somebody did in practice is nobody else's business.
            own_placement: None,
            ..old.repeatability.clone()
        };
        let scale = self.clean_scale(&old.scale_facts, first)?;
        let mut notes = old.notes.clone();
        // The reader's own words may name someone.
        notes.checklist.other_reason = notes.checklist.other_reason.map(|_| "another reason".into());
        let inputs = Inputs {
            geometry: &place.geometry,
            landmarks: &old.landmarks,
            side: old.side,
            consent: consent.as_ref(),
            scale: &scale,
            repeatability: if old.repeatability == assumed { &assumed } else { &own },
            context: &context,
            notes: &notes,
            table,
        };
        let made = reading::read(&inputs)?;
        if (&made.headline, &made.finding) != (&old.headline, &old.finding_words) {
            return Err(unfit("another distance or finding on the cleaned frame"));
        }
        let case = self.alias("CASE", &place.whose);
        let day = day_of(&old.saved_at).map_or(Ok(FIRST_DAY), |d| moved(d, first))?;
        let origin = Origin {
            frame: place.id.clone(),
            patient: Patient { name: Some(case.clone()), number: Some(case), birth_date: None },
            study_instance_uid: Some(place.study_uid.clone()),
            reader: self.alias("READER", &old.reader),
            scanner: None,
            saved_at: format!("{day}T00:00:00+00:00"),
            follows,
        };
        ReadingRecord::new(&inputs, &made, origin)
    }

    /// What a scale rests on, without names, free text and real dates.
    fn clean_scale(&self, old: &ScaleFacts, first: Option<&Date>) -> Result<ScaleFacts> {
        let mut scale = old.clone();
        if let Some(check) = &mut scale.last_check {
            check.id = String::new();
            check.checked_on = moved(check.checked_on, first)?;
            check.next_due = moved(check.next_due, first)?;
        }
        if let Some(hand) = &mut scale.hand {
            hand.by = self.alias("READER", &hand.by);
            hand.taken_from = hand.taken_from.as_ref().map(|_| String::new());
        }
        if let Some(decision) = &mut scale.resolved {
            decision.by = self.alias("READER", &decision.by);
            decision.reason = "left out".into();
        }
        Ok(scale)
    }
}

/// A context holds dates, which were moved, and otherwise words of its own. A field that is added one day and holds
/// another date or a free text must not slip through.
fn check_nothing_else(context: &ExamContext) -> Result<(), String> {
    fn texts<'a>(value: &'a serde_json::Value, found: &mut Vec<&'a str>) {
        match value {
            serde_json::Value::String(s) => found.push(s),
            serde_json::Value::Array(a) => a.iter().for_each(|v| texts(v, found)),
            serde_json::Value::Object(o) => o.values().for_each(|v| texts(v, found)),
            _ => {}
        }
    }
    let mut bare = ExamContext { exam_date: None, dating: None, ..context.clone() };
    bare.bleeds.iter_mut().for_each(|b| b.on = None);
    bare.measured_elsewhere.iter_mut().for_each(|m| m.on = None);
    let value = serde_json::to_value(&bare).map_err(|e| e.to_string())?;
    let mut found = Vec::new();
    texts(&value, &mut found);
    let word = |t: &str| t.chars().all(|c| c.is_ascii_lowercase() || c == '-');
    if found.into_iter().all(word) { Ok(()) } else { Err("a text in the context that is not one of its own words".into()) }
}

/// The calendar day that a saved moment begins with.
fn day_of(saved_at: &str) -> Option<Date> {
    saved_at.get(..10)?.parse().ok()
}

/// `day` as far from [`FIRST_DAY`] as it is from the patient's first; without a first day it is the first itself.
fn moved(day: Date, first: Option<&Date>) -> Result<Date> {
    let days = first.map_or(0, |f| (day - *f).get_days());
    FIRST_DAY
        .checked_add(jiff::Span::new().days(days))
        .map_err(|e| Error::new(ErrorKind::Invalid, "a date lies too far from the others").caused_by(e))
}

fn is_lossy(syntax: &str) -> bool {
    syntax.strip_prefix("1.2.840.10008.1.2.4.").is_some_and(|end| LOSSY.contains(&end) || matches!(end.parse::<u32>(), Ok(100..=110)))
}
