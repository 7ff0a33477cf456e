//! What a scanner's OB-GYN report (TID 5000) says that a reading can use: due date or last period, cervical length, and the
//! scanner's own distance between placenta and os, for which the standard has no code.
//!
//! A scanner may report a value several times. One that is marked as chosen is taken; otherwise different values are refused
//! as ambiguous, with all of them named, and never averaged or picked from.

use jiff::civil::Date;

use super::check::image_of;
use super::codes::{self as c, Code};
use super::document::Document;
use super::others::{Refused, millimetres};
use super::tree::{ImageRef, Item, Value as V};
use crate::caseload::SavedExam;
use crate::context::{Dating, ExamContext, Limits};
use crate::error::{Error, ErrorKind, Result};
use crate::measure::Value;
use crate::record::ReadingRecord;
use crate::units::Mm;

/// Due dates, the settled one first (PS3.16 CID 12003).
const DUE_DATES: [&str; 4] = ["11778-8", "11779-6", "11781-2", "11780-4"];
/// Last menstrual period: PS3.16 CID 12003 by pydicom's tables, and as other public code files have it.
const LAST_PERIODS: [&str; 2] = ["8665-2", "11955-2"];
/// Selection Status (PS3.16): the value that was chosen among several.
const SELECTION: (&str, &str) = ("121404", "DCM");

/// A length that the scanner measured.
#[derive(Clone, Debug, PartialEq)]
pub struct ScannerLength {
    /// What it is called there.
    pub concept: Code,
    /// mm, as stated: a sign is the scanner's own.
    pub mm: Mm,
    /// The frame, where the report says it.
    pub image: Option<ImageRef>,
}

/// What a scanner's report says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScannerReport {
    /// Due date or last period, and the concept it stands under.
    pub dating: Option<(Dating, Code)>,
    /// Cervical length.
    pub cervix: Option<ScannerLength>,
    /// Distances between placenta and os or cervix, by their names.
    pub distances: Vec<ScannerLength>,
    /// What is there and not taken, and why.
    pub refused: Vec<Refused>,
}

fn code(value: &str, scheme: &str) -> Code {
    Code { value: value.to_owned().into(), scheme: scheme.to_owned().into(), meaning: String::new().into() }
}

/// Reads a scanner's report.
#[must_use]
pub fn scanner(document: &Document) -> ScannerReport {
    let all = document.root.walk();
    let items: Vec<&Item> = all.iter().map(|(_, i)| *i).collect();
    let mut out = ScannerReport::default();
    let mut refuse = |what: &str, why: String| out.refused.push(Refused { what: what.into(), why });
    match due_date(&items) {
        Ok(found) => out.dating = found,
        Err(why) => refuse("the due date", why),
    }
    let cervix: Vec<&Item> = items.iter().copied().filter(|i| i.is(&c::CERVICAL_LENGTH) && matches!(i.value, V::Num(_))).collect();
    match chosen(&cervix).and_then(|i| i.map(|i| length(&document.root, i).and_then(plausible)).transpose()) {
        Ok(found) => out.cervix = found,
        Err(why) => refuse("the cervical length", why),
    }
    for item in items.iter().copied().filter(|i| matches!(i.value, V::Num(_)) && is_placenta_to_os(i)) {
        match length(&document.root, item) {
            Ok(found) => out.distances.push(found),
            Err(why) => {
                let name = item.concept.as_ref().map_or_else(String::new, |c| c.meaning.to_string());
                out.refused.push(Refused { what: format!("\"{name}\""), why });
            }
        }
    }
    out
}

/// The settled due date; without one, the only other; without any, the last period.
fn due_date(items: &[&Item]) -> Result<Option<(Dating, Code)>, String> {
    let dates = |codes: &[&str]| -> Vec<(Date, Code)> {
        let mut found: Vec<(Date, Code)> = Vec::new();
        for item in items.iter().filter(|i| codes.iter().any(|v| i.is(&code(v, "LN")))) {
            let V::Date(stored) = &item.value else { continue };
            if let Some((day, concept)) = super::decode::day(stored).zip(item.concept.clone())
                && !found.iter().any(|(d, _)| *d == day)
            {
                found.push((day, concept));
            }
        }
        found
    };
    let (settled, rest) = DUE_DATES.split_at(1);
    for (codes, make) in
        [(settled, Dating::DueDate as fn(Date) -> Dating), (rest, Dating::DueDate), (&LAST_PERIODS[..], Dating::LastPeriod)]
    {
        match dates(codes).as_slice() {
            [] => {}
            [(day, concept)] => return Ok(Some((make(*day), concept.clone()))),
            many => {
                let named: Vec<String> = many.iter().map(|(d, c)| format!("{d} ({})", c.meaning)).collect();
                return Err(format!("there are {}, and nothing says which holds: {}", many.len(), named.join(", ")));
            }
        }
    }
    Ok(None)
}

/// The value that is marked as chosen, or the only one, or one of several that are the same.
fn chosen<'a>(all: &[&'a Item]) -> Result<Option<&'a Item>, String> {
    let selection = code(SELECTION.0, SELECTION.1);
    let marked: Vec<&Item> = all.iter().copied().filter(|i| i.get(&selection).is_some()).collect();
    let among = if marked.is_empty() { all } else { &marked };
    let same = |a: &Item, b: &Item| a.value == b.value;
    match among {
        [] => Ok(None),
        [first, rest @ ..] if rest.iter().all(|r| same(first, r)) => Ok(Some(first)),
        many => {
            let named: Vec<String> = many.iter().filter_map(|i| i.as_number()).map(|n| format!("{} {}", n.value, n.unit.value)).collect();
            Err(format!("there are {}, and none is marked as the chosen one: {}", many.len(), named.join(", ")))
        }
    }
}

fn length(root: &Item, item: &Item) -> Result<ScannerLength, String> {
    let n = item.as_number().ok_or("it has no value")?;
    let mm = millimetres(n.value, &n.unit)?;
    let below = item.walk();
    let image = below.iter().find_map(|(_, i)| image_of(root, i)).filter(|i| i.frames.len() < 2).cloned();
    Ok(ScannerLength { concept: item.concept.clone().ok_or("it has no concept")?, mm: Mm::new(mm), image })
}

/// A cervical length that the program would take from a person.
fn plausible(cervix: ScannerLength) -> Result<ScannerLength, String> {
    Limits::CERVICAL_LENGTH.check(cervix.mm.get()).map_err(|e| e.message()).map(|_| cervix)
}

/// Whether a number is, by its name, a distance between placenta and os or cervix. No standard code says so: scanners use
/// codes of their own.
fn is_placenta_to_os(item: &Item) -> bool {
    let Some(concept) = &item.concept else { return false };
    let name = concept.meaning.to_lowercase();
    let words: Vec<&str> = name.split(|ch: char| !ch.is_alphanumeric()).collect();
    name.contains("placent") && words.iter().any(|w| *w == "os" || w.starts_with("cervi"))
}

impl ScannerReport {
    /// Whether it says nothing that can be used.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.dating.is_none() && self.cervix.is_none() && self.distances.is_empty() && self.refused.is_empty()
    }

    /// What is known of an exam with what the scanner says added where nothing was known.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when both say a due date and they differ, or as [`Dating::due_date`].
    pub fn added_to(&self, mut context: ExamContext) -> Result<ExamContext> {
        match (context.dating, &self.dating) {
            (None, Some((dating, _))) => context.dating = Some(*dating),
            (Some(known), Some((dating, _))) if known.due_date()? != dating.due_date()? => {
                return Err(Error::new(ErrorKind::Invalid, "the scanner's due date is not taken")
                    .expected(format!("due {}, as the exam has it", known.due_date()?))
                    .found(format!("due {} in the report", dating.due_date()?))
                    .remedy("Settle which holds; nothing is replaced"));
            }
            _ => {}
        }
        if context.cervical_length_mm.is_none() {
            context.cervical_length_mm = self.cervix.as_ref().map(|l| l.mm);
        }
        Ok(context)
    }

    /// The lines of a form ([`crate::context::from_form`]) that hold what the report says.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when something of it is ambiguous, and nothing is left out silently.
    pub fn form(&self) -> Result<String> {
        if let Some(refused) = self.refused.first() {
            return Err(
                Error::new(ErrorKind::Invalid, format!("{} of the report cannot be taken", refused.what)).found(refused.why.clone())
            );
        }
        let mut out = String::new();
        if let Some((dating, _)) = &self.dating {
            out.push_str(&match dating {
                Dating::DueDate(d) => format!("dating = {{ due-date = \"{d}\" }}\n"),
                Dating::LastPeriod(d) => format!("dating = {{ last-period = \"{d}\" }}\n"),
            });
        }
        if let Some(cervix) = &self.cervix {
            out.push_str(&format!("cervical-length-mm = {:?}\n", cervix.mm.get()));
        }
        Ok(out)
    }

    /// The report against our own saved exam of the same study, in sentences.
    #[must_use]
    pub fn against(&self, exam: &SavedExam) -> Vec<String> {
        let mut out = Vec::new();
        let due = |d: Dating| d.due_date().ok();
        if let Some((dating, _)) = &self.dating {
            out.push(match (due(*dating), exam.context.dating.and_then(due)) {
                (Some(theirs), Some(ours)) if theirs == ours => format!("Due date: both {ours}."),
                (Some(theirs), Some(ours)) => {
                    let days = (theirs - ours).get_days();
                    let side = if days < 0 { "earlier" } else { "later" };
                    format!("Due date: the scanner's {theirs} is {} day(s) {side} than ours, {ours}. Settle which holds.", days.abs())
                }
                (Some(theirs), None) => format!("Due date: the scanner's {theirs}; ours is not known."),
                (None, _) => "Due date: the scanner's last period leaves the calendar.".into(),
            });
        }
        if let Some(cervix) = &self.cervix {
            let ours =
                exam.readings.iter().filter_map(|r| r.context_in_force().cervical_length_mm).map(|v| v.get()).fold(f64::INFINITY, f64::min);
            out.push(if ours.is_finite() {
                let d = cervix.mm.get() - ours;
                let side = if d < 0.0 { "shorter" } else { "longer" };
                format!(
                    "Cervical length: the scanner's {:.1} mm is {:.1} mm {side} than our shortest, {ours:.1} mm.",
                    cervix.mm.get(),
                    d.abs()
                )
            } else {
                format!("Cervical length: the scanner's {:.1} mm; ours was not measured.", cervix.mm.get())
            });
        }
        for theirs in &self.distances {
            out.push(distance_words(theirs, exam));
        }
        out
    }
}

/// A scanner's own distance against the reading of its frame, or where it names none, against the shortest of the exam.
fn distance_words(theirs: &ScannerLength, exam: &SavedExam) -> String {
    let name = &theirs.concept.meaning;
    let mm = theirs.mm.get();
    let of_frame = |r: &&ReadingRecord| {
        theirs.image.as_ref().is_some_and(|i| {
            r.frame.sop_instance_uid.as_deref() == Some(&i.instance_uid) && r.frame.frame_number == i.frames.first().copied().unwrap_or(1)
        })
    };
    let summary = exam.summary();
    let decisive = || summary.as_ref().and_then(|(s, places)| exam.readings.get(*places.get(s.decisive?)?));
    let (ours, which) = match exam.readings.iter().find(of_frame) {
        Some(r) => (Some(r), "of the same frame"),
        None => (decisive(), "that decides the exam"),
    };
    let Some(record) = ours else { return format!("\"{name}\": the scanner's {mm:.1} mm; we have no distance.") };
    let size = match crate::caseload::measurement_of(record).map(|m| m.value) {
        Some(Value::Exact { signed_mm }) => Some(signed_mm.get()),
        _ => None,
    };
    match size {
        Some(ours) if mm >= 0.0 => {
            let d = mm - ours.abs();
            let side = if d < 0.0 { "shorter" } else { "longer" };
            format!(
                "\"{name}\": the scanner's line of {mm:.1} mm is {:.1} mm {side} than ours {which}: {}. The scanner's report says no side.",
                d.abs(),
                record.headline
            )
        }
        Some(_) => format!(
            "\"{name}\": the scanner's {mm:.1} mm is negative, and nothing says what that means; ours {which}: {}.",
            record.headline
        ),
        None => format!("\"{name}\": the scanner's {mm:.1} mm; ours {which} is no distance with both ends: {}.", record.headline),
    }
}
