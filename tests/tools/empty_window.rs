//! An empty window of the same toolkit and renderer: the floor that the launch of the real window is held against.
//!
//! When the first frame has been shown (the second is asked for) it prints the milliseconds since `main` began and ends
//! the process, as `osspan` does when `OSSPAN_PRINT_FIRST_FRAME=window` is set. `tests/bench/launch.sh` times both.
#![allow(clippy::print_stderr)]

use std::time::Instant;

fn main() -> Result<(), String> {
    let started = Instant::now();
    let options = eframe::NativeOptions {
        renderer: eframe::Renderer::Glow,
        viewport: egui::ViewportBuilder::default().with_inner_size([1280.0, 800.0]),
        ..Default::default()
    };
    eframe::run_native("empty window", options, Box::new(move |_| Ok(Box::new(Empty { started, n_frames: 0 })))).map_err(|e| e.to_string())
}

struct Empty {
    started: Instant,
    n_frames: u32,
}

impl eframe::App for Empty {
    fn ui(&mut self, ui: &mut egui::Ui, _frame: &mut eframe::Frame) {
        if self.n_frames == 1 {
            eprintln!("first frame shown {:.1} ms after start", self.started.elapsed().as_secs_f64() * 1000.0);
            std::process::exit(0);
        }
        self.n_frames += 1;
        ui.ctx().request_repaint();
    }
}
