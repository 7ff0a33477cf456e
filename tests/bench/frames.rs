//! Times the drawing of synthetic frames for tests/bench/frames.py: one JSON line a setting, the best of several rounds.
//! The processor's time, all cores together, is the mean.
//!
//! The settings change one thing at a time: the pixels of one sector, then the depth of the sector (and with it the number
//! of scatterers) at one number of pixels.
#![allow(clippy::print_stdout, clippy::expect_used)]

use std::time::Instant;

use osspan::synth::{Anatomy, Hold, Scanner, Seed, render};

const HOLD: Hold = Hold { os_x_mm: 4.0, os_y_mm: 34.0, turn_degrees: 0.0 };
/// Scatterers to the mm², as docs/SYNTHETIC.md says.
const DENSITY: f64 = 50.0;

fn scanner(depth_mm: f64, px: f64) -> Scanner {
    Scanner { face_radius_mm: 10.0, half_angle_degrees: 60.0, depth_mm, mm_per_px_x: px, mm_per_px_y: px }
}

/// Area of the sector, mm².
fn area(s: &Scanner) -> f64 {
    let (near, far) = (s.face_radius_mm, s.face_radius_mm + s.depth_mm);
    s.half_angle_degrees.to_radians() * (far * far - near * near)
}

/// Processor time of this process so far, all cores, in seconds; 0 where the system does not say.
fn processor_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // After the name in brackets: user and system time are the 12th and 13th, in hundredths of a second.
    let ticks = stat.rsplit(')').next().unwrap_or_default().split_whitespace().skip(11).take(2);
    ticks.filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / 100.0
}

fn main() {
    let rounds: u32 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(12);
    // 640 × 480 pixels need unequal pixels in a wide sector.
    let usual = Scanner { mm_per_px_x: 0.239, mm_per_px_y: 0.173, ..scanner(76.0, 0.2) };
    let mut settings = vec![("usual", usual)];
    settings.extend([0.40, 0.28, 0.20, 0.163, 0.141].map(|px| ("pixels", scanner(76.0, px))));
    // So that each depth has as many pixels.
    settings.extend([44.0, 60.0, 76.0, 92.0, 108.0].map(|depth| ("scatterers", scanner(depth, 0.2 * (10.0 + depth) / 86.0))));
    let mut best = vec![f64::INFINITY; settings.len()];
    let mut processor = vec![0.0; settings.len()];
    // In turn, so that a busy machine slows all of them alike.
    for shot in 0..rounds {
        for (k, (_, s)) in settings.iter().enumerate() {
            let (start, before) = (Instant::now(), processor_seconds());
            let samples = render(&Anatomy::posterior(14.0), s, &HOLD, Seed { tissue: 1, shot }).expect("the frame can be drawn");
            best[k] = best[k].min(start.elapsed().as_secs_f64());
            processor[k] += (processor_seconds() - before) / f64::from(rounds);
            assert_eq!(samples.len(), (s.rows() * s.columns()) as usize);
        }
    }
    for (k, (what, s)) in settings.iter().enumerate() {
        println!(
            "{{\"what\":\"{what}\",\"columns\":{},\"rows\":{},\"scatterers\":{:.0},\"seconds\":{},\"processor\":{}}}",
            s.columns(),
            s.rows(),
            DENSITY * area(s),
            best[k],
            processor[k]
        );
    }
}
