//! Both readers' deciding frames, to be looked at side by side or one over the other once the second reading is saved.

use std::sync::Arc;

use super::exam::FrameKey;
use super::{Review, Session};
use crate::frame::Frame;
use crate::record::{Comparison, ReadingRecord};
use crate::review::ExamReview;
use crate::viewer::action::Effect;

/// What there is to see of a frame.
#[derive(Clone, Debug)]
pub enum Sight {
    /// Its picture.
    Picture(FrameKey, Arc<Frame>),
    /// It is being decoded.
    Waiting,
    /// None: why, in words.
    None(String),
}

/// One reader's deciding reading with its picture.
#[derive(Clone, Debug)]
pub struct Side<'a> {
    /// The reading.
    pub reading: &'a ReadingRecord,
    /// Its picture.
    pub sight: Sight,
    /// mm per px across and down, where there is a scale.
    pub mm_per_px: Option<(f64, f64)>,
}

/// A picture that was asked for, and its answer.
pub(super) type Asked = (FrameKey, Option<Result<Arc<Frame>, String>>);

impl Review {
    /// Takes in the picture of a frame that is compared.
    pub(super) fn take_picture(&mut self, key: &FrameKey, frame: &Result<Arc<Frame>, String>) {
        for (_, answer) in self.pictures.iter_mut().filter(|(k, _)| k == key) {
            *answer = Some(frame.clone());
        }
    }
}

impl Session {
    /// An exam's comparison, and the two readings that it is of; `None` while there is one reader.
    fn compared<'a>(&self, exam: &'a ExamReview) -> Option<(Comparison, [&'a ReadingRecord; 2])> {
        let reader = self.reader().trim();
        let second = exam.readers().into_iter().skip(1).find(|r| *r == reader);
        let c = exam.comparison(second)?;
        let of = |id: &str| exam.readings.iter().find(|r| r.id() == id);
        let pair = [of(&c.first)?, of(&c.second)?];
        Some((c, pair))
    }

    /// Asks for the pictures of the chosen exam's comparison.
    pub(super) fn ask_for_pictures(&mut self) -> Vec<Effect> {
        let wanted: Vec<FrameKey> = self
            .review
            .chosen()
            .and_then(|e| self.compared(e))
            .map(|(_, pair)| pair.into_iter().filter_map(|r| self.key_of_record(r)).collect())
            .unwrap_or_default();
        let known = std::mem::take(&mut self.review.pictures);
        let mut effects = Vec::new();
        for key in wanted {
            if self.review.pictures.iter().any(|(k, _)| *k == key) {
                continue;
            }
            let at_hand = known.iter().find(|(k, _)| *k == key).and_then(|(_, a)| a.clone());
            let shown = || self.picture().filter(|_| self.current() == Some(&key)).cloned().map(Ok);
            let answer = at_hand.or_else(shown);
            if answer.is_none() {
                effects.push(Effect::Decode(key.clone()));
            }
            self.review.pictures.push((key, answer));
        }
        effects
    }

    fn key_of_record(&self, r: &ReadingRecord) -> Option<FrameKey> {
        self.key_of(r.study_instance_uid.as_deref(), r.frame.sop_instance_uid.as_deref(), r.frame.frame_number)
    }

    /// How both readers' deciding readings compare, and these with their pictures, first and second; `None` before both read.
    #[must_use]
    pub fn sides(&self) -> Option<(Comparison, [Side<'_>; 2])> {
        let (comparison, pair) = self.compared(self.review.chosen()?)?;
        let sides = pair.map(|reading| Side {
            reading,
            sight: self.sight_of(reading),
            mm_per_px: reading.distance.measured().map(|m| m.scale.calibration.mm_per_px()),
        });
        Some((comparison, sides))
    }

    fn sight_of(&self, reading: &ReadingRecord) -> Sight {
        let Some(key) = self.key_of_record(reading) else {
            return Sight::None("Its image is not open: open the exam's folder (Ctrl + Shift + O) to see it.".into());
        };
        match self.review.pictures.iter().find(|(k, _)| *k == key) {
            Some((_, Some(Ok(frame)))) if frame.id.sha256 == reading.frame.sha256 => Sight::Picture(key, Arc::clone(frame)),
            Some((_, Some(Ok(_)))) => Sight::None("The open image of that name is another than the one that was read.".into()),
            Some((_, Some(Err(why)))) => Sight::None(why.clone()),
            Some((_, None)) => Sight::Waiting,
            None => Sight::None("Its image was opened since: choose the exam again.".into()),
        }
    }
}
