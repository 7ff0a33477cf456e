//! What now: the urgent first, then what this visit still owes, then the next scan as calendar dates, then what bodies say.
//!
//! Nothing here is an order, and nothing follows from the distance alone.

mod due;
mod now;
mod rules;
mod urgent;

pub use due::{Latest, Listed, Standing, due_list};
pub use rules::{Rule, rules};
pub use urgent::{Told, Urgent, UrgentId, open, urgent};

use jiff::civil::Date;

use crate::context::{Answer, ExamContext, GestationalAge, date_at};
use crate::error::Result;
use crate::guideline::{BandKind, ExplainLine, Finding, FollowUp, Outcome, Reason, Table, may_reach_os};
use crate::measure::{Measurement, Side};
use crate::source::{Citation, Provenance};

/// From this age on no body here asks for another scan.
const LAST_SCAN: GestationalAge = GestationalAge::weeks_and_days(36, 0);

/// All that a plan depends on.
#[derive(Clone, Copy, Debug)]
pub struct Exam<'a> {
    /// The table that was chosen.
    pub table: &'a Table,
    /// What is known of the exam.
    pub context: &'a ExamContext,
    /// The gestational age at the exam, where it can be reckoned.
    pub age: Option<GestationalAge>,
    /// The side as the reader stated it, where there is a statement but no measurement.
    pub stated_side: Option<Side>,
    /// The measurement, where there is one.
    pub measurement: Option<&'a Measurement>,
    /// The finding under `table`, where there is a measurement.
    pub finding: Option<&'a Finding>,
}

impl Exam<'_> {
    /// The kinds of every band that the value and its interval reach; empty where nothing was classified.
    #[must_use]
    pub fn kinds(&self) -> Vec<BandKind> {
        self.finding.map(Finding::kinds).unwrap_or_default()
    }

    /// Whether the statement, the value or its interval is one at which the placenta reaches or covers the os.
    #[must_use]
    pub fn may_reach_os(&self) -> bool {
        may_reach_os(self.measurement, self.stated_side)
    }

    /// Whether the placenta is or may be low or covering: any band short of the normal one is reached, or nothing was
    /// classified although something was measured or stated.
    #[must_use]
    pub fn may_be_low(&self) -> bool {
        self.finding.and_then(Finding::may_be_low).unwrap_or_else(|| self.measurement.is_some() || self.may_reach_os())
    }

    /// Whether it was low earlier and is classified as not low now.
    #[must_use]
    pub fn resolved(&self) -> bool {
        self.context.earlier_low_placenta == Answer::Yes && self.kinds() == [BandKind::NotLow]
    }
}

/// Where a scan stands on a given day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Due {
    /// Its window has not begun.
    Later,
    /// Today lies in its window.
    Now,
    /// Its window is over.
    Overdue,
    /// The pregnancy is not dated, so there are no dates.
    NoDates,
}

/// A scan that a body asks for.
#[derive(Clone, Debug, PartialEq)]
pub struct NextScan {
    /// First age, included.
    pub from: GestationalAge,
    /// Last age, included.
    pub to: GestationalAge,
    /// The same as calendar dates, both included; `None` when the pregnancy is not dated.
    pub dates: Option<(Date, Date)>,
    /// Whether it is of the body whose table was chosen.
    pub own_table: bool,
    /// The sentence, its row and source.
    pub line: ExplainLine,
}

impl NextScan {
    /// Where it stands on `today`.
    #[must_use]
    pub fn due(&self, today: Date) -> Due {
        match self.dates {
            None => Due::NoDates,
            Some((from, _)) if today < from => Due::Later,
            Some((_, to)) if today <= to => Due::Now,
            Some(_) => Due::Overdue,
        }
    }
}

/// What now.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Above the millimetres.
    pub urgent: Vec<Urgent>,
    /// What this visit still owes: never put off to the next routine scan.
    pub now: Vec<ExplainLine>,
    /// The next scan by each body that asks for one: the chosen table's first, then by date.
    pub scans: Vec<NextScan>,
    /// What the next scan must include.
    pub include: Vec<ExplainLine>,
    /// What bodies say without a date.
    pub statements: Vec<ExplainLine>,
    /// Where this program has nothing to say, and why.
    pub silent: Vec<ExplainLine>,
}

/// The plan of an exam.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when bundled data is faulty, which a test rules out.
pub fn plan(exam: &Exam<'_>) -> Result<Plan> {
    let kinds = exam.kinds();
    let mut scans = Vec::new();
    let mut statements = now::statements(exam);
    if let (Some(age), Some(m), false) = (exam.age, exam.measurement, kinds.is_empty()) {
        for rule in rules()?.iter().filter(|r| r.holds(age, &kinds, &m.interval)) {
            match rule.window {
                Some((from, to)) => scans.push(NextScan {
                    from,
                    to,
                    dates: dates(exam.context, from, to),
                    own_table: rule.tables.iter().any(|t| t == exam.table.id()),
                    line: rule.line(),
                }),
                None => statements.push(rule.line()),
            }
        }
        let kind = |f: &FollowUp| f.kinds.is_empty() || kinds.iter().any(|k| f.kinds.contains(k));
        for f in exam.table.follow_up().iter().filter(|f| f.ages.0 <= age && age <= f.ages.1 && kind(f)) {
            let line = ExplainLine {
                text: format!("{}: {}", exam.table.name(), f.text),
                row: format!("{} / follow-up / {}", exam.table.id(), f.id),
                source: f.source.clone(),
            };
            match f.window {
                Some((from, to)) => scans.push(NextScan { from, to, dates: dates(exam.context, from, to), own_table: true, line }),
                None => statements.push(line),
            }
        }
    }
    scans.sort_by_key(|s| (!s.own_table, s.from, s.to));
    let include = if scans.is_empty() { Vec::new() } else { now::include(exam) };
    Ok(Plan { urgent: urgent(exam), now: now::now(exam), include, statements, silent: silent(exam, &scans), scans })
}

/// Everything that a plan may say from memory: rows of the follow-up data and the program's own sentences.
///
/// # Errors
/// As [`rules`].
pub fn from_memory() -> Result<Vec<ExplainLine>> {
    let mut out: Vec<ExplainLine> = rules()?.iter().map(Rule::line).collect();
    out.retain(|l| l.source.provenance == Provenance::FromMemory);
    out.extend(now::from_memory());
    out.extend(urgent::from_memory());
    Ok(out)
}

fn dates(context: &ExamContext, from: GestationalAge, to: GestationalAge) -> Option<(Date, Date)> {
    let dating = context.dating?;
    Some((date_at(dating, from).ok()?, date_at(dating, to).ok()?))
}

fn own(text: impl Into<String>, row: &str) -> ExplainLine {
    let source = Citation::fixed("what this program does not say", Provenance::OwnAssumption);
    ExplainLine { text: text.into(), row: format!("program / silent / {row}"), source }
}

fn silent(exam: &Exam<'_>, scans: &[NextScan]) -> Vec<ExplainLine> {
    let mut out = Vec::new();
    if let Some(Outcome::NotApplicable { reasons }) = exam.finding.map(|f| &f.outcome) {
        out.push(own(
            "Nothing was classified, so no next scan follows from this exam. Settle what this visit owes first.",
            "not-classified",
        ));
        for reason in reasons {
            if let Reason::TooEarly { minimum, strictly_older, .. } = reason {
                let first = minimum.total_days() + u16::from(*strictly_older);
                let first = GestationalAge::from_total_days(i32::from(first)).unwrap_or(*minimum);
                let on = dates(exam.context, first, first).map(|d| format!(", {}", d.0)).unwrap_or_default();
                out.push(own(format!("The chosen table speaks from {first}{on}."), "too-early"));
            }
        }
    } else if matches!(exam.finding.map(|f| &f.outcome), Some(Outcome::NoPlacentaWithin { .. })) {
        out.push(own("One plane without placenta classifies nothing, so no next scan follows from it.", "one-plane"));
    } else if exam.measurement.is_none() {
        out.push(own("There is no distance, so nothing follows from one.", "no-distance"));
    } else if exam.may_be_low() && exam.age.is_some_and(|a| a >= LAST_SCAN) && scans.is_empty() {
        out.push(own(
            "From 36w0d no routine scan is asked for here. Mode and date of birth are decided by clinician and mother.",
            "from-36",
        ));
    }
    if exam.may_be_low() {
        out.push(own("No chance that this placenta will move away is given, and no change is extrapolated.", "no-chance"));
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    fn scan(dates: Option<(&str, &str)>) -> NextScan {
        let age = GestationalAge::weeks_and_days(32, 0);
        let line = ExplainLine { text: String::new(), row: String::new(), source: Citation::fixed("", Provenance::CommonPractice) };
        NextScan { from: age, to: age, dates: dates.map(|(a, b)| (a.parse().unwrap(), b.parse().unwrap())), own_table: true, line }
    }

    #[test]
    fn a_window_holds_on_its_first_and_last_day() {
        let s = scan(Some(("2026-04-15", "2026-04-21")));
        let on = |d: &str| s.due(d.parse().unwrap());
        assert_eq!(
            [on("2026-04-14"), on("2026-04-15"), on("2026-04-21"), on("2026-04-22")],
            [Due::Later, Due::Now, Due::Now, Due::Overdue]
        );
        assert_eq!(scan(None).due("2026-04-15".parse().unwrap()), Due::NoDates);
    }

    #[test]
    fn an_urgent_matter_stays_open_until_it_was_read_back() {
        let line = scan(None).line;
        let all = [Urgent { id: UrgentId::Bleeding, line: line.clone() }, Urgent { id: UrgentId::VasaPrevia, line }];
        let told = |matter, read_back| Told { matter, to: "A".into(), by: "B".into(), at: "2026-04-15T10:00:00+02:00".into(), read_back };
        let open_ids = |t: &[Told]| open(&all, t).iter().map(|u| u.id).collect::<Vec<_>>();
        assert_eq!(open_ids(&[]), [UrgentId::Bleeding, UrgentId::VasaPrevia]);
        assert_eq!(open_ids(&[told(UrgentId::Bleeding, false)]), [UrgentId::Bleeding, UrgentId::VasaPrevia]);
        assert_eq!(open_ids(&[told(UrgentId::Bleeding, true)]), [UrgentId::VasaPrevia]);
    }

    #[test]
    fn every_rule_is_read_and_cited() {
        let rules = rules().unwrap();
        assert!(rules.iter().all(|r| !r.source.text.is_empty() || r.source.provenance == Provenance::CommonPractice));
        // Every bundled table has a body that asks for a scan at 32 weeks.
        for t in crate::guideline::tables().unwrap() {
            assert!(
                rules.iter().any(|r| r.window.is_some_and(|w| w.0.weeks() == 32) && r.tables.iter().any(|id| id == t.id())),
                "{}",
                t.id()
            );
        }
    }
}
