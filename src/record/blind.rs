//! What a reader may see of others' readings. This is the one place where it is decided.
//!
//! A second reading is worth something only if it is made without the first. So a reviewer, and a trainee, sees nothing of
//! others' readings of an exam (values, findings, landmarks, names, steps of its review, who was told) until a reading of
//! it by themselves is saved; where they read the very frames that the first reader chose, until all of these are. On a
//! shared folder this is a convention that this program keeps, not access control.

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

/// What of a saved reading decides who may see it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Saved {
    /// The exam's key ([`ReadingRecord::exam_key`](super::ReadingRecord::exam_key)).
    pub exam: String,
    /// Who read.
    pub reader: String,
    /// The frame's digest and number.
    pub frame: (String, u32),
    /// Whether it is a second reading of the frames that the first reader chose.
    pub same_frames: bool,
}

/// The exams of which `who` may see nothing yet, by their keys; `readings` are all that are saved.
#[must_use]
pub fn unseen(who: &Onlooker, readings: impl IntoIterator<Item = Saved>) -> HashSet<String> {
    if who.role == Role::Sonographer {
        return HashSet::new();
    }
    #[derive(Default)]
    struct Exam {
        read: bool,
        same_frames: bool,
        own: HashSet<(String, u32)>,
        others: HashSet<(String, u32)>,
    }
    let mut exams: HashMap<String, Exam> = HashMap::new();
    for saved in readings {
        let exam = exams.entry(saved.exam).or_default();
        if saved.reader == who.reader.trim() {
            exam.read = true;
            exam.same_frames |= saved.same_frames;
            exam.own.insert(saved.frame);
        } else {
            exam.others.insert(saved.frame);
        }
    }
    let opens = |e: &Exam| e.read && (!e.same_frames || e.others.is_subset(&e.own));
    exams.into_iter().filter(|(_, e)| !opens(e)).map(|(key, _)| key).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn saved(exam: &str, reader: &str, frame: u32, same_frames: bool) -> Saved {
        Saved { exam: exam.into(), reader: reader.into(), frame: ("f".into(), frame), same_frames }
    }

    fn hidden(readings: &[Saved], reader: &str, role: Role) -> Vec<String> {
        let mut all: Vec<String> = unseen(&Onlooker { reader: reader.into(), role }, readings.to_vec()).into_iter().collect();
        all.sort();
        all
    }

    #[test]
    fn an_exam_opens_to_a_reviewer_with_their_own_reading_of_it_and_not_before() {
        let readings = [saved("e1", "A", 1, false), saved("e2", "A", 1, false), saved("e2", "B", 2, false), saved("e3", "B", 1, false)];
        assert_eq!(hidden(&readings, "B", Role::Reviewer), ["e1"]);
        assert_eq!(hidden(&readings, " B ", Role::Trainee), ["e1"]);
        assert_eq!(hidden(&readings, "C", Role::Reviewer), ["e1", "e2", "e3"]);
        assert!(hidden(&readings, "C", Role::Sonographer).is_empty());
    }

    #[test]
    fn who_reads_the_first_readers_frames_sees_nothing_until_all_of_them_are_read() {
        let mut readings = vec![saved("e1", "A", 1, false), saved("e1", "A", 2, false), saved("e1", "B", 1, true)];
        assert_eq!(hidden(&readings, "B", Role::Reviewer), ["e1"]);
        readings.push(saved("e1", "B", 2, true));
        assert!(hidden(&readings, "B", Role::Reviewer).is_empty());
    }
}
