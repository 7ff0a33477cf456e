//! JPEG: colour as header and code stream together say, odd sizes, fragments, and pictures that are cut short.

use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use osspan::ErrorKind;
use osspan::frame::Samples;

use super::dicomfile::{DicomFile, JPEG, Look, Value, ultrasound};
use super::{failure, frame, samples};

/// A smooth picture of `w` × `h` pixels, coded by `image` (JFIF, YCbCr).
fn picture(w: u16, h: u16, colour: bool) -> (Vec<u8>, Vec<u8>) {
    let mut pixels = Vec::new();
    for y in 0..h {
        for x in 0..w {
            let (u, v) = ((x * 200 / w) as u8, (y * 200 / h) as u8);
            if colour { pixels.extend([u, v, 128]) } else { pixels.push(u / 2 + v / 2) }
        }
    }
    let mut coded = Vec::new();
    let kind = if colour { ExtendedColorType::Rgb8 } else { ExtendedColorType::L8 };
    JpegEncoder::new_with_quality(&mut coded, 95).encode(&pixels, u32::from(w), u32::from(h), kind).unwrap();
    (pixels, coded)
}

/// The code stream without its application segments, and with `segment` after the start mark.
fn with_segment(coded: &[u8], segment: &[u8]) -> Vec<u8> {
    let mut at = 2;
    while (0xE0..=0xEF).contains(&coded[at + 1]) {
        at += 2 + usize::from(coded[at + 2]) * 256 + usize::from(coded[at + 3]);
    }
    [&coded[..2], segment, &coded[at..]].concat()
}

fn adobe(transform: u8) -> Vec<u8> {
    [&[0xFF, 0xEE, 0, 14][..], b"Adobe", &[0, 100, 0, 0, 0, 0, transform]].concat()
}

fn dicom(photometric: &'static str, w: u16, h: u16, frames: u32, fragments: Vec<Vec<u8>>) -> DicomFile {
    let look = if photometric.starts_with("MONO") { Look::grey(photometric, 8, 8) } else { Look::colour(photometric, 0) };
    ultrasound(JPEG, w, h, frames, look, Value::Fragments { table: vec![], fragments })
}

fn rgb(f: &DicomFile) -> Vec<u8> {
    match samples(f, 1) {
        Samples::Rgb8(d) => d,
        other => panic!("{other:?}"),
    }
}

fn mean_off(a: &[u8], b: &[u8]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(&x, &y)| (f64::from(x) - f64::from(y)).abs()).sum::<f64>() / a.len() as f64
}

#[test]
fn grey_of_odd_size() {
    let (pixels, coded) = picture(37, 23, false);
    match samples(&dicom("MONOCHROME2", 37, 23, 1, vec![coded.clone()]), 1) {
        Samples::Gray8(d) => assert!(mean_off(&d, &pixels) < 1.5),
        other => panic!("{other:?}"),
    }
    match samples(&dicom("MONOCHROME1", 37, 23, 1, vec![coded]), 1) {
        Samples::Gray8(d) => assert!(mean_off(&d, &pixels.iter().map(|p| 255 - p).collect::<Vec<_>>()) < 1.5),
        other => panic!("{other:?}"),
    }
}

/// Stored as YCbCr without any marker: the header alone says what the components are.
#[test]
fn without_markers_the_header_says_what_the_components_are() {
    let (pixels, coded) = picture(33, 17, true);
    let bare = with_segment(&coded, &[]);
    for term in ["YBR_FULL_422", "YBR_FULL"] {
        assert!(mean_off(&rgb(&dicom(term, 33, 17, 1, vec![bare.clone()])), &pixels) < 2.0, "{term}");
    }
}

/// Components that are red, green and blue already: coded as three grey planes would be, they must not be transformed.
#[test]
fn rgb_in_the_header_and_no_marker_leaves_components_alone() {
    let (_, coded) = picture(32, 16, true);
    let bare = whole_sampling(&with_segment(&coded, &[]));
    let raw = rgb(&dicom("RGB", 32, 16, 1, vec![bare.clone()]));
    let turned = rgb(&dicom("YBR_FULL", 32, 16, 1, vec![bare]));
    let f = |p: &[u8]| {
        let (y, cb, cr) = (f64::from(p[0]), f64::from(p[1]) - 128.0, f64::from(p[2]) - 128.0);
        [y + 1.402 * cr, y - 0.344_136 * cb - 0.714_136 * cr, y + 1.772 * cb].map(|x| x.round().clamp(0.0, 255.0) as u8)
    };
    let by_hand: Vec<u8> = raw.chunks_exact(3).flat_map(f).collect();
    assert!(mean_off(&by_hand, &turned) < 1.0, "the components are not the raw ones");
    assert!(mean_off(&raw, &turned) > 20.0);
}

/// Checks that the encoder does not subsample, which the RGB case needs.
fn whole_sampling(coded: &[u8]) -> Vec<u8> {
    let at = coded.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    let factors = [coded[at + 11], coded[at + 14], coded[at + 17]];
    assert!(factors.iter().all(|f| *f == factors[0]), "{factors:?}");
    coded.to_vec()
}

#[test]
fn explicit_markers_win_over_the_header() {
    let (pixels, coded) = picture(32, 16, true);
    // The header says RGB, the stream is JFIF or says YCbCr itself: compressed by a writer that left RGB standing.
    assert!(mean_off(&rgb(&dicom("RGB", 32, 16, 1, vec![coded.clone()])), &pixels) < 2.0);
    let says_ybr = with_segment(&coded, &adobe(1));
    assert!(mean_off(&rgb(&dicom("RGB", 32, 16, 1, vec![says_ybr])), &pixels) < 2.0);
    // The header says YBR_FULL, the stream says that no transform was made.
    let raw = rgb(&dicom("RGB", 32, 16, 1, vec![with_segment(&coded, &[])]));
    let says_rgb = with_segment(&coded, &adobe(0));
    assert_eq!(rgb(&dicom("YBR_FULL", 32, 16, 1, vec![says_rgb])), raw);
}

#[test]
fn a_frame_may_span_fragments() {
    let (_, a) = picture(33, 17, true);
    let (_, b) = picture(17, 33, true);
    let whole = rgb(&dicom("YBR_FULL_422", 33, 17, 1, vec![a.clone()]));
    let even = a.len() / 4 * 2;
    let f = dicom("YBR_FULL_422", 33, 17, 1, vec![a[..even].to_vec(), a[even..].to_vec()]);
    assert_eq!(rgb(&f), whole);
    // Two frames in three fragments, told apart by their start marks.
    let two = dicom("YBR_FULL_422", 33, 17, 2, vec![a.clone(), a[..even].to_vec(), a[even..].to_vec()]);
    assert_eq!(frame(&two, 1).unwrap().samples, frame(&two, 2).unwrap().samples);
    // The second frame has another size than the header.
    let wrong = dicom("YBR_FULL_422", 33, 17, 2, vec![a, b]);
    let e = frame(&wrong, 2).unwrap_err();
    assert!(e.kind() == ErrorKind::Format && e.message().contains("33 × 17"), "{e}");
}

#[test]
fn a_file_that_declares_one_frame_and_holds_two_says_so_when_it_is_opened() {
    let (_, a) = picture(33, 17, true);
    let f = dicom("YBR_FULL_422", 33, 17, 1, vec![a.clone(), a]);
    let stored = super::open(&f).unwrap();
    assert!(stored.warnings().iter().any(|w| w.contains("holds 2 pictures")), "{:?}", stored.warnings());
}

/// Half a picture is never a picture.
#[test]
fn a_picture_that_is_cut_short_is_refused() {
    let (_, coded) = picture(64, 64, true);
    for part in [coded.len() / 2, coded.len() * 3 / 4, coded.len() - 40] {
        let e = failure(&dicom("YBR_FULL_422", 64, 64, 1, vec![coded[..part].to_vec()]));
        assert_eq!(e.kind(), ErrorKind::Format, "{part} of {}: {e}", coded.len());
    }
}

#[test]
fn components_that_do_not_fit_the_header_and_unread_processes_are_refused() {
    let (_, grey) = picture(16, 16, false);
    assert_eq!(failure(&dicom("RGB", 16, 16, 1, vec![grey.clone()])).kind(), ErrorKind::Format);
    let mut arithmetic = grey;
    let at = arithmetic.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    arithmetic[at + 1] = 0xC9;
    let e = failure(&dicom("MONOCHROME2", 16, 16, 1, vec![arithmetic]));
    assert!(e.kind() == ErrorKind::Unsupported && e.message().contains("FFC9"), "{e}");
}
