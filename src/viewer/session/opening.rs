//! Files that were opened, frames that were decoded, records that were found; and going from frame to frame.

use std::collections::HashSet;
use std::sync::Arc;

use super::exam::{Form, FrameKey, FrameWork};
use super::saving::SavedState;
use super::{Session, outcome};
use crate::calibrate::ScaleFacts;
use crate::frame::Frame;
use crate::record::{Patient, ReadingRecord, Stored};
use crate::viewer::action::{Effect, Found};
use crate::viewer::page::Page;

impl Session {
    pub(super) fn opened(&mut self, found: Result<Found, String>) -> Vec<Effect> {
        self.opening = None;
        let found = match found {
            Ok(found) => found,
            Err(why) => {
                self.tell(why);
                return Vec::new();
            }
        };
        let first = found.exams.first().and_then(|e| e.frame_at(0));
        if first.is_none() {
            let why = match found.not_frames.as_slice() {
                [] => "Nothing to read was found there. Name a file or folder of ultrasound frames.".to_owned(),
                [(_, reason)] => format!("That file holds no frame to read: {reason}"),
                all => format!("None of the {} files there holds a frame to read; the list (F) says why for each.", all.len()),
            };
            self.tell(why);
        }
        if found.stopped {
            self.tell("Looking was stopped before its end; what was found until then is listed.");
        }
        self.not_frames = found.not_frames;
        // Files may have changed since they were opened before.
        self.cine.cache.clear();
        for exam in found.exams {
            match self.exams.iter_mut().find(|e| e.key == exam.key) {
                // What the reader said of an exam outlives opening it again.
                Some(known) => {
                    for file in exam.files {
                        match known.files.iter_mut().find(|f| f.path == file.path) {
                            Some(f) => *f = file,
                            None => known.files.push(file),
                        }
                    }
                    known.warnings = exam.warnings;
                }
                None => self.exams.push(exam),
            }
        }
        self.exams.sort_by(|a, b| match (a.file_date, b.file_date) {
            (Some(x), Some(y)) => x.cmp(&y),
            (x, y) => y.is_some().cmp(&x.is_some()),
        });
        self.adopt_records();
        first.map_or_else(Vec::new, |key| self.go_to(key))
    }

    /// Goes to a frame by the reader's wish, which ends playing.
    pub(super) fn go_to(&mut self, key: FrameKey) -> Vec<Effect> {
        self.pause();
        self.move_to(key)
    }

    /// Goes to the first frame of a study on the reading page, where it is open.
    pub(super) fn go_to_study(&mut self, uid: Option<&str>) -> Vec<Effect> {
        match self.exams.iter().find(|e| uid.is_some() && e.study() == uid).and_then(|e| e.frame_at(0)) {
            Some(key) => {
                self.page = Page::Reading;
                self.go_to(key)
            }
            None => {
                self.tell("The images of that exam are not open: open their folder first (F2, then F), then come back here.");
                Vec::new()
            }
        }
    }

    /// Goes to a frame. Its picture comes from those at hand, or else is asked for.
    pub(super) fn move_to(&mut self, key: FrameKey) -> Vec<Effect> {
        if !self.exams.iter().any(|e| e.place_of(&key).is_some()) {
            return Vec::new();
        }
        self.history.close();
        if self.current.as_ref() == Some(&key) && self.picture().is_some() {
            self.refresh();
            return Vec::new();
        }
        self.note_step(&key);
        self.put_down();
        self.aside.leave_frame();
        self.scale.leave_frame();
        self.selected = None;
        self.picture = None;
        self.picture_error = None;
        self.current = Some(key.clone());
        self.check_beside();
        let mut effects: Vec<Effect> = self.plan_ahead().into_iter().collect();
        match self.cine.cache.get(&key).cloned() {
            Some(frame) => self.show(key, frame),
            None => {
                self.refresh();
                effects.push(Effect::Decode(key));
            }
        }
        // Images that were opened over the page of the report: it is theirs from now on.
        if self.page == Page::Report {
            effects.extend(self.make_report());
        }
        effects
    }

    /// Shows the picture of the current frame.
    fn show(&mut self, key: FrameKey, frame: Arc<Frame>) {
        self.picture = Some((key.clone(), frame));
        self.adopt_records_of(&key);
        self.arm_if_untouched();
        self.refresh();
    }

    pub(super) fn step_frame(&mut self, by: i32) -> Vec<Effect> {
        let next = self.exam().zip(self.current.as_ref()).and_then(|(exam, key)| {
            let place = exam.place_of(key)?;
            exam.frame_at(place.checked_add_signed(by)?)
        });
        next.map_or_else(Vec::new, |key| self.go_to(key))
    }

    pub(super) fn step_exam(&mut self, by: i32) -> Vec<Effect> {
        let next = self.exam_index().and_then(|i| usize::try_from(i64::try_from(i).ok()? + i64::from(by)).ok());
        next.and_then(|i| self.exams.get(i)).and_then(|e| e.frame_at(0)).map_or_else(Vec::new, |key| self.go_to(key))
    }

    pub(super) fn decoded(&mut self, key: FrameKey, frame: Result<Arc<Frame>, String>) -> Vec<Effect> {
        self.decoded_beside(&key, &frame);
        self.review.take_picture(&key, &frame);
        match frame {
            Ok(frame) => {
                self.frame_ids.insert(key.clone(), frame.id.clone());
                self.keep_frame(&key, &frame);
                self.look_for_ticks(&key, &frame);
                // Otherwise the reader has moved on, or it was there before.
                if self.current.as_ref() == Some(&key) && self.picture().is_none() {
                    self.show(key, frame);
                }
            }
            Err(why) => {
                self.stop_for(&key, &why);
                if self.current.as_ref() == Some(&key) {
                    self.picture = None;
                    self.picture_error = Some(why);
                    self.refresh();
                }
            }
        }
        Vec::new()
    }

    pub(super) fn take_records(&mut self, records: Vec<Stored>, faults: Vec<String>) -> Vec<Effect> {
        let known: HashSet<String> = self.records.iter().map(|s| s.record.id().to_owned()).collect();
        self.records.extend(records.into_iter().filter(|s| !known.contains(s.record.id())));
        self.records.sort_by(|a, b| a.record.by_moment(&b.record));
        self.find_repeatability();
        if let Some((first, rest)) = faults.split_first() {
            let more = if rest.is_empty() { String::new() } else { format!(" And {} more; osspan verify names them.", rest.len()) };
            self.tell(format!("A record cannot be read and is left out: {first}.{more}"));
        }
        self.adopt_records();
        self.refresh();
        Vec::new()
    }

    /// Takes up this reader's own saved readings of frames and exams on which nothing has been done here.
    ///
    /// Another reader's readings are not taken up: a second reading is worth something only if it is made unseen.
    pub(super) fn adopt_records(&mut self) {
        let reader = self.reader().trim().to_owned();
        if reader.is_empty() {
            return;
        }
        let own: Vec<ReadingRecord> = self.records.iter().map(|s| &s.record).filter(|r| r.reader == reader).cloned().collect();
        for exam in self.exams.iter_mut().filter(|e| !e.context_touched) {
            let newest = own.iter().rev().find(|r| r.study_instance_uid.is_some() && r.study_instance_uid.as_deref() == exam.study());
            if let Some(record) = newest {
                exam.context = record.context.clone();
                exam.form = Form::of(&exam.context);
            }
        }
        for key in self.frame_ids.keys().cloned().collect::<Vec<_>>() {
            self.adopt_records_of(&key);
        }
    }

    /// Whether a record is of a frame: the same picture, of the same person. A picture that was stored under two people's names
    /// is read for each by itself.
    pub(super) fn is_of(&self, record: &ReadingRecord, key: &FrameKey) -> bool {
        let same = self.frame_ids.get(key).is_some_and(|id| record.frame.same_picture(id));
        same && self.source(key).is_some_and(|f| Patient::from(&f.facts.patient).key() == record.patient.key())
    }

    /// Takes up this reader's own newest reading of one decoded frame, unless something has been done on it here.
    pub(super) fn adopt_records_of(&mut self, key: &FrameKey) {
        let reader = self.reader().trim();
        let untouched = self.work.get(key).is_none_or(FrameWork::is_empty) && !self.saved.contains_key(key);
        if !untouched || reader.is_empty() {
            return;
        }
        let mut newest_first = self.records.iter().rev().map(|s| &s.record);
        let Some(record) = newest_first.find(|r| r.reader == reader && self.is_of(r, key)) else { return };
        let work = work_of(record);
        let saved = SavedState {
            work: work.clone(),
            context: record.context.clone(),
            table: record.table.id.clone(),
            reader: record.reader.clone(),
            value: outcome::value_of(record),
            repeatability: record.repeatability.clone(),
        };
        self.work.insert(key.clone(), work);
        self.saved.insert(key.clone(), saved);
    }
}

/// What was done on the frame of a record.
pub(super) fn work_of(record: &ReadingRecord) -> FrameWork {
    let l = &record.landmarks;
    FrameWork {
        os: Some(l.internal_os),
        edge: Some(l.edge),
        body: l.placental_body,
        sinus: l.marginal_sinus,
        side: Some(record.side),
        consent: record.pixel_spacing_consent.clone(),
        scale: ScaleFacts { hand: record.scale_facts.hand.clone(), resolved: record.scale_facts.resolved.clone(), ..ScaleFacts::default() },
        notes: record.notes.clone(),
    }
}
