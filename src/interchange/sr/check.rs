//! What no validator catches: checked on every report that is written and on every one that is read.
//!
//! Shown with planted faults: dciodvfy, dsrdump and highdicom's reader all pass a polyline of one point, coordinates outside
//! the picture, a frame number that does not exist or is missing, SCOORD in a wrong relationship, a group without tracking
//! identifiers and a report without observers. What they do catch is left to them.

use std::collections::HashMap;

use super::codes;
use super::document::Document;
use super::tree::{ImageRef, Item, Relationship as R, Value};
use crate::error::{Error, ErrorKind, Result};
use crate::load::StudyFacts;

/// What is known of an image that a report refers to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageFacts {
    /// SOP Class UID (0008,0016).
    pub class_uid: String,
    /// SOP Instance UID (0008,0018).
    pub instance_uid: String,
    /// Study Instance UID (0020,000D).
    pub study_uid: String,
    /// Series Instance UID (0020,000E).
    pub series_uid: String,
    /// Rows (0028,0010).
    pub rows: u32,
    /// Columns (0028,0011).
    pub columns: u32,
    /// Number of frames, at least 1.
    pub frames: u32,
    /// How its study is named besides its UID.
    pub study: StudyFacts,
}

impl ImageFacts {
    /// Whether a reference must say which frame: the class or the number of frames makes it so.
    #[must_use]
    pub fn is_multi_frame(&self) -> bool {
        self.frames > 1 || self.class_uid == dicom_dictionary_std::uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE
    }
}

/// Rows, columns and number of frames of an image, as far as they are known.
pub type Size = (Option<u32>, Option<u32>, Option<u32>);

/// The images that a report's own library describes. What it leaves out is not known.
#[must_use]
pub fn library(root: &Item) -> HashMap<&str, Size> {
    let mut out = HashMap::new();
    let groups = root.all(&codes::IMAGE_LIBRARY).into_iter().flat_map(|l| std::iter::once(l).chain(l.children.iter()));
    for entry in groups.flat_map(|g| &g.children) {
        let Value::Image(image) = &entry.value else { continue };
        let whole = |c| entry.number_of(c).filter(|v| *v >= 1.0 && v.fract() == 0.0 && *v <= f64::from(u32::MAX)).map(|v| v as u32);
        out.insert(image.instance_uid.as_str(), (whole(&codes::ROWS), whole(&codes::COLUMNS), whole(&codes::FRAMES)));
    }
    out
}

/// Which templates a report may follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Template {
    /// TID 1500, Measurement Report.
    MeasurementReport,
    /// TID 5000, OB-GYN Ultrasound Procedure Report.
    ObGyn,
}

/// The template that a report follows, by its root: the identifier that it states, and a title that does not contradict it.
///
/// # Errors
/// [`ErrorKind::Unsupported`] for any other report, [`ErrorKind::Format`] when it states none.
pub fn template(root: &Item) -> Result<Template> {
    let stated = match &root.value {
        Value::Container { template } => template.as_ref(),
        _ => {
            return Err(Error::new(ErrorKind::Format, "the report cannot be read")
                .expected("a container at its root")
                .found("another item"));
        }
    };
    match stated.map(|(resource, id)| (resource.as_str(), id.as_str())) {
        Some(("DCMR", "1500")) => Ok(Template::MeasurementReport),
        Some(("DCMR", "5000")) => Ok(Template::ObGyn),
        Some((_, id)) => Err(Error::new(ErrorKind::Unsupported, "the report is of a sort that is not read here")
            .expected("template 1500 or 5000")
            .found(format!("template {}", id.chars().take(16).collect::<String>()))),
        None => Err(Error::new(ErrorKind::Format, "the report states no template").expected("template 1500 or 5000 of DCMR").found("none")),
    }
}

/// Checks a report. `known` tells what is known of an image by its SOP Instance UID, where it is at hand.
///
/// # Errors
/// [`ErrorKind::Format`] naming the item and the fault; the first one found.
pub fn check(document: &Document, known: &dyn Fn(&str) -> Option<ImageFacts>) -> Result<Template> {
    let root = &document.root;
    let template = template(root)?;
    let ours = is_ours(root);
    references(root)?;
    let library = library(root);
    let evidence: HashMap<&str, &str> = document.evidence.iter().map(|e| (e.instance_uid.as_str(), e.class_uid.as_str())).collect();
    let size = |uid: &str| {
        let (rows, columns, frames) = library.get(uid).copied().unwrap_or_default();
        let facts = known(uid);
        let or = |a: Option<u32>, b: Option<u32>| b.or(a);
        (
            or(rows, facts.as_ref().map(|f| f.rows)),
            or(columns, facts.as_ref().map(|f| f.columns)),
            or(frames, facts.as_ref().map(|f| f.frames)),
        )
    };
    for (place, item) in root.walk() {
        let at = |expected: &str, found: &str| {
            Error::new(ErrorKind::Format, format!("content item {place} of the report")).expected(expected).found(found)
        };
        for child in &item.children {
            related(item, child).map_err(|(expected, found)| at(&expected, &found))?;
        }
        match &item.value {
            Value::Image(image) => {
                match evidence.get(image.instance_uid.as_str()) {
                    None => return Err(at("an image that the report lists as evidence", "another")),
                    Some(class) if *class != image.class_uid => return Err(at("the class that the evidence gives", "another")),
                    Some(_) => {}
                }
                let whole = item.relationship != Some(R::SelectedFrom) && !(ours && item.is(&codes::SOURCE_IMAGE));
                frame_numbers(image, size(&image.instance_uid).2, whole).map_err(|(e, f)| at(&e, &f))?;
            }
            Value::Scoord { graphic, points, .. } => {
                let (fewest, most) = graphic.points();
                if points.len() < fewest || points.len() > most {
                    let expected = if fewest == most { format!("{fewest} point(s)") } else { format!("at least {fewest} point(s)") };
                    return Err(at(&format!("{expected} of a {}", graphic.term()), &points.len().to_string()));
                }
                let images: Vec<&ImageRef> = item.children.iter().filter_map(|c| image_of(root, c)).collect();
                let [image] = images.as_slice() else {
                    return Err(at("coordinates selected from one image", &format!("{} images", images.len())));
                };
                let (rows, columns, _) = size(&image.instance_uid);
                if let (Some(rows), Some(columns)) = (rows, columns) {
                    let inside = |[x, y]: &[f32; 2]| {
                        (0.0..=f64::from(columns)).contains(&f64::from(*x)) && (0.0..=f64::from(rows)).contains(&f64::from(*y))
                    };
                    if !points.iter().all(inside) {
                        return Err(at(&format!("coordinates from 0 to {columns} and from 0 to {rows}"), "some outside the image"));
                    }
                }
            }
            _ => {}
        }
    }
    if template == Template::MeasurementReport {
        measurement_report(document)?;
    }
    Ok(template)
}

fn frame_numbers(image: &ImageRef, frames: Option<u32>, whole_allowed: bool) -> Result<(), (String, String)> {
    let multi = frames.is_some_and(|n| n > 1) || image.class_uid == dicom_dictionary_std::uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE;
    if image.frames.is_empty() {
        let lacks = multi && !whole_allowed;
        return if lacks { Err(("the number of the frame".into(), "a whole multi-frame image".into())) } else { Ok(()) };
    }
    match frames {
        Some(n) if image.frames.iter().any(|f| *f > n) => {
            Err((format!("frame numbers from 1 to {n}"), format!("{}", image.frames.iter().max().copied().unwrap_or(0))))
        }
        _ => Ok(()),
    }
}

/// Relationships that PS3.3 A.35.3.3.1.2 (Comprehensive SR) allows between the kinds of items that occur here.
fn related(parent: &Item, child: &Item) -> Result<(), (String, String)> {
    use Value as V;
    let Some(relationship) = child.relationship else { return Err(("a relationship".into(), "none".into())) };
    // What an item by reference points to is looked at where it stands.
    if matches!(child.value, V::Reference(_)) {
        return Ok(());
    }
    let statement = |v: &V| matches!(v, V::Text(_) | V::Code(_) | V::Num(_));
    let plain = |v: &V| statement(v) || matches!(v, V::Date(_) | V::Uid(_) | V::PersonName(_) | V::Other(_));
    let place = |v: &V| matches!(v, V::Image(_) | V::Scoord { .. });
    let container = |v: &V| matches!(v, V::Container { .. });
    let (p, c) = (&parent.value, &child.value);
    let allowed = match relationship {
        R::Contains => container(p),
        R::HasObsContext => (container(p) || statement(p)) && plain(c),
        R::HasAcqContext => (container(p) || matches!(p, V::Image(_) | V::Num(_) | V::Other(_))) && (plain(c) || container(c)),
        R::HasConceptMod => matches!(c, V::Text(_) | V::Code(_)),
        R::HasProperties => (statement(p) || matches!(p, V::PersonName(_))) && (plain(c) || place(c) || container(c)),
        R::InferredFrom => statement(p) && (plain(c) || place(c) || container(c)),
        R::SelectedFrom => matches!((p, c), (V::Scoord { .. }, V::Image(_)) | (V::Other(_), _)),
    };
    if allowed {
        return Ok(());
    }
    let kind = |v: &V| match v {
        V::Container { .. } => "CONTAINER",
        V::Text(_) => "TEXT",
        V::Code(_) => "CODE",
        V::Num(_) => "NUM",
        V::Date(_) => "DATE",
        V::Uid(_) => "UIDREF",
        V::PersonName(_) => "PNAME",
        V::Image(_) => "IMAGE",
        V::Scoord { .. } => "SCOORD",
        V::Other(_) => "another kind",
        V::Reference(_) => "a reference",
    };
    Err(("a relationship that the standard allows".into(), format!("{} {} {}", kind(p), relationship.term(), kind(c))))
}

/// Items by reference point to an item that is there, is no item by reference itself and does not hold the one that points.
fn references(root: &Item) -> Result<()> {
    for (place, item) in root.walk() {
        let Value::Reference(to) = &item.value else { continue };
        let fault = |expected: &str, found: &str| {
            Err(Error::new(ErrorKind::Format, format!("content item {place} of the report")).expected(expected).found(found))
        };
        let Some(target) = referred(root, to) else { return fault("a reference to an item of the report", "a place where there is none") };
        if matches!(target.value, Value::Reference(_)) {
            return fault("a reference to an item with a value", "a reference to a reference");
        }
        let there = to.iter().map(u32::to_string).collect::<Vec<_>>().join(".");
        if place == there || place.starts_with(&format!("{there}.")) {
            return fault("a reference to another branch of the report", "one to what holds it: a circle");
        }
    }
    Ok(())
}

/// The image that an item is, or that it refers to.
#[must_use]
pub fn image_of<'a>(root: &'a Item, item: &'a Item) -> Option<&'a ImageRef> {
    match &item.value {
        Value::Image(image) => Some(image),
        Value::Reference(to) => match &referred(root, to)?.value {
            Value::Image(image) => Some(image),
            _ => None,
        },
        _ => None,
    }
}

/// Whether this program wrote the report.
#[must_use]
pub fn is_ours(root: &Item) -> bool {
    root.get(&codes::CONTENT_VERSION).is_some()
}

/// The item at a place from the root, the root being 1.
#[must_use]
pub fn referred<'a>(root: &'a Item, place: &[u32]) -> Option<&'a Item> {
    let (first, rest) = place.split_first()?;
    if *first != 1 {
        return None;
    }
    rest.iter().try_fold(root, |item, n| item.children.get(usize::try_from(*n).ok()?.checked_sub(1)?))
}

/// What TID 1500 asks for and no validator looks at: observers, tracking identifiers.
fn measurement_report(document: &Document) -> Result<()> {
    let root = &document.root;
    let lacks = |expected: &str, found: &str| Error::new(ErrorKind::Format, "the measurement report").expected(expected).found(found);
    if !root.is(&codes::REPORT) && root.concept.is_none() {
        return Err(lacks("a title", "none"));
    }
    let observers = |of: &codes::Code| {
        let typed = root
            .all(&codes::OBSERVER_TYPE)
            .into_iter()
            .filter(|i| i.relationship == Some(R::HasObsContext))
            .any(|i| i.as_code() == Some(of));
        typed && root.children.iter().any(|i| i.relationship == Some(R::HasObsContext) && observer_name(i, of))
    };
    // TID 1002: one observer at least, a person by name or a device by UID.
    if !observers(&codes::PERSON) && !observers(&codes::DEVICE) {
        return Err(lacks("an observer: a person with a name or a device with a UID", "none"));
    }
    let mut seen: HashMap<&str, usize> = HashMap::new();
    for (n, group) in root.all(&codes::MEASUREMENTS).into_iter().flat_map(|m| m.all(&codes::GROUP)).enumerate() {
        let at = |expected: &str, found: &str| {
            Error::new(ErrorKind::Format, format!("measurement group {} of the report", n + 1)).expected(expected).found(found)
        };
        let of = |c| group.get(c).filter(|i| i.relationship == Some(R::HasObsContext)).and_then(Item::as_text);
        let (Some(_), Some(uid)) = (of(&codes::TRACKING_ID), of(&codes::TRACKING_UID)) else {
            return Err(at("a tracking identifier and a tracking unique identifier", "one of them missing"));
        };
        if let Some(other) = seen.insert(uid, n).filter(|_| is_ours(root)) {
            return Err(at("a tracking unique identifier of its own", &format!("that of group {}", other + 1)));
        }
    }
    Ok(())
}

fn observer_name(item: &Item, of: &codes::Code) -> bool {
    let concept = if *of == codes::PERSON { &codes::PERSON_NAME } else { &codes::DEVICE_UID };
    item.is(concept) && item.as_text().is_some_and(|t| !t.is_empty())
}
