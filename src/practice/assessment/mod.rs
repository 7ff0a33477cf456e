//! Assessment sets: a lead freezes one, trainees take it blind, the lead marks it.
//!
//! The generator is public, so an open seed would be the answers. The set's secret is 32 random bytes, sealed under the lead's
//! passphrase (Argon2id, ChaCha20-Poly1305) in the set itself: whoever has the set and the passphrase can make every frame
//! again, bit for bit, and mark. A trainee is given the set with its frames and never the passphrase; their answers leave them
//! signed, without marks. What this does not stop is told in `docs/PRACTICE.md`.

mod desk;
mod forms;
mod plan;
mod result;
mod set;
mod signed;

pub use desk::{Frozen, Sitting, Turn, freeze, mark_answers, read_part, read_set};
pub use forms::{Likeness, MOST_APART, READERS, likeness};
pub use plan::{Form, MOST_ROUNDS, Placed, ROUND, Slot, cases, slots};
pub use result::{Answered, Answers, AssessmentResult, MarkedCase, Met};
pub use set::{AssessmentSet, Criteria, SetCase};
pub use signed::{Part, Signed};
