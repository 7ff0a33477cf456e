//! One saved reading as a measurement group (TID 1501): its numbers, landmarks, finding, and what they rest on.

use super::check::ImageFacts;
use super::codes::{self as c, Code};
use super::tree::{Graphic, ImageRef, Item, Relationship as R, Value as V};
use crate::calibrate::{Basis, Calibration, HEADER_SOURCE, SOUND_SPEED_SOURCE};
use crate::context::Route;
use crate::dicom::write::uid_from;
use crate::error::Result;
use crate::estimate::{Interval, Term, TermKind};
use crate::exam::Adequacy;
use crate::guideline::{BandKind, BandRef, Finding, Outcome, Shelf, TableRef, headline};
use crate::measure::more::{MoreMeasured, Quantity};
use crate::measure::{EdgeMark, Landmarks, Length, Measurement, Repeatability, Side, SideCheck, Value, cervix};
use crate::reading::Distance;
use crate::record::ReadingRecord;
use crate::source::Citation;
use crate::units::PxPoint;

/// Whether names, dates and free texts are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Identity {
    /// As the record knows them.
    Shown,
    /// Left out.
    Withheld,
}

impl Identity {
    pub(super) fn shown(self) -> bool {
        self == Self::Shown
    }
}

/// What the marks of one reading are drawn on.
pub(super) struct Drawn<'a> {
    pub(super) image: &'a ImageFacts,
    pub(super) frame: u32,
    pub(super) identity: Identity,
}

impl Drawn<'_> {
    /// The reference to the very frame.
    pub(super) fn reference(&self) -> ImageRef {
        ImageRef {
            class_uid: self.image.class_uid.clone(),
            instance_uid: self.image.instance_uid.clone(),
            frames: if self.image.is_multi_frame() { vec![self.frame] } else { Vec::new() },
        }
    }

    fn scoord(&self, relationship: R, concept: Code, points: &[PxPoint]) -> Item {
        let graphic = if points.len() == 1 { Graphic::Point } else { Graphic::Polyline };
        let stored = points.iter().map(|p| [p.x as f32, p.y as f32]).collect();
        let image = Item { relationship: Some(R::SelectedFrom), concept: None, value: V::Image(self.reference()), children: Vec::new() };
        Item::new(relationship, concept, V::Scoord { graphic, points: stored, origin: None }).with([image])
    }

    /// The line or lines that a number follows from.
    fn line(&self, points: &[PxPoint]) -> Item {
        self.scoord(R::InferredFrom, c::SOURCE, points)
    }
}

/// `name@version` as the standard's algorithm name and version.
fn method(named: &str, how: Code) -> [Item; 3] {
    let (name, version) = named.rsplit_once('@').unwrap_or((named, ""));
    [
        Item::code(R::HasConceptMod, c::METHOD, how),
        Item::text(R::HasConceptMod, c::ALGORITHM, name),
        Item::text(R::HasConceptMod, c::ALGORITHM_VERSION, if version.is_empty() { "unversioned" } else { version }),
    ]
}

fn sign(code: Code) -> Item {
    Item::code(R::HasConceptMod, c::SIGN, code)
}

/// Both ends of an interval of a signed distance, as far as it has them.
pub(super) fn ends(interval: &Interval, convention: &Code) -> Vec<Item> {
    let end = |concept, mm: Option<crate::units::Mm>| {
        mm.map(|v| Item::num(R::HasProperties, concept, v.get(), c::MM).with([sign(convention.clone())]))
    };
    let mut out: Vec<Item> = [end(c::LOW_END, interval.low_mm), end(c::HIGH_END, interval.high_mm)].into_iter().flatten().collect();
    out.push(Item::num(R::HasProperties, c::COVERAGE, interval.coverage, c::ONE));
    out
}

/// The interval as the standard says it: how far it reaches above and below the value.
fn ranges(value: f64, interval: &Interval) -> Vec<Item> {
    let range = |concept, by: Option<f64>| by.map(|by| Item::num(R::HasProperties, concept, by, c::MM));
    [range(c::ABOVE, interval.high_mm.map(|h| h.get() - value)), range(c::BELOW, interval.low_mm.map(|l| value - l.get()))]
        .into_iter()
        .flatten()
        .collect()
}

/// A source that may name a place, a person or a day is left out where identity is.
fn source_words(source: &Citation, identity: Identity) -> String {
    let known = [HEADER_SOURCE, SOUND_SPEED_SOURCE, Repeatability::assumed_total().source, cervix::published_repeatability().source];
    if identity.shown() || known.contains(source) { source.to_string() } else { format!("left out ({})", source.provenance) }
}

/// The terms of an uncertainty, each with its method and source, and what they come to.
fn uncertainty(terms: &[Term], u_mm: f64, identity: Identity) -> Vec<Item> {
    let mut out = vec![Item::num(R::HasProperties, c::U_ALL, u_mm, c::MM)];
    out.extend(terms.iter().map(|t| {
        let concept = match t.kind {
            TermKind::TotalRepeatability => c::U_REPEAT,
            TermKind::Scale => c::U_SCALE,
            TermKind::SoundSpeed => c::U_SOUND,
        };
        Item::num(R::HasProperties, concept, t.u_mm.get(), c::MM).with([
            Item::text(R::HasConceptMod, c::TERM_METHOD, t.method.clone()),
            Item::text(R::HasConceptMod, c::TERM_SOURCE, source_words(&t.source, identity)),
        ])
    }));
    out
}

/// A value of the edge-to-os distance: its concept, the number that stands there, and the convention of its sign. One-sided
/// values and an edge at the os have concepts of their own, so that nobody takes one for a distance.
pub(super) fn spoken(value: &Value) -> (Code, f64, Code) {
    match value {
        Value::Exact { signed_mm } => (c::DISTANCE, signed_mm.get(), c::SIGNED),
        Value::Reaches { centre_distance_mm } => (c::REACH_DISTANCE, centre_distance_mm.get(), c::UNSIGNED),
        Value::OverlapAtLeast { mm } => (c::OVERLAP_AT_LEAST, mm.get(), c::UNSIGNED),
        Value::NoPlacentaWithin { mm } => (c::NONE_WITHIN, mm.get(), c::UNSIGNED),
    }
}

/// The edge-to-os distance with its error.
fn distance(m: &Measurement, marks: &Landmarks, drawn: &Drawn<'_>) -> Item {
    let (concept, number, convention) = spoken(&m.value);
    let mut item = Item::num(R::Contains, concept, number, c::MM)
        .with(method(&m.method, c::OS_TO_EDGE))
        .with([sign(convention), Item::code(R::HasConceptMod, c::SITE, c::CERVIX)]);
    if matches!(m.value, Value::Exact { .. }) {
        item = item.with(ranges(number, &m.interval));
    }
    // The interval is always one of the signed distance.
    let assumed = Item::code(R::HasProperties, c::REPEAT_ASSUMED, if m.assumed_repeatability { c::YES } else { c::NO });
    item.with(ends(&m.interval, &c::SIGNED))
        .with(uncertainty(&m.terms, m.u_mm.get(), drawn.identity))
        .with([assumed, drawn.line(&[marks.internal_os, marks.edge.at()])])
}

/// A plain length with its error, along `points`.
fn length(concept: Code, l: &Length, how: (&str, Code), points: &[PxPoint], drawn: &Drawn<'_>) -> Item {
    let (named, code) = how;
    let line = (!points.is_empty()).then(|| drawn.line(points));
    Item::num(R::Contains, concept, l.mm.get(), c::MM)
        .with(method(named, code))
        .with([sign(c::UNSIGNED)])
        .with(ranges(l.mm.get(), &l.interval))
        .with(ends(&l.interval, &c::UNSIGNED))
        .with(uncertainty(&l.terms, l.u_mm.get(), drawn.identity))
        .with(line)
}

/// The lengths of the further landmarks, and why those that are missing are.
fn more(record: &ReadingRecord, drawn: &Drawn<'_>) -> Vec<Item> {
    let (marks, landmarks) = (&record.notes.more, &record.landmarks);
    let MoreMeasured { cervix, thickness, vessel, wall, os_patch } = &record.more;
    let mut out = Vec::new();
    let os = landmarks.internal_os;
    let through = |from: Option<PxPoint>, between: &[PxPoint], to: Option<PxPoint>| -> Vec<PxPoint> {
        from.into_iter().chain(between.iter().copied()).chain(to).collect()
    };
    fn missing<T>(name: &str, q: Option<&Quantity<T>>, out: &mut Vec<Item>) {
        if let Some(Quantity::Missing { reason }) = q {
            out.push(Item::text(R::Contains, c::MISSING, format!("{name}: {reason}")));
        }
    }
    missing("cervical length", cervix.as_ref(), &mut out);
    missing("edge thickness", thickness.as_ref(), &mut out);
    missing("vessel", vessel.as_ref(), &mut out);
    missing("along the wall", wall.as_ref(), &mut out);
    missing("width of the os", os_patch.as_ref(), &mut out);
    if let Some(m) = cervix.as_ref().and_then(Quantity::measured) {
        let how = (m.method.as_str(), c::ALONG_MARKS);
        out.push(length(c::CERVICAL_LENGTH, &m.straight, how.clone(), &through(marks.external_os, &[], Some(os)), drawn));
        out.extend(m.trace.iter().map(|t| length(c::CANAL, t, how.clone(), &through(marks.external_os, &marks.canal, Some(os)), drawn)));
    }
    if let Some(m) = thickness.as_ref().and_then(Quantity::measured) {
        out.push(length(
            c::THICKNESS,
            &m.thickness,
            (&m.method, c::ALONG_MARKS),
            &through(marks.basal_plate, &[], marks.chorionic_plate),
            drawn,
        ));
        let corner = through(marks.basal_plate, marks.plates_meet.as_slice(), marks.chorionic_plate);
        out.push(
            Item::num(R::Contains, c::PLATE_ANGLE, m.angle_degrees, c::DEGREE)
                .with(method(&m.method, c::ANGLE_OF_MARKS))
                .with([Item::num(R::HasProperties, c::U_ALL, m.u_angle_degrees, c::DEGREE), drawn.line(&corner)]),
        );
    }
    if let Some(m) = vessel.as_ref().and_then(Quantity::measured) {
        out.push(length(c::VESSEL, &m.length, (&m.method, c::ALONG_MARKS), &through(Some(os), &[], marks.vessel), drawn));
    }
    if let Some(m) = wall.as_ref().and_then(Quantity::measured) {
        let along = through(Some(os), &marks.wall, Some(landmarks.edge.at()));
        out.push(length(c::WALL, &m.trace, (&m.method, c::ALONG_MARKS), &along, drawn));
    }
    if let Some(m) = os_patch.as_ref().and_then(Quantity::measured) {
        out.push(length(c::OS_WIDTH, &m.width, (&m.method, c::ALONG_MARKS), &through(marks.os_end, &[], marks.os_other_end), drawn));
        // The rim is reckoned, not marked: there is no line to show.
        out.extend(m.to_edge.iter().map(|l| length(c::RIM_TO_EDGE, l, (&m.method, c::RIM_TO_EDGE_LINE), &[], drawn)));
    }
    out
}

/// The scale in use and what it rests on.
fn scale(record: &ReadingRecord, calibration: &Calibration, warnings: &[String], identity: Identity) -> Vec<Item> {
    let (x, y) = calibration.mm_per_px();
    let (u_x, u_y, correlation) = calibration.relative_uncertainty();
    let axis = |concept, value, u| {
        Item::num(R::Contains, concept, value, c::PER_PIXEL).with([
            Item::num(R::HasProperties, c::U_RELATIVE, u, c::ONE),
            Item::text(R::HasConceptMod, c::TERM_SOURCE, source_words(calibration.scale_source(), identity)),
        ])
    };
    let basis = match calibration.basis() {
        b if identity.shown() => b.words(),
        b @ Basis::HeaderRegion { .. } => b.words(),
        Basis::PixelSpacing { .. } => "Pixel Spacing alone, accepted by a person".into(),
        Basis::Hand { .. } => "set by hand on the marks in the picture".into(),
    };
    let mut out = vec![
        axis(c::SCALE_X, x, u_x),
        axis(c::SCALE_Y, y, u_y).with([Item::num(R::HasProperties, c::CORRELATION, correlation, c::ONE)]),
        Item::text(R::Contains, c::SCALE_BASIS, basis).with([
            Item::num(R::HasProperties, c::U_SPEED, calibration.sound_speed_uncertainty(), c::ONE),
            Item::text(R::HasConceptMod, c::TERM_SOURCE, source_words(calibration.sound_speed_source(), identity)),
        ]),
    ];
    // That a person decided is said without who it was and why.
    let decided = "Something speaks against this scale";
    out.extend(
        warnings
            .iter()
            .map(|w| match identity {
                Identity::Withheld if w.starts_with(decided) => format!("{decided}; a person decided to use it"),
                _ => w.clone(),
            })
            .map(|w| Item::text(R::Contains, c::SCALE_WARNING, w)),
    );
    let check = match (&record.scale_facts.last_check, identity) {
        (None, _) => None,
        (Some(check), Identity::Shown) => Some(check.words()),
        (Some(check), Identity::Withheld) => {
            let (x, y) = check.within_percent();
            Some(format!("within {x:.1} % across and {y:.1} % down"))
        }
    };
    out.extend(check.map(|t| Item::text(R::Contains, c::SCALE_CHECK, t)));
    out
}

const fn band(kind: BandKind) -> Code {
    match kind {
        BandKind::Covering => c::BAND_COVERING,
        BandKind::Reaching => c::BAND_REACHING,
        BandKind::LowLying => c::BAND_LOW,
        BandKind::NotLow => c::BAND_NOT_LOW,
    }
}

/// What a reading or an exam is under its table. A table that is not bundled may be named after a place.
pub(super) fn finding(f: &Finding, identity: Identity) -> Item {
    let label = |b: &BandRef| Item::text(R::HasProperties, c::BAND_LABEL, b.label.clone());
    let named = identity.shown() || is_bundled(&f.table);
    let also = |bands: &[BandRef]| -> Vec<Item> {
        bands.iter().map(|b| Item::code(R::HasProperties, c::ALSO, band(b.kind)).with(named.then(|| label(b)))).collect()
    };
    let (value, mut more) = match &f.outcome {
        Outcome::Within { band: b } => {
            let mut more: Vec<Item> = named.then(|| label(b)).into_iter().collect();
            if b.kind == BandKind::Covering {
                more.push(Item::code(R::HasProperties, c::FINDING, c::PREVIA));
            }
            (band(b.kind), more)
        }
        Outcome::Straddles { nominal, also: others } => {
            let mut more: Vec<Item> = named.then(|| label(nominal)).into_iter().collect();
            more.extend(also(others));
            (band(nominal.kind), more)
        }
        Outcome::Reaches { also: others } => (c::BAND_REACHING, also(others)),
        Outcome::NoPlacentaWithin { possible, also: others } => {
            let mut more = also(possible);
            more.extend(also(others));
            (c::BAND_NONE_SEEN, more)
        }
        Outcome::NotApplicable { .. } => (c::NOT_APPLICABLE, Vec::new()),
    };
    more.extend(f.notes.iter().map(|n| Item::text(R::HasProperties, c::FINDING_NOTE, n.words())));
    if named {
        more.push(Item::text(R::HasProperties, c::FINDING_WORDS, headline(f)));
    }
    Item::code(R::Contains, c::OUTCOME, value).with(more).with(table(&f.table, identity))
}

fn is_bundled(t: &TableRef) -> bool {
    Shelf::bundled().by_digest(&t.id, &t.digest).is_some()
}

/// The table that a finding was made with.
fn table(t: &TableRef, identity: Identity) -> [Item; 3] {
    let (name, edition) =
        if identity.shown() || is_bundled(t) { (t.name.as_str(), t.edition.as_str()) } else { ("a department's own table", "left out") };
    [
        Item::text(R::HasProperties, c::TABLE, name),
        Item::text(R::HasProperties, c::TABLE_EDITION, edition),
        Item::text(R::HasProperties, c::TABLE_DIGEST, t.digest.clone()),
    ]
}

fn side(s: Side) -> Code {
    match s {
        Side::NotCovering => c::SIDE_AWAY,
        Side::Reaches => c::SIDE_REACHES,
        Side::Covers => c::SIDE_COVERS,
    }
}

fn side_check(s: &SideCheck) -> String {
    match s {
        SideCheck::NotMarked => "not marked".into(),
        SideCheck::Agrees => "agrees".into(),
        SideCheck::Disagrees => "disagrees".into(),
        SideCheck::CannotTell { angle_degrees } => format!("cannot tell: {angle_degrees:.0} degrees from the line"),
        SideCheck::TooFar { distance_mm } => format!("cannot tell: {:.0} mm from the edge", distance_mm.get()),
    }
}

/// The marks of the distance, each at its place.
fn landmarks(l: &Landmarks, drawn: &Drawn<'_>) -> Vec<Item> {
    let edge = match l.edge {
        EdgeMark::PlacentalEdge { .. } => c::EDGE,
        EdgeMark::LastPlacentaSeen { .. } => c::LAST_SEEN,
        EdgeMark::EndOfWallSeen { .. } => c::END_OF_WALL,
    };
    let mut all = vec![(c::INTERNAL_OS, l.internal_os), (edge, l.edge.at())];
    all.extend(l.placental_body.map(|p| (c::BODY, p)));
    all.extend(l.marginal_sinus.map(|p| (c::SINUS_MARK, p)));
    all.into_iter().map(|(concept, p)| drawn.scoord(R::Contains, concept, &[p])).collect()
}

/// What was stated of the frame, and whether it counts.
fn stated(record: &ReadingRecord, identity: Identity) -> Vec<Item> {
    let context = record.context_in_force();
    let route = match context.route {
        Route::Transvaginal => Some(c::TRANSVAGINAL),
        Route::Transabdominal => Some(c::TRANSABDOMINAL),
        Route::Translabial => Some(c::TRANSLABIAL),
        _ => None,
    };
    let mut checklist = record.notes.checklist.clone();
    if !identity.shown() {
        // The reader's own words may name someone.
        checklist.other_reason = checklist.other_reason.map(|_| "another reason".into());
    }
    let adequacy: Adequacy = checklist.adequacy();
    let mut facts = vec![
        format!("route {}", context.route.words()),
        format!("bladder {}", context.bladder.words()),
        format!("contraction {}", context.contraction.words()),
    ];
    if let Some(v) = record.more.vessel.as_ref().and_then(Quantity::measured) {
        let word = |a: Option<bool>| a.map_or("not stated", |yes| if yes { "yes" } else { "no" });
        facts.push(format!("vessel with fetal rate: {}; loop of cord excluded: {}", word(v.fetal_rate), word(v.cord_loop_excluded)));
    }
    let mut out: Vec<Item> = route.map(|r| Item::code(R::Contains, c::PROTOCOL, r)).into_iter().collect();
    out.push(Item::text(R::Contains, c::FACTS, facts.join("; ")));
    out.push(Item::text(R::Contains, c::ADEQUACY, adequacy.words()));
    out.push(Item::text(R::Contains, c::SET, record.notes.set_number().to_string()));
    out
}

/// What a report without identity stands in for.
const LEFT_OUT: &str = "left out: it names a person or a day";

/// Replaces every text below `item` that holds one of `secrets` or a calendar date: what is shown is chosen item by item, and
/// a text that comes to hold a name one day must not slip through.
pub(super) fn scrub(item: &mut Item, secrets: &[String]) {
    if let V::Text(text) = &mut item.value
        && (has_date(text) || secrets.iter().any(|s| holds(text, s)))
    {
        *text = LEFT_OUT.into();
    }
    item.children.iter_mut().for_each(|child| scrub(child, secrets));
}

/// Whether `text` holds `secret` as whole words.
fn holds(text: &str, secret: &str) -> bool {
    text.match_indices(secret).any(|(at, _)| {
        let before = text.get(..at).and_then(|t| t.chars().next_back());
        let after = text.get(at + secret.len()..).and_then(|t| t.chars().next());
        !before.is_some_and(char::is_alphanumeric) && !after.is_some_and(char::is_alphanumeric)
    })
}

/// Whether a text holds a date such as 2031-03-14.
fn has_date(text: &str) -> bool {
    let digit = |b: &u8, shape: u8| if shape == b'9' { b.is_ascii_digit() } else { *b == shape };
    text.as_bytes().windows(10).any(|w| w.iter().zip(b"9999-99-99").all(|(b, shape)| digit(b, *shape)))
}

/// Everything of a record that names somebody: names whole and in their parts, free texts whole.
pub(super) fn secrets(record: &ReadingRecord) -> Vec<String> {
    let facts = &record.scale_facts;
    let names: Vec<&str> = [
        record.patient.name.as_deref(),
        record.patient.number.as_deref(),
        Some(record.reader.as_str()),
        record.pixel_spacing_consent.as_ref().map(|c| c.by.as_str()),
        facts.hand.as_ref().map(|h| h.by.as_str()),
        facts.resolved.as_ref().map(|r| r.by.as_str()),
    ]
    .into_iter()
    .flatten()
    .chain(record.context.measured_elsewhere.iter().map(|m| m.by.as_str()))
    .collect();
    let texts = [facts.resolved.as_ref().map(|r| r.reason.as_str()), record.notes.checklist.other_reason.as_deref()];
    // Parts in small letters are words of a language ("reader"), and short ones initials and particles.
    let is_name = |p: &&str| p.chars().count() > 2 && !p.starts_with(|ch: char| ch.is_ascii_lowercase());
    let parts = names.iter().flat_map(|n| n.split(['^', '=', ' '])).filter(is_name);
    let whole = names.iter().copied().chain(texts.into_iter().flatten());
    parts.chain(whole).map(str::trim).filter(|t| t.chars().count() > 2).map(str::to_owned).collect()
}

/// The tracking identifier and unique identifier of a group; both follow from `seed` alone.
pub(super) fn tracking(label: &str, seed: &str) -> [Item; 2] {
    [
        Item::text(R::HasObsContext, c::TRACKING_ID, label),
        Item::new(R::HasObsContext, c::TRACKING_UID, V::Uid(uid_from(&format!("structured report group/{seed}")))),
    ]
}

/// The group of one saved reading.
///
/// # Errors
/// As [`ReadingRecord::to_json`].
pub(super) fn group(record: &ReadingRecord, image: &ImageFacts, identity: Identity) -> Result<Item> {
    let drawn = Drawn { image, frame: record.frame.frame_number, identity };
    let short = record.id().get(..20).unwrap_or(record.id());
    let mut out = Item::container(R::Contains, c::GROUP)
        .with(tracking(&format!("edge-to-os reading {short}"), record.id()))
        .with([Item::code(R::Contains, c::FINDING, c::PLACENTA), Item::code(R::HasConceptMod, c::SITE, c::CERVIX)]);
    match &record.distance {
        Distance::Measured(m) => {
            out = out.with([distance(&m.measurement, &record.landmarks, &drawn)]);
            if let Some((mm, at)) = m.measurement.marginal_sinus_mm.zip(record.landmarks.marginal_sinus) {
                out = out.with([Item::num(R::Contains, c::SINUS, mm.get(), c::MM)
                    .with(method(&m.measurement.method, c::ALONG_MARKS))
                    .with([sign(c::UNSIGNED), drawn.line(&[record.landmarks.internal_os, at])])]);
            }
            out = out
                .with(more(record, &drawn))
                .with(scale(record, &m.scale.calibration, &m.scale.warnings, identity))
                .with([Item::text(R::Contains, c::SIDE_CHECK, side_check(&m.measurement.side_check)), finding(&m.finding, identity)]);
        }
        Distance::NoScale { reason } => {
            out = out.with(more(record, &drawn)).with([Item::text(R::Contains, c::NO_SCALE, reason.clone())]);
        }
    }
    out = out
        .with([Item::code(R::Contains, c::SIDE, side(record.side)), Item::text(R::Contains, c::HEADLINE, record.headline.clone())])
        .with(stated(record, identity))
        .with(landmarks(&record.landmarks, &drawn))
        .with([
            Item::new(R::Contains, c::SOURCE_IMAGE, V::Image(drawn.reference())),
            Item::text(R::Contains, c::RECORD, record.id()),
            Item::text(R::Contains, c::FRAME_DIGEST, record.frame.sha256.clone()),
            Item::text(R::Contains, c::SOFTWARE, record.software.clone()),
            Item::text(R::Contains, c::RULES, record.rules.to_string()),
        ]);
    if identity.shown() {
        out = out.with([Item::text(R::Contains, c::SAVED_AT, record.saved_at.clone())]);
        // A record of an earlier shape may not be written as it stood; then its digest would not be that of the text.
        if record.digest()? == record.id() {
            out = out.with([Item::text(R::Contains, c::WHOLE_RECORD, record.to_json()?.trim_end())]);
        }
    }
    Ok(out)
}
