//! A trainee's answers, and what they come to.

use serde::{Deserialize, Serialize};

use super::plan::Placed;
use super::set::{AssessmentSet, Criteria};
use super::signed::{Part, Signed};
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::Table;
use crate::practice::marking::{Answer, Marked, mark};
use crate::practice::score::{Score, score};

/// One answered case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answered {
    /// The case.
    pub id: String,
    /// When it was given, RFC 3339.
    pub given_at: String,
    /// When it was answered.
    pub submitted_at: String,
    /// The answer.
    pub answer: Answer,
}

/// All answers of one trainee; signed by them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answers {
    /// [`Signed::id`] of the set.
    pub set: String,
    /// The answers, in the order given.
    pub answers: Vec<Answered>,
}

impl Part for Answers {
    const SCHEMA: &'static str = "osspan-assessment-answers/1";
}

/// One case as marked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkedCase {
    /// The case.
    pub id: String,
    /// How it was marked.
    pub marked: Marked,
    /// Time from given to answered, s.
    pub seconds: Option<f64>,
}

/// One criterion.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Met {
    /// What was asked, in words.
    pub asked: String,
    /// What was found, in words.
    pub found: String,
    /// Whether it was met.
    pub met: bool,
}

/// What a trainee's answers come to; signed by who marked them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AssessmentResult {
    /// [`Signed::id`] of the set.
    pub set: String,
    /// [`Signed::id`] of the answers.
    pub answers: String,
    /// The trainee, who signed the answers.
    pub trainee: String,
    /// The cases.
    pub cases: Vec<MarkedCase>,
    /// What they come to.
    pub score: Score,
    /// Each criterion.
    pub criteria: Vec<Met>,
    /// Whether all were met.
    pub passed: bool,
}

impl Part for AssessmentResult {
    const SCHEMA: &'static str = "osspan-assessment-result/1";
}

fn refused<T>(expected: &str, found: &str) -> Result<T> {
    Err(Error::new(ErrorKind::Record, "the answers are not marked").expected(expected).found(found))
}

impl AssessmentResult {
    /// Whether answers are to this set, under its table.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when they are not.
    pub(super) fn check_set(set: &Signed<AssessmentSet>, answers: &Signed<Answers>, table: &Table) -> Result<()> {
        if answers.content.set != set.id()? {
            return refused("answers to this set", "answers to another");
        }
        if table.digest() != set.content.table.digest {
            return refused("the guideline table that the set was frozen with", "another edition of it");
        }
        Ok(())
    }

    /// Marks answers by the cases that the set's secret gives.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when the answers are of another set or not one for each case; as [`mark`].
    pub fn new(set: &Signed<AssessmentSet>, answers: &Signed<Answers>, placed: &[Placed], table: &Table) -> Result<Self> {
        Self::check_set(set, answers, table)?;
        let mut cases = Vec::new();
        for p in placed {
            let mut found = answers.content.answers.iter().filter(|a| a.id == p.id);
            let (Some(a), None) = (found.next(), found.next()) else {
                return refused("one answer to each case", "none, or several, to one");
            };
            cases.push(MarkedCase { id: a.id.clone(), marked: mark(&a.answer, &p.task.key(), table)?, seconds: seconds(a) });
        }
        if answers.content.answers.len() != cases.len() {
            return refused("answers to the cases of the set alone", "more");
        }
        let score = score(cases.iter().map(|c| (&c.marked, c.seconds)));
        let criteria = met(&set.content.criteria, &score);
        let passed = criteria.iter().all(|m| m.met);
        Ok(Self { set: set.id()?, answers: answers.id()?, trainee: answers.by.clone(), cases, score, criteria, passed })
    }
}

fn seconds(a: &Answered) -> Option<f64> {
    let at = |t: &str| t.parse::<jiff::Timestamp>().ok();
    let s = at(&a.submitted_at)?.duration_since(at(&a.given_at)?).as_secs_f64();
    (s >= 0.0).then_some(s)
}

/// Each criterion against a score. A figure that cannot be had does not meet it.
fn met(c: &Criteria, s: &Score) -> Vec<Met> {
    let least = |what: &str, asked: u32, found: u32| Met {
        asked: format!("{what}: at least {asked}"),
        found: found.to_string(),
        met: found >= asked,
    };
    let most = |what: &str, asked: f64, found: Option<f64>| Met {
        asked: format!("{what}: at most {asked:.1} mm"),
        found: found.map_or_else(|| "cannot be had".into(), |f| format!("{f:.2} mm")),
        met: found.is_some_and(|f| f.abs() <= asked),
    };
    let mut out = vec![least("cases done well", c.least_well, s.well.events)];
    out.extend(c.most_bias_mm.map(|a| most("bias either way", a, s.bias.value)));
    out.extend(c.most_sd_mm.map(|a| most("spread, one SD", a, s.sd.value)));
    out.extend(c.least_findings.map(|a| least("findings right", a, s.finding.events)));
    out.extend(c.least_rejected.map(|a| least("misleading frames rejected", a, s.rejected_rightly.events)));
    out
}
