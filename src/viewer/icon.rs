//! The program's own sign, drawn by code: the os as a ring with its centre, the placental edge as a chevron that opens towards
//! it, and between them a part of the ring that decides. The same forms as on the frame.

use egui::Color32;

use super::theme::{DARK, over_frame};

/// The icon as RGBA, `size` × `size` px.
#[must_use]
pub fn pixels(size: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(size * size * 4);
    for y in 0..size {
        for x in 0..size {
            // In units of the icon, 0 to 1, at the middle of the pixel.
            let p = [(x as f64 + 0.5) / size as f64, (y as f64 + 0.5) / size as f64];
            out.extend(at(p, 1.0 / size as f64).to_array());
        }
    }
    out
}

/// How much of a pixel lies inside a form whose edge is `distance` away (negative inside).
fn inside(distance: f64, pixel: f64) -> f64 {
    (0.5 - distance / pixel).clamp(0.0, 1.0)
}

fn away(p: [f64; 2], from: [f64; 2]) -> f64 {
    (p[0] - from[0]).hypot(p[1] - from[1])
}

/// How far a place is from a straight piece.
fn from_piece(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let d = [b[0] - a[0], b[1] - a[1]];
    let t = (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / (d[0] * d[0] + d[1] * d[1])).clamp(0.0, 1.0);
    away(p, [a[0] + t * d[0], a[1] + t * d[1]])
}

fn at(p: [f64; 2], pixel: f64) -> Color32 {
    const OS: [f64; 2] = [0.68, 0.58];
    const EDGE: [f64; 2] = [0.3, 0.42];
    // A square with round corners.
    let corner = [(p[0] - 0.5).abs() - 0.32, (p[1] - 0.5).abs() - 0.32];
    let ground = corner[0].max(0.0).hypot(corner[1].max(0.0)) + corner[0].max(corner[1]).min(0.0) - 0.16;
    let mut colour = [0.0; 4];
    let mut paint = |ink: Color32, share: f64| {
        let ink = [ink.r(), ink.g(), ink.b(), 255].map(|c| f64::from(c) / 255.0);
        for (c, i) in colour.iter_mut().zip(ink) {
            *c = *c * (1.0 - share) + i * share;
        }
    };
    let on_ground = inside(ground, pixel);
    paint(DARK.page, on_ground);
    // The ring that decides, as an arc on the side of the edge.
    let angle = (p[1] - OS[1]).atan2(OS[0] - p[0]);
    let dashes = (angle * 9.0).sin() > -0.35 && angle.abs() < 1.25;
    let ring = if dashes { (away(p, OS) - 0.5).abs() - 0.016 } else { 1.0 };
    paint(over_frame::RING, inside(ring, pixel) * on_ground);
    let os = (away(p, OS) - 0.14).abs() - 0.028;
    paint(over_frame::OS, inside(os.min(away(p, OS) - 0.045), pixel) * on_ground);
    // The chevron: its tip is the edge.
    let arms = [[EDGE[0] + 0.13, EDGE[1] - 0.1], [EDGE[0] + 0.06, EDGE[1] + 0.16]];
    let chevron = arms.map(|end| from_piece(p, EDGE, end)).into_iter().fold(f64::INFINITY, f64::min) - 0.035;
    paint(over_frame::EDGE, inside(chevron, pixel) * on_ground);
    let [r, g, b, a] = colour.map(|c| (c.clamp(0.0, 1.0) * 255.0).round() as u8);
    Color32::from_rgba_unmultiplied(r, g, b, a)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_icon_shows_os_edge_and_ring_on_a_rounded_ground_at_every_size() {
        for size in [16, 32, 64, 128] {
            let rgba = pixels(size);
            assert_eq!(rgba.len(), size * size * 4);
            let of = |x: f64, y: f64| {
                let i = ((y * size as f64) as usize * size + (x * size as f64) as usize) * 4;
                [rgba[i], rgba[i + 1], rgba[i + 2], rgba[i + 3]]
            };
            assert_eq!(of(0.001, 0.001)[3], 0, "round corners");
            let near =
                |a: [u8; 4], c: Color32| (i32::from(a[0]) - i32::from(c.r())).abs() + (i32::from(a[2]) - i32::from(c.b())).abs() < 120;
            assert!(near(of(0.68, 0.58), over_frame::OS), "{:?}", of(0.68, 0.58));
            assert!(near(of(0.3, 0.42), over_frame::EDGE), "{:?}", of(0.3, 0.42));
            assert!(near(of(0.5, 0.9), DARK.page));
        }
    }
}
