//! The department's scanners and the history of their scale checks: one signed file a check, never changed.

mod entry;
mod history;

pub use entry::{CheckedFrame, Due, Made, ScaleCheck, ScannerKey, Shape};
pub use history::{History, Listed};

use jiff::civil::Date;

use crate::calibrate::ScaleFacts;
use crate::calibrate::ticks::TickRow;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::load::Facts;

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
            Err(e) => history.damaged.push(e.at(&path).to_string()),
        }
    }
    Ok(history)
}

/// What a reading's scale rests on besides the header: the ticks in its frame, and the last check of its scanner before the
/// exam. What a person decides is added by whoever asks the person.
#[must_use]
pub fn scale_facts(ticks: Vec<TickRow>, facts: &Facts, exam: Option<Date>, history: &History) -> ScaleFacts {
    let last_check = exam.zip(ScannerKey::of(facts)).and_then(|(day, scanner)| history.last_for(&scanner, facts.preset.as_deref(), day));
    ScaleFacts { ticks: Some(ticks), last_check, ..ScaleFacts::default() }
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
