//! The window: session and actions without any drawing, and panels that only draw and return actions.

pub mod screen_map;
pub mod theme;
