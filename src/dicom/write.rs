//! Writes ultrasound objects: US Image and US Multi-frame Image (PS3.3 A.6 and A.7), 8-bit grey, as bytes.
//!
//! Nothing here touches a file. The caller publishes the bytes.

use dicom_core::value::{DataSetSequence, PixelFragmentSequence, PrimitiveValue, Value};
use dicom_core::{DataElement, Length, Tag, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::mem::InMemElement;
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use sha2::{Digest, Sha256};

use crate::error::{Error, ErrorKind, Result};
use crate::frame::RawRegion;

/// Most samples that one object may hold, so that every offset in it fits 32 bits.
const LARGEST: usize = 1 << 30;

/// How the samples of an object are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// As they are, in Explicit VR Little Endian.
    Plain,
    /// In RLE (PS3.5 annex G), without loss.
    Rle,
    /// In JPEG baseline (PS3.5 annex A.4.1), with loss, which the object states.
    Jpeg {
        /// 1 to 100.
        quality: u8,
    },
}

/// The pictures of one object.
#[derive(Clone, Debug, PartialEq)]
pub enum Pictures {
    /// One picture, in a US Image object.
    Single(Vec<u8>),
    /// Several, in time order, in a US Multi-frame Image object.
    Cine {
        /// The pictures.
        frames: Vec<Vec<u8>>,
        /// Time from one to the next, ms; positive.
        frame_time_ms: f64,
    },
}

impl Pictures {
    fn frames(&self) -> &[Vec<u8>] {
        match self {
            Self::Single(frame) => std::slice::from_ref(frame),
            Self::Cine { frames, .. } => frames,
        }
    }
}

/// What an ultrasound object says. Texts are plain; those that may be empty by the standard may be empty here.
#[derive(Clone, Debug, PartialEq)]
pub struct UltrasoundObject {
    /// Patient's Name (0010,0010), in the form family^given.
    pub patient_name: String,
    /// Patient ID (0010,0020).
    pub patient_id: String,
    /// Study Date (0008,0020), YYYYMMDD.
    pub study_date: String,
    /// Study Time (0008,0030), HHMMSS.
    pub study_time: String,
    /// Study Description (0008,1030).
    pub study_description: String,
    /// Study ID (0020,0010).
    pub study_id: String,
    /// Study Instance UID (0020,000D).
    pub study_uid: String,
    /// Series Instance UID (0020,000E).
    pub series_uid: String,
    /// SOP Instance UID (0008,0018).
    pub instance_uid: String,
    /// Series Number (0020,0011).
    pub series_number: u32,
    /// Instance Number (0020,0013).
    pub instance_number: u32,
    /// Manufacturer (0008,0070).
    pub manufacturer: String,
    /// Manufacturer's Model Name (0008,1090).
    pub model: String,
    /// Image Comments (0020,4000); left out when empty.
    pub comments: String,
    /// Rows (0028,0010).
    pub rows: u16,
    /// Columns (0028,0011).
    pub columns: u16,
    /// 8-bit grey samples, row by row.
    pub pictures: Pictures,
    /// How they are stored.
    pub coding: Coding,
    /// The US Region Calibration module; left out when empty.
    pub regions: Vec<RawRegion>,
}

/// Names this program's implementation in files and associations (PS3.7 D.3.3.2): [`uid_from`] of its name.
pub(crate) const IMPLEMENTATION: &str = "2.25.278203134636730930320555521233551535322";
/// The same as a short name.
pub(crate) const IMPLEMENTATION_NAME: &str = "OSSPAN_1";

/// A UID under 2.25 that depends on `seed` alone (PS3.5 B.2: the decimal form of a UUID, here version 8 of RFC 9562
/// made from the SHA-256 of the seed).
#[must_use]
pub fn uid_from(seed: &str) -> String {
    uid_of(seed.as_bytes())
}

/// As [`uid_from`], of bytes.
#[must_use]
pub(crate) fn uid_of(seed: &[u8]) -> String {
    let digest = Sha256::digest(seed);
    let mut bytes = [0_u8; 16];
    bytes.copy_from_slice(&digest[..16]);
    bytes[6] = bytes[6] & 0x0F | 0x80;
    bytes[8] = bytes[8] & 0x3F | 0x80;
    format!("2.25.{}", u128::from_be_bytes(bytes))
}

impl UltrasoundObject {
    /// The object as a DICOM file.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when a picture is not rows × columns, there is none, a required text is empty, or a value
    /// cannot be stored.
    pub fn to_bytes(&self) -> Result<Vec<u8>> {
        self.check()?;
        let class = match &self.pictures {
            Pictures::Single(_) => uids::ULTRASOUND_IMAGE_STORAGE,
            Pictures::Cine { .. } => uids::ULTRASOUND_MULTI_FRAME_IMAGE_STORAGE,
        };
        let syntax = match self.coding {
            Coding::Plain => uids::EXPLICIT_VR_LITTLE_ENDIAN,
            Coding::Rle => uids::RLE_LOSSLESS,
            Coding::Jpeg { .. } => uids::JPEG_BASELINE8_BIT,
        };
        let mut object = InMemDicomObject::from_element_iter(self.elements(class));
        self.put_pictures(&mut object)?;
        to_file(object, syntax)
    }

    fn check(&self) -> Result<()> {
        let fault = |what: &str, expected: String, found: String| {
            Err(Error::new(ErrorKind::Invalid, format!("the ultrasound object cannot be written: {what}")).expected(expected).found(found))
        };
        let size = usize::from(self.rows) * usize::from(self.columns);
        let frames = self.pictures.frames();
        if let Pictures::Cine { frame_time_ms, .. } = &self.pictures
            && !(frame_time_ms.is_finite() && *frame_time_ms > 0.0)
        {
            return fault("frame time", "a positive number of milliseconds".into(), frame_time_ms.to_string());
        }
        if let Coding::Jpeg { quality } = self.coding
            && !(1..=100).contains(&quality)
        {
            return fault("JPEG quality", "1 to 100".into(), quality.to_string());
        }
        if size == 0 || frames.is_empty() {
            return fault("pictures", "one or more, of at least one pixel".into(), format!("{} of {size} px", frames.len()));
        }
        if let Some(bad) = frames.iter().find(|f| f.len() != size) {
            return fault("picture size", format!("{size} samples"), bad.len().to_string());
        }
        if frames.len().saturating_mul(size) > LARGEST {
            return fault("picture size", format!("at most {LARGEST} samples in all"), frames.len().saturating_mul(size).to_string());
        }
        let digits = |s: &str, n: usize| s.is_empty() || s.len() == n && s.bytes().all(|b| b.is_ascii_digit());
        if !digits(&self.study_date, 8) || !digits(&self.study_time, 6) {
            return fault("date and time", "YYYYMMDD and HHMMSS".into(), format!("{} and {}", self.study_date, self.study_time));
        }
        let is_uid = |u: &str| !u.is_empty() && u.len() <= 64 && u.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        if ![&self.study_uid, &self.series_uid, &self.instance_uid].iter().all(|u| is_uid(u)) {
            return fault("UIDs", "digits and dots, 1 to 64 of them".into(), "another text".into());
        }
        Ok(())
    }

    /// Everything but the pictures; the object sorts by tag.
    fn elements(&self, class: &str) -> Vec<InMemElement> {
        let mut e = vec![
            text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192"),
            DataElement::new(tags::IMAGE_TYPE, VR::CS, dicom_value!(Strs, ["ORIGINAL", "PRIMARY", "ENDOVAGINAL", "0001"])),
            text(tags::SOP_CLASS_UID, VR::UI, class),
            text(tags::SOP_INSTANCE_UID, VR::UI, &self.instance_uid),
            text(tags::STUDY_DATE, VR::DA, &self.study_date),
            text(tags::CONTENT_DATE, VR::DA, &self.study_date),
            text(tags::STUDY_TIME, VR::TM, &self.study_time),
            text(tags::CONTENT_TIME, VR::TM, &self.study_time),
            text(tags::ACCESSION_NUMBER, VR::SH, ""),
            text(tags::MODALITY, VR::CS, "US"),
            text(tags::MANUFACTURER, VR::LO, &self.manufacturer),
            text(tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
            text(tags::STUDY_DESCRIPTION, VR::LO, &self.study_description),
            text(tags::MANUFACTURER_MODEL_NAME, VR::LO, &self.model),
            text(tags::PATIENT_NAME, VR::PN, &self.patient_name),
            text(tags::PATIENT_ID, VR::LO, &self.patient_id),
            text(tags::PATIENT_BIRTH_DATE, VR::DA, ""),
            text(tags::PATIENT_SEX, VR::CS, "F"),
            // Not a paired organ, so there is no laterality to state.
            text(tags::BODY_PART_EXAMINED, VR::CS, "UTERUS"),
            text(tags::STUDY_INSTANCE_UID, VR::UI, &self.study_uid),
            text(tags::SERIES_INSTANCE_UID, VR::UI, &self.series_uid),
            text(tags::STUDY_ID, VR::SH, &self.study_id),
            text(tags::SERIES_NUMBER, VR::IS, &self.series_number.to_string()),
            text(tags::INSTANCE_NUMBER, VR::IS, &self.instance_number.to_string()),
            text(tags::PATIENT_ORIENTATION, VR::CS, ""),
            DataElement::new(tags::SAMPLES_PER_PIXEL, VR::US, dicom_value!(U16, 1)),
            text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2"),
            DataElement::new(tags::ROWS, VR::US, dicom_value!(U16, self.rows)),
            DataElement::new(tags::COLUMNS, VR::US, dicom_value!(U16, self.columns)),
            DataElement::new(tags::BITS_ALLOCATED, VR::US, dicom_value!(U16, 8)),
            DataElement::new(tags::BITS_STORED, VR::US, dicom_value!(U16, 8)),
            DataElement::new(tags::HIGH_BIT, VR::US, dicom_value!(U16, 7)),
            DataElement::new(tags::PIXEL_REPRESENTATION, VR::US, dicom_value!(U16, 0)),
            text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO"),
            text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, if matches!(self.coding, Coding::Jpeg { .. }) { "01" } else { "00" }),
        ];
        if !self.comments.is_empty() {
            e.push(text(tags::IMAGE_COMMENTS, VR::LT, &self.comments));
        }
        if !self.regions.is_empty() {
            let items: Vec<InMemDicomObject> = self.regions.iter().map(region).collect();
            e.push(sequence(tags::SEQUENCE_OF_ULTRASOUND_REGIONS, items));
        }
        e
    }

    fn put_pictures(&self, object: &mut InMemDicomObject) -> Result<()> {
        let frames = self.pictures.frames();
        if let Pictures::Cine { frame_time_ms, .. } = &self.pictures {
            object.put(text(tags::NUMBER_OF_FRAMES, VR::IS, &frames.len().to_string()));
            object.put(text(tags::FRAME_TIME, VR::DS, &format!("{frame_time_ms:.3}")));
            object.put(DataElement::new(tags::FRAME_INCREMENT_POINTER, VR::AT, dicom_value!(Tags, tags::FRAME_TIME)));
        }
        let coded: Vec<Vec<u8>> = match self.coding {
            Coding::Plain => {
                object.put(DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::from(frames.concat())));
                return Ok(());
            }
            Coding::Rle => frames.iter().map(|f| rle_frame(f, usize::from(self.columns))).collect(),
            Coding::Jpeg { quality } => {
                let coded = frames.iter().map(|f| self.jpeg_frame(f, quality)).collect::<Result<Vec<_>>>()?;
                let (before, after): (usize, usize) = (frames.iter().map(Vec::len).sum(), coded.iter().map(Vec::len).sum());
                object.put(text(tags::LOSSY_IMAGE_COMPRESSION_RATIO, VR::DS, &format!("{:.2}", before as f64 / after as f64)));
                object.put(text(tags::LOSSY_IMAGE_COMPRESSION_METHOD, VR::CS, "ISO_10918_1"));
                coded
            }
        };
        let mut offsets = Vec::new();
        let mut next = 0_u64;
        for f in &coded {
            offsets.push(u32::try_from(next).map_err(cannot)?);
            // Item tag and length stand before each fragment.
            next += 8 + f.len() as u64;
        }
        object.put(DataElement::new(tags::PIXEL_DATA, VR::OB, Value::from(PixelFragmentSequence::new(offsets, coded))));
        Ok(())
    }

    /// One frame in JPEG baseline, padded to an even length after its end marker.
    fn jpeg_frame(&self, samples: &[u8], quality: u8) -> Result<Vec<u8>> {
        let mut out = Vec::new();
        JpegEncoder::new_with_quality(&mut out, quality)
            .encode(samples, self.columns.into(), self.rows.into(), ExtendedColorType::L8)
            .map_err(cannot)?;
        if out.len() % 2 == 1 {
            out.push(0);
        }
        Ok(out)
    }
}

/// One item of the Sequence of Ultrasound Regions.
pub(crate) fn region(r: &RawRegion) -> InMemDicomObject {
    let short = |tag, v: Option<u16>| v.map(|v| DataElement::new(tag, VR::US, dicom_value!(U16, v)));
    let long = |tag, v: Option<u32>| v.map(|v| DataElement::new(tag, VR::UL, dicom_value!(U32, v)));
    let real = |tag, v: Option<f64>| v.map(|v| DataElement::new(tag, VR::FD, dicom_value!(F64, v)));
    InMemDicomObject::from_element_iter(
        [
            short(tags::REGION_SPATIAL_FORMAT, r.spatial_format),
            short(tags::REGION_DATA_TYPE, r.data_type),
            long(tags::REGION_FLAGS, r.flags),
            long(tags::REGION_LOCATION_MIN_X0, r.min_x0),
            long(tags::REGION_LOCATION_MIN_Y0, r.min_y0),
            long(tags::REGION_LOCATION_MAX_X1, r.max_x1),
            long(tags::REGION_LOCATION_MAX_Y1, r.max_y1),
            short(tags::PHYSICAL_UNITS_X_DIRECTION, r.units_x),
            short(tags::PHYSICAL_UNITS_Y_DIRECTION, r.units_y),
            real(tags::PHYSICAL_DELTA_X, r.delta_x),
            real(tags::PHYSICAL_DELTA_Y, r.delta_y),
        ]
        .into_iter()
        .flatten(),
    )
}

/// An object as a DICOM file in `syntax`, with this program as its writer.
pub(crate) fn to_file(object: InMemDicomObject, syntax: &str) -> Result<Vec<u8>> {
    // Named here, so that the bytes do not change with the version of a library.
    let meta = FileMetaTableBuilder::new()
        .transfer_syntax(syntax)
        .implementation_class_uid(IMPLEMENTATION)
        .implementation_version_name(IMPLEMENTATION_NAME);
    let mut out = Vec::new();
    object.with_meta(meta).map_err(cannot)?.write_all(&mut out).map_err(cannot)?;
    Ok(out)
}

/// A sequence of these items.
pub(crate) fn sequence(tag: Tag, items: Vec<InMemDicomObject>) -> InMemElement {
    DataElement::new(tag, VR::SQ, Value::from(DataSetSequence::new(items, Length::UNDEFINED)))
}

/// An element with one text, empty where the text is.
pub(crate) fn text(tag: Tag, vr: VR, value: &str) -> InMemElement {
    DataElement::new(tag, vr, if value.is_empty() { PrimitiveValue::Empty } else { PrimitiveValue::from(value) })
}

fn cannot(e: impl std::error::Error + Send + Sync + 'static) -> Error {
    Error::new(ErrorKind::Invalid, "the object cannot be written").found(e.to_string()).caused_by(e)
}

/// One 8-bit grey frame in RLE: the 64-byte header, then one segment, each row packed by itself (PS3.5 G.3 to G.5).
fn rle_frame(samples: &[u8], columns: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(64 + samples.len());
    out.extend_from_slice(&1_u32.to_le_bytes());
    out.extend_from_slice(&64_u32.to_le_bytes());
    out.resize(64, 0);
    for row in samples.chunks(columns.max(1)) {
        pack_bits(row, &mut out);
    }
    if out.len() % 2 == 1 {
        out.push(0);
    }
    out
}

/// PackBits: a byte n ≤ 127 then n + 1 literal bytes, or a byte 257 − n then one byte that stands for n of them.
fn pack_bits(row: &[u8], out: &mut Vec<u8>) {
    const LONGEST: usize = 128;
    let run_at = |i: usize| row[i..].iter().take(LONGEST).take_while(|&&b| b == row[i]).count();
    let mut i = 0;
    while i < row.len() {
        let run = run_at(i);
        if run >= 3 {
            out.extend_from_slice(&[(257 - run) as u8, row[i]]);
            i += run;
            continue;
        }
        let start = i;
        while i < row.len() && i - start < LONGEST && run_at(i) < 3 {
            i += 1;
        }
        out.push((i - start - 1) as u8);
        out.extend_from_slice(&row[start..i]);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;
    use dicom_object::{DefaultDicomObject, from_reader};

    fn unpack(mut packed: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        while let [n, rest @ ..] = packed {
            match *n {
                n @ 0..=127 => {
                    let (literal, after) = rest.split_at(usize::from(n) + 1);
                    out.extend_from_slice(literal);
                    packed = after;
                }
                128 => packed = rest,
                n => {
                    out.resize(out.len() + 257 - usize::from(n), rest[0]);
                    packed = &rest[1..];
                }
            }
        }
        out
    }

    fn object(pictures: Pictures) -> UltrasoundObject {
        UltrasoundObject {
            patient_name: "Invented^Ada".into(),
            patient_id: "DEMO-0001".into(),
            study_date: "20250506".into(),
            study_time: "101500".into(),
            study_description: "Grössenprüfung".into(),
            study_id: "1".into(),
            study_uid: uid_from("study"),
            series_uid: uid_from("series"),
            instance_uid: uid_from("instance"),
            series_number: 1,
            instance_number: 2,
            manufacturer: "none".into(),
            model: "none".into(),
            comments: String::new(),
            rows: 3,
            columns: 5,
            pictures,
            coding: Coding::Plain,
            regions: vec![RawRegion::of_tissue([0, 1, 4, 2], [0.026_1, 0.021_3])],
        }
    }

    fn reread(o: &UltrasoundObject) -> DefaultDicomObject {
        from_reader(o.to_bytes().unwrap().as_slice()).unwrap()
    }

    const FRAME: [u8; 15] = [0, 0, 0, 0, 0, 1, 2, 3, 4, 5, 9, 9, 0, 0, 255];

    #[test]
    fn a_single_picture_reads_back_with_its_samples_region_and_name() {
        let o = object(Pictures::Single(FRAME.to_vec()));
        let r = reread(&o);
        assert_eq!(r.meta().media_storage_sop_class_uid(), "1.2.840.10008.5.1.4.1.1.6.1");
        assert_eq!(r.meta().media_storage_sop_instance_uid().trim_end_matches('\0'), o.instance_uid);
        assert_eq!(r.element(tags::STUDY_DESCRIPTION).unwrap().to_str().unwrap(), "Grössenprüfung");
        let stored = r.element(tags::PIXEL_DATA).unwrap().to_bytes().unwrap();
        assert_eq!((&stored[..15], stored.len()), (&FRAME[..], 16), "padded to an even length");
        let item = &r.element(tags::SEQUENCE_OF_ULTRASOUND_REGIONS).unwrap().items().unwrap()[0];
        assert_eq!(item.element(tags::PHYSICAL_DELTA_X).unwrap().to_float64().unwrap(), 0.026_1);
        assert_eq!(item.element(tags::PHYSICAL_DELTA_Y).unwrap().to_float64().unwrap(), 0.021_3);
        assert_eq!(item.element(tags::REGION_LOCATION_MIN_Y0).unwrap().to_int::<u32>().unwrap(), 1);
    }

    #[test]
    fn an_rle_cine_reads_back_frame_by_frame_with_true_offsets() {
        let other: Vec<u8> = (0..15).collect();
        let cine = Pictures::Cine { frames: vec![FRAME.to_vec(), other.clone()], frame_time_ms: 40.0 };
        let o = UltrasoundObject { coding: Coding::Rle, ..object(cine) };
        let r = reread(&o);
        assert_eq!(r.meta().transfer_syntax().trim_end_matches('\0'), uids::RLE_LOSSLESS);
        assert_eq!(r.element(tags::NUMBER_OF_FRAMES).unwrap().to_int::<u32>().unwrap(), 2);
        let pixels = r.element(tags::PIXEL_DATA).unwrap().clone();
        let fragments = pixels.fragments().unwrap();
        assert_eq!(fragments.len(), 2);
        for (f, expected) in fragments.iter().zip([FRAME.to_vec(), other]) {
            assert_eq!(f.len() % 2, 0);
            assert_eq!(f[..8], [1, 0, 0, 0, 64, 0, 0, 0]);
            assert_eq!(unpack(&f[64..])[..15], expected);
        }
        let Value::PixelSequence(sequence) = pixels.value() else { panic!("not encapsulated") };
        assert_eq!(sequence.offset_table(), [0, 8 + fragments[0].len() as u32]);
    }

    /// The decoder of the test is another library's.
    #[test]
    fn a_jpeg_reads_back_nearly_and_says_that_it_lost() {
        let smooth: Vec<u8> = (0..64 * 64_u32).map(|i| (i % 64 * 2 + i / 64) as u8).collect();
        let o = UltrasoundObject {
            rows: 64,
            columns: 64,
            coding: Coding::Jpeg { quality: 90 },
            ..object(Pictures::Cine { frames: vec![smooth.clone(), smooth.iter().map(|v| 255 - v).collect()], frame_time_ms: 40.0 })
        };
        let r = reread(&o);
        assert_eq!(r.meta().transfer_syntax().trim_end_matches('\0'), uids::JPEG_BASELINE8_BIT);
        let text = |tag| r.element(tag).unwrap().to_str().unwrap().into_owned();
        assert_eq!(text(tags::LOSSY_IMAGE_COMPRESSION), "01");
        assert_eq!(text(tags::LOSSY_IMAGE_COMPRESSION_METHOD), "ISO_10918_1");
        let pixels = r.element(tags::PIXEL_DATA).unwrap().clone();
        let fragments = pixels.fragments().unwrap();
        let stored: usize = fragments.iter().map(Vec::len).sum();
        let ratio: f64 = text(tags::LOSSY_IMAGE_COMPRESSION_RATIO).parse().unwrap();
        assert!((ratio - 8192.0 / stored as f64).abs() < 0.01 && ratio > 2.0, "{ratio}");
        let decoded = zune_jpeg::JpegDecoder::new(zune_core::bytestream::ZCursor::new(&fragments[0])).decode().unwrap();
        // It gives grey as three equal samples.
        assert_eq!(decoded.len(), 3 * smooth.len());
        assert!(decoded.iter().step_by(3).zip(&smooth).all(|(a, b)| a.abs_diff(*b) <= 4));
    }

    #[test]
    fn packed_rows_unpack_to_themselves() {
        let rows: [Vec<u8>; 6] = [
            vec![7],
            vec![1, 1],
            vec![0; 1000],
            (0..=255).cycle().take(700).collect(),
            [vec![5; 128], vec![5; 129], vec![1, 2, 2, 3, 3, 3]].concat(),
            [vec![1, 2, 3], vec![4; 3], vec![5; 2]].concat(),
        ];
        for row in rows {
            let mut packed = Vec::new();
            pack_bits(&row, &mut packed);
            assert_eq!(unpack(&packed), row);
        }
    }

    #[test]
    fn uids_depend_on_the_seed_alone_and_are_uuids() {
        assert_eq!(uid_from("a"), uid_from("a"));
        assert_ne!(uid_from("a"), uid_from("b"));
        let n: u128 = uid_from("a").strip_prefix("2.25.").unwrap().parse().unwrap();
        assert_eq!((n >> 76 & 0xF, n >> 62 & 3), (8, 2), "version and variant");
    }

    #[test]
    fn what_cannot_be_stored_is_refused() {
        let bad = [
            object(Pictures::Single(vec![0; 14])),
            object(Pictures::Cine { frames: vec![], frame_time_ms: 40.0 }),
            object(Pictures::Cine { frames: vec![vec![0; 15]], frame_time_ms: 0.0 }),
            UltrasoundObject { coding: Coding::Jpeg { quality: 0 }, ..object(Pictures::Single(vec![0; 15])) },
            UltrasoundObject { study_date: "2025-05-06".into(), ..object(Pictures::Single(vec![0; 15])) },
            UltrasoundObject { instance_uid: "x".into(), ..object(Pictures::Single(vec![0; 15])) },
        ];
        for o in bad {
            assert_eq!(o.to_bytes().unwrap_err().kind(), ErrorKind::Invalid);
        }
    }
}
