//! The department's scanners and the history of their scale checks: one signed file a check, never changed.

mod entry;
mod history;

pub use entry::{CheckedFrame, Due, Made, ScaleCheck, ScannerKey, Shape};
pub use history::{History, Listed};

use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// The bundled, invented history of the sample scanner.
const SAMPLE: &str = include_str!("../../calibration/sample-history.json");
/// Longest file of a check, bytes.
const LONGEST: u64 = 1024 * 1024;

/// The invented checks of the sample scanner.
///
/// # Errors
/// [`ErrorKind::Record`] when the file is faulty, which a test rules out.
pub fn sample_checks() -> Result<Vec<ScaleCheck>> {
    let fault = |found: String| Error::new(ErrorKind::Record, "the sample history cannot be used").found(found);
    let all: Vec<ScaleCheck> = serde_json::from_str(SAMPLE).map_err(|e| fault(e.to_string()))?;
    if all.iter().any(|c| !c.invented) {
        return Err(fault("a check that is not marked as invented".into()));
    }
    Ok(all)
}

/// This user's history from `dir`, with the invented checks of the sample scanner; an absent folder has none of its own.
///
/// # Errors
/// [`ErrorKind::Io`] when the folder cannot be listed. A file that holds no check is no error but among
/// [`History::damaged`].
pub fn load(dir: &std::path::Path) -> Result<History> {
    let mut history = History::new(sample_checks()?);
    for path in files::list(dir, "json")? {
        match files::read_text(&path, LONGEST).and_then(|text| ScaleCheck::from_json(&text)) {
            Ok(check) => history.add(check),
            Err(e) => history.damaged.push(e.at(&path)),
        }
    }
    Ok(history)
}

/// Signs a check with the seed of this user's key, linked to the last one of its scanner in `history`, and saves it in `dir`.
///
/// # Errors
/// [`ErrorKind::Io`]; [`ErrorKind::Record`] when it is already there or cannot be written.
pub fn save(dir: &std::path::Path, history: &History, check: ScaleCheck, seed: &[u8; 32]) -> Result<(ScaleCheck, std::path::PathBuf)> {
    let signed = check.signed(history.newest_id(), seed)?;
    let name = format!("check-{}-{}.json", signed.checked_on, signed.id()?.get(..12).unwrap_or_default());
    let path = files::publish_new(dir, &name, signed.to_json()?.as_bytes())?;
    Ok((signed, path))
}

#[cfg(test)]
mod tests;
