//! The DICOM file format as far as frames need it: a bounded walk over the header, attribute look-ups, and where each
//! frame's bytes are, and the writing of ultrasound objects. Nothing here touches the file system.

pub mod attributes;
pub mod fragments;
pub mod image;
pub mod limits;
pub mod palette;
pub mod source;
pub mod syntax;
pub mod walk;
pub mod write;
