//! A reading that came in a report of ours beside the readings that are saved here.

use super::said::SaidReading;
use crate::measure::Value;
use crate::record::{Comparison, LIMIT_PER_SD, ReadingRecord, followed};

impl SaidReading {
    /// Whether this very reading is saved here.
    #[must_use]
    pub fn is_among(&self, records: &[ReadingRecord]) -> bool {
        records.iter().any(|r| r.id() == self.record)
    }

    /// Our current other readings of the same frame, each with the comparison in sentences: the whole one where the report
    /// has the record, else of the two distances alone.
    #[must_use]
    pub fn beside(&self, records: &[ReadingRecord]) -> Vec<(String, Vec<String>)> {
        let followed = followed(records.iter().map(|r| &r.follows));
        let number = self.image.frames.first().copied().unwrap_or(1);
        let same = |r: &&ReadingRecord| {
            r.id() != self.record
                && !followed.contains(r.id())
                && r.frame.frame_number == number
                && (r.frame.sha256 == self.frame_sha256 || r.frame.sop_instance_uid.as_deref() == Some(&self.image.instance_uid))
        };
        records.iter().filter(same).map(|r| (r.id().to_owned(), self.against(r))).collect()
    }

    fn against(&self, ours: &ReadingRecord) -> Vec<String> {
        let mut out = vec![format!("Ours of the same frame: {}.", ours.headline)];
        if ours.frame.sha256 != self.frame_sha256 {
            out.push(
                "The picture here differs from the one that the report is about, under the same UID: the two are not compared.".into(),
            );
            return out;
        }
        if let Some(theirs) = &self.whole {
            out.extend(Comparison::of(ours, theirs).words());
            return out;
        }
        let exact = |v: Option<Value>| match v {
            Some(Value::Exact { signed_mm }) => Some(signed_mm.get()),
            _ => None,
        };
        let own = ours.distance.measured().map(|m| m.measurement.value);
        out.push(match exact(self.value).zip(exact(own)) {
            Some((theirs, ours_mm)) => {
                let (d, limit) = (theirs - ours_mm, LIMIT_PER_SD * ours.repeatability.sd_mm.get());
                let than = if d.abs() > limit { "more than" } else { "within" };
                let basis = if ours.repeatability.assumed { "assumed" } else { "this department's own" };
                let side = if d < 0.0 { "below" } else { "above" };
                format!(
                    "The report's distance is {:.1} mm {side} ours: {than} the {limit:.1} mm that 95 % of repeats stay under ({basis} repeatability).",
                    d.abs()
                )
            }
            None => "No difference in mm: not both are exact distances.".into(),
        });
        out.push(if self.side == ours.side { "Both state the same side.".into() } else { "They state different sides.".to_owned() });
        out
    }
}
