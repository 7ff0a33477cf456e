//! Transfer syntaxes: how a data set and its pixel data are written (PS3.5 section 10 and annex A).

/// How the elements of a data set are laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Layout {
    /// Whether each element states its VR.
    pub explicit_vr: bool,
    /// Whether numbers are stored most significant byte first.
    pub big_endian: bool,
    /// Whether everything after the file meta group is deflated (RFC 1951).
    pub deflated: bool,
}

/// How the pixel data are compressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Coding {
    /// Not compressed.
    Native,
    /// Run lengths (PS3.5 annex G).
    Rle,
    /// JPEG baseline, 8 bits (process 1).
    JpegBaseline,
    /// JPEG extended, 8 or 12 bits (processes 2 and 4).
    JpegExtended,
    /// JPEG lossless with any predictor (process 14).
    JpegLossless,
    /// JPEG-LS, lossless or near-lossless.
    JpegLs,
    /// JPEG 2000, reversible or not.
    Jpeg2000,
    /// Known by name, and not read here.
    Other,
}

/// One transfer syntax.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Syntax {
    /// Its UID.
    pub uid: &'static str,
    /// Its name in the standard (PS3.6 annex A).
    pub name: &'static str,
    /// How elements are laid out.
    pub layout: Layout,
    /// How pixel data are compressed.
    pub coding: Coding,
}

const IMPLICIT: Layout = Layout { explicit_vr: false, big_endian: false, deflated: false };
const EXPLICIT: Layout = Layout { explicit_vr: true, big_endian: false, deflated: false };
const BIG: Layout = Layout { explicit_vr: true, big_endian: true, deflated: false };
const DEFLATED: Layout = Layout { explicit_vr: true, big_endian: false, deflated: true };

const fn s(uid: &'static str, name: &'static str, layout: Layout, coding: Coding) -> Syntax {
    Syntax { uid, name, layout, coding }
}

/// Implicit VR Little Endian, also the layout of a data set without a file meta group.
pub const IMPLICIT_LE: Syntax = s("1.2.840.10008.1.2", "Implicit VR Little Endian", IMPLICIT, Coding::Native);
/// Explicit VR Little Endian.
pub const EXPLICIT_LE: Syntax = s("1.2.840.10008.1.2.1", "Explicit VR Little Endian", EXPLICIT, Coding::Native);
/// Explicit VR Big Endian (retired, still met).
pub const EXPLICIT_BE: Syntax = s("1.2.840.10008.1.2.2", "Explicit VR Big Endian", BIG, Coding::Native);
/// Deflated Explicit VR Little Endian.
pub const DEFLATED_LE: Syntax = s("1.2.840.10008.1.2.1.99", "Deflated Explicit VR Little Endian", DEFLATED, Coding::Native);

/// Every transfer syntax known by name, read or not.
pub static ALL: &[Syntax] = &[
    IMPLICIT_LE,
    EXPLICIT_LE,
    EXPLICIT_BE,
    DEFLATED_LE,
    s("1.2.840.10008.1.2.1.98", "Encapsulated Uncompressed Explicit VR Little Endian", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.50", "JPEG Baseline (Process 1)", EXPLICIT, Coding::JpegBaseline),
    s("1.2.840.10008.1.2.4.51", "JPEG Extended (Process 2 and 4)", EXPLICIT, Coding::JpegExtended),
    s("1.2.840.10008.1.2.4.57", "JPEG Lossless, Non-Hierarchical (Process 14)", EXPLICIT, Coding::JpegLossless),
    s(
        "1.2.840.10008.1.2.4.70",
        "JPEG Lossless, Non-Hierarchical, First-Order Prediction (Process 14, Selection Value 1)",
        EXPLICIT,
        Coding::JpegLossless,
    ),
    s("1.2.840.10008.1.2.4.80", "JPEG-LS Lossless", EXPLICIT, Coding::JpegLs),
    s("1.2.840.10008.1.2.4.81", "JPEG-LS Lossy (Near-Lossless)", EXPLICIT, Coding::JpegLs),
    s("1.2.840.10008.1.2.4.90", "JPEG 2000 (Lossless Only)", EXPLICIT, Coding::Jpeg2000),
    s("1.2.840.10008.1.2.4.91", "JPEG 2000", EXPLICIT, Coding::Jpeg2000),
    s("1.2.840.10008.1.2.4.92", "JPEG 2000 Part 2 Multi-component (Lossless Only)", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.93", "JPEG 2000 Part 2 Multi-component", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.94", "JPIP Referenced", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.95", "JPIP Referenced Deflate", DEFLATED, Coding::Other),
    s("1.2.840.10008.1.2.4.100", "MPEG2 Main Profile / Main Level", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.101", "MPEG2 Main Profile / High Level", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.102", "MPEG-4 AVC/H.264 High Profile / Level 4.1", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.103", "MPEG-4 AVC/H.264 BD-compatible High Profile / Level 4.1", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.104", "MPEG-4 AVC/H.264 High Profile / Level 4.2 For 2D Video", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.105", "MPEG-4 AVC/H.264 High Profile / Level 4.2 For 3D Video", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.106", "MPEG-4 AVC/H.264 Stereo High Profile / Level 4.2", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.107", "HEVC/H.265 Main Profile / Level 5.1", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.108", "HEVC/H.265 Main 10 Profile / Level 5.1", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.110", "JPEG XL Lossless", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.111", "JPEG XL JPEG Recompression", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.112", "JPEG XL", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.201", "High-Throughput JPEG 2000 (Lossless Only)", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.202", "High-Throughput JPEG 2000 with RPCL Options (Lossless Only)", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.4.203", "High-Throughput JPEG 2000", EXPLICIT, Coding::Other),
    s("1.2.840.10008.1.2.5", "RLE Lossless", EXPLICIT, Coding::Rle),
];

/// The transfer syntax with this UID, if it is known.
#[must_use]
pub fn find(uid: &str) -> Option<Syntax> {
    ALL.iter().copied().find(|s| s.uid == uid)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn every_uid_is_in_the_table_once() {
        for (i, s) in ALL.iter().enumerate() {
            assert!(ALL.iter().skip(i + 1).all(|t| t.uid != s.uid), "{} twice", s.uid);
        }
        assert_eq!(find("1.2.840.10008.1.2.2").unwrap(), EXPLICIT_BE);
        assert!(find("1.2.3").is_none());
    }
}
