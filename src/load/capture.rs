//! Pictures captured or exported from a scanner: PNG, JPEG, TIFF, BMP. They carry no scale.
//!
//! JPEG goes the same strict way as inside DICOM; the others are decoded by `image`, held to the limits.

use std::io::{Cursor, Read, Seek};

use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};

use super::decode::{contained, damaged, jpeg};
use crate::dicom::limits::{MAX_PIXELS, MAX_SIDE};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::Samples;

/// The picture formats that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Format {
    Png,
    Jpeg,
    Tiff,
    Bmp,
}

impl Format {
    /// The format that a file with these first bytes has. DICOM comes first: its preamble may be that of a TIFF.
    pub(super) fn of(head: &[u8]) -> Option<Self> {
        match head {
            _ if head.get(128..132) == Some(b"DICM") => None,
            [0x89, b'P', b'N', b'G', ..] => Some(Self::Png),
            [0xFF, 0xD8, 0xFF, ..] => Some(Self::Jpeg),
            [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => Some(Self::Tiff),
            [b'B', b'M', ..] => Some(Self::Bmp),
            _ => None,
        }
    }

    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Png => "PNG",
            Self::Jpeg => "JPEG",
            Self::Tiff => "TIFF",
            Self::Bmp => "BMP",
        }
    }

    const fn of_image(self) -> ImageFormat {
        match self {
            Self::Png => ImageFormat::Png,
            Self::Jpeg => ImageFormat::Jpeg,
            Self::Tiff => ImageFormat::Tiff,
            Self::Bmp => ImageFormat::Bmp,
        }
    }
}

/// Size and oddities of a picture.
pub(super) struct Picture {
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) warnings: Vec<String>,
}

/// Reads the header of a picture.
pub(super) fn describe<R: Read + Seek>(format: Format, mut reader: R) -> Result<Picture> {
    contained(format.name(), || {
        let mut warnings = Vec::new();
        let (width, height, orientation) = if format == Format::Jpeg {
            // The markers before the first scan; a picture whose Exif preview pushes them further is not read.
            let mut head = Vec::new();
            reader.by_ref().take(4 * 1024 * 1024).read_to_end(&mut head).map_err(crate::dicom::walk::read_failed)?;
            let m = jpeg::markers(&head)?;
            let turned = m.exif.as_deref().and_then(Orientation::from_exif_chunk);
            (m.columns, m.rows, turned)
        } else {
            if format == Format::Tiff && more_pages(&mut reader).unwrap_or(false) {
                warnings.push("the TIFF holds more than one page; only the first is shown".into());
            }
            let mut decoder = decoder(format, std::io::BufReader::new(reader))?;
            let (w, h) = decoder.dimensions();
            (w, h, decoder.orientation().ok())
        };
        if orientation.is_some_and(|o| o != Orientation::NoTransforms) {
            warnings.push("the picture carries an orientation mark; it is shown as stored, not turned".into());
        }
        check_size(width, height)?;
        Ok(Picture { width, height, warnings })
    })
}

/// Decodes a picture. An opaque alpha channel is dropped; a picture with transparency is refused, since what it looks
/// like depends on what is behind it.
pub(super) fn decode(format: Format, bytes: &[u8]) -> Result<(u32, u32, Samples)> {
    contained(format.name(), || {
        if format == Format::Jpeg {
            let m = jpeg::markers(bytes)?;
            check_size(m.columns, m.rows)?;
            let samples = jpeg::samples(&m, m.is_ybr(None))?;
            let samples = if m.components.len() == 1 { Samples::Gray8(samples) } else { Samples::Rgb8(samples) };
            return Ok((m.columns, m.rows, samples));
        }
        let decoder = decoder(format, Cursor::new(bytes))?;
        let (width, height) = decoder.dimensions();
        check_size(width, height)?;
        let picture = DynamicImage::from_decoder(decoder).map_err(|e| not_decoded(format, &e))?;
        let see_through = match &picture {
            DynamicImage::ImageLumaA8(p) => p.pixels().any(|p| p.0[1] != 255),
            DynamicImage::ImageRgba8(p) => p.pixels().any(|p| p.0[3] != 255),
            DynamicImage::ImageLumaA16(p) => p.pixels().any(|p| p.0[1] != u16::MAX),
            DynamicImage::ImageRgba16(p) => p.pixels().any(|p| p.0[3] != u16::MAX),
            _ => false,
        };
        if see_through {
            return Err(Error::new(ErrorKind::Unsupported, "the picture has transparent parts").remedy("Save it without transparency"));
        }
        let samples = match picture {
            DynamicImage::ImageLuma8(p) => Samples::Gray8(p.into_raw()),
            DynamicImage::ImageLuma16(p) => Samples::Gray16 { data: p.into_raw(), max: u16::MAX },
            DynamicImage::ImageLumaA8(_) => Samples::Gray8(picture.into_luma8().into_raw()),
            DynamicImage::ImageLumaA16(_) => Samples::Gray16 { data: picture.into_luma16().into_raw(), max: u16::MAX },
            DynamicImage::ImageRgb8(_) | DynamicImage::ImageRgba8(_) | DynamicImage::ImageRgb16(_) | DynamicImage::ImageRgba16(_) => {
                Samples::Rgb8(picture.into_rgb8().into_raw())
            }
            _ => return Err(Error::new(ErrorKind::Unsupported, "the picture stores floating-point samples").remedy("Save it with 8 bits")),
        };
        Ok((width, height, samples))
    })
}

fn check_size(width: u32, height: u32) -> Result<()> {
    if width == 0 || height == 0 {
        return Err(damaged("picture", "a side of 0 px"));
    }
    if width > MAX_SIDE || height > MAX_SIDE || u64::from(width) * u64::from(height) > MAX_PIXELS {
        return Err(Error::new(ErrorKind::Limit, "the picture is too large")
            .expected(format!("at most {MAX_PIXELS} pixels and {MAX_SIDE} a side"))
            .found(format!("{width} × {height}")));
    }
    Ok(())
}

fn decoder<'a, R: std::io::BufRead + Seek + 'a>(format: Format, reader: R) -> Result<Box<dyn ImageDecoder + 'a>> {
    let mut reader = ImageReader::with_format(reader, format.of_image());
    let mut limits = Limits::default();
    limits.max_image_width = Some(MAX_SIDE);
    limits.max_image_height = Some(MAX_SIDE);
    limits.max_alloc = Some(MAX_PIXELS * 8);
    reader.limits(limits);
    Ok(Box::new(reader.into_decoder().map_err(|e| not_decoded(format, &e))?))
}

fn not_decoded(format: Format, e: &image::ImageError) -> Error {
    let kind = match e {
        image::ImageError::Limits(_) => ErrorKind::Limit,
        image::ImageError::Unsupported(_) => ErrorKind::Unsupported,
        _ => ErrorKind::Format,
    };
    Error::new(kind, format!("the {} picture cannot be decoded", format.name())).found(e.to_string()).remedy("Fetch the file again")
}

/// Whether a TIFF has a second page: the first directory's link to a next one is not 0 (TIFF 6.0 section 2).
fn more_pages<R: Read + Seek>(reader: &mut R) -> std::io::Result<bool> {
    let little = {
        let mut order = [0_u8; 2];
        reader.rewind()?;
        reader.read_exact(&mut order)?;
        order == *b"II"
    };
    let four = |b: [u8; 4]| if little { u32::from_le_bytes(b) } else { u32::from_be_bytes(b) };
    let two = |b: [u8; 2]| if little { u16::from_le_bytes(b) } else { u16::from_be_bytes(b) };
    let (mut word, mut half) = ([0_u8; 4], [0_u8; 2]);
    reader.seek(std::io::SeekFrom::Start(4))?;
    reader.read_exact(&mut word)?;
    let directory = u64::from(four(word));
    reader.seek(std::io::SeekFrom::Start(directory))?;
    reader.read_exact(&mut half)?;
    reader.seek(std::io::SeekFrom::Start(directory + 2 + 12 * u64::from(two(half))))?;
    reader.read_exact(&mut word)?;
    reader.rewind()?;
    Ok(four(word) != 0)
}
