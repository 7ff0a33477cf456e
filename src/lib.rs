//! Osspan reads stored transvaginal ultrasound frames and measures how far the placental edge lies from the internal
//! cervical os, with its error, what it means under a named guideline, and a record of how it was found.
//!
//! Modules are listed so that each may use those above it and none below; `tests/it/architecture.rs` enforces it.

pub mod units;

pub mod source;

pub mod error;

pub mod csv_text;

pub mod digest;

pub mod files;

pub mod estimate;

pub mod frame;

pub mod dicom;

pub mod load;

pub mod calibrate;

pub mod phantom;

pub mod scanners;

pub mod measure;

pub mod assist;

pub mod exam;

pub mod context;

pub mod guideline;

pub mod cautions;

pub mod evidence;

pub mod followup;

pub mod sheet;

pub mod trend;

pub mod reading;

pub mod record;

pub mod caseload;

pub mod agree;

pub mod review;

pub mod synth;

pub mod sample;

pub mod practice;

pub mod interchange;

pub mod archive;

pub mod plot;

pub mod report;

pub mod cli;

#[cfg(feature = "viewer")]
pub mod viewer;

pub use error::{Error, ErrorKind, Result};
