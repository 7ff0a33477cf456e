//! Synthetic transvaginal frames with an exact truth.
//!
//! [`Anatomy`] says what is there, [`Scanner`] and [`Hold`] how it is looked at, [`render()`] draws it and [`truth()`] says
//! where everything lies. All of it is a pure function of its numbers and a seed.

pub mod anatomy;
mod field;
mod noise;
pub mod phantom;
mod render;
pub mod sample;
mod scanner;
mod shape;
mod truth;

pub use anatomy::{Anatomy, Vessel, Wall};
pub use field::Envelope;
pub use render::{Seed, render};
pub use scanner::{Hold, Scanner};
pub use truth::{Truth, truth};
