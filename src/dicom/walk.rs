//! The bounded walk over a DICOM header.
//!
//! Every declared length is held against the bytes that are left before anything is allocated or passed over, so no
//! file can ask for more memory than it has bytes, and none can make the reader run away. What the walk keeps (the
//! [wanted](super::attributes::WANTED) elements of the outermost level, nested items included) has been proved sound
//! and is then small enough to hand to `dicom-object`, which believes declared lengths.
//!
//! The walk stops at Pixel Data (7FE0,0010) and says where they are. Pixel values are not read.

use std::io::{Read, Seek};

use dicom_core::Tag;
use dicom_dictionary_std::tags;

use super::attributes;
use super::limits::{
    MAX_DEPTH, MAX_ELEMENTS, MAX_KEPT_ELEMENT, MAX_KEPT_HEADER, MAX_REPORT_CONTENT, MAX_REPORT_ELEMENTS, MAX_REPORT_HEADER,
};
use super::source::{Inflating, Plain, Source, first_bytes};
use super::syntax::{self, Layout, Syntax};
use crate::error::{Error, ErrorKind, Result};

const UNDEFINED: u32 = u32::MAX;
const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_END: Tag = Tag(0xFFFE, 0xE00D);
const SEQUENCE_END: Tag = Tag(0xFFFE, 0xE0DD);

/// What a walk keeps, and how much of it at most.
#[derive(Clone, Copy, Debug)]
pub struct Wants {
    /// Whether an element of the outermost level is kept.
    pub wanted: fn(Tag) -> bool,
    /// Longest kept element, bytes.
    pub longest_element: u64,
    /// Most bytes kept in all.
    pub longest_header: u64,
    /// Most elements and items, nested ones included.
    pub most_elements: u64,
}

/// What a frame is made from.
pub const FRAME: Wants = Wants {
    wanted: attributes::is_wanted,
    longest_element: MAX_KEPT_ELEMENT,
    longest_header: MAX_KEPT_HEADER,
    most_elements: MAX_ELEMENTS,
};

/// What a structured report says.
pub const REPORT: Wants = Wants {
    wanted: attributes::is_of_report,
    longest_element: MAX_REPORT_CONTENT,
    longest_header: MAX_REPORT_HEADER,
    most_elements: MAX_REPORT_ELEMENTS,
};

/// Everything, as of an answer that came over a network.
const EVERYTHING: Wants = Wants { wanted: |_| true, ..FRAME };

/// Where Pixel Data (7FE0,0010) are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PixelData {
    /// First byte of the value, counted as [`Source::position`] does.
    pub offset: u64,
    /// Length of the value; `None` when it is a sequence of fragments.
    pub length: Option<u64>,
    /// Whether the value is made of 16-bit words (VR OW), which matters for 8-bit samples in big-endian files.
    pub words: bool,
}

/// What the walk brings back.
#[derive(Clone, Debug)]
pub struct Header {
    /// The transfer syntax.
    pub syntax: Syntax,
    /// Where the data set starts in the file, past preamble and file meta group.
    pub data_set: u64,
    /// For a deflated data set, its inflated length.
    pub inflated: Option<u64>,
    /// The wanted elements, encoded in `syntax`, one after the other.
    pub kept: Vec<u8>,
    /// Pixel Data, if there are any.
    pub pixel_data: Option<PixelData>,
    /// What is odd without being wrong.
    pub warnings: Vec<String>,
}

/// Whether these first bytes of a file can be DICOM: the mark at byte 128, or a first element of a bare data set.
#[must_use]
pub fn looks_like_dicom(head: &[u8]) -> bool {
    head.get(128..132) == Some(b"DICM") || guess_bare(head).is_some()
}

/// Walks the header of the file behind `reader` for what a [`FRAME`] is made from.
///
/// # Errors
/// As [`walk_for`].
pub fn walk<R: Read + Seek>(reader: R) -> Result<Header> {
    walk_for(reader, FRAME)
}

/// Walks the header of the file behind `reader`, keeping what `wants` says.
///
/// # Errors
/// `Format` when the header contradicts itself or ends early, `Unsupported` for a transfer syntax not known by name,
/// `Limit` beyond the [limits](super::limits), `Io` from the reader.
pub fn walk_for<R: Read + Seek>(mut reader: R, wants: Wants) -> Result<Header> {
    let head = first_bytes(&mut reader, 160).map_err(read_failed)?;
    let mut warnings = Vec::new();
    let start = if head.get(128..132) == Some(b"DICM") {
        132
    } else if guess_bare(&head).is_some() {
        warnings.push("the file lacks the 128-byte preamble and the DICM mark".into());
        0
    } else {
        return Err(Error::new(ErrorKind::Format, "the file is not DICOM").expected("the mark DICM at byte 128"));
    };
    let mut source = Plain::new(&mut reader, start).map_err(read_failed)?;
    let stated = read_meta(&mut source)?;
    let data_set = source.position();
    let syntax = match stated {
        Some(uid) => syntax::find(&uid).ok_or_else(|| {
            Error::new(ErrorKind::Unsupported, "the transfer syntax is not known")
                .found(uid)
                .remedy("Store the file as Explicit VR Little Endian")
        })?,
        None => {
            let mut first = [0_u8; 6];
            source.read(&mut first).map_err(read_failed)?;
            let guess = guess_bare(&first).ok_or_else(|| {
                Error::new(ErrorKind::Format, "the file states no transfer syntax").expected("Transfer Syntax UID (0002,0010)")
            })?;
            warnings.push(format!("the file states no transfer syntax; it reads as {}", guess.name));
            guess
        }
    };
    drop(source);
    let (mut walk, inflated);
    if syntax.layout.deflated {
        let mut source = Inflating::new(reader, data_set)?;
        inflated = Some(source.end());
        walk = Walk::new(&mut source, syntax.layout, wants);
        walk.top_level()?;
        return Ok(walk.into_header(syntax, data_set, inflated, warnings));
    }
    inflated = None;
    let mut source = Plain::new(reader, data_set).map_err(read_failed)?;
    walk = Walk::new(&mut source, syntax.layout, wants);
    walk.top_level()?;
    Ok(walk.into_header(syntax, data_set, inflated, warnings))
}

/// Walks a data set that is in memory, without pixel data, and brings back all of its outermost elements, proved sound. For
/// answers that come over a network.
///
/// # Errors
/// As [`walk`]; `Unsupported` for a deflated data set.
pub fn whole(data_set: &[u8], layout: Layout) -> Result<Vec<u8>> {
    if layout.deflated {
        return Err(Error::new(ErrorKind::Unsupported, "a deflated data set is not read here"));
    }
    let mut source = Plain::new(std::io::Cursor::new(data_set), 0).map_err(read_failed)?;
    let mut walk = Walk::new(&mut source, layout, EVERYTHING);
    walk.top_level()?;
    Ok(walk.kept)
}

/// Reads the file meta group (0002,eeee), always Explicit VR Little Endian, up to the first element of another group.
/// Its group length is not relied on: files lack it or have it wrong.
fn read_meta<R: Read + Seek>(source: &mut Plain<R>) -> Result<Option<String>> {
    let mut stated = None;
    let layout = syntax::EXPLICIT_LE.layout;
    for _ in 0..256 {
        let at = source.position();
        if source.left() < 8 {
            break;
        }
        let mut group = [0_u8; 2];
        source.read(&mut group).map_err(read_failed)?;
        source.restart(at).map_err(read_failed)?;
        if group != [2, 0] {
            break;
        }
        let element = read_element_header(source, layout)?;
        let length = element.defined_within(source.left())?;
        if element.tag == tags::TRANSFER_SYNTAX_UID {
            if length > 66 {
                return Err(wrong(element.tag, at, "a UID of at most 64 characters", &format!("{length} bytes")));
            }
            let mut value = vec![0_u8; length as usize];
            source.read(&mut value).map_err(read_failed)?;
            stated = Some(String::from_utf8_lossy(&value).trim_matches([' ', '\0']).to_owned());
        } else {
            source.skip(length).map_err(read_failed)?;
        }
    }
    Ok(stated.filter(|s| !s.is_empty()))
}

/// The layout of a data set that starts with `head`, when nothing states it: the first group is at most 0x0020 in one
/// byte order, and a VR is there or not.
fn guess_bare(head: &[u8]) -> Option<Syntax> {
    let &[a, b, _, _, v, w, ..] = head else { return None };
    let little = u16::from_le_bytes([a, b]);
    let big = u16::from_be_bytes([a, b]);
    let explicit = is_known_vr([v, w]);
    match (little, big) {
        (0x0002 | 0x0008, _) if explicit => Some(syntax::EXPLICIT_LE),
        (0x0008, _) if head.get(6..8).is_none_or(|high| high == [0, 0]) => Some(syntax::IMPLICIT_LE),
        (_, 0x0008) if explicit => Some(syntax::EXPLICIT_BE),
        _ => None,
    }
}

#[derive(Clone, Copy, Debug)]
struct ElementHeader {
    tag: Tag,
    vr: Option<[u8; 2]>,
    length: u32,
    at: u64,
}

impl ElementHeader {
    /// The length, when it is defined and not more than what is left.
    fn defined_within(&self, left: u64) -> Result<u64> {
        if self.length == UNDEFINED {
            return Err(wrong(self.tag, self.at, "a defined length", "an undefined one"));
        }
        let length = u64::from(self.length);
        if length > left {
            return Err(wrong(
                self.tag,
                self.at,
                &format!("at most the {left} bytes that are left"),
                &format!("a declared length of {length}"),
            )
            .remedy("The file is damaged or cut short: fetch it again"));
        }
        Ok(length)
    }
}

/// The VRs whose length takes four bytes (PS3.5 table 7.1-1).
const fn is_long_vr(vr: [u8; 2]) -> bool {
    matches!(&vr, b"OB" | b"OD" | b"OF" | b"OL" | b"OV" | b"OW" | b"SQ" | b"SV" | b"UC" | b"UN" | b"UR" | b"UT" | b"UV")
}

const fn is_known_vr(vr: [u8; 2]) -> bool {
    is_long_vr(vr)
        || matches!(
            &vr,
            b"AE"
                | b"AS"
                | b"AT"
                | b"CS"
                | b"DA"
                | b"DS"
                | b"DT"
                | b"FL"
                | b"FD"
                | b"IS"
                | b"LO"
                | b"LT"
                | b"PN"
                | b"SH"
                | b"SL"
                | b"SS"
                | b"ST"
                | b"TM"
                | b"UI"
                | b"UL"
                | b"US"
        )
}

fn read_element_header(source: &mut dyn Source, layout: Layout) -> Result<ElementHeader> {
    let at = source.position();
    let mut first = [0_u8; 8];
    if source.left() < 8 {
        return Err(cut_short(at, source.left()));
    }
    source.read(&mut first).map_err(read_failed)?;
    let [t0, t1, t2, t3, a, b, c, d] = first;
    let u16_of = |x: [u8; 2]| if layout.big_endian { u16::from_be_bytes(x) } else { u16::from_le_bytes(x) };
    let u32_of = |x: [u8; 4]| if layout.big_endian { u32::from_be_bytes(x) } else { u32::from_le_bytes(x) };
    let tag = Tag(u16_of([t0, t1]), u16_of([t2, t3]));
    if !layout.explicit_vr || tag.0 == 0xFFFE {
        return Ok(ElementHeader { tag, vr: None, length: u32_of([a, b, c, d]), at });
    }
    let vr = [a, b];
    if !is_known_vr(vr) {
        return Err(wrong(tag, at, "a value representation of two letters", &format!("the bytes {a:02X} {b:02X}")));
    }
    if !is_long_vr(vr) {
        return Ok(ElementHeader { tag, vr: Some(vr), length: u32::from(u16_of([c, d])), at });
    }
    let mut long = [0_u8; 4];
    if source.left() < 4 {
        return Err(cut_short(at, source.left()));
    }
    source.read(&mut long).map_err(read_failed)?;
    Ok(ElementHeader { tag, vr: Some(vr), length: u32_of(long), at })
}

/// Refuses a kept element whose length is not made of whole values.
fn whole_values(element: &ElementHeader, length: u64) -> Result<()> {
    let one = attributes::value_bytes(element.tag, element.vr);
    if length.is_multiple_of(one) {
        return Ok(());
    }
    Err(wrong(element.tag, element.at, &format!("a length that is a multiple of {one} bytes"), &format!("{length} bytes")))
}

/// The walk's state. Bytes read while `keeping` are copied to `kept`.
struct Walk<'a> {
    source: &'a mut dyn Source,
    layout: Layout,
    wants: Wants,
    kept: Vec<u8>,
    seen: Vec<Tag>,
    elements: u64,
    pixel_data: Option<PixelData>,
    warnings: Vec<String>,
}

impl<'a> Walk<'a> {
    fn new(source: &'a mut dyn Source, layout: Layout, wants: Wants) -> Self {
        Self { source, layout, wants, kept: Vec::new(), seen: Vec::new(), elements: 0, pixel_data: None, warnings: Vec::new() }
    }

    fn into_header(self, syntax: Syntax, data_set: u64, inflated: Option<u64>, mut warnings: Vec<String>) -> Header {
        warnings.extend(self.warnings);
        Header { syntax, data_set, inflated, kept: self.kept, pixel_data: self.pixel_data, warnings }
    }

    fn top_level(&mut self) -> Result<()> {
        let end = self.source.end();
        while self.source.left() >= 8 {
            let element = self.header(self.layout, None)?;
            match element.tag {
                tags::PIXEL_DATA => return self.found_pixel_data(element),
                tags::FLOAT_PIXEL_DATA | tags::DOUBLE_FLOAT_PIXEL_DATA => {
                    return Err(Error::new(ErrorKind::Unsupported, "pixel data as floating-point numbers are not read"));
                }
                Tag(0, 0) => {
                    return Err(wrong(element.tag, element.at, "an element of the data set", "a zero tag")
                        .remedy("The file is damaged or padded: fetch it again"));
                }
                tag if (self.wants.wanted)(tag) => self.keep(element, end)?,
                _ => self.pass(element, end)?,
            }
        }
        if self.source.left() > 0 {
            self.warnings.push(format!("{} stray bytes after the last element", self.source.left()));
        }
        Ok(())
    }

    fn found_pixel_data(&mut self, element: ElementHeader) -> Result<()> {
        let length = if element.length == UNDEFINED { None } else { Some(element.defined_within(self.source.left())?) };
        let words = element.vr.is_none_or(|vr| vr == *b"OW");
        self.pixel_data = Some(PixelData { offset: self.source.position(), length, words });
        Ok(())
    }

    /// Keeps a wanted element, header and value, once its lengths are known to be sound.
    fn keep(&mut self, element: ElementHeader, end: u64) -> Result<()> {
        if self.seen.contains(&element.tag) {
            return Err(wrong(element.tag, element.at, "one such element", "two").remedy("The file contradicts itself: fetch it again"));
        }
        self.seen.push(element.tag);
        let sequence = element.vr.map_or_else(|| attributes::is_sequence(element.tag), |vr| vr == *b"SQ");
        if element.length == UNDEFINED && !sequence {
            return self.pass(element, end);
        }
        let before = self.kept.len();
        self.push_header(&element);
        if sequence {
            return self.items(&element, end, self.layout, 1, Some(before));
        }
        let length = element.defined_within(end.saturating_sub(self.source.position()))?;
        if length > self.wants.longest_element {
            return Err(too_long(element.tag, length, self.wants.longest_element));
        }
        whole_values(&element, length)?;
        self.copy(length)
    }

    /// Passes over an element, going into it only when its end is not stated.
    fn pass(&mut self, element: ElementHeader, end: u64) -> Result<()> {
        if element.length == UNDEFINED {
            return self.undefined(&element, end, self.layout, 1, None);
        }
        let length = element.defined_within(end.saturating_sub(self.source.position()))?;
        self.source.skip(length).map_err(read_failed)
    }

    /// Goes through an element of undefined length: a sequence, an element of unknown VR (read as an implicit-VR
    /// sequence, PS3.5 6.2.2 note 2), or fragments (in an icon).
    fn undefined(&mut self, element: &ElementHeader, end: u64, layout: Layout, depth: usize, keep: Option<usize>) -> Result<()> {
        match element.vr {
            None => self.items(element, end, layout, depth, keep),
            Some(vr) if vr == *b"SQ" => self.items(element, end, layout, depth, keep),
            Some(vr) if vr == *b"UN" => {
                let inner = Layout { explicit_vr: false, big_endian: false, deflated: false };
                self.items(element, end, inner, depth, keep)
            }
            Some(vr) if vr == *b"OB" || vr == *b"OW" => self.fragments(element, end, keep),
            Some(_) => Err(wrong(element.tag, element.at, "a defined length", "an undefined one")),
        }
    }

    /// Goes through the items of a sequence whose header has just been read.
    fn items(&mut self, element: &ElementHeader, end: u64, layout: Layout, depth: usize, keep: Option<usize>) -> Result<()> {
        if depth > MAX_DEPTH {
            return Err(Error::new(ErrorKind::Limit, format!("sequences are nested too deeply at {}", element.tag))
                .expected(format!("at most {MAX_DEPTH} levels")));
        }
        let left = end.saturating_sub(self.source.position());
        let (stop, open) =
            if element.length == UNDEFINED { (end, true) } else { (self.source.position() + element.defined_within(left)?, false) };
        while self.source.position() < stop {
            let item = self.header(layout, keep)?;
            match item.tag {
                SEQUENCE_END if open => return Ok(()),
                ITEM => {}
                other => return Err(wrong(element.tag, item.at, "an item of the sequence", &format!("the tag {other}"))),
            }
            let left = stop.saturating_sub(self.source.position());
            let item_open = item.length == UNDEFINED;
            let item_stop = if item_open { stop } else { self.source.position() + item.defined_within(left)? };
            self.item(&item, item_stop, item_open, layout, depth, keep)?;
        }
        if open {
            return Err(wrong(element.tag, element.at, "an end of the sequence", "the end of what holds it"));
        }
        Ok(())
    }

    fn item(&mut self, item: &ElementHeader, stop: u64, open: bool, layout: Layout, depth: usize, keep: Option<usize>) -> Result<()> {
        while self.source.position() < stop {
            let inner = self.header(layout, keep)?;
            if inner.tag == ITEM_END && open {
                return Ok(());
            }
            if inner.tag.0 == 0xFFFE {
                return Err(wrong(inner.tag, inner.at, "an element inside the item", "a delimiter out of place"));
            }
            let left = stop.saturating_sub(self.source.position());
            if inner.length == UNDEFINED {
                if keep.is_some() && inner.vr.is_some_and(|vr| vr != *b"SQ") {
                    return Err(wrong(inner.tag, inner.at, "a defined length", "an undefined one"));
                }
                self.undefined(&inner, stop, layout, depth + 1, keep)?;
                continue;
            }
            let length = inner.defined_within(left)?;
            let sequence = inner.vr.map_or_else(|| attributes::is_sequence(inner.tag), |vr| vr == *b"SQ");
            if let Some(from) = keep {
                if sequence {
                    self.items(&inner, stop, layout, depth + 1, keep)?;
                } else {
                    self.room(length, inner.tag, from)?;
                    whole_values(&inner, length)?;
                    self.copy(length)?;
                }
            } else {
                self.source.skip(length).map_err(read_failed)?;
            }
        }
        if open {
            return Err(wrong(item.tag, item.at, "an end of the item", "the end of what holds it"));
        }
        Ok(())
    }

    /// Goes through fragments up to their delimiter. They are met here only inside an icon or a private element.
    fn fragments(&mut self, element: &ElementHeader, end: u64, keep: Option<usize>) -> Result<()> {
        while self.source.position() < end {
            let item = self.header(self.layout, keep)?;
            let left = end.saturating_sub(self.source.position());
            match item.tag {
                SEQUENCE_END => return Ok(()),
                ITEM => self.source.skip(item.defined_within(left)?).map_err(read_failed)?,
                other => return Err(wrong(element.tag, item.at, "a fragment", &format!("the tag {other}"))),
            }
        }
        Err(wrong(element.tag, element.at, "an end of the fragments", "the end of what holds them"))
    }

    fn header(&mut self, layout: Layout, keep: Option<usize>) -> Result<ElementHeader> {
        self.elements += 1;
        let most = self.wants.most_elements;
        if self.elements > most {
            return Err(Error::new(ErrorKind::Limit, "the header has too many elements").expected(format!("at most {most}")));
        }
        let element = read_element_header(self.source, layout)?;
        if let Some(from) = keep {
            self.room(12, element.tag, from)?;
            self.push_header(&element);
        }
        Ok(element)
    }

    /// Whether `more` bytes still fit what may be kept of one element that starts at `from`.
    fn room(&self, more: u64, tag: Tag, from: usize) -> Result<()> {
        let so_far = self.kept.len().saturating_sub(from) as u64;
        let most = self.wants.longest_element;
        if so_far + more > most { Err(too_long(tag, so_far + more, most)) } else { Ok(()) }
    }

    /// Copies `length` bytes, already known to be there.
    fn copy(&mut self, length: u64) -> Result<()> {
        let from = self.kept.len();
        let most = self.wants.longest_header;
        if from as u64 + length > most {
            return Err(Error::new(ErrorKind::Limit, "the header is too long").expected(format!("at most {most} bytes")));
        }
        let length = usize::try_from(length).map_err(|_| Error::new(ErrorKind::Limit, "the header is too long"))?;
        self.kept.resize(from + length, 0);
        match self.kept.get_mut(from..) {
            Some(into) => self.source.read(into).map_err(read_failed),
            None => Ok(()),
        }
    }

    /// Writes an element's header again, as it was stored.
    fn push_header(&mut self, e: &ElementHeader) {
        let big = self.layout.big_endian;
        let two = |x: u16| if big { x.to_be_bytes() } else { x.to_le_bytes() };
        let four = |x: u32| if big { x.to_be_bytes() } else { x.to_le_bytes() };
        self.kept.extend_from_slice(&two(e.tag.0));
        self.kept.extend_from_slice(&two(e.tag.1));
        match e.vr {
            None => self.kept.extend_from_slice(&four(e.length)),
            Some(vr) => {
                self.kept.extend_from_slice(&vr);
                if is_long_vr(vr) {
                    self.kept.extend_from_slice(&[0, 0]);
                    self.kept.extend_from_slice(&four(e.length));
                } else {
                    self.kept.extend_from_slice(&two(e.length as u16));
                }
            }
        }
    }
}

fn wrong(tag: Tag, at: u64, expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Format, format!("element {tag} at byte {at}")).expected(expected).found(found)
}

fn too_long(tag: Tag, length: u64, most: u64) -> Error {
    Error::new(ErrorKind::Limit, format!("element {tag}")).expected(format!("at most {most} bytes")).found(format!("{length} bytes"))
}

fn cut_short(at: u64, left: u64) -> Error {
    Error::new(ErrorKind::Format, format!("the header ends in the middle of an element at byte {at}"))
        .expected("at least 8 bytes")
        .found(format!("{left}"))
        .remedy("The file is cut short: fetch it again")
}

/// A failure of the reader; an end that comes too early is a damaged file, not a failing disc.
pub(crate) fn read_failed(e: std::io::Error) -> Error {
    if e.kind() == std::io::ErrorKind::UnexpectedEof {
        return Error::new(ErrorKind::Format, "the file ends too early").remedy("It is cut short: fetch it again");
    }
    if matches!(e.kind(), std::io::ErrorKind::InvalidInput | std::io::ErrorKind::InvalidData) {
        return Error::new(ErrorKind::Format, "the data set is damaged").found(e.to_string()).caused_by(e);
    }
    Error::new(ErrorKind::Io, "the file cannot be read").found(e.to_string()).caused_by(e)
}
