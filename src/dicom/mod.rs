//! dicom

pub mod write;
