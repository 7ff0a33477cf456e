//! Uncompressed pixel data (PS3.5 section 8.1, PS3.3 C.7.6.3.1.3).

use super::{Raw, Stored, damaged};
use crate::dicom::image::{Photometric, PixelLayout};
use crate::error::Result;

/// `data` is one frame, in the byte order of the file; 8-bit samples already in their own order.
pub(crate) fn decode(layout: &PixelLayout, big_endian: bool, data: Vec<u8>) -> Result<Raw> {
    let expected = layout.native_frame_bytes();
    if data.len() as u64 != expected {
        return Err(damaged("uncompressed", format!("{} bytes where {expected} belong", data.len())));
    }
    let photometric = layout.photometric;
    if layout.allocated == 16 {
        let (words, _) = data.as_chunks::<2>();
        let values = words.iter().map(|w| if big_endian { u16::from_be_bytes(*w) } else { u16::from_le_bytes(*w) }).collect();
        return Ok(Raw { values: Stored::Words(values), photometric });
    }
    let values = match photometric {
        Photometric::YbrFull422 => {
            return Ok(Raw { values: Stored::Bytes(spread_422(&data)), photometric: Photometric::YbrFull });
        }
        p if p.samples() == 3 && layout.planar => interleave(&data, layout.pixels()),
        _ => data,
    };
    Ok(Raw { values: Stored::Bytes(values), photometric })
}

/// One plane a colour becomes one triple a pixel.
pub(crate) fn interleave(planes: &[u8], pixels: usize) -> Vec<u8> {
    let (first, rest) = planes.split_at(pixels.min(planes.len()));
    let (second, third) = rest.split_at(pixels.min(rest.len()));
    // Written into place: collecting triples one by one takes several times as long.
    let mut out = vec![0; first.len().min(second.len()).min(third.len()) * 3];
    let (triples, _) = out.as_chunks_mut::<3>();
    for (triple, ((&a, &b), &c)) in triples.iter_mut().zip(first.iter().zip(second).zip(third)) {
        *triple = [a, b, c];
    }
    out
}

/// `Y1 Y2 Cb Cr` becomes `Y1 Cb Cr  Y2 Cb Cr`: each pair of pixels in a row shares its colour differences.
fn spread_422(data: &[u8]) -> Vec<u8> {
    let (pairs, _) = data.as_chunks::<4>();
    pairs.iter().flat_map(|&[y1, y2, cb, cr]| [y1, cb, cr, y2, cb, cr]).collect()
}
