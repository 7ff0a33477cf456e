//! Parses the arguments and hands over to the library.

use std::process::ExitCode;

use clap::Parser;
use osspan::cli::{self, Arguments};

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match &arguments.command {
        Some(command) => cli::run(command),
        None => window(&arguments),
    }
}

/// No window in this build: the sample exam is read without one.
fn window(_: &Arguments) -> ExitCode {
    cli::run(&cli::Command::Sample(cli::SampleArgs { records: None }))
}
