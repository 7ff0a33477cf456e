//! Opens the window, or says in a plain sentence why there is none.

use std::io::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::Instant;

use egui::{ViewportBuilder, vec2};

use super::action::Action;
use super::app::App;
use super::icon;
use super::session::{ArchiveAction, Session};
use super::worker::Worker;
use crate::cli::tables;
use crate::error::{Error, ErrorKind, Result};
use crate::files::{self, Settings};

/// Side of the icon, px.
const ICON_SIZE: usize = 64;

/// What a Linux machine needs besides a display.
const LIBRARIES: &str =
    "On Debian or Ubuntu: apt-get install --no-install-recommends libx11-6 libx11-xcb1 libxcursor1 libxi6 libxkbcommon-x11-0 libgl1";

/// Set to `window` or `picture`, it ends the program when its window, or the first picture of an exam, has been shown, and
/// says on standard error how long that took. For `tests/bench/launch.sh`.
const LAUNCH_ENV: &str = "OSSPAN_PRINT_FIRST_FRAME";

/// Whether there is a display to open a window on. Elsewhere than on Linux and its kin there always is one to try.
#[must_use]
pub fn display_is_there() -> bool {
    let named = |name| std::env::var_os(name).is_some_and(|v: std::ffi::OsString| !v.is_empty());
    !cfg!(all(unix, not(target_os = "macos"))) || ["DISPLAY", "WAYLAND_DISPLAY", "WAYLAND_SOCKET"].into_iter().any(named)
}

/// Opens the window on `path`, or on the bundled sample exam, with the guideline tables of one's own among `tables`, and returns when it is closed.
///
/// # Errors
/// [`ErrorKind::Io`] when no window can be opened, with what would help.
pub fn run(path: Option<PathBuf>, tables: &[PathBuf]) -> Result<()> {
    let started = Instant::now();
    let data_dir = files::data_dir()?;
    let records = files::records_dir()?;
    let mut first = Vec::new();
    let (shelf, faults) = tables::at_hand(tables);
    if !faults.is_empty() {
        let all: String = faults.iter().map(|f| format!("\n{f}")).collect();
        first.push(Action::Tell(format!("{} guideline table(s) of your own cannot be used; the others are there. {all}", faults.len())));
    }
    let tables = shelf.all().to_vec();
    let settings = Settings::load(&data_dir).unwrap_or_else(|e| {
        first.push(Action::Tell(format!("The settings cannot be read and are asked for again: {e}")));
        Settings::default()
    });
    if let Some(path) = path.or_else(files::sample_exam_dir) {
        first.push(Action::Open(vec![path]));
    }
    first.push(ArchiveAction::TakeUp.into());
    let options = eframe::NativeOptions {
        renderer: eframe::Renderer::Glow,
        // No identity in the title: it shows in task bars and window lists.
        viewport: ViewportBuilder::default()
            .with_title("Osspan")
            .with_app_id("osspan")
            .with_icon(egui::IconData { rgba: icon::pixels(ICON_SIZE), width: ICON_SIZE as u32, height: ICON_SIZE as u32 })
            .with_inner_size(vec2(1280.0, 800.0))
            .with_min_inner_size(vec2(960.0, 620.0)),
        ..eframe::NativeOptions::default()
    };
    // Some missing libraries end in a panic below us; until the window stands it is caught and said in words.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let opened = catch_unwind(AssertUnwindSafe(|| {
        eframe::run_native(
            "osspan",
            options,
            Box::new(move |cc| {
                std::panic::set_hook(hook);
                let worker = Worker::new(records, data_dir, &cc.egui_ctx);
                let app = App::new(&cc.egui_ctx, Session::new(tables, settings), Box::new(worker), first);
                Ok(match std::env::var(LAUNCH_ENV) {
                    Ok(until) => Box::new(Launch { app, started, picture: until == "picture", shown: false }),
                    Err(_) => Box::new(app),
                })
            }),
        )
    }));
    let no_window = |found: String| Error::new(ErrorKind::Io, "no window can be opened").found(found).remedy(LIBRARIES);
    match opened {
        Ok(Ok(())) => Ok(()),
        Ok(Err(e)) => Err(no_window(e.to_string())),
        Err(_) => Err(no_window("a library that windows need is missing".into())),
    }
}

/// The window while its launch is timed.
struct Launch {
    app: App,
    started: Instant,
    /// Whether to wait for the first picture of an exam.
    picture: bool,
    shown: bool,
}

impl eframe::App for Launch {
    fn ui(&mut self, ui: &mut egui::Ui, frame: &mut eframe::Frame) {
        // Being asked for another frame means that the one before is on the screen.
        if self.shown {
            let what = if self.picture { "picture" } else { "frame" };
            let _ = writeln!(std::io::stderr(), "first {what} shown {:.1} ms after start", self.started.elapsed().as_secs_f64() * 1000.0);
            std::process::exit(0);
        }
        self.app.ui(ui, frame);
        self.shown = !self.picture || self.app.session().picture().is_some();
        if self.shown {
            ui.ctx().request_repaint();
        }
    }
}
