//! Writes `sample-images` anew: `cargo run --example make-samples [folder]`.

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("sample-images"), PathBuf::from);
    match write(&folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            #[allow(clippy::print_stderr)]
            {
                eprintln!("{e}");
            }
            ExitCode::FAILURE
        }
    }
}

fn write(folder: &std::path::Path) -> osspan::Result<()> {
    for (name, bytes) in osspan::synth::sample::sample_images()? {
        let path = folder.join(&name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent).map_err(|e| osspan::Error::io("the folder cannot be made", parent, e))?;
        }
        std::fs::write(&path, bytes).map_err(|e| osspan::Error::io("the sample cannot be written", &path, e))?;
    }
    Ok(())
}
