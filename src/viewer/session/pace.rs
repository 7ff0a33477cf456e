//! The pace at which a cine is played: as stored, or said not to be.

use crate::load::Facts;

/// Frames a second where no rate is stored; shown as such.
const NOT_STORED: f64 = 20.0;
/// Shortest and longest time from one frame to the next that is believed, s.
const BELIEVED: std::ops::RangeInclusive<f64> = 0.002..=10.0;

/// Where a pace comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PaceSource {
    /// Frame Time Vector (0018,1065): its own time for every frame.
    FrameTimeVector,
    /// Frame Time (0018,1063).
    FrameTime,
    /// Cine Rate (0018,0040) or Recommended Display Frame Rate (0008,2144).
    CineRate,
    /// None of them holds a usable value.
    NotStored,
}

/// Times from frame to frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace<'a> {
    source: PaceSource,
    /// Mean time from one frame to the next, s.
    mean: f64,
    /// Time from the frame before, ms, one a frame; empty when all are alike.
    each_ms: &'a [f64],
}

impl<'a> Pace<'a> {
    /// The pace of a file of `count` frames: Frame Time Vector, else Frame Time, else Cine Rate, else a default.
    #[must_use]
    pub fn of(facts: &'a Facts, count: u32) -> Self {
        let vector = facts.frame_time_vector_ms.as_slice();
        let steps = vector.get(1..).unwrap_or_default();
        if vector.len() == count as usize && count > 1 && steps.iter().all(|ms| BELIEVED.contains(&(ms / 1000.0))) {
            let mean = steps.iter().sum::<f64>() / 1000.0 / f64::from(count - 1);
            return Self { source: PaceSource::FrameTimeVector, mean, each_ms: vector };
        }
        let time = facts.frame_time_ms.map(|ms| (PaceSource::FrameTime, ms / 1000.0));
        let rate = facts.cine_rate.map(|rate| (PaceSource::CineRate, 1.0 / rate));
        let stored = time.into_iter().chain(rate).find(|(_, s)| BELIEVED.contains(s));
        let (source, mean) = stored.unwrap_or((PaceSource::NotStored, 1.0 / NOT_STORED));
        Self { source, mean, each_ms: &[] }
    }

    /// Where it comes from.
    #[must_use]
    pub const fn source(&self) -> PaceSource {
        self.source
    }

    /// Seconds for which frame `number` (from 1) stands before the next; the last one stands for the mean time.
    #[must_use]
    pub fn seconds_after(&self, number: u32) -> f64 {
        self.each_ms.get(number as usize).map_or(self.mean, |ms| ms / 1000.0)
    }

    /// The pace in words.
    #[must_use]
    pub fn words(&self) -> String {
        let rate = 1.0 / self.mean;
        let rate = if rate < 10.0 { format!("{rate:.1}") } else { format!("{rate:.0}") };
        match self.source {
            PaceSource::FrameTimeVector => format!("{rate} frames a second on average (Frame Time Vector)"),
            PaceSource::FrameTime => format!("{rate} frames a second (Frame Time)"),
            PaceSource::CineRate => format!("{rate} frames a second (Cine Rate)"),
            PaceSource::NotStored => format!("rate not stored; played at {rate} frames a second"),
        }
    }
}
