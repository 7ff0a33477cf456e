//! A DICOM file: its header turned into facts and geometry, and the bytes of one frame fetched by seeking.

use std::io::{Read, Seek};
use std::sync::OnceLock;

use dicom_core::dictionary::{UidDictionary, UidDictionaryEntry};
use dicom_dictionary_std::StandardSopClassDictionary;
use jiff::civil::Date;

use super::decode;
use super::{Facts, Identity, Kind, StudyFacts, identity};
use crate::dicom::attributes::{self as at, Attribute, Attributes};
use crate::dicom::fragments::FrameIndex;
use crate::dicom::image::{Photometric, PixelLayout};
use crate::dicom::source::{Inflating, Plain, Source};
use crate::dicom::syntax::{Coding, Syntax};
use crate::dicom::walk::{self, PixelData, read_failed};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Geometry, Samples};

/// What is kept of an opened DICOM file.
#[derive(Debug)]
pub(super) struct ImageFile {
    syntax: Syntax,
    data_set: u64,
    inflated: Option<u64>,
    pixel_data: PixelData,
    layout: PixelLayout,
    extended: Option<Vec<u64>>,
    index: OnceLock<FrameIndex>,
}

/// An opened DICOM file and what it says.
pub(super) struct Opened {
    pub(super) file: ImageFile,
    pub(super) geometry: Geometry,
    pub(super) facts: Facts,
    pub(super) warnings: Vec<String>,
}

/// Reads the header. Pixel data are not read, but native ones must be as long as the header says, and a file of one
/// frame is asked at once whether it holds more pictures than that.
pub(super) fn open<R: Read + Seek>(mut reader: R) -> Result<Opened> {
    let header = walk::walk(&mut reader)?;
    let mut warnings = header.warnings;
    let a = Attributes::decode(&header.kept, header.syntax.layout)?;
    let facts = facts(&a, &header.syntax, &mut warnings);
    let Some(pixel_data) = header.pixel_data else { return Err(no_pixels(&facts)) };
    if facts.modality.as_deref().is_some_and(|m| m != "US") {
        warnings.push(format!("the modality is {}, not US (ultrasound)", facts.modality.as_deref().unwrap_or_default()));
    }
    decode::check(&header.syntax)?;
    let mut layout = PixelLayout::read(&a)?;
    warnings.append(&mut layout.warnings);
    check_pixel_data(&header.syntax, &pixel_data, &mut layout, &mut warnings)?;
    let geometry = Geometry {
        rows: layout.rows,
        columns: layout.columns,
        regions: a.regions()?,
        pixel_spacing_row_column: a.pixel_spacing()?,
        pixel_aspect_vertical_horizontal: a.pixel_aspect()?,
    };
    let extended = a.extended_offsets()?;
    let file = ImageFile {
        syntax: header.syntax,
        data_set: header.data_set,
        inflated: header.inflated,
        pixel_data,
        layout,
        extended,
        index: OnceLock::new(),
    };
    if pixel_data.length.is_none() && file.layout.frames == 1 {
        let mut source = Plain::new(reader, pixel_data.offset).map_err(read_failed)?;
        warnings.extend(file.index(&mut source)?.warnings.iter().cloned());
    }
    Ok(Opened { file, geometry, facts, warnings })
}

fn no_pixels(facts: &Facts) -> Error {
    let class = facts.sop_class_uid.as_deref().unwrap_or("");
    let name = StandardSopClassDictionary.by_uid(class).map_or(class, |e| e.name());
    let e = Error::new(ErrorKind::Unsupported, "the file holds no image").expected("Pixel Data (7FE0,0010)");
    if name.is_empty() { e } else { e.found(name) }
}

/// Holds the length of native pixel data against the layout.
fn check_pixel_data(syntax: &Syntax, data: &PixelData, layout: &mut PixelLayout, warnings: &mut Vec<String>) -> Result<()> {
    let what = "Pixel Data (7FE0,0010)";
    let Some(length) = data.length else {
        return if syntax.coding == Coding::Native {
            Err(Error::new(ErrorKind::Format, what).expected(format!("a defined length, as {} has", syntax.name)).found("fragments"))
        } else {
            Ok(())
        };
    };
    if syntax.coding != Coding::Native {
        return Err(Error::new(ErrorKind::Format, what).expected(format!("fragments, as {} has", syntax.name)).found("a defined length"));
    }
    let frames = u64::from(layout.frames);
    if layout.photometric == Photometric::YbrFull422 {
        let full = frames * u64::from(layout.rows) * u64::from(layout.columns) * 3;
        if length == full || length == full + full % 2 {
            warnings.push("Photometric Interpretation says YBR_FULL_422 and the data are as long as YBR_FULL; they are read so".into());
            layout.photometric = Photometric::YbrFull;
        } else if !layout.columns.is_multiple_of(2) {
            return Err(Error::new(ErrorKind::Unsupported, "uncompressed YBR_FULL_422 with an odd number of columns is not read"));
        } else if layout.planar {
            return Err(Error::new(ErrorKind::Format, "Planar Configuration (0028,0006)").expected("0 for YBR_FULL_422").found("1"));
        }
    }
    let expected = frames * layout.native_frame_bytes();
    if length < expected {
        return Err(Error::new(ErrorKind::Format, what)
            .expected(format!("{expected} bytes for {frames} frames of {} × {}", layout.columns, layout.rows))
            .found(format!("{length}"))
            .remedy("The file is cut short: fetch it again"));
    }
    if length > expected + 1 {
        warnings.push(format!("Pixel Data are {} bytes longer than their frames", length - expected));
    }
    Ok(())
}

fn facts(a: &Attributes, syntax: &Syntax, warnings: &mut Vec<String>) -> Facts {
    let mut date = |which: Attribute| -> Option<Date> {
        a.date(which).unwrap_or_else(|e| {
            warnings.push(e.message());
            None
        })
    };
    let birth_date = date(at::BIRTH_DATE);
    let exam_date = [at::ACQUISITION_DATE, at::CONTENT_DATE, at::STUDY_DATE].into_iter().find_map(&mut date);
    let last_menstrual_date = date(at::LAST_MENSTRUAL_DATE);
    let mut decimals = |which: Attribute| {
        a.decimals(which).unwrap_or_else(|e| {
            warnings.push(e.message());
            Vec::new()
        })
    };
    let positive = |v: Vec<f64>| v.first().copied().filter(|x| *x > 0.0);
    let frame_time_ms = positive(decimals(at::FRAME_TIME));
    let frame_time_vector_ms = decimals(at::FRAME_TIME_VECTOR);
    let cine_rate = positive(decimals(at::CINE_RATE)).or_else(|| positive(decimals(at::DISPLAY_RATE)));
    Facts {
        patient: Identity { name: a.text(at::PATIENT_NAME), number: a.text(at::PATIENT_ID), birth_date },
        study: StudyFacts {
            date: a.text(at::STUDY_DATE),
            time: a.text(at::STUDY_TIME),
            id: a.text(at::STUDY_ID),
            accession: a.text(at::ACCESSION),
        },
        study_instance_uid: a.text(at::STUDY),
        series_instance_uid: a.text(at::SERIES),
        sop_class_uid: a.text(at::SOP_CLASS),
        sop_instance_uid: a.text(at::SOP_INSTANCE),
        modality: a.text(at::MODALITY),
        exam_date,
        manufacturer: a.text(at::MANUFACTURER),
        model: a.text(at::MODEL),
        station: a.text(at::STATION),
        serial_number: a.text(at::SERIAL_NUMBER),
        preset: a.text(at::PRESET),
        transfer_syntax_uid: syntax.uid.to_owned(),
        transfer_syntax_name: syntax.name.to_owned(),
        photometric: a.text(at::PHOTOMETRIC),
        image_type: a.texts(at::IMAGE_TYPE),
        transducer_type: a.text(at::TRANSDUCER_TYPE),
        transducer_data: a.texts(at::TRANSDUCER_DATA),
        frame_time_ms,
        frame_time_vector_ms,
        cine_rate,
        last_menstrual_date,
        burned_in: yes_or_no(a.text(at::BURNED_IN)),
        identity_removed: yes_or_no(a.text(at::IDENTITY_REMOVED)),
        ..Facts::empty(Kind::Dicom)
    }
}

/// A value that the standard allows to be YES or NO.
fn yes_or_no(text: Option<String>) -> Option<bool> {
    match text.as_deref() {
        Some("YES") => Some(true),
        Some("NO") => Some(false),
        _ => None,
    }
}

impl ImageFile {
    pub(super) fn frame_count(&self) -> u32 {
        self.layout.frames
    }

    /// Samples and digest of frame `number`, from 1. `reader` is the same file again.
    pub(super) fn frame<R: Read + Seek>(&self, number: u32, geometry: &Geometry, reader: R) -> Result<(Samples, String)> {
        let stored = match self.inflated {
            None => {
                let source = Plain::new(reader, self.pixel_data.offset).map_err(read_failed)?;
                self.stored(number, source, |s, to| s.restart(to))?
            }
            Some(end) => {
                let source = Inflating::with_length(reader, self.data_set, end).map_err(read_failed)?;
                // Only native data are ever deflated, so a frame is reached by going forwards once.
                let forwards = |to: u64, at: u64| to.checked_sub(at).ok_or(std::io::Error::from(std::io::ErrorKind::InvalidInput));
                self.stored(number, source, |s, to| s.skip(forwards(to, s.position())?))?
            }
        };
        let digest = identity::dicom(self.syntax.uid, &self.layout, geometry, &stored);
        Ok((decode::frame(&self.syntax, &self.layout, stored)?, digest))
    }

    /// The stored bytes of a frame. `go` moves the source to a position, which lies ahead unless the source can go back.
    fn stored<S: Source>(&self, number: u32, mut source: S, go: impl Fn(&mut S, u64) -> std::io::Result<()>) -> Result<Vec<u8>> {
        if self.pixel_data.length.is_some() {
            return self.native(number, &mut source, &go);
        }
        let index = match self.index.get() {
            Some(i) => i,
            None => {
                go(&mut source, self.pixel_data.offset).map_err(read_failed)?;
                self.index(&mut source)?
            }
        };
        let fragments = index.frame(number).ok_or_else(|| Error::new(ErrorKind::Usage, "there is no such frame"))?;
        let mut stored = Vec::new();
        for f in fragments {
            go(&mut source, f.offset).map_err(read_failed)?;
            let from = stored.len();
            // The index has held each length against the file and their sum against the limit.
            stored.resize(from + f.length as usize, 0);
            source.read(stored.get_mut(from..).unwrap_or_default()).map_err(read_failed)?;
        }
        Ok(stored)
    }

    /// Finds where each frame's fragments are; `source` stands at the first byte of Pixel Data's value.
    fn index(&self, source: &mut dyn Source) -> Result<&FrameIndex> {
        let found = FrameIndex::find(source, self.syntax.layout.big_endian, self.layout.frames, self.extended.as_deref())?;
        Ok(self.index.get_or_init(|| found))
    }

    fn native<S: Source>(&self, number: u32, source: &mut S, go: &impl Fn(&mut S, u64) -> std::io::Result<()>) -> Result<Vec<u8>> {
        let bytes = self.layout.native_frame_bytes();
        let start = u64::from(number - 1) * bytes;
        // 8-bit samples in big-endian words are swapped in pairs, and a frame may begin or end inside a pair.
        let swapped = self.syntax.layout.big_endian && self.pixel_data.words && self.layout.allocated == 8;
        let (from, to) = if swapped { (start & !1, (start + bytes).next_multiple_of(2)) } else { (start, start + bytes) };
        let to = to.min(self.pixel_data.length.unwrap_or(to));
        go(source, self.pixel_data.offset + from).map_err(read_failed)?;
        let length = usize::try_from(to - from).map_err(|_| Error::new(ErrorKind::Limit, "the frame is too large"))?;
        let mut stored = vec![0_u8; length];
        source.read(&mut stored).map_err(read_failed)?;
        if swapped {
            stored.as_chunks_mut::<2>().0.iter_mut().for_each(|pair| pair.swap(0, 1));
            stored.drain(..usize::from(start != from));
        }
        stored.truncate(usize::try_from(bytes).unwrap_or(usize::MAX));
        Ok(stored)
    }
}
