//! What the page for the patient needs to know of an exam. No number of one woman's chance is among it.

use jiff::civil::Date;

use crate::caseload::{Answered, SavedExam, measurement_of};
use crate::error::Result;
use crate::evidence::{Share, matching};
use crate::guideline::{BandKind, Outcome, Shelf};
use crate::measure::{Side, Value};
use crate::record::ReadingRecord;
use crate::source::Provenance;
use crate::units::Mm;

/// Groups in which most did not stay low until the third trimester.
const MOST_MOVED: [&str; 2] = ["jansen-2020-previa", "jansen-2020-low-lying"];

/// What was seen, as far as it can be said without a doubt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// The placenta covers the os.
    Covering,
    /// It reaches the os.
    Reaching,
    /// It is low and does not cover.
    Low,
    /// It is not low, measurement error included.
    NotLow,
    /// None of these for sure.
    Unsure,
}

/// The facts of the page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plain {
    /// What was seen.
    pub seen: Seen,
    /// Whether something of this exam is urgent.
    pub urgent: bool,
    /// The study in which most of a group like this were not low later, where age and finding match.
    pub most_moved: Option<String>,
    /// First and last day of the next scan.
    pub next: Option<(Date, Date)>,
    /// The day of the exam.
    pub date: Option<Date>,
    /// Full weeks at the exam.
    pub weeks: Option<u16>,
}

pub(super) fn plain(exam: &SavedExam, answered: &Answered, shelf: &Shelf) -> Result<Plain> {
    let record = exam.readings.get(answered.decisive);
    let urgent = !exam.urgent(shelf)?.is_empty();
    let seen = seen(answered, record);
    Ok(Plain {
        seen,
        urgent,
        most_moved: if urgent { None } else { most_moved(answered, record, seen)? },
        next: answered.plan.scans.iter().find(|s| s.own_table).or_else(|| answered.plan.scans.first()).and_then(|s| s.dates),
        date: answered.context.exam_date,
        weeks: answered.age.map(|a| a.weeks()),
    })
}

fn seen(answered: &Answered, record: Option<&ReadingRecord>) -> Seen {
    let covers = record.is_some_and(|r| r.side == Side::Covers);
    let of = |kind| match kind {
        BandKind::Covering => Seen::Covering,
        BandKind::Reaching => Seen::Reaching,
        BandKind::LowLying => Seen::Low,
        BandKind::NotLow => Seen::NotLow,
    };
    match answered.finding.as_ref().map(|f| &f.outcome) {
        Some(Outcome::Within { band }) => of(band.kind),
        Some(Outcome::Reaches { .. }) => Seen::Reaching,
        // Seen to cover, by the reader's own statement and the value: how far is another question.
        Some(Outcome::Straddles { nominal, also })
            if nominal.kind == BandKind::Covering && also.iter().all(|b| b.kind != BandKind::NotLow) && covers =>
        {
            Seen::Covering
        }
        Some(Outcome::Straddles { nominal, also }) => {
            let low = |k: BandKind| k == BandKind::LowLying;
            if low(nominal.kind) && also.iter().all(|b| low(b.kind)) { Seen::Low } else { Seen::Unsure }
        }
        _ => Seen::Unsure,
    }
}

/// The citation of a published group that this exam belongs to by its value, not only within its error, and of which fewer
/// than half stayed low.
fn most_moved(answered: &Answered, record: Option<&ReadingRecord>, seen: Seen) -> Result<Option<String>> {
    if !matches!(seen, Seen::Covering | Seen::Reaching | Seen::Low) {
        return Ok(None);
    }
    let (Some(age), Some(finding), Some(m)) = (answered.age, answered.finding.as_ref(), record.and_then(measurement_of)) else {
        return Ok(None);
    };
    let Some(nominal) = finding.nominal_kind() else { return Ok(None) };
    let signed = match m.value {
        Value::Exact { signed_mm } => signed_mm,
        Value::Reaches { .. } => Mm::new(0.0),
        Value::OverlapAtLeast { mm } => mm.times(-1.0),
        Value::NoPlacentaWithin { mm } => mm,
    };
    Ok(matching(age, nominal, signed, &finding.kinds(), &m.interval)?
        .into_iter()
        .filter(|g| !g.by_error_only && MOST_MOVED.contains(&g.cohort.id.as_str()))
        .filter(|g| g.cohort.source.provenance == Provenance::Published)
        .find(|g| matches!(g.cohort.share, Share::Counts { events, of } if 2 * events < of))
        .map(|g| g.cohort.source.text.to_string()))
}
