//! A stored frame as it came out of its file: identity, samples, and the geometry attributes that a scale is made from.
//!
//! Samples stay raw. Brightness, contrast and magnification are display matters that no measurement can see.

use serde::{Deserialize, Serialize};

/// How a frame is known. Two frames are the same only if the digest is the same.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct FrameId {
    /// SHA-256, lower-case hex, of the stored pixel bytes of this frame and of its geometry attributes.
    pub sha256: String,
    /// The SOP Instance UID of the file it came from, where there is one.
    pub sop_instance_uid: Option<String>,
    /// Frame number inside the file, from 1.
    pub frame_number: u32,
}

impl FrameId {
    /// Whether both are the same picture: the same bytes under the same number. The frames of a frozen cine have equal bytes and are
    /// not the same frame; a picture may be stored under several instance UIDs.
    #[must_use]
    pub fn same_picture(&self, other: &Self) -> bool {
        self.sha256 == other.sha256 && self.frame_number == other.frame_number
    }
}

/// Decoded samples, row by row from the top, each row from the left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Samples {
    /// One 8-bit grey sample a pixel; 0 is black.
    Gray8(Vec<u8>),
    /// One 16-bit grey sample a pixel; 0 is black. `max` is the largest value the file can hold.
    Gray16 {
        /// The samples.
        data: Vec<u16>,
        /// Largest storable value (2^BitsStored − 1).
        max: u16,
    },
    /// Three 8-bit samples a pixel: red, green, blue.
    Rgb8(Vec<u8>),
}

/// One stored 2D image.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// How it is known.
    pub id: FrameId,
    /// Columns, px.
    pub width: u32,
    /// Rows, px.
    pub height: u32,
    /// The samples; `width × height` pixels.
    pub samples: Samples,
}

impl Frame {
    /// Brightness for display as 8-bit RGBA, `4 × width × height` bytes. 16-bit grey is scaled by its largest storable value.
    #[must_use]
    pub fn to_rgba8(&self) -> Vec<u8> {
        match &self.samples {
            Samples::Gray8(d) => d.iter().flat_map(|&g| [g, g, g, 255]).collect(),
            Samples::Gray16 { data, max } => {
                let top = u32::from((*max).max(1));
                data.iter()
                    .flat_map(|&v| {
                        let g = (u32::from(v).min(top) * 255 / top) as u8;
                        [g, g, g, 255]
                    })
                    .collect()
            }
            Samples::Rgb8(d) => d.chunks_exact(3).flat_map(|p| [p[0], p[1], p[2], 255]).collect(),
        }
    }

    /// The brightest channel of each pixel, 0 to 255, row by row: burned-in marks may be of any colour.
    #[must_use]
    pub fn brightness(&self) -> Vec<u8> {
        match &self.samples {
            Samples::Gray8(d) => d.clone(),
            Samples::Gray16 { data, max } => {
                let top = u32::from((*max).max(1));
                data.iter().map(|&v| (u32::from(v).min(top) * 255 / top) as u8).collect()
            }
            Samples::Rgb8(d) => d.chunks_exact(3).map(|p| p.iter().copied().max().unwrap_or(0)).collect(),
        }
    }
}

/// One item of the Sequence of Ultrasound Regions (0018,6011), as stored (PS3.3 C.8.5.5). Absent attributes are `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RawRegion {
    /// Region Spatial Format (0018,6012); 1 is 2D.
    pub spatial_format: Option<u16>,
    /// Region Data Type (0018,6014); 1 is tissue, 2 colour flow.
    pub data_type: Option<u16>,
    /// Region Flags (0018,6016).
    pub flags: Option<u32>,
    /// Region Location Min X0 (0018,6018), px index.
    pub min_x0: Option<u32>,
    /// Region Location Min Y0 (0018,601A), px index.
    pub min_y0: Option<u32>,
    /// Region Location Max X1 (0018,601C), px index, inclusive.
    pub max_x1: Option<u32>,
    /// Region Location Max Y1 (0018,601E), px index, inclusive.
    pub max_y1: Option<u32>,
    /// Physical Units X Direction (0018,6024); 3 is cm.
    pub units_x: Option<u16>,
    /// Physical Units Y Direction (0018,6026); 3 is cm.
    pub units_y: Option<u16>,
    /// Physical Delta X (0018,602C), units per pixel.
    pub delta_x: Option<f64>,
    /// Physical Delta Y (0018,602E), units per pixel.
    pub delta_y: Option<f64>,
}

impl RawRegion {
    /// A plain region of tissue in two dimensions with a protected scale in centimetres: the first and last pixels (x and y of the
    /// first, x and y of the last, included) and cm a pixel across and down. What is made here carries it; files carry others.
    #[must_use]
    pub const fn of_tissue([x0, y0, x1, y1]: [u32; 4], [across, down]: [f64; 2]) -> Self {
        Self {
            spatial_format: Some(1),
            data_type: Some(1),
            flags: Some(2),
            min_x0: Some(x0),
            min_y0: Some(y0),
            max_x1: Some(x1),
            max_y1: Some(y1),
            units_x: Some(3),
            units_y: Some(3),
            delta_x: Some(across),
            delta_y: Some(down),
        }
    }
}

/// Everything in a file's header that a scale may be made from.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Geometry {
    /// Rows (0028,0010) or picture height, px.
    pub rows: u32,
    /// Columns (0028,0011) or picture width, px.
    pub columns: u32,
    /// The ultrasound regions, in file order; empty when the file carries none.
    pub regions: Vec<RawRegion>,
    /// Pixel Spacing (0028,0030) as stored: row spacing (y), column spacing (x), mm.
    pub pixel_spacing_row_column: Option<[f64; 2]>,
    /// Pixel Aspect Ratio (0028,0034) as stored: vertical, horizontal.
    pub pixel_aspect_vertical_horizontal: Option<[u32; 2]>,
}
