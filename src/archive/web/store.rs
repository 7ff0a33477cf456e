//! STOW-RS (PS3.18 section 10.5): storing, with what the archive said of each object.

use std::collections::{HashMap, VecDeque};
use std::io::{Cursor, Read};

use ureq::SendBody;

use super::super::command::{self, Meaning};
use super::super::link::Said;
use super::super::object::Object;
use super::super::outbox::Item;
use super::super::sender::{Batch, Halt};
use super::super::settings::{Patience, WebArchive};
use super::{Client, LONGEST_ANSWER, json, refused, unreachable, words};
use crate::error::{Error, ErrorKind, Result};

/// Most objects in one request.
const MOST_AT_ONCE: usize = 16;
/// Most bytes in one request, unless one object is larger.
const MOST_BYTES_AT_ONCE: u64 = 64 * 1024 * 1024;

/// Sends the objects in order, a few of one study at a time.
pub(in super::super) fn store(
    archive: &WebArchive,
    patience: &Patience,
    mut ready: VecDeque<(Item, Object)>,
    batch: &mut Batch<'_, '_>,
) -> std::result::Result<(), Halt> {
    let client = Client::new(archive, patience).map_err(Halt::Link)?;
    while let Some((_, first)) = ready.front() {
        let study = first.study.clone();
        let (mut some, mut bytes): (Vec<(Item, Object)>, u64) = (Vec::new(), 0);
        while let Some((mut item, object)) = ready.pop_front_if(|(_, o)| {
            o.study == study && some.len() < MOST_AT_ONCE && (some.is_empty() || bytes + length(o) <= MOST_BYTES_AT_ONCE)
        }) {
            if !batch.unchanged(&mut item, &object)? {
                continue;
            }
            bytes += length(&object);
            batch.trying(&mut item)?;
            some.push((item, object));
        }
        if some.is_empty() {
            continue;
        }
        let said = post(&client, &study, some.iter().map(|s| &s.1));
        let answer = match said {
            Ok(answer) => answer,
            Err(e) => {
                some.iter_mut().try_for_each(|(item, _)| batch.not_yet(item, &e))?;
                return Err(Halt::Link(e));
            }
        };
        let mut trouble = None;
        for (mut item, object) in some {
            let said = answer.of(&object.instance);
            if matches!(said.meaning, Meaning::Later | Meaning::Pending) {
                trouble = Some(said.words.clone());
            }
            batch.said(&mut item, said)?;
        }
        if let Some(words) = trouble {
            return Err(Halt::Link(Error::new(ErrorKind::Io, "the archive has not stored everything").found(words)));
        }
    }
    Ok(())
}

fn length(object: &Object) -> u64 {
    std::fs::metadata(&object.path).map_or(0, |m| m.len())
}

/// What an archive answered to one request.
#[derive(Debug)]
struct Stored {
    /// By SOP Instance UID.
    said: HashMap<String, Said>,
    /// What holds for objects that it does not name.
    others: Said,
}

impl Stored {
    fn of(&self, instance: &str) -> Said {
        self.said.get(instance).cloned().unwrap_or_else(|| self.others.clone())
    }
}

fn post<'o>(client: &Client<'_>, study: &str, objects: impl Iterator<Item = &'o Object>) -> Result<Stored> {
    let boundary = "osspan-part-8f3c1d0a5b";
    let mut length = 0_u64;
    let mut body: Box<dyn Read> = Box::new(std::io::empty());
    let add = |body: Box<dyn Read>, length: &mut u64, bytes: Vec<u8>| -> Box<dyn Read> {
        *length += bytes.len() as u64;
        Box::new(body.chain(Cursor::new(bytes)))
    };
    for object in objects {
        let mut head = format!("\r\n--{boundary}\r\nContent-Type: application/dicom\r\n\r\n").into_bytes();
        head.extend(object.head(None)?);
        body = add(body, &mut length, head);
        // As many bytes as were there a moment ago, whatever becomes of the file.
        let data = self::length(object).saturating_sub(object.data_set);
        length += data;
        body = Box::new(body.chain(object.data_set()?.take(data)));
    }
    body = add(body, &mut length, format!("\r\n--{boundary}--\r\n").into_bytes());
    let mut request = client
        .agent
        .post(client.address(&format!("studies/{study}")))
        .header("Content-Type", format!("multipart/related; type=\"application/dicom\"; boundary={boundary}"))
        .header("Content-Length", length.to_string())
        .header("Accept", "application/dicom+json");
    if let Some(value) = &client.sign_in {
        request = request.header("Authorization", value);
    }
    let mut response = request.send(SendBody::from_owned_reader(body)).map_err(|e| unreachable(&e))?;
    let status = response.status();
    let bytes = response.body_mut().with_config().limit(LONGEST_ANSWER).read_to_vec().map_err(|e| unreachable(&e))?;
    match status.as_u16() {
        200 | 202 | 400 | 409 | 413 | 415 => Ok(read(status.as_u16(), &words(status), &bytes)),
        _ => Err(refused(status)),
    }
}

/// Reads an answer: Referenced SOP Sequence (0008,1199) names what was stored, Failed SOP Sequence (0008,1198) what was not.
/// An object that neither names was not said to be stored, whatever the status.
fn read(status: u16, words: &str, bytes: &[u8]) -> Stored {
    let mut said = HashMap::new();
    let answer = json::parse(bytes).ok();
    for set in answer.as_ref().map(json::data_sets).unwrap_or_default() {
        for item in set.items("00081199") {
            let warning = item.whole("00081196").and_then(|w| u16::try_from(w).ok()).filter(|w| *w != 0);
            let one = match warning {
                Some(code) => Said { meaning: Meaning::Warning, words: command::words(code) },
                None => Said { meaning: Meaning::Success, words: words.to_owned() },
            };
            item.text("00081155").map(|uid| said.insert(uid, one));
        }
        for item in set.items("00081198") {
            let reason = item.whole("00081197").and_then(|r| u16::try_from(r).ok());
            let meaning = match reason.map(command::meaning) {
                Some(Meaning::Later) => Meaning::Later,
                _ => Meaning::Failure,
            };
            let why = reason.map_or_else(|| "no reason given".to_owned(), command::words);
            // A failure goes before a success that is said of the same object.
            item.text("00081155").map(|uid| said.insert(uid, Said { meaning, words: format!("{why}, {words}") }));
        }
    }
    let others = match status {
        200 | 202 => {
            Said { meaning: Meaning::Later, words: format!("the archive answered {words} and did not say that it has this object") }
        }
        413 => Said { meaning: Meaning::Failure, words: format!("{words}: too large for the archive") },
        415 => {
            Said { meaning: Meaning::Failure, words: format!("{words}: the archive does not take objects of this sort or transfer syntax") }
        }
        _ => Said { meaning: Meaning::Failure, words: format!("{words}, no reason given for this object") },
    };
    Stored { said, others }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// After the example of a response in PS3.18 section 10.5.3 (Store Instances Response Module), values invented.
    const SOME: &str = r#"{
      "00081190": {"vr": "UR", "Value": ["https://h/studies/1.2"]},
      "00081198": {"vr": "SQ", "Value": [
        {"00081150": {"vr": "UI", "Value": ["1.2.840.10008.5.1.4.1.1.6.1"]}, "00081155": {"vr": "UI", "Value": ["1.2.3.3"]},
         "00081197": {"vr": "US", "Value": [272]}},
        {"00081155": {"vr": "UI", "Value": ["1.2.3.4"]}, "00081197": {"vr": "US", "Value": [42752]}}]},
      "00081199": {"vr": "SQ", "Value": [
        {"00081155": {"vr": "UI", "Value": ["1.2.3.1"]}, "00081190": {"vr": "UR", "Value": ["https://h/x"]}},
        {"00081155": {"vr": "UI", "Value": ["1.2.3.2"]}, "00081196": {"vr": "US", "Value": [45056]}}]}}"#;

    #[test]
    fn each_object_gets_what_was_said_of_it() {
        let r = read(202, "HTTP 202 Accepted", SOME.as_bytes());
        let of = |uid: &str| r.of(uid).meaning;
        assert_eq!(
            ["1.2.3.1", "1.2.3.2", "1.2.3.3", "1.2.3.4", "1.2.3.9"].map(of),
            [Meaning::Success, Meaning::Warning, Meaning::Failure, Meaning::Later, Meaning::Later]
        );
        assert!(r.of("1.2.3.3").words.contains("0110") && r.of("1.2.3.2").words.contains("B000"));
    }

    #[test]
    fn a_success_that_names_nothing_is_none_and_a_refusal_is_one() {
        assert_eq!(read(200, "HTTP 200 OK", b"").of("1.2").meaning, Meaning::Later);
        assert_eq!(read(200, "HTTP 200 OK", b"<xml/>").of("1.2").meaning, Meaning::Later);
        assert_eq!(read(409, "HTTP 409 Conflict", b"{}").of("1.2").meaning, Meaning::Failure);
        assert_eq!(read(415, "HTTP 415", b"").of("1.2").meaning, Meaning::Failure);
    }
}
