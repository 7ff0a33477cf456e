//! The Image Pixel module: size, sample layout and colour, checked against each other (PS3.3 C.7.6.3).

use super::attributes::{self as at, Attribute, Attributes, bad};
use super::limits::{MAX_FRAMES, MAX_PIXELS, MAX_SIDE};
use super::palette::{self, Palette};
use crate::error::{Error, ErrorKind, Result};

/// Photometric Interpretation (0028,0004), those that an ultrasound image may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Photometric {
    /// Grey, the smallest value is white.
    Monochrome1,
    /// Grey, the smallest value is black.
    Monochrome2,
    /// Numbers of colours in a table.
    Palette,
    /// Red, green, blue.
    Rgb,
    /// Brightness and two colour differences for every pixel, full range.
    YbrFull,
    /// Brightness for every pixel, colour differences for every second one of a row.
    YbrFull422,
    /// JPEG 2000's irreversible colour transform; the decoder undoes it.
    YbrIct,
    /// JPEG 2000's reversible colour transform; the decoder undoes it.
    YbrRct,
}

impl Photometric {
    /// The term in the standard.
    #[must_use]
    pub const fn term(self) -> &'static str {
        match self {
            Self::Monochrome1 => "MONOCHROME1",
            Self::Monochrome2 => "MONOCHROME2",
            Self::Palette => "PALETTE COLOR",
            Self::Rgb => "RGB",
            Self::YbrFull => "YBR_FULL",
            Self::YbrFull422 => "YBR_FULL_422",
            Self::YbrIct => "YBR_ICT",
            Self::YbrRct => "YBR_RCT",
        }
    }

    const ALL: [Self; 8] =
        [Self::Monochrome1, Self::Monochrome2, Self::Palette, Self::Rgb, Self::YbrFull, Self::YbrFull422, Self::YbrIct, Self::YbrRct];

    /// Samples per Pixel that goes with it.
    #[must_use]
    pub const fn samples(self) -> u32 {
        match self {
            Self::Monochrome1 | Self::Monochrome2 | Self::Palette => 1,
            _ => 3,
        }
    }
}

/// How the pixels of every frame of a file are laid out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PixelLayout {
    /// Rows, px.
    pub rows: u32,
    /// Columns, px.
    pub columns: u32,
    /// Frames, at least 1.
    pub frames: u32,
    /// Colour.
    pub photometric: Photometric,
    /// Bits Allocated, 8 or 16.
    pub allocated: u32,
    /// Bits Stored, 1 to Bits Allocated.
    pub stored: u32,
    /// Bits between bit 0 and the lowest stored bit.
    pub shift: u32,
    /// Whether stored values are signed (only a palette's numbers may be).
    pub signed: bool,
    /// Whether a frame holds one plane a colour instead of one triple a pixel (native data only).
    pub planar: bool,
    /// Colour tables, for [`Photometric::Palette`].
    pub palette: Option<Palette>,
    /// What is odd without being wrong.
    pub warnings: Vec<String>,
}

impl PixelLayout {
    /// Reads the module and checks it.
    ///
    /// # Errors
    /// `Format` naming the attribute that is missing or contradicts another, `Unsupported` for layouts that no
    /// ultrasound image has (32 bits, 16-bit colour, signed grey), `Limit` beyond the [limits](super::limits).
    pub fn read(a: &Attributes) -> Result<Self> {
        let mut warnings = Vec::new();
        let (rows, columns) = (side(a, at::ROWS)?, side(a, at::COLUMNS)?);
        if u64::from(rows) * u64::from(columns) > MAX_PIXELS {
            return Err(Error::new(ErrorKind::Limit, "the image is too large")
                .expected(format!("at most {MAX_PIXELS} pixels"))
                .found(format!("{columns} × {rows}")));
        }
        let frames = match a.whole(at::FRAMES)? {
            None => 1,
            Some(0) => return Err(bad(at::FRAMES, "at least 1", "0")),
            Some(n) if n > MAX_FRAMES => return Err(over(at::FRAMES, MAX_FRAMES, n)),
            Some(n) => n,
        };
        let photometric = photometric(a)?;
        let samples = a.required(at::SAMPLES)?;
        if samples != photometric.samples() {
            return Err(bad(at::SAMPLES, &format!("{} for {}", photometric.samples(), photometric.term()), &samples.to_string()));
        }
        let allocated = a.required(at::ALLOCATED)?;
        if !matches!(allocated, 8 | 16) {
            return Err(unsupported(at::ALLOCATED, "8 or 16", allocated));
        }
        if samples == 3 && allocated != 8 {
            return Err(unsupported(at::ALLOCATED, "8 for a colour image", allocated));
        }
        let stored = a.whole(at::STORED)?.unwrap_or(allocated);
        if stored == 0 || stored > allocated {
            return Err(bad(at::STORED, &format!("1 to {allocated}"), &stored.to_string()));
        }
        let high = a.whole(at::HIGH)?.unwrap_or(stored - 1);
        if high + 1 < stored || high >= allocated {
            return Err(bad(at::HIGH, &format!("{} to {}", stored - 1, allocated - 1), &high.to_string()));
        }
        let signed = match a.whole(at::REPRESENTATION)?.unwrap_or(0) {
            0 => false,
            1 if photometric == Photometric::Palette => true,
            1 => return Err(unsupported(at::REPRESENTATION, "0 (unsigned)", 1)),
            x => return Err(bad(at::REPRESENTATION, "0 or 1", &x.to_string())),
        };
        if samples == 3 && stored != 8 {
            return Err(unsupported(at::STORED, "8 for a colour image", stored));
        }
        let planar = match a.whole(at::PLANAR)? {
            Some(0) => false,
            Some(1) => samples == 3,
            Some(x) => return Err(bad(at::PLANAR, "0 or 1", &x.to_string())),
            None => {
                if samples == 3 {
                    warnings.push("Planar Configuration (0028,0006) is missing; colours are taken pixel by pixel".into());
                }
                false
            }
        };
        let palette = if photometric == Photometric::Palette { Some(palette::read(a, signed, &mut warnings)?) } else { None };
        Ok(Self { rows, columns, frames, photometric, allocated, stored, shift: high + 1 - stored, signed, planar, palette, warnings })
    }

    /// Pixels in a frame.
    #[must_use]
    pub fn pixels(&self) -> usize {
        self.rows as usize * self.columns as usize
    }

    /// Bytes of one uncompressed frame as the standard lays it out.
    #[must_use]
    pub fn native_frame_bytes(&self) -> u64 {
        let pixels = u64::from(self.rows) * u64::from(self.columns);
        match self.photometric {
            Photometric::YbrFull422 => pixels * 2,
            p => pixels * u64::from(p.samples()) * u64::from(self.allocated / 8),
        }
    }
}

fn side(a: &Attributes, which: Attribute) -> Result<u32> {
    match a.required(which)? {
        0 => Err(bad(which, "at least 1", "0")),
        n if n > MAX_SIDE => Err(over(which, MAX_SIDE, n)),
        n => Ok(n),
    }
}

fn over(a: Attribute, most: u32, found: u32) -> Error {
    Error::new(ErrorKind::Limit, format!("{} {}", a.1, a.0)).expected(format!("at most {most}")).found(found.to_string())
}

fn unsupported(a: Attribute, expected: &str, found: u32) -> Error {
    Error::new(ErrorKind::Unsupported, format!("{} {}", a.1, a.0)).expected(expected).found(found.to_string())
}

fn photometric(a: &Attributes) -> Result<Photometric> {
    let term = a.text(at::PHOTOMETRIC).ok_or_else(|| bad(at::PHOTOMETRIC, "a value", "none"))?;
    Photometric::ALL.into_iter().find(|p| p.term() == term).ok_or_else(|| {
        Error::new(ErrorKind::Unsupported, format!("{} {}", at::PHOTOMETRIC.1, at::PHOTOMETRIC.0))
            .expected("one that an ultrasound image may have")
            .found(term)
    })
}
