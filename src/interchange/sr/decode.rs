//! Reads a report's bytes: the bounded walk first, then every attribute with the VR that the standard gives it, or one error.
//!
//! No message quotes a value of the report beyond codes and numbers: texts and names may tell who was examined.

use std::io::Cursor;

use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry};
use dicom_core::value::PrimitiveValue;
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{StandardDataDictionary, tags};
use dicom_object::InMemDicomObject;
use jiff::civil::Date;

use super::codes::Code;
use super::document::{Document, Evidence};
use super::tree::{Graphic, ImageRef, Item, Number, Relationship, Value};
use crate::dicom::{attributes, walk};
use crate::error::{Error, ErrorKind, Result};
use crate::load::StudyFacts;
use crate::record::Patient;

/// Largest report that is read, bytes.
pub const LONGEST: u64 = 64 * 1024 * 1024;
/// Most content items of one report.
const MOST_ITEMS: usize = 20_000;
/// Most points of one graphic.
const MOST_POINTS: usize = 5_000;

impl Document {
    /// Reads a report.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when the bytes are damaged, no structured report, or an attribute is not what it must be;
    /// [`ErrorKind::Limit`] beyond the limits of [`crate::dicom::limits`] and of this module.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self> {
        let header = walk::walk_for(Cursor::new(bytes), walk::REPORT)?;
        let object = attributes::decode(&header.kept, header.syntax.layout)?;
        if text(&object, tags::MODALITY)?.as_deref() != Some("SR") || object.get(tags::VALUE_TYPE).is_none() {
            return Err(Error::new(ErrorKind::Format, "the file is no structured report")
                .expected("Modality SR and a content tree")
                .found("another object"));
        }
        let mut items = 0;
        let root = item(&object, true, &mut items, "1")?;
        let need = |tag: Tag, name: &str| text(&object, tag)?.ok_or_else(|| fault("the report", name, "none"));
        let mut evidence = evidence(&object, tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE)?;
        evidence.extend(self::evidence(&object, tags::PERTINENT_OTHER_EVIDENCE_SEQUENCE)?);
        let or_empty = |tag| Ok::<_, Error>(text(&object, tag)?.unwrap_or_default());
        Ok(Self {
            class_uid: need(tags::SOP_CLASS_UID, "a SOP Class UID")?,
            instance_uid: need(tags::SOP_INSTANCE_UID, "a SOP Instance UID")?,
            study_uid: or_empty(tags::STUDY_INSTANCE_UID)?,
            series_uid: or_empty(tags::SERIES_INSTANCE_UID)?,
            patient: Patient {
                name: text(&object, tags::PATIENT_NAME)?,
                number: text(&object, tags::PATIENT_ID)?,
                birth_date: date(&object, tags::PATIENT_BIRTH_DATE)?,
            },
            identity_removed: text(&object, tags::PATIENT_IDENTITY_REMOVED)?.as_deref() == Some("YES"),
            study: StudyFacts {
                date: text(&object, tags::STUDY_DATE)?,
                time: text(&object, tags::STUDY_TIME)?,
                id: text(&object, tags::STUDY_ID)?,
                accession: text(&object, tags::ACCESSION_NUMBER)?,
            },
            content_date: or_empty(tags::CONTENT_DATE)?,
            content_time: or_empty(tags::CONTENT_TIME)?,
            timezone: or_empty(tags::TIMEZONE_OFFSET_FROM_UTC)?,
            manufacturer: or_empty(tags::MANUFACTURER)?,
            model: or_empty(tags::MANUFACTURER_MODEL_NAME)?,
            software: or_empty(tags::SOFTWARE_VERSIONS)?,
            verified: text(&object, tags::VERIFICATION_FLAG)?.as_deref() == Some("VERIFIED"),
            preliminary: or_empty(tags::PRELIMINARY_FLAG)?,
            evidence,
            root,
        })
    }
}

fn fault(what: &str, expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Format, format!("{what} cannot be read")).expected(expected).found(found)
}

fn name_of(tag: Tag) -> String {
    StandardDataDictionary.by_tag(tag).map_or_else(|| tag.to_string(), |e| format!("{} {tag}", e.alias()))
}

/// The value of an element, whose VR must be the dictionary's; `None` when it is absent or empty.
fn value(object: &InMemDicomObject, tag: Tag) -> Result<Option<&PrimitiveValue>> {
    let Some(element) = object.get(tag) else { return Ok(None) };
    let right = StandardDataDictionary.by_tag(tag).map(|e| e.vr().relaxed());
    if right.is_some_and(|vr| vr != element.vr()) {
        let right = right.map_or("", VR::to_string);
        return Err(fault(&name_of(tag), &format!("the value representation {right}"), element.vr().to_string()));
    }
    let Some(value) = element.value().primitive() else { return Err(fault(&name_of(tag), "a plain value", "a sequence")) };
    Ok(Some(value).filter(|v| v.calculate_byte_len() > 0))
}

/// One text without padding; `None` when it is absent or empty.
fn text(object: &InMemDicomObject, tag: Tag) -> Result<Option<String>> {
    let Some(value) = value(object, tag)? else { return Ok(None) };
    let text = value.to_str();
    let text = text.trim_matches([' ', '\0']);
    Ok(if text.is_empty() { None } else { Some(text.to_owned()) })
}

fn date(object: &InMemDicomObject, tag: Tag) -> Result<Option<Date>> {
    let Some(stored) = text(object, tag)? else { return Ok(None) };
    day(&stored).map(Some).ok_or_else(|| fault(&name_of(tag), "a date YYYYMMDD", "something else"))
}

/// A calendar date as DICOM writes it.
pub(super) fn day(stored: &str) -> Option<Date> {
    if stored.len() == 8 && stored.bytes().all(|b| b.is_ascii_digit()) { Date::strptime("%Y%m%d", stored).ok() } else { None }
}

/// The items of a sequence; none when it is absent or empty.
fn items(object: &InMemDicomObject, tag: Tag) -> Result<&[InMemDicomObject]> {
    let Some(element) = object.get(tag) else { return Ok(&[]) };
    match element.value().items() {
        Some(items) => Ok(items),
        None if element.vr() == VR::SQ && element.value().primitive().is_some_and(|p| p.calculate_byte_len() == 0) => Ok(&[]),
        None => Err(fault(&name_of(tag), "a sequence", element.vr().to_string())),
    }
}

fn one(object: &InMemDicomObject, tag: Tag) -> Result<Option<&InMemDicomObject>> {
    match items(object, tag)? {
        [] => Ok(None),
        [one] => Ok(Some(one)),
        many => Err(fault(&name_of(tag), "one item", &many.len().to_string())),
    }
}

fn code(object: &InMemDicomObject, tag: Tag) -> Result<Option<Code>> {
    let Some(item) = one(object, tag)? else { return Ok(None) };
    let mut stored = None;
    for one in [tags::CODE_VALUE, tags::LONG_CODE_VALUE, tags::URN_CODE_VALUE] {
        stored = stored.or(text(item, one)?);
    }
    let scheme = text(item, tags::CODING_SCHEME_DESIGNATOR)?;
    let (Some(value), Some(scheme)) = (stored, scheme) else {
        return Err(fault(&name_of(tag), "a code value with its scheme", "one without the other"));
    };
    let meaning = text(item, tags::CODE_MEANING)?.unwrap_or_default();
    Ok(Some(Code { value: value.into(), scheme: scheme.into(), meaning: meaning.into() }))
}

fn evidence(object: &InMemDicomObject, tag: Tag) -> Result<Vec<Evidence>> {
    let mut out = Vec::new();
    for study in items(object, tag)? {
        let study_uid = text(study, tags::STUDY_INSTANCE_UID)?.unwrap_or_default();
        for series in items(study, tags::REFERENCED_SERIES_SEQUENCE)? {
            let series_uid = text(series, tags::SERIES_INSTANCE_UID)?.unwrap_or_default();
            for instance in items(series, tags::REFERENCED_SOP_SEQUENCE)? {
                let ImageRef { class_uid, instance_uid, .. } = image(instance)?;
                out.push(Evidence { study_uid: study_uid.clone(), series_uid: series_uid.clone(), class_uid, instance_uid });
                if out.len() > MOST_ITEMS {
                    return Err(too_many());
                }
            }
        }
    }
    Ok(out)
}

fn too_many() -> Error {
    Error::new(ErrorKind::Limit, "the report is too large").expected(format!("at most {MOST_ITEMS} content items and instances"))
}

fn image(object: &InMemDicomObject) -> Result<ImageRef> {
    let need = |tag| text(object, tag)?.ok_or_else(|| fault(&name_of(tag), "a UID", "none"));
    let frames = match value(object, tags::REFERENCED_FRAME_NUMBER)? {
        None => Vec::new(),
        Some(v) => {
            let wrong = || fault(&name_of(tags::REFERENCED_FRAME_NUMBER), "whole numbers from 1", "something else");
            let numbers = v.to_multi_int::<u32>().map_err(|_| wrong())?;
            if numbers.contains(&0) || numbers.is_empty() {
                return Err(wrong());
            }
            numbers
        }
    };
    Ok(ImageRef { class_uid: need(tags::REFERENCED_SOP_CLASS_UID)?, instance_uid: need(tags::REFERENCED_SOP_INSTANCE_UID)?, frames })
}

/// One content item with those below it. The walk has bounded how deep they lie.
fn item(object: &InMemDicomObject, root: bool, count: &mut usize, place: &str) -> Result<Item> {
    *count += 1;
    if *count > MOST_ITEMS {
        return Err(too_many());
    }
    let at = |e: Error| Error::new(e.kind(), format!("content item {place}: {}", e.message()));
    let mut made = own(object, root).map_err(at)?;
    for (n, child) in items(object, tags::CONTENT_SEQUENCE).map_err(at)?.iter().enumerate() {
        made.children.push(item(child, false, count, &format!("{place}.{}", n + 1))?);
    }
    Ok(made)
}

/// An item by itself.
fn own(object: &InMemDicomObject, root: bool) -> Result<Item> {
    let stated = text(object, tags::RELATIONSHIP_TYPE)?;
    let relationship = match (root, stated) {
        (true, None) => None,
        (false, Some(term)) => Some(
            Relationship::ALL
                .iter()
                .find(|(_, t)| *t == term)
                .map(|(r, _)| *r)
                .ok_or_else(|| fault("its relationship", "one of the standard's", "another"))?,
        ),
        (true, Some(_)) => return Err(fault("its relationship", "none at the root", "one")),
        (false, None) => return Err(fault("its relationship", "one", "none")),
    };
    let concept = code(object, tags::CONCEPT_NAME_CODE_SEQUENCE)?;
    let value = match (text(object, tags::VALUE_TYPE)?, value(object, tags::REFERENCED_CONTENT_ITEM_IDENTIFIER)?) {
        (None, Some(v)) => {
            let places = v.to_multi_int::<u32>().map_err(|_| fault("the item that it refers to", "whole numbers", "something else"))?;
            Value::Reference(places)
        }
        (None, None) => return Err(fault("its value type", "one, or the place of another item", "neither")),
        (Some(_), Some(_)) => return Err(fault("its value type", "one, or the place of another item", "both")),
        (Some(term), None) => valued(object, &term)?,
    };
    if matches!(value, Value::Reference(_)) && !items(object, tags::CONTENT_SEQUENCE)?.is_empty() {
        return Err(fault("an item by reference", "nothing below it", "items"));
    }
    Ok(Item { relationship, concept, value, children: Vec::new() })
}

fn valued(object: &InMemDicomObject, term: &str) -> Result<Value> {
    let need = |tag| text(object, tag)?.ok_or_else(|| fault(&name_of(tag), "a value", "none"));
    Ok(match term {
        "CONTAINER" => Value::Container { template: template(object)? },
        "TEXT" => Value::Text(need(tags::TEXT_VALUE)?),
        "CODE" => {
            Value::Code(code(object, tags::CONCEPT_CODE_SEQUENCE)?.ok_or_else(|| fault("the code of a CODE item", "a code", "none"))?)
        }
        "NUM" => Value::Num(number(object)?),
        "DATE" => {
            let stored = need(tags::DATE)?;
            day(&stored).ok_or_else(|| fault("Date", "a date YYYYMMDD", "something else"))?;
            Value::Date(stored)
        }
        "UIDREF" => Value::Uid(need(tags::UID)?),
        "PNAME" => Value::PersonName(need(tags::PERSON_NAME)?),
        "IMAGE" => {
            let sop = one(object, tags::REFERENCED_SOP_SEQUENCE)?;
            Value::Image(image(sop.ok_or_else(|| fault("the image of an IMAGE item", "a reference", "none"))?)?)
        }
        "SCOORD" => scoord(object)?,
        // Known to the standard, and nothing here depends on it.
        "DATETIME" | "TIME" | "COMPOSITE" | "WAVEFORM" | "SCOORD3D" | "TCOORD" | "TABLE" => Value::Other(term.to_owned()),
        _ => return Err(fault("its value type", "one of the standard's", "another")),
    })
}

fn template(object: &InMemDicomObject) -> Result<Option<(String, String)>> {
    let Some(item) = one(object, tags::CONTENT_TEMPLATE_SEQUENCE)? else { return Ok(None) };
    Ok(text(item, tags::MAPPING_RESOURCE)?.zip(text(item, tags::TEMPLATE_IDENTIFIER)?))
}

/// The number of a NUM item. Decimal string and floating-point value must be the same number, as far as a decimal string
/// of 16 characters can say it.
fn number(object: &InMemDicomObject) -> Result<Option<Number>> {
    let Some(item) = one(object, tags::MEASURED_VALUE_SEQUENCE)? else { return Ok(None) };
    let finite = |v: f64, tag| if v.is_finite() { Ok(v) } else { Err(fault(&name_of(tag), "a finite number", "another")) };
    let read = |tag| {
        let Some(v) = value(item, tag)? else { return Ok(None) };
        let numbers = v.to_multi_float64().map_err(|_| fault(&name_of(tag), "a number", "something else"))?;
        match numbers.as_slice() {
            [one] => finite(*one, tag).map(Some),
            many => Err(fault(&name_of(tag), "one number", &many.len().to_string())),
        }
    };
    let decimal = read(tags::NUMERIC_VALUE)?.ok_or_else(|| fault("Numeric Value", "a number", "none"))?;
    let exact = read(tags::FLOATING_POINT_VALUE)?;
    if let Some(exact) = exact
        && (exact - decimal).abs() > exact.abs().max(decimal.abs()) * 1e-8
    {
        return Err(fault(
            "a measured value",
            "Numeric Value and Floating Point Value to be one number",
            &format!("{decimal} and {exact}"),
        ));
    }
    let unit = code(item, tags::MEASUREMENT_UNITS_CODE_SEQUENCE)?.ok_or_else(|| fault("a measured value", "a unit", "none"))?;
    Ok(Some(Number { value: exact.unwrap_or(decimal), unit }))
}

fn scoord(object: &InMemDicomObject) -> Result<Value> {
    let term = text(object, tags::GRAPHIC_TYPE)?.ok_or_else(|| fault("Graphic Type", "one", "none"))?;
    let graphic = Graphic::ALL
        .iter()
        .find(|(_, t)| *t == term)
        .map(|(g, _)| *g)
        .ok_or_else(|| fault("Graphic Type", "POINT, MULTIPOINT, POLYLINE, CIRCLE or ELLIPSE", "another"))?;
    let stored = value(object, tags::GRAPHIC_DATA)?.ok_or_else(|| fault("Graphic Data", "coordinates", "none"))?;
    let wrong = |found: &str| fault("Graphic Data", "pairs of finite numbers", found);
    let numbers = stored.to_multi_float32().map_err(|_| wrong("something else"))?;
    if numbers.len() / 2 > MOST_POINTS {
        return Err(Error::new(ErrorKind::Limit, "a graphic is too long").expected(format!("at most {MOST_POINTS} points")));
    }
    let (pairs, rest) = numbers.as_chunks::<2>();
    if !rest.is_empty() {
        return Err(wrong("an odd number of them"));
    }
    if numbers.iter().any(|v| !v.is_finite()) {
        return Err(wrong("one that is not finite"));
    }
    Ok(Value::Scoord { graphic, points: pairs.to_vec(), origin: text(object, tags::PIXEL_ORIGIN_INTERPRETATION)? })
}
