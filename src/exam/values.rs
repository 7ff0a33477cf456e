//! The values of an exam with its sets: what all frames that count come to, and each set of frames by itself.
//!
//! A rescan 20 to 60 minutes later is a second set of the same exam. No set outweighs another: the exam's values are those
//! of all its frames that count, so a set that showed less is not hidden by a later one. A reader who finds that the first
//! set showed a contraction says so of its frames, and they are left out with that reason.

use serde::{Deserialize, Serialize};

use super::{Model, Repeat, Summary, summarise};
use crate::error::Result;

/// The values of one set of frames.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct SetValues {
    /// The set, from 1.
    pub set: u8,
    /// Places of its frames among the exam's repeats, from 0.
    pub places: Vec<usize>,
    /// What they come to; frames are numbered within the set.
    pub summary: Summary,
}

/// The values of one exam.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct ExamValues {
    /// Of all frames that count.
    pub summary: Summary,
    /// Of each set, where there is more than one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sets: Vec<SetValues>,
}

/// Summarises an exam's repeats, each with its set, in the order given.
///
/// # Errors
/// As [`summarise`].
pub fn values(repeats: &[(u8, Repeat<'_>)], model: &Model) -> Result<ExamValues> {
    let all: Vec<Repeat<'_>> = repeats.iter().map(|(_, r)| r.clone()).collect();
    let summary = summarise(&all, model)?;
    let mut numbers: Vec<u8> = repeats.iter().map(|(set, _)| *set).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let mut sets = Vec::new();
    if numbers.len() > 1 {
        for set in numbers {
            let (places, of_set): (Vec<usize>, Vec<Repeat<'_>>) =
                repeats.iter().enumerate().filter(|(_, (s, _))| *s == set).map(|(i, (_, r))| (i, r.clone())).unzip();
            sets.push(SetValues { set, places, summary: summarise(&of_set, model)? });
        }
    }
    Ok(ExamValues { summary, sets })
}
