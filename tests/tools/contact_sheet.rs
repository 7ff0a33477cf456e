//! Draws 24 synthetic frames on one sheet, and one with letters on its structures: `cargo run --example contact-sheet
//! [folder]`. For looking at, and for docs/.

use std::path::PathBuf;

use image::GrayImage;
use osspan::synth::{Anatomy, Contraction, Funnel, Hold, Scanner, Seed, Vessel, Wall, render};

const COLUMNS: u32 = 4;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("docs"), PathBuf::from);
    sheet()?.save(folder.join("synthetic-frames.png"))?;
    marked()?.save(folder.join("synthetic-marked.png"))?;
    Ok(())
}

fn drawn(anatomy: &Anatomy, scanner: &Scanner, hold: &Hold, tissue: u64) -> Result<GrayImage, Box<dyn std::error::Error>> {
    let samples = render(anatomy, scanner, hold, Seed { tissue, shot: 0 })?;
    Ok(GrayImage::from_raw(scanner.columns(), scanner.rows(), samples).ok_or("a frame of another size")?)
}

fn sheet() -> Result<GrayImage, Box<dyn std::error::Error>> {
    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 64.0, depth_mm: 78.0, mm_per_px_x: 0.36, mm_per_px_y: 0.36 };
    let (w, h) = (scanner.columns(), scanner.rows());
    let frames = frames()?;
    let mut sheet = GrayImage::new(COLUMNS * (w + 4), (frames.len() as u32).div_ceil(COLUMNS) * (h + 4));
    for (k, (anatomy, hold)) in (0_u32..).zip(frames) {
        let frame = drawn(&anatomy, &scanner, &hold, 900 + u64::from(k))?;
        image::imageops::replace(&mut sheet, &frame, i64::from(k % COLUMNS * (w + 4)), i64::from(k / COLUMNS * (h + 4)));
    }
    Ok(sheet)
}

/// One frame with letters on eight structures and no names, for readers who were not told what it shows.
fn marked() -> Result<GrayImage, Box<dyn std::error::Error>> {
    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 64.0, depth_mm: 78.0, mm_per_px_x: 0.2, mm_per_px_y: 0.2 };
    let hold = Hold { os_x_mm: 4.0, os_y_mm: 34.0, turn_degrees: 0.0 };
    let anatomy = Anatomy { bladder_mm: 11.0, ..Anatomy::posterior(17.0) };
    let mut frame = drawn(&anatomy, &scanner, &hold, 977)?;
    for (letter, [at, to]) in ('A'..).zip(MARKED) {
        if at != to {
            let steps = 4 * at[0].abs_diff(to[0]).max(at[1].abs_diff(to[1]));
            for k in 0..=steps {
                let between =
                    |a: u32, b: u32| (f64::from(a) + (f64::from(b) - f64::from(a)) * f64::from(k) / f64::from(steps)).round() as u32;
                put(&mut frame, between(at[0], to[0]), between(at[1], to[1]), 255);
            }
        }
        write(&mut frame, letter, at);
    }
    Ok(frame)
}

fn put(frame: &mut GrayImage, x: u32, y: u32, value: u8) {
    if x < frame.width() && y < frame.height() {
        frame.put_pixel(x, y, image::Luma([value]));
    }
}

/// A letter in black on a white plate, its middle at a pixel.
fn write(frame: &mut GrayImage, letter: char, [x, y]: [u32; 2]) {
    let rows = LETTERS[letter as usize - 'A' as usize];
    for dy in 0..22_u32 {
        for dx in 0..18_u32 {
            let (row, column) = (dy.wrapping_sub(4) / 2, dx.wrapping_sub(4) / 2);
            let ink = row < 7 && column < 5 && rows[row as usize] >> (4 - column) & 1 == 1;
            put(frame, (x + dx).saturating_sub(9), (y + dy).saturating_sub(11), if ink { 0 } else { 255 });
        }
    }
}

/// Where each letter stands and what it points at, px. The key is at the end of docs/SYNTHETIC.md.
const MARKED: [[[u32; 2]; 2]; 8] = [
    [[300, 75], [300, 75]],
    [[545, 120], [512, 172]],
    [[280, 215], [280, 215]],
    [[130, 225], [230, 240]],
    [[352, 368], [352, 368]],
    [[335, 255], [413, 200]],
    [[370, 300], [425, 293]],
    [[530, 345], [432, 352]],
];

/// Five by seven dots a letter, A to H.
const LETTERS: [[u8; 7]; 8] = [
    [0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001],
    [0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110],
    [0b01110, 0b10001, 0b10000, 0b10000, 0b10000, 0b10001, 0b01110],
    [0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110],
    [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111],
    [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000],
    [0b01110, 0b10001, 0b10000, 0b10111, 0b10001, 0b10001, 0b01111],
    [0b10001, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001],
];

/// Row by row, as docs/SYNTHETIC.md lists them.
fn frames() -> osspan::Result<Vec<(Anatomy, Hold)>> {
    let hold = Hold { os_x_mm: 4.0, os_y_mm: 34.0, turn_degrees: 0.0 };
    let high = Hold { os_x_mm: 10.0, os_y_mm: 31.0, turn_degrees: 6.0 };
    let deep = Hold { os_x_mm: 6.0, os_y_mm: 44.0, turn_degrees: 0.0 };
    let mut all = Vec::new();
    for d in [-20.0, -9.0, 0.0, 4.0, 9.0, 14.0, 22.0, 31.0] {
        let edge_thickness_mm = if d < 0.0 { 11.0 } else { 7.5 };
        all.push((Anatomy { edge_thickness_mm, ..Anatomy::posterior(d) }, if d > 20.0 { high } else { hold }));
    }
    for d in [-14.0, 5.0, 12.0, 25.0] {
        all.push((Anatomy::anterior(d), hold));
    }
    let base = Anatomy::posterior(16.0);
    let vessel = |from_os_mm| Some(Vessel { from_os_mm, diameter_mm: 4.5 });
    let contraction = |on| Some(Contraction { on, from_os_mm: 24.0, half_length_mm: 18.0, height_mm: 13.0 });
    all.extend([
        (Anatomy { far_edge_mm: Some(22.0), edge_thickness_mm: 14.0, ..Anatomy::posterior(-22.0) }, hold),
        (Anatomy { edge_thickness_mm: 12.0, ..base }, hold),
        (Anatomy { edge_thickness_mm: 3.5, placenta_thickness_mm: 14.0, ..base }, hold),
        (Anatomy::posterior(8.0).turned_off_axis(60.0)?, hold),
        (Anatomy { sinus_mm: 7.0, ..base }, hold),
        (Anatomy { vessel: vessel(0.0), ..Anatomy::posterior(22.0) }, hold),
        (Anatomy { scar_mm: 4.0, ..base }, hold),
        (Anatomy { funnel: Some(Funnel { depth_mm: 16.0, width_mm: 13.0 }), ..base }, hold),
        (Anatomy { contraction: contraction(Wall::Anterior), head_radius_mm: 0.0, ..base }, hold),
        (Anatomy { bladder_mm: 0.0, wall_mm: 7.0, ..base }, hold),
        (Anatomy { bladder_mm: 24.0, apposed_mm: 9.0, ..Anatomy::posterior(20.0) }, deep),
        (Anatomy { cervix_length_mm: 20.0, head_radius_mm: 0.0, ..base }, hold),
    ]);
    Ok(all)
}
