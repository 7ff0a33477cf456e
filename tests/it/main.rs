//! Integration tests, one binary.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

#[path = "../common/mod.rs"]
mod common;
#[path = "../common/records.rs"]
mod invented;

mod agree;
mod agreement_study;
mod architecture;
mod archive;
mod assessment;
mod assist;
mod cautions;
mod commands;
mod coverage;
mod exam;
mod exam_records;
mod export;
mod guideline;
mod hand_over;
mod load;
mod own_repeatability;
mod phantom;
mod plan;
mod practice;
mod records;
mod records_folder;
mod report;
mod review;
mod said;
mod samples;
mod scale;
mod sr;
mod sr_read;
#[cfg(feature = "viewer")]
mod viewer;
mod vignettes;
