//! What the page of the agreement study asks of records and files.

use std::path::Path;
use std::sync::Arc;

use crate::agree::study::{Options, readings, study};
use crate::cli::agree::figures_csv;
use crate::cli::profile;
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::synth::readers::invented_study;
use crate::viewer::action::Action;
use crate::viewer::session::{AgreementAction, AgreementEffect, Kind, MadeStudy};

/// The folder, in the data folder, that plots and figures are written to.
const FOLDER: &str = "agreement";
/// Pixels a point of a picture.
const PER_POINT: f64 = 3.0;

/// Carries out one effect.
pub(super) fn carry_out(effect: AgreementEffect, data_dir: &Path, records: &Path) -> Action {
    Action::Agreement(match effect {
        AgreementEffect::Make(number, invented, options) => {
            AgreementAction::Loaded(number, make(invented, &options, data_dir, records).map(Arc::new).map_err(|e| e.message()))
        }
        AgreementEffect::WritePlot(figure, kind) => {
            let bytes = if kind == Kind::Png { figure.png(PER_POINT) } else { Ok(figure.svg().into_bytes()) };
            written(bytes, kind, data_dir)
        }
        AgreementEffect::WriteFigures(made, kind) => {
            let bytes = if kind == Kind::Csv {
                figures_csv(&made.study.rows()).map(String::into_bytes)
            } else {
                serde_json::to_vec_pretty(&made.study)
                    .map_err(|e| Error::new(ErrorKind::Record, "the study cannot be written").caused_by(e))
            };
            written(bytes, kind, data_dir)
        }
    })
}

fn make(invented: bool, options: &Options, data_dir: &Path, records: &Path) -> Result<MadeStudy> {
    let (all, faults) = if invented {
        (invented_study(options.seed)?, Vec::new())
    } else if records.is_dir() {
        let (found, faults) = profile::store_in(data_dir, records)?.load()?;
        (found.into_iter().map(|s| s.record).collect(), faults.iter().map(ToString::to_string).collect())
    } else {
        (Vec::new(), Vec::new())
    };
    let counted = readings(&all, options)?;
    let study = study(&counted, options)?;
    Ok(MadeStudy { study, places: counted.places, faults, invented })
}

fn written(bytes: Result<Vec<u8>>, kind: Kind, data_dir: &Path) -> AgreementAction {
    let save = |bytes: Vec<u8>| {
        // The time in the name tells files apart; nobody is named in it.
        let name = format!("agreement-{}.{}", files::now_exactly().replace([':', '+'], ""), kind.ending());
        files::publish_new(&data_dir.join(FOLDER), &name, &bytes)
    };
    AgreementAction::Written(match bytes.and_then(save) {
        Ok(path) => Ok(format!("Written: {}", path.display())),
        Err(e) => Err(format!("Nothing was written: {e}")),
    })
}
