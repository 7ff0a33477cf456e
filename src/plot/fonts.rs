//! The letters of every plot and of the window, so that they do not depend on what a machine has installed.
//!
//! DejaVu Sans Condensed 2.37, whose licence stands beside the files. It covers Latin, Greek, Cyrillic, Arabic, Hebrew
//! and the signs used here; a test of the window looks each of them up.

/// The ordinary letters (TrueType).
pub const REGULAR: &[u8] = include_bytes!("fonts/DejaVuSansCondensed.ttf");
/// The heavy letters (TrueType).
pub const STRONG: &[u8] = include_bytes!("fonts/DejaVuSansCondensed-Bold.ttf");
