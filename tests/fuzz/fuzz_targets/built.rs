//! Sound DICOM files whose values are the fuzzer's: header, regions and coded pixel data reach calibration and the
//! decoders, which random bytes hardly ever do.
#![no_main]
#![allow(dead_code)]

#[path = "../../it/load/dicomfile.rs"]
mod dicomfile;

use std::path::PathBuf;
use std::sync::LazyLock;

use dicomfile::{Look, Value, region, run_lengths, ultrasound};
use libfuzzer_sys::fuzz_target;
use osspan::calibrate::header::calibration_for;
use osspan::load::StoredFile;
use osspan::units::PxPoint;

static FILE: LazyLock<PathBuf> = LazyLock::new(|| PathBuf::from(format!("/dev/shm/osspan-fuzz-{}", std::process::id())));

const SYNTAXES: [&str; 13] = [
    "1.2.840.10008.1.2",
    "1.2.840.10008.1.2.1",
    "1.2.840.10008.1.2.1.99",
    "1.2.840.10008.1.2.2",
    "1.2.840.10008.1.2.5",
    "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.51",
    "1.2.840.10008.1.2.4.57",
    "1.2.840.10008.1.2.4.70",
    "1.2.840.10008.1.2.4.80",
    "1.2.840.10008.1.2.4.81",
    "1.2.840.10008.1.2.4.90",
    "1.2.840.10008.1.2.4.91",
];
const TERMS: [&str; 8] = ["MONOCHROME1", "MONOCHROME2", "PALETTE COLOR", "RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT"];

/// Takes the fuzzer's bytes one after the other; zeros when there are no more.
struct Taker<'a>(&'a [u8]);

impl Taker<'_> {
    fn byte(&mut self) -> u8 {
        self.0.split_off_first().copied().unwrap_or(0)
    }
    fn word(&mut self) -> u16 {
        u16::from_le_bytes([self.byte(), self.byte()])
    }
    fn real(&mut self) -> f64 {
        f64::from_bits((0..8).fold(0, |x, _| x << 8 | u64::from(self.byte())))
    }
}

fuzz_target!(|data: &[u8]| {
    let mut t = Taker(data);
    let syntax = SYNTAXES[usize::from(t.byte()) % SYNTAXES.len()];
    let term = TERMS[usize::from(t.byte()) % TERMS.len()];
    let (columns, rows) = (u16::from(t.byte() % 64) + 1, u16::from(t.byte() % 64) + 1);
    let frames = u32::from(t.byte() % 4) + 1;
    let allocated = if t.byte() % 4 == 0 { 16 } else { 8 };
    let stored = u16::from(t.byte()) % allocated + 1;
    let samples = if matches!(term, "MONOCHROME1" | "MONOCHROME2" | "PALETTE COLOR") { 1 } else { 3 };
    let look = Look { photometric: term, samples, allocated, stored: if samples == 3 { 8 } else { stored }, planar: u16::from(t.byte() % 2) };
    let mut f = ultrasound(syntax, columns, rows, frames, look, Value::Bytes(vec![]));
    if t.byte() % 2 == 0 {
        f = f.with(0x0028, 0x0102, b"US", Value::Us(vec![t.word() % 16]));
    }
    if term == "PALETTE COLOR" {
        for i in 0..3 {
            let entries = t.word() % 300;
            let bits = if t.byte() % 2 == 0 { 8 } else { 16 };
            let table = (0..t.word() % 300).map(|i| i.wrapping_mul(t.word())).collect();
            f = f.with(0x0028, 0x1101 + i, b"US", Value::Us(vec![entries, t.word() % 8, bits]));
            let tag = if t.byte() % 4 == 0 { 0x1221 } else { 0x1201 };
            f = f.with(0x0028, tag + i, b"OW", Value::Words(table));
        }
    }
    let mut regions = Vec::new();
    for _ in 0..t.byte() % 3 {
        let mut r = region(u32::from(columns), u32::from(rows), t.real(), t.real());
        if t.byte() % 2 == 0 {
            let which = usize::from(t.byte()) % r.len();
            r[which].3 = match r[which].3 {
                Value::Us(_) => Value::Us(vec![t.word()]),
                Value::Ul(_) => Value::Ul(vec![u32::from(t.word())]),
                _ => Value::Fd(vec![t.real()]),
            };
        }
        regions.push(r);
    }
    if !regions.is_empty() {
        f = f.with(0x0018, 0x6011, b"SQ", Value::Sequence { items: regions, undefined: t.byte() % 2 == 0 });
    }
    if t.byte() % 4 == 0 {
        f = f.with(0x0028, 0x0030, b"DS", Value::Text(format!("{}\\{}", t.byte(), f64::from(t.word()) / 100.0)));
    }
    let whole = usize::from(columns) * usize::from(rows) * usize::from(samples) * usize::from(allocated / 8);
    let pixels = if SYNTAXES[..4].contains(&syntax) {
        let mut rest = t.0.to_vec();
        rest.resize(whole * frames as usize, 0x5A);
        Value::Bytes(rest)
    } else if syntax == SYNTAXES[4] && t.byte() % 2 == 0 {
        let plane = usize::from(columns) * usize::from(rows);
        let mut rest = t.0.to_vec();
        rest.resize(whole, 0x5A);
        let planes: Vec<Vec<u8>> = rest.chunks(plane).map(<[u8]>::to_vec).collect();
        Value::Fragments { table: vec![], fragments: vec![run_lengths(&planes); frames as usize] }
    } else {
        Value::Fragments { table: vec![], fragments: vec![t.0.to_vec(); frames as usize] }
    };
    let vr = if allocated == 16 { b"OW" } else { b"OB" };
    std::fs::write(&*FILE, f.with(0x7FE0, 0x0010, vr, pixels).bytes()).expect("/dev/shm takes a file");
    if let Ok(file) = StoredFile::open(&FILE) {
        let points = [PxPoint::new(1.0, 1.0), PxPoint::new(f64::from(columns) / 2.0, f64::from(rows) / 2.0)];
        if let Ok(scale) = calibration_for(file.geometry(), &points, None) {
            let mm = scale.calibration.distance(points[0], points[1]).get();
            assert!(mm.is_finite() && mm >= 0.0, "{mm} mm");
        }
        let _ = file.frame(1).map(|frame| frame.to_rgba8());
        let _ = file.frame(frames);
    }
});
