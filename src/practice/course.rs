//! The levels of the course, and their cases: a level and a seed give a frame, its truth, what a good reader does with it
//! and why.

use serde::{Deserialize, Serialize};

use super::key::AnswerKey;
use super::marking::{Expected, Reason};
use super::words;
use crate::dicom::write::{Coding, Pictures, UltrasoundObject};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Geometry;
use crate::measure::{EdgeMark, Landmarks};
use crate::record::PRACTICE_NUMBER;
use crate::synth::Truth;
use crate::synth::anatomy::Wall;
use crate::synth::cases::{self, Case, EdgeForm, Level as Picture, NEAR_MM, THRESHOLDS_MM, Trap, Wanted};
use crate::synth::noise::Noise;
use crate::synth::object::{self, Scale};
use crate::units::Mm;

/// Draws before a case is given up.
const TRIES: u64 = 40;
/// Stream of the course's own draws; the streams of the case lie elsewhere.
const STREAM: u64 = 1 << 52;
/// Distances away from every threshold, mm: overlap, and between the thresholds (own assumption).
pub const SHOWN_DISTANCES: [(f64, f64); 4] = [(-20.0, -3.5), (3.5, 6.5), (13.5, 16.5), (23.5, 38.0)];

/// A level of the course.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Strong contrast; nothing misleads; distances away from 0, 10 and 20 mm.
    ClearPictures,
    /// The usual contrast; one file in eight has no scale.
    UsualPictures,
    /// Thin edges, thick ones, marginal sinuses, and more overlap.
    EdgesAndOverlap,
    /// Within 3 mm of 0, 10 and 20 mm.
    NearTheLimits,
    /// Full bladder, contraction, planes off the shortest way, no scale: every second frame is not to be read.
    WhatMisleads,
    /// Poor contrast and everything above, mixed.
    AsInTheClinic,
}

/// Every level, in the order of the course.
pub const LEVELS: [Level; 6] =
    [Level::ClearPictures, Level::UsualPictures, Level::EdgesAndOverlap, Level::NearTheLimits, Level::WhatMisleads, Level::AsInTheClinic];

impl Level {
    /// Its number, from 1.
    #[must_use]
    pub const fn number(self) -> u8 {
        match self {
            Self::ClearPictures => 1,
            Self::UsualPictures => 2,
            Self::EdgesAndOverlap => 3,
            Self::NearTheLimits => 4,
            Self::WhatMisleads => 5,
            Self::AsInTheClinic => 6,
        }
    }

    /// The level of a number.
    #[must_use]
    pub fn of(number: u8) -> Option<Self> {
        LEVELS.into_iter().find(|l| l.number() == number)
    }

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::ClearPictures => "clear pictures",
            Self::UsualPictures => "usual pictures",
            Self::EdgesAndOverlap => "edges and overlap",
            Self::NearTheLimits => "near 0, 10 and 20 mm",
            Self::WhatMisleads => "what misleads",
            Self::AsInTheClinic => "as in the clinic",
        }
    }

    /// What it holds, in a sentence.
    #[must_use]
    pub const fn about(self) -> &'static str {
        match self {
            Self::ClearPictures => "Strong contrast, either wall, overlap or not, away from 0, 10 and 20 mm. Every frame is to be read.",
            Self::UsualPictures => "The usual contrast. One frame in eight carries no scale.",
            Self::EdgesAndOverlap => "Thin and thick edges, marginal sinuses, two in five overlap. One frame in eight carries no scale.",
            Self::NearTheLimits => "Within 3 mm of 0, 10 or 20 mm, on either side. One frame in eight carries no scale.",
            Self::WhatMisleads => {
                "Every second frame is not to be read: full bladder, contraction, a plane off the shortest way, no scale."
            }
            Self::AsInTheClinic => "Poor contrast and all of the above, mixed. One frame in three is not to be read.",
        }
    }

    /// Share of its cases that are not to be read (own assumption).
    const fn misleading(self) -> f64 {
        match self {
            Self::ClearPictures => 0.0,
            Self::UsualPictures | Self::EdgesAndOverlap | Self::NearTheLimits => 0.125,
            Self::WhatMisleads => 0.5,
            Self::AsInTheClinic => 1.0 / 3.0,
        }
    }

    /// What is asked of one case.
    fn wanted(self, noise: &mut Noise, seed: u64) -> Wanted {
        const ALL: [Trap; 4] = [Trap::FullBladder, Trap::Contraction, Trap::OffAxis, Trap::NoScale];
        let pick = |noise: &mut Noise, n: usize| ((noise.unit() * n as f64) as usize).min(n - 1);
        let trap = match (noise.unit() < self.misleading(), self) {
            (false, _) => Trap::None,
            (true, Self::WhatMisleads | Self::AsInTheClinic) => ALL[pick(noise, ALL.len())],
            (true, _) => Trap::NoScale,
        };
        let near = match self {
            Self::NearTheLimits => true,
            Self::AsInTheClinic => noise.unit() < 0.4,
            _ => false,
        };
        let distance_mm = if near {
            let at = THRESHOLDS_MM[pick(noise, THRESHOLDS_MM.len())];
            noise.between(at - NEAR_MM, at + NEAR_MM)
        } else {
            let overlap = if self == Self::EdgesAndOverlap { 0.4 } else { 0.3 };
            let place = if noise.unit() < overlap { 0 } else { 1 + pick(noise, SHOWN_DISTANCES.len() - 1) };
            let (low, high) = SHOWN_DISTANCES[place];
            noise.between(low, high)
        };
        let edge = match self {
            Self::EdgesAndOverlap | Self::AsInTheClinic if trap == Trap::None => {
                let forms = [EdgeForm::Usual, EdgeForm::Thin, EdgeForm::Thick, EdgeForm::Sinus];
                // A sinus lies beside a free os only.
                forms[pick(noise, if distance_mm >= 12.0 { 4 } else { 3 })]
            }
            _ => EdgeForm::Usual,
        };
        let wall = if noise.unit() < 0.5 { Wall::Anterior } else { Wall::Posterior };
        let level = match self {
            Self::ClearPictures => Picture::Clear,
            Self::AsInTheClinic if noise.unit() < 0.6 => Picture::Hard,
            _ => Picture::Usual,
        };
        Wanted { distance_mm, wall, level, trap, edge, seed }
    }
}

/// One case of the course.
#[derive(Clone, Debug, PartialEq)]
pub struct Task {
    wanted: Wanted,
    case: Case,
    truth: Truth,
}

impl Task {
    /// The case that a level and a seed give, always the same one.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when no draw fits, which a test rules out for many seeds.
    pub fn new(level: Level, seed: u64) -> Result<Self> {
        let mut last = None;
        for attempt in 0..TRIES {
            let mut noise = Noise::new(seed, STREAM + attempt);
            match Self::of(level.wanted(&mut noise, seed)) {
                Ok(task) => return Ok(task),
                Err(e) => last = Some(e),
            }
        }
        Err(last.unwrap_or_else(|| Error::new(ErrorKind::Invalid, "no practice case can be made")))
    }

    /// The case that was asked for.
    pub(super) fn of(wanted: Wanted) -> Result<Self> {
        let case = cases::case(&wanted)?;
        let truth = case.truth()?;
        Ok(Self { wanted, case, truth })
    }

    /// Its truth.
    #[must_use]
    pub const fn truth(&self) -> &Truth {
        &self.truth
    }

    /// What was asked of it.
    #[must_use]
    pub const fn wanted(&self) -> &Wanted {
        &self.wanted
    }

    /// What a good reader does with it.
    #[must_use]
    pub const fn expected(&self) -> Expected {
        match self.wanted.trap {
            Trap::None => Expected::Read,
            Trap::FullBladder => Expected::Reject { reason: Reason::FullBladder },
            Trap::Contraction => Expected::Reject { reason: Reason::Contraction },
            Trap::OffAxis => Expected::Reject { reason: Reason::OffAxis },
            Trap::NoScale => Expected::Reject { reason: Reason::NoScale },
        }
    }

    /// The sonographer's line that comes with the frame: what the sweep showed, which no single frame can.
    #[must_use]
    pub fn scan_note(&self) -> &'static str {
        if self.wanted.trap == Trap::OffAxis { words::SWEEP_NEARER_ELSEWHERE } else { words::SWEEP_NEAREST_HERE }
    }

    /// The geometry of its file.
    #[must_use]
    pub fn geometry(&self) -> Geometry {
        let scanner = &self.case.scanner;
        let regions = if self.case.scale == Scale::InRegion { vec![scanner.region()] } else { Vec::new() };
        Geometry { rows: scanner.rows(), columns: scanner.columns(), regions, ..Geometry::default() }
    }

    /// What is true of it, to mark an answer by.
    #[must_use]
    pub fn key(&self) -> AnswerKey {
        let t = &self.truth;
        AnswerKey {
            geometry: self.geometry(),
            landmarks: Landmarks {
                internal_os: t.internal_os,
                edge: EdgeMark::PlacentalEdge { at: t.placental_edge },
                placental_body: Some(t.placental_body),
                marginal_sinus: t.marginal_sinus,
            },
            side: t.side,
            signed_mm: Some(Mm::new(t.edge_to_os_mm)),
            expected: self.expected(),
            near_limit: THRESHOLDS_MM.iter().any(|at| (self.wanted.distance_mm - at).abs() <= NEAR_MM),
            why: words::why(&self.wanted, t),
        }
    }

    /// Its DICOM object under an identifier. Nothing in it depends on the case but picture, size and scale.
    ///
    /// # Errors
    /// None in practice.
    pub fn object(&self, id: &str) -> Result<UltrasoundObject> {
        let mut samples = self.case.draw()?;
        let scanner = &self.case.scanner;
        if self.case.scale == Scale::None {
            // Without a region there is to be no scale at all: the depth marks go too.
            let picture = scanner.region().max_x1.map_or(0, |x| x as usize + 1);
            for row in samples.chunks_exact_mut(scanner.columns() as usize) {
                row.iter_mut().skip(picture).for_each(|s| *s = 0);
            }
        }
        let made = object::object(&format!("practice/{id}"), scanner, Pictures::Single(samples), Coding::Plain, self.case.scale)?;
        Ok(UltrasoundObject {
            patient_name: "Practice frame^no patient".into(),
            patient_id: PRACTICE_NUMBER.into(),
            study_description: "Practice frame, synthetic, not a patient".into(),
            ..made
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    fn many(level: Level, n: u64) -> Vec<Task> {
        (0..n).map(|seed| Task::new(level, seed).unwrap_or_else(|e| panic!("{level:?} {seed}: {e}"))).collect()
    }

    #[test]
    fn a_level_and_a_seed_always_give_the_same_case_and_every_seed_gives_one() {
        for level in LEVELS {
            let all = many(level, 300);
            assert_eq!(Task::new(level, 7).unwrap(), all[7]);
            assert_ne!(all[7].truth(), all[8].truth());
        }
    }

    #[test]
    fn levels_hold_what_they_say() {
        for level in LEVELS {
            let all = many(level, 400);
            let share = |f: &dyn Fn(&Task) -> bool| all.iter().filter(|t| f(t)).count() as f64 / 400.0;
            let rejected = share(&|t| t.expected() != Expected::Read);
            assert!((rejected - level.misleading()).abs() < 0.08, "{level:?}: {rejected}");
            let near = share(&|t| t.key().near_limit);
            match level {
                Level::NearTheLimits => assert_eq!(near, 1.0),
                Level::AsInTheClinic => assert!((0.3..0.55).contains(&near), "{near}"),
                _ => assert!(near < 0.02, "{level:?}: {near}"),
            }
            for wall in [Wall::Anterior, Wall::Posterior] {
                assert!(share(&|t| t.wanted.wall == wall) > 0.35, "{level:?}");
            }
            assert!(share(&|t| t.truth().shortest_mm < 0.0) > 0.1, "{level:?}: overlap");
        }
        let reasons = |reason| many(Level::WhatMisleads, 400).iter().filter(|t| t.expected() == Expected::Reject { reason }).count();
        for reason in [Reason::FullBladder, Reason::Contraction, Reason::OffAxis, Reason::NoScale] {
            assert!(reasons(reason) > 25, "{reason:?}");
        }
        for edge in [EdgeForm::Thin, EdgeForm::Thick, EdgeForm::Sinus] {
            assert!(many(Level::EdgesAndOverlap, 400).iter().filter(|t| t.wanted.edge == edge).count() > 20, "{edge:?}");
        }
    }

    #[test]
    fn a_frame_without_scale_has_no_depth_marks_either() {
        let task = many(Level::WhatMisleads, 60).into_iter().find(|t| t.wanted.trap == Trap::NoScale).unwrap();
        let object = task.object("x").unwrap();
        let Pictures::Single(samples) = &object.pictures else { panic!("one picture") };
        assert!(object.regions.is_empty());
        for row in samples.chunks_exact(object.columns as usize) {
            assert!(row.iter().rev().take(20).all(|s| *s == 0));
        }
    }
}
