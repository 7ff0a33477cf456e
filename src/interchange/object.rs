//! The DICOM object of one teaching frame, made anew from a short list of attributes, so that nothing of the original
//! header can come along: PS3.15 Basic Profile, Clean Pixel Data, and dates modified but their distances kept.

use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use dicom_object::mem::InMemElement;
use jiff::civil::Date;

use crate::dicom::write::{region, sequence, text, to_file};
use crate::error::{Error, ErrorKind, Result};
use crate::frame::{Frame, Geometry, Samples};

/// The methods used, from PS3.16 CID 7050.
const METHODS: [(&str, &str); 3] = [
    ("113100", "Basic Application Confidentiality Profile"),
    ("113101", "Clean Pixel Data Option"),
    ("113107", "Retain Longitudinal Temporal Information Modified Dates Option"),
];

/// Values of Image Type (0008,0008) that may stay: the standard's own words for what was examined (PS3.3 C.8.5.6.1.1).
const EXAMINED: [&str; 4] = ["ENDOVAGINAL", "OBSTETRICAL", "GYNECOLOGY", "PELVIC"];

/// What a teaching frame says of itself; all of it made here.
pub(super) struct TeachingObject<'a> {
    pub(super) frame: &'a Frame,
    pub(super) geometry: &'a Geometry,
    pub(super) case: &'a str,
    pub(super) date: Option<Date>,
    pub(super) study_uid: &'a str,
    pub(super) series_uid: &'a str,
    pub(super) instance_uid: &'a str,
    pub(super) number: usize,
    /// Image Type of the original; only the standard's words are taken.
    pub(super) image_type: &'a [String],
    /// Whether the original was compressed with loss, which must be said of every copy.
    pub(super) lossy: bool,
}

impl TeachingObject<'_> {
    /// The object as a DICOM file, US Image Storage, Explicit VR Little Endian.
    pub(super) fn to_bytes(&self) -> Result<Vec<u8>> {
        let mut object = InMemDicomObject::from_element_iter(self.identity());
        for element in self.picture()? {
            object.put(element);
        }
        to_file(object, uids::EXPLICIT_VR_LITTLE_ENDIAN)
    }

    fn identity(&self) -> Vec<InMemElement> {
        let date = self.date.map(|d| d.strftime("%Y%m%d").to_string()).unwrap_or_default();
        let mut image_type = vec!["DERIVED", "PRIMARY"];
        image_type.extend(self.image_type.iter().find_map(|t| EXAMINED.into_iter().find(|e| e == t)));
        let methods: Vec<InMemDicomObject> = METHODS
            .iter()
            .map(|(code, meaning)| {
                InMemDicomObject::from_element_iter([
                    text(tags::CODE_VALUE, VR::SH, code),
                    text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, "DCM"),
                    text(tags::CODE_MEANING, VR::LO, meaning),
                ])
            })
            .collect();
        let mut all = vec![
            DataElement::new(tags::IMAGE_TYPE, VR::CS, PrimitiveValue::Strs(image_type.into_iter().map(String::from).collect())),
            text(tags::SOP_CLASS_UID, VR::UI, uids::ULTRASOUND_IMAGE_STORAGE),
            text(tags::SOP_INSTANCE_UID, VR::UI, self.instance_uid),
            text(tags::STUDY_DATE, VR::DA, &date),
            text(tags::STUDY_TIME, VR::TM, ""),
            text(tags::ACCESSION_NUMBER, VR::SH, ""),
            text(tags::MODALITY, VR::CS, "US"),
            text(tags::MANUFACTURER, VR::LO, ""),
            text(tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
            text(tags::PATIENT_NAME, VR::PN, &format!("{}^TEACHING", self.case)),
            text(tags::PATIENT_ID, VR::LO, self.case),
            text(tags::PATIENT_BIRTH_DATE, VR::DA, ""),
            text(tags::PATIENT_SEX, VR::CS, ""),
            text(tags::PATIENT_IDENTITY_REMOVED, VR::CS, "YES"),
            text(tags::DEIDENTIFICATION_METHOD, VR::LO, "Made anew from listed attributes; pixels approved by a person"),
            sequence(tags::DEIDENTIFICATION_METHOD_CODE_SEQUENCE, methods),
            text(tags::STUDY_INSTANCE_UID, VR::UI, self.study_uid),
            text(tags::SERIES_INSTANCE_UID, VR::UI, self.series_uid),
            text(tags::STUDY_ID, VR::SH, ""),
            text(tags::SERIES_NUMBER, VR::IS, "1"),
            text(tags::INSTANCE_NUMBER, VR::IS, &self.number.to_string()),
            // Needed of a paired organ, and empty where it is not known whether it is one.
            text(tags::LATERALITY, VR::CS, ""),
            text(tags::PATIENT_ORIENTATION, VR::CS, ""),
            text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO"),
            text(tags::LONGITUDINAL_TEMPORAL_INFORMATION_MODIFIED, VR::CS, "MODIFIED"),
        ];
        if self.lossy {
            all.push(text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, "01"));
        }
        all
    }

    fn picture(&self) -> Result<Vec<InMemElement>> {
        let side = |v: u32| {
            u16::try_from(v)
                .map_err(|_| Error::new(ErrorKind::Limit, "the frame is too large").expected("at most 65535 px").found(v.to_string()))
        };
        let short = |tag, v: u16| DataElement::new(tag, VR::US, dicom_value!(U16, v));
        let g = self.geometry;
        let (samples, allocated, stored, photometric, pixels) = match &self.frame.samples {
            Samples::Gray8(d) => (1, 8, 8, "MONOCHROME2", DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::from(d.clone()))),
            Samples::Gray16 { data, max } => {
                let stored = 16 - max.leading_zeros() as u16;
                let value = PrimitiveValue::U16(data.iter().copied().collect());
                (1, 16, stored, "MONOCHROME2", DataElement::new(tags::PIXEL_DATA, VR::OW, value))
            }
            Samples::Rgb8(d) => (3, 8, 8, "RGB", DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::from(d.clone()))),
        };
        let mut all = vec![
            short(tags::SAMPLES_PER_PIXEL, samples),
            text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, photometric),
            short(tags::ROWS, side(self.frame.height)?),
            short(tags::COLUMNS, side(self.frame.width)?),
            short(tags::BITS_ALLOCATED, allocated),
            short(tags::BITS_STORED, stored),
            short(tags::HIGH_BIT, stored.saturating_sub(1)),
            short(tags::PIXEL_REPRESENTATION, 0),
            sequence(tags::SEQUENCE_OF_ULTRASOUND_REGIONS, g.regions.iter().map(region).collect()),
            pixels,
        ];
        if samples == 3 {
            all.push(short(tags::PLANAR_CONFIGURATION, 0));
        }
        if let Some([row, column]) = g.pixel_spacing_row_column {
            all.push(text(tags::PIXEL_SPACING, VR::DS, &format!("{row}\\{column}")));
        }
        if let Some([vertical, horizontal]) = g.pixel_aspect_vertical_horizontal {
            all.push(text(tags::PIXEL_ASPECT_RATIO, VR::IS, &format!("{vertical}\\{horizontal}")));
        }
        Ok(all)
    }
}
