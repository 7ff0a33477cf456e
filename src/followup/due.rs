//! Who is due: the exams of a folder in the order in which they need someone.

use jiff::civil::Date;
use serde::Serialize;

use super::{Due, Plan, Told, UrgentId, open};

/// What a list needs to know of one woman's latest exam. Identity stays with the caller; `key` is what it prints.
#[derive(Clone, Copy, Debug)]
pub struct Latest<'a> {
    /// The caller's own name for the exam.
    pub key: &'a str,
    /// Its plan.
    pub plan: &'a Plan,
    /// Which urgent matters were passed on.
    pub told: &'a [Told],
    /// Whether a reading of it was saved.
    pub read: bool,
    /// Whether it was signed off.
    pub signed: bool,
    /// Whether it is the woman's newest exam: only that one asks for the next scan.
    pub newest: bool,
    /// Whether the pregnancy is past every age that is believed, so that nothing of it is due any more.
    pub past: bool,
}

/// Why an exam is on the list, most pressing first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// An urgent matter that nobody was told, or that was not read back.
    OpenUrgent,
    /// The visit still owes something that must not wait for the next routine scan.
    OwedNow,
    /// The window of the next scan is over.
    Overdue,
    /// The exam was not read.
    Unread,
    /// The window of the next scan is open.
    DueNow,
    /// The reading was not signed off.
    Unsigned,
    /// The window of the next scan has not begun.
    Later,
    /// A scan is asked for and the pregnancy is not dated.
    NoDates,
    /// The pregnancy is over by its dates.
    Past,
    /// Nothing is asked for.
    Nothing,
}

impl Standing {
    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::OpenUrgent => "urgent, not yet passed on and read back",
            Self::OwedNow => "owed by this visit",
            Self::Overdue => "overdue",
            Self::Unread => "not read",
            Self::DueNow => "due now",
            Self::Unsigned => "not signed off",
            Self::Later => "later",
            Self::NoDates => "asked for, but not dated",
            Self::Past => "past 45 weeks: nothing is due any more",
            Self::Nothing => "nothing asked for",
        }
    }
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Listed {
    /// The caller's name for the exam.
    pub key: String,
    /// Everything that puts it on the list, most pressing first; never empty.
    pub standing: Vec<Standing>,
    /// First day of the next scan by the chosen table's body, or by the first body that asks for one.
    pub from: Option<Date>,
    /// Last day of it.
    pub to: Option<Date>,
    /// What is most pressing, in words.
    pub why: String,
    /// Every urgent matter that is open, most pressing first.
    pub open: Vec<UrgentId>,
}

/// The list on `today`: the most pressing first, within it the earliest date, then by key.
#[must_use]
pub fn due_list(exams: &[Latest<'_>], today: Date) -> Vec<Listed> {
    let mut out: Vec<Listed> = exams.iter().map(|e| listed(e, today)).collect();
    out.sort_by(|a, b| (&a.standing.first(), a.to.is_none(), a.to, &a.key).cmp(&(&b.standing.first(), b.to.is_none(), b.to, &b.key)));
    out
}

fn listed(exam: &Latest<'_>, today: Date) -> Listed {
    let open = open(&exam.plan.urgent, exam.told);
    let scan = exam.plan.scans.first();
    let mut standing = Vec::new();
    let mut add = |when: bool, what| {
        if when {
            standing.push(what);
        }
    };
    add(!open.is_empty(), Standing::OpenUrgent);
    let asks = exam.newest && !exam.past;
    // What was to be done before she left is over; of what is still owed, vasa previa and accreta come first.
    let mut owed: Vec<_> = exam.plan.now.iter().filter(|l| !l.row.ends_with("now / repeat")).collect();
    owed.sort_by_key(|l| !(l.row.contains("now / doppler") || l.row.ends_with("now / accreta")));
    add(asks && !owed.is_empty(), Standing::OwedNow);
    add(!exam.read, Standing::Unread);
    add(exam.read && !exam.signed, Standing::Unsigned);
    add(exam.past, Standing::Past);
    match scan.filter(|_| asks).map(|s| s.due(today)) {
        Some(Due::Overdue) => standing.push(Standing::Overdue),
        Some(Due::Now) => standing.push(Standing::DueNow),
        Some(Due::Later) => standing.push(Standing::Later),
        Some(Due::NoDates) => standing.push(Standing::NoDates),
        None => {}
    }
    if standing.is_empty() {
        standing.push(Standing::Nothing);
    }
    standing.sort();
    let why = match standing.first() {
        Some(Standing::OpenUrgent) => open.first().map(|u| u.line.text.clone()),
        Some(Standing::OwedNow) => owed.first().map(|l| l.text.clone()),
        Some(Standing::Overdue | Standing::DueNow | Standing::Later | Standing::NoDates) => scan.map(|s| s.line.text.clone()),
        Some(other) => Some(other.words().to_owned()),
        None => None,
    };
    let dates = scan.filter(|_| asks).and_then(|s| s.dates);
    Listed {
        key: exam.key.to_owned(),
        standing,
        from: dates.map(|d| d.0),
        to: dates.map(|d| d.1),
        why: why.unwrap_or_default(),
        open: open.iter().map(|u| u.id).collect(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::super::{NextScan, Urgent, UrgentId};
    use super::*;
    use crate::context::GestationalAge;
    use crate::guideline::ExplainLine;
    use crate::source::{Citation, Provenance};

    fn line(text: &str) -> ExplainLine {
        ExplainLine { text: text.into(), row: String::new(), source: Citation::fixed("", Provenance::CommonPractice) }
    }

    fn plan(scan: Option<(&str, &str)>, now: &[&str], urgent: &[UrgentId]) -> Plan {
        let age = GestationalAge::weeks_and_days(32, 0);
        Plan {
            urgent: urgent.iter().map(|id| Urgent { id: *id, line: line("urgent") }).collect(),
            now: now.iter().map(|t| line(t)).collect(),
            scans: scan
                .map(|(from, to)| NextScan {
                    from: age,
                    to: age,
                    dates: Some((from.parse().unwrap(), to.parse().unwrap())),
                    own_table: true,
                    line: line("scan"),
                })
                .into_iter()
                .collect(),
            include: Vec::new(),
            statements: Vec::new(),
            silent: Vec::new(),
        }
    }

    #[test]
    fn open_urgent_matters_head_the_list_and_an_owed_doppler_is_not_a_later_scan() {
        let quiet = plan(None, &[], &[]);
        let later = plan(Some(("2026-05-13", "2026-05-19")), &[], &[]);
        let due = plan(Some(("2026-04-15", "2026-04-21")), &[], &[]);
        let overdue = plan(Some(("2026-04-01", "2026-04-07")), &[], &[]);
        let owed = plan(Some(("2026-05-13", "2026-05-19")), &["Doppler"], &[]);
        let urgent = plan(Some(("2026-05-13", "2026-05-19")), &[], &[UrgentId::Bleeding]);
        let told =
            [Told { matter: UrgentId::Bleeding, to: "A".into(), by: "B".into(), at: "2026-04-16T10:00:00+02:00".into(), read_back: true }];
        let exam = |key, plan, told| Latest { key, plan, told, read: true, signed: true, newest: true, past: false };
        let exams = [
            exam("g quiet", &quiet, &[][..]),
            exam("f later", &later, &[]),
            exam("e due", &due, &[]),
            exam("d overdue", &overdue, &[]),
            exam("c owed", &owed, &[]),
            exam("b urgent", &urgent, &[]),
            exam("h urgent but told", &urgent, &told),
            Latest { read: false, ..exam("i unread", &quiet, &[]) },
            Latest { signed: false, ..exam("j unsigned", &quiet, &[]) },
            Latest { past: true, ..exam("k past", &overdue, &[]) },
            Latest { newest: false, ..exam("l followed by another exam", &owed, &[]) },
        ];
        let list = due_list(&exams, "2026-04-16".parse().unwrap());
        let keys: Vec<&str> = list.iter().map(|l| l.key.as_str()).collect();
        let want = [
            "b urgent",
            "c owed",
            "d overdue",
            "i unread",
            "e due",
            "j unsigned",
            "f later",
            "h urgent but told",
            "k past",
            "g quiet",
            "l followed by another exam",
        ];
        assert_eq!(keys, want);
        assert_eq!(list[1].why, "Doppler");
        assert_eq!(list[1].standing, [Standing::OwedNow, Standing::Later]);
    }
}
