//! Decoded frames of a cine that are kept at hand, within a byte budget that is never exceeded.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::session::FrameKey;
use crate::frame::{Frame, Samples};

/// The most bytes of decoded samples that are kept: 13 colour frames of 1024 × 768, half a second of most cines. With
/// what drawing and decoding take besides, a window stays within 100 MB of an idle one.
pub const BUDGET: usize = 32 * 1024 * 1024;

/// Decoded frames by file and frame number.
#[derive(Debug)]
pub struct FrameCache {
    frames: BTreeMap<FrameKey, Arc<Frame>>,
    bytes: usize,
    budget: usize,
}

impl Default for FrameCache {
    fn default() -> Self {
        Self::within(BUDGET)
    }
}

impl FrameCache {
    /// An empty cache that holds at most `budget` bytes of samples.
    #[must_use]
    pub const fn within(budget: usize) -> Self {
        Self { frames: BTreeMap::new(), bytes: 0, budget }
    }

    /// The most bytes it holds.
    #[must_use]
    pub const fn budget(&self) -> usize {
        self.budget
    }

    /// The bytes it holds now.
    #[must_use]
    pub const fn bytes(&self) -> usize {
        self.bytes
    }

    /// A frame, when it is here.
    #[must_use]
    pub fn get(&self, key: &FrameKey) -> Option<&Arc<Frame>> {
        self.frames.get(key)
    }

    /// Whether a frame is here.
    #[must_use]
    pub fn contains(&self, key: &FrameKey) -> bool {
        self.frames.contains_key(key)
    }

    /// The bytes of one decoded frame of a file, when one is here.
    #[must_use]
    pub fn frame_bytes(&self, like: &FrameKey) -> Option<usize> {
        let first = FrameKey { path: like.path.clone(), number: 0 };
        self.frames.range(first..).next().filter(|(k, _)| k.path == like.path).map(|(_, f)| bytes_of(f))
    }

    /// Keeps a frame. Those that `rank` says are wanted least (the highest rank) give way; when the frame is itself the
    /// least wanted, or larger than the whole budget, it is not kept.
    pub fn keep(&mut self, key: FrameKey, frame: Arc<Frame>, rank: impl Fn(&FrameKey) -> u64) {
        self.remove(&key);
        let size = bytes_of(&frame);
        let own = rank(&key);
        if size > self.budget {
            return;
        }
        while self.bytes + size > self.budget {
            let last = self.frames.keys().map(|k| (rank(k), k)).max_by_key(|(r, _)| *r);
            match last {
                Some((r, k)) if r > own => {
                    let k = k.clone();
                    self.remove(&k);
                }
                _ => return,
            }
        }
        self.bytes += size;
        self.frames.insert(key, frame);
    }

    fn remove(&mut self, key: &FrameKey) {
        if let Some(old) = self.frames.remove(key) {
            self.bytes -= bytes_of(&old);
        }
    }

    /// Forgets every frame that is not of this file.
    pub fn only(&mut self, path: &std::path::Path) {
        self.frames.retain(|k, _| k.path == path);
        self.bytes = self.frames.values().map(|f| bytes_of(f)).sum();
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.frames.clear();
        self.bytes = 0;
    }
}

/// Bytes that a frame's samples take.
fn bytes_of(frame: &Frame) -> usize {
    match &frame.samples {
        Samples::Gray8(d) | Samples::Rgb8(d) => d.len(),
        Samples::Gray16 { data, .. } => data.len() * 2,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;
    use crate::frame::FrameId;

    fn frame(bytes: u32) -> Arc<Frame> {
        let id = FrameId { sha256: String::new(), sop_instance_uid: None, frame_number: 1 };
        Arc::new(Frame { id, width: bytes, height: 1, samples: Samples::Gray8(vec![0; bytes as usize]) })
    }

    fn key(path: &str, number: u32) -> FrameKey {
        FrameKey { path: path.into(), number }
    }

    #[test]
    fn the_least_wanted_give_way_and_the_budget_holds() {
        let mut cache = FrameCache::within(1000);
        let rank = |k: &FrameKey| u64::from(k.number.abs_diff(5));
        for n in 1..=9 {
            cache.keep(key("a", n), frame(300), rank);
            assert!(cache.bytes() <= 1000);
        }
        let held: Vec<u32> = (1..=9).filter(|n| cache.contains(&key("a", *n))).collect();
        assert_eq!(held, [4, 5, 6]);
        cache.keep(key("a", 5), frame(100), rank);
        assert_eq!(cache.bytes(), 700, "a frame kept again is counted once");
        cache.keep(key("a", 5), frame(1001), rank);
        assert!(!cache.contains(&key("a", 5)) && cache.bytes() == 600);
        assert_eq!(cache.frame_bytes(&key("a", 1)), Some(300));
        assert_eq!(cache.frame_bytes(&key("b", 1)), None);
        cache.only(std::path::Path::new("b"));
        assert_eq!(cache.bytes(), 0);
    }
}
