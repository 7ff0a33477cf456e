//! Grey and RGB from stored values, as the Photometric Interpretation says (PS3.3 C.7.6.3.1.2).

use super::{Raw, Stored, damaged};
use crate::dicom::image::{Photometric, PixelLayout};
use crate::dicom::palette::Palette;
use crate::error::Result;
use crate::frame::Samples;

/// Makes samples of one frame's stored values.
pub(crate) fn finish(layout: &PixelLayout, raw: Raw) -> Result<Samples> {
    let values = match &raw.values {
        Stored::Bytes(b) => b.len(),
        Stored::Words(w) => w.len(),
    };
    let expected = layout.pixels() * raw.photometric.samples() as usize;
    if values != expected {
        return Err(damaged("pixel", format!("{values} values where {expected} belong")));
    }
    match raw.photometric {
        Photometric::Monochrome1 => Ok(grey(layout, raw.values, true)),
        Photometric::Monochrome2 => Ok(grey(layout, raw.values, false)),
        Photometric::Palette => match &layout.palette {
            Some(palette) => Ok(Samples::Rgb8(look_up(layout, &raw.values, palette))),
            None => Err(damaged("palette", "no colour table")),
        },
        p => match raw.values {
            Stored::Bytes(mut b) => {
                if matches!(p, Photometric::YbrFull | Photometric::YbrFull422 | Photometric::YbrIct) {
                    ybr_to_rgb(&mut b);
                }
                Ok(Samples::Rgb8(b))
            }
            Stored::Words(_) => Err(damaged("colour", "16-bit samples")),
        },
    }
}

/// The stored bits of a value: those above are not part of it (overlays were once kept there).
fn stored_bits(layout: &PixelLayout, v: u16) -> u16 {
    (v >> layout.shift) & mask(layout.stored)
}

fn mask(bits: u32) -> u16 {
    u16::MAX >> (16 - bits.clamp(1, 16))
}

fn grey(layout: &PixelLayout, values: Stored, inverted: bool) -> Samples {
    let max = mask(layout.stored);
    if layout.stored == 8 && layout.shift == 0 {
        let mut bytes = match values {
            Stored::Bytes(b) => b,
            Stored::Words(w) => w.iter().map(|&v| (v & 0xFF) as u8).collect(),
        };
        if inverted {
            bytes.iter_mut().for_each(|b| *b = 255 - *b);
        }
        return Samples::Gray8(bytes);
    }
    let one = |v: u16| {
        let v = stored_bits(layout, v);
        if inverted { max - v } else { v }
    };
    let data = match values {
        Stored::Bytes(b) => b.iter().map(|&v| one(u16::from(v))).collect(),
        Stored::Words(w) => w.iter().map(|&v| one(v)).collect(),
    };
    Samples::Gray16 { data, max }
}

/// Numbers below the first entry take the first, those past the last take the last (C.11.1.1.1).
fn look_up(layout: &PixelLayout, values: &Stored, palette: &Palette) -> Vec<u8> {
    let sign = 1_i32 << (layout.stored - 1);
    let number = |v: u16| {
        let v = i32::from(stored_bits(layout, v));
        if layout.signed && v >= sign { v - 2 * sign } else { v }
    };
    let pixel = |v: u16| {
        let n = number(v);
        palette.each_ref().map(|c| {
            let last = c.entries.len().saturating_sub(1);
            let i = usize::try_from(n - c.first).unwrap_or(0).min(last);
            c.entries.get(i).copied().unwrap_or(0)
        })
    };
    match values {
        Stored::Bytes(b) => {
            let table: Vec<[u8; 3]> = (0..=255).map(pixel).collect();
            b.iter().flat_map(|&v| table.get(usize::from(v)).copied().unwrap_or_default()).collect()
        }
        Stored::Words(w) => w.iter().flat_map(|&v| pixel(v)).collect(),
    }
}

/// YBR_FULL triples become RGB triples in place, each channel rounded half up and held to 0..=255.
///
/// The equations of C.7.6.3.1.2 inverted: R = Y + 1.402 Cr′, G = Y − (0.114 · 1.772 Cb′ + 0.299 · 1.402 Cr′) / 0.587,
/// B = Y + 1.772 Cb′, with Cb′ = Cb − 128 and Cr′ = Cr − 128, in steps of 2⁻²⁰.
pub(crate) fn ybr_to_rgb(triples: &mut [u8]) {
    const ONE: f64 = 1_048_576.0;
    const HALF: i32 = 1 << 19;
    const R_CR: i32 = (1.402 * ONE) as i32;
    const B_CB: i32 = (1.772 * ONE) as i32;
    const G_CB: i32 = (0.114 * 1.772 / 0.587 * ONE) as i32;
    const G_CR: i32 = (0.299 * 1.402 / 0.587 * ONE) as i32;
    let byte = |x: i32| ((x + HALF) >> 20).clamp(0, 255) as u8;
    let (triples, _) = triples.as_chunks_mut::<3>();
    for t in triples {
        let [y, cb, cr] = t.map(i32::from);
        let (y, cb, cr) = (y << 20, cb - 128, cr - 128);
        *t = [byte(y + R_CR * cr), byte(y - G_CB * cb - G_CR * cr), byte(y + B_CB * cb)];
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    /// PS3.3 C.7.6.3.1.2, forwards: Y = 0.299 R + 0.587 G + 0.114 B, Cb = −0.1687 R − 0.3313 G + 0.5 B + 128, Cr
    /// likewise. Going there and back moves no channel by more than the two roundings do.
    #[test]
    fn ybr_undoes_the_equations_of_the_standard() {
        for r in (0..=255).step_by(15) {
            for g in (0..=255).step_by(15) {
                for b in (0..=255).step_by(15) {
                    let (rf, gf, bf) = (f64::from(r), f64::from(g), f64::from(b));
                    let y = 0.299 * rf + 0.587 * gf + 0.114 * bf;
                    let mut t = [y, (bf - y) / 1.772 + 128.0, (rf - y) / 1.402 + 128.0].map(|x| x.round().clamp(0.0, 255.0) as u8);
                    ybr_to_rgb(&mut t);
                    for (got, want) in t.iter().zip([r, g, b]) {
                        assert!((i32::from(*got) - want).abs() <= 2, "{r} {g} {b}: {t:?}");
                    }
                }
            }
        }
    }

    /// Pure red of JFIF: (255, 0, 0) is Y 76, Cb 85, Cr 255 (ITU-T T.871 section 7).
    #[test]
    fn red_stays_red() {
        let mut t = [76, 85, 255, 255, 128, 128, 0, 128, 128];
        ybr_to_rgb(&mut t);
        assert_eq!(t, [254, 0, 0, 255, 255, 255, 0, 0, 0]);
    }
}
