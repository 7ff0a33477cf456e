//! What leaves the program for others: teaching sets without identity, readings as a table, one exam as FHIR.

mod clean;
pub mod fhir;
mod object;
pub mod readings;
pub mod teaching;
pub mod write;
