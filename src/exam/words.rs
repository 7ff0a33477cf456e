//! A summary in words.

use super::{Kind, Summary};
use crate::measure::words;

impl Summary {
    /// What the finding rests on, and its limit: "Shortest of 3 frames: edge 13 mm from the internal os, not covering;
    /// 95 % upper limit 17 mm". `print` turns a signed distance into the digits of its size.
    #[must_use]
    pub fn headline(&self, print: impl Fn(f64) -> String) -> String {
        if let Some(o) = &self.overlap {
            let shortest = o.shortest_at_least_mm.get();
            let least = if o.shortest_at_most_mm.is_some() { "" } else { "at least " };
            let range = if o.frames > 1 { format!(", the longest {} mm", print(-o.longest_at_least_mm.get())) } else { String::new() };
            return format!("Covers the os in {} frame(s): overlap {least}{} mm at its shortest{range}", o.frames, print(-shortest));
        }
        if let Some(s) = &self.shortest {
            let value = words::headline(&s.value, &print);
            let limit = s.high_mm.map_or(String::new(), |h| format!("; 95 % upper limit {} mm", print(h.get())));
            return format!("Shortest of {} frame(s): {value}{limit}", self.counted.len());
        }
        match self.kind {
            Kind::Nothing => "No frame counts".into(),
            _ => "No edge was seen".into(),
        }
    }
}
