//! Distances that others measured and reported by TID 1500: readings to compare ours against.
//!
//! A distance of others has no side: it is the length of a line, and nothing says which end is the os or whether the placenta
//! covers it. What is ambiguous is refused, each with its reason, and never guessed.

use dicom_dictionary_std::uids;

use super::check::{image_of, is_ours};
use super::codes::{self as c, Code};
use super::document::Document;
use super::tree::{Graphic, ImageRef, Item, Value as V};
use crate::measure::Value;
use crate::record::{LIMIT_PER_SD, ReadingRecord, followed};
use crate::units::{Mm, PxPoint};

/// Concepts that say a straight length, by PS3.16 CID 218 and CID 7470.
const LENGTH: (&str, &str) = ("410668003", "SCT");
/// Units of length, and how many mm each is (UCUM).
const UNITS: [(&str, f64); 4] = [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("um", 0.001)];

/// A distance in somebody's report.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherDistance {
    /// Its group's tracking identifier, where there is one.
    pub tracking: Option<String>,
    /// Who or what measured, as the report says.
    pub observer: Option<String>,
    /// What was measured, by its finding, its site and its concept.
    pub of: Vec<Code>,
    /// The length, mm. It has no sign and no side.
    pub mm: Mm,
    /// As it was stated: number and unit.
    pub stated: (f64, String),
    /// The image it was measured on.
    pub image: Option<ImageRef>,
    /// Both ends, px, in the order of the report.
    pub ends: Option<[PxPoint; 2]>,
}

/// A measurement that is not taken, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Which: its concept and its group.
    pub what: String,
    /// Why.
    pub why: String,
}

/// Every distance of a measurement report by others, or why it is not taken; and how many other measurements there are.
#[must_use]
pub fn distances(document: &Document) -> (Vec<Result<OtherDistance, Refused>>, usize) {
    let (mut out, mut rest) = (Vec::new(), 0);
    if is_ours(&document.root) {
        return (out, rest);
    }
    let groups = document.root.all(&c::MEASUREMENTS).into_iter().flat_map(|m| m.all(&c::GROUP));
    for (n, group) in groups.enumerate() {
        for item in group.children.iter().filter(|i| matches!(i.value, V::Num(_))) {
            if !is_length(item) {
                rest += 1;
                continue;
            }
            let name = item.concept.as_ref().map_or_else(String::new, |c| c.meaning.to_string());
            let what = format!("\"{name}\" of measurement group {}", n + 1);
            out.push(distance(document, group, item).map_err(|why| Refused { what, why }));
        }
    }
    (out, rest)
}

fn is_length(item: &Item) -> bool {
    let (value, scheme) = LENGTH;
    let length = Code { value: value.into(), scheme: scheme.into(), meaning: "Length".into() };
    item.is(&c::DISTANCE) || item.is(&length)
}

/// A number in mm, from the unit that it is stated in.
///
/// # Errors
/// The reason in words, when it is no length.
pub fn millimetres(value: f64, unit: &Code) -> Result<f64, String> {
    let known = UNITS.iter().find(|(u, _)| *u == unit.value && unit.scheme == "UCUM").map(|(_, per)| *per);
    known.map(|per| value * per).ok_or_else(|| format!("its unit {unit} is none of mm, cm, m and um (UCUM)"))
}

fn distance(document: &Document, group: &Item, item: &Item) -> Result<OtherDistance, String> {
    let n = item.as_number().ok_or("it has no value")?;
    if n.value < 0.0 {
        return Err("it is negative, and nothing says what a negative length means".into());
    }
    if item.children.iter().chain(&group.children).any(|i| i.is(&c::DERIVATION)) {
        return Err("it is derived from several (a mean, a minimum), not measured on one line".into());
    }
    let mm = millimetres(n.value, &n.unit)?;
    let (ends, drawn_on) = line(document, item)?;
    let image = match drawn_on {
        Some(image) => Some(image),
        None => source(&document.root, group, item)?,
    };
    let code = |concept: &Code| item.get(concept).or_else(|| group.get(concept)).and_then(Item::as_code).cloned();
    let mut of: Vec<Code> = [code(&c::FINDING), code(&c::SITE)].into_iter().flatten().collect();
    of.extend(item.concept.clone());
    let root = &document.root;
    let observer = root.text_of(&c::PERSON_NAME).or_else(|| root.text_of(&c::DEVICE_NAME)).map(|t| t.trim_end_matches('^').to_owned());
    Ok(OtherDistance {
        tracking: group.text_of(&c::TRACKING_ID).map(str::to_owned),
        observer,
        of,
        mm: Mm::new(mm),
        stated: (n.value, n.unit.value.to_string()),
        image,
        ends,
    })
}

/// Both ends of a distance, and the frame on which they lie.
type Line = (Option<[PxPoint; 2]>, Option<ImageRef>);

fn line(document: &Document, item: &Item) -> Result<Line, String> {
    let lines: Vec<&Item> = item.children.iter().filter(|i| matches!(i.value, V::Scoord { .. })).collect();
    let one = match lines.as_slice() {
        [] => return Ok((None, None)),
        [one] => *one,
        many => return Err(format!("it has {} graphics, and nothing says which is its line", many.len())),
    };
    let V::Scoord { graphic, points, origin } = &one.value else { return Ok((None, None)) };
    if origin.as_deref() == Some("VOLUME") {
        return Err("its coordinates count over a whole tiled image, not over one frame".into());
    }
    if !matches!(graphic, Graphic::Polyline | Graphic::MultiPoint) || points.len() != 2 {
        return Err(format!("its graphic is a {} of {} points: two ends are needed", graphic.term(), points.len()));
    }
    let image = one.children.iter().find_map(|i| image_of(&document.root, i)).ok_or("its line is on no image")?;
    one_frame(image)?;
    let ends: Vec<PxPoint> = points.iter().map(|[x, y]| PxPoint::new(f64::from(*x), f64::from(*y))).collect();
    let [a, b] = ends[..] else { return Err("its graphic has not two ends".into()) };
    Ok((Some([a, b]), Some(image.clone())))
}

fn one_frame(image: &ImageRef) -> Result<(), String> {
    match image.frames.len() {
        0 if image.class_uid == uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE => {
            Err("it names a multi-frame image, and nothing says on which of its frames it was measured".into())
        }
        0 | 1 => Ok(()),
        n => Err(format!("it names {n} frames, and nothing says on which it was measured")),
    }
}

/// The image that a distance without a line is said to be measured on.
fn source(root: &Item, group: &Item, item: &Item) -> Result<Option<ImageRef>, String> {
    let of = |i: &Item| i.children.iter().filter_map(|c| image_of(root, c)).cloned().collect::<Vec<_>>();
    let own = of(item);
    let all = if own.is_empty() { of(group) } else { own };
    match all.as_slice() {
        [] => Ok(None),
        [one] => one_frame(one).map(|()| Some(one.clone())),
        many => Err(format!("it has {} source images, and nothing says on which it was measured", many.len())),
    }
}

/// One of our readings beside a distance of others on the same frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Beside {
    /// Id of our reading.
    pub record: String,
    /// Our distance in words.
    pub ours: String,
    /// Their length less the size of ours, mm; absent unless ours is a distance with both ends.
    pub difference_mm: Option<f64>,
    /// What 95 % of differences between two readings stay under, mm.
    pub limit_mm: f64,
    /// Whether that rests on an assumption.
    pub limit_is_assumed: bool,
    /// How far their ends lie from ours, mm, the os first; their ends are taken in the order that lies nearer.
    pub ends_mm: Option<[f64; 2]>,
}

/// Our current readings of the frame that `other` was measured on, each beside it.
#[must_use]
pub fn beside(other: &OtherDistance, records: &[ReadingRecord]) -> Vec<Beside> {
    let Some(image) = &other.image else { return Vec::new() };
    // One frame without a number is the only one of its image.
    let number = image.frames.first().copied().unwrap_or(1);
    let followed = followed(records.iter().map(|r| &r.follows));
    let same = |r: &&ReadingRecord| {
        r.frame.sop_instance_uid.as_deref() == Some(&image.instance_uid) && r.frame.frame_number == number && !followed.contains(r.id())
    };
    records.iter().filter(same).map(|r| one_beside(other, r)).collect()
}

fn one_beside(other: &OtherDistance, record: &ReadingRecord) -> Beside {
    let measured = record.distance.measured();
    let exact = match measured.map(|m| m.measurement.value) {
        Some(Value::Exact { signed_mm }) => Some(signed_mm.get().abs()),
        Some(Value::Reaches { centre_distance_mm }) => Some(centre_distance_mm.get()),
        _ => None,
    };
    let ends_mm = measured.zip(other.ends).map(|(m, [a, b])| {
        let (os, edge) = (record.landmarks.internal_os, record.landmarks.edge.at());
        let apart = |p, q| m.scale.calibration.distance(p, q).get();
        let (straight, turned) = ([apart(os, a), apart(edge, b)], [apart(os, b), apart(edge, a)]);
        if straight[0] + straight[1] <= turned[0] + turned[1] { straight } else { turned }
    });
    Beside {
        record: record.id().to_owned(),
        ours: record.headline.clone(),
        difference_mm: exact.map(|ours| other.mm.get() - ours),
        limit_mm: LIMIT_PER_SD * record.repeatability.sd_mm.get(),
        limit_is_assumed: record.repeatability.assumed,
        ends_mm,
    }
}

impl Beside {
    /// The comparison in sentences.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        let basis = if self.limit_is_assumed { "assumed" } else { "this department's own" };
        let mut out = vec![format!("Ours of the same frame: {}.", self.ours)];
        out.push(match self.difference_mm {
            Some(d) => {
                let than = if d.abs() > self.limit_mm { "more than" } else { "within" };
                let longer = if d < 0.0 { "shorter" } else { "longer" };
                format!(
                    "Their line is {:.1} mm {longer} than ours: {than} the {:.1} mm that 95 % of repeats stay under ({basis} repeatability). \
                     Their report says no side.",
                    d.abs(),
                    self.limit_mm
                )
            }
            None => "No difference in mm: ours is not a distance with both ends.".into(),
        });
        if let Some([os, edge]) = self.ends_mm {
            out.push(format!("Their ends lie {os:.1} mm from our os and {edge:.1} mm from our edge, taken in the nearer order."));
        }
        out
    }
}
