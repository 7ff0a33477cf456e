//! Which bytes of encapsulated pixel data belong to which frame (PS3.5 annex A.4).
//!
//! Fragments are found by going from item to item, which reads 12 bytes of each. The Basic Offset Table or the
//! Extended Offset Table (7FE0,0001) then says where frames begin. Without either, or when a table points at no
//! fragment, frames begin where the bytes themselves do: one fragment a frame, or at the start mark of a code stream.

use std::ops::Range;

use super::limits::{MAX_CODED_FRAME, MAX_FRAGMENTS, MAX_FRAMES};
use super::source::Source;
use super::walk::read_failed;
use crate::error::{Error, ErrorKind, Result};

/// One fragment: where its bytes are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fragment {
    /// First byte, counted as [`Source::position`] does.
    pub offset: u64,
    /// Number of bytes.
    pub length: u32,
}

/// Where the bytes of every frame are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameIndex {
    fragments: Vec<Fragment>,
    frames: Vec<Range<usize>>,
    /// What is odd without being wrong.
    pub warnings: Vec<String>,
}

impl FrameIndex {
    /// Finds the fragments of `count` frames. `source` stands at the first byte of Pixel Data's value; `extended` is
    /// the Extended Offset Table, if the header has one.
    ///
    /// # Errors
    /// `Format` when fragments run past the end or cannot be told apart into `count` frames, `Limit` beyond
    /// [`MAX_FRAGMENTS`] or [`MAX_CODED_FRAME`].
    pub fn find(source: &mut dyn Source, big_endian: bool, count: u32, extended: Option<&[u64]>) -> Result<Self> {
        let mut warnings = Vec::new();
        let basic = read_basic_table(source, big_endian)?;
        let base = source.position();
        let (fragments, begins) = read_fragments(source, big_endian, &mut warnings)?;
        if fragments.is_empty() {
            return Err(Error::new(ErrorKind::Format, "Pixel Data (7FE0,0010)").expected("at least one fragment").found("none"));
        }
        let count = count as usize;
        let by_table = |table: &[u64], name: &str, warnings: &mut Vec<String>| {
            let found = starts_from_table(table, base, &fragments, count);
            if found.is_none() {
                warnings.push(format!("the {name} does not fit the fragments and is not used"));
            }
            found
        };
        let mut starts = extended.and_then(|t| by_table(t, "Extended Offset Table (7FE0,0001)", &mut warnings));
        if starts.is_none() && !basic.is_empty() {
            starts = by_table(&basic, "Basic Offset Table", &mut warnings);
        }
        let starts = match starts {
            Some(s) => s,
            None => starts_from_bytes(&begins, count)?,
        };
        let begun = begins.iter().filter(|b| **b).count();
        if count == 1 && begun > 1 {
            warnings.push(format!("the file declares one frame and holds {begun} pictures; only one is shown"));
        }
        let frames = ranges(&starts, fragments.len());
        for (i, frame) in frames.iter().enumerate() {
            let bytes: u64 = fragments.get(frame.clone()).unwrap_or_default().iter().map(|f| u64::from(f.length)).sum();
            if bytes > MAX_CODED_FRAME {
                return Err(Error::new(ErrorKind::Limit, format!("frame {} is too long", i + 1))
                    .expected(format!("at most {MAX_CODED_FRAME} compressed bytes"))
                    .found(format!("{bytes}")));
            }
        }
        Ok(Self { fragments, frames, warnings })
    }

    /// The fragments of frame `number`, from 1, in order.
    #[must_use]
    pub fn frame(&self, number: u32) -> Option<&[Fragment]> {
        let i = (number as usize).checked_sub(1)?;
        self.fragments.get(self.frames.get(i)?.clone())
    }
}

fn item(source: &mut dyn Source, big_endian: bool) -> Result<(u16, u32)> {
    let mut head = [0_u8; 8];
    if source.left() < 8 {
        return Err(truncated());
    }
    source.read(&mut head).map_err(read_failed)?;
    let [a, b, c, d, e, f, g, h] = head;
    let (group, element, length) = if big_endian {
        (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]), u32::from_be_bytes([e, f, g, h]))
    } else {
        (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]), u32::from_le_bytes([e, f, g, h]))
    };
    if group != 0xFFFE || !matches!(element, 0xE000 | 0xE0DD) {
        return Err(Error::new(ErrorKind::Format, "Pixel Data (7FE0,0010)")
            .expected("an item or the end of the sequence")
            .found(format!("the tag ({group:04X},{element:04X})")));
    }
    if element == 0xE000 && u64::from(length) > source.left() {
        return Err(truncated().found(format!("a fragment of {length} bytes where {} are left", source.left())));
    }
    Ok((element, length))
}

fn truncated() -> Error {
    Error::new(ErrorKind::Format, "Pixel Data (7FE0,0010) are cut short").remedy("Fetch the file again")
}

fn read_basic_table(source: &mut dyn Source, big_endian: bool) -> Result<Vec<u64>> {
    let (element, length) = item(source, big_endian)?;
    if element != 0xE000 || length % 4 != 0 || length / 4 > MAX_FRAMES {
        return Err(Error::new(ErrorKind::Format, "the Basic Offset Table")
            .expected(format!("an item of four bytes a frame, at most {MAX_FRAMES}"))
            .found(format!("{length} bytes")));
    }
    let mut bytes = vec![0_u8; length as usize];
    source.read(&mut bytes).map_err(read_failed)?;
    let (words, _) = bytes.as_chunks::<4>();
    Ok(words.iter().map(|w| u64::from(if big_endian { u32::from_be_bytes(*w) } else { u32::from_le_bytes(*w) })).collect())
}

/// Every fragment, and whether its bytes begin a code stream.
fn read_fragments(source: &mut dyn Source, big_endian: bool, warnings: &mut Vec<String>) -> Result<(Vec<Fragment>, Vec<bool>)> {
    let (mut fragments, mut begins) = (Vec::new(), Vec::new());
    loop {
        if source.left() == 0 && !fragments.is_empty() {
            warnings.push("Pixel Data lack their end mark".into());
            break;
        }
        let (element, length) = item(source, big_endian)?;
        if element == 0xE0DD {
            break;
        }
        if fragments.len() >= MAX_FRAGMENTS {
            return Err(Error::new(ErrorKind::Limit, "Pixel Data have too many fragments").expected(format!("at most {MAX_FRAGMENTS}")));
        }
        fragments.push(Fragment { offset: source.position(), length });
        let mut head = [0_u8; 4];
        let seen = (length as usize).min(4);
        if let Some(part) = head.get_mut(..seen) {
            source.read(part).map_err(read_failed)?;
        }
        source.skip(u64::from(length) - seen as u64).map_err(read_failed)?;
        begins.push(matches!(head, [0xFF, 0xD8, 0xFF, _] | [0xFF, 0x4F, 0xFF, 0x51] | [0, 0, 0, 0x0C]));
    }
    Ok((fragments, begins))
}

/// The number of the first fragment of each frame, when every entry of the table is the start of a fragment, in order.
fn starts_from_table(table: &[u64], base: u64, fragments: &[Fragment], count: usize) -> Option<Vec<usize>> {
    if table.len() != count || table.first() != Some(&0) {
        return None;
    }
    let mut starts: Vec<usize> = Vec::with_capacity(count);
    for &offset in table {
        let first_byte = base.checked_add(offset)?.checked_add(8)?;
        let at = fragments.binary_search_by_key(&first_byte, |f| f.offset).ok()?;
        if starts.last().is_some_and(|&last| last >= at) {
            return None;
        }
        starts.push(at);
    }
    Some(starts)
}

fn starts_from_bytes(begins: &[bool], count: usize) -> Result<Vec<usize>> {
    if begins.len() == count {
        return Ok((0..count).collect());
    }
    if count == 1 {
        return Ok(vec![0]);
    }
    let starts: Vec<usize> = begins.iter().enumerate().filter(|(_, b)| **b).map(|(i, _)| i).collect();
    if starts.len() == count && starts.first() == Some(&0) {
        return Ok(starts);
    }
    Err(Error::new(ErrorKind::Format, "Pixel Data (7FE0,0010) cannot be told apart into frames")
        .expected(format!("{count} frames, as Number of Frames (0028,0008) says"))
        .found(format!("{} fragments, {} of which begin a picture", begins.len(), starts.len()))
        .remedy("Fetch the file again, or store it again with an offset table"))
}

fn ranges(starts: &[usize], end: usize) -> Vec<Range<usize>> {
    starts.iter().enumerate().map(|(i, &s)| s..starts.get(i + 1).copied().unwrap_or(end)).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::super::source::Plain;
    use super::*;
    use std::io::Cursor;

    fn encapsulate(table: &[u32], fragments: &[&[u8]], end: bool) -> Vec<u8> {
        let mut out = Vec::new();
        let mut put = |tag: u16, value: &[u8]| {
            out.extend([0xFE, 0xFF]);
            out.extend(tag.to_le_bytes());
            out.extend((value.len() as u32).to_le_bytes());
            out.extend(value);
        };
        put(0xE000, &table.iter().flat_map(|x| x.to_le_bytes()).collect::<Vec<_>>());
        for f in fragments {
            put(0xE000, f);
        }
        if end {
            put(0xE0DD, &[]);
        }
        out
    }

    fn find(bytes: &[u8], count: u32, extended: Option<&[u64]>) -> Result<FrameIndex> {
        FrameIndex::find(&mut Plain::new(Cursor::new(bytes), 0).unwrap(), false, count, extended)
    }

    const JPEG: &[u8] = &[0xFF, 0xD8, 0xFF, 0xE0, 1, 2];
    const REST: &[u8] = &[9, 9, 9, 9];

    #[test]
    fn one_fragment_a_frame_needs_no_table() {
        let i = find(&encapsulate(&[], &[REST, JPEG], true), 2, None).unwrap();
        assert_eq!(i.frame(1).unwrap(), [Fragment { offset: 16, length: 4 }]);
        assert_eq!(i.frame(2).unwrap(), [Fragment { offset: 28, length: 6 }]);
        assert!(i.frame(0).is_none() && i.frame(3).is_none() && i.warnings.is_empty());
    }

    #[test]
    fn start_marks_part_the_frames_when_there_is_no_table() {
        let i = find(&encapsulate(&[], &[JPEG, REST, JPEG, REST, REST], true), 2, None).unwrap();
        assert_eq!((i.frame(1).unwrap().len(), i.frame(2).unwrap().len()), (2, 3));
        let e = find(&encapsulate(&[], &[JPEG, REST, REST], true), 2, None).unwrap_err();
        assert_eq!(e.kind(), ErrorKind::Format, "{e}");
    }

    #[test]
    fn tables_part_the_frames_where_start_marks_cannot() {
        let basic = find(&encapsulate(&[0, 24], &[REST, REST, REST], true), 2, None).unwrap();
        assert_eq!((basic.frame(1).unwrap().len(), basic.frame(2).unwrap().len()), (2, 1));
        let extended = find(&encapsulate(&[], &[REST, REST, REST], true), 2, Some(&[0, 12])).unwrap();
        assert_eq!((extended.frame(1).unwrap().len(), extended.frame(2).unwrap().len()), (1, 2));
    }

    #[test]
    fn a_table_that_points_between_fragments_is_not_believed() {
        let i = find(&encapsulate(&[0, 13], &[JPEG, JPEG], true), 2, None).unwrap();
        assert_eq!(i.frame(2).unwrap(), [Fragment { offset: 8 + 8 + 8 + 6 + 8, length: 6 }]);
        assert!(i.warnings[0].contains("Basic Offset Table"), "{:?}", i.warnings);
    }

    #[test]
    fn a_fragment_longer_than_the_file_is_refused_and_a_missing_end_mark_is_said() {
        let mut b = encapsulate(&[], &[JPEG], true);
        let n = b.len();
        b[n - 18..n - 14].copy_from_slice(&0xFFFF_FFF0_u32.to_le_bytes());
        assert_eq!(find(&b, 1, None).unwrap_err().kind(), ErrorKind::Format);
        assert!(find(&encapsulate(&[], &[JPEG], false), 1, None).unwrap().warnings[0].contains("end mark"));
    }
}
