//! What makes two frames the same: one digest over the frame's stored bytes and everything that a scale or a colour is
//! made from. Display settings, names and dates do not enter.
//!
//! # Text, version 1
//!
//! SHA-256 over UTF-8 lines, each ended by a line feed, and then the stored bytes of the frame (one frame's slice of
//! native pixel data, or its fragments joined; for a captured picture the whole file):
//!
//! ```text
//! osspan frame identity 1
//! transfer-syntax=UID          (captures: capture=PNG and no lines but the last)
//! rows=480
//! columns=640
//! photometric=YBR_FULL_422
//! bits=8,8,0,0,0               allocated, stored, shift, signed, planar
//! palette=first:hex,first:hex,first:hex   entries as 8-bit brightness; only for PALETTE COLOR
//! region=1,1,2,84,31,595,414,3,3,0.05104970559477806,0.05104970559477806
//!                              one line a region, in file order, the fields of RawRegion in order; "-" where absent
//! pixel-spacing=0.1,0.1        row, column; "-" where absent
//! pixel-aspect=4,3             vertical, horizontal; "-" where absent
//! bytes=12345
//! ```
//!
//! Decimal numbers are written with the fewest digits that read back as the same double, without an exponent.

use sha2::{Digest, Sha256};

use crate::dicom::image::PixelLayout;
use crate::digest::hex;
use crate::frame::{Geometry, RawRegion};

/// First line of the text; the number changes whenever anything in it does.
pub const VERSION_LINE: &str = "osspan frame identity 1";

/// Digest of one frame of a DICOM file, lower-case hex.
pub(super) fn dicom(syntax_uid: &str, layout: &PixelLayout, geometry: &Geometry, stored: &[u8]) -> String {
    let mut text = format!(
        "{VERSION_LINE}\ntransfer-syntax={syntax_uid}\nrows={}\ncolumns={}\nphotometric={}\nbits={},{},{},{},{}\n",
        layout.rows,
        layout.columns,
        layout.photometric.term(),
        layout.allocated,
        layout.stored,
        layout.shift,
        u8::from(layout.signed),
        u8::from(layout.planar)
    );
    if let Some(p) = &layout.palette {
        let tables: Vec<String> = p.iter().map(|c| format!("{}:{}", c.first, hex(&c.entries))).collect();
        text.push_str(&format!("palette={}\n", tables.join(",")));
    }
    for r in &geometry.regions {
        text.push_str(&region_line(r));
    }
    text.push_str(&pair_line("pixel-spacing", geometry.pixel_spacing_row_column));
    text.push_str(&pair_line("pixel-aspect", geometry.pixel_aspect_vertical_horizontal));
    digest(&text, stored)
}

/// Digest of a captured picture, lower-case hex.
pub(super) fn capture(format: &str, file: &[u8]) -> String {
    digest(&format!("{VERSION_LINE}\ncapture={format}\n"), file)
}

fn digest(text: &str, bytes: &[u8]) -> String {
    let mut hash = Sha256::new();
    hash.update(text.as_bytes());
    hash.update(format!("bytes={}\n", bytes.len()).as_bytes());
    hash.update(bytes);
    hex(&hash.finalize())
}

fn field<T: std::fmt::Display>(x: Option<T>) -> String {
    x.map_or_else(|| "-".into(), |x| x.to_string())
}

fn region_line(r: &RawRegion) -> String {
    let fields = [
        field(r.spatial_format),
        field(r.data_type),
        field(r.flags),
        field(r.min_x0),
        field(r.min_y0),
        field(r.max_x1),
        field(r.max_y1),
        field(r.units_x),
        field(r.units_y),
        field(r.delta_x),
        field(r.delta_y),
    ];
    format!("region={}\n", fields.join(","))
}

fn pair_line<T: std::fmt::Display>(name: &str, pair: Option<[T; 2]>) -> String {
    match pair {
        Some([a, b]) => format!("{name}={a},{b}\n"),
        None => format!("{name}=-\n"),
    }
}
