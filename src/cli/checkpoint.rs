//! `checkpoint`: a signed list of the newest records, to be kept elsewhere.

use std::io::Write;
use std::process::ExitCode;

use super::args::CheckpointArgs;
use super::{Done, output};
use crate::files;
use crate::record::{Checkpoint, Store};

pub(super) fn run(args: &CheckpointArgs, out: &mut dyn Write) -> Done {
    let folder = match &args.folder {
        Some(f) => f.clone(),
        None => files::records_dir()?,
    };
    let index = Store::at(&folder).with_index(files::index_file(&folder)?).index()?;
    let made_at = files::now();
    let made = Checkpoint::of(&index, made_at.clone(), &files::signing_seed(&files::data_dir()?)?)?;
    let name = format!("checkpoint-{}.json", made_at.replace(':', ""));
    let path = files::publish_new(&args.to, &name, made.to_json()?.as_bytes())?;
    let text = format!("{} records, {} of them newest; signed by the key {}", made.records, made.heads.len(), made.key);
    output::line(out, &text)?;
    output::line(out, &format!("Kept as {}", path.display()))?;
    Ok(ExitCode::SUCCESS)
}
