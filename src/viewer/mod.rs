//! The window: session and actions without any drawing, and panels that only draw and return actions.

pub mod action;
pub mod app;
mod decoder;
pub mod frame_cache;
pub mod glyphs;
pub mod icon;
mod keeper;
pub mod keys;
pub mod layout;
pub mod page;
pub mod panels;
pub mod run;
pub mod screen_map;
pub mod session;
pub mod theme;
pub mod tones;
pub mod words;
pub mod worker;
