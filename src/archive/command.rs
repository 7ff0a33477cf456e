//! The command half of a DICOM message (PS3.7 section 6.3 and annex E): group 0000, always Implicit VR Little Endian.
//!
//! Written out here and not left to `dicom-object`, because commands come from whoever calls and must be read within bounds.

use std::collections::BTreeMap;

use dicom_core::Tag;
use dicom_dictionary_std::tags;

use crate::error::{Error, ErrorKind, Result};

/// Longest command that is read, bytes. The longest of the standard have a few UIDs and a comment.
pub(super) const LONGEST_COMMAND: usize = 16 * 1024;

/// What is asked or answered: Command Field (0000,0100), PS3.7 table E.1-1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verb {
    StoreAsked,
    StoreAnswered,
    GetAsked,
    GetAnswered,
    FindAsked,
    FindAnswered,
    EchoAsked,
    EchoAnswered,
    CancelAsked,
    Other(u16),
}

const VERBS: [(Verb, u16); 9] = [
    (Verb::StoreAsked, 0x0001),
    (Verb::StoreAnswered, 0x8001),
    (Verb::GetAsked, 0x0010),
    (Verb::GetAnswered, 0x8010),
    (Verb::FindAsked, 0x0020),
    (Verb::FindAnswered, 0x8020),
    (Verb::EchoAsked, 0x0030),
    (Verb::EchoAnswered, 0x8030),
    (Verb::CancelAsked, 0x0FFF),
];

impl Verb {
    fn of(code: u16) -> Self {
        VERBS.iter().find(|v| v.1 == code).map_or(Self::Other(code), |v| v.0)
    }

    fn code(self) -> u16 {
        match self {
            Self::Other(code) => code,
            known => VERBS.iter().find(|v| v.0 == known).map_or(0, |v| v.1),
        }
    }
}

/// No data set follows: Command Data Set Type (0000,0800).
const NO_DATA: u16 = 0x0101;

/// One command: its elements by number within group 0000, values as stored.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Command(BTreeMap<u16, Vec<u8>>);

impl Command {
    /// A request of `class`. `data` says whether a data set follows.
    pub(super) fn ask(verb: Verb, class: &str, message: u16, data: bool) -> Self {
        let command = Self::default()
            .number(tags::COMMAND_FIELD, verb.code())
            .text(tags::AFFECTED_SOP_CLASS_UID, class)
            .number(tags::MESSAGE_ID, message)
            .number(tags::COMMAND_DATA_SET_TYPE, if data { 0 } else { NO_DATA });
        // C-ECHO has no priority; the others have medium.
        if verb == Verb::EchoAsked { command } else { command.number(tags::PRIORITY, 0) }
    }

    /// The answer to `asked`, without a data set.
    pub(super) fn answer(asked: &Self, status: u16) -> Self {
        let verb = Verb::Other(asked.verb().code() | 0x8000);
        let mut command = Self::default()
            .number(tags::COMMAND_FIELD, verb.code())
            .number(tags::MESSAGE_ID_BEING_RESPONDED_TO, asked.get(tags::MESSAGE_ID).unwrap_or(0))
            .number(tags::COMMAND_DATA_SET_TYPE, NO_DATA)
            .number(tags::STATUS, status);
        for tag in [tags::AFFECTED_SOP_CLASS_UID, tags::AFFECTED_SOP_INSTANCE_UID] {
            if let Some(uid) = asked.words(tag) {
                command = command.text(tag, &uid);
            }
        }
        command
    }

    /// With a text element. UIDs are padded with a zero byte, other texts with a space (PS3.5 section 6.2).
    pub(super) fn text(mut self, tag: Tag, value: &str) -> Self {
        let mut bytes = value.as_bytes().to_vec();
        if bytes.len() % 2 == 1 {
            bytes.push(if tag == tags::ERROR_COMMENT { b' ' } else { 0 });
        }
        self.0.insert(tag.1, bytes);
        self
    }

    /// With a number element.
    pub(super) fn number(mut self, tag: Tag, value: u16) -> Self {
        self.0.insert(tag.1, value.to_le_bytes().to_vec());
        self
    }

    /// What it is.
    pub(super) fn verb(&self) -> Verb {
        Verb::of(self.get(tags::COMMAND_FIELD).unwrap_or(0))
    }

    /// A number, where it is there and one.
    pub(super) fn get(&self, tag: Tag) -> Option<u16> {
        self.0.get(&tag.1).and_then(|v| v.as_slice().try_into().ok()).map(u16::from_le_bytes)
    }

    /// A text without padding, where it is there, at most 64 characters, without control characters.
    pub(super) fn words(&self, tag: Tag) -> Option<String> {
        let text = String::from_utf8_lossy(self.0.get(&tag.1)?);
        let text: String = text.trim_matches(['\0', ' ']).chars().filter(|c| !c.is_control()).take(64).collect();
        if text.is_empty() { None } else { Some(text) }
    }

    /// Whether a data set follows.
    pub(super) fn has_data(&self) -> bool {
        self.get(tags::COMMAND_DATA_SET_TYPE).is_some_and(|t| t != NO_DATA)
    }

    /// The status of an answer.
    pub(super) fn status(&self) -> Result<u16> {
        self.get(tags::STATUS)
            .ok_or_else(|| Error::new(ErrorKind::Format, "the archive's answer cannot be read").expected("a status").found("none"))
    }

    /// As it goes over the network.
    pub(super) fn encode(&self) -> Vec<u8> {
        let mut rest = Vec::new();
        for (element, value) in &self.0 {
            rest.extend_from_slice(&[0, 0]);
            rest.extend_from_slice(&element.to_le_bytes());
            rest.extend_from_slice(&(value.len() as u32).to_le_bytes());
            rest.extend_from_slice(value);
        }
        let mut whole = vec![0, 0, 0, 0, 4, 0, 0, 0];
        whole.extend_from_slice(&(rest.len() as u32).to_le_bytes());
        whole.append(&mut rest);
        whole
    }

    /// Reads what came over the network.
    ///
    /// # Errors
    /// [`ErrorKind::Format`] when an element is of another group or longer than what is left.
    pub(super) fn decode(mut bytes: &[u8]) -> Result<Self> {
        let wrong = |found: &str| Error::new(ErrorKind::Format, "a command cannot be read").expected("elements of group 0000").found(found);
        let mut command = Self::default();
        while !bytes.is_empty() {
            let Some(([g0, g1, e0, e1, l0, l1, l2, l3], rest)) = bytes.split_first_chunk::<8>() else { return Err(wrong("a cut element")) };
            if [*g0, *g1] != [0, 0] {
                return Err(wrong("another group"));
            }
            let length = u32::from_le_bytes([*l0, *l1, *l2, *l3]) as usize;
            let Some((value, rest)) = rest.split_at_checked(length) else { return Err(wrong("an element longer than the command")) };
            let element = u16::from_le_bytes([*e0, *e1]);
            if element != 0 {
                command.0.insert(element, value.to_vec());
            }
            bytes = rest;
        }
        Ok(command)
    }
}

/// What a status of C-STORE means (PS3.4 table B.2-1, PS3.7 annex C).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Meaning {
    /// Stored.
    Success,
    /// Stored, with a warning.
    Warning,
    /// More answers follow.
    Pending,
    /// Not now; later it may.
    Later,
    /// No.
    Failure,
}

/// What `status` means.
pub(super) const fn meaning(status: u16) -> Meaning {
    match status {
        0x0000 => Meaning::Success,
        0xFF00 | 0xFF01 => Meaning::Pending,
        0x0001 | 0x0107 | 0x0116 | 0xB000..=0xBFFF => Meaning::Warning,
        // Out of resources.
        0xA700..=0xA7FF => Meaning::Later,
        _ => Meaning::Failure,
    }
}

/// The status in words.
pub(super) fn words(status: u16) -> String {
    let text = match status {
        0x0000 => "stored",
        0x0110 => "processing failed there",
        0x0117 => "the object's identifier is not valid there",
        0x0122 => "objects of this sort are not taken there",
        0x0124 => "not authorised there",
        0xC122 => "its transfer syntax is not taken there",
        0x0211 => "the request is not known there",
        0xA700..=0xA7FF => "out of room there",
        0xA801 => "the destination of a move is not known there",
        0xA900..=0xA9FF => "the object does not agree with its sort",
        0xB000 => "data elements were changed there",
        0xB006 => "data elements were discarded there",
        0xB007 => "the object does not agree with its sort, and was stored",
        0xB008..=0xBFFF | 0xB001..=0xB005 | 0x0001 | 0x0107 | 0x0116 => "a warning",
        0xC000..=0xCFFF => "the object was not understood there",
        0xFE00 => "cancelled",
        0xFF00 | 0xFF01 => "more follows",
        _ => "refused",
    };
    format!("{text} (status {status:04X})")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn an_echo_is_laid_out_as_the_standard_says() {
        // PS3.7 E.1: group length, then ascending elements; 1.2.840.10008.1.1 has 17 characters and a padding zero.
        let bytes = Command::ask(Verb::EchoAsked, "1.2.840.10008.1.1", 1, false).encode();
        let expected = [
            "00000000040000003800000000000200120000 00".replace(' ', ""),
            "312e322e3834302e31303030382e312e3100".into(),
            "0000000102000000300000001001020000000100".into(),
            "00000008020000000101".into(),
        ]
        .concat();
        assert_eq!(crate::digest::hex(&bytes), expected);
        let back = Command::decode(&bytes).unwrap();
        assert_eq!((back.verb(), back.has_data()), (Verb::EchoAsked, false));
        assert_eq!(back.words(tags::AFFECTED_SOP_CLASS_UID).as_deref(), Some("1.2.840.10008.1.1"));
    }

    #[test]
    fn cut_foreign_and_overlong_commands_are_refused() {
        let good = Command::ask(Verb::StoreAsked, "1.2", 7, true).encode();
        assert!(Command::decode(&good[..good.len() - 1]).is_err());
        let mut foreign = good.clone();
        foreign[0] = 8;
        assert!(Command::decode(&foreign).is_err());
        let mut long = good;
        long[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        assert!(Command::decode(&long).is_err());
    }

    #[test]
    fn statuses_fall_in_their_ranges() {
        let of = |s: &[u16]| s.iter().map(|s| meaning(*s)).collect::<Vec<_>>();
        assert_eq!(
            of(&[0, 0xB000, 0xB007, 0xA700, 0xFF00]),
            [Meaning::Success, Meaning::Warning, Meaning::Warning, Meaning::Later, Meaning::Pending]
        );
        assert_eq!(of(&[0x0122, 0xA900, 0xC001, 0x0110]), [Meaning::Failure; 4]);
    }
}
