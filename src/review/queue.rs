//! The exams that await a second reader. What the queue says of an exam, its first reading does not show in.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde::Serialize;

use super::{ExamReview, Standing};
use crate::agree::bootstrap::below;

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
}

/// The exams that await a reading by `reader`: read by somebody else and not by them, and not signed or returned.
///
/// `all` are the exams of the folder, seen by nobody in particular. With `same_frames` the first reader's choice of frames
/// is told, for studies of placement alone. Without `identity` nothing says whose exam it is.
#[must_use]
pub fn queue(all: &[ExamReview], reader: &str, order: Order, same_frames: bool, identity: bool) -> Vec<Awaiting> {
    let waits = |e: &&ExamReview| matches!(e.standing(), Standing::ReadOnce) && !e.readings.iter().any(|r| r.reader == reader.trim());
    let mut out: Vec<Awaiting> = all.iter().filter(waits).map(|e| awaiting(e, same_frames, identity)).collect();
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

fn awaiting(exam: &ExamReview, same_frames: bool, identity: bool) -> Awaiting {
    let first = exam.readings.first();
    let frames = exam.readings.iter().filter(|_| same_frames);
    Awaiting {
        exam: exam.exam.clone(),
        study_instance_uid: first.and_then(|r| r.study_instance_uid.clone()).filter(|_| identity),
        woman: first.and_then(|r| r.patient.key()).filter(|_| identity),
        exam_date: exam.date().filter(|_| identity),
        age: first.and_then(|r| r.context.gestational_age().ok()).map(|a| a.to_string()),
        frames: frames.map(|r| (r.frame.sop_instance_uid.clone(), r.frame.frame_number)).collect(),
    }
}
