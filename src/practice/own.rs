//! A department's own cases: approved frames without identity from a teaching set, with a consensus as truth.
//!
//! Their truth is what readers agreed on, not what is there: they are scored apart from the course's.

use serde::{Deserialize, Serialize};

use super::key::AnswerKey;
use super::marking::{Expected, Reason};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Geometry;
use crate::load::Facts;
use crate::measure::{EdgeMark, Landmarks, Side};
use crate::record::{LIMIT_PER_SD, ReadingRecord};
use crate::synth::cases::{NEAR_MM, THRESHOLDS_MM};
use crate::units::{Mm, PxPoint};

use super::marking::TARGET_SD_MM;

/// Version of the shape of an own case's file.
pub const OWN_SCHEMA: &str = "osspan-own-case/1";
/// Fewest readers of a consensus (own assumption).
const LEAST_READERS: usize = 2;

/// One own case as it stands in its file. The truth is sealed: the file tells nothing of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnCase {
    /// [`OWN_SCHEMA`].
    pub schema: String,
    /// Its identifier.
    pub id: String,
    /// Who added it.
    pub added_by: String,
    /// When, RFC 3339.
    pub added_at: String,
    /// SHA-256 (hex) of the frame's file.
    pub file_sha256: String,
    /// The line that comes with it.
    pub note: String,
    /// The sealed [`AnswerKey`].
    pub sealed: String,
}

impl OwnCase {
    /// Reads one.
    ///
    /// # Errors
    /// [`ErrorKind::Format`].
    pub fn from_json(text: &str) -> Result<Self> {
        let fail = |found: String| Error::new(ErrorKind::Format, "the own case cannot be read").expected(OWN_SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| fail(e.to_string()))?;
        if read.schema == OWN_SCHEMA { Ok(read) } else { Err(fail(read.schema)) }
    }
}

fn refused() -> Error {
    Error::new(ErrorKind::Invalid, "the frame is not added")
}

/// Whether a file is one that a teaching set was written with: identity removed, pixels looked at.
///
/// # Errors
/// [`ErrorKind::Invalid`] when it does not say so.
pub fn check_approved(facts: &Facts) -> Result<()> {
    if facts.identity_removed == Some(true) && facts.burned_in == Some(false) {
        return Ok(());
    }
    Err(refused()
        .expected("a frame of a teaching set: identity removed, no text in the picture")
        .found("a file that does not say both")
        .remedy("Prepare, approve and write it with osspan export, or on the page teaching set (F3)"))
}

/// The consensus of the readings of one frame: the middle of each landmark.
///
/// # Errors
/// [`ErrorKind::Invalid`] with fewer than two readers, with sides or kinds of mark that differ, or with distances farther apart
/// than two readings at the target may be (2.77 SD).
pub fn consensus(geometry: &Geometry, readings: &[&ReadingRecord], why: &str) -> Result<AnswerKey> {
    let mut newest: Vec<&ReadingRecord> = Vec::new();
    for r in readings {
        newest.retain(|n| n.reader != r.reader);
        newest.push(r);
    }
    let first = newest.first().filter(|_| newest.len() >= LEAST_READERS).ok_or_else(|| {
        refused()
            .expected(format!(
                "readings of the frame by at least {LEAST_READERS} readers in the teaching set (an assumption of this program)"
            ))
            .found(newest.len().to_string())
    })?;
    let exact = |r: &&ReadingRecord| matches!(r.landmarks.edge, EdgeMark::PlacentalEdge { .. }) && r.side == first.side;
    if !newest.iter().all(exact) {
        return Err(refused()
            .expected("readers who state the same side and mark the edge itself")
            .found("others")
            .remedy("Settle it first"));
    }
    let middle = |of: &dyn Fn(&ReadingRecord) -> PxPoint| {
        let n = newest.len() as f64;
        let sum = newest.iter().fold((0.0, 0.0), |(x, y), r| (x + of(r).x, y + of(r).y));
        PxPoint::new(sum.0 / n, sum.1 / n)
    };
    let body = newest.iter().all(|r| r.landmarks.placental_body.is_some());
    let landmarks = Landmarks {
        internal_os: middle(&|r| r.landmarks.internal_os),
        edge: EdgeMark::PlacentalEdge { at: middle(&|r| r.landmarks.edge.at()) },
        placental_body: body.then(|| middle(&|r| r.landmarks.placental_body.unwrap_or(r.landmarks.internal_os))),
        marginal_sinus: None,
    };
    let distances: Vec<f64> = newest.iter().filter_map(|r| size(r)).collect();
    let most = distances.iter().copied().fold(f64::NEG_INFINITY, f64::max) - distances.iter().copied().fold(f64::INFINITY, f64::min);
    let allowed = LIMIT_PER_SD * TARGET_SD_MM;
    if distances.len() != newest.len() || most > allowed {
        return Err(refused()
            .expected(format!("distances within {allowed:.1} mm of each other, what two readings may differ by"))
            .found(if distances.len() == newest.len() { format!("{most:.1} mm") } else { "a reading without a distance".into() })
            .remedy("Settle it first"));
    }
    let mut key = AnswerKey {
        geometry: geometry.clone(),
        landmarks,
        side: first.side,
        signed_mm: None,
        expected: Expected::Read,
        near_limit: false,
        why: vec![format!("Consensus of {} readers. {}", newest.len(), why.trim())],
    };
    let length = key.scale().map(|s| s.distance(landmarks.internal_os, landmarks.edge.at()).get());
    key.signed_mm = length.map(|l| Mm::new(if first.side == Side::Covers { -l } else { l }));
    key.near_limit = key.signed_mm.is_some_and(|mm| THRESHOLDS_MM.iter().any(|at| (mm.get() - at).abs() <= NEAR_MM));
    Ok(key)
}

/// The size of a reading's distance, mm.
fn size(r: &ReadingRecord) -> Option<f64> {
    let m = r.distance.measured()?;
    Some(m.scale.calibration.distance(r.landmarks.internal_os, r.landmarks.edge.at()).get())
}

/// The answer to a frame that is not to be read.
#[must_use]
pub fn rejected(geometry: &Geometry, reason: Reason, why: &str) -> AnswerKey {
    let nowhere = PxPoint::new(0.0, 0.0);
    AnswerKey {
        geometry: geometry.clone(),
        landmarks: Landmarks {
            internal_os: nowhere,
            edge: EdgeMark::PlacentalEdge { at: nowhere },
            placental_body: None,
            marginal_sinus: None,
        },
        side: Side::NotCovering,
        signed_mm: None,
        expected: Expected::Reject { reason },
        near_limit: false,
        why: vec![why.trim().to_owned()],
    }
}
