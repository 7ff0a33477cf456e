//! One picture in every syntax (`tests/seeds/make.py`): whatever coded it, the same samples come out; and a code stream
//! that is cut short is never taken for a whole picture.

use std::fs::File;
use std::path::PathBuf;

use osspan::ErrorKind;
use osspan::dicom::fragments::FrameIndex;
use osspan::dicom::source::{Plain, Source};
use osspan::dicom::walk::walk;
use osspan::frame::Samples;
use osspan::load::StoredFile;

use super::dicomfile::{Look, Value, ultrasound};
use super::frame;

fn seed(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/seeds").join(format!("{name}.dcm"))
}

fn samples(name: &str, number: u32) -> Samples {
    StoredFile::open(&seed(name)).unwrap().frame(number).unwrap_or_else(|e| panic!("{e}")).samples
}

#[test]
fn every_lossless_coding_of_one_picture_gives_the_same_samples() {
    for n in 1..=3 {
        let plain = samples("explicit-cine", n);
        for other in ["run-lengths-cine", "jpeg-ls-cine"] {
            assert_eq!(samples(other, n), plain, "{other} frame {n}");
        }
    }
    let first = samples("explicit-cine", 1);
    for other in ["implicit", "deflated", "jpeg-lossless", "jpeg-2000"] {
        assert_eq!(samples(other, 1), first, "{other}");
    }
    assert!(matches!(&first, Samples::Gray8(d) if d.iter().any(|v| *v > 100)), "an empty picture proves nothing");
    let colour = samples("rgb", 1);
    for other in ["run-lengths-rgb", "jpeg-lossless-rgb", "jpeg-ls-sample"] {
        assert_eq!(samples(other, 1), colour, "{other}");
    }
    let deep = samples("big-endian-12-bits", 1);
    assert!(matches!(deep, Samples::Gray16 { max: 4095, .. }));
    for other in ["jpeg-lossless-12-bits", "jpeg-ls-12-bits"] {
        assert_eq!(samples(other, 1), deep, "{other}");
    }
}

/// How far each coding with loss may be off: near-lossless by what its coder was told, the others by what these coders
/// were seen to do at their quality, doubled.
#[test]
fn codings_with_loss_stay_near() {
    let off = |a: Samples, b: Samples| match (a, b) {
        (Samples::Rgb8(a), Samples::Rgb8(b)) | (Samples::Gray8(a), Samples::Gray8(b)) => {
            let each = || a.iter().zip(&b).map(|(x, y)| i32::from(*x) - i32::from(*y)).map(i32::abs);
            (each().max().unwrap(), each().sum::<i32>() as f64 / a.len() as f64)
        }
        other => panic!("{other:?}"),
    };
    let (most, _) = off(samples("jpeg-ls-near-line", 1), samples("rgb", 1));
    assert!(most == 2, "{most}");
    for (name, mean) in [("jpeg-2000-with-loss", 6.0), ("jpeg-ybr-422", 6.0), ("jpeg-progressive", 6.0)] {
        let (_, got) = off(samples(name, 1), samples("rgb", 1));
        assert!(got < mean, "{name}: {got}");
    }
    for n in 1..=3 {
        let (_, got) = off(samples("jpeg-cine", n), samples("explicit-cine", n));
        assert!(got < 6.0, "frame {n}: {got}");
    }
}

/// The first frame's code stream of a seed.
fn stream(name: &str) -> (&'static str, Vec<u8>) {
    let path = seed(name);
    let header = walk(File::open(&path).unwrap()).unwrap();
    let mut source = Plain::new(File::open(&path).unwrap(), header.pixel_data.unwrap().offset).unwrap();
    let count = StoredFile::open(&path).unwrap().frame_count();
    let index = FrameIndex::find(&mut source, false, count, None).unwrap();
    let mut out = Vec::new();
    for f in index.frame(1).unwrap() {
        source.restart(f.offset).unwrap();
        let mut part = vec![0; f.length as usize];
        source.read(&mut part).unwrap();
        out.extend(part);
    }
    (header.syntax.uid, out)
}

#[test]
fn a_code_stream_that_is_cut_short_is_refused_in_every_coding() {
    for name in ["run-lengths-cine", "jpeg-cine", "jpeg-ybr-422", "jpeg-lossless", "jpeg-lossless-12-bits", "jpeg-ls-cine", "jpeg-2000"] {
        let (syntax, whole) = stream(name);
        let look = match name {
            "jpeg-ybr-422" => Look::colour("YBR_FULL_422", 0),
            "jpeg-lossless-12-bits" => Look::grey("MONOCHROME2", 16, 12),
            _ => Look::grey("MONOCHROME2", 8, 8),
        };
        let file = |bytes: &[u8]| ultrasound(syntax, 34, 36, 1, look, Value::Fragments { table: vec![], fragments: vec![bytes.to_vec()] });
        frame(&file(&whole), 1).unwrap_or_else(|e| panic!("{name}: {e}"));
        for part in [whole.len() / 4, whole.len() / 2, whole.len() * 3 / 4, whole.len() * 9 / 10] {
            let e = frame(&file(&whole[..part]), 1).expect_err(&format!("{name} cut to {part} of {} bytes", whole.len()));
            assert_eq!(e.kind(), ErrorKind::Format, "{name}: {e}");
        }
    }
}
