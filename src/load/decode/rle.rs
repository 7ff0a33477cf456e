//! Run lengths (PS3.5 annex G): one segment for each byte of each sample, most significant first.

use super::native::interleave;
use super::{Raw, Stored, damaged};
use crate::dicom::image::{Photometric, PixelLayout};
use crate::error::{Error, ErrorKind, Result};

const HEADER: usize = 64;

pub(crate) fn decode(layout: &PixelLayout, data: &[u8]) -> Result<Raw> {
    if layout.photometric == Photometric::YbrFull422 {
        return Err(
            Error::new(ErrorKind::Unsupported, "run-length data in YBR_FULL_422 are not read").remedy("Store the file again as RGB")
        );
    }
    let bytes_a_sample = (layout.allocated / 8) as usize;
    let wanted = layout.photometric.samples() as usize * bytes_a_sample;
    let segments = segments(data, wanted)?;
    let pixels = layout.pixels();
    let mut planes = Vec::with_capacity(pixels * wanted);
    for (i, segment) in segments.iter().enumerate() {
        unpack(segment, pixels, &mut planes)
            .map_err(|got| damaged("run-length", format!("segment {} of {wanted} gives {got} of {pixels} bytes", i + 1)))?;
    }
    let values = match (layout.photometric.samples(), bytes_a_sample) {
        (3, _) => Stored::Bytes(interleave(&planes, pixels)),
        (_, 2) => {
            let (high, low) = planes.split_at(pixels);
            Stored::Words(high.iter().zip(low).map(|(&h, &l)| u16::from_be_bytes([h, l])).collect())
        }
        _ => Stored::Bytes(planes),
    };
    Ok(Raw { values, photometric: layout.photometric })
}

/// The bytes of each segment: from its offset to the next.
fn segments(data: &[u8], wanted: usize) -> Result<Vec<&[u8]>> {
    let header = data.get(..HEADER).ok_or_else(|| damaged("run-length", format!("{} bytes, less than their header", data.len())))?;
    let (words, _) = header.as_chunks::<4>();
    let mut words = words.iter().map(|w| u32::from_le_bytes(*w) as usize);
    let count = words.next().unwrap_or(0);
    if count != wanted {
        return Err(damaged("run-length", format!("{count} segments where {wanted} belong")));
    }
    let offsets: Vec<usize> = words.take(count).collect();
    let mut out = Vec::with_capacity(count);
    for (i, &start) in offsets.iter().enumerate() {
        let end = offsets.get(i + 1).copied().unwrap_or(data.len());
        let segment = if start >= HEADER { data.get(start..end) } else { None };
        out.push(segment.ok_or_else(|| damaged("run-length", format!("segment {} from byte {start} to {end} of {}", i + 1, data.len())))?);
    }
    Ok(out)
}

/// Unpacks one segment into exactly `pixels` more bytes of `out`; else says how many it gave. What follows is padding.
fn unpack(segment: &[u8], pixels: usize, out: &mut Vec<u8>) -> Result<(), usize> {
    let full = out.len() + pixels;
    let mut rest = segment;
    while out.len() < full {
        let room = full - out.len();
        let Some((&control, after)) = rest.split_first() else { return Err(pixels - room) };
        match control {
            0..=127 => {
                let n = usize::from(control) + 1;
                let (Some(run), Some(left)) = (after.get(..n), after.get(n..)) else { return Err(pixels - room) };
                out.extend_from_slice(run.get(..room).unwrap_or(run));
                rest = left;
            }
            129..=255 => {
                let Some((&value, left)) = after.split_first() else { return Err(pixels - room) };
                out.resize(out.len() + (257 - usize::from(control)).min(room), value);
                rest = left;
            }
            128 => rest = after,
        }
    }
    Ok(())
}
