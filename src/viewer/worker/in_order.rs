//! Writes one file after another on a thread of its own, in the order asked: the last state must be the one that stays.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::thread;
use std::time::Duration;

type Job = Box<dyn FnOnce() + Send>;

/// How long closing waits for what is still to be written.
const LAST_WAIT: Duration = Duration::from_secs(3);

/// The thread's end in the window. Every job writes a whole state, so that one whose successor waits already is left out.
pub(super) struct InOrder {
    jobs: Sender<(u64, Job)>,
    last: Arc<AtomicU64>,
}

impl InOrder {
    /// Starts the thread.
    pub(super) fn start() -> Self {
        let (jobs, received) = channel::<(u64, Job)>();
        let last = Arc::new(AtomicU64::new(0));
        let newest = last.clone();
        thread::spawn(move || {
            while let Ok((number, job)) = received.recv() {
                if number >= newest.load(Ordering::Acquire) {
                    job();
                }
            }
        });
        Self { jobs, last }
    }

    /// Does `job` after those asked for before it.
    pub(super) fn then(&self, job: impl FnOnce() + Send + 'static) {
        let number = self.last.fetch_add(1, Ordering::AcqRel) + 1;
        let _ = self.jobs.send((number, Box::new(job)));
    }

    /// Waits until everything is written, but not for ever.
    pub(super) fn finish(&self) {
        let (done, wait) = channel();
        // With the number of the last state, so that it replaces none.
        let number = self.last.load(Ordering::Acquire);
        let told = Box::new(move || {
            // Whoever waited may have given up.
            let _ = done.send(());
        });
        if self.jobs.send((number, told)).is_ok() {
            let _ = wait.recv_timeout(LAST_WAIT);
        }
    }
}

impl Drop for InOrder {
    fn drop(&mut self) {
        self.finish();
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::sync::Mutex;

    use super::*;

    #[test]
    fn the_last_state_is_the_one_that_stays_and_finishing_waits_for_it() {
        let file = Arc::new(Mutex::new(Vec::new()));
        let writer = InOrder::start();
        for n in 0..200 {
            let file = file.clone();
            writer.then(move || {
                thread::sleep(Duration::from_micros(200));
                file.lock().unwrap().push(n);
            });
        }
        writer.finish();
        let written = file.lock().unwrap().clone();
        assert_eq!(written.last(), Some(&199));
        assert!(written.is_sorted() && written.len() < 200, "states that were overtaken are left out");
    }
}
