//! One association (PS3.8): negotiating it from either side, and messages over it within bounds.
//!
//! Protocol data units are coded by `dicom-ul`. Its own association types read from a socket without an end to the whole of
//! a wait, so what stands here reads each unit itself, once its declared length was held against the limit.

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::time::{Duration, Instant};

use dicom_ul::pdu::{
    AbortRQServiceProviderReason as Why, AbortRQSource, AssociationAC, AssociationRJ, AssociationRJResult, AssociationRJSource,
    AssociationRQ, PDataValue, PDataValueType, Pdu, PresentationContextProposed, PresentationContextResult,
    PresentationContextResultReason as Reason, RequestorRoles, UserVariableItem, read_pdu, write_pdu,
};

use super::command::{Command, LONGEST_COMMAND};
use super::wire::{Wire, link};
use crate::dicom::write::{IMPLEMENTATION, IMPLEMENTATION_NAME};
use crate::error::{Error, ErrorKind, Result};

/// Longest unit that this side takes, bytes, and the most that it sends whatever the other side would take.
pub(super) const LONGEST_UNIT: u32 = 128 * 1024;
/// The DICOM application context (PS3.7 annex A).
const APPLICATION: &str = "1.2.840.10008.3.1.1.1";
/// Most presentation contexts in one association: identifiers are the odd numbers from 1 to 255.
pub(super) const MOST_CONTEXTS: usize = 128;
/// The slowest that a data set may come, bytes a second, once a minute of it has passed.
const SLOWEST: u64 = 4096;

/// A sort of object in one of some transfer syntaxes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    /// Abstract syntax UID.
    pub(super) class: String,
    /// Transfer syntax UIDs, best first.
    pub(super) syntaxes: Vec<String>,
    /// Whether the other side is to send such objects over this association, as C-GET needs.
    pub(super) to_receive: bool,
}

/// An agreed presentation context.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Context {
    pub(super) id: u8,
    pub(super) class: String,
    pub(super) syntax: String,
}

/// What the other side did next.
#[derive(Debug)]
pub(super) enum Next {
    /// A command in the presentation context of this identifier.
    Command(u8, Command),
    /// It is done.
    Released,
}

/// An association.
#[derive(Debug)]
pub(super) struct Association {
    wire: Wire,
    contexts: Vec<Context>,
    longest_sent: usize,
    peer: String,
    coming: VecDeque<PDataValue>,
    answer: Duration,
    silence: Duration,
    /// When all of it is over, whatever is under way; no such moment where there is none.
    end: Option<Instant>,
}

/// What the acceptor decides about a request.
pub(super) trait Doorkeeper {
    /// Refuses a caller by its title and the title it called, or not.
    fn refuses(&self, calling: &str, called: &str) -> Option<(AssociationRJResult, AssociationRJSource)>;
    /// The syntax in which objects of `class` are taken, out of those proposed; the reason where they are not.
    fn chooses(&self, class: &str, syntaxes: &[String]) -> std::result::Result<String, Reason>;
}

impl Association {
    /// Asks for an association.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when trying again later may help, [`ErrorKind::Usage`] when this side is not wanted there,
    /// [`ErrorKind::Format`] when the answer is no DICOM.
    pub(super) fn request(mut wire: Wire, own: &str, theirs: &str, wanted: &[Wanted], answer: Duration, silence: Duration) -> Result<Self> {
        let mut proposed = Vec::new();
        for (w, id) in wanted.iter().zip((1..=255_u8).step_by(2)) {
            let (abstract_syntax, transfer_syntaxes) = (w.class.clone(), w.syntaxes.clone());
            proposed.push(PresentationContextProposed { id, abstract_syntax, transfer_syntaxes });
        }
        let mut user_variables = about_us();
        let mut roles: Vec<&str> = Vec::new();
        for w in wanted.iter().filter(|w| w.to_receive) {
            if !roles.contains(&w.class.as_str()) {
                roles.push(&w.class);
                user_variables
                    .push(UserVariableItem::ScuScpRoleSelectionSubItem(w.class.clone(), RequestorRoles { scu: false, scp: true }));
            }
        }
        let request = Pdu::AssociationRQ(AssociationRQ {
            protocol_version: 1,
            calling_ae_title: own.to_owned(),
            called_ae_title: theirs.to_owned(),
            application_context_name: APPLICATION.to_owned(),
            presentation_contexts: proposed.clone(),
            user_variables,
        });
        wire.allow(silence, answer);
        send_unit(&mut wire, &request)?;
        let accepted = match receive_unit(&mut wire)? {
            Pdu::AssociationAC(accepted) => accepted,
            Pdu::AssociationRJ(rejected) => return Err(rejection(&rejected, own, theirs)),
            Pdu::AbortRQ { .. } => return Err(link("the archive broke off before the association was made")),
            other => return Err(unexpected(&other)),
        };
        let taken = |r: &PresentationContextResult| {
            let asked = proposed.iter().find(|p| p.id == r.id)?;
            let syntax = trimmed(&r.transfer_syntax);
            let meant = r.reason == Reason::Acceptance && asked.transfer_syntaxes.contains(&syntax);
            meant.then(|| Context { id: r.id, class: asked.abstract_syntax.clone(), syntax })
        };
        let contexts = accepted.presentation_contexts.iter().filter_map(taken).collect();
        let longest_sent = longest_sent(&accepted.user_variables)?;
        Ok(Self { wire, contexts, longest_sent, peer: theirs.to_owned(), coming: VecDeque::new(), answer, silence, end: None })
    }

    /// Takes a request for an association, which has to be there by the moment that the wire was given.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when the caller was turned away, [`ErrorKind::Format`] when it spoke no DICOM, [`ErrorKind::Io`]
    /// when it said nothing in time.
    pub(super) fn accept(mut wire: Wire, doorkeeper: &dyn Doorkeeper, answer: Duration, silence: Duration) -> Result<Self> {
        let asked = match receive_unit(&mut wire) {
            Ok(Pdu::AssociationRQ(asked)) => asked,
            Ok(other) => {
                let _ = send_unit(&mut wire, &abort(Why::UnexpectedPdu));
                wire.close();
                return Err(unexpected(&other));
            }
            Err(e) => {
                wire.close();
                return Err(e);
            }
        };
        let (calling, called) = (asked.calling_ae_title.clone(), asked.called_ae_title.clone());
        if let Some((result, source)) = doorkeeper.refuses(&calling, &called) {
            let reason = format!("{source}");
            let _ = send_unit(&mut wire, &Pdu::AssociationRJ(AssociationRJ { result, source }));
            wire.close();
            return Err(Error::new(ErrorKind::Usage, format!("a call from \"{}\" was turned away", plain(&calling))).found(reason));
        }
        let longest_sent = match longest_sent(&asked.user_variables) {
            Ok(longest) => longest,
            Err(e) => {
                let _ = send_unit(&mut wire, &abort(Why::InvalidPduParameter));
                wire.close();
                return Err(e);
            }
        };
        let (mut contexts, mut results) = (Vec::new(), Vec::new());
        for p in asked.presentation_contexts.iter().take(MOST_CONTEXTS) {
            let class = trimmed(&p.abstract_syntax);
            let syntaxes: Vec<String> = p.transfer_syntaxes.iter().map(|s| trimmed(s)).collect();
            let (reason, syntax) = match doorkeeper.chooses(&class, &syntaxes) {
                Ok(syntax) => (Reason::Acceptance, syntax),
                Err(reason) => (reason, crate::dicom::syntax::IMPLICIT_LE.uid.to_owned()),
            };
            if reason == Reason::Acceptance {
                contexts.push(Context { id: p.id, class, syntax: syntax.clone() });
            }
            results.push(PresentationContextResult { id: p.id, reason, transfer_syntax: syntax });
        }
        let answered = Pdu::AssociationAC(AssociationAC {
            protocol_version: 1,
            application_context_name: APPLICATION.to_owned(),
            called_ae_title: called,
            calling_ae_title: calling.clone(),
            presentation_contexts: results,
            user_variables: about_us(),
        });
        send_unit(&mut wire, &answered)?;
        Ok(Self { wire, contexts, longest_sent, peer: plain(&calling), coming: VecDeque::new(), answer, silence, end: None })
    }

    /// From `end` on nothing more is waited for, also in the middle of a command or a data set.
    pub(super) fn end_by(&mut self, end: Instant) {
        self.end = Some(end);
    }

    /// From now on a silence may be so long, and all that follows must be over within `whole`, and by the end of the association.
    fn allow(&mut self, silence: Duration, whole: Duration) {
        let left = self.end.map_or(whole, |end| end.saturating_duration_since(Instant::now()));
        self.wire.allow(silence, whole.min(left));
    }

    /// The other side's title.
    pub(super) fn peer(&self) -> &str {
        &self.peer
    }

    /// What was agreed.
    pub(super) fn contexts(&self) -> &[Context] {
        &self.contexts
    }

    /// The context of this identifier.
    pub(super) fn context(&self, id: u8) -> Option<&Context> {
        self.contexts.iter().find(|c| c.id == id)
    }

    /// The context in which objects of `class` in `syntax` go.
    pub(super) fn context_for(&self, class: &str, syntax: &str) -> Option<&Context> {
        self.contexts.iter().find(|c| c.class == class && c.syntax == syntax)
    }

    /// Sends a command.
    pub(super) fn send(&mut self, context: u8, command: &Command) -> Result<()> {
        self.allow(self.silence, self.answer);
        self.send_values(context, PDataValueType::Command, &mut command.encode().as_slice()).map(drop)
    }

    /// Sends a data set from `source`; returns its length. `source` fails with its own error, the link with an
    /// [`ErrorKind::Io`] one.
    pub(super) fn send_data(&mut self, context: u8, source: &mut dyn Read) -> Result<u64> {
        self.allow(self.silence, Duration::from_secs(24 * 3600));
        self.send_values(context, PDataValueType::Data, source)
    }

    fn send_values(&mut self, context: u8, value_type: PDataValueType, source: &mut dyn Read) -> Result<u64> {
        let mut total = 0;
        let mut piece = read_piece(source, self.longest_sent)?;
        loop {
            // One piece ahead, to know which is the last.
            let next = if piece.len() < self.longest_sent { Vec::new() } else { read_piece(source, self.longest_sent)? };
            total += piece.len() as u64;
            let is_last = next.is_empty();
            let value = PDataValue { presentation_context_id: context, value_type: value_type.clone(), is_last, data: piece };
            send_unit(&mut self.wire, &Pdu::PData { data: vec![value] })?;
            if is_last {
                return Ok(total);
            }
            piece = next;
        }
    }

    /// Waits for what the other side does next, at most so long.
    pub(super) fn next(&mut self, most: Duration) -> Result<Next> {
        self.allow(most, most);
        let mut bytes = Vec::new();
        loop {
            let value = match self.value()? {
                Some(value) => value,
                None if bytes.is_empty() => return Ok(Next::Released),
                None => return Err(broken("a command", "the end of the association")),
            };
            if value.value_type != PDataValueType::Command {
                return Err(broken("a command", "a data set"));
            }
            if bytes.len() + value.data.len() > LONGEST_COMMAND {
                return Err(broken("a command of at most 16 kB", "a longer one"));
            }
            bytes.extend_from_slice(&value.data);
            // The rest of a command that has begun must follow without delay.
            self.allow(self.silence.min(most), self.silence);
            if value.is_last {
                return Ok(Next::Command(value.presentation_context_id, Command::decode(&bytes)?));
            }
        }
    }

    /// Waits for the answer to a request.
    pub(super) fn answered(&mut self) -> Result<(u8, Command)> {
        match self.next(self.answer)? {
            Next::Command(context, command) => Ok((context, command)),
            Next::Released => Err(link("the archive ended the association without an answer")),
        }
    }

    /// Takes the data set that follows a command, piece by piece; returns its length. One that is longer than `most` bytes
    /// or comes slower than 4 kB a second is an error, after which the association is of no use.
    pub(super) fn receive_data(&mut self, context: u8, most: u64, sink: &mut dyn FnMut(&[u8])) -> Result<u64> {
        let begun = Instant::now();
        let mut total = 0_u64;
        loop {
            let allowed = Duration::from_secs(60 + total / SLOWEST);
            let left = allowed.saturating_sub(begun.elapsed());
            self.allow(self.silence, left);
            let Some(value) = self.value()? else { return Err(broken("a data set", "the end of the association")) };
            if value.value_type != PDataValueType::Data || value.presentation_context_id != context {
                return Err(broken("the rest of a data set", "something else"));
            }
            total += value.data.len() as u64;
            if total > most {
                return Err(Error::new(ErrorKind::Limit, "an object is too large").expected(format!("at most {most} bytes")).found("more"));
            }
            sink(&value.data);
            if value.is_last {
                return Ok(total);
            }
        }
    }

    /// The next value; `None` when the other side is done.
    fn value(&mut self) -> Result<Option<PDataValue>> {
        loop {
            if let Some(value) = self.coming.pop_front() {
                return Ok(Some(value));
            }
            match receive_unit(&mut self.wire)? {
                Pdu::PData { data } => self.coming.extend(data),
                Pdu::ReleaseRQ => {
                    let _ = send_unit(&mut self.wire, &Pdu::ReleaseRP);
                    self.wire.close();
                    return Ok(None);
                }
                Pdu::AbortRQ { .. } => return Err(link("the other side broke off")),
                other => return Err(unexpected(&other)),
            }
        }
    }

    /// Ends the association in good order. What was agreed to is done by then, so that a failure here is none of it.
    pub(super) fn release(mut self) {
        self.wire.allow(self.silence, self.silence);
        if send_unit(&mut self.wire, &Pdu::ReleaseRQ).is_ok() {
            let _ = receive_unit(&mut self.wire);
        }
        self.wire.close();
    }

    /// Breaks off.
    pub(super) fn abort(mut self) {
        self.wire.allow(Duration::from_secs(2), Duration::from_secs(2));
        let _ = send_unit(&mut self.wire, &abort(Why::ReasonNotSpecified));
        self.wire.close();
    }
}

fn about_us() -> Vec<UserVariableItem> {
    vec![
        UserVariableItem::MaxLength(LONGEST_UNIT),
        UserVariableItem::ImplementationClassUID(IMPLEMENTATION.to_owned()),
        UserVariableItem::ImplementationVersionName(IMPLEMENTATION_NAME.to_owned()),
    ]
}

/// The most bytes of a value in one unit that the other side takes: its limit less the 6 bytes of a value's header.
fn longest_sent(said: &[UserVariableItem]) -> Result<usize> {
    let limit = said.iter().find_map(|v| if let UserVariableItem::MaxLength(n) = v { Some(*n) } else { None }).unwrap_or(0);
    let limit = if limit == 0 { LONGEST_UNIT } else { limit.min(LONGEST_UNIT) };
    if limit < 256 {
        return Err(broken("units of at least 256 bytes", &format!("a limit of {limit}")));
    }
    // An even number, so that values of two bytes are not torn.
    Ok((limit as usize - 6) & !1)
}

fn read_piece(source: &mut dyn Read, most: usize) -> Result<Vec<u8>> {
    let mut piece = Vec::with_capacity(most);
    source
        .take(most as u64)
        .read_to_end(&mut piece)
        .map_err(|e| Error::new(ErrorKind::Format, "the file to be sent cannot be read to its end").found(e.to_string()).caused_by(e))?;
    Ok(piece)
}

fn send_unit(wire: &mut Wire, unit: &Pdu) -> Result<()> {
    let mut bytes = Vec::new();
    write_pdu(&mut bytes, unit).map_err(|e| Error::new(ErrorKind::Format, "a message cannot be written").found(e.to_string()))?;
    wire.write_all(&bytes).and_then(|()| wire.flush()).map_err(lost)
}

fn receive_unit(wire: &mut Wire) -> Result<Pdu> {
    let mut whole = vec![0_u8; 6];
    wire.read_exact(&mut whole).map_err(lost)?;
    let length = match whole.as_slice() {
        [_, _, a, b, c, d] => u32::from_be_bytes([*a, *b, *c, *d]),
        _ => 0,
    };
    if length > LONGEST_UNIT {
        return Err(Error::new(ErrorKind::Limit, "a message is too long")
            .expected(format!("at most {LONGEST_UNIT} bytes, as agreed"))
            .found(format!("{length}")));
    }
    // No more than arrives is held, whatever was declared.
    let got = wire.take(u64::from(length)).read_to_end(&mut whole).map_err(lost)?;
    if got < length as usize {
        return Err(lost(std::io::ErrorKind::UnexpectedEof.into()));
    }
    // The library's message may quote what came; only that it could not be read goes on.
    match read_pdu(whole.as_slice(), LONGEST_UNIT, true) {
        Ok(Some(unit)) => Ok(unit),
        Ok(None) | Err(_) => Err(broken("a DICOM message", "something else")),
    }
}

fn lost(e: std::io::Error) -> Error {
    let found = match e.kind() {
        std::io::ErrorKind::TimedOut => "nothing came in time".to_owned(),
        std::io::ErrorKind::UnexpectedEof => "the other side hung up".to_owned(),
        _ => e.to_string(),
    };
    link("the connection was lost").found(found).caused_by(e)
}

fn broken(expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Format, "the other side does not keep to the protocol").expected(expected).found(found)
}

fn unexpected(unit: &Pdu) -> Error {
    let name = match unit {
        Pdu::AssociationRQ(_) => "a request for an association",
        Pdu::AssociationAC(_) | Pdu::AssociationRJ(_) => "an answer that nobody asked for",
        Pdu::PData { .. } => "data",
        Pdu::ReleaseRQ | Pdu::ReleaseRP => "an end of the association",
        Pdu::AbortRQ { .. } => "a break",
        Pdu::Unknown { .. } => "a message of an unknown sort",
    };
    broken("another message", name)
}

fn abort(why: Why) -> Pdu {
    Pdu::AbortRQ { source: AbortRQSource::ServiceProvider(why) }
}

/// Why the archive does not want this side. What passes is a matter of the link, the rest of the settings.
fn rejection(r: &AssociationRJ, own: &str, theirs: &str) -> Error {
    let kind = if r.result == AssociationRJResult::Transient { ErrorKind::Io } else { ErrorKind::Usage };
    Error::new(kind, format!("the archive \"{theirs}\" does not accept \"{own}\""))
        .found(r.source.to_string())
        .remedy("See that both titles are as the archive has them")
}

fn trimmed(uid: &str) -> String {
    uid.trim_matches(['\0', ' ']).to_owned()
}

fn plain(title: &str) -> String {
    title.chars().filter(|c| !c.is_control()).take(16).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::net::{TcpListener, TcpStream};

    use super::*;

    struct Open;

    impl Doorkeeper for Open {
        fn refuses(&self, _: &str, _: &str) -> Option<(AssociationRJResult, AssociationRJSource)> {
            None
        }

        fn chooses(&self, _: &str, syntaxes: &[String]) -> std::result::Result<String, Reason> {
            syntaxes.first().cloned().ok_or(Reason::TransferSyntaxesNotSupported)
        }
    }

    #[test]
    fn a_data_set_that_drips_ends_with_its_association() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let long = Duration::from_secs(30);
        let dripping = std::thread::spawn(move || {
            let wire = Wire::call("127.0.0.1", address.port(), None, long, long).unwrap();
            let wanted = Wanted { class: "1.2".into(), syntaxes: vec!["1.2.840.10008.1.2".into()], to_receive: false };
            let mut a = Association::request(wire, "A", "B", &[wanted], long, long).unwrap();
            let begun = Instant::now();
            let value = || PDataValue { presentation_context_id: 1, value_type: PDataValueType::Data, is_last: false, data: vec![0; 2] };
            while begun.elapsed() < Duration::from_secs(10) && send_unit(&mut a.wire, &Pdu::PData { data: vec![value()] }).is_ok() {
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        let (tcp, _): (TcpStream, _) = listener.accept().unwrap();
        let mut a = Association::accept(Wire::answer(tcp, None, long).unwrap(), &Open, long, long).unwrap();
        let begun = Instant::now();
        a.end_by(begun + Duration::from_millis(500));
        let e = a.receive_data(1, 1 << 30, &mut |_| ()).unwrap_err();
        assert!(begun.elapsed() < Duration::from_secs(5) && e.message().contains("nothing came in time"), "{e}");
        a.abort();
        dripping.join().unwrap();
    }
}
