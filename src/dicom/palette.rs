//! Colour tables (PS3.3 C.7.6.3.1.5, C.7.6.3.1.6), also those stored in segments (C.7.9.2).

use super::attributes::{self as at, Attribute, Attributes, bad};
use crate::error::Result;

/// A colour table of one channel, widened to one entry a word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Channel {
    /// The pixel value of the first entry.
    pub first: i32,
    /// The entries as 8-bit brightness.
    pub entries: Vec<u8>,
}

/// The red, green and blue colour tables.
pub type Palette = [Channel; 3];

/// Reads the three tables. 16-bit entries are brought to 8 bits by their high byte.
///
/// # Errors
/// `Format` naming the attribute that is missing or contradicts its descriptor.
pub(super) fn read(a: &Attributes, signed: bool, warnings: &mut Vec<String>) -> Result<Palette> {
    let red = table(a, at::RED_DESCRIPTOR, at::RED_TABLE, at::RED_SEGMENTS, signed)?;
    let green = table(a, at::GREEN_DESCRIPTOR, at::GREEN_TABLE, at::GREEN_SEGMENTS, signed)?;
    let blue = table(a, at::BLUE_DESCRIPTOR, at::BLUE_TABLE, at::BLUE_SEGMENTS, signed)?;
    let tables = [red, green, blue];
    let wide = tables.iter().any(|t| t.wide);
    // Some writers declare 16-bit entries and store 8-bit brightness in them: the high byte would be all black.
    let narrow = wide && tables.iter().all(|t| t.entries.iter().all(|&x| x < 256));
    if narrow {
        warnings.push("the colour table declares 16-bit entries and holds 8-bit ones; they are used as 8-bit".into());
    }
    Ok(tables.map(|t| Channel {
        first: t.first,
        entries: t.entries.iter().map(|&x| if t.wide && !narrow { (x >> 8) as u8 } else { (x & 0xFF) as u8 }).collect(),
    }))
}

/// One table as stored: entries of 8 bits, or of 16 when `wide`.
struct Table {
    first: i32,
    wide: bool,
    entries: Vec<u16>,
}

fn table(a: &Attributes, descriptor: Attribute, plain: Attribute, segmented: Attribute, signed: bool) -> Result<Table> {
    let words = a.words(descriptor)?;
    let &[count, first, bits] = words.as_slice() else {
        return Err(bad(descriptor, "three numbers", &words.len().to_string()));
    };
    let count = if count == 0 { 65_536 } else { usize::from(count) };
    let first = if signed { i32::from(first.cast_signed()) } else { i32::from(first) };
    if !matches!(bits, 8 | 16) {
        return Err(bad(descriptor, "8 or 16 bits an entry", &bits.to_string()));
    }
    let wide = bits == 16;
    let data = a.words(plain)?;
    if data.is_empty() {
        let data = a.words(segmented)?;
        if data.is_empty() {
            return Err(bad(plain, "a colour table", "none"));
        }
        let data = if wide { data } else { low_then_high(&data) };
        let entries = expand(&data, wide, count).map_err(|found| bad(segmented, &format!("segments that give {count} entries"), &found))?;
        return Ok(Table { first, wide, entries });
    }
    if data.len() >= count {
        return Ok(Table { first, wide, entries: data.into_iter().take(count).collect() });
    }
    if !wide && data.len() >= count.div_ceil(2) {
        return Ok(Table { first, wide, entries: low_then_high(&data).into_iter().take(count).collect() });
    }
    Err(bad(plain, &format!("{count} entries of {bits} bits"), &format!("{} bytes", data.len() * 2)))
}

/// Two 8-bit entries a word, the first in the low byte.
fn low_then_high(words: &[u16]) -> Vec<u16> {
    words.iter().flat_map(|w| [w & 0xFF, w >> 8]).collect()
}

/// Expands segments to `count` entries; else says what is wrong.
fn expand(data: &[u16], wide: bool, count: usize) -> Result<Vec<u16>, String> {
    let mut out = Vec::with_capacity(count);
    segments(data, 0, usize::MAX, wide, count, true, &mut out)?;
    if out.len() == count { Ok(out) } else { Err(format!("{} entries", out.len())) }
}

/// Expands up to `most` segments from entry `at` of `data`. Only the outermost level may point at others.
fn segments(data: &[u16], mut at: usize, most: usize, wide: bool, count: usize, outer: bool, out: &mut Vec<u16>) -> Result<(), String> {
    let mut done = 0;
    while done < most && out.len() < count {
        let (Some(&kind), Some(&length)) = (data.get(at), data.get(at + 1)) else {
            return if outer { Ok(()) } else { Err("segments that end early".into()) };
        };
        let length = usize::from(length);
        at += 2;
        match kind {
            0 => {
                out.extend_from_slice(data.get(at..at + length).ok_or("a discrete segment that ends early")?);
                at += length;
            }
            1 => {
                let from = f64::from(*out.last().ok_or("a linear segment at the start")?);
                let to = f64::from(*data.get(at).ok_or("a linear segment that ends early")?);
                let step = (to - from) / length.max(1) as f64;
                out.extend((1..=length).map(|i| (from + step * i as f64).round_ties_even() as u16));
                at += 1;
            }
            2 if outer => {
                // The byte offset of the first segment to repeat, least significant part first.
                let parts = data.get(at..at + if wide { 2 } else { 4 }).ok_or("an indirect segment that ends early")?;
                let bits = if wide { 16 } else { 8 };
                let bytes = parts.iter().rev().fold(0_usize, |sum, &p| (sum << bits) | usize::from(p));
                at += parts.len();
                segments(data, if wide { bytes / 2 } else { bytes }, length, wide, count, false, out)?;
            }
            other => return Err(format!("a segment of kind {other}")),
        }
        if out.len() > count {
            return Err(format!("at least {} entries", out.len()));
        }
        done += 1;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    /// PS3.3 C.7.9.2: a discrete segment, a straight line, and the line repeated by reference to its byte.
    #[test]
    fn segments_expand() {
        let data = [0, 2, 10, 0, 1, 5, 50, 2, 1, 8, 0];
        assert_eq!(expand(&data, true, 12).unwrap(), [10, 0, 10, 20, 30, 40, 50, 50, 50, 50, 50, 50]);
        assert_eq!(low_then_high(&[0x0201, 0x0003]), [1, 2, 3, 0]);
    }

    #[test]
    fn faulty_segments_are_refused() {
        for (data, count) in
            [(&[1_u16, 2, 9][..], 2), (&[0, 9, 1], 9), (&[0, 1, 1], 2), (&[0, 3, 1, 2, 3], 2), (&[7, 1, 1], 1), (&[0, 1, 5, 2, 1, 6, 0], 9)]
        {
            assert!(expand(data, true, count).is_err(), "{data:?}");
        }
    }
}
