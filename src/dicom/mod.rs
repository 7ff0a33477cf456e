//! dicom
