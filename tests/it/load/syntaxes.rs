//! Layouts of data sets, native and run-length pixel data, frames by offset.

use osspan::frame::{RawRegion, Samples};
use osspan::load::{Kind, StoredFile};

use super::dicomfile::{BIG, DEFLATED, EXPLICIT, IMPLICIT, Look, RLE, Value, region, run_lengths, ultrasound};
use super::{frame, hold, open, open_bytes, samples};

const LAYOUTS: [&str; 4] = [IMPLICIT, EXPLICIT, BIG, DEFLATED];
const GREY: Look = Look::grey("MONOCHROME2", 8, 8);

#[test]
fn grey_of_8_bits_comes_through_every_layout() {
    for syntax in LAYOUTS {
        let f = ultrasound(syntax, 3, 2, 1, GREY, Value::Bytes(vec![0, 1, 2, 253, 254, 255]));
        let got = frame(&f, 1).unwrap();
        assert_eq!((got.width, got.height), (3, 2), "{syntax}");
        assert_eq!(got.samples, Samples::Gray8(vec![0, 1, 2, 253, 254, 255]), "{syntax}");
    }
}

#[test]
fn grey_of_12_bits_in_16_loses_what_is_above_its_bits() {
    for syntax in LAYOUTS {
        let f = ultrasound(syntax, 2, 2, 1, Look::grey("MONOCHROME2", 16, 12), Value::Words(vec![0, 0x0FFF, 0xF123, 0x0800]));
        assert_eq!(samples(&f, 1), Samples::Gray16 { data: vec![0, 0x0FFF, 0x0123, 0x0800], max: 0x0FFF }, "{syntax}");
    }
}

#[test]
fn a_high_bit_above_the_stored_bits_shifts() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME2", 16, 12), Value::Words(vec![0x0FF0, 0xABCD])).with(
        0x0028,
        0x0102,
        b"US",
        Value::Us(vec![15]),
    );
    assert_eq!(samples(&f, 1), Samples::Gray16 { data: vec![0x00FF, 0x0ABC], max: 0x0FFF });
}

#[test]
fn every_frame_of_a_native_cine_is_its_own_slice() {
    for syntax in LAYOUTS {
        let f = ultrasound(syntax, 3, 3, 3, GREY, Value::Bytes((0..28).collect()));
        for n in 0..3_u8 {
            assert_eq!(samples(&f, u32::from(n) + 1), Samples::Gray8((n * 9..n * 9 + 9).collect()), "{syntax} {n}");
        }
        let e = frame(&f, 4).unwrap_err();
        assert!(e.message().contains("1 to 3"), "{e}");
        assert!(frame(&f, 0).is_err());
    }
}

/// PS3.5 section 8.1.1 and annex A.3: 8-bit samples in OW are swapped in pairs when the file is big-endian, also where
/// a frame of odd length begins in the middle of a pair.
#[test]
fn big_endian_words_of_8_bit_samples_are_swapped_back() {
    let words: Vec<u16> = (0..14_u16).map(|i| (2 * i) | ((2 * i + 1) << 8)).collect();
    let mut f = ultrasound(BIG, 3, 3, 3, GREY, Value::Words(words));
    f.elements.last_mut().unwrap().2 = *b"OW";
    for n in 0..3_u8 {
        assert_eq!(samples(&f, u32::from(n) + 1), Samples::Gray8((n * 9..n * 9 + 9).collect()), "{n}");
    }
}

#[test]
fn run_lengths_of_grey_colour_and_two_byte_samples() {
    let plane = |from: u8| (0..9).map(|i| if i < 5 { from } else { from + i }).collect::<Vec<u8>>();
    let fragments = |f: Vec<Vec<u8>>| Value::Fragments { table: vec![], fragments: f };
    let one = ultrasound(RLE, 3, 3, 1, GREY, fragments(vec![run_lengths(&[plane(7)])]));
    assert_eq!(samples(&one, 1), Samples::Gray8(plane(7)));

    let planes = [plane(1), plane(40), plane(90)];
    let colour = ultrasound(RLE, 3, 3, 1, Look::colour("RGB", 1), fragments(vec![run_lengths(&planes)]));
    let triples = (0..9).flat_map(|i| planes.each_ref().map(|p| p[i])).collect();
    assert_eq!(samples(&colour, 1), Samples::Rgb8(triples));

    let wide = ultrasound(RLE, 3, 3, 1, Look::grey("MONOCHROME2", 16, 16), fragments(vec![run_lengths(&[plane(1), plane(2)])]));
    let words = plane(1).iter().zip(plane(2)).map(|(&h, l)| u16::from(h) << 8 | u16::from(l)).collect();
    assert_eq!(samples(&wide, 1), Samples::Gray16 { data: words, max: 0xFFFF });
}

#[test]
fn run_length_cines_with_and_without_offset_tables() {
    let frames: Vec<Vec<u8>> = (0..4_u8).map(|n| run_lengths(&[(0..12).map(|i| n * 20 + i).collect()])).collect();
    let mut table = vec![0_u32];
    for f in &frames {
        table.push(table.last().unwrap() + 8 + f.len().next_multiple_of(2) as u32);
    }
    table.pop();
    let far: Vec<u64> = table.iter().map(|&x| u64::from(x)).collect();
    let bare = Value::Fragments { table: vec![], fragments: frames.clone() };
    let plain = ultrasound(RLE, 4, 3, 4, GREY, bare.clone());
    let basic = ultrasound(RLE, 4, 3, 4, GREY, Value::Fragments { table, fragments: frames });
    let extended = ultrasound(RLE, 4, 3, 4, GREY, bare).with(0x7FE0, 0x0001, b"OV", Value::Ov(far));
    for f in [&plain, &basic, &extended] {
        let held = hold(&f.bytes());
        let stored = StoredFile::open(&held.path).unwrap();
        assert!(stored.warnings().is_empty(), "{:?}", stored.warnings());
        // Backwards, so that a reader that only goes forwards would fail.
        for n in (0..4_u8).rev() {
            let want = Samples::Gray8((0..12).map(|i| n * 20 + i).collect());
            assert_eq!(stored.frame(u32::from(n) + 1).unwrap().samples, want);
        }
    }
}

#[test]
fn what_the_header_says_comes_back() {
    let f = ultrasound(IMPLICIT, 6, 4, 2, GREY, Value::Bytes(vec![0; 48]))
        .with(0x0008, 0x0022, b"DA", Value::Text("20260302".into()))
        .with(0x0010, 0x21D0, b"DA", Value::Text("20250815".into()))
        .with(0x0018, 0x1063, b"DS", Value::Text("33.3".into()))
        .with(0x0018, 0x6031, b"CS", Value::Text("ENDOCAV_CLA".into()))
        .with(0x0028, 0x0030, b"DS", Value::Text("0.25\\0.5".into()))
        .with(0x0028, 0x0034, b"IS", Value::Text("4\\3".into()))
        .with(0x0028, 0x0301, b"CS", Value::Text("YES".into()))
        .with(0x0018, 0x6011, b"SQ", Value::Sequence { items: vec![region(6, 4, 0.02, 0.03), region(3, 4, 0.01, 0.01)], undefined: true });
    let stored = open(&f).unwrap();
    let facts = stored.facts();
    assert_eq!(facts.kind, Kind::Dicom);
    assert_eq!(facts.patient.name.as_deref(), Some("INVENTED^Müller"));
    assert_eq!(facts.patient.number.as_deref(), Some("INV-7"));
    assert_eq!(facts.patient.birth_date, Some(jiff::civil::date(1990, 2, 3)));
    assert_eq!(facts.exam_date, Some(jiff::civil::date(2026, 3, 2)), "Acquisition Date goes before Study Date");
    assert_eq!(facts.last_menstrual_date, Some(jiff::civil::date(2025, 8, 15)));
    assert_eq!((facts.study_instance_uid.as_deref(), facts.series_instance_uid.as_deref()), (Some("2.25.2001"), Some("2.25.3001")));
    assert_eq!(facts.frame_time_ms, Some(33.3));
    assert_eq!(facts.transducer_type.as_deref(), Some("ENDOCAV_CLA"));
    assert_eq!(facts.image_type[2], "ENDOVAGINAL");
    assert_eq!((facts.burned_in, facts.transfer_syntax_name.as_str()), (Some(true), "Implicit VR Little Endian"));
    let g = stored.geometry();
    assert_eq!((g.rows, g.columns, stored.frame_count()), (4, 6, 2));
    assert_eq!(g.pixel_spacing_row_column, Some([0.25, 0.5]));
    assert_eq!(g.pixel_aspect_vertical_horizontal, Some([4, 3]));
    let first = RawRegion::of_tissue([0, 0, 5, 3], [0.02, 0.03]);
    assert_eq!(g.regions, [first.clone(), RawRegion { max_x1: Some(2), delta_x: Some(0.01), delta_y: Some(0.01), ..first }]);
    assert!(stored.warnings().is_empty(), "{:?}", stored.warnings());
}

#[test]
fn regions_come_back_from_every_layout_with_defined_and_undefined_lengths() {
    for syntax in LAYOUTS {
        for undefined in [false, true] {
            let f = ultrasound(syntax, 6, 4, 1, GREY, Value::Bytes(vec![0; 24])).with(
                0x0018,
                0x6011,
                b"SQ",
                Value::Sequence { items: vec![region(6, 4, 0.02, 0.03)], undefined },
            );
            assert_eq!(open(&f).unwrap().geometry().regions[0].delta_y, Some(0.03), "{syntax} {undefined}");
        }
    }
}

#[test]
fn a_bad_date_is_said_and_does_not_stop_the_file() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2])).with(0x0010, 0x0030, b"DA", Value::Text("19901332".into()));
    let stored = open(&f).unwrap();
    assert_eq!(stored.facts().patient.birth_date, None);
    assert!(stored.warnings()[0].contains("Patient's Birth Date (0010,0030)"), "{:?}", stored.warnings());
    assert!(!stored.warnings()[0].contains("1990"), "identity in a warning");
}

#[test]
fn files_without_preamble_or_meta_group_are_read_and_said_to_be_odd() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let mut f = ultrasound(syntax, 2, 1, 1, GREY, Value::Bytes(vec![1, 2]));
        f.preamble = false;
        let held = hold(&f.bytes());
        let stored = StoredFile::open(&held.path).unwrap();
        assert_eq!(stored.frame(1).unwrap().samples, Samples::Gray8(vec![1, 2]), "{syntax}");
        assert_eq!(stored.facts().transfer_syntax_uid, syntax);
        assert!(stored.warnings().iter().any(|w| w.contains("no transfer syntax")), "{:?}", stored.warnings());
    }
}

/// A DICOM file may carry a TIFF header in its preamble (PS3.10 7.1 and PS3.15): it is still DICOM.
#[test]
fn a_preamble_that_is_a_tiff_header_does_not_make_it_a_tiff() {
    let mut bytes = ultrasound(EXPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2])).bytes();
    bytes[..4].copy_from_slice(b"II*\0");
    assert_eq!(open_bytes(&bytes).unwrap().facts().kind, Kind::Dicom);
}

/// The text of version 1, written out by hand.
#[test]
fn the_digest_of_a_frame_is_that_of_its_canonical_text_and_bytes() {
    let f = ultrasound(EXPLICIT, 2, 1, 2, GREY, Value::Bytes(vec![1, 2, 3, 4]))
        .with(0x0028, 0x0034, b"IS", Value::Text("4\\3".into()))
        .with(0x0018, 0x6011, b"SQ", Value::Sequence { items: vec![region(2, 1, 0.05104970559477806, 1e-7)], undefined: false });
    let text = "osspan frame identity 1\ntransfer-syntax=1.2.840.10008.1.2.1\nrows=1\ncolumns=2\nphotometric=MONOCHROME2\nbits=8,8,0,0,0\n\
                region=1,1,2,0,0,1,0,3,3,0.05104970559477806,0.0000001\npixel-spacing=-\npixel-aspect=4,3\nbytes=2\n";
    let mut want = text.as_bytes().to_vec();
    want.extend([3, 4]);
    let want = osspan::digest::sha256_hex(&want);
    let id = frame(&f, 2).unwrap().id;
    assert_eq!(id.sha256, want);
    assert_eq!((id.frame_number, id.sop_instance_uid.as_deref()), (2, Some("2.25.1001")));

    let renamed = f.clone().with(0x0010, 0x0010, b"PN", Value::Text("INVENTED^Other".into()));
    assert_eq!(frame(&renamed, 2).unwrap().id.sha256, want, "a name is no part of it");
    let rescaled = f.with(0x0028, 0x0030, b"DS", Value::Text("0.1\\0.1".into()));
    assert_ne!(frame(&rescaled, 2).unwrap().id.sha256, want, "a scale is part of it");
}

#[test]
fn a_file_that_changes_after_it_was_opened_is_not_read_on() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2]));
    let held = hold(&f.bytes());
    let stored = StoredFile::open(&held.path).unwrap();
    let longer = ultrasound(EXPLICIT, 2, 1, 1, GREY, Value::Bytes(vec![1, 2, 0, 0]));
    std::fs::write(&held.path, longer.bytes()).unwrap();
    assert!(stored.frame(1).unwrap_err().message().contains("changed since it was opened"));
}
