//! Synthetic frames as DICOM ultrasound objects, with invented and marked identity and date.

use super::scanner::Scanner;
use crate::dicom::write::{Coding, Pictures, UltrasoundObject, uid_from};
use crate::error::{Error, ErrorKind, Result};

/// Whether an object carries the scale of its pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// In its Sequence of Ultrasound Regions.
    InRegion,
    /// Nowhere: there are no millimetres to be had from it but from its depth marks.
    None,
}

/// A DICOM object of pictures that this scanner made. Its UIDs depend on `label` alone; whoever needs more than the invented
/// patient changes the fields.
///
/// # Errors
/// [`ErrorKind::Invalid`] when a frame is larger than an object can say.
pub fn object(label: &str, scanner: &Scanner, pictures: Pictures, coding: Coding, scale: Scale) -> Result<UltrasoundObject> {
    let size = |n: u32| u16::try_from(n).map_err(|_| Error::new(ErrorKind::Invalid, "a synthetic frame is too large").found(n.to_string()));
    Ok(UltrasoundObject {
        patient_name: "Invented^Ada".into(),
        patient_id: "DEMO-0001".into(),
        study_date: "20250101".into(),
        study_time: "120000".into(),
        study_description: "Synthetic transvaginal frames, not a patient".into(),
        study_id: "1".into(),
        study_uid: uid_from(&format!("{label}/study")),
        series_uid: uid_from(&format!("{label}/series")),
        instance_uid: uid_from(label),
        series_number: 1,
        instance_number: 1,
        manufacturer: "Osspan".into(),
        model: "Synthetic frames".into(),
        comments: "Computed picture of an invented anatomy. No person was scanned.".into(),
        rows: size(scanner.rows())?,
        columns: size(scanner.columns())?,
        pictures,
        coding,
        regions: match scale {
            Scale::InRegion => vec![scanner.region()],
            Scale::None => Vec::new(),
        },
    })
}
