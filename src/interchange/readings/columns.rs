//! The columns: their names, units, meanings, and where in a record each comes from.

use serde::Serialize;

use super::{Cell, Column, Kind, Row};
use crate::estimate::TermKind;
use crate::guideline::{BandRef, Finding, Outcome};
use crate::measure::more::{MoreMeasured, Quantity};
use crate::measure::{EdgeMark, Length, Measurement, Value};
use crate::reading::Measured;
use crate::units::{Mm, PxPoint};

/// Every column, in order.
pub const COLUMNS: &[Column] = &[
    text("reading_id", "SHA-256 of the record: its name everywhere", |r| said(r.record.id())),
    text("follows", "ids of the records of this frame that it follows, separated by blanks", |r| some_words(&r.record.follows, " ")),
    flag("current", "no other record of the table follows it", |r| Cell::Flag(r.current)),
    flag("stands", "reports take a distance and finding from it: current, and not beside another reading that stands", |r| {
        Cell::Flag(r.stands)
    }),
    column("saved_at", Kind::Moment, "", "when it was saved", |r| r.record.saved_at.parse().map_or(Cell::Nothing, Cell::Moment)),
    text("software", "program and version that made it", |r| said(&r.record.software)),
    text("reader", "who read", |r| said(&r.record.reader)),
    text("patient_key", "stands for the patient; made from the patient number, so no secret to who knows that", |r| {
        r.record.patient.key().map_or(Cell::Nothing, Cell::Text)
    }),
    hers("patient_name", Kind::Text, "name as stored in the file", |r| r.record.patient.name.as_deref().map_or(Cell::Nothing, said)),
    hers("patient_number", Kind::Text, "patient number", |r| r.record.patient.number.as_deref().map_or(Cell::Nothing, said)),
    hers("birth_date", Kind::Day, "date of birth", |r| r.record.patient.birth_date.map_or(Cell::Nothing, Cell::Day)),
    hers("study_instance_uid", Kind::Text, "DICOM Study Instance UID of the exam", |r| {
        r.record.study_instance_uid.as_deref().map_or(Cell::Nothing, said)
    }),
    hers("sop_instance_uid", Kind::Text, "DICOM SOP Instance UID of the file", |r| {
        r.record.frame.sop_instance_uid.as_deref().map_or(Cell::Nothing, said)
    }),
    text("exam_key", "stands for the exam: readings of one exam share it", |r| Cell::Text(r.record.exam_key())),
    column("exam_date", Kind::Day, "", "day of the exam", |r| r.record.context.exam_date.map_or(Cell::Nothing, Cell::Day)),
    column("gestational_age_d", Kind::Whole, "d", "completed days from the first day of the last period", |r| {
        r.record.context.gestational_age().map_or(Cell::Nothing, |a| Cell::Whole(a.total_days().into()))
    }),
    text("frame_sha256", "SHA-256 of the frame's samples", |r| said(&r.record.frame.sha256)),
    column("frame_number", Kind::Whole, "", "number of the frame in its file, from 1", |r| Cell::Whole(r.record.frame.frame_number.into())),
    column("frame_columns_px", Kind::Whole, "px", "width of the frame", |r| Cell::Whole(r.record.geometry.columns.into())),
    column("frame_rows_px", Kind::Whole, "px", "height of the frame", |r| Cell::Whole(r.record.geometry.rows.into())),
    number("os_x_px", "px", "internal os, from the outer corner of the first pixel to the right", |r| {
        x(Some(r.record.landmarks.internal_os))
    }),
    number("os_y_px", "px", "internal os, from there down", |r| y(Some(r.record.landmarks.internal_os))),
    text("edge_mark", "what the far end is: placental-edge, last-placenta-seen, end-of-wall-seen", |r| {
        said(match r.record.landmarks.edge {
            EdgeMark::PlacentalEdge { .. } => "placental-edge",
            EdgeMark::LastPlacentaSeen { .. } => "last-placenta-seen",
            EdgeMark::EndOfWallSeen { .. } => "end-of-wall-seen",
        })
    }),
    number("edge_x_px", "px", "the far end, to the right", |r| x(Some(r.record.landmarks.edge.at()))),
    number("edge_y_px", "px", "the far end, down", |r| y(Some(r.record.landmarks.edge.at()))),
    number("body_x_px", "px", "the point on the placental body, to the right", |r| x(r.record.landmarks.placental_body)),
    number("body_y_px", "px", "the point on the placental body, down", |r| y(r.record.landmarks.placental_body)),
    text("side", "the reader's own statement: not-covering, reaches, covers", |r| named(&r.record.side)),
    text(
        "distance_kind",
        "exact; reaches; overlap-at-least (edge out of view beyond the os); no-placenta-within (none seen so far from the os); no-scale",
        |r| {
            said(match measurement(r).map(|m| m.value) {
                None => "no-scale",
                Some(Value::Exact { .. }) => "exact",
                Some(Value::Reaches { .. }) => "reaches",
                Some(Value::OverlapAtLeast { .. }) => "overlap-at-least",
                Some(Value::NoPlacentaWithin { .. }) => "no-placenta-within",
            })
        },
    ),
    number("distance_signed_mm", "mm", "edge to internal os where both were seen: positive not covering, negative overlap", |r| {
        match measurement(r).map(|m| m.value) {
            Some(Value::Exact { signed_mm }) => Cell::Number(signed_mm.get()),
            _ => Cell::Nothing,
        }
    }),
    number(
        "distance_size_mm",
        "mm",
        "length between the two marks without sign where the value is not exact: see distance_kind for what it bounds",
        |r| match measurement(r).map(|m| m.value) {
            Some(Value::Reaches { centre_distance_mm: mm } | Value::OverlapAtLeast { mm } | Value::NoPlacentaWithin { mm }) => {
                Cell::Number(mm.get())
            }
            _ => Cell::Nothing,
        },
    ),
    number("distance_u_mm", "mm", "standard uncertainty of the distance, all terms together (k = 1)", |r| {
        mm(measurement(r).map(|m| m.u_mm))
    }),
    number("distance_low95_mm", "mm", "lower end of the 95 % interval of the signed distance; empty where nothing bounds it", |r| {
        mm(measurement(r).and_then(|m| m.interval.low_mm))
    }),
    number("distance_high95_mm", "mm", "upper end of it", |r| mm(measurement(r).and_then(|m| m.interval.high_mm))),
    number("u_repeatability_mm", "mm", "its term for placing and acquiring together (k = 1)", |r| term(r, TermKind::TotalRepeatability)),
    number("u_scale_mm", "mm", "its term for the scale (k = 1)", |r| term(r, TermKind::Scale)),
    number("u_sound_speed_mm", "mm", "its term for the speed of sound (k = 1)", |r| term(r, TermKind::SoundSpeed)),
    flag("repeatability_assumed", "the repeatability is the labelled assumption, not the department's own", |r| {
        Cell::Flag(r.record.repeatability.assumed)
    }),
    text("distance_method", "method and version of the distance", |r| measurement(r).map_or(Cell::Nothing, |m| said(&m.method))),
    number("scale_x_mm_per_px", "mm/{pixel}", "scale to the right", |r| scale(r, |(x, _)| x)),
    number("scale_y_mm_per_px", "mm/{pixel}", "scale down", |r| scale(r, |(_, y)| y)),
    text("scale_basis", "what the scale rests on", |r| {
        measured(r).map_or(Cell::Nothing, |m| Cell::Text(m.scale.calibration.basis().words()))
    }),
    text("guideline", "id of the guideline table", |r| said(&r.record.table.id)),
    text("guideline_edition", "its edition", |r| said(&r.record.table.edition)),
    text("guideline_sha256", "SHA-256 of the table", |r| said(&r.record.table.digest)),
    text("finding_kind", "within one band; straddles several; reaches; no-placenta-within; not-applicable (the table is silent)", |r| {
        finding(r).map_or(Cell::Nothing, |f| {
            said(match f.outcome {
                Outcome::Within { .. } => "within",
                Outcome::Straddles { .. } => "straddles",
                Outcome::Reaches { .. } => "reaches",
                Outcome::NoPlacentaWithin { .. } => "no-placenta-within",
                Outcome::NotApplicable { .. } => "not-applicable",
            })
        })
    }),
    text("finding_band", "id of the band of the value, where there is one", |r| match finding(r).map(|f| &f.outcome) {
        Some(Outcome::Within { band } | Outcome::Straddles { nominal: band, .. }) => said(&band.id),
        _ => Cell::Nothing,
    }),
    text("finding_also", "ids of other bands that the interval or the statement leaves possible, separated by blanks", |r| {
        let also: Vec<&BandRef> = match finding(r).map(|f| &f.outcome) {
            Some(Outcome::Straddles { also, .. } | Outcome::Reaches { also }) => also.iter().collect(),
            Some(Outcome::NoPlacentaWithin { possible, also }) => possible.iter().chain(also).collect(),
            _ => Vec::new(),
        };
        some_words(&also.iter().map(|b| b.id.clone()).collect::<Vec<_>>(), " ")
    }),
    text("borderline_edges_mm", "edges of bands that the value is borderline to, mm, separated by blanks", |r| {
        let edges = finding(r).map(|f| f.borderline.iter().map(|e| e.edge_mm.get().to_string()).collect::<Vec<_>>());
        some_words(&edges.unwrap_or_default(), " ")
    }),
    text("headline", "the distance in words, as shown", |r| said(&r.record.headline)),
    text("finding_words", "the finding in words, as shown", |r| said(&r.record.finding_words)),
    text("cautions", "ids of the cautions shown, separated by blanks", |r| {
        some_words(&r.record.cautions.iter().map(spelled).collect::<Vec<_>>(), " ")
    }),
    text("route", "how the frame was acquired", |r| named(&r.record.context.route)),
    text("bladder", "the bladder during the scan", |r| named(&r.record.context.bladder)),
    text("contraction", "a contraction of the lower uterine wall in the frame", |r| named(&r.record.context.contraction)),
    text("bleeding", "vaginal bleeding", |r| named(&r.record.context.bleeding)),
    text("adequacy", "whether the reader attests the frame: adequate, not-stated, inadequate", |r| {
        said(match r.record.notes.checklist.adequacy() {
            crate::exam::Adequacy::Adequate => "adequate",
            crate::exam::Adequacy::NotStated => "not-stated",
            crate::exam::Adequacy::Inadequate { .. } => "inadequate",
        })
    }),
    column("frame_set", Kind::Whole, "", "set of frames within the exam: 2 and more for rescans", |r| {
        Cell::Whole(r.record.notes.set.unwrap_or(1).into())
    }),
    number("cervical_length_mm", "mm", "external to internal os, straight", |r| more(r, cervix, |l| l.mm)),
    number("cervical_length_u_mm", "mm", "its standard uncertainty (k = 1)", |r| more(r, cervix, |l| l.u_mm)),
    number("edge_thickness_mm", "mm", "thickness of the placental edge", |r| more(r, thickness, |l| l.mm)),
    number("edge_thickness_u_mm", "mm", "its standard uncertainty (k = 1)", |r| more(r, thickness, |l| l.u_mm)),
    number("edge_angle_deg", "deg", "angle between the plates at the placental edge", |r| {
        measured_of(r.record.more.thickness.as_ref()).map_or(Cell::Nothing, |t| Cell::Number(t.angle_degrees))
    }),
    number("edge_angle_u_deg", "deg", "its standard uncertainty (k = 1)", |r| {
        measured_of(r.record.more.thickness.as_ref()).map_or(Cell::Nothing, |t| Cell::Number(t.u_angle_degrees))
    }),
    number("vessel_to_os_mm", "mm", "internal os to the nearest wall of a vessel outside the placenta", |r| more(r, vessel, |l| l.mm)),
    number("vessel_to_os_u_mm", "mm", "its standard uncertainty (k = 1)", |r| more(r, vessel, |l| l.u_mm)),
    number("along_wall_mm", "mm", "internal os to the far end along the wall", |r| more(r, wall, |l| l.mm)),
    number("along_wall_u_mm", "mm", "its standard uncertainty (k = 1)", |r| more(r, wall, |l| l.u_mm)),
    number("os_width_mm", "mm", "from one end of the os to the other", |r| more(r, os_width, |l| l.mm)),
    number("os_width_u_mm", "mm", "its standard uncertainty (k = 1)", |r| more(r, os_width, |l| l.u_mm)),
];

type Of = fn(&Row<'_>) -> Cell;

const fn column(name: &'static str, kind: Kind, unit: &'static str, means: &'static str, of: Of) -> Column {
    Column { name, kind, unit, means, identity: false, of }
}

const fn text(name: &'static str, means: &'static str, of: Of) -> Column {
    column(name, Kind::Text, "", means, of)
}

const fn flag(name: &'static str, means: &'static str, of: Of) -> Column {
    column(name, Kind::Flag, "", means, of)
}

const fn number(name: &'static str, unit: &'static str, means: &'static str, of: Of) -> Column {
    column(name, Kind::Number, unit, means, of)
}

/// A column that says who she is or leads back to her files.
const fn hers(name: &'static str, kind: Kind, means: &'static str, of: Of) -> Column {
    Column { name, kind, unit: "", means, identity: true, of }
}

fn said(text: &str) -> Cell {
    Cell::Text(text.to_owned())
}

fn some_words(words: &[String], between: &str) -> Cell {
    if words.is_empty() { Cell::Nothing } else { Cell::Text(words.join(between)) }
}

/// A value as records spell it.
fn spelled(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(s)) => s,
        Ok(other) => other.to_string(),
        Err(_) => String::new(),
    }
}

fn named(value: &impl Serialize) -> Cell {
    Cell::Text(spelled(value))
}

fn measured<'a>(row: &Row<'a>) -> Option<&'a Measured> {
    row.record.distance.measured()
}

fn measurement<'a>(row: &Row<'a>) -> Option<&'a Measurement> {
    measured(row).map(|m| &m.measurement)
}

fn finding<'a>(row: &Row<'a>) -> Option<&'a Finding> {
    measured(row).map(|m| &m.finding)
}

fn mm(value: Option<Mm>) -> Cell {
    value.map_or(Cell::Nothing, |v| Cell::Number(v.get()))
}

fn x(point: Option<PxPoint>) -> Cell {
    point.map_or(Cell::Nothing, |p| Cell::Number(p.x))
}

fn y(point: Option<PxPoint>) -> Cell {
    point.map_or(Cell::Nothing, |p| Cell::Number(p.y))
}

fn term(row: &Row<'_>, kind: TermKind) -> Cell {
    mm(measurement(row).and_then(|m| m.terms.iter().find(|t| t.kind == kind)).map(|t| t.u_mm))
}

fn scale(row: &Row<'_>, axis: fn((f64, f64)) -> f64) -> Cell {
    measured(row).map_or(Cell::Nothing, |m| Cell::Number(axis(m.scale.calibration.mm_per_px())))
}

fn measured_of<T>(quantity: Option<&Quantity<T>>) -> Option<&T> {
    quantity.and_then(Quantity::measured)
}

fn more(row: &Row<'_>, of: fn(&MoreMeasured) -> Option<&Length>, number: fn(&Length) -> Mm) -> Cell {
    mm(of(&row.record.more).map(number))
}

fn cervix(m: &MoreMeasured) -> Option<&Length> {
    measured_of(m.cervix.as_ref()).map(|c| &c.straight)
}

fn thickness(m: &MoreMeasured) -> Option<&Length> {
    measured_of(m.thickness.as_ref()).map(|t| &t.thickness)
}

fn vessel(m: &MoreMeasured) -> Option<&Length> {
    measured_of(m.vessel.as_ref()).map(|v| &v.length)
}

fn wall(m: &MoreMeasured) -> Option<&Length> {
    measured_of(m.wall.as_ref()).map(|w| &w.trace)
}

fn os_width(m: &MoreMeasured) -> Option<&Length> {
    m.patch().map(|p| &p.width)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn names_are_unique_and_a_unit_stands_at_the_end() {
        let mut seen = HashSet::new();
        for c in COLUMNS {
            assert!(seen.insert(c.name), "{} twice", c.name);
            let ending = match c.unit {
                "mm/{pixel}" => "_mm_per_px",
                "" => "",
                unit => &format!("_{unit}"),
            };
            assert!(c.name.ends_with(ending), "{} [{}]", c.name, c.unit);
            assert!(c.unit.is_empty() || matches!(c.kind, Kind::Number | Kind::Whole), "{}", c.name);
        }
    }
}
