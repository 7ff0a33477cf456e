//! What a report of ours says, as values again; and whether it says what the records in it say.

use super::check::{ImageFacts, library};
use super::codes::{self as c, Code};
use super::document::Document;
use super::reading::{Identity, group};
use super::tree::{ImageRef, Item, Value as V};
use crate::context::Dating;
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, TermKind};
use crate::load::StudyFacts;
use crate::measure::{EdgeMark, Landmarks, Side, Value};
use crate::record::{Difference, ReadingRecord, verify_text};
use crate::units::{Mm, PxPoint};

/// The scale as a report says it.
#[derive(Clone, Debug, PartialEq)]
pub struct SaidScale {
    /// mm per pixel, x and y.
    pub mm_per_px: (f64, f64),
    /// Relative standard uncertainties in x and y, and their correlation.
    pub u_relative: (f64, f64, f64),
    /// Relative standard uncertainty from the speed of sound.
    pub u_sound_speed: f64,
    /// What it rests on.
    pub basis: String,
}

/// A number with its error.
#[derive(Clone, Debug, PartialEq)]
pub struct SaidNumber {
    /// Its concept.
    pub concept: Code,
    /// The number, in its unit.
    pub value: f64,
    /// Its unit.
    pub unit: Code,
    /// `name@version` of its method.
    pub method: Option<String>,
    /// Standard uncertainty, all terms together.
    pub u: Option<f64>,
    /// The interval, where it has one.
    pub interval: Option<Interval>,
    /// The terms of the uncertainty: kind, method, one SD in mm.
    pub terms: Vec<(TermKind, String, f64)>,
}

/// One reading as a report says it.
#[derive(Clone, Debug, PartialEq)]
pub struct SaidReading {
    /// SHA-256 of the saved reading.
    pub record: String,
    /// The frame.
    pub image: ImageRef,
    /// SHA-256 of the frame.
    pub frame_sha256: String,
    /// The edge-to-os distance, where there are millimetres.
    pub value: Option<Value>,
    /// The same with its error.
    pub distance: Option<SaidNumber>,
    /// Why there are none.
    pub no_scale: Option<String>,
    /// Every further length and angle.
    pub lengths: Vec<SaidNumber>,
    /// The scale.
    pub scale: Option<SaidScale>,
    /// The side as the reader stated it.
    pub side: Side,
    /// The landmarks, px as 32-bit numbers can say them.
    pub landmarks: Landmarks,
    /// The distance in words.
    pub headline: String,
    /// The finding: its code, and name, edition and digest of the table.
    pub finding: Option<(Code, [String; 3])>,
    /// When it was saved; absent where identity is withheld.
    pub saved_at: Option<String>,
    /// The whole record, where it travels.
    pub whole: Option<Box<ReadingRecord>>,
}

/// The exam as a report says it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SaidExam {
    /// Gestational age, days.
    pub age_days: Option<f64>,
    /// What it is reckoned from, where dates are shown.
    pub dating: Option<Dating>,
    /// The exam distance.
    pub distance: Option<SaidNumber>,
    /// The shortest seen; a value of its own kind where it is one-sided.
    pub shortest: Option<Value>,
    /// The same with its limits.
    pub shortest_number: Option<SaidNumber>,
    /// In words.
    pub words: Option<String>,
    /// State of the second reading.
    pub review: Option<Code>,
    /// Its steps in words.
    pub steps: Vec<String>,
    /// Cautions.
    pub cautions: Vec<String>,
    /// What is not in the report.
    pub left_out: Vec<String>,
}

/// A report of ours.
#[derive(Clone, Debug, PartialEq)]
pub struct OurReport {
    /// Who read.
    pub reader: String,
    /// Program and version that wrote it.
    pub device: String,
    /// The readings.
    pub readings: Vec<SaidReading>,
    /// The exam.
    pub exam: SaidExam,
    /// Where the coded content is not what the records in the report say, or a record is not what its digest says: the report
    /// was changed after it was written.
    pub differences: Vec<Difference>,
}

fn lacks(what: &str) -> Error {
    Error::new(ErrorKind::Format, "the report cannot be read").expected(what).found("none, or of another kind")
}

/// Reads the content of a report that this program wrote.
///
/// # Errors
/// [`ErrorKind::Unsupported`] when a later version wrote it, [`ErrorKind::Format`] when something is missing or of another
/// kind.
pub fn ours(document: &Document) -> Result<OurReport> {
    let root = &document.root;
    let version = root.text_of(&c::CONTENT_VERSION).ok_or_else(|| lacks("a report of this program"))?;
    if version != super::CONTENT {
        return Err(Error::new(ErrorKind::Unsupported, "the report is of another version")
            .expected(super::CONTENT)
            .found(version.chars().take(40).collect::<String>())
            .remedy("Read it with the version of Osspan that wrote it, or a later one"));
    }
    let mut made = OurReport {
        reader: root.text_of(&c::PERSON_NAME).unwrap_or_default().trim_end_matches('^').to_owned(),
        device: root.text_of(&c::DEVICE_MODEL).unwrap_or_default().to_owned(),
        readings: Vec::new(),
        exam: SaidExam::default(),
        differences: Vec::new(),
    };
    for group in root.all(&c::MEASUREMENTS).into_iter().flat_map(|m| m.all(&c::GROUP)) {
        if group.get(&c::RECORD).is_none() {
            made.exam = exam(group)?;
            continue;
        }
        let said = reading(group)?;
        made.differences.extend(differences(document, group, &said));
        made.readings.push(said);
    }
    Ok(made)
}

/// A NUM item with its error.
fn number(item: &Item) -> Option<SaidNumber> {
    let n = item.as_number()?;
    let of = |concept: &Code| item.number_of(concept);
    let method = item.text_of(&c::ALGORITHM).zip(item.text_of(&c::ALGORITHM_VERSION)).map(|(name, version)| format!("{name}@{version}"));
    let coverage = of(&c::COVERAGE);
    let (low, high) = (of(&c::LOW_END), of(&c::HIGH_END));
    let interval = (low.is_some() || high.is_some() || coverage.is_some()).then(|| Interval {
        low_mm: low.map(Mm::new),
        high_mm: high.map(Mm::new),
        // Without a claim of coverage none is stated.
        coverage: coverage.unwrap_or(0.0),
    });
    let kinds = [(&c::U_REPEAT, TermKind::TotalRepeatability), (&c::U_SCALE, TermKind::Scale), (&c::U_SOUND, TermKind::SoundSpeed)];
    let terms = kinds
        .into_iter()
        .filter_map(|(concept, kind)| {
            let term = item.get(concept)?;
            Some((kind, term.text_of(&c::TERM_METHOD)?.to_owned(), term.as_number()?.value))
        })
        .collect();
    Some(SaidNumber { concept: item.concept.clone()?, value: n.value, unit: n.unit.clone(), method, u: of(&c::U_ALL), interval, terms })
}

/// The value that a concept and a number stand for, where the concept is one of the distance's.
fn value(n: &SaidNumber) -> Option<Value> {
    let mm = Mm::new(n.value);
    match &n.concept {
        x if *x == c::DISTANCE => Some(Value::Exact { signed_mm: mm }),
        x if *x == c::REACH_DISTANCE => Some(Value::Reaches { centre_distance_mm: mm }),
        x if *x == c::OVERLAP_AT_LEAST => Some(Value::OverlapAtLeast { mm }),
        x if *x == c::NONE_WITHIN => Some(Value::NoPlacentaWithin { mm }),
        _ => None,
    }
}

fn point(group: &Item, concept: &Code) -> Option<PxPoint> {
    match &group.get(concept)?.value {
        V::Scoord { points, .. } => points.first().map(|[x, y]| PxPoint::new(f64::from(*x), f64::from(*y))),
        _ => None,
    }
}

fn reading(group: &Item) -> Result<SaidReading> {
    let text = |concept: &Code| group.text_of(concept).map(str::to_owned);
    let need = |concept: &Code| text(concept).ok_or_else(|| lacks(&concept.meaning));
    let image = match group.get(&c::SOURCE_IMAGE).map(|i| &i.value) {
        Some(V::Image(image)) => image.clone(),
        _ => return Err(lacks("the frame that was read")),
    };
    let all: Vec<SaidNumber> = group.children.iter().filter_map(number).collect();
    let distance = all.iter().find(|n| value(n).is_some()).cloned();
    let scales = [&c::SCALE_X, &c::SCALE_Y];
    let lengths = all.iter().filter(|n| value(n).is_none() && !scales.contains(&&n.concept)).cloned().collect();
    let stated = group.get(&c::SIDE).and_then(Item::as_code).ok_or_else(|| lacks("the stated side"))?;
    let sides = [(c::SIDE_AWAY, Side::NotCovering), (c::SIDE_REACHES, Side::Reaches), (c::SIDE_COVERS, Side::Covers)];
    let side = sides.iter().find(|(code, _)| code == stated).map(|(_, s)| *s).ok_or_else(|| lacks("the stated side"))?;
    let edge = point(group, &c::EDGE)
        .map(|at| EdgeMark::PlacentalEdge { at })
        .or_else(|| point(group, &c::LAST_SEEN).map(|at| EdgeMark::LastPlacentaSeen { at }))
        .or_else(|| point(group, &c::END_OF_WALL).map(|at| EdgeMark::EndOfWallSeen { at }))
        .ok_or_else(|| lacks("the far end of the distance"))?;
    let finding = group.get(&c::OUTCOME).and_then(|f| {
        let of = |concept: &Code| f.text_of(concept).unwrap_or_default().to_owned();
        Some((f.as_code()?.clone(), [of(&c::TABLE), of(&c::TABLE_EDITION), of(&c::TABLE_DIGEST)]))
    });
    let whole = text(&c::WHOLE_RECORD).map(|t| ReadingRecord::from_json(&t)).transpose()?.map(Box::new);
    Ok(SaidReading {
        record: need(&c::RECORD)?,
        image,
        frame_sha256: need(&c::FRAME_DIGEST)?,
        value: distance.as_ref().and_then(value),
        distance,
        no_scale: text(&c::NO_SCALE),
        lengths,
        scale: scale(group),
        side,
        landmarks: Landmarks {
            internal_os: point(group, &c::INTERNAL_OS).ok_or_else(|| lacks("the internal os"))?,
            edge,
            placental_body: point(group, &c::BODY),
            marginal_sinus: point(group, &c::SINUS_MARK),
        },
        headline: need(&c::HEADLINE)?,
        finding,
        saved_at: text(&c::SAVED_AT),
        whole,
    })
}

fn scale(group: &Item) -> Option<SaidScale> {
    let (x, y, basis) = (group.get(&c::SCALE_X)?, group.get(&c::SCALE_Y)?, group.get(&c::SCALE_BASIS)?);
    Some(SaidScale {
        mm_per_px: (x.as_number()?.value, y.as_number()?.value),
        u_relative: (x.number_of(&c::U_RELATIVE)?, y.number_of(&c::U_RELATIVE)?, y.number_of(&c::CORRELATION)?),
        u_sound_speed: basis.number_of(&c::U_SPEED)?,
        basis: basis.as_text()?.to_owned(),
    })
}

fn exam(group: &Item) -> Result<SaidExam> {
    let age = group.get(&c::GESTATIONAL_AGE);
    let day = |concept: &Code| age.and_then(|a| a.text_of(concept)).and_then(super::decode::day);
    let derived = |by: &Code| {
        group
            .children
            .iter()
            .find(|i| i.as_number().is_some() && i.get(&c::DERIVATION).and_then(Item::as_code) == Some(by))
            .and_then(number)
    };
    let texts = |concept: &Code| group.all(concept).into_iter().filter_map(Item::as_text).map(str::to_owned).collect::<Vec<_>>();
    let shortest_number = derived(&c::MINIMUM);
    Ok(SaidExam {
        age_days: age.and_then(Item::as_number).map(|n| n.value),
        dating: day(&c::DUE_DATE).map(Dating::DueDate).or_else(|| day(&c::LAST_PERIOD).map(Dating::LastPeriod)),
        distance: derived(&c::ESTIMATED),
        shortest: shortest_number.as_ref().and_then(value),
        shortest_number,
        words: group.text_of(&c::EXAM_WORDS).map(str::to_owned),
        review: group.get(&c::REVIEW).and_then(Item::as_code).cloned(),
        steps: texts(&c::REVIEW_STEP),
        cautions: texts(&c::CAUTION),
        left_out: texts(&c::LEFT_OUT),
    })
}

/// Where a group is not what its record says: the record by its own digest and recomputed, the group as it would be written
/// from it again. Without the whole record, the line on its scale against the distance.
fn differences(document: &Document, stored: &Item, said: &SaidReading) -> Vec<Difference> {
    let Some(record) = &said.whole else { return line_differs(said).into_iter().collect() };
    let mut out = Vec::new();
    let differ = |what: &str, expected: String, found: String| Difference { what: what.into(), expected, found };
    if let Some(text) = stored.text_of(&c::WHOLE_RECORD) {
        match verify_text(text, None) {
            Ok((_, check)) => out.extend(check.differences),
            Err(e) => out.push(differ("the saved reading", "one that can be read".into(), e.message())),
        }
    }
    if record.id() != said.record {
        out.push(differ("the saved reading", format!("SHA-256 {}", said.record), format!("SHA-256 {}", record.id())));
    }
    let (rows, columns, frames) = library(&document.root).get(said.image.instance_uid.as_str()).copied().unwrap_or_default();
    let evidence = document.evidence.iter().find(|e| e.instance_uid == said.image.instance_uid);
    let image = ImageFacts {
        class_uid: said.image.class_uid.clone(),
        instance_uid: record.frame.sop_instance_uid.clone().unwrap_or_default(),
        study_uid: evidence.map(|e| e.study_uid.clone()).unwrap_or_default(),
        series_uid: evidence.map(|e| e.series_uid.clone()).unwrap_or_default(),
        rows: rows.unwrap_or(0),
        columns: columns.unwrap_or(0),
        frames: frames.unwrap_or(1),
        study: StudyFacts::default(),
    };
    match group(record, &image, Identity::Shown) {
        Ok(again) => out.extend(first_difference(&again, stored)),
        Err(e) => out.push(differ("the group of the reading", "one that can be written again".into(), e.message())),
    }
    out
}

/// The first item of two trees that is not the same.
fn first_difference(expected: &Item, found: &Item) -> Option<Difference> {
    let name = expected.concept.as_ref().map_or("an image", |c| c.meaning.as_ref());
    let differ = |expected: String, found: String| Some(Difference { what: format!("\"{name}\" in the report"), expected, found });
    if (expected.relationship, &expected.concept, &expected.value) != (found.relationship, &found.concept, &found.value) {
        return match (expected.as_number(), found.as_number()) {
            (Some(a), Some(b)) => differ(format!("{} {}", a.value, a.unit.value), format!("{} {}", b.value, b.unit.value)),
            _ => differ("what the saved reading says".into(), "something else".into()),
        };
    }
    if expected.children.len() != found.children.len() {
        return differ(format!("{} items below it", expected.children.len()), found.children.len().to_string());
    }
    expected.children.iter().zip(&found.children).find_map(|(a, b)| first_difference(a, b))
}

/// Coordinates are stored as 32-bit numbers: what is reckoned from them is off by far less than this, mm.
const LINE_TOLERANCE_MM: f64 = 1e-3;

/// The length of the line between the landmarks on the stated scale, against the distance that is stated.
fn line_differs(said: &SaidReading) -> Option<Difference> {
    let (scale, number) = (said.scale.as_ref()?, said.distance.as_ref()?);
    let step = said.landmarks.edge.at() - said.landmarks.internal_os;
    let line = (step.x * scale.mm_per_px.0).hypot(step.y * scale.mm_per_px.1);
    let off = (line - number.value.abs()).abs() > LINE_TOLERANCE_MM;
    off.then(|| Difference {
        what: "the distance in the report".into(),
        expected: format!("{line:.3} mm, the line between its landmarks on its scale"),
        found: format!("{:.3} mm", number.value.abs()),
    })
}
