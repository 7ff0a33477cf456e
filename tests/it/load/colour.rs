//! Grey, palettes and colour spaces without compression.

use osspan::ErrorKind;
use osspan::frame::Samples;

use super::dicomfile::{BIG, DicomFile, EXPLICIT, IMPLICIT, Look, Value, ultrasound};
use super::{failure, open, samples};

#[test]
fn monochrome1_is_turned_so_that_0_is_black() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME1", 8, 8), Value::Bytes(vec![0, 200]));
    assert_eq!(samples(&f, 1), Samples::Gray8(vec![255, 55]));
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME1", 16, 12), Value::Words(vec![0, 0x0FFE]));
    assert_eq!(samples(&f, 1), Samples::Gray16 { data: vec![0x0FFF, 1], max: 0x0FFF });
}

/// Three tables that tell channel and index apart; descriptor: entries, first value, bits.
fn with_palette(f: DicomFile, descriptor: [u16; 3], tables: [Value; 3]) -> DicomFile {
    let mut f = f;
    for (i, table) in tables.into_iter().enumerate() {
        f = f.with(0x0028, 0x1101 + i as u16, b"US", Value::Us(descriptor.to_vec())).with(0x0028, 0x1201 + i as u16, b"OW", table);
    }
    f
}

#[test]
fn palettes_of_16_bit_entries_give_their_high_byte() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let table = |hi: u16| Value::Words((0..4).map(|i| (hi + i) << 8 | 0x77).collect());
        let f = ultrasound(syntax, 4, 1, 1, Look::grey("PALETTE COLOR", 8, 8), Value::Bytes(vec![0, 1, 3, 9]));
        let f = with_palette(f, [4, 0, 16], [table(10), table(100), table(200)]);
        // 9 lies past the last entry and takes the last.
        assert_eq!(samples(&f, 1), Samples::Rgb8(vec![10, 100, 200, 11, 101, 201, 13, 103, 203, 13, 103, 203]), "{syntax}");
    }
}

/// Two 8-bit entries a word, the first in the low byte (PS3.3 C.7.6.3.1.6), whatever the byte order of the file.
#[test]
fn palettes_of_8_bit_entries_are_packed_in_words() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let table = |first: u16| Value::Words((0..2).map(|i| (first + 2 * i) | (first + 2 * i + 1) << 8).collect());
        let f = ultrasound(syntax, 4, 1, 1, Look::grey("PALETTE COLOR", 8, 8), Value::Bytes(vec![0, 1, 2, 3]));
        let f = with_palette(f, [4, 0, 8], [table(10), table(100), table(200)]);
        assert_eq!(samples(&f, 1), Samples::Rgb8(vec![10, 100, 200, 11, 101, 201, 12, 102, 202, 13, 103, 203]), "{syntax}");
    }
}

#[test]
fn palettes_with_a_first_value_and_16_bit_pixels() {
    let table = |hi: u16| Value::Words((0..3).map(|i| (hi + i) << 8).collect());
    let f = ultrasound(EXPLICIT, 4, 1, 1, Look::grey("PALETTE COLOR", 16, 16), Value::Words(vec![0, 1000, 1001, 60000]));
    let f = with_palette(f, [3, 1000, 16], [table(10), table(100), table(200)]);
    assert_eq!(samples(&f, 1), Samples::Rgb8(vec![10, 100, 200, 10, 100, 200, 11, 101, 201, 12, 102, 202]));
}

#[test]
fn palettes_that_say_16_bits_and_hold_8_are_not_shown_black() {
    let table = |v: u16| Value::Words((0..2).map(|i| v + i).collect());
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("PALETTE COLOR", 8, 8), Value::Bytes(vec![0, 1]));
    let f = with_palette(f, [2, 0, 16], [table(10), table(100), table(200)]);
    assert_eq!(samples(&f, 1), Samples::Rgb8(vec![10, 100, 200, 11, 101, 201]));
    assert!(open(&f).unwrap().warnings()[0].contains("8-bit"));
}

#[test]
fn a_palette_that_is_missing_or_short_is_refused_by_name() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("PALETTE COLOR", 8, 8), Value::Bytes(vec![0, 1]));
    let e = failure(&f);
    assert!(e.kind() == ErrorKind::Format && e.message().contains("Red Palette Color Lookup Table Descriptor"), "{e}");
    let table = || Value::Words(vec![1, 2]);
    let e = failure(&with_palette(f, [5, 0, 16], [table(), table(), table()]));
    assert!(e.message().contains("5 entries of 16 bits"), "{e}");
}

#[test]
fn rgb_pixel_by_pixel_and_plane_by_plane() {
    let triples = vec![1, 2, 3, 4, 5, 6];
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::colour("RGB", 0), Value::Bytes(triples.clone()));
    assert_eq!(samples(&f, 1), Samples::Rgb8(triples.clone()));
    for syntax in [IMPLICIT, BIG] {
        let f = ultrasound(syntax, 2, 1, 1, Look::colour("RGB", 1), Value::Bytes(vec![1, 4, 2, 5, 3, 6]));
        assert_eq!(samples(&f, 1), Samples::Rgb8(triples.clone()), "{syntax}");
    }
}

/// ITU-T T.871 section 7: grey is (Y, 128, 128); full red, green and blue as that section's equations give them.
#[test]
fn ybr_full_becomes_rgb() {
    let ybr = vec![76, 85, 255, 150, 44, 21, 29, 255, 107, 128, 128, 128];
    let want = [[254, 0, 0], [0, 255, 1], [0, 0, 254], [128, 128, 128]].concat();
    let f = ultrasound(EXPLICIT, 4, 1, 1, Look::colour("YBR_FULL", 0), Value::Bytes(ybr.clone()));
    assert_eq!(samples(&f, 1), Samples::Rgb8(want.clone()));
    let planes: Vec<u8> = (0..3).flat_map(|c| ybr.iter().skip(c).step_by(3).copied().collect::<Vec<u8>>()).collect();
    let f = ultrasound(EXPLICIT, 4, 1, 1, Look::colour("YBR_FULL", 1), Value::Bytes(planes));
    assert_eq!(samples(&f, 1), Samples::Rgb8(want));
}

/// PS3.3 C.7.6.3.1.2: two brightnesses, then the colour differences that both share.
#[test]
fn uncompressed_ybr_full_422_spreads_its_colour_differences() {
    let f = ultrasound(EXPLICIT, 2, 2, 1, Look::colour("YBR_FULL_422", 0), Value::Bytes(vec![76, 76, 85, 255, 10, 200, 128, 128]));
    assert_eq!(samples(&f, 1), Samples::Rgb8(vec![254, 0, 0, 254, 0, 0, 10, 10, 10, 200, 200, 200]));
    let odd = ultrasound(EXPLICIT, 3, 2, 1, Look::colour("YBR_FULL_422", 0), Value::Bytes(vec![0; 12]));
    assert_eq!(failure(&odd).kind(), ErrorKind::Unsupported);
}

#[test]
fn ybr_full_422_as_long_as_ybr_full_is_read_so_and_said() {
    let f = ultrasound(EXPLICIT, 1, 2, 1, Look::colour("YBR_FULL_422", 0), Value::Bytes(vec![10, 128, 128, 200, 128, 128]));
    assert_eq!(samples(&f, 1), Samples::Rgb8(vec![10, 10, 10, 200, 200, 200]));
    assert!(open(&f).unwrap().warnings()[0].contains("YBR_FULL_422"));
}

#[test]
fn colours_and_depths_that_no_ultrasound_image_has_are_refused_by_name() {
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::colour("CMYK", 0), Value::Bytes(vec![0; 6]));
    assert!(failure(&f).message().contains("CMYK"));
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("MONOCHROME2", 32, 32), Value::Bytes(vec![0; 8]));
    assert!(failure(&f).message().contains("Bits Allocated (0028,0100)"));
    let f = ultrasound(EXPLICIT, 2, 1, 1, Look::grey("RGB", 8, 8), Value::Bytes(vec![0; 2]));
    assert!(failure(&f).message().contains("Samples per Pixel (0028,0002)"));
}
