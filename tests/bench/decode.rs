//! Decodes one file in one of the ways that `tests/bench/decode.py` times, and prints a line of JSON:
//! seconds, frames, bytes of pixels, highest resident memory, and a checksum so that no work can be left out.
//!
//! `decode-bench FILE all THREADS | first | one FRAME | scrub`
#![allow(clippy::print_stdout, clippy::expect_used, clippy::unwrap_used)]

use std::path::Path;
use std::time::Instant;

use osspan::frame::{Frame, Samples};
use osspan::load::StoredFile;
use rayon::prelude::*;

/// Red, green, blue, 8 bits: what pydicom is asked for too.
fn to_rgb(frame: Frame) -> Vec<u8> {
    match frame.samples {
        Samples::Rgb8(d) => d,
        Samples::Gray8(d) => d.iter().flat_map(|&g| [g, g, g]).collect(),
        Samples::Gray16 { data, .. } => data.iter().flat_map(|&v| [(v >> 8) as u8; 3]).collect(),
    }
}

/// Every 61st byte, so that the sum costs next to nothing on either side and still tells frames apart.
fn checksum(rgb: &[u8]) -> u64 {
    rgb.iter().step_by(61).fold(0_u64, |sum, &b| sum + u64::from(b))
}

fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    status.lines().find_map(|l| l.strip_prefix("VmHWM:")?.split_whitespace().next()?.parse().ok()).unwrap_or(0)
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let (path, mode) = (Path::new(&args[1]), args[2].as_str());
    let start = Instant::now();
    let file = StoredFile::open(path).expect("a file that opens");
    let decode = |n: u32| checksum(&to_rgb(file.frame(n).expect("a frame that decodes")));
    let (frames, sum) = match mode {
        "all" => {
            let threads = args[3].parse().expect("a number of threads");
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
            let n = file.frame_count();
            (n, pool.install(|| (1..=n).into_par_iter().map(decode).sum::<u64>()))
        }
        "first" => (1, decode(1)),
        "one" => (1, decode(args[3].parse().expect("a frame number"))),
        "scrub" => (file.frame_count(), (1..=file.frame_count()).map(decode).sum()),
        other => unreachable!("all, first, one or scrub, not {other}"),
    };
    let seconds = start.elapsed().as_secs_f64();
    println!("{{\"seconds\":{seconds},\"frames\":{frames},\"sum\":{sum},\"peak_kb\":{}}}", peak_kb());
}
