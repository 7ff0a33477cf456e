//! The marker segments of a JPEG or JPEG-LS code stream, one after the other (ITU-T T.81 annex B, T.87 annex C).

use super::damaged;
use crate::dicom::image::PixelLayout;
use crate::error::{Error, ErrorKind, Result};

/// Start of image, with no segment behind it.
const SOI: u8 = 0xD8;
/// End of image.
pub(super) const EOI: u8 = 0xD9;
/// Start of scan; entropy-coded data follow its segment.
pub(super) const SOS: u8 = 0xDA;

/// Marks the components of a scan as decoded; each may be decoded once.
pub(super) fn mark(seen: &mut [bool], components: impl Iterator<Item = usize>) -> bool {
    for c in components {
        match seen.get_mut(c) {
            Some(s) if !*s => *s = true,
            _ => return false,
        }
    }
    true
}

/// What a frame header says that the DICOM header does not.
pub(super) struct FrameHeader {
    /// Bits a sample, 2 to 16.
    pub(super) precision: u32,
    /// Component identifiers, in order.
    pub(super) ids: Vec<u8>,
}

impl FrameHeader {
    /// Reads a frame header and holds it against the DICOM header. `what` names the coding and `stream` its data in errors;
    /// `subsampled` is the refusal of components that are not of full size.
    pub(super) fn read(what: &str, stream: &str, layout: &PixelLayout, segment: &[u8], subsampled: impl FnOnce() -> Error) -> Result<Self> {
        let &[precision, r1, r0, c1, c0, count, ref rest @ ..] = segment else { return Err(damaged(what, "a short frame header")) };
        let (rows, columns) = (u32::from(u16::from_be_bytes([r1, r0])), u32::from(u16::from_be_bytes([c1, c0])));
        if (rows, columns, u32::from(count)) != (layout.rows, layout.columns, layout.photometric.samples()) {
            return Err(Error::new(ErrorKind::Format, format!("the {stream} data and the header disagree about the size"))
                .expected(format!("{} × {} with {} components", layout.columns, layout.rows, layout.photometric.samples()))
                .found(format!("{columns} × {rows} with {count}")));
        }
        let (triples, _) = rest.as_chunks::<3>();
        if triples.len() != usize::from(count) || !(2..=16).contains(&precision) {
            return Err(damaged(what, "a frame header that contradicts itself"));
        }
        if triples.iter().any(|t| t[1] != 0x11) {
            return Err(subsampled());
        }
        Ok(Self { precision: u32::from(precision), ids: triples.iter().map(|t| t[0]).collect() })
    }
}

/// Walks over marker segments. `what` names the coding in errors.
pub(super) struct Segments<'a> {
    what: &'static str,
    data: &'a [u8],
    at: usize,
}

impl<'a> Segments<'a> {
    /// Starts behind the start mark FF D8.
    pub(super) fn new(what: &'static str, data: &'a [u8]) -> Result<Self> {
        if data.get(..2) != Some(&[0xFF, SOI]) {
            return Err(damaged(what, "they do not begin with the start mark FF D8"));
        }
        Ok(Self { what, data, at: 2 })
    }

    /// The next marker and its segment; at the end mark an empty segment.
    pub(super) fn read(&mut self) -> Result<(u8, &'a [u8])> {
        let short = || damaged(self.what, "they end before the picture does");
        // Any number of FF bytes may stand before a marker.
        while self.data.get(self.at) == Some(&0xFF) && self.data.get(self.at + 1) == Some(&0xFF) {
            self.at += 1;
        }
        let (Some(&0xFF), Some(&code)) = (self.data.get(self.at), self.data.get(self.at + 1)) else { return Err(short()) };
        if code == EOI {
            return Ok((code, &[]));
        }
        let Some(&[high, low]) = self.data.get(self.at + 2..self.at + 4) else { return Err(short()) };
        let end = self.at + 2 + usize::from(u16::from_be_bytes([high, low])).max(2);
        let segment = self.data.get(self.at + 4..end).ok_or_else(short)?;
        self.at = end;
        Ok((code, segment))
    }

    /// The entropy-coded data of the scan whose header was last read, up to the next marker that `ends` it. Moves there.
    pub(super) fn entropy(&mut self, ends: impl Fn(u8) -> bool) -> &'a [u8] {
        let rest = self.data.get(self.at..).unwrap_or_default();
        let length = rest.windows(2).position(|w| matches!(*w, [0xFF, b] if ends(b))).unwrap_or(rest.len());
        self.at += length;
        rest.get(..length).unwrap_or_default()
    }
}
