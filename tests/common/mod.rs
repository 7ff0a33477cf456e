//! Code that the tests and the figures command share.
pub mod assist;
pub mod coverage;
pub mod exam;
pub mod phantom;
