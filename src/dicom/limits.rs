//! Every limit on what a file may declare, in one place. Beyond them reading stops with `ErrorKind::Limit`.
//!
//! The values leave room for what ultrasound scanners store (at most about 2 000 × 1 500 px, a few thousand frames) and
//! keep the memory for one frame under about 250 MB, and the time to decode it to a few seconds at the very most, whatever
//! a file claims: every decoder's work is bounded by the pixels and the coded bytes.

/// Longest side of an image, px.
pub const MAX_SIDE: u32 = 16_384;
/// Most pixels in one frame (rows × columns): a screen of 3840 × 2160 fits.
pub const MAX_PIXELS: u64 = 8 * 1024 * 1024;
/// Most frames in one file.
pub const MAX_FRAMES: u32 = 100_000;
/// Most compressed bytes of one frame.
pub const MAX_CODED_FRAME: u64 = 64 * 1024 * 1024;
/// Longest time that one frame may take to decode; then it is given up with an error.
pub const MAX_DECODE_TIME: std::time::Duration = std::time::Duration::from_secs(10);
/// Most fragments of encapsulated pixel data in one file.
pub const MAX_FRAGMENTS: usize = 400_000;
/// Deepest nesting of sequences.
pub const MAX_DEPTH: usize = 32;
/// Most elements and items in one header, nested ones included.
pub const MAX_ELEMENTS: u64 = 1_000_000;
/// Longest single element that is kept from a header, bytes; longer ones are passed over, and an error if needed.
pub const MAX_KEPT_ELEMENT: u64 = 1024 * 1024;
/// Most header bytes kept in all.
pub const MAX_KEPT_HEADER: u64 = 8 * 1024 * 1024;
/// Longest content tree of a structured report, bytes.
pub const MAX_REPORT_CONTENT: u64 = 8 * 1024 * 1024;
/// Most bytes kept of a structured report.
pub const MAX_REPORT_HEADER: u64 = 9 * 1024 * 1024;
/// Most elements and items of a structured report.
pub const MAX_REPORT_ELEMENTS: u64 = 200_000;
/// Most bytes that a deflated data set may inflate to.
pub const MAX_INFLATED: u64 = 512 * 1024 * 1024;
/// Largest captured picture file (PNG, JPEG, TIFF, BMP), bytes.
pub const MAX_CAPTURE_FILE: u64 = 256 * 1024 * 1024;
/// Most files looked at in one scan of a folder.
pub const MAX_SCAN_FILES: usize = 200_000;
/// Deepest folder below the one scanned.
pub const MAX_SCAN_DEPTH: usize = 32;
