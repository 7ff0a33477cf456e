//! The Observations of an exam: the distance of each frame, further lengths, the gestational age.

use serde_json::{Value as Json, json};

use super::{coded, headline, identifier, without_nulls};
use crate::caseload::measurement_of;
use crate::context::GestationalAge;
use crate::estimate::Term;
use crate::guideline::{Finding, Table};
use crate::measure::more::Quantity;
use crate::measure::{Length, Measurement, Value};
use crate::reading::Distance;
use crate::record::ReadingRecord;

const LOINC: &str = "http://loinc.org";
const UCUM: &str = "http://unitsofmeasure.org";
/// LOINC codes as DICOM PS3.16 lists them (CID 12011 and 12019, in pydicom's table of concepts).
const CERVIX_LENGTH: (&str, &str) = ("11961-0", "Cervix Length");
const GESTATIONAL_AGE: (&str, &str) = ("18185-9", "Gestational Age");
/// What a sign means, beside every signed number.
const SIGN: &str = "straight line in the frame from the internal os to the placental edge; positive: not covering, negative: the placenta \
                    overlaps the os by so much";
/// Fewest decimals of a number: a hundredth of a millimetre lies far below any uncertainty here.
const DECIMALS: usize = 2;

/// What all Observations of an exam share.
pub(super) struct About<'a> {
    pub(super) subject: Json,
    pub(super) device: Json,
    pub(super) status: &'static str,
    pub(super) table: &'a Table,
}

impl About<'_> {
    /// The distance of one frame, with the exam's finding where this frame decides.
    pub(super) fn distance(&self, record: &ReadingRecord, finding: Option<&Finding>) -> Json {
        let mut body = self.base(record, coded("measurement", "edge-to-internal-os", "Placental edge to internal os, signed"));
        body["identifier"] = json!([identifier("reading", record.id())]);
        body["bodySite"] = json!({"text": "internal os of the cervix and leading placental edge"});
        body["note"] = json!([
            {"text": headline(record, self.table)},
            {"text": if finding.is_some() { "The frame that decides the finding of the exam" } else { "A frame that does not decide the finding" }},
        ]);
        if let Some(finding) = finding {
            let words = crate::guideline::headline(finding);
            let list = format!("guideline/{}/{}", finding.table.id, finding.table.edition);
            body["interpretation"] = match finding.nominal_kind().zip(band_id(finding)) {
                Some((_, id)) => json!([coded(&list, id, &words)]),
                None => json!([{"text": words}]),
            };
        }
        match (measurement_of(record), &record.distance) {
            (Some(m), _) => self.measured(&mut body, m),
            (None, Distance::NoScale { reason }) => {
                body["dataAbsentReason"] = json!({
                    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "not-performed"}],
                    "text": reason,
                });
            }
            (None, Distance::Measured(_)) => {}
        }
        without_nulls(body)
    }

    fn measured(&self, body: &mut Json, m: &Measurement) {
        body["method"] = json!({"text": format!("{}: {SIGN}", m.method)});
        let mut components = Vec::new();
        match m.value {
            Value::Exact { signed_mm } => body["valueQuantity"] = self.mm(signed_mm.get(), None),
            // The overlap is at least x, so the signed distance is −x or less.
            Value::OverlapAtLeast { mm } => body["valueQuantity"] = self.mm(-mm.get(), Some("<=")),
            Value::NoPlacentaWithin { mm } => body["valueQuantity"] = self.mm(mm.get(), Some(">=")),
            Value::Reaches { centre_distance_mm } => {
                body["valueCodeableConcept"] = coded("side", "reaches", "Reaches or partly covers the internal os");
                components.push(component(
                    "centre-to-edge",
                    "centre of the os to the edge, unsigned",
                    self.mm(centre_distance_mm.get(), None),
                ));
            }
        }
        let ends = [
            ("low-95", "lower end of the 95 % interval", m.interval.low_mm),
            ("high-95", "upper end of the 95 % interval", m.interval.high_mm),
        ];
        components.extend(ends.into_iter().filter_map(|(code, text, end)| Some(component(code, text, self.mm(end?.get(), None)))));
        components.extend(uncertainty(m.u_mm.get(), &m.terms));
        body["component"] = Json::Array(components);
    }

    /// The further lengths of one frame, each with a name of its own.
    pub(super) fn lengths(&self, record: &ReadingRecord) -> Vec<(&'static str, Json)> {
        let more = &record.more;
        let own = |code: &str, text: &str| coded("measurement", code, text);
        let all = [
            ("cervical-length", loinc(CERVIX_LENGTH), length(more.cervix.as_ref(), |c| (&c.straight, &c.method))),
            (
                "edge-thickness",
                own("edge-thickness", "Thickness of the placental edge"),
                length(more.thickness.as_ref(), |t| (&t.thickness, &t.method)),
            ),
            (
                "vessel-to-os",
                own("vessel-to-internal-os", "Nearest vessel outside the placenta to the internal os"),
                length(more.vessel.as_ref(), |v| (&v.length, &v.method)),
            ),
            (
                "along-wall",
                own("along-wall", "Placental edge to internal os along the wall"),
                length(more.wall.as_ref(), |w| (&w.trace, &w.method)),
            ),
            ("os-width", own("os-width", "Width of the internal os"), length(more.os_patch.as_ref(), |p| (&p.width, &p.method))),
        ];
        let one = |(name, code, found): (&'static str, Json, Option<(&Length, &String)>)| {
            let (length, method) = found?;
            let mut body = self.base(record, code);
            body["method"] = json!({"text": method});
            body["valueQuantity"] = quantity(length.mm.get(), |_| true, None);
            body["component"] = Json::Array(uncertainty(length.u_mm.get(), &length.terms));
            Some((name, without_nulls(body)))
        };
        all.into_iter().filter_map(one).collect()
    }

    /// The gestational age at the exam, days.
    pub(super) fn age(&self, record: &ReadingRecord, age: GestationalAge) -> Json {
        let mut body = self.base(record, loinc(GESTATIONAL_AGE));
        body["valueQuantity"] = json!({"value": age.total_days(), "unit": "days", "system": UCUM, "code": "d"});
        body["note"] = json!([{"text": age.to_string()}]);
        without_nulls(body)
    }

    fn base(&self, record: &ReadingRecord, code: Json) -> Json {
        json!({
            "resourceType": "Observation",
            "status": self.status,
            // "imaging" of HL7's observation categories.
            "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging"}]}],
            "code": code,
            "subject": self.subject,
            "effectiveDateTime": record.context.exam_date.map(|d| d.to_string()),
            "issued": record.saved_at,
            "performer": [{"display": record.reader}],
            "device": self.device,
        })
    }

    /// A signed distance that stays in its band.
    fn mm(&self, value: f64, comparator: Option<&str>) -> Json {
        quantity(value, |printed| self.table.same_band(printed, value), comparator)
    }
}

fn band_id(finding: &Finding) -> Option<&str> {
    use crate::guideline::Outcome;
    match &finding.outcome {
        Outcome::Within { band } | Outcome::Straddles { nominal: band, .. } => Some(&band.id),
        _ => None,
    }
}

/// A length and the method of it, where it was measured.
fn length<T>(quantity: Option<&Quantity<T>>, of: fn(&T) -> (&Length, &String)) -> Option<(&Length, &String)> {
    quantity.and_then(Quantity::measured).map(of)
}

/// Millimetres with as many decimals as keep `same`, and no fewer than [`DECIMALS`].
fn quantity(value: f64, same: impl Fn(f64) -> bool, comparator: Option<&str>) -> Json {
    let digits = (DECIMALS..=15).find(|d| format!("{value:.d$}").parse::<f64>().is_ok_and(&same)).unwrap_or(15);
    let printed: f64 = format!("{value:.digits$}").parse().unwrap_or(value);
    json!({"value": printed, "comparator": comparator, "unit": "mm", "system": UCUM, "code": "mm"})
}

fn component(code: &str, text: &str, value: Json) -> Json {
    json!({"code": coded("component", code, text), "valueQuantity": value})
}

/// The standard uncertainty and each of its terms.
fn uncertainty(all: f64, terms: &[Term]) -> Vec<Json> {
    let mut out = vec![component("u", "standard uncertainty (k = 1), all terms together", quantity(all, |_| true, None))];
    for term in terms {
        let code = match serde_json::to_value(term.kind) {
            Ok(Json::String(s)) => format!("u-{s}"),
            _ => continue,
        };
        out.push(component(
            &code,
            &format!("standard uncertainty: {} [{}]", term.kind.words(), term.source),
            quantity(term.u_mm.get(), |_| true, None),
        ));
    }
    out
}

fn loinc((code, display): (&str, &str)) -> Json {
    json!({"coding": [{"system": LOINC, "code": code, "display": display}], "text": display})
}
