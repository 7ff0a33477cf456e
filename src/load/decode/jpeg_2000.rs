//! JPEG 2000, reversible or not (ISO/IEC 15444-1), decoded by `hayro-jpeg2000`, which is Rust without `unsafe`.
//!
//! The main header is read here first: size, depth and components must be those of the file, and the numbers of tiles,
//! precincts and code blocks, for each of which the decoder allocates, are held to a limit.

use hayro_jpeg2000::{DecodeSettings, DecoderContext, Image};

use super::{Raw, Stored, damaged};
use crate::dicom::image::{Photometric, PixelLayout};
use crate::error::{Error, ErrorKind, Result};

const WHAT: &str = "JPEG 2000";

/// Most tiles, and most code blocks or precincts, of one frame. Encoders use one tile and blocks of 32 × 32 or 64 × 64.
const MOST_TILES: u64 = 4096;
const MOST_BLOCKS: u64 = 400_000;

pub(crate) fn decode(layout: &PixelLayout, data: &[u8]) -> Result<Raw> {
    let stream = code_stream(data)?;
    let main = MainHeader::read(stream)?;
    let components = layout.photometric.samples();
    if (main.columns, main.rows, u32::from(main.components)) != (layout.columns, layout.rows, components) {
        return Err(Error::new(ErrorKind::Format, "the JPEG 2000 data and the header disagree about the size")
            .expected(format!("{} × {} with {components} components", layout.columns, layout.rows))
            .found(format!("{} × {} with {}", main.columns, main.rows, main.components)));
    }
    if main.precision > layout.allocated {
        return Err(Error::new(ErrorKind::Format, "the JPEG 2000 data and the header disagree about depth")
            .expected(format!("at most {} bits", layout.allocated))
            .found(main.precision.to_string()));
    }
    let settings = DecodeSettings { resolve_palette_indices: false, strict: true, target_resolution: None };
    let image = Image::new(stream, &settings).map_err(|e| damaged(WHAT, e.to_string()))?;
    let mut context = DecoderContext::default();
    let decoded = image.decode(&mut context).map_err(|e| damaged(WHAT, e.to_string()))?;
    let planes: Vec<&[f32]> = decoded.components().iter().map(hayro_jpeg2000::ComponentData::samples).collect();
    let pixels = layout.pixels();
    if planes.len() != components as usize || planes.iter().any(|p| p.len() != pixels) {
        return Err(damaged(WHAT, "components of another size than the picture"));
    }
    let top = ((1_u32 << main.precision) - 1) as f32;
    let round = |v: f32| (v + 0.5).floor().clamp(0.0, top) as u16;
    let values = match *planes.as_slice() {
        [a, b, c] if layout.allocated == 8 => {
            Stored::Bytes(a.iter().zip(b).zip(c).flat_map(|((&a, &b), &c)| [a, b, c].map(|v| round(v) as u8)).collect())
        }
        [a] if layout.allocated == 8 => Stored::Bytes(a.iter().map(|&v| round(v) as u8).collect()),
        [a] => Stored::Words(a.iter().map(|&v| round(v)).collect()),
        _ => return Err(damaged(WHAT, "components that do not fit the header")),
    };
    // The decoder undoes the colour transform that the code stream names; without one the header says what it is.
    let photometric = match layout.photometric {
        p if components == 1 => p,
        Photometric::YbrFull | Photometric::YbrFull422 if !main.transformed => Photometric::YbrFull,
        _ => Photometric::Rgb,
    };
    Ok(Raw { values, photometric })
}

/// The code stream itself: some writers store a whole JP2 file, whose boxes say nothing that the DICOM header does not.
fn code_stream(data: &[u8]) -> Result<&[u8]> {
    let mark = [0xFF, 0x4F, 0xFF, 0x51];
    let start = if data.starts_with(&mark) {
        Some(0)
    } else if data.starts_with(b"\0\0\0\x0CjP  ") {
        data.windows(4).position(|w| w == mark)
    } else {
        None
    };
    start.and_then(|s| data.get(s..)).ok_or_else(|| damaged(WHAT, "they do not begin with the start mark FF 4F FF 51"))
}

struct MainHeader {
    columns: u32,
    rows: u32,
    components: u16,
    precision: u32,
    transformed: bool,
}

impl MainHeader {
    /// Reads the markers SIZ and COD and checks what is allocated for (A.5.1, A.6.1).
    fn read(stream: &[u8]) -> Result<Self> {
        let short = || damaged(WHAT, "they end in the main header");
        let mut at = 2;
        let mut size: Option<Self> = None;
        let mut coded = false;
        loop {
            let Some(&[0xFF, code, high, low]) = stream.get(at..at + 4) else { return Err(short()) };
            let end = at + 2 + usize::from(u16::from_be_bytes([high, low])).max(2);
            let segment = stream.get(at + 4..end).ok_or_else(short)?;
            match code {
                0x51 => size = Some(Self::size(segment)?),
                // COD, or COC for one component.
                0x52 | 0x53 => {
                    let size = size.as_mut().ok_or_else(short)?;
                    let skip = if code == 0x52 { 0 } else { 1 };
                    let (&style, style_rest) = segment.get(skip..).and_then(<[u8]>::split_first).ok_or_else(short)?;
                    if code == 0x52 {
                        coded = true;
                        size.transformed = style_rest.get(3).is_some_and(|t| *t != 0);
                    }
                    let parameters = style_rest.get(if code == 0x52 { 4 } else { 0 }..).ok_or_else(short)?;
                    size.check_blocks(style & 1 == 1, parameters)?;
                }
                0x90 => {
                    return match size {
                        Some(s) if coded => Ok(s),
                        _ => Err(damaged(WHAT, "a main header without size or coding style")),
                    };
                }
                _ => {}
            }
            at = end;
        }
    }

    fn size(segment: &[u8]) -> Result<Self> {
        let wrong = || damaged(WHAT, "a faulty size header");
        let (fields, parts) = segment.split_at_checked(36).ok_or_else(wrong)?;
        let word =
            |i: usize| -> u32 { fields.get(2 + 4 * i..6 + 4 * i).and_then(|b| b.first_chunk::<4>()).map_or(0, |b| u32::from_be_bytes(*b)) };
        let [x1, y1, x0, y0, tile_x, tile_y, tile_x0, tile_y0] = [0, 1, 2, 3, 4, 5, 6, 7].map(word);
        let (Some(columns), Some(rows)) = (x1.checked_sub(x0), y1.checked_sub(y0)) else { return Err(wrong()) };
        let (parts, _) = parts.as_chunks::<3>();
        let components = u16::try_from(parts.len()).map_err(|_| wrong())?;
        let Some(&[depth, ..]) = parts.first() else { return Err(wrong()) };
        if tile_x == 0 || tile_y == 0 || tile_x0 > x0 || tile_y0 > y0 {
            return Err(wrong());
        }
        if depth & 0x80 != 0 || parts.iter().any(|p| *p != [depth, 1, 1]) {
            return Err(Error::new(ErrorKind::Unsupported, "JPEG 2000 with signed, unequal or subsampled components is not read"));
        }
        let precision = u32::from(depth) + 1;
        if precision > 16 {
            return Err(Error::new(ErrorKind::Unsupported, "JPEG 2000 with more than 16 bits is not read"));
        }
        let tiles = u64::from((x1 - tile_x0).div_ceil(tile_x)) * u64::from((y1 - tile_y0).div_ceil(tile_y));
        if tiles > MOST_TILES {
            return Err(too_many("tiles", MOST_TILES, tiles));
        }
        Ok(Self { columns, rows, components, precision, transformed: false })
    }

    /// Holds the numbers of code blocks and precincts to the limit: `parameters` are those of table A.15.
    fn check_blocks(&self, precincts: bool, parameters: &[u8]) -> Result<()> {
        let wrong = || damaged(WHAT, "a faulty coding style");
        let &[levels, width, height, _, _, ref sizes @ ..] = parameters else { return Err(wrong()) };
        if levels > 32 || width > 8 || height > 8 || width + height > 8 {
            return Err(wrong());
        }
        let pixels = u64::from(self.columns) * u64::from(self.rows) * u64::from(self.components);
        let blocks = (pixels >> (width + height + 4)) + u64::from(self.components) * u64::from(levels + 1) * 3;
        let mut most = blocks;
        if precincts {
            for size in sizes.iter().take(usize::from(levels) + 1) {
                most = most.max(pixels >> ((size & 15) + (size >> 4)));
            }
        }
        if most > MOST_BLOCKS { Err(too_many("code blocks or precincts", MOST_BLOCKS, most)) } else { Ok(()) }
    }
}

fn too_many(what: &str, most: u64, found: u64) -> Error {
    Error::new(ErrorKind::Limit, format!("the JPEG 2000 data have too many {what}"))
        .expected(format!("at most {most}"))
        .found(found.to_string())
}
