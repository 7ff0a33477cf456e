//! What studies and bodies say, as cited data: cohorts, accreta among previa, delivery windows.
//!
//! Every number keeps its citation and provenance. Groups are never turned into one woman's chance.

mod accreta;
mod binomial;
mod cohorts;
mod delivery;

pub use accreta::{AccretaRow, accreta_among_previa, accreta_rows};
pub use binomial::{COVERAGE, exact_interval};
pub use cohorts::{Cohort, Matched, Share, cohorts, matching};
pub use delivery::{Condition, DeliveryWindow, conditions, delivery_windows};

use serde::de::DeserializeOwned;

use crate::error::{Error, ErrorKind, Result};
use crate::guideline::{ExplainLine, Table};
use crate::source::Provenance;

/// Reads one of the bundled data files.
fn bundled<T: DeserializeOwned>(name: &str, text: &str) -> Result<T> {
    toml::from_str(text)
        .map_err(|e| Error::new(ErrorKind::Guideline, format!("the bundled data \"{name}\" is faulty")).found(e.to_string()))
}

/// Every bundled fact of the tables and data here that is from memory.
///
/// # Errors
/// [`ErrorKind::Guideline`] when bundled data is faulty, which a test rules out.
pub fn from_memory(tables: &[Table]) -> Result<Vec<ExplainLine>> {
    let mut out: Vec<ExplainLine> = tables.iter().flat_map(Table::facts).collect();
    out.extend(cohorts()?.iter().map(Cohort::line));
    out.extend(accreta_rows()?.iter().map(AccretaRow::line));
    out.extend(delivery_windows()?.iter().map(DeliveryWindow::line));
    out.retain(|l| l.source.provenance == Provenance::FromMemory);
    Ok(out)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]
    use super::*;

    #[test]
    fn the_list_of_what_nobody_read_names_the_sogc_bands_and_the_accreta_counts() {
        let list = from_memory(&crate::guideline::tables().unwrap()).unwrap();
        let has = |row: &str| list.iter().any(|l| l.row == row);
        for row in [
            "sogc-2020 / low-lying-to-10 / upper-mm",
            "sogc-2020 / minimum-age",
            "us-consensus-2014 / low-lying / upper-included",
            "accreta / prior 2",
            "delivery / acog-831-previa",
        ] {
            assert!(has(row), "{row}");
        }
        assert!(!has("rcog-2018 / low-lying / upper-mm") && !has("delivery / smfm-44-previa"));
    }
}
