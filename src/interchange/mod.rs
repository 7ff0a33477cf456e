//! What leaves the program for others: teaching sets without identity.

mod clean;
mod object;
pub mod teaching;
pub mod write;
