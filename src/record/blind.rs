//! What a reader may see of others' readings. This is the one place where it is decided.
//!
//! A second reading is worth something only if it is made without the first. So a reviewer, and a trainee, sees nothing of
//! others' readings of an exam (values, findings, landmarks, names, steps of its review, who was told) until a reading of
//! it by themselves is saved. On a shared folder this is a convention that this program keeps, not access control.

use std::collections::{HashMap, HashSet};

use super::Role;

/// Who looks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Onlooker {
    /// The name as it stands in records.
    pub reader: String,
    /// As what.
    pub role: Role,
}

/// The exams, by [`ReadingRecord::exam_key`](super::ReadingRecord::exam_key), of which `who` may see nothing yet. `readings`
/// is the exam and the reader of every saved reading.
#[must_use]
pub fn unseen<'a>(who: &Onlooker, readings: impl IntoIterator<Item = (&'a str, &'a str)>) -> HashSet<String> {
    if who.role == Role::Sonographer {
        return HashSet::new();
    }
    let mut own: HashMap<&str, bool> = HashMap::new();
    for (exam, reader) in readings {
        *own.entry(exam).or_default() |= reader == who.reader.trim();
    }
    own.into_iter().filter(|(_, own)| !own).map(|(exam, _)| exam.to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exam_opens_to_a_reviewer_with_their_own_reading_of_it_and_not_before() {
        let readings = [("e1", "A"), ("e2", "A"), ("e2", "B"), ("e3", "B")];
        let of = |reader: &str, role| {
            let mut all: Vec<String> = unseen(&Onlooker { reader: reader.into(), role }, readings).into_iter().collect();
            all.sort();
            all
        };
        assert_eq!(of("B", Role::Reviewer), ["e1"]);
        assert_eq!(of(" B ", Role::Trainee), ["e1"]);
        assert_eq!(of("C", Role::Reviewer), ["e1", "e2", "e3"]);
        assert!(of("C", Role::Sonographer).is_empty());
    }
}
