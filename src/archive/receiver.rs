//! The receiver: scanners and archives send to this workstation (C-STORE and C-ECHO as a provider).
//!
//! A connection that has not yet made an association takes no place from those that have. Each has a thread of its own with
//! known most memory (a few units of 128 kB) and a known end; a panic in one ends that one.

use std::cell::RefCell;
use std::collections::HashMap;
use std::net::{IpAddr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use dicom_dictionary_std::uids;
use dicom_ul::pdu::{
    AssociationRJResult, AssociationRJServiceProviderPresentationReason as ProviderReason, AssociationRJServiceUserReason as UserReason,
    AssociationRJSource, PresentationContextResultReason as Reason,
};
use rustls::ServerConfig;

use super::association::{Association, Doorkeeper, Next};
use super::command::{Command, Verb};
use super::inbox::{self, Arrived, Inbox};
use super::object::{CLASSES, is_report};
use super::settings::{ArchiveSettings, Caller, Patience};
use super::wire::Wire;
use super::{taking, tls};
use crate::dicom::syntax::{self, Coding};
use crate::error::{Error, ErrorKind, Result};

/// Most connections that have not made an association yet.
const MOST_WAITING: usize = 64;
/// Of them, most from one address.
const MOST_WAITING_FROM_ONE: usize = 16;
/// Longest that one association may last.
const LONGEST_ASSOCIATION: Duration = Duration::from_secs(3600);

/// What happened at the receiver. Nothing of it names a patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// A caller was let in.
    Called {
        /// Its title.
        from: String,
    },
    /// A link test was answered.
    Tested {
        /// Its title.
        from: String,
    },
    /// An object arrived.
    Arrived {
        /// Its sender's title.
        from: String,
        /// What became of it.
        what: Arrived,
    },
    /// An object was not taken, and its sender told why.
    Refused {
        /// Its sender's title.
        from: String,
        /// Why.
        why: String,
    },
    /// A connection was turned away, or ended before it was done.
    Broken {
        /// Why.
        why: String,
    },
    /// A caller was done.
    Ended {
        /// Its title.
        from: String,
        /// Objects of it that arrived.
        objects: usize,
    },
}

impl Event {
    /// One sentence.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Called { from } => format!("{from} called"),
            Self::Tested { from } => format!("{from} tested the link"),
            Self::Arrived { from, what } => format!("from {from}: {}", what.words()),
            Self::Refused { from, why } => format!("from {from}: an object was not taken: {why}"),
            Self::Broken { why } => why.clone(),
            Self::Ended { from, objects } => format!("{from} is done; objects: {objects}"),
        }
    }
}

/// A receiver that runs.
#[derive(Debug)]
pub struct Receiver {
    address: SocketAddr,
    house: Arc<House>,
    thread: Option<JoinHandle<()>>,
}

type Tell = Arc<dyn Fn(Event) + Send + Sync>;

/// What all connections share.
struct House {
    title: String,
    callers: Vec<Caller>,
    patience: Patience,
    most_associations: usize,
    largest: u64,
    inbox: Inbox,
    tls: Option<Arc<ServerConfig>>,
    tell: Tell,
    stop: AtomicBool,
    waiting: Mutex<HashMap<IpAddr, usize>>,
    associations: AtomicUsize,
    open: Mutex<HashMap<usize, TcpStream>>,
}

impl std::fmt::Debug for House {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("House").field("title", &self.title).finish_non_exhaustive()
    }
}

impl Receiver {
    /// Starts to receive into the folder that the settings name. `tell` is called from the receiver's threads.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when nobody is named who may send, [`ErrorKind::Io`] when the address is not to be had.
    pub fn start(settings: &ArchiveSettings, data_dir: &Path, tell: impl Fn(Event) + Send + Sync + 'static) -> Result<Self> {
        let r = &settings.receiver;
        if settings.callers.is_empty() {
            return Err(Error::new(ErrorKind::Usage, "nobody may send to this workstation")
                .expected("at least one [[caller]] in the archive settings")
                .found("none"));
        }
        let folder = settings.received(data_dir);
        inbox::tidy(&folder)?;
        let listener = TcpListener::bind((r.bind, r.port)).map_err(|e| {
            Error::new(ErrorKind::Io, format!("the receiver cannot listen at {}", SocketAddr::new(r.bind, r.port)))
                .found(e.to_string())
                .remedy("See that no other program has this port, or name another in the archive settings")
        })?;
        let address = listener.local_addr().map_err(|e| Error::new(ErrorKind::Io, "the receiver cannot listen").found(e.to_string()))?;
        let house = Arc::new(House {
            title: settings.title.clone(),
            callers: settings.callers.clone(),
            patience: settings.patience,
            most_associations: r.most_associations,
            largest: r.largest_object_mb.saturating_mul(1_000_000),
            inbox: Inbox::at(folder),
            tls: r.tls.as_ref().map(tls::for_answering).transpose()?,
            tell: Arc::new(tell),
            stop: AtomicBool::new(false),
            waiting: Mutex::default(),
            associations: AtomicUsize::new(0),
            open: Mutex::default(),
        });
        let inside = Arc::clone(&house);
        let thread = std::thread::Builder::new()
            .name("receiver".into())
            .spawn(move || listen(&listener, &inside))
            .map_err(|e| Error::new(ErrorKind::Io, "the receiver cannot start").found(e.to_string()))?;
        Ok(Self { address, house, thread: Some(thread) })
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The folder that objects go to.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.house.inbox.folder()
    }

    /// How many associations there are now.
    #[must_use]
    pub fn associations(&self) -> usize {
        self.house.associations.load(Ordering::SeqCst)
    }
}

impl Drop for Receiver {
    /// Stops it: open connections are cut, and what is half there is dropped, which their senders notice.
    fn drop(&mut self) {
        self.house.stop.store(true, Ordering::SeqCst);
        for tcp in self.house.open.lock().unwrap_or_else(PoisonError::into_inner).values() {
            let _ = tcp.shutdown(Shutdown::Both);
        }
        let here =
            if self.address.ip().is_unspecified() { SocketAddr::new(loopback(self.address), self.address.port()) } else { self.address };
        // The listener wakes up by a call and sees that it is to stop.
        let _ = TcpStream::connect_timeout(&here, Duration::from_secs(1));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn loopback(of: SocketAddr) -> IpAddr {
    if of.is_ipv4() { IpAddr::from([127, 0, 0, 1]) } else { IpAddr::from([0, 0, 0, 0, 0, 0, 0, 1]) }
}

fn listen(listener: &TcpListener, house: &Arc<House>) {
    let mut number = 0;
    loop {
        let accepted = listener.accept();
        if house.stop.load(Ordering::SeqCst) {
            return;
        }
        let Ok((tcp, from)) = accepted else {
            // Out of handles, most likely: those that are open will end.
            std::thread::sleep(Duration::from_millis(100));
            continue;
        };
        let from = from.ip().to_canonical();
        let Some(waiting) = Waiting::enter(house, from) else { continue };
        number += 1;
        let Ok(second) = tcp.try_clone() else { continue };
        house.open.lock().unwrap_or_else(PoisonError::into_inner).insert(number, second);
        let (inside, id) = (Arc::clone(house), number);
        let spawned = std::thread::Builder::new().name(format!("receiver {id}")).spawn(move || {
            let registered = Registered { house: &inside, id };
            if let Err(e) = serve(tcp, from, waiting, registered.house) {
                (inside.tell)(Event::Broken { why: format!("from {from}: {}", e.message()) });
            }
        });
        if spawned.is_err() {
            house.open.lock().unwrap_or_else(PoisonError::into_inner).remove(&number);
        }
    }
}

/// A connection's entry among those that are cut when the receiver stops.
struct Registered<'a> {
    house: &'a House,
    id: usize,
}

impl Drop for Registered<'_> {
    fn drop(&mut self) {
        self.house.open.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.id);
    }
}

/// A place among the connections without an association.
struct Waiting {
    house: Arc<House>,
    from: IpAddr,
}

impl Waiting {
    /// `None`: the connection is dropped without a word, as there are too many or its address is nobody's.
    fn enter(house: &Arc<House>, from: IpAddr) -> Option<Self> {
        if !house.callers.iter().any(|c| c.address.is_none_or(|a| a == from)) {
            return None;
        }
        let mut waiting = house.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let there_is_room = count_in(&mut waiting, from);
        drop(waiting);
        there_is_room.then(|| Self { house: Arc::clone(house), from })
    }
}

/// Counts one more connection from this address, unless there are too many. One that is refused leaves nothing behind.
fn count_in(waiting: &mut HashMap<IpAddr, usize>, from: IpAddr) -> bool {
    let total: usize = waiting.values().sum();
    let own = waiting.get(&from).copied().unwrap_or(0);
    let there_is_room = total < MOST_WAITING && own < MOST_WAITING_FROM_ONE;
    if there_is_room {
        waiting.insert(from, own + 1);
    }
    there_is_room
}

impl Drop for Waiting {
    fn drop(&mut self) {
        let mut waiting = self.house.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = waiting.get_mut(&self.from) {
            *n = n.saturating_sub(1);
            if *n == 0 {
                waiting.remove(&self.from);
            }
        }
    }
}

/// A place among the associations.
struct Seat<'a>(&'a AtomicUsize);

impl<'a> Seat<'a> {
    fn take(count: &'a AtomicUsize, most: usize) -> Option<Self> {
        count.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| (n < most).then_some(n + 1)).ok().map(|_| Self(count))
    }
}

impl Drop for Seat<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

/// Decides about one caller.
struct Door<'a> {
    house: &'a House,
    from: IpAddr,
    seat: RefCell<Option<Seat<'a>>>,
}

impl Doorkeeper for Door<'_> {
    fn refuses(&self, calling: &str, called: &str) -> Option<(AssociationRJResult, AssociationRJSource)> {
        let user = |reason| Some((AssociationRJResult::Permanent, AssociationRJSource::ServiceUser(reason)));
        if called != self.house.title {
            return user(UserReason::CalledAETitleNotRecognized);
        }
        if !self.house.callers.iter().any(|c| c.title == calling && c.address.is_none_or(|a| a == self.from)) {
            return user(UserReason::CallingAETitleNotRecognized);
        }
        let seat = Seat::take(&self.house.associations, self.house.most_associations);
        if seat.is_none() {
            let full = AssociationRJSource::ServiceProviderPresentation(ProviderReason::LocalLimitExceeded);
            return Some((AssociationRJResult::Transient, full));
        }
        *self.seat.borrow_mut() = seat;
        None
    }

    fn chooses(&self, class: &str, syntaxes: &[String]) -> std::result::Result<String, Reason> {
        let storage = CLASSES.contains(&class);
        if !storage && class != uids::VERIFICATION {
            return Err(Reason::AbstractSyntaxNotSupported);
        }
        let plain = !storage || is_report(class);
        let taken = |uid: &&String| syntax::find(uid).is_some_and(|s| s.coding != Coding::Other && (!plain || s.coding == Coding::Native));
        syntaxes.iter().find(taken).cloned().ok_or(Reason::TransferSyntaxesNotSupported)
    }
}

/// Serves one connection to its end.
fn serve(tcp: TcpStream, from: IpAddr, waiting: Waiting, house: &House) -> Result<()> {
    let patience = house.patience;
    let wire = Wire::answer(tcp, house.tls.clone(), patience.connect())?;
    let door = Door { house, from, seat: RefCell::new(None) };
    let mut association = Association::accept(wire, &door, patience.answer(), patience.silence())?;
    drop(waiting);
    let _seat = door.seat.take();
    let (end, peer) = (Instant::now() + LONGEST_ASSOCIATION, association.peer().to_owned());
    association.end_by(end);
    (house.tell)(Event::Called { from: peer.clone() });
    let mut objects = 0;
    let outcome = loop {
        match association.next(patience.answer()) {
            Ok(Next::Released) => {
                (house.tell)(Event::Ended { from: peer, objects });
                return Ok(());
            }
            Ok(Next::Command(context, command)) => match answer(&mut association, context, &command, house, &peer) {
                Ok(arrived) => objects += usize::from(arrived),
                Err(e) => break Err(e),
            },
            Err(e) => break Err(e),
        }
    };
    association.abort();
    // What was cut off at the end of the hour says that something did not come in time.
    outcome.map_err(|e| {
        let over = Instant::now() >= end;
        if over { Error::new(ErrorKind::Limit, "an association lasts too long").expected("at most an hour").caused_by(e) } else { e }
    })
}

/// Answers one command; says whether an object arrived.
fn answer(association: &mut Association, context: u8, command: &Command, house: &House, peer: &str) -> Result<bool> {
    let from = peer.to_owned();
    match command.verb() {
        Verb::EchoAsked => {
            association.send(context, &Command::answer(command, 0))?;
            (house.tell)(Event::Tested { from });
        }
        Verb::StoreAsked => match taking::take(association, context, command, &house.inbox, house.largest)? {
            Ok(what) => {
                (house.tell)(Event::Arrived { from, what });
                return Ok(true);
            }
            Err(e) => (house.tell)(Event::Refused { from, why: e.message() }),
        },
        // Nothing is under way between messages that could be cancelled.
        Verb::CancelAsked => {}
        _ => {
            if command.has_data() {
                association.receive_data(context, super::command::LONGEST_COMMAND as u64, &mut |_| ())?;
            }
            // Unrecognized operation, PS3.7 C.4.
            association.send(context, &Command::answer(command, 0x0211))?;
        }
    }
    Ok(false)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_that_is_refused_leaves_nothing_behind() {
        let mut waiting = HashMap::new();
        let address = |n: u8| IpAddr::from([192, 0, 2, n]);
        let taken = (0..=u8::MAX).filter(|n| count_in(&mut waiting, address(n / 32))).count();
        assert_eq!(taken, MOST_WAITING);
        assert_eq!(waiting.len(), MOST_WAITING / MOST_WAITING_FROM_ONE, "an entry for each that was refused");
        assert!(waiting.values().all(|n| *n == MOST_WAITING_FROM_ONE));
    }
}
