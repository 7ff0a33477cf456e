//! Parses the arguments and hands over to the library.

use std::process::ExitCode;

use clap::Parser;
use osspan::cli::{self, Arguments};

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match arguments.command {
        Some(command) => cli::run(&command),
        None => window(arguments.path, &arguments.tables),
    }
}

/// The window; with no display, the sample exam without one.
#[cfg(feature = "viewer")]
fn window(path: Option<std::path::PathBuf>, tables: &[std::path::PathBuf]) -> ExitCode {
    use osspan::viewer::run;
    match path {
        None if !run::display_is_there() => sample(),
        path => run::run(path, tables).map_or_else(|e| cli::fail(&e), |()| ExitCode::SUCCESS),
    }
}

/// No window in this build: the sample exam is read without one.
#[cfg(not(feature = "viewer"))]
fn window(_: Option<std::path::PathBuf>, _: &[std::path::PathBuf]) -> ExitCode {
    sample()
}

fn sample() -> ExitCode {
    cli::run(&cli::Command::Sample(cli::SampleArgs { records: None }))
}
