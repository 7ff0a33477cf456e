//! Named look-ups: one function an attribute, each failure naming the attribute.
//!
//! The look-ups stand on `dicom-object`, which decodes numbers, decimal strings and character sets. It is given only
//! what the [walk](super::walk) kept.

use std::panic::{AssertUnwindSafe, catch_unwind};

use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry, VirtualVr};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{StandardDataDictionary, tags};
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries;
use jiff::civil::Date;

use super::syntax::Layout;
use crate::error::{Error, ErrorKind, Result};
use crate::frame::RawRegion;

/// An attribute that is read, and its name in the standard (PS3.6).
#[derive(Clone, Copy, Debug)]
pub struct Attribute(pub Tag, pub &'static str);

macro_rules! attributes {
    ($($id:ident = $tag:ident, $name:literal;)*) => {
        $(
            #[doc = $name]
            pub const $id: Attribute = Attribute(tags::$tag, $name);
        )*
        /// Every attribute that the walk keeps; everything else is passed over unread.
        pub const WANTED: &[Attribute] = &[$($id),*];
    };
}

attributes! {
    CHARACTER_SET = SPECIFIC_CHARACTER_SET, "Specific Character Set";
    IMAGE_TYPE = IMAGE_TYPE, "Image Type";
    SOP_CLASS = SOP_CLASS_UID, "SOP Class UID";
    SOP_INSTANCE = SOP_INSTANCE_UID, "SOP Instance UID";
    STUDY_DATE = STUDY_DATE, "Study Date";
    STUDY_TIME = STUDY_TIME, "Study Time";
    STUDY_ID = STUDY_ID, "Study ID";
    ACCESSION = ACCESSION_NUMBER, "Accession Number";
    ACQUISITION_DATE = ACQUISITION_DATE, "Acquisition Date";
    CONTENT_DATE = CONTENT_DATE, "Content Date";
    MODALITY = MODALITY, "Modality";
    MANUFACTURER = MANUFACTURER, "Manufacturer";
    STATION = STATION_NAME, "Station Name";
    MODEL = MANUFACTURER_MODEL_NAME, "Manufacturer's Model Name";
    DISPLAY_RATE = RECOMMENDED_DISPLAY_FRAME_RATE, "Recommended Display Frame Rate";
    PATIENT_NAME = PATIENT_NAME, "Patient's Name";
    PATIENT_ID = PATIENT_ID, "Patient ID";
    BIRTH_DATE = PATIENT_BIRTH_DATE, "Patient's Birth Date";
    LAST_MENSTRUAL_DATE = LAST_MENSTRUAL_DATE, "Last Menstrual Date";
    CINE_RATE = CINE_RATE, "Cine Rate";
    FRAME_TIME = FRAME_TIME, "Frame Time";
    FRAME_TIME_VECTOR = FRAME_TIME_VECTOR, "Frame Time Vector";
    PRESET = PROCESSING_FUNCTION, "Processing Function";
    SERIAL_NUMBER = DEVICE_SERIAL_NUMBER, "Device Serial Number";
    TRANSDUCER_DATA = TRANSDUCER_DATA, "Transducer Data";
    REGIONS = SEQUENCE_OF_ULTRASOUND_REGIONS, "Sequence of Ultrasound Regions";
    TRANSDUCER_TYPE = TRANSDUCER_TYPE, "Transducer Type";
    STUDY = STUDY_INSTANCE_UID, "Study Instance UID";
    SERIES = SERIES_INSTANCE_UID, "Series Instance UID";
    SAMPLES = SAMPLES_PER_PIXEL, "Samples per Pixel";
    PHOTOMETRIC = PHOTOMETRIC_INTERPRETATION, "Photometric Interpretation";
    PLANAR = PLANAR_CONFIGURATION, "Planar Configuration";
    FRAMES = NUMBER_OF_FRAMES, "Number of Frames";
    ROWS = ROWS, "Rows";
    COLUMNS = COLUMNS, "Columns";
    SPACING = PIXEL_SPACING, "Pixel Spacing";
    ASPECT = PIXEL_ASPECT_RATIO, "Pixel Aspect Ratio";
    ALLOCATED = BITS_ALLOCATED, "Bits Allocated";
    STORED = BITS_STORED, "Bits Stored";
    HIGH = HIGH_BIT, "High Bit";
    REPRESENTATION = PIXEL_REPRESENTATION, "Pixel Representation";
    BURNED_IN = BURNED_IN_ANNOTATION, "Burned In Annotation";
    IDENTITY_REMOVED = PATIENT_IDENTITY_REMOVED, "Patient Identity Removed";
    RED_DESCRIPTOR = RED_PALETTE_COLOR_LOOKUP_TABLE_DESCRIPTOR, "Red Palette Color Lookup Table Descriptor";
    GREEN_DESCRIPTOR = GREEN_PALETTE_COLOR_LOOKUP_TABLE_DESCRIPTOR, "Green Palette Color Lookup Table Descriptor";
    BLUE_DESCRIPTOR = BLUE_PALETTE_COLOR_LOOKUP_TABLE_DESCRIPTOR, "Blue Palette Color Lookup Table Descriptor";
    RED_TABLE = RED_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Red Palette Color Lookup Table Data";
    GREEN_TABLE = GREEN_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Green Palette Color Lookup Table Data";
    BLUE_TABLE = BLUE_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Blue Palette Color Lookup Table Data";
    RED_SEGMENTS = SEGMENTED_RED_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Segmented Red Palette Color Lookup Table Data";
    GREEN_SEGMENTS = SEGMENTED_GREEN_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Segmented Green Palette Color Lookup Table Data";
    BLUE_SEGMENTS = SEGMENTED_BLUE_PALETTE_COLOR_LOOKUP_TABLE_DATA, "Segmented Blue Palette Color Lookup Table Data";
    EXTENDED_OFFSETS = EXTENDED_OFFSET_TABLE, "Extended Offset Table";
}

/// Whether the walk keeps this element.
#[must_use]
pub fn is_wanted(tag: Tag) -> bool {
    WANTED.iter().any(|a| a.0 == tag)
}

/// What a structured report consists of (PS3.3 A.35.3), besides the patient, study and series.
const REPORT: [Tag; 19] = [
    tags::TIMEZONE_OFFSET_FROM_UTC,
    tags::CONTENT_TIME,
    tags::SOFTWARE_VERSIONS,
    tags::PATIENT_IDENTITY_REMOVED,
    tags::SERIES_NUMBER,
    tags::INSTANCE_NUMBER,
    tags::CODING_SCHEME_IDENTIFICATION_SEQUENCE,
    tags::COMPLETION_FLAG,
    tags::VERIFICATION_FLAG,
    tags::PRELIMINARY_FLAG,
    tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE,
    tags::PERTINENT_OTHER_EVIDENCE_SEQUENCE,
    tags::RELATIONSHIP_TYPE,
    tags::VALUE_TYPE,
    tags::CONCEPT_NAME_CODE_SEQUENCE,
    tags::CONTINUITY_OF_CONTENT,
    tags::CONTENT_TEMPLATE_SEQUENCE,
    tags::CONTENT_SEQUENCE,
    tags::INSTITUTION_NAME,
];

/// Whether the walk keeps this element of a structured report.
#[must_use]
pub fn is_of_report(tag: Tag) -> bool {
    let of_any = [CHARACTER_SET, SOP_CLASS, SOP_INSTANCE, STUDY_DATE, CONTENT_DATE, MODALITY, MANUFACTURER, MODEL, PATIENT_NAME];
    let more = [PATIENT_ID, BIRTH_DATE, STUDY, SERIES, STUDY_TIME, STUDY_ID, ACCESSION];
    REPORT.contains(&tag) || of_any.iter().chain(&more).any(|a| a.0 == tag)
}

/// Whether this element is a sequence by the data dictionary, for files that do not state it.
#[must_use]
pub fn is_sequence(tag: Tag) -> bool {
    StandardDataDictionary.by_tag(tag).is_some_and(|e| matches!(e.vr(), VirtualVr::Exact(VR::SQ)))
}

/// Bytes of one value of this element: by the VR that the file states, else by the data dictionary. 1 for text and bytes.
///
/// `dicom-object` reads as many whole values as fit and does not pass over the rest, so that an element whose length is no
/// multiple of this would make it read what follows from the wrong place, and believe what it finds there.
#[must_use]
pub fn value_bytes(tag: Tag, stated: Option<[u8; 2]>) -> u64 {
    let stated = stated.and_then(VR::from_binary);
    match stated.or_else(|| StandardDataDictionary.by_tag(tag).map(|e| e.vr().relaxed())) {
        Some(VR::FD | VR::OD | VR::OV | VR::SV | VR::UV) => 8,
        Some(VR::AT | VR::FL | VR::OF | VR::OL | VR::SL | VR::UL) => 4,
        Some(VR::OW | VR::SS | VR::US) => 2,
        _ => 1,
    }
}

/// Decodes what the walk kept.
///
/// # Errors
/// `Format` when `dicom-object` cannot read it.
pub fn decode(kept: &[u8], layout: Layout) -> Result<InMemDicomObject> {
    let syntax = match (layout.explicit_vr, layout.big_endian) {
        (false, _) => entries::IMPLICIT_VR_LITTLE_ENDIAN.erased(),
        (true, false) => entries::EXPLICIT_VR_LITTLE_ENDIAN.erased(),
        (true, true) => entries::EXPLICIT_VR_BIG_ENDIAN.erased(),
    };
    let failed = || Error::new(ErrorKind::Format, "the header cannot be decoded").remedy("The file is damaged: fetch it again");
    match catch_unwind(AssertUnwindSafe(|| InMemDicomObject::read_dataset_with_ts(kept, &syntax))) {
        Ok(Ok(object)) => Ok(object),
        // The reader's message may quote a value; only what kind of failure it is goes on.
        Ok(Err(_)) | Err(_) => Err(failed()),
    }
}

/// The wanted elements of one header.
#[derive(Debug)]
pub struct Attributes(InMemDicomObject);

impl Attributes {
    /// Decodes what the walk kept.
    ///
    /// # Errors
    /// `Format` when `dicom-object` cannot read it.
    pub fn decode(kept: &[u8], layout: Layout) -> Result<Self> {
        decode(kept, layout).map(Self)
    }
    /// Whether the element is there, with or without a value.
    #[must_use]
    pub fn is_present(&self, a: Attribute) -> bool {
        self.0.get(a.0).is_some()
    }

    /// Text without padding; `None` when absent or empty. At most 1 024 characters are kept.
    #[must_use]
    pub fn text(&self, a: Attribute) -> Option<String> {
        let text = self.0.get(a.0)?.to_str().ok()?;
        let text = text.trim_matches([' ', '\0']);
        if text.is_empty() { None } else { Some(text.chars().filter(|c| !c.is_control()).take(1024).collect()) }
    }

    /// The values of a text attribute, without padding.
    #[must_use]
    pub fn texts(&self, a: Attribute) -> Vec<String> {
        let all = self.0.get(a.0).and_then(|e| e.to_multi_str().ok().map(|v| v.to_vec())).unwrap_or_default();
        all.iter().map(|s| s.trim_matches([' ', '\0']).to_owned()).take(64).collect()
    }

    /// A calendar date, `YYYYMMDD` or the older `YYYY.MM.DD`.
    ///
    /// # Errors
    /// `Format` naming the attribute (not its value) when it is there and not a date.
    pub fn date(&self, a: Attribute) -> Result<Option<Date>> {
        let Some(text) = self.text(a) else { return Ok(None) };
        let digits: String = if text.len() == 10 { text.split('.').collect() } else { text };
        let date =
            if digits.len() == 8 && digits.bytes().all(|b| b.is_ascii_digit()) { Date::strptime("%Y%m%d", &digits).ok() } else { None };
        date.map(Some).ok_or_else(|| bad(a, "a date YYYYMMDD", "something else"))
    }

    /// A whole number from 0 to 2³² − 1, binary or an integer string.
    ///
    /// # Errors
    /// `Format` naming the attribute when it is there and not one such number.
    pub fn whole(&self, a: Attribute) -> Result<Option<u32>> {
        whole_in(&self.0, a)
    }

    /// As [`whole`](Self::whole), for an attribute that must be there.
    ///
    /// # Errors
    /// `Format` naming the attribute when it is absent or not one such number.
    pub fn required(&self, a: Attribute) -> Result<u32> {
        self.whole(a)?.ok_or_else(|| bad(a, "a value", "none"))
    }

    /// Decimal numbers, binary or decimal strings; empty when absent.
    ///
    /// # Errors
    /// `Format` naming the attribute when a value is not a finite number.
    pub fn decimals(&self, a: Attribute) -> Result<Vec<f64>> {
        decimals_in(&self.0, a)
    }

    /// Whole numbers of a multi-valued binary attribute as 16-bit words, as stored; empty when absent.
    ///
    /// # Errors
    /// `Format` naming the attribute when it does not consist of 16-bit numbers.
    pub fn words(&self, a: Attribute) -> Result<Vec<u16>> {
        use dicom_core::value::{PrimitiveValue as P, Value};
        let Some(element) = self.0.get(a.0) else { return Ok(Vec::new()) };
        match element.value() {
            Value::Primitive(P::U16(v)) => Ok(v.to_vec()),
            Value::Primitive(P::I16(v)) => Ok(v.iter().map(|x| x.cast_unsigned()).collect()),
            // OB, or UN: bytes as stored. Whoever asks knows from the length what they mean.
            Value::Primitive(P::U8(v)) => Ok(v.as_chunks::<2>().0.iter().map(|c| u16::from_le_bytes(*c)).collect()),
            Value::Primitive(P::Empty) => Ok(Vec::new()),
            _ => Err(bad(a, "16-bit numbers", "another kind of value")),
        }
    }

    /// The Extended Offset Table (7FE0,0001), if there is one.
    ///
    /// # Errors
    /// `Format` naming the attribute when it is not a list of 64-bit numbers.
    pub fn extended_offsets(&self) -> Result<Option<Vec<u64>>> {
        use dicom_core::value::{PrimitiveValue as P, Value};
        let Some(element) = self.0.get(EXTENDED_OFFSETS.0) else { return Ok(None) };
        match element.value() {
            Value::Primitive(P::U64(v)) => Ok(Some(v.to_vec())),
            Value::Primitive(P::U8(v)) if v.len() % 8 == 0 => {
                Ok(Some(v.as_chunks::<8>().0.iter().map(|c| u64::from_le_bytes(*c)).collect()))
            }
            Value::Primitive(P::Empty) => Ok(None),
            _ => Err(bad(EXTENDED_OFFSETS, "64-bit numbers", "another kind of value")),
        }
    }

    /// Pixel Spacing (0028,0030): row spacing, column spacing, mm.
    ///
    /// # Errors
    /// `Format` naming the attribute when it is there and not two finite numbers.
    pub fn pixel_spacing(&self) -> Result<Option<[f64; 2]>> {
        match *self.decimals(SPACING)?.as_slice() {
            [] => Ok(None),
            [row, column] => Ok(Some([row, column])),
            ref other => Err(bad(SPACING, "two numbers", &other.len().to_string())),
        }
    }

    /// Pixel Aspect Ratio (0028,0034): vertical, horizontal.
    ///
    /// # Errors
    /// `Format` naming the attribute when it is there and not two whole numbers above 0.
    pub fn pixel_aspect(&self) -> Result<Option<[u32; 2]>> {
        let number = |x: f64| if x >= 1.0 && x <= f64::from(u32::MAX) && x.fract() == 0.0 { Some(x as u32) } else { None };
        match *self.decimals(ASPECT)?.as_slice() {
            [] => Ok(None),
            [v, h] => match (number(v), number(h)) {
                (Some(v), Some(h)) => Ok(Some([v, h])),
                _ => Err(bad(ASPECT, "two whole numbers above 0", &format!("{v}\\{h}"))),
            },
            ref other => Err(bad(ASPECT, "two numbers", &other.len().to_string())),
        }
    }

    /// The items of Sequence of Ultrasound Regions (0018,6011), as stored; empty when absent.
    ///
    /// # Errors
    /// `Format` naming the attribute when one of an item's attributes is not the number it should be.
    pub fn regions(&self) -> Result<Vec<RawRegion>> {
        let Some(element) = self.0.get(REGIONS.0) else { return Ok(Vec::new()) };
        let Some(items) = element.value().items() else {
            return if element.value().primitive().is_some_and(|p| p.calculate_byte_len() == 0) {
                Ok(Vec::new())
            } else {
                Err(bad(REGIONS, "a sequence", "another kind of value"))
            };
        };
        items.iter().map(region).collect()
    }
}

fn region(item: &InMemDicomObject) -> Result<RawRegion> {
    let small = |tag, name| whole_in(item, Attribute(tag, name))?.map(|x| narrow(Attribute(tag, name), x)).transpose();
    let whole = |tag, name| whole_in(item, Attribute(tag, name));
    let decimal = |tag, name| match *decimals_in(item, Attribute(tag, name))?.as_slice() {
        [] => Ok(None),
        [x] => Ok(Some(x)),
        ref other => Err(bad(Attribute(tag, name), "one number", &other.len().to_string())),
    };
    Ok(RawRegion {
        spatial_format: small(tags::REGION_SPATIAL_FORMAT, "Region Spatial Format")?,
        data_type: small(tags::REGION_DATA_TYPE, "Region Data Type")?,
        flags: whole(tags::REGION_FLAGS, "Region Flags")?,
        min_x0: whole(tags::REGION_LOCATION_MIN_X0, "Region Location Min X0")?,
        min_y0: whole(tags::REGION_LOCATION_MIN_Y0, "Region Location Min Y0")?,
        max_x1: whole(tags::REGION_LOCATION_MAX_X1, "Region Location Max X1")?,
        max_y1: whole(tags::REGION_LOCATION_MAX_Y1, "Region Location Max Y1")?,
        units_x: small(tags::PHYSICAL_UNITS_X_DIRECTION, "Physical Units X Direction")?,
        units_y: small(tags::PHYSICAL_UNITS_Y_DIRECTION, "Physical Units Y Direction")?,
        delta_x: decimal(tags::PHYSICAL_DELTA_X, "Physical Delta X")?,
        delta_y: decimal(tags::PHYSICAL_DELTA_Y, "Physical Delta Y")?,
    })
}

fn narrow(a: Attribute, x: u32) -> Result<u16> {
    u16::try_from(x).map_err(|_| bad(a, "a number below 65536", &x.to_string()))
}

fn whole_in(object: &InMemDicomObject, a: Attribute) -> Result<Option<u32>> {
    let Some(element) = object.get(a.0) else { return Ok(None) };
    let Some(value) = element.value().primitive() else { return Err(bad(a, "a whole number", "a sequence")) };
    if value.calculate_byte_len() == 0 || value.to_str().trim_matches([' ', '\0']).is_empty() {
        return Ok(None);
    }
    if value.multiplicity() != 1 {
        return Err(bad(a, "one whole number", &format!("{} values", value.multiplicity())));
    }
    value.to_int::<u32>().map(Some).map_err(|_| bad(a, "a whole number from 0 to 4294967295", &brief(&value.to_str())))
}

fn decimals_in(object: &InMemDicomObject, a: Attribute) -> Result<Vec<f64>> {
    let Some(element) = object.get(a.0) else { return Ok(Vec::new()) };
    let Some(value) = element.value().primitive() else { return Err(bad(a, "numbers", "a sequence")) };
    if value.calculate_byte_len() == 0 || value.to_str().trim_matches([' ', '\0']).is_empty() {
        return Ok(Vec::new());
    }
    let numbers = value.to_multi_float64().map_err(|_| bad(a, "numbers", &brief(&value.to_str())))?;
    if numbers.iter().any(|x| !x.is_finite()) {
        return Err(bad(a, "finite numbers", &brief(&value.to_str())));
    }
    Ok(numbers)
}

fn brief(text: &str) -> String {
    format!("\"{}\"", text.chars().filter(|c| !c.is_control()).take(40).collect::<String>())
}

/// A failure that names the attribute.
#[must_use]
pub fn bad(a: Attribute, expected: &str, found: &str) -> Error {
    Error::new(ErrorKind::Format, format!("{} {}", a.1, a.0)).expected(expected).found(found)
}
