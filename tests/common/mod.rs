//! Code that the tests and the figures command share. Each uses a part of it.
#![allow(dead_code)]

pub mod assist;
pub mod coverage;
pub mod exam;
pub mod phantom;
pub mod practice;
