//! The exams that await a second reader. What the queue says of an exam, its first reading does not show in.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde::Serialize;

use super::{ExamReview, Standing};
use crate::agree::bootstrap::below;
use crate::record::{Onlooker, ReadingRecord, Role, unseen};

/// The order in which exams are served.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Order {
    /// By exam date.
    ByDate,
    /// Drawn with this seed: the same seed and exams give the same order.
    Drawn {
        /// The seed.
        seed: u64,
    },
}

/// One exam that awaits a second reader.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Awaiting {
    /// The exam's key.
    pub exam: String,
    /// Study Instance UID, to find its images by; absent where identity is withheld or there is none.
    pub study_instance_uid: Option<String>,
    /// The woman's key; absent where identity is withheld.
    pub woman: Option<String>,
    /// The day of the exam; absent where identity is withheld.
    pub exam_date: Option<jiff::civil::Date>,
    /// Gestational age at the exam.
    pub age: Option<String>,
    /// For a placement study, which frames the first reader chose: SOP Instance UID and number; empty otherwise.
    pub frames: Vec<(Option<String>, u32)>,
    /// Those of them that this reader has read already.
    pub read: Vec<(Option<String>, u32)>,
}

/// The exams that await a reading by `reader`: read by somebody else and not by them, and not signed or returned.
///
/// `all` are the exams of the folder, seen by nobody in particular. With `same_frames` the first reader's choice of frames
/// is told, for studies of placement alone. Without `identity` nothing says whose exam it is.
#[must_use]
pub fn queue(all: &[ExamReview], reader: &str, order: Order, same_frames: bool, identity: bool) -> Vec<Awaiting> {
    let waits = |e: &&ExamReview| match e.standing() {
        Standing::ReadOnce => !e.readings.iter().any(|r| r.reader == reader.trim()),
        // Somebody who reads the first reader's frames is not done with the first of them.
        Standing::NotCompared => {
            let who = Onlooker { reader: reader.trim().to_owned(), role: Role::Reviewer };
            let own = |r: &ReadingRecord| r.reader == who.reader && r.saved().same_frames;
            e.readings.iter().any(own) && unseen(&who, e.readings.iter().map(ReadingRecord::saved)).contains(&e.exam)
        }
        _ => false,
    };
    let mut out: Vec<Awaiting> = all.iter().filter(waits).map(|e| awaiting(e, reader.trim(), same_frames, identity)).collect();
    if let Order::Drawn { seed } = order {
        // Drawn from a fixed order of keys, so that dates play no part.
        out.sort_by(|a, b| a.exam.cmp(&b.exam));
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        for i in (1..out.len()).rev() {
            out.swap(i, below(&mut rng, i + 1));
        }
    }
    out
}

fn awaiting(exam: &ExamReview, reader: &str, same_frames: bool, identity: bool) -> Awaiting {
    let first = exam.readings.first();
    let of = |own: bool| {
        let chosen = exam.readings.iter().filter(move |r| same_frames && (r.reader == reader) == own);
        let mut frames: Vec<(Option<String>, u32)> = chosen.map(|r| (r.frame.sop_instance_uid.clone(), r.frame.frame_number)).collect();
        // In the order of frames: the order of reading is the first reader's.
        frames.sort();
        frames.dedup();
        frames
    };
    Awaiting {
        exam: exam.exam.clone(),
        study_instance_uid: first.and_then(|r| r.study_instance_uid.clone()).filter(|_| identity),
        woman: first.and_then(|r| r.patient.key()).filter(|_| identity),
        exam_date: exam.date().filter(|_| identity),
        age: first.and_then(|r| r.context.gestational_age().ok()).map(|a| a.to_string()),
        frames: of(false),
        read: of(true),
    }
}
