//! Draws 24 synthetic frames on one sheet: `cargo run --example contact-sheet [file.png]`. For looking at, and for docs/.

use std::path::PathBuf;

use osspan::synth::{Anatomy, Contraction, Funnel, Hold, Scanner, Seed, Vessel, Wall, render};

const COLUMNS: u32 = 4;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("docs/synthetic-frames.png"), PathBuf::from);
    let scanner = Scanner { face_radius_mm: 10.0, half_angle_degrees: 64.0, depth_mm: 78.0, mm_per_px_x: 0.36, mm_per_px_y: 0.36 };
    let (w, h) = (scanner.columns(), scanner.rows());
    let frames = frames()?;
    let mut sheet = image::GrayImage::new(COLUMNS * (w + 4), (frames.len() as u32).div_ceil(COLUMNS) * (h + 4));
    for (k, (anatomy, hold)) in (0_u32..).zip(frames) {
        let samples = render(&anatomy, &scanner, &hold, Seed { tissue: 900 + u64::from(k), shot: 0 })?;
        let frame = image::GrayImage::from_raw(w, h, samples).ok_or("a frame of another size")?;
        image::imageops::replace(&mut sheet, &frame, i64::from(k % COLUMNS * (w + 4)), i64::from(k / COLUMNS * (h + 4)));
    }
    sheet.save(path)?;
    Ok(())
}

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
        (Anatomy { bladder_mm: 26.0, ..base }, deep),
        (Anatomy { cervix_length_mm: 20.0, head_radius_mm: 0.0, ..base }, hold),
    ]);
    Ok(all)
}
