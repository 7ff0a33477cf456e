//! The due list of a folder: open urgent matters at its head, then who is owed something, overdue, unread, due, unsigned.

use std::collections::{HashMap, HashSet};

use jiff::civil::Date;
use serde::Serialize;

use super::{Caseload, SavedExam, table_or_first};
use crate::context::{ExamContext, MAX_AGE_DAYS, TERM_DAYS, gestational_age};
use crate::csv_text::{csv_text, words_cell};
use crate::error::Result;
use crate::followup::{Exam, Latest, Listed, Plan, Standing, due_list, plan};
use crate::guideline::{Shelf, Table, table};
use crate::record::Patient;

/// An exam of images that nobody read.
#[derive(Clone, Debug)]
pub struct Unread {
    /// Whose it is.
    pub patient: Patient,
    /// What stands for it in the list where no patient is named: a digest, not a file name.
    pub key: String,
    /// The key that readings of it would have ([`crate::record::study_key`]); empty where it has no study.
    pub exam: String,
    /// What its files say of it.
    pub context: ExamContext,
}

/// One line of the due list. It names nobody and holds no millimetres. What is owed can imply a low placenta: of exams that a
/// second reader is still to read, [`keep_unseen`](super::keep_unseen) leaves only that something urgent is open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct DueRow {
    /// Where it stands.
    #[serde(flatten)]
    pub listed: Listed,
    /// The woman's key, as lists of records show it.
    pub woman: String,
    /// The exam's key; of an unread exam, one made from its study.
    pub exam: String,
    /// The day of the exam.
    pub exam_date: Option<Date>,
    /// Gestational age today, as "32w1d"; absent when not dated or past.
    pub age_today: Option<String>,
    /// Number of saved readings of the exam.
    pub readings: usize,
    /// Id of the reading that urgent matters are told of; absent when the exam is unread.
    pub reading: Option<String>,
}

/// One exam, ready to be listed.
struct Candidate {
    key: String,
    exam: String,
    woman: String,
    context: ExamContext,
    plan: Plan,
    told: Vec<crate::followup::Told>,
    read: bool,
    signed: bool,
    newest: bool,
    readings: usize,
    reading: Option<String>,
    /// Whether the table that it was read with is at hand.
    own_table: bool,
}

/// The due list on `today`. `unread` are exams without a saved reading; `signed` holds the ids of signed-off readings.
///
/// Each woman's newest exam is listed; an earlier one only while an urgent matter of it is open.
///
/// # Errors
/// [`ErrorKind::Guideline`](crate::ErrorKind::Guideline) when bundled data is faulty, which a test rules out.
pub fn due_rows(cases: &Caseload, unread: &[Unread], signed: &HashSet<String>, shelf: &Shelf, today: Date) -> Result<Vec<DueRow>> {
    let mut all = Vec::new();
    // The newest unread exam of each woman.
    let mut unread_on: HashMap<String, Option<Date>> = HashMap::new();
    for (key, on) in unread.iter().filter_map(|u| Some((u.patient.key()?, u.context.exam_date))) {
        let newest = unread_on.entry(key).or_default();
        *newest = (*newest).max(on);
    }
    for woman in &cases.women {
        let newer_unread = |e: &SavedExam| unread_on.get(&woman.key).is_some_and(|on| *on > e.context.exam_date);
        let last = woman.exams.len().saturating_sub(1);
        for (i, exam) in woman.exams.iter().enumerate() {
            let table = table_or_first(exam, shelf)?;
            let answered = exam.under(&table)?;
            let urgent = exam.urgent(shelf)?;
            let newest = i == last && !newer_unread(exam);
            let is_open = !crate::followup::open(&urgent, &exam.told).is_empty();
            if !newest && !is_open {
                continue;
            }
            let reading = urgent
                .first()
                .and_then(|u| {
                    exam.readings
                        .iter()
                        .chain(&exam.beside)
                        .rev()
                        .find(|r| crate::record::urgent_of(r, shelf).is_ok_and(|all| all.iter().any(|x| x.id == u.id)))
                })
                .or_else(|| exam.readings.get(answered.decisive));
            all.push(Candidate {
                key: format!("{}#{}", woman.key, i + 1),
                exam: exam.readings.first().map(crate::record::ReadingRecord::exam_key).unwrap_or_default(),
                woman: woman.key.clone(),
                context: answered.context,
                plan: Plan { urgent, ..answered.plan },
                told: exam.told.clone(),
                read: true,
                signed: exam.readings.iter().all(|r| signed.contains(r.id())),
                newest,
                readings: exam.readings.len(),
                reading: reading.map(|r| r.id().to_owned()),
                own_table: exam.table(shelf).is_some(),
            });
        }
    }
    let any: Table = table("us-consensus-2014")?;
    for one in unread {
        let age = one.context.gestational_age().ok();
        let exam = Exam { table: &any, context: &one.context, age, stated_side: None, measurement: None, finding: None };
        // Nothing was read, so nothing is asked for but the reading.
        let plan = Plan { now: Vec::new(), ..plan(&exam)? };
        let woman = one.patient.key().unwrap_or_else(|| one.key.clone());
        all.push(Candidate {
            key: format!("{woman}#{}", one.key),
            exam: one.key.clone(),
            woman,
            context: one.context.clone(),
            plan,
            told: Vec::new(),
            read: false,
            signed: false,
            newest: true,
            readings: 0,
            reading: None,
            own_table: true,
        });
    }
    let latest: Vec<Latest<'_>> = all
        .iter()
        .map(|c| Latest {
            key: &c.key,
            plan: &c.plan,
            told: &c.told,
            read: c.read,
            signed: c.signed,
            newest: c.newest,
            past: is_past(&c.context, today),
        })
        .collect();
    let by_key: HashMap<&str, &Candidate> = all.iter().map(|c| (c.key.as_str(), c)).collect();
    let listed = due_list(&latest, today);
    Ok(listed
        .into_iter()
        .filter_map(|mut listed| {
            let c = *by_key.get(listed.key.as_str())?;
            if !c.own_table {
                listed.why.push_str(" (The guideline table that it was read with is not at hand: reckoned under another.)");
            }
            let age_today = c.context.dating.and_then(|d| gestational_age(d, today).ok()).map(|a| a.to_string());
            Some(DueRow {
                listed,
                woman: c.woman.clone(),
                exam: c.exam.clone(),
                exam_date: c.context.exam_date,
                age_today,
                readings: c.readings,
                reading: c.reading.clone(),
            })
        })
        .collect())
}

/// Keeps out of sight what a second reader may not see yet. `unseen` are the exams, by key, that they have not read themselves
/// ([`crate::record::unseen`]): of these only that something urgent is open is shown, and not what.
pub fn keep_unseen(rows: &mut Vec<DueRow>, unseen: &HashSet<String>) {
    rows.retain_mut(|row| {
        if !unseen.contains(&row.exam) {
            return true;
        }
        let listed = &mut row.listed;
        let urgent = listed.standing.contains(&Standing::OpenUrgent);
        (listed.standing, listed.open, listed.from, listed.to) = (vec![Standing::OpenUrgent], Vec::new(), None, None);
        "an urgent matter of a reading that is kept out of your sight until you have read the exam: ask its reader now"
            .clone_into(&mut listed.why);
        row.reading = None;
        urgent
    });
}

/// Whether the pregnancy is older today than any age that is believed. An undated one is held to be over 45 weeks after its exam.
fn is_past(context: &ExamContext, today: Date) -> bool {
    let days = match (context.dating.and_then(|d| d.due_date().ok()), context.exam_date) {
        (Some(due), _) => TERM_DAYS - (due - today).get_days(),
        (None, Some(exam)) => (today - exam).get_days(),
        (None, None) => return false,
    };
    days > i32::from(MAX_AGE_DAYS)
}

/// The list as CSV, one line a row.
///
/// # Errors
/// As [`csv_text`].
pub fn rows_csv(rows: &[DueRow]) -> Result<String> {
    const HEADER: [&str; 11] = [
        "standing",
        "woman",
        "exam-date",
        "age-today",
        "next-scan-from",
        "next-scan-to",
        "readings",
        "open-urgent",
        "why",
        "also",
        "reading",
    ];
    let cells = |row: &DueRow| {
        let date = |d: Option<Date>| d.map(|d| d.to_string()).unwrap_or_default();
        let (first, rest) = row.listed.standing.split_first().map_or((Standing::Nothing, &[][..]), |(f, r)| (*f, r));
        [
            first.words().to_owned(),
            row.woman.clone(),
            date(row.exam_date),
            row.age_today.clone().unwrap_or_default(),
            date(row.listed.from),
            date(row.listed.to),
            row.readings.to_string(),
            row.listed.open.iter().map(|u| u.words()).collect::<Vec<_>>().join("; "),
            row.listed.why.clone(),
            rest.iter().map(|s| s.words()).collect::<Vec<_>>().join("; "),
            row.reading.clone().unwrap_or_default(),
        ]
        .map(|c| words_cell(&c))
        .to_vec()
    };
    csv_text(&HEADER, rows.iter().map(cells))
}
