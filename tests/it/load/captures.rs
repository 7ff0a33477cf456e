//! Pictures captured from a scanner.

use image::{DynamicImage, ImageFormat, RgbImage, RgbaImage};
use osspan::ErrorKind;
use osspan::frame::Samples;
use osspan::load::{Kind, StoredFile};
use std::io::Cursor;

use super::hold;

fn coded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    picture.write_to(&mut out, format).unwrap();
    out.into_inner()
}

fn picture() -> RgbImage {
    RgbImage::from_fn(21, 13, |x, y| image::Rgb([x as u8 * 9, y as u8 * 9, 77]))
}

#[test]
fn png_tiff_and_bmp_come_back_as_they_were() {
    let rgb = picture();
    for (format, name) in [(ImageFormat::Png, "PNG"), (ImageFormat::Tiff, "TIFF"), (ImageFormat::Bmp, "BMP")] {
        let held = hold(&coded(&DynamicImage::ImageRgb8(rgb.clone()), format));
        let stored = StoredFile::open(&held.path).unwrap();
        assert_eq!((stored.geometry().columns, stored.geometry().rows, stored.frame_count()), (21, 13, 1));
        assert_eq!((stored.facts().kind, stored.facts().transfer_syntax_name.as_str()), (Kind::Capture, name));
        assert!(stored.geometry().regions.is_empty(), "a capture carries no scale");
        let frame = stored.frame(1).unwrap();
        assert_eq!(frame.samples, Samples::Rgb8(rgb.as_raw().clone()), "{name}");
        assert_eq!((frame.id.sha256.len(), frame.id.sop_instance_uid), (64, None));
        assert!(stored.frame(2).is_err());
    }
}

#[test]
fn jpeg_is_strict() {
    let bytes = coded(&DynamicImage::ImageRgb8(picture()), ImageFormat::Jpeg);
    let held = hold(&bytes);
    let frame = StoredFile::open(&held.path).unwrap().frame(1).unwrap();
    let Samples::Rgb8(got) = frame.samples else { panic!("not colour") };
    let off: i32 = got.iter().zip(picture().as_raw()).map(|(a, b)| (i32::from(*a) - i32::from(*b)).abs()).max().unwrap();
    assert!(off < 40, "{off}");
    let half = hold(&bytes[..bytes.len() - 60]);
    assert_eq!(StoredFile::open(&half.path).unwrap().frame(1).unwrap_err().kind(), ErrorKind::Format);
}

#[test]
fn sixteen_bit_grey_keeps_its_bits() {
    let grey = image::ImageBuffer::from_fn(5, 3, |x, y| image::Luma([x as u16 * 9000 + y as u16]));
    let held = hold(&coded(&DynamicImage::ImageLuma16(grey.clone()), ImageFormat::Png));
    let want = Samples::Gray16 { data: grey.into_raw(), max: 65_535 };
    assert_eq!(StoredFile::open(&held.path).unwrap().frame(1).unwrap().samples, want);
}

#[test]
fn opaque_alpha_is_dropped_and_transparency_refused() {
    let with = |a: u8| DynamicImage::ImageRgba8(RgbaImage::from_pixel(4, 3, image::Rgba([9, 8, 7, a])));
    let held = hold(&coded(&with(255), ImageFormat::Png));
    assert_eq!(StoredFile::open(&held.path).unwrap().frame(1).unwrap().samples, Samples::Rgb8([9, 8, 7].repeat(12)));
    let held = hold(&coded(&with(254), ImageFormat::Png));
    assert!(StoredFile::open(&held.path).unwrap().frame(1).unwrap_err().message().contains("transparent"));
}

#[test]
fn damaged_and_oversized_pictures_are_refused() {
    for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::Bmp] {
        let bytes = coded(&DynamicImage::ImageRgb8(picture()), format);
        let held = hold(&bytes[..bytes.len() / 2]);
        let e = StoredFile::open(&held.path).and_then(|f| f.frame(1)).unwrap_err();
        assert!(matches!(e.kind(), ErrorKind::Format), "{format:?}: {e}");
    }
    let mut png = coded(&DynamicImage::ImageRgb8(picture()), ImageFormat::Png);
    // Width and height of the header chunk, and its checksum made right again.
    png[16..24].copy_from_slice(&[0, 0, 0x75, 0x30, 0, 0, 0x75, 0x30]);
    let crc = crc32(&png[12..29]);
    png[29..33].copy_from_slice(&crc.to_be_bytes());
    let held = hold(&png);
    assert_eq!(StoredFile::open(&held.path).unwrap_err().kind(), ErrorKind::Limit);
}

fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = flate2::Crc::new();
    crc.update(bytes);
    crc.sum()
}
