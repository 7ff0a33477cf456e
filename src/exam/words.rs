//! A summary in words.

use super::{Adequacy, ExamDistance, ExamValues, Excluded, Kind, Lengthening, Summary};
use crate::measure::Value;
use crate::measure::words;

/// So many frames, in words.
fn frames(n: usize) -> String {
    if n == 1 { "1 frame".into() } else { format!("{n} frames") }
}

impl Adequacy {
    /// The words shown for it.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Adequate => "attested adequate".into(),
            Self::NotStated => "not stated whether adequate".into(),
            Self::Inadequate { reason } => format!("inadequate: {reason}"),
        }
    }
}

impl Excluded {
    /// The words shown for it.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Inadequate { reason } => reason.clone(),
            Self::SideContradicted => "the placental body lies on the other side than was stated".into(),
        }
    }
}

impl Summary {
    /// What the finding rests on, and its limit: "Shortest of 3 frames: edge 13 mm from the internal os, not covering;
    /// 95 % upper limit 17 mm". `print` turns a signed distance into the digits of its size.
    #[must_use]
    pub fn headline(&self, print: impl Fn(f64) -> String) -> String {
        if let Some(o) = &self.overlap {
            let shortest = o.shortest_at_least_mm.get();
            let least = if o.shortest_at_most_mm.is_some() { "" } else { "at least " };
            let range = if o.frames > 1 { format!(", the longest {} mm", print(-o.longest_at_least_mm.get())) } else { String::new() };
            return format!("Covers the os in {}: overlap {least}{} mm at its shortest{range}", frames(o.frames), print(-shortest));
        }
        if let Some(s) = &self.shortest {
            let value = words::headline(&s.value, &print);
            let limit = s.high_mm.map_or(String::new(), |h| format!("; 95 % upper limit {} mm", print(h.get())));
            return format!("Shortest of {}: {value}{limit}", frames(self.counted.len()));
        }
        match self.kind {
            Kind::Nothing => "No frame counts".into(),
            _ => "No edge was seen".into(),
        }
    }

    /// The other value: the exam distance with its interval, or why there is none. Never mixed with the shortest.
    #[must_use]
    pub fn distance_words(&self, print: impl Fn(f64) -> String) -> String {
        match &self.exam_distance {
            ExamDistance::Estimate { signed_mm, interval, coverage_claimed, lengthening, frames, one_sided, .. } => {
                let value = words::headline(&Value::Exact { signed_mm: *signed_mm }, &print);
                let of = match (frames, one_sided) {
                    (n, 0) => self::frames(*n),
                    (n, k) => format!("{}, {k} of them one-sided", self::frames(*n)),
                };
                let range = words::interval_words(interval, &print);
                let claim = if *coverage_claimed { "" } else { ", without a claim of coverage" };
                let planes = match lengthening {
                    Lengthening::InTheValue => "the planes as read, for change over visits",
                    Lengthening::Removed => "planes off the shortest way allowed for by the stated model",
                };
                format!("Exam distance, of {of}: {value}; {range}{claim} ({planes})")
            }
            ExamDistance::OneSided { interval, coverage_claimed, frames } => {
                let claim = if *coverage_claimed { "" } else { ", without a claim of coverage" };
                format!("Exam distance, of {} one-sided: {}{claim}", self::frames(*frames), words::interval_words(interval, &print))
            }
            ExamDistance::None { reason } => format!("No exam distance: {reason}"),
        }
    }

    /// All values that were seen at both ends, from the lowest to the highest, when there are two or more that count.
    #[must_use]
    pub fn spread_words(&self, print: impl Fn(f64) -> String) -> Option<String> {
        if let Some(o) = self.overlap.as_ref().filter(|o| o.frames > 1) {
            let spread = o.longest_at_least_mm - o.shortest_at_least_mm;
            return Some(format!("Overlaps spread over {:.1}", spread));
        }
        let s = self.shortest.as_ref().filter(|s| s.frames > 1)?;
        let (Value::Exact { signed_mm }, Some(longest)) = (s.value, s.longest_mm) else { return None };
        Some(format!("Distances from {} to {} mm, a spread of {:.1}", print(signed_mm.get()), print(longest.get()), longest - signed_mm))
    }
}

impl ExamValues {
    /// Everything that is said of an exam, one sentence each: the shortest, the exam distance, the spread, each set, the notes.
    #[must_use]
    pub fn words(&self, print: impl Fn(f64) -> String) -> Vec<String> {
        let mut out = vec![self.summary.headline(&print), self.summary.distance_words(&print)];
        out.extend(self.summary.spread_words(&print));
        for set in &self.sets {
            out.push(format!("Set {}: {}", set.set, set.summary.headline(&print)));
        }
        out.extend(self.summary.notes.iter().map(super::Note::words));
        out
    }
}
