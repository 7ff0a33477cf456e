//! What leaves the program for others, and comes from them: teaching sets without identity, readings as a table, one exam as
//! FHIR, structured reports.

mod clean;
pub mod fhir;
mod object;
pub mod readings;
pub mod sr;
pub mod teaching;
pub mod write;
