//! DICOM structured reports: an exam written as a TID 1500 measurement report (Comprehensive SR), and reports read, our own
//! and others'. Bytes in, bytes out; files are the caller's. `docs/STRUCTURED-REPORTS.md` describes the tree.
//!
//! # Writing
//!
//! [`of_exam`] makes the report of one [`SavedExam`] as the object's bytes:
//!
//! ```no_run
//! # fn main() -> osspan::Result<()> {
//! use osspan::caseload::Caseload;
//! use osspan::guideline::Shelf;
//! use osspan::interchange::sr::{self, Identity, StoredImages};
//! use osspan::review::{exams, not_standing};
//! # let (records, steps, told, files, signers) = (vec![], vec![], vec![], vec![], vec![]);
//!
//! let reviews = exams(&records, &steps);
//! let cases = Caseload::reviewed(records, &told, &not_standing(&reviews));
//! let (images, shelf) = (StoredImages::of(&files), Shelf::bundled());
//! for exam in cases.women.iter().flat_map(|w| &w.exams) {
//!     let request = sr::Request { exam, reviews: &reviews, signers: &signers, shelf: &shelf, images: &images, identity: Identity::Shown };
//!     let report = sr::of_exam(&request)?;
//!     // report.bytes is a whole DICOM file, Explicit VR Little Endian.
//!     // report.evidence lists the images that it refers to, which travel with it.
//! }
//! # Ok(()) }
//! ```
//!
//! The same content gives the same bytes and the same SOP Instance UID, so that sending twice stores once; other content (a
//! second reading beside it, a signature, a signer who is known now) gives another UID.
//!
//! # Reading
//!
//! [`Document::from_bytes`] reads any structured report within stated limits; [`check()`] then looks for what no validator
//! catches, as it does before anything is written. [`ours()`] gives back what a report of this program says and whether its
//! coded content is what the records in it say; [`others`] takes distances from measurement reports by others, [`scanner`] a
//! due date and lengths from a scanner's report, and both refuse what is ambiguous.

pub mod check;
pub mod codes;
mod compare;
mod decode;
mod document;
mod exam;
mod images;
pub mod others;
mod reading;
mod said;
pub mod scanner;
mod tree;

pub use check::{ImageFacts, Template, check};
pub use codes::Code;
pub use decode::LONGEST;
pub use document::{Document, Evidence, decimal};
pub use images::{Images, StoredImages};
pub use reading::Identity;
pub use said::{OurReport, SaidExam, SaidNumber, SaidReading, SaidScale, ours};
pub use tree::{Graphic, ImageRef, Item, Number, Relationship, Value};

use dicom_dictionary_std::uids;

use crate::caseload::SavedExam;
use crate::dicom::write::{uid_from, uid_of};
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::Shelf;
use crate::load::StudyFacts;
use crate::record::{Patient, ReadingRecord, Signer};
use crate::review::ExamReview;
use codes as c;
use tree::Relationship as R;

/// Version of the shape of the reports that are written.
pub const CONTENT: &str = "osspan-report/1";
/// The day and time that stand for those of a report without identity, which must state some.
const NO_DAY: (&str, &str) = ("20000101", "000000");

/// What a report is made of.
#[derive(Clone, Copy)]
pub struct Request<'a> {
    /// The exam: the readings that stand are in the report, those beside them are said to be left out.
    pub exam: &'a SavedExam,
    /// The reviews of the folder, of which the exam's own is taken.
    pub reviews: &'a [ExamReview],
    /// Whose signatures are believed.
    pub signers: &'a [Signer],
    /// The tables that the readings may have been made with.
    pub shelf: &'a Shelf,
    /// What is known of the images.
    pub images: &'a dyn Images,
    /// Whether names, dates and free texts go in.
    pub identity: Identity,
}

/// A report, ready to be stored or sent.
#[derive(Clone, Debug)]
pub struct Written {
    /// The whole DICOM file.
    pub bytes: Vec<u8>,
    /// The images that it refers to.
    pub evidence: Vec<Evidence>,
    /// Readings of the exam that are not in it, and why; free of identity.
    pub left_out: Vec<String>,
}

/// Makes the report of an exam.
///
/// # Errors
/// [`ErrorKind::Usage`] when an image is not at hand or not the one that was read, [`ErrorKind::Unsupported`] when no
/// reading is of a DICOM image that can be referred to, [`ErrorKind::Format`] when the report fails its own
/// [check](check()).
pub fn of_exam(request: &Request<'_>) -> Result<Written> {
    let (mut document, facts, left_out) = document(request)?;
    check::check(&document, &|uid| facts.iter().find(|f| f.instance_uid == uid).cloned())?;
    // It follows from everything else that is in the file, so that one UID never stands for two contents.
    document.instance_uid = uid_of(&document.to_bytes()?);
    Ok(Written { bytes: document.to_bytes()?, evidence: document.evidence, left_out })
}

/// A reading with its image.
type Pictured<'a> = (&'a ReadingRecord, ImageFacts);

/// The readings of an exam that can be in a report, each with its image; and why others are not.
fn readings<'a>(request: &Request<'a>) -> Result<(Vec<Pictured<'a>>, Vec<String>)> {
    let (mut found, mut left_out): (Vec<Pictured<'a>>, _) = (Vec::new(), Vec::new());
    for record in &request.exam.readings {
        if record.frame.sop_instance_uid.is_none() {
            let short = record.id().get(..20).unwrap_or(record.id());
            left_out.push(format!("reading {short}: its frame is a captured picture, to which a report cannot refer"));
            continue;
        }
        found.push((record, request.images.facts(&record.frame)?));
    }
    if found.is_empty() {
        return Err(Error::new(ErrorKind::Unsupported, "the exam cannot be a structured report")
            .expected("a reading of a DICOM image")
            .found("captured pictures only")
            .remedy("Store the pictures as DICOM objects, then read those"));
    }
    let beside = request.exam.beside.len();
    if beside > 0 {
        left_out.push(format!("{beside} reading(s) that do not stand: another reader's, or decided against in review"));
    }
    Ok((found, left_out))
}

/// The document under a UID that stands in until its content is whole.
fn document(request: &Request<'_>) -> Result<(Document, Vec<ImageFacts>, Vec<String>)> {
    let (found, left_out) = readings(request)?;
    let contradicts = |what: &str| {
        Err(Error::new(ErrorKind::Invalid, "the exam cannot be one report").expected(format!("readings of one {what}")).found("of several"))
    };
    let Some((newest, first)) =
        found.iter().map(|(r, _)| *r).max_by(|a, b| moment(a).cmp(&moment(b))).zip(found.first().map(|(_, f)| f.clone()))
    else {
        return contradicts("exam");
    };
    if found.iter().any(|(_, f)| f.study_uid != first.study_uid) {
        return contradicts("study");
    }
    if found.iter().any(|(r, _)| r.reader != newest.reader) {
        return contradicts("reader");
    }
    let identity = request.identity;
    let review = request.reviews.iter().find(|r| r.exam == newest.exam_key());
    let mut images: Vec<ImageFacts> = Vec::new();
    for (_, facts) in &found {
        if !images.iter().any(|i| i.instance_uid == facts.instance_uid) {
            images.push(facts.clone());
        }
    }
    let records: Vec<&ReadingRecord> = found.iter().map(|(r, _)| *r).collect();
    let exam = exam::Exam {
        exam: request.exam,
        readings: &records,
        review,
        signers: request.signers,
        shelf: request.shelf,
        identity,
        left_out: &left_out,
    };
    let groups = found.iter().map(|(r, f)| reading::group(r, f, identity)).chain([exam.group()]).collect::<Result<Vec<_>>>()?;
    let mut root = root(newest, &images, groups, identity);
    if !identity.shown() {
        let secrets: Vec<String> = records.iter().flat_map(|r| reading::secrets(r)).collect();
        reading::scrub(&mut root, &secrets);
    }
    let signed = review.is_some_and(|r| r.standing() == crate::review::Standing::Signed);
    let (content_date, content_time, timezone) =
        if identity.shown() { saved(newest) } else { (NO_DAY.0.into(), NO_DAY.1.into(), String::new()) };
    let document = Document {
        class_uid: uids::COMPREHENSIVE_SR_STORAGE.to_owned(),
        instance_uid: uid_from(CONTENT),
        series_uid: uid_from(&format!("{CONTENT}/series/{}/{}", identity.shown(), first.study_uid)),
        study_uid: first.study_uid.clone(),
        patient: if identity.shown() { newest.patient.clone() } else { Patient::default() },
        identity_removed: !identity.shown(),
        study: if identity.shown() { study_of(newest, &first) } else { StudyFacts::default() },
        content_date,
        content_time,
        timezone,
        manufacturer: "Osspan".into(),
        model: env!("CARGO_PKG_NAME").into(),
        software: env!("CARGO_PKG_VERSION").into(),
        // Verification names an organisation, which records do not hold: signatures are said in the content.
        verified: false,
        preliminary: if signed { "FINAL" } else { "PRELIMINARY" }.into(),
        evidence: images
            .iter()
            .map(|i| Evidence {
                study_uid: i.study_uid.clone(),
                series_uid: i.series_uid.clone(),
                class_uid: i.class_uid.clone(),
                instance_uid: i.instance_uid.clone(),
            })
            .collect(),
        root,
    };
    Ok((document, images, left_out))
}

/// The study as its images name it; without a date of theirs, the day of the exam.
fn study_of(newest: &ReadingRecord, first: &ImageFacts) -> StudyFacts {
    let day = newest.context.exam_date.map(|d| d.strftime("%Y%m%d").to_string());
    StudyFacts { date: first.study.date.clone().or(day), ..first.study.clone() }
}

/// When a reading was saved, to be put in order.
fn moment(record: &ReadingRecord) -> (Option<jiff::Timestamp>, &str) {
    (record.saved_at.parse().ok(), record.id())
}

/// Content date, time and offset from when a reading was saved.
fn saved(record: &ReadingRecord) -> (String, String, String) {
    let at = record.saved_at.parse::<jiff::Timestamp>().ok();
    let offset = record.saved_at.get(record.saved_at.len().saturating_sub(6)..).filter(|o| o.starts_with(['+', '-']));
    match (at, record.saved_at.get(..10), record.saved_at.get(11..19)) {
        (Some(_), Some(day), Some(time)) => {
            (day.replace('-', ""), time.replace(':', ""), offset.map(|o| o.replace(':', "")).unwrap_or_default())
        }
        _ => (NO_DAY.0.into(), NO_DAY.1.into(), String::new()),
    }
}

/// The root and everything in it.
fn root(newest: &ReadingRecord, images: &[ImageFacts], groups: Vec<Item>, identity: Identity) -> Item {
    let pixels = |concept, n: u32| Item::num(R::HasAcqContext, concept, f64::from(n), c::PIXEL);
    let library = images.iter().map(|i| Item {
        relationship: Some(R::Contains),
        concept: None,
        value: Value::Image(ImageRef { class_uid: i.class_uid.clone(), instance_uid: i.instance_uid.clone(), frames: Vec::new() }),
        children: vec![
            Item::code(R::HasAcqContext, c::MODALITY, c::ULTRASOUND),
            pixels(c::COLUMNS, i.columns),
            pixels(c::ROWS, i.rows),
            Item::num(R::HasAcqContext, c::FRAMES, f64::from(i.frames), c::ONE),
        ],
    });
    let reader = if identity.shown() { newest.reader.as_str() } else { "Withheld" };
    let device = format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
    let root = Item {
        relationship: None,
        concept: Some(c::REPORT),
        value: Value::Container { template: Some(("DCMR".into(), "1500".into())) },
        children: Vec::new(),
    };
    root.with([
        Item::code(R::HasConceptMod, c::LANGUAGE, c::ENGLISH),
        Item::code(R::HasObsContext, c::OBSERVER_TYPE, c::PERSON),
        Item::new(R::HasObsContext, c::PERSON_NAME, Value::PersonName(document::person(reader))),
        Item::code(R::HasObsContext, c::PERSON_ROLE, c::READER),
        Item::code(R::HasObsContext, c::OBSERVER_TYPE, c::DEVICE),
        Item::new(R::HasObsContext, c::DEVICE_UID, Value::Uid(uid_from(&device))),
        Item::text(R::HasObsContext, c::DEVICE_NAME, "Osspan"),
        Item::text(R::HasObsContext, c::DEVICE_MAKER, "Osspan"),
        Item::text(R::HasObsContext, c::DEVICE_MODEL, device),
        Item::code(R::HasConceptMod, c::PROCEDURE, c::OBSTETRIC_SCAN),
        Item::container(R::Contains, c::IMAGE_LIBRARY).with([Item::container(R::Contains, c::IMAGE_GROUP).with(library)]),
        Item::container(R::Contains, c::MEASUREMENTS).with(groups),
        Item::text(R::Contains, c::CONTENT_VERSION, CONTENT),
    ])
}
