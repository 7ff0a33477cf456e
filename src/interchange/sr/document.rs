//! A report as an object: whose it is, what it refers to, its content tree; and how it is written.

use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use dicom_object::mem::InMemElement;
use jiff::civil::Date;

use super::codes::{Code, SCHEME, SCHEME_NAME};
use super::tree::{ImageRef, Item, Value};
use crate::dicom::write::{sequence, text, to_file};
use crate::error::{Error, ErrorKind, Result};
use crate::load::StudyFacts;
use crate::record::Patient;

/// Longest decimal string, characters (PS3.5 6.2, DS).
const LONGEST_DECIMAL: usize = 16;

/// An instance that a report refers to, and where it belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Evidence {
    /// Study Instance UID (0020,000D).
    pub study_uid: String,
    /// Series Instance UID (0020,000E).
    pub series_uid: String,
    /// Referenced SOP Class UID (0008,1150).
    pub class_uid: String,
    /// Referenced SOP Instance UID (0008,1155).
    pub instance_uid: String,
}

/// How identity was removed, by PS3.16 CID 7050.
pub(super) const REMOVED: [(&str, &str); 3] = [
    ("113100", "Basic Application Confidentiality Profile"),
    ("113104", "Clean Structured Content Option"),
    ("113110", "Retain UIDs Option"),
];

/// A structured report.
#[derive(Clone, Debug, PartialEq)]
pub struct Document {
    /// SOP Class UID (0008,0016).
    pub class_uid: String,
    /// SOP Instance UID (0008,0018).
    pub instance_uid: String,
    /// Study Instance UID (0020,000D).
    pub study_uid: String,
    /// Series Instance UID (0020,000E).
    pub series_uid: String,
    /// Who was examined; empty where withheld.
    pub patient: Patient,
    /// Patient Identity Removed (0012,0062) is YES.
    pub identity_removed: bool,
    /// How the study is named besides its UID, as its images name it.
    pub study: StudyFacts,
    /// Content Date (0008,0023), YYYYMMDD.
    pub content_date: String,
    /// Content Time (0008,0033), HHMMSS.
    pub content_time: String,
    /// Timezone Offset From UTC (0008,0201), &ZZXX; empty where not stated.
    pub timezone: String,
    /// Manufacturer (0008,0070).
    pub manufacturer: String,
    /// Manufacturer's Model Name (0008,1090).
    pub model: String,
    /// Software Versions (0018,1020).
    pub software: String,
    /// Verification Flag (0040,A493) is VERIFIED.
    pub verified: bool,
    /// Preliminary Flag (0040,A496); empty where not stated.
    pub preliminary: String,
    /// What it refers to.
    pub evidence: Vec<Evidence>,
    /// Its content.
    pub root: Item,
}

/// A number as a decimal string of at most 16 characters, as near to it as they allow; `None` when it is not finite.
#[must_use]
pub fn decimal(value: f64) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    let plain = value.to_string();
    if plain.len() <= LONGEST_DECIMAL {
        return Some(plain);
    }
    let fits = |t: &String| t.len() <= LONGEST_DECIMAL;
    let fixed = (0..LONGEST_DECIMAL).rev().map(|digits| format!("{value:.digits$}")).find(fits);
    let scientific = (0..LONGEST_DECIMAL).rev().map(|digits| format!("{value:.digits$e}")).find(fits);
    let off = |t: &String| t.parse::<f64>().map_or(f64::INFINITY, |v| (v - value).abs());
    [fixed, scientific].into_iter().flatten().min_by(|a, b| off(a).total_cmp(&off(b)))
}

impl Document {
    /// The report as a DICOM file, Explicit VR Little Endian.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when a value cannot be stored.
    pub fn to_bytes(&self) -> Result<Vec<u8>> {
        let mut object = InMemDicomObject::from_element_iter(self.header()?);
        for element in item(&self.root)? {
            object.put(element);
        }
        to_file(object, uids::EXPLICIT_VR_LITTLE_ENDIAN)
    }

    fn header(&self) -> Result<Vec<InMemElement>> {
        let day = |d: Option<Date>| d.map(|d| d.strftime("%Y%m%d").to_string()).unwrap_or_default();
        let own = |t: &Option<String>| t.clone().unwrap_or_default();
        let scheme = InMemDicomObject::from_element_iter([
            text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, SCHEME),
            text(tags::CODING_SCHEME_NAME, VR::ST, SCHEME_NAME),
        ]);
        let mut all = vec![
            text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192"),
            text(tags::SOP_CLASS_UID, VR::UI, &self.class_uid),
            text(tags::SOP_INSTANCE_UID, VR::UI, &self.instance_uid),
            text(tags::STUDY_DATE, VR::DA, &own(&self.study.date)),
            text(tags::STUDY_TIME, VR::TM, &own(&self.study.time)),
            text(tags::CONTENT_DATE, VR::DA, &self.content_date),
            text(tags::CONTENT_TIME, VR::TM, &self.content_time),
            text(tags::ACCESSION_NUMBER, VR::SH, &own(&self.study.accession)),
            text(tags::MODALITY, VR::CS, "SR"),
            text(tags::MANUFACTURER, VR::LO, &self.manufacturer),
            text(tags::MANUFACTURER_MODEL_NAME, VR::LO, &self.model),
            text(tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
            sequence(tags::CODING_SCHEME_IDENTIFICATION_SEQUENCE, vec![scheme]),
            sequence(tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE, Vec::new()),
            text(tags::PATIENT_NAME, VR::PN, &person(&own(&self.patient.name))),
            text(tags::PATIENT_ID, VR::LO, &line(&own(&self.patient.number))),
            text(tags::PATIENT_BIRTH_DATE, VR::DA, &day(self.patient.birth_date)),
            text(tags::PATIENT_SEX, VR::CS, ""),
            text(tags::SOFTWARE_VERSIONS, VR::LO, &self.software),
            text(tags::STUDY_INSTANCE_UID, VR::UI, &self.study_uid),
            text(tags::SERIES_INSTANCE_UID, VR::UI, &self.series_uid),
            text(tags::STUDY_ID, VR::SH, &own(&self.study.id)),
            text(tags::SERIES_NUMBER, VR::IS, "1"),
            text(tags::INSTANCE_NUMBER, VR::IS, "1"),
            text(tags::COMPLETION_FLAG, VR::CS, "COMPLETE"),
            text(tags::VERIFICATION_FLAG, VR::CS, if self.verified { "VERIFIED" } else { "UNVERIFIED" }),
            sequence(tags::PERFORMED_PROCEDURE_CODE_SEQUENCE, Vec::new()),
            sequence(tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE, evidence(&self.evidence)),
        ];
        if !self.timezone.is_empty() {
            all.push(text(tags::TIMEZONE_OFFSET_FROM_UTC, VR::SH, &self.timezone));
        }
        if !self.preliminary.is_empty() {
            all.push(text(tags::PRELIMINARY_FLAG, VR::CS, &self.preliminary));
        }
        if self.identity_removed {
            let methods = REMOVED.iter().map(|(value, meaning)| coded(value, "DCM", meaning)).collect();
            all.push(text(tags::PATIENT_IDENTITY_REMOVED, VR::CS, "YES"));
            all.push(text(tags::DEIDENTIFICATION_METHOD, VR::LO, "Made anew from listed content without names, dates and free text"));
            all.push(sequence(tags::DEIDENTIFICATION_METHOD_CODE_SEQUENCE, methods));
        }
        Ok(all)
    }
}

/// Text of one line without what would split or end it: no backslash, no control characters, at most 64 characters.
pub(super) fn line(t: &str) -> String {
    t.chars().map(|c| if c == '\\' { '/' } else { c }).filter(|c| !c.is_control()).take(64).collect::<String>().trim().to_owned()
}

/// A person's name as it may stand in a PN: as [`line`], at most three groups. A name without parts is a family name, which
/// ends with `^`, so that nobody takes it for the older form without parts.
pub(super) fn person(t: &str) -> String {
    let groups: Vec<String> = t.split('=').take(3).map(line).collect();
    let name = groups.join("=").trim_end_matches('=').to_owned();
    if name.is_empty() || name.contains(['^', '=']) { name } else { name + "^" }
}

/// The items of an evidence sequence: study, then series, then instance.
fn evidence(all: &[Evidence]) -> Vec<InMemDicomObject> {
    let distinct = |of: &dyn Fn(&Evidence) -> Option<String>| {
        let mut uids: Vec<String> = Vec::new();
        for uid in all.iter().filter_map(of) {
            if !uids.contains(&uid) {
                uids.push(uid);
            }
        }
        uids
    };
    let series = |study: &str, uid: &str| {
        let own = all.iter().filter(|e| e.study_uid == study && e.series_uid == uid);
        let instances = own.map(|e| reference(&e.class_uid, &e.instance_uid)).collect();
        InMemDicomObject::from_element_iter([
            text(tags::SERIES_INSTANCE_UID, VR::UI, uid),
            sequence(tags::REFERENCED_SOP_SEQUENCE, instances),
        ])
    };
    let studies = distinct(&|e| Some(e.study_uid.clone()));
    studies
        .iter()
        .map(|study| {
            let uids = distinct(&|e| (e.study_uid == *study).then(|| e.series_uid.clone()));
            InMemDicomObject::from_element_iter([
                text(tags::STUDY_INSTANCE_UID, VR::UI, study),
                sequence(tags::REFERENCED_SERIES_SEQUENCE, uids.iter().map(|uid| series(study, uid)).collect()),
            ])
        })
        .collect()
}

fn reference(class_uid: &str, instance_uid: &str) -> InMemDicomObject {
    InMemDicomObject::from_element_iter([
        text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, class_uid),
        text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, instance_uid),
    ])
}

fn coded(value: &str, scheme: &str, meaning: &str) -> InMemDicomObject {
    InMemDicomObject::from_element_iter([
        text(tags::CODE_VALUE, VR::SH, value),
        text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, scheme),
        text(tags::CODE_MEANING, VR::LO, meaning),
    ])
}

fn code(tag: Tag, code: &Code) -> InMemElement {
    sequence(tag, vec![coded(&code.value, &code.scheme, &code.meaning)])
}

/// One content item as the item of a Content Sequence.
fn item(i: &Item) -> Result<InMemDicomObject> {
    let mut out = InMemDicomObject::new_empty();
    if let Some(r) = i.relationship {
        out.put(text(tags::RELATIONSHIP_TYPE, VR::CS, r.term()));
    }
    if let Some(c) = &i.concept {
        out.put(code(tags::CONCEPT_NAME_CODE_SEQUENCE, c));
    }
    let value_type = match &i.value {
        Value::Container { template } => {
            out.put(text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE"));
            if let Some((resource, id)) = template {
                let stated = InMemDicomObject::from_element_iter([
                    text(tags::MAPPING_RESOURCE, VR::CS, resource),
                    text(tags::TEMPLATE_IDENTIFIER, VR::CS, id),
                ]);
                out.put(sequence(tags::CONTENT_TEMPLATE_SEQUENCE, vec![stated]));
            }
            "CONTAINER"
        }
        Value::Text(t) => {
            out.put(text(tags::TEXT_VALUE, VR::UT, t));
            "TEXT"
        }
        Value::Code(c) => {
            out.put(code(tags::CONCEPT_CODE_SEQUENCE, c));
            "CODE"
        }
        Value::Num(number) => {
            let measured = match number {
                Some(n) => {
                    let decimal = decimal(n.value).ok_or_else(|| {
                        Error::new(ErrorKind::Invalid, "the report cannot be written")
                            .expected("a finite number")
                            .found(n.value.to_string())
                    })?;
                    vec![InMemDicomObject::from_element_iter([
                        code(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, &n.unit),
                        DataElement::new(tags::FLOATING_POINT_VALUE, VR::FD, PrimitiveValue::from(n.value)),
                        text(tags::NUMERIC_VALUE, VR::DS, &decimal),
                    ])]
                }
                None => Vec::new(),
            };
            out.put(sequence(tags::MEASURED_VALUE_SEQUENCE, measured));
            "NUM"
        }
        Value::Date(d) => {
            out.put(text(tags::DATE, VR::DA, d));
            "DATE"
        }
        Value::Uid(u) => {
            out.put(text(tags::UID, VR::UI, u));
            "UIDREF"
        }
        Value::PersonName(n) => {
            out.put(text(tags::PERSON_NAME, VR::PN, &person(n)));
            "PNAME"
        }
        Value::Image(image) => {
            out.put(sequence(tags::REFERENCED_SOP_SEQUENCE, vec![image_reference(image)]));
            "IMAGE"
        }
        Value::Scoord { graphic, points, origin } => {
            out.put(text(tags::GRAPHIC_TYPE, VR::CS, graphic.term()));
            let flat: Vec<f32> = points.iter().flatten().copied().collect();
            out.put(DataElement::new(tags::GRAPHIC_DATA, VR::FL, PrimitiveValue::F32(flat.into_iter().collect())));
            if let Some(o) = origin {
                out.put(text(tags::PIXEL_ORIGIN_INTERPRETATION, VR::CS, o));
            }
            "SCOORD"
        }
        Value::Other(_) | Value::Reference(_) => {
            return Err(
                Error::new(ErrorKind::Unsupported, "the report cannot be written").expected("items of the kinds that this program makes")
            );
        }
    };
    out.put(text(tags::VALUE_TYPE, VR::CS, value_type));
    if !i.children.is_empty() {
        out.put(sequence(tags::CONTENT_SEQUENCE, i.children.iter().map(item).collect::<Result<_>>()?));
    }
    Ok(out)
}

fn image_reference(image: &ImageRef) -> InMemDicomObject {
    let mut out = reference(&image.class_uid, &image.instance_uid);
    if !image.frames.is_empty() {
        let numbers: Vec<String> = image.frames.iter().map(u32::to_string).collect();
        out.put(DataElement::new(tags::REFERENCED_FRAME_NUMBER, VR::IS, PrimitiveValue::Strs(numbers.into_iter().collect())));
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// PS3.5 6.2: DS has at most 16 characters. What is lost is no more than its last digit.
    #[test]
    fn decimals_fit_and_are_as_near_as_they_can_be() {
        for v in [
            0.0,
            -4.2,
            10.628_324_205_818_318,
            -0.000_012_345_678_901_234_567,
            1e300,
            -1.234_567_890_123_456_7e-300,
            0.1 + 0.2,
            1_234_567.890_123_4,
        ] {
            let text = decimal(v).unwrap();
            assert!(text.len() <= 16, "{text}");
            let back: f64 = text.parse().unwrap();
            assert!((back - v).abs() <= v.abs() * 1e-8, "{v}: {text}");
        }
        assert_eq!(decimal(10.628_324_205_818_318).unwrap(), "10.6283242058183");
        assert_eq!(decimal(14.0).unwrap(), "14");
        assert_eq!(decimal(f64::NAN), None);
    }

    #[test]
    fn names_cannot_break_out_of_their_attribute() {
        assert_eq!(person("Müller\\Ada\n"), "Müller/Ada^");
        assert_eq!(person("Yamada^Tarou=山田^太郎=やまだ^たろう=x"), "Yamada^Tarou=山田^太郎=やまだ^たろう");
    }
}
