//! JPEG with 8-bit samples: baseline, extended and progressive Huffman coding, decoded by `zune-jpeg`.
//!
//! What colour the components are is decided here, not by the decoder, which never sees the header of the file: its
//! application segments are taken out, so that it does as it is told. See [`transform`] for the rule.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use super::{Raw, Stored, damaged};
use crate::dicom::image::{Photometric, PixelLayout};
use crate::error::{Error, ErrorKind, Result};

/// What the markers before the first scan say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Markers {
    /// The second byte of the start-of-frame marker: C0 baseline, C1 extended, C2 progressive, C3 lossless …
    pub(crate) process: u8,
    pub(crate) precision: u8,
    pub(crate) rows: u32,
    pub(crate) columns: u32,
    /// Component identifier and sampling factors.
    pub(crate) components: Vec<(u8, u8)>,
    /// The colour transform of an Adobe APP14 segment: 0 none, 1 YCbCr, 2 YCCK.
    pub(crate) adobe: Option<u8>,
    pub(crate) jfif: bool,
    /// The TIFF structure of an Exif APP1 segment.
    pub(crate) exif: Option<Vec<u8>>,
    /// The code stream without its application and comment segments.
    bare: Vec<u8>,
}

/// Reads the markers up to the first scan.
pub(crate) fn markers(data: &[u8]) -> Result<Markers> {
    let short = || damaged("JPEG", "they end before the first scan");
    let mut m = Markers::default();
    if data.get(..2) != Some(&[0xFF, 0xD8]) {
        return Err(damaged("JPEG", "they do not begin with the start mark FF D8"));
    }
    m.bare.reserve(data.len());
    m.bare.extend_from_slice(&[0xFF, 0xD8]);
    let mut at = 2;
    loop {
        // Any number of FF bytes may stand before a marker.
        while data.get(at) == Some(&0xFF) && data.get(at + 1) == Some(&0xFF) {
            at += 1;
        }
        let (Some(&0xFF), Some(&code)) = (data.get(at), data.get(at + 1)) else { return Err(short()) };
        let length = match data.get(at + 2..at + 4) {
            Some(&[hi, lo]) => usize::from(u16::from_be_bytes([hi, lo])),
            _ => return Err(short()),
        };
        let segment = data.get(at + 4..at + 2 + length.max(2)).ok_or_else(short)?;
        match code {
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF | 0xF7 => start_of_frame(&mut m, code, segment)?,
            0xE0 if segment.starts_with(b"JFIF\0") => m.jfif = true,
            0xE1 if segment.starts_with(b"Exif\0\0") => m.exif = segment.get(6..).map(<[u8]>::to_vec),
            0xEE if segment.starts_with(b"Adobe") => m.adobe = segment.get(11).copied(),
            _ => {}
        }
        let next = at + 2 + length.max(2);
        if code == 0xDA {
            m.bare.extend_from_slice(data.get(at..).unwrap_or_default());
            return if m.process == 0 { Err(short()) } else { Ok(m) };
        }
        if !matches!(code, 0xE0..=0xEF | 0xFE) {
            m.bare.extend_from_slice(data.get(at..next).unwrap_or_default());
        }
        at = next;
    }
}

fn start_of_frame(m: &mut Markers, code: u8, segment: &[u8]) -> Result<()> {
    let &[precision, r1, r0, c1, c0, count, ref rest @ ..] = segment else { return Err(damaged("JPEG", "a short frame header")) };
    if m.process != 0 {
        return Err(damaged("JPEG", "two frame headers"));
    }
    let (triples, _) = rest.as_chunks::<3>();
    if triples.len() != usize::from(count) {
        return Err(damaged("JPEG", "a frame header that contradicts itself"));
    }
    m.process = code;
    m.precision = precision;
    m.rows = u32::from(u16::from_be_bytes([r1, r0]));
    m.columns = u32::from(u16::from_be_bytes([c1, c0]));
    m.components = triples.iter().map(|&[id, sampling, _]| (id, sampling)).collect();
    Ok(())
}

impl Markers {
    /// Whether some component has fewer samples than another, which no RGB picture has.
    fn subsampled(&self) -> bool {
        self.components.iter().any(|c| Some(c.1) != self.components.first().map(|f| f.1))
    }

    /// Whether the three components are brightness and colour differences. `header` is what the file says, if there is
    /// one. The code stream wins where it is explicit: an Adobe segment, or components named R, G and B. Then the
    /// header counts, except that RGB is not believed of a picture that is JFIF or has subsampled components; both are
    /// YCbCr by definition (ITU-T T.871), and writers are known to leave "RGB" standing when they compress.
    pub(crate) fn is_ybr(&self, header: Option<Photometric>) -> bool {
        let named = self.components.iter().map(|c| c.0).eq(*b"RGB");
        match (self.adobe, header) {
            (Some(0), _) => false,
            (Some(_), _) => true,
            (None, _) if named => false,
            (None, Some(Photometric::Rgb)) => self.jfif || self.subsampled(),
            (None, _) => true,
        }
    }
}

/// Decodes one frame and holds it against the file's header.
pub(crate) fn decode(layout: &PixelLayout, data: &[u8]) -> Result<Raw> {
    let m = markers(data)?;
    if (m.rows, m.columns) != (layout.rows, layout.columns) {
        return Err(Error::new(ErrorKind::Format, "the JPEG data and the header disagree about the size")
            .expected(format!("{} × {}", layout.columns, layout.rows))
            .found(format!("{} × {}", m.columns, m.rows)));
    }
    if m.components.len() != layout.photometric.samples() as usize {
        return Err(Error::new(ErrorKind::Format, "the JPEG data and the header disagree about colour")
            .expected(format!("{} components for {}", layout.photometric.samples(), layout.photometric.term()))
            .found(m.components.len().to_string()));
    }
    let photometric = if m.components.len() == 3 { Photometric::Rgb } else { layout.photometric };
    let ybr = m.is_ybr(Some(layout.photometric));
    Ok(Raw { values: Stored::Bytes(samples(&m, ybr)?), photometric })
}

/// Decodes to one or three 8-bit samples a pixel; three are RGB afterwards. `ybr` says what the components are.
pub(crate) fn samples(m: &Markers, ybr: bool) -> Result<Vec<u8>> {
    if m.precision != 8 || !matches!(m.process, 0xC0..=0xC2) {
        return Err(Error::new(ErrorKind::Unsupported, "this kind of JPEG is not read")
            .expected("8 bits, Huffman coded: baseline, extended or progressive")
            .found(format!("{} bits, process FF{:02X}", m.precision, m.process))
            .remedy("Store the file again as Explicit VR Little Endian"));
    }
    let out = match m.components.len() {
        1 => ColorSpace::Luma,
        3 if ybr || m.components.iter().map(|c| c.0).eq(*b"RGB") => ColorSpace::RGB,
        // Asking for YCbCr from what it takes to be YCbCr gives the components as they are.
        3 => ColorSpace::YCbCr,
        n => {
            return Err(Error::new(ErrorKind::Unsupported, "this kind of JPEG is not read")
                .expected("1 or 3 components")
                .found(n.to_string()));
        }
    };
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(m.columns as usize)
        .set_max_height(m.rows as usize)
        .jpeg_set_max_scans(64)
        .jpeg_set_out_colorspace(out);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&m.bare), options);
    decoder.decode().map_err(|e| damaged("JPEG", format!("{e:?}")))
}
