//! The DICOM file format as far as frames need it: a bounded walk over the header, attribute look-ups, and where each
//! frame's bytes are, and the writing of ultrasound objects. Nothing here touches the file system.

pub mod limits;
pub mod syntax;
pub mod write;
