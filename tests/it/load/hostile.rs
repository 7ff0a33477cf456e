//! Files that lie about themselves: refused at once, without believing a length, and without identity in the message.

use std::time::{Duration, Instant};

use osspan::ErrorKind;

use super::dicomfile::{DEFLATED, DicomFile, EXPLICIT, Element, IMPLICIT, JPEG, Look, RLE, Value, ultrasound};
use super::{failure, hold, open_bytes};
use osspan::load::StoredFile;

const GREY: Look = Look::grey("MONOCHROME2", 8, 8);

fn plain() -> DicomFile {
    ultrasound(EXPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2]))
}

/// Refused within a tenth of a second, with this kind, and without saying who the patient is.
#[track_caller]
fn refused(bytes: &[u8], kind: ErrorKind, word: &str) {
    let started = Instant::now();
    let held = hold(bytes);
    let e = StoredFile::open(&held.path).and_then(|f| f.frame(1)).unwrap_err();
    assert!(started.elapsed() < Duration::from_millis(500), "{:?} for {e}", started.elapsed());
    assert_eq!(e.kind(), kind, "{e}");
    assert!(e.message().contains(word), "\"{word}\" is not in: {e}");
    for secret in ["INVENTED", "Müller", "INV-7", "1990"] {
        assert!(!e.to_string().contains(secret), "{e}");
    }
}

#[test]
fn lengths_of_4_gigabytes_are_refused_before_anything_is_allocated() {
    for claim in [u32::MAX - 1, 0x7FFF_FFFF, 70_000] {
        refused(&plain().with(0x0009, 0x1010, b"UN", Value::Claim(claim)).bytes(), ErrorKind::Format, "declared length");
        refused(&plain().with(0x7FE0, 0x0010, b"OB", Value::Claim(claim)).bytes(), ErrorKind::Format, "declared length");
        let f = ultrasound(IMPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2]));
        refused(&f.with(0x0010, 0x0010, b"PN", Value::Claim(claim)).bytes(), ErrorKind::Format, "(0010,0010)");
    }
}

/// An element of unknown VR and undefined length whose inside claims gigabytes.
#[test]
fn an_unknown_sequence_is_walked_and_its_claims_are_held_against_the_file() {
    let mut inside = Vec::new();
    inside.extend([0xFE, 0xFF, 0x00, 0xE0]);
    inside.extend(u32::MAX.to_le_bytes());
    inside.extend([0x09, 0x00, 0x10, 0x10]);
    inside.extend(0xE000_0000_u32.to_le_bytes());
    let at = 0x0009;
    let mut bytes = plain().with(at, 0x1010, b"UN", Value::Claim(u32::MAX)).bytes();
    let place = bytes.windows(8).position(|w| w[..4] == [9, 0, 0x10, 0x10]).unwrap() + 12;
    bytes.splice(place..place, inside);
    refused(&bytes, ErrorKind::Format, "(0009,1010)");
}

#[test]
fn fragments_that_claim_too_much_are_refused() {
    for syntax in [RLE, JPEG] {
        let f = ultrasound(syntax, 2, 1, 1, GREY, Value::Fragments { table: vec![], fragments: vec![vec![1, 2, 3, 4]] });
        let mut bytes = f.bytes();
        let n = bytes.len();
        bytes[n - 16..n - 12].copy_from_slice(&0xFFFF_FFF0_u32.to_le_bytes());
        refused(&bytes, ErrorKind::Format, "Pixel Data (7FE0,0010)");
    }
}

#[test]
fn sequences_are_not_followed_without_end() {
    let mut value = Value::Us(vec![1]);
    let mut vr = *b"US";
    for _ in 0..40 {
        let inner: Element = (0x0040, 0xA730, vr, value);
        value = Value::Sequence { items: vec![vec![inner]], undefined: true };
        vr = *b"SQ";
    }
    refused(&plain().with(0x0040, 0xA730, b"SQ", value).bytes(), ErrorKind::Limit, "nested too deeply");
}

#[test]
fn sizes_beyond_the_limits_are_refused() {
    let big = |rows: u16, columns: u16| {
        plain().with(0x0028, 0x0010, b"US", Value::Us(vec![rows])).with(0x0028, 0x0011, b"US", Value::Us(vec![columns])).bytes()
    };
    refused(&big(16_000, 16_000), ErrorKind::Limit, "16000 × 16000");
    refused(&big(65_535, 1), ErrorKind::Limit, "Rows (0028,0010)");
    refused(&big(0, 2), ErrorKind::Format, "Rows (0028,0010)");
    refused(
        &plain().with(0x0028, 0x0008, b"IS", Value::Text("2000000000".into())).bytes(),
        ErrorKind::Limit,
        "Number of Frames (0028,0008)",
    );
    for wrong in ["-1", "0", "x"] {
        refused(&plain().with(0x0028, 0x0008, b"IS", Value::Text(wrong.into())).bytes(), ErrorKind::Format, "Number of Frames (0028,0008)");
    }
    refused(&plain().with(0x0010, 0x0010, b"UT", Value::Bytes(vec![b'A'; 2_000_000])).bytes(), ErrorKind::Limit, "(0010,0010)");
}

/// 2 GB of zeros deflate to 2 MB.
#[test]
fn a_deflated_data_set_that_never_ends_is_refused() {
    use std::io::Write;
    let mut f = plain();
    f.syntax = DEFLATED;
    f.elements.clear();
    let mut bytes = f.bytes();
    bytes.truncate(bytes.len() - 2);
    let mut z = flate2::write::DeflateEncoder::new(bytes, flate2::Compression::best());
    let zeros = vec![0_u8; 1 << 20];
    for _ in 0..600 {
        z.write_all(&zeros).unwrap();
    }
    let held = hold(&z.finish().unwrap());
    let e = StoredFile::open(&held.path).unwrap_err();
    assert_eq!(e.kind(), ErrorKind::Limit, "{e}");
}

#[test]
fn a_header_that_says_something_twice_is_refused() {
    let mut f = plain();
    let rows = f.elements.iter().position(|e| (e.0, e.1) == (0x0028, 0x0010)).unwrap();
    f.elements.insert(rows, f.elements[rows].clone());
    refused(&f.bytes(), ErrorKind::Format, "(0028,0010)");
}

#[test]
fn missing_attributes_are_named() {
    for (element, name) in [
        (0x0002, "Samples per Pixel"),
        (0x0004, "Photometric Interpretation"),
        (0x0010, "Rows"),
        (0x0011, "Columns"),
        (0x0100, "Bits Allocated"),
    ] {
        let e = failure(&plain().without(0x0028, element));
        assert!(e.kind() == ErrorKind::Format && e.message().starts_with(&format!("{name} (0028,")), "{e}");
    }
}

#[test]
fn pixel_data_that_are_short_or_missing_are_refused_and_long_ones_said() {
    refused(&plain().with(0x0028, 0x0008, b"IS", Value::Text("2".into())).bytes(), ErrorKind::Format, "Pixel Data (7FE0,0010)");
    refused(&plain().without(0x7FE0, 0x0010).bytes(), ErrorKind::Unsupported, "Ultrasound Image Storage");
    let long = plain().with(0x7FE0, 0x0010, b"OB", Value::Bytes(vec![0; 20]));
    assert!(open_bytes(&long.bytes()).unwrap().warnings()[0].contains("18 bytes longer"));
}

#[test]
fn syntaxes_that_are_not_read_are_named() {
    let fragments = || Value::Fragments { table: vec![], fragments: vec![vec![1, 2]] };
    for (uid, name) in [
        ("1.2.840.10008.1.2.4.201", "High-Throughput JPEG 2000 (Lossless Only)"),
        ("1.2.840.10008.1.2.4.102", "MPEG-4 AVC/H.264 High Profile / Level 4.1"),
        ("1.2.3.4", "1.2.3.4"),
    ] {
        refused(&ultrasound(uid, 2, 1, 1, GREY, fragments()).bytes(), ErrorKind::Unsupported, name);
    }
}

#[test]
fn every_cut_of_a_file_is_an_error_and_never_a_picture() {
    let bytes = plain().bytes();
    for n in 0..bytes.len() {
        assert!(open_bytes(&bytes[..n]).is_err(), "{n} of {} bytes were taken for a file", bytes.len());
    }
    refused(b"", ErrorKind::Format, "empty");
    refused(b"hello, this is no picture", ErrorKind::Format, "DICOM, PNG, JPEG, TIFF or BMP");
}

#[test]
fn run_lengths_that_lie_are_refused() {
    let good = super::dicomfile::run_lengths(&[vec![5; 8]]);
    let put = |at: usize, x: u32| {
        let mut b = good.clone();
        b[at..at + 4].copy_from_slice(&x.to_le_bytes());
        b
    };
    for (what, bytes) in [
        ("two segments", put(0, 2)),
        ("far", put(4, 9999)),
        ("inside the header", put(4, 3)),
        ("short", good[..64].to_vec()),
        ("header only", vec![0; 10]),
    ] {
        let f = ultrasound(RLE, 4, 2, 1, GREY, Value::Fragments { table: vec![], fragments: vec![bytes] });
        assert_eq!(failure(&f).kind(), ErrorKind::Format, "{what}");
    }
}

/// An element that is no whole number of values would put the reader behind it out of step, so that it believes a length it
/// finds in the middle of a value. The two files asked for over a gigabyte; the second was found by fuzzing.
#[test]
fn half_a_value_is_refused_before_anything_is_allocated() {
    refused(&plain().with(0x0028, 0x0010, b"US", Value::Bytes(vec![1, 0, 0])).bytes(), ErrorKind::Format, "multiple of 2");
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/hostile");
    for name in ["half-a-value-implicit.dcm", "half-a-value-found-by-fuzzing.dcm"] {
        let e = StoredFile::open(&folder.join(name)).unwrap_err();
        assert!(e.kind() == ErrorKind::Format && e.message().contains("multiple of"), "{name}: {e}");
    }
}
