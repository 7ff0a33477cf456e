//! Integration tests, one binary.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

#[path = "../common/mod.rs"]
mod common;

mod agree;
mod architecture;
mod cautions;
mod commands;
mod coverage;
mod exam;
mod guideline;
mod load;
mod records;
mod samples;
#[cfg(feature = "viewer")]
mod viewer;
mod vignettes;
