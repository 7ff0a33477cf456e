//! Draws 24 synthetic frames on one sheet: `cargo run --example contact-sheet [file.png]`. For looking at, and for docs/.

use std::path::PathBuf;

use osspan::synth::{Anatomy, Hold, Scanner, Seed, Vessel, Wall, render};

const COLUMNS: u32 = 4;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("docs/synthetic-frames.png"), PathBuf::from);
    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 50.0, depth_mm: 72.0, mm_per_px_x: 0.42, mm_per_px_y: 0.42 };
    let (w, h) = (scanner.columns(), scanner.rows());
    let frames = frames();
    let mut sheet = image::GrayImage::new(COLUMNS * (w + 4), (frames.len() as u32).div_ceil(COLUMNS) * (h + 4));
    for (k, (anatomy, hold)) in (0_u32..).zip(frames) {
        let samples = render(&anatomy, &scanner, &hold, Seed { tissue: 900 + u64::from(k), shot: 0 })?;
        let frame = image::GrayImage::from_raw(w, h, samples).ok_or("a frame of another size")?;
        image::imageops::replace(&mut sheet, &frame, i64::from(k % COLUMNS * (w + 4)), i64::from(k / COLUMNS * (h + 4)));
    }
    sheet.save(path)?;
    Ok(())
}

/// Row by row: overlap, close and away on the posterior wall; the same on the anterior; then sinus, vessel, scar, bladder.
fn frames() -> Vec<(Anatomy, Hold)> {
    let hold = Hold { os_x_mm: 3.0, os_y_mm: 33.0, turn_degrees: 0.0 };
    let far = Hold { os_x_mm: 9.0, os_y_mm: 29.0, turn_degrees: 2.0 };
    let mut all = Vec::new();
    for wall in [Wall::Posterior, Wall::Anterior] {
        for d in [-20.0, -9.0, -3.0, 3.0, 8.0, 14.0, 22.0, 31.0] {
            let anatomy = Anatomy { placenta_on: wall, ..Anatomy::posterior(d) };
            all.push((anatomy, if d > 20.0 && wall == Wall::Posterior { far } else { hold }));
        }
    }
    let base = Anatomy::posterior(16.0);
    let anterior = Anatomy { placenta_on: Wall::Anterior, ..base };
    let vessel = |from_os_mm| Some(Vessel { from_os_mm, diameter_mm: 4.5 });
    all.extend([
        (Anatomy { sinus_mm: 7.0, ..base }, hold),
        (Anatomy { sinus_mm: 7.0, ..anterior }, hold),
        (Anatomy { vessel: vessel(0.0), ..base }, hold),
        (Anatomy { vessel: vessel(3.0), ..anterior }, hold),
        (Anatomy { scar_mm: 4.0, ..base }, hold),
        (Anatomy { bladder_mm: 0.0, wall_mm: 7.0, ..base }, hold),
        (Anatomy { cervix_length_mm: 18.0, ..base }, hold),
        (Anatomy { placenta_thickness_mm: 10.0, head_radius_mm: 0.0, ..base }, hold),
    ]);
    all
}
