//! Synthetic transvaginal frames with an exact truth.
//!
//! [`Anatomy`] says what is there, [`Scanner`] and [`Hold`] how it is looked at, [`render()`] draws it, [`sweep()`] draws it
//! while it moves, and [`truth()`] says where everything lies. All of it is a pure function of its numbers and a seed.

pub mod anatomy;
pub mod cases;
mod field;
mod fit;
pub(crate) mod noise;
pub mod object;
pub mod phantom;
pub mod readers;
mod render;
pub mod sample;
mod scanner;
mod shape;
mod sweep;
mod texture;
mod tissue;
mod truth;

pub use anatomy::{Anatomy, Contraction, Funnel, Vessel, Wall};
pub use field::Envelope;
pub use render::{Look, Seed, render, render_as};
pub use scanner::{Hold, Scanner};
pub use sweep::{Sweep, SweptFrame, sweep};
pub use truth::{Truth, truth};
