//! One saved exam as FHIR R4 (4.0.1): a Bundle of a Patient, a Device, a DiagnosticReport and its Observations.
//!
//! Codes are those of LOINC, UCUM and HL7 where they have one; all others are text with a code of our own under [`SYSTEM`].
//! The sign of a distance never travels without words: each Observation says the convention in its method.

mod observation;

use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

use crate::caseload::{SavedExam, Woman};
use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{Shelf, Table};
use crate::measure::words;
use crate::record::{Patient, ReadingRecord};

/// Begins every system of our own codes and identifiers. The name can never be taken by anybody (RFC 2606).
pub const SYSTEM: &str = "https://osspan.invalid/fhir/";

/// What is asked of [`bundle`].
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// Whose exam it is.
    pub woman: &'a Woman,
    /// Place of the exam among hers.
    pub exam: usize,
    /// The guideline table.
    pub table: &'a Table,
    /// The tables at hand.
    pub shelf: &'a Shelf,
    /// Whether her name, number and date of birth go out; otherwise a key stands for her.
    pub identity: bool,
    /// Whether what stands was signed: the report is final then, and preliminary before.
    pub signed: bool,
}

/// The exam as a Bundle of type "collection".
///
/// # Errors
/// [`ErrorKind::Usage`] when there is no such exam, [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules
/// out.
pub fn bundle(request: &Request<'_>) -> Result<Value> {
    let none = || Error::new(ErrorKind::Usage, "there is no such exam").expected("an exam with a saved reading");
    let exam = request.woman.exams.get(request.exam).ok_or_else(none)?;
    let answered = exam.under(request.table)?;
    let decisive = exam.readings.get(answered.decisive).ok_or_else(none)?;
    let sheet = SavedExam::sheet_of(request.woman, request.exam, request.table, request.shelf)?;
    let patient = Resource::new(&format!("patient/{}", request.woman.key), patient(request));
    let device = Resource::new(&format!("device/{}", decisive.software), device(decisive));
    let about = observation::About {
        subject: patient.reference(),
        device: device.reference(),
        status: if request.signed { "final" } else { "preliminary" },
        table: request.table,
    };
    let mut results = Vec::new();
    for (place, record) in exam.readings.iter().enumerate() {
        let decides = place == answered.decisive && answered.withheld.is_none();
        let finding = answered.finding.as_ref().filter(|_| decides);
        results.push(Resource::new(&format!("distance/{}", record.id()), about.distance(record, finding)));
        results.extend(about.lengths(record).into_iter().map(|(name, value)| Resource::new(&format!("{name}/{}", record.id()), value)));
    }
    if let Some(age) = answered.age {
        results.push(Resource::new(&format!("age/{}", decisive.exam_key()), about.age(decisive, age)));
    }
    let lines = |title: &str| sheet.section(title).map(|s| s.lines.iter().map(|l| l.text.trim().to_owned()).collect::<Vec<_>>());
    let mut conclusion = lines("Urgent").unwrap_or_default();
    match answered.withheld {
        Some(why) => conclusion.push(why.words().to_owned()),
        None => conclusion.push(headline(decisive, request.table)),
    }
    conclusion.extend(lines("Finding").unwrap_or_default());
    conclusion.extend(lines("Next scan").unwrap_or_default());
    conclusion.extend(lines("Cautions").unwrap_or_default());
    let report = Resource::new(
        &format!("report/{}", decisive.exam_key()),
        without_nulls(json!({
            "resourceType": "DiagnosticReport",
            "identifier": [identifier("exam", &decisive.exam_key())],
            "status": about.status,
            // RUS: radiology ultrasound, HL7 v2 table 0074.
            "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "RUS"}]}],
            "code": coded("report", "placenta-and-internal-os", "Ultrasound of the placenta and the internal cervical os"),
            "subject": about.subject,
            "effectiveDateTime": decisive.context.exam_date.map(|d| d.to_string()),
            "issued": decisive.saved_at,
            "performer": performers(exam),
            "result": results.iter().map(Resource::reference).collect::<Vec<_>>(),
            "conclusion": conclusion.join("\n"),
            "presentedForm": [{
                "contentType": "text/plain; charset=utf-8",
                "language": "en-GB",
                "data": base64(&sheet.text(true)),
                "title": "The whole answer with the source of every sentence",
            }],
        })),
    );
    let entries: Vec<Value> = [patient, device, report].into_iter().chain(results).map(Resource::entry).collect();
    Ok(json!({
        "resourceType": "Bundle",
        "identifier": identifier("bundle", &digest(&decisive.exam_key(), &entries)),
        "type": "collection",
        "timestamp": decisive.saved_at,
        "entry": entries,
    }))
}

/// A resource and the UUID that it is known by in the bundle.
struct Resource {
    url: String,
    body: Value,
}

impl Resource {
    /// The same name gives the same UUID (version 8 of RFC 9562: of our own making, from a SHA-256).
    fn new(name: &str, body: Value) -> Self {
        let mut b = [0_u8; 16];
        b.copy_from_slice(&Sha256::digest(format!("osspan/{name}").as_bytes())[..16]);
        b[6] = (b[6] & 0x0f) | 0x80;
        b[8] = (b[8] & 0x3f) | 0x80;
        let hex = crate::digest::hex(&b);
        let parts = [&hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..]];
        Self { url: format!("urn:uuid:{}", parts.join("-")), body }
    }

    fn reference(&self) -> Value {
        json!({"reference": self.url})
    }

    fn entry(self) -> Value {
        json!({"fullUrl": self.url, "resource": self.body})
    }
}

fn digest(exam: &str, entries: &[Value]) -> String {
    crate::digest::sha256_hex(format!("{exam}/{}", Value::from(entries)).as_bytes())
}

fn identifier(what: &str, value: &str) -> Value {
    json!({"system": format!("{SYSTEM}{what}"), "value": value})
}

/// A concept with a code of our own.
fn coded(list: &str, code: &str, text: &str) -> Value {
    json!({"coding": [{"system": format!("{SYSTEM}{list}"), "code": code, "display": text}], "text": text})
}

fn base64(text: &str) -> String {
    use base64::Engine;
    base64::engine::general_purpose::STANDARD.encode(text)
}

/// FHIR knows no null: what is not known is left out.
fn without_nulls(value: Value) -> Value {
    match value {
        Value::Object(map) => Value::Object(
            map.into_iter().filter(|(_, v)| !v.is_null() && *v != json!([])).map(|(k, v)| (k, without_nulls(v))).collect::<Map<_, _>>(),
        ),
        Value::Array(all) => Value::Array(all.into_iter().map(without_nulls).collect()),
        other => other,
    }
}

fn patient(request: &Request<'_>) -> Value {
    let Patient { name, number, birth_date } = &request.woman.patient;
    let mut identifiers = vec![identifier("patient-key", &request.woman.key)];
    if !request.identity {
        return json!({"resourceType": "Patient", "identifier": identifiers});
    }
    identifiers.extend(number.as_ref().map(|n| json!({"value": n})));
    without_nulls(json!({
        "resourceType": "Patient",
        "identifier": identifiers,
        "name": name.as_deref().map(human_name).into_iter().collect::<Vec<_>>(),
        "birthDate": birth_date.map(|d| d.to_string()),
    }))
}

/// Family and given names of a DICOM person name; further representations (ideographic, phonetic) go into the text.
fn human_name(stored: &str) -> Value {
    let first = stored.split('=').next().unwrap_or_default();
    let parts: Vec<&str> = first.split('^').map(str::trim).collect();
    let part = |i: usize| parts.get(i).filter(|p| !p.is_empty()).map(|p| (*p).to_owned());
    let given: Vec<String> = [part(1), part(2)].into_iter().flatten().collect();
    without_nulls(json!({
        "text": stored.replace(['^', '='], " ").split_whitespace().collect::<Vec<_>>().join(" "),
        "family": part(0),
        "given": given,
        "prefix": part(3).into_iter().collect::<Vec<_>>(),
        "suffix": part(4).into_iter().collect::<Vec<_>>(),
    }))
}

fn device(record: &ReadingRecord) -> Value {
    let (name, version) = record.software.split_once(' ').unwrap_or((&record.software, ""));
    without_nulls(json!({
        "resourceType": "Device",
        "deviceName": [{"name": name, "type": "user-friendly-name"}],
        "version": if version.is_empty() { Vec::new() } else { vec![json!({"value": version})] },
        "note": [{"text": "Supports a licensed clinician's judgement and local protocol. Not a certified medical device."}],
    }))
}

/// Everyone whose reading of the exam stands.
fn performers(exam: &SavedExam) -> Vec<Value> {
    let mut names: Vec<&str> = exam.readings.iter().map(|r| r.reader.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    names.into_iter().map(|n| json!({"display": n})).collect()
}

fn headline(record: &ReadingRecord, table: &Table) -> String {
    match crate::caseload::measurement_of(record) {
        Some(m) => words::headline(&m.value, words::printer(|a, b| table.same_band(a, b))),
        None => record.headline.clone(),
    }
}
