//! What a file says about itself besides its pixels and geometry.

use std::fmt;

use jiff::civil::Date;

/// What sort of file it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// A DICOM image.
    Dicom,
    /// A picture (PNG, JPEG, TIFF, BMP) captured or exported from a scanner; it carries no scale.
    Capture,
}

/// Who was examined. It is shown in the window and kept in records; it never enters a log or an error, and `Debug`
/// says only which parts are there.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Identity {
    /// Patient's Name (0010,0010) as stored, components separated by `^`.
    pub name: Option<String>,
    /// Patient ID (0010,0020).
    pub number: Option<String>,
    /// Patient's Birth Date (0010,0030).
    pub birth_date: Option<Date>,
}

impl fmt::Debug for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = |there: bool| if there { "(kept back)" } else { "(absent)" };
        f.debug_struct("Identity")
            .field("name", &word(self.name.is_some()))
            .field("number", &word(self.number.is_some()))
            .field("birth_date", &word(self.birth_date.is_some()))
            .finish()
    }
}

/// The study as its images name it, so that what is written about them is filed with them. Numbers of a request may tell who
/// was examined: `Debug` says nothing of them.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct StudyFacts {
    /// Study Date (0008,0020), as stored.
    pub date: Option<String>,
    /// Study Time (0008,0030), as stored.
    pub time: Option<String>,
    /// Study ID (0020,0010).
    pub id: Option<String>,
    /// Accession Number (0008,0050).
    pub accession: Option<String>,
}

impl fmt::Debug for StudyFacts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("StudyFacts(kept back)")
    }
}

/// What a file says about itself. A capture fills `kind`, `transfer_syntax` and nothing else.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    /// DICOM image or plain picture.
    pub kind: Kind,
    /// Who was examined.
    pub patient: Identity,
    /// How the study is named besides its UID.
    pub study: StudyFacts,
    /// Study Instance UID (0020,000D).
    pub study_instance_uid: Option<String>,
    /// Series Instance UID (0020,000E).
    pub series_instance_uid: Option<String>,
    /// SOP Class UID (0008,0016).
    pub sop_class_uid: Option<String>,
    /// SOP Instance UID (0008,0018).
    pub sop_instance_uid: Option<String>,
    /// Modality (0008,0060).
    pub modality: Option<String>,
    /// The day of the exam: Acquisition Date (0008,0022), else Content Date (0008,0023), else Study Date (0008,0020).
    pub exam_date: Option<Date>,
    /// Manufacturer (0008,0070).
    pub manufacturer: Option<String>,
    /// Manufacturer's Model Name (0008,1090).
    pub model: Option<String>,
    /// Station Name (0008,1010).
    pub station: Option<String>,
    /// Device Serial Number (0018,1000).
    pub serial_number: Option<String>,
    /// Processing Function (0018,5020): the scanner's preset.
    pub preset: Option<String>,
    /// Transfer syntax UID; for a capture, empty.
    pub transfer_syntax_uid: String,
    /// Name of the transfer syntax ("JPEG Baseline (Process 1)"); for a capture, the format ("PNG").
    pub transfer_syntax_name: String,
    /// Photometric Interpretation (0028,0004) as stored.
    pub photometric: Option<String>,
    /// Image Type (0008,0008), value by value.
    pub image_type: Vec<String>,
    /// Transducer Type (0018,6031), e.g. `ENDOCAV_CLA`.
    pub transducer_type: Option<String>,
    /// Transducer Data (0018,5010), value by value.
    pub transducer_data: Vec<String>,
    /// Frame Time (0018,1063), ms from one frame to the next.
    pub frame_time_ms: Option<f64>,
    /// Frame Time Vector (0018,1065), ms from the frame before, one a frame, the first 0; empty when not stored.
    pub frame_time_vector_ms: Vec<f64>,
    /// Cine Rate (0018,0040) or else Recommended Display Frame Rate (0008,2144), frames a second.
    pub cine_rate: Option<f64>,
    /// Last Menstrual Date (0010,21D0).
    pub last_menstrual_date: Option<Date>,
    /// Burned In Annotation (0028,0301): `Some(true)` is YES. Absent means that nobody has looked, not that there is none.
    pub burned_in: Option<bool>,
    /// Patient Identity Removed (0012,0062): `Some(true)` is YES.
    pub identity_removed: Option<bool>,
}

impl Facts {
    pub(crate) fn empty(kind: Kind) -> Self {
        Self {
            kind,
            patient: Identity::default(),
            study: StudyFacts::default(),
            study_instance_uid: None,
            series_instance_uid: None,
            sop_class_uid: None,
            sop_instance_uid: None,
            modality: None,
            exam_date: None,
            manufacturer: None,
            model: None,
            station: None,
            serial_number: None,
            preset: None,
            transfer_syntax_uid: String::new(),
            transfer_syntax_name: String::new(),
            photometric: None,
            image_type: Vec::new(),
            transducer_type: None,
            transducer_data: Vec::new(),
            frame_time_ms: None,
            frame_time_vector_ms: Vec::new(),
            cine_rate: None,
            last_menstrual_date: None,
            burned_in: None,
            identity_removed: None,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn debug_of_an_identity_does_not_print_it() {
        let mut f = Facts::empty(Kind::Dicom);
        f.patient = Identity {
            name: Some("INVENTED^Person".into()),
            number: Some("X-4711".into()),
            birth_date: Some(jiff::civil::date(1990, 2, 3)),
        };
        let text = format!("{f:?}");
        for secret in ["INVENTED", "Person", "4711", "1990"] {
            assert!(!text.contains(secret), "{secret} in {text}");
        }
        assert!(text.contains("kept back"));
    }
}
