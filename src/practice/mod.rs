//! Practice: a course of synthetic frames with known truth, its marking, its scores, and what they may do to readings in the
//! clinic: `docs/PRACTICE.md`.
//!
//! [`Task`] is one case of the course, fixed by a level and a seed. [`AnswerKey`] is what is true of it, [`mark()`] holds an
//! [`Answer`] against that, [`score()`] says what a trainee's marked cases come to, and [`competence`] charts them.
//! [`placement`] turns enough of them into a wider uncertainty, never a narrower one. [`assessment`] is the same taken blind,
//! under a lead's seal.
//! [`Desk`] keeps all of it on disk, apart from clinical records.
//!
//! Synthetic frames are kinder than patients: [`KINDER`] stands wherever a score is shown.

pub mod assessment;
mod attempt;
pub mod competence;
mod course;
mod desk;
mod export;
mod key;
mod marking;
pub mod own;
pub mod placement;
mod score;
mod secret;
mod words;

pub use attempt::{Attempt, CaseRef, PRACTICE_SCHEMA, Source, Taken};
pub use course::{LEVELS, Level, SHOWN_DISTANCES, Task};
pub use desk::{Desk, Given, OpenCase};
pub use export::{ROW_NOTE, to_csv, to_json};
pub use key::AnswerKey;
pub use marking::{Answer, Expected, Marked, Reason, Shift, TARGET_SD_MM, WITHIN_MM, check_answer, mark};
pub use score::{Score, Share, Spread, score};
pub use secret::Secret;
pub use words::{error_words, score_lines};

/// Version of the course: what cases a level and a seed give. A change that moves any case gets a new one; attempts keep
/// theirs.
pub const VERSION: u32 = 1;

/// Said wherever a score is shown.
pub const KINDER: &str = "Synthetic frames are kinder than patients: whoever is good at these is not thereby good at patients.";
