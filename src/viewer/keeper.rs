//! Keeps drafts on disk on a thread of its own: the window does not wait, and a drag is written once, not a hundred times.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Duration;

use crate::error::Result;
use crate::files;
use crate::record::{Draft, Drafts};

/// The longest time that a change waits before it is written.
const PAUSE: Duration = Duration::from_millis(250);
/// How long closing waits for what is still to be written.
const LAST_WAIT: Duration = Duration::from_secs(3);

enum Order {
    Keep(Draft),
    Discard(Draft),
    Finish(Sender<()>),
}

/// The thread's end in the window.
pub(super) struct Keeper {
    orders: Sender<Order>,
    window: String,
}

impl Keeper {
    /// Starts the thread. What goes wrong is told by `tell`, each message once.
    pub(super) fn start(drafts: Drafts, window: String, tell: impl Fn(String) + Send + 'static) -> Self {
        let (orders, received) = channel();
        thread::spawn(move || work(&drafts, &received, &tell));
        Self { orders, window }
    }

    pub(super) fn keep(&self, draft: Draft) {
        let _ = self.orders.send(Order::Keep(self.named(draft)));
    }

    pub(super) fn discard(&self, draft: Draft) {
        let _ = self.orders.send(Order::Discard(self.named(draft)));
    }

    /// Waits until everything is written, but not for ever.
    pub(super) fn finish(&self) {
        let (done, wait) = channel();
        if self.orders.send(Order::Finish(done)).is_ok() {
            let _ = wait.recv_timeout(LAST_WAIT);
        }
    }

    /// A draft that no window has kept yet becomes this window's.
    fn named(&self, mut draft: Draft) -> Draft {
        if draft.window.is_empty() {
            draft.window.clone_from(&self.window);
        }
        draft
    }
}

fn work(drafts: &Drafts, orders: &Receiver<Order>, tell: &dyn Fn(String)) {
    let mut told = String::new();
    while let Ok(first) = orders.recv() {
        let mut waiting = Vec::new();
        let mut newest: BTreeMap<String, Order> = BTreeMap::new();
        let mut take = |order: Order| match order {
            Order::Finish(done) => waiting.push(done),
            Order::Keep(ref d) | Order::Discard(ref d) => {
                newest.insert(d.name(), order);
            }
        };
        take(first);
        thread::sleep(PAUSE);
        orders.try_iter().for_each(&mut take);
        for order in newest.into_values() {
            if let Err(e) = carry_out(drafts, order) {
                let text = format!("Unfinished work is not kept: {}. Save readings as soon as they are made.", e.message());
                if text != told {
                    tell(text.clone());
                    told = text;
                }
            }
        }
        for done in waiting {
            // Whoever waited may have given up.
            let _ = done.send(());
        }
    }
}

fn carry_out(drafts: &Drafts, order: Order) -> Result<()> {
    match order {
        Order::Keep(mut draft) => {
            draft.kept_at = files::now();
            drafts.keep(&draft)
        }
        Order::Discard(draft) => drafts.discard(&draft),
        Order::Finish(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::path::Path;

    use super::*;
    use crate::frame::FrameId;
    use crate::units::PxPoint;

    #[test]
    fn the_newest_state_of_each_frame_is_on_disk_when_finishing_returns() {
        let dir = tempfile::tempdir().unwrap();
        let drafts = Drafts::at(dir.path());
        let keeper = Keeper::start(drafts.clone(), "w1".into(), |_| {});
        let frame = |n| FrameId { sha256: "a".repeat(64), sop_instance_uid: None, frame_number: n };
        let mut one = Draft::of(frame(1), Path::new("x"), String::new());
        for x in 0..200 {
            one.internal_os = Some(PxPoint::new(f64::from(x), 1.0));
            keeper.keep(one.clone());
        }
        let two = Draft::of(frame(2), Path::new("x"), String::new());
        keeper.keep(two.clone());
        keeper.discard(two);
        keeper.finish();
        let (found, faults) = drafts.load().unwrap();
        assert!(faults.is_empty());
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].internal_os, Some(PxPoint::new(199.0, 1.0)));
        assert_eq!(found[0].window, "w1");
        assert!(!found[0].kept_at.is_empty());
    }
}
