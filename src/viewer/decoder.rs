//! Decodes frames off the drawing thread: the one that was asked for last first, then those wanted ahead of need.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

use super::action::Action;
use super::session::FrameKey;
use crate::error::Result;
use crate::frame::Frame;
use crate::load::StoredFile;

/// The most files whose headers are kept.
const MOST_HEADERS: usize = 64;

/// While so many answers wait for the window, nothing is decoded ahead: they take memory that no budget counts.
const MOST_UNTAKEN: usize = 2;

/// What is wanted. Everything in it is replaced by what is asked later, so that no request outlives its use.
#[derive(Debug, Default)]
struct Queue {
    /// The frame to be shown.
    now: Option<FrameKey>,
    /// Frames wanted ahead of need, the most wanted last.
    ahead: Vec<FrameKey>,
    /// Frames that a thread is at work on.
    busy: Vec<FrameKey>,
    /// Answers that the window has not taken yet.
    untaken: usize,
    /// Nobody wants answers any more.
    closed: bool,
}

impl Queue {
    /// Takes the next frame to decode; `only_now` leaves those that are wanted ahead.
    fn take(&mut self, only_now: bool) -> Option<FrameKey> {
        // One that is being worked on is answered anyway.
        self.now.take_if(|k| self.busy.contains(k));
        let mut next = self.now.take();
        while next.is_none() && !only_now && self.untaken < MOST_UNTAKEN {
            next = Some(self.ahead.pop()?).filter(|k| !self.busy.contains(k));
        }
        self.busy.extend(next.clone());
        next
    }

    fn done(&mut self, key: &FrameKey) {
        self.busy.retain(|k| k != key);
        self.untaken += 1;
    }
}

struct Shared {
    queue: Mutex<Queue>,
    changed: Condvar,
    headers: Mutex<BTreeMap<PathBuf, Arc<StoredFile>>>,
}

impl Shared {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        // A panic while it was held leaves a list that is still a list.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn headers(&self) -> MutexGuard<'_, BTreeMap<PathBuf, Arc<StoredFile>>> {
        self.headers.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn work(&self, only_now: bool, answers: &Sender<Action>, ctx: &egui::Context) {
        loop {
            let key = {
                let mut queue = self.queue();
                loop {
                    if queue.closed {
                        return;
                    }
                    if let Some(key) = queue.take(only_now) {
                        break key;
                    }
                    queue = self.changed.wait(queue).unwrap_or_else(PoisonError::into_inner);
                }
            };
            let decoded = catch_unwind(AssertUnwindSafe(|| self.decode(&key)));
            self.queue().done(&key);
            let result = match decoded {
                Ok(Ok(frame)) => Ok(Arc::new(frame)),
                Ok(Err(e)) => Err(e.message()),
                Err(_) => Err("a fault in the program while decoding; please report it".to_owned()),
            };
            if answers.send(Action::Decoded(key, result)).is_err() {
                return;
            }
            ctx.request_repaint();
        }
    }

    fn decode(&self, key: &FrameKey) -> Result<Frame> {
        let known = self.headers().get(&key.path).cloned();
        let file = match known {
            Some(file) => file,
            None => {
                let file = Arc::new(StoredFile::open(&key.path)?);
                let mut headers = self.headers();
                if headers.len() >= MOST_HEADERS {
                    headers.clear();
                }
                headers.insert(key.path.clone(), file.clone());
                file
            }
        };
        file.frame(key.number)
    }
}

/// Two threads that decode: one keeps free for the frame to be shown, one also works ahead.
pub(super) struct Decoder {
    shared: Arc<Shared>,
}

impl Decoder {
    /// Starts the threads; each answer is sent as [`Action::Decoded`] and asks `ctx` for a new picture.
    pub(super) fn start(answers: &Sender<Action>, ctx: &egui::Context) -> Self {
        let shared = Arc::new(Shared { queue: Mutex::default(), changed: Condvar::new(), headers: Mutex::default() });
        for only_now in [true, false] {
            let (shared, answers, ctx) = (shared.clone(), answers.clone(), ctx.clone());
            thread::spawn(move || shared.work(only_now, &answers, &ctx));
        }
        Self { shared }
    }

    /// Decodes this frame next, in place of the one that was to be next.
    pub(super) fn now(&self, key: FrameKey) {
        self.shared.queue().now = Some(key);
        self.shared.changed.notify_all();
    }

    /// Decodes these when nothing is wanted now, the most wanted first; all that was asked for before is dropped.
    pub(super) fn ahead(&self, mut keys: Vec<FrameKey>) {
        keys.reverse();
        let mut queue = self.shared.queue();
        (queue.now, queue.ahead) = (None, keys);
        drop(queue);
        self.shared.changed.notify_all();
    }

    /// The window has taken this many answers.
    pub(super) fn taken(&self, answers: usize) {
        if answers > 0 {
            let mut queue = self.shared.queue();
            queue.untaken = queue.untaken.saturating_sub(answers);
            drop(queue);
            self.shared.changed.notify_all();
        }
    }

    /// Forgets headers: files may have changed.
    pub(super) fn forget(&self) {
        self.shared.headers().clear();
    }
}

impl Drop for Decoder {
    fn drop(&mut self) {
        self.shared.queue().closed = true;
        self.shared.changed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    fn key(number: u32) -> FrameKey {
        FrameKey { path: "cine.dcm".into(), number }
    }

    #[test]
    fn the_newest_wanted_frame_comes_first_and_none_is_decoded_twice_at_once() {
        let mut q = Queue { ahead: vec![key(3), key(2)], now: Some(key(9)), ..Queue::default() };
        assert_eq!(q.take(true), Some(key(9)));
        assert_eq!(q.take(true), None, "the thread that keeps free leaves what is wanted ahead");
        assert_eq!(q.take(false), Some(key(2)));
        q.now = Some(key(2));
        assert_eq!(q.take(true), None, "it is being decoded already");
        q.ahead.push(key(9));
        assert_eq!(q.take(false), Some(key(3)));
        q.done(&key(9));
        q.now = Some(key(9));
        assert_eq!(q.take(false), Some(key(9)));
        q.ahead.push(key(4));
        q.untaken = MOST_UNTAKEN;
        assert_eq!(q.take(false), None, "the window is behind");
        q.now = Some(key(5));
        assert_eq!(q.take(false), Some(key(5)), "what is to be shown is decoded all the same");
    }

    #[test]
    fn what_is_asked_later_replaces_what_was_asked() {
        let shared = Arc::new(Shared { queue: Mutex::default(), changed: Condvar::new(), headers: Mutex::default() });
        let decoder = Decoder { shared: shared.clone() };
        decoder.now(key(5));
        decoder.ahead(vec![key(6), key(7)]);
        decoder.now(key(40));
        let mut q = shared.queue();
        assert_eq!([q.take(false), q.take(false), q.take(false), q.take(false)], [Some(key(40)), Some(key(6)), Some(key(7)), None]);
    }
}
