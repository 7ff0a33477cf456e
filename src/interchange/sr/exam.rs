//! The exam as a measurement group: gestational age, exam distance, shortest seen, finding, cautions, second reading.

use super::codes::{self as c, Code};
use super::reading::{Identity, ends, finding, spoken, tracking};
use super::tree::{Item, Relationship as R, Value as V};
use crate::caseload::SavedExam;
use crate::cautions::{self, CautionId};
use crate::context::Dating;
use crate::error::Result;
use crate::exam::{ExamDistance, Note, Summary};
use crate::guideline::Shelf;
use crate::measure::words;
use crate::reading::scale_standing;
use crate::record::{ReadingRecord, Settlement, Signer, Step, signer_words};
use crate::review::{ExamReview, Standing};

/// The gestational age with the date that it is reckoned from, where dates are shown.
fn age(exam: &SavedExam, identity: Identity) -> Vec<Item> {
    let Some(dating) = exam.context.dating else { return Vec::new() };
    let (concept, day, words) = match dating {
        Dating::DueDate(d) => (c::DUE_DATE, d, "due date"),
        Dating::LastPeriod(d) => (c::LAST_PERIOD, d, "first day of the last period, due 280 days later"),
    };
    let day = identity.shown().then(|| Item::new(R::InferredFrom, concept, V::Date(day.strftime("%Y%m%d").to_string())));
    let mut out = vec![Item::text(R::Contains, c::DATING, words)];
    if let Ok(age) = exam.context.gestational_age() {
        out.push(Item::num(R::Contains, c::GESTATIONAL_AGE, f64::from(age.total_days()), c::DAY).with(day));
    }
    out
}

fn count(concept: Code, n: usize) -> Item {
    Item::num(R::HasProperties, concept, n as f64, c::ONE)
}

/// The exam distance, or that there is only a limit, or why there is none.
fn exam_distance(d: &ExamDistance, method: &str) -> Item {
    let by = |item: Item| {
        let (name, version) = method.rsplit_once('@').unwrap_or((method, "unversioned"));
        item.with([Item::text(R::HasConceptMod, c::ALGORITHM, name), Item::text(R::HasConceptMod, c::ALGORITHM_VERSION, version)])
    };
    let limits = |interval, claimed: bool| {
        let mut all = ends(interval, &c::SIGNED);
        if !claimed {
            all.retain(|i| !i.is(&c::COVERAGE));
        }
        all
    };
    match d {
        ExamDistance::Estimate { signed_mm, u_mm, u_reading_mm, u_shared_mm, interval, coverage_claimed, frames, .. } => {
            let mm = |concept, v: &crate::units::Mm| Item::num(R::HasProperties, concept, v.get(), c::MM);
            by(Item::num(R::Contains, c::DISTANCE, signed_mm.get(), c::MM))
                .with([
                    Item::code(R::HasConceptMod, c::DERIVATION, c::ESTIMATED),
                    Item::code(R::HasConceptMod, c::SIGN, c::SIGNED),
                    mm(c::U_ALL, u_mm),
                    mm(c::U_READING, u_reading_mm),
                    mm(c::U_SHARED, u_shared_mm),
                    count(c::FRAMES_USED, *frames),
                ])
                .with(limits(interval, *coverage_claimed))
        }
        ExamDistance::OneSided { interval, coverage_claimed, frames } => {
            by(Item::text(R::Contains, c::EXAM_LIMIT, "one end was out of view in every frame"))
                .with([count(c::FRAMES_USED, *frames)])
                .with(limits(interval, *coverage_claimed))
        }
        ExamDistance::None { reason } => Item::text(R::Contains, c::NO_EXAM_DISTANCE, reason.clone()),
    }
}

/// The shortest seen, of distances or of overlaps.
fn shortest(s: &Summary) -> Vec<Item> {
    let minimum = || Item::code(R::HasConceptMod, c::DERIVATION, c::MINIMUM);
    let mut out = Vec::new();
    if let Some(seen) = &s.shortest {
        let (concept, number, convention) = spoken(&seen.value);
        let longest = seen.longest_mm.map(|l| Item::num(R::HasProperties, c::LONGEST, l.get(), c::MM));
        out.push(
            Item::num(R::Contains, concept, number, c::MM)
                .with([minimum(), Item::code(R::HasConceptMod, c::SIGN, convention), count(c::FRAMES_USED, seen.frames)])
                .with(ends(&seen.interval(), &c::SIGNED))
                .with(longest),
        );
    }
    if let Some(o) = &s.overlap {
        let unsigned = || Item::code(R::HasConceptMod, c::SIGN, c::UNSIGNED);
        let mm = |concept, v: crate::units::Mm| Item::num(R::Contains, concept, v.get(), c::MM).with([unsigned()]);
        out.push(mm(c::SHORTEST_OVERLAP, o.shortest_at_least_mm).with([minimum(), count(c::FRAMES_USED, o.frames)]));
        out.extend(o.shortest_at_most_mm.map(|v| mm(c::SHORTEST_AT_MOST, v)));
        out.push(mm(c::LONGEST_OVERLAP, o.longest_at_least_mm));
    }
    out
}

/// Every caution of any frame, once each, with its source; the closing line last.
fn cautions_of(readings: &[&ReadingRecord]) -> Vec<Item> {
    let (mut out, mut closing): (Vec<(CautionId, String)>, _) = (Vec::new(), None);
    for record in readings {
        let context = record.context_in_force();
        let measured = record.distance.measured();
        let facts = cautions::Facts {
            context: &context,
            age: context.gestational_age().ok(),
            scale: scale_standing(&record.distance, &record.scale_facts, record.context.exam_date),
            stated_side: Some(record.side),
            measurement: measured.map(|m| &m.measurement),
            finding: measured.map(|m| &m.finding),
        };
        for caution in cautions::cautions(&facts) {
            let said = (caution.id, format!("{} [{}]", caution.text, caution.source));
            if caution.id == CautionId::Closing {
                closing = Some(said);
            } else if !out.contains(&said) {
                out.push(said);
            }
        }
    }
    out.into_iter().chain(closing).map(|(_, text)| Item::text(R::Contains, c::CAUTION, text)).collect()
}

/// Where the second reading stands, and by which steps.
fn review(exam: Option<&ExamReview>, signers: &[Signer], identity: Identity) -> Vec<Item> {
    let standing = exam.map_or(Standing::ReadOnce, ExamReview::standing);
    let steps = exam.map(|e| e.steps.as_slice()).unwrap_or_default();
    let mut out = vec![Item::code(R::Contains, c::REVIEW, c::review_state(&standing))];
    out.extend(steps.iter().map(|s| {
        let mut text = s.step.words().to_owned();
        if matches!(&s.step, Step::Settle { settlement: Settlement::ScanAgain, .. }) {
            text.push_str(": scan again");
        }
        if identity.shown() {
            text.push_str(&format!(" by {} ({}) at {}", s.by, s.role.words(), s.saved_at));
        }
        if matches!(s.step, Step::Sign { .. }) {
            let valid = s.is_signed().unwrap_or(false);
            text.push_str(if valid {
                "; the signature is that of what is signed"
            } else {
                "; the signature is not that of what is signed"
            });
            // What stands against believing who signed names keys, and nobody.
            text.extend(signer_words(s, signers).map(|w| format!("; {w}")));
        }
        text.push_str(&format!("; step {}", s.id()));
        Item::text(R::Contains, c::REVIEW_STEP, text)
    }));
    out
}

/// Everything that the group of an exam is made of.
pub(super) struct Exam<'a> {
    pub(super) exam: &'a SavedExam,
    /// The readings that are in the report.
    pub(super) readings: &'a [&'a ReadingRecord],
    pub(super) review: Option<&'a ExamReview>,
    pub(super) signers: &'a [Signer],
    pub(super) shelf: &'a Shelf,
    pub(super) identity: Identity,
    /// Readings of the exam that are not in the report, and why.
    pub(super) left_out: &'a [String],
}

impl Exam<'_> {
    /// The group.
    ///
    /// # Errors
    /// As [`SavedExam::under`].
    pub(super) fn group(&self) -> Result<Item> {
        let key = self.readings.first().map_or_else(String::new, |r| r.exam_key());
        let seed: Vec<&str> = self.readings.iter().map(|r| r.id()).collect();
        let mut out = Item::container(R::Contains, c::GROUP)
            .with(tracking(&format!("exam {key}"), &format!("exam/{}", seed.join("/"))))
            .with([Item::code(R::Contains, c::FINDING, c::PLACENTA), Item::code(R::HasConceptMod, c::SITE, c::CERVIX)])
            .with(age(self.exam, self.identity));
        if let Some((summary, _)) = self.exam.summary() {
            let table = self.exam.table(self.shelf);
            let print = words::printer(|a, b| table.is_none_or(|t| t.same_band(a, b)));
            out = out
                .with([exam_distance(&summary.exam_distance, &summary.method)])
                .with(shortest(&summary))
                .with([Item::text(R::Contains, c::EXAM_WORDS, summary.headline(&print))])
                .with(summary.notes.iter().map(|n: &Note| Item::text(R::Contains, c::EXAM_NOTE, n.words())));
        }
        if let Some(table) = self.exam.table(self.shelf) {
            let answered = self.exam.under(table)?;
            out = out
                .with(answered.finding.as_ref().map(|f| finding(f, self.identity)))
                .with(answered.withheld.map(|w| Item::text(R::Contains, c::EXAM_NOTE, w.words())));
        }
        Ok(out
            .with(cautions_of(self.readings))
            .with(review(self.review, self.signers, self.identity))
            .with(self.left_out.iter().map(|why| Item::text(R::Contains, c::LEFT_OUT, why.clone()))))
    }
}
