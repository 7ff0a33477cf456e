//! Calling an archive on the DICOM network: C-ECHO, C-STORE, C-FIND and C-GET (PS3.4 annexes A, B and C, PS3.7 section 9).

use std::collections::HashSet;
use std::ops::ControlFlow;

use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries;

use super::association::{Association, MOST_CONTEXTS, Next, Wanted};
use super::command::{self, Command, Meaning, Verb};
use super::inbox::{Arrived, Inbox};
use super::object::{CLASSES, Object, is_report};
use super::query::{Answer, Fetched, Found, MOST_FOUND, MOST_OBJECTS, Question};
use super::settings::{DicomArchive, Patience};
use super::wire::{Wire, link};
use super::{taking, tls};
use crate::dicom::attributes::{self as at, Attribute, Attributes};
use crate::dicom::syntax::{self, Coding, EXPLICIT_LE, IMPLICIT_LE, Layout};
use crate::dicom::walk;
use crate::error::{Error, ErrorKind, Result};

/// Longest answer to a question about one exam, bytes.
const LONGEST_ANSWER: u64 = 1024 * 1024;

/// The way to one archive.
#[derive(Clone, Copy, Debug)]
pub(super) struct Link<'a> {
    pub(super) own: &'a str,
    pub(super) archive: &'a DicomArchive,
    pub(super) patience: Patience,
}

fn plain_syntaxes() -> Vec<String> {
    vec![EXPLICIT_LE.uid.to_owned(), IMPLICIT_LE.uid.to_owned()]
}

fn wanted(class: &str) -> Wanted {
    Wanted { class: class.to_owned(), syntaxes: plain_syntaxes(), to_receive: false }
}

impl Link<'_> {
    fn open(&self, wanted: &[Wanted]) -> Result<Association> {
        let a = self.archive;
        let config = a.tls.as_ref().map(tls::for_calling).transpose()?;
        let name = a.tls.as_ref().and_then(|t| t.server_name.as_deref()).unwrap_or(&a.host);
        let (connect, silence) = (self.patience.connect(), self.patience.silence());
        let wire = Wire::call(&a.host, a.port, config.map(|c| (c, name)), connect, silence)?;
        Association::request(wire, self.own, &a.title, wanted, self.patience.answer(), silence)
    }

    /// Asks whether the archive is there and would talk to this workstation.
    pub(super) fn echo(&self) -> Result<()> {
        let mut association = self.open(&[wanted(uids::VERIFICATION)])?;
        let context = first(&association, uids::VERIFICATION)?;
        association.send(context, &Command::ask(Verb::EchoAsked, uids::VERIFICATION, 1, false))?;
        let (_, answer) = association.answered()?;
        let status = answer.status()?;
        association.release();
        if answer.verb() == Verb::EchoAnswered && status == 0 {
            return Ok(());
        }
        Err(link("the archive answered the test otherwise").expected("status 0000").found(command::words(status)))
    }

    /// An association in which `objects` can be sent, each in its own transfer syntax: those beyond what one association can
    /// agree on are left for another.
    pub(super) fn open_for(&self, objects: &[Object]) -> Result<Sending> {
        let mut all: Vec<Wanted> = Vec::new();
        for o in objects {
            let one = Wanted { class: o.class.clone(), syntaxes: vec![o.syntax.uid.to_owned()], to_receive: false };
            if !all.contains(&one) && all.len() < MOST_CONTEXTS {
                all.push(one);
            }
        }
        Ok(Sending { association: self.open(&all)?, proposed: all, message: 0 })
    }

    /// Exams that match.
    pub(super) fn find(&self, question: &Question) -> Result<Answer> {
        let class = uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND;
        let mut association = self.open(&[wanted(class)])?;
        let context = first(&association, class)?;
        let layout = layout_of(&association, context);
        association.send(context, &Command::ask(Verb::FindAsked, class, 1, true))?;
        association.send_data(context, &mut identifier(question, layout)?.as_slice())?;
        let mut answer = Answer::default();
        loop {
            let (id, said) = association.answered()?;
            let status = said.status()?;
            let mut bytes = Vec::new();
            if said.has_data() {
                association.receive_data(id, LONGEST_ANSWER, &mut |b| bytes.extend_from_slice(b))?;
            }
            match command::meaning(status) {
                Meaning::Pending if answer.found.len() >= MOST_FOUND => {
                    answer.more = true;
                    association.abort();
                    return Ok(answer);
                }
                Meaning::Pending => answer.found.extend(found(&bytes, layout)?),
                Meaning::Success => {
                    association.release();
                    return Ok(answer);
                }
                _ => {
                    association.release();
                    return Err(link("the archive did not answer the question").found(said_words(status, &said)));
                }
            }
        }
    }

    /// Fetches the objects of a study into `inbox`. `progress` is told how many have come and how many are left, and may stop
    /// it; what came until then is kept.
    ///
    /// Some archives look at the first transfer syntax that was agreed for a sort of object and at no other, and then cannot
    /// send what they hold in another. What they could not send is asked for again, one syntax at a time.
    pub(super) fn get(
        &self,
        study: &str,
        inbox: &Inbox,
        most: u64,
        progress: &mut dyn FnMut(usize, Option<u16>) -> ControlFlow<()>,
    ) -> Result<Fetched> {
        let mut get = Get { study, inbox, most, progress, fetched: Fetched::default(), seen: HashSet::new() };
        let end = self.round(&mut get, receivable())?;
        let wanted = get.seen.len() + usize::from(end.failed);
        for syntax in compressed() {
            if get.seen.len() >= wanted {
                break;
            }
            match self.round(&mut get, in_one(syntax)) {
                Ok(_) => {}
                // Nothing of it in this syntax, or the syntax is not known there.
                Err(e) if matches!(e.kind(), ErrorKind::Unsupported) => {}
                Err(e) => {
                    get.fetched.failed.push(e.message());
                    break;
                }
            }
        }
        let left = wanted.saturating_sub(get.seen.len());
        if left > 0 {
            get.fetched.failed.push(format!("the archive could not send {left} objects: {}", end.words));
        } else if end.refused {
            get.fetched.failed.push(end.words);
        }
        Ok(get.fetched)
    }

    /// One request for the study with these ways to receive.
    fn round(&self, get: &mut Get<'_>, receive: Vec<Wanted>) -> Result<End> {
        let class = uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_GET;
        let mut all = vec![wanted(class)];
        all.extend(receive);
        let mut association = self.open(&all)?;
        let context = first(&association, class)?;
        let layout = layout_of(&association, context);
        association.send(context, &Command::ask(Verb::GetAsked, class, 1, true))?;
        let question = Question { study: Some(get.study.to_owned()), ..Question::default() };
        association.send_data(context, &mut level_and_study(&question, layout)?.as_slice())?;
        let (mut left, before) = (None, get.fetched.arrived);
        loop {
            if (get.progress)(get.fetched.arrived, left).is_break() {
                association.abort();
                let came = format!("{} objects came before", get.fetched.arrived);
                return Err(Error::new(ErrorKind::Usage, "the fetch was stopped").found(came));
            }
            let (id, said) = match association.next(self.patience.answer())? {
                Next::Command(id, said) => (id, said),
                Next::Released => return Err(link("the archive ended the association before the end of the exam")),
            };
            match said.verb() {
                Verb::StoreAsked if get.seen.len() >= MOST_OBJECTS => {
                    association.abort();
                    return Err(Error::new(ErrorKind::Limit, "the exam has too many objects").expected(format!("at most {MOST_OBJECTS}")));
                }
                Verb::StoreAsked => match taking::take(&mut association, id, &said, get.inbox, get.most)? {
                    Ok(arrived) => get.take(&arrived),
                    Err(e) => get.fetched.failed.push(e.message()),
                },
                Verb::GetAnswered => {
                    if said.has_data() {
                        association.receive_data(id, LONGEST_ANSWER, &mut |_| ())?;
                    }
                    let status = said.status()?;
                    left = said.get(tags::NUMBER_OF_REMAINING_SUBOPERATIONS).or(left);
                    if command::meaning(status) == Meaning::Pending {
                        continue;
                    }
                    association.release();
                    let failed = said.get(tags::NUMBER_OF_FAILED_SUBOPERATIONS).unwrap_or(0);
                    let words = fetch_words(status, &said);
                    let refused = !matches!(command::meaning(status), Meaning::Success | Meaning::Warning);
                    if refused && failed == 0 && get.fetched.arrived == before {
                        return Err(link("the archive did not send the exam").found(words));
                    }
                    return Ok(End { failed, words, refused });
                }
                _ => return Err(Error::new(ErrorKind::Format, "the archive does not keep to the protocol").expected("an object")),
            }
        }
    }
}

/// A fetch that is under way.
struct Get<'a> {
    study: &'a str,
    inbox: &'a Inbox,
    most: u64,
    progress: &'a mut dyn FnMut(usize, Option<u16>) -> ControlFlow<()>,
    fetched: Fetched,
    /// SOP Instance UIDs that have come.
    seen: HashSet<String>,
}

impl Get<'_> {
    fn take(&mut self, arrived: &Arrived) {
        if self.seen.insert(arrived.instance.clone()) {
            self.fetched.take(arrived);
        }
    }
}

/// How a request for a study ended, by the archive's own numbers.
struct End {
    failed: u16,
    words: String,
    refused: bool,
}

/// Statuses of C-GET (PS3.4 table C.4-3); B000 is not what it is of C-STORE.
fn fetch_words(status: u16, said: &Command) -> String {
    if status == 0xB000 { "it says that not all of it could be sent (status B000)".into() } else { said_words(status, said) }
}

/// An association that objects are sent over.
pub(super) struct Sending {
    association: Association,
    proposed: Vec<Wanted>,
    message: u16,
}

/// What an archive said about one object.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Said {
    pub(super) meaning: Meaning,
    pub(super) words: String,
}

impl Sending {
    /// Whether this association was asked to take objects like this one.
    pub(super) fn covers(&self, object: &Object) -> bool {
        self.proposed.iter().any(|w| w.class == object.class && w.syntaxes.iter().any(|s| s == object.syntax.uid))
    }

    /// Sends one object and waits for what the archive says of it.
    ///
    /// # Errors
    /// The end of the association: whether the archive has the object is not known then.
    pub(super) fn store(&mut self, object: &Object) -> Result<Said> {
        let Some(context) = self.association.context_for(&object.class, object.syntax.uid).map(|c| c.id) else {
            let words = format!("the archive does not take objects of this sort in {}", object.syntax.name);
            return Ok(Said { meaning: Meaning::Failure, words });
        };
        self.message = self.message.wrapping_add(1).max(1);
        let ask = Command::ask(Verb::StoreAsked, &object.class, self.message, true).text(tags::AFFECTED_SOP_INSTANCE_UID, &object.instance);
        let mut data = object.data_set()?;
        self.association.send(context, &ask)?;
        self.association.send_data(context, &mut data)?;
        let (_, said) = self.association.answered()?;
        let about = said.get(tags::MESSAGE_ID_BEING_RESPONDED_TO);
        if said.verb() != Verb::StoreAnswered || about != Some(self.message) {
            return Err(Error::new(ErrorKind::Format, "the archive's answer is to something else"));
        }
        let status = said.status()?;
        Ok(Said { meaning: command::meaning(status), words: said_words(status, &said) })
    }

    /// Ends it in good order.
    pub(super) fn release(self) {
        self.association.release();
    }

    /// Breaks it off.
    pub(super) fn abort(self) {
        self.association.abort();
    }
}

fn said_words(status: u16, said: &Command) -> String {
    let words = command::words(status);
    said.words(tags::ERROR_COMMENT).map_or_else(|| words.clone(), |comment| format!("{words}: {comment}"))
}

fn first(association: &Association, class: &str) -> Result<u8> {
    association.contexts().iter().find(|c| c.class == class).map(|c| c.id).ok_or_else(|| {
        Error::new(ErrorKind::Unsupported, "the archive does not do this").expected("a service that it offers").found(match class {
            uids::VERIFICATION => "no test of the link (C-ECHO)",
            uids::STUDY_ROOT_QUERY_RETRIEVE_INFORMATION_MODEL_FIND => "no search for studies (C-FIND)",
            _ => "no fetching over the same association (C-GET)",
        })
    })
}

fn layout_of(association: &Association, context: u8) -> Layout {
    let syntax = association.context(context).and_then(|c| syntax::find(&c.syntax));
    syntax.unwrap_or(IMPLICIT_LE).layout
}

/// The transfer syntaxes that this program reads and that an archive cannot make out of others without a decoder.
fn compressed() -> impl Iterator<Item = &'static str> + Clone {
    syntax::ALL.iter().filter(|s| !matches!(s.coding, Coding::Native | Coding::Other)).map(|s| s.uid)
}

/// Images in one compressed syntax and in no other.
fn in_one(uid: &str) -> Vec<Wanted> {
    let images = CLASSES.iter().filter(|c| !is_report(c));
    images.map(|c| Wanted { class: (*c).to_owned(), syntaxes: vec![uid.to_owned()], to_receive: true }).collect()
}

/// One context for what is not compressed, which an archive may turn into another such syntax without loss, and one for each
/// compressed syntax, so that it is sent as it is stored.
fn receivable() -> Vec<Wanted> {
    let mut all: Vec<Wanted> = CLASSES.iter().map(|c| Wanted { to_receive: true, ..wanted(c) }).collect();
    all.extend(compressed().flat_map(in_one));
    all
}

const DESCRIPTION: Attribute = Attribute(tags::STUDY_DESCRIPTION, "Study Description");
const MODALITIES: Attribute = Attribute(tags::MODALITIES_IN_STUDY, "Modalities in Study");
const INSTANCES: Attribute = Attribute(tags::NUMBER_OF_STUDY_RELATED_INSTANCES, "Number of Study Related Instances");

fn put(o: &mut InMemDicomObject, tag: Tag, vr: VR, value: Option<&str>) {
    let value = value.map_or(PrimitiveValue::Empty, PrimitiveValue::from);
    o.put(DataElement::new(tag, vr, value));
}

/// The identifier of a C-FIND request: what must match, and empty what is to be told.
fn identifier(question: &Question, layout: Layout) -> Result<Vec<u8>> {
    let mut o = InMemDicomObject::new_empty();
    let (name, range) = (question.wild_name(), question.range());
    put(&mut o, tags::QUERY_RETRIEVE_LEVEL, VR::CS, Some("STUDY"));
    put(&mut o, tags::SPECIFIC_CHARACTER_SET, VR::CS, Some("ISO_IR 192"));
    put(&mut o, tags::STUDY_INSTANCE_UID, VR::UI, question.study.as_deref());
    put(&mut o, tags::PATIENT_ID, VR::LO, question.patient.as_deref());
    put(&mut o, tags::PATIENT_NAME, VR::PN, name.as_deref());
    put(&mut o, tags::STUDY_DATE, VR::DA, range.as_deref());
    put(&mut o, DESCRIPTION.0, VR::LO, None);
    put(&mut o, MODALITIES.0, VR::CS, None);
    put(&mut o, INSTANCES.0, VR::IS, None);
    encoded(&o, layout)
}

fn level_and_study(question: &Question, layout: Layout) -> Result<Vec<u8>> {
    let mut o = InMemDicomObject::new_empty();
    put(&mut o, tags::QUERY_RETRIEVE_LEVEL, VR::CS, Some("STUDY"));
    put(&mut o, tags::STUDY_INSTANCE_UID, VR::UI, question.study.as_deref());
    encoded(&o, layout)
}

fn encoded(o: &InMemDicomObject, layout: Layout) -> Result<Vec<u8>> {
    let syntax = if layout.explicit_vr { entries::EXPLICIT_VR_LITTLE_ENDIAN.erased() } else { entries::IMPLICIT_VR_LITTLE_ENDIAN.erased() };
    let mut bytes = Vec::new();
    o.write_dataset_with_ts(&mut bytes, &syntax).map_err(|_| Error::new(ErrorKind::Format, "the question cannot be written"))?;
    Ok(bytes)
}

/// One answer; `None` when it names no study.
fn found(bytes: &[u8], layout: Layout) -> Result<Option<Found>> {
    let a = Attributes::decode(&walk::whole(bytes, layout)?, layout)?;
    let Some(study) = a.text(at::STUDY) else { return Ok(None) };
    Ok(Some(Found {
        study,
        date: a.text(at::STUDY_DATE),
        patient: a.text(at::PATIENT_ID),
        name: a.text(at::PATIENT_NAME),
        description: a.text(DESCRIPTION),
        modalities: a.texts(MODALITIES).into_iter().filter(|m| !m.is_empty()).collect(),
        objects: a.whole(INSTANCES).ok().flatten(),
    }))
}
