//! A folder of records as this workstation's reader may see it: what every command that looks at whole exams begins with, and the
//! window's reports.

use std::path::{Path, PathBuf};

use super::{output, profile};
use crate::caseload::{Caseload, Woman};
use crate::error::{Error, ErrorKind, Result};
use crate::files;
use crate::record::{ReadingRecord, ReviewRecord, Signer, Store, ToldRecord};
use crate::review::{ExamReview, exams, not_standing};

/// What was read of it.
#[derive(Default)]
pub(super) struct Folder {
    /// Every record, the oldest first.
    pub(super) records: Vec<ReadingRecord>,
    /// How far the review of each exam has come.
    pub(super) reviews: Vec<ExamReview>,
    /// Whose keys are known.
    pub(super) signers: Vec<Signer>,
    /// Its women, exams and visits.
    pub(super) cases: Caseload,
    /// Files that are no records, and why.
    pub(super) damaged: Vec<Error>,
}

impl Folder {
    /// Reads `folder`, or the user's data folder when none is named.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] when it holds no record.
    pub(super) fn open(folder: Option<&PathBuf>) -> Result<Self> {
        let folder = folder.map_or_else(files::records_dir, |f| Ok(f.clone()))?;
        let mut read = Self::of(&profile::store(&folder)?)?;
        if read.records.is_empty() {
            return Err(if read.damaged.is_empty() { nothing_in(&folder) } else { read.damaged.remove(0) });
        }
        Ok(read)
    }

    /// Reads the folder of a store, which may hold nothing.
    ///
    /// # Errors
    /// As [`Store::load`].
    pub(super) fn of(store: &Store) -> Result<Self> {
        let (stored, mut damaged) = store.load()?;
        let (told, more) = store.told()?;
        damaged.extend(more);
        let (steps, more) = store.reviews()?;
        damaged.extend(more);
        let records = stored.into_iter().map(|s| s.record).collect();
        let told: Vec<_> = told.into_iter().map(|t| t.record).collect();
        let steps: Vec<_> = steps.into_iter().map(|s| s.record).collect();
        Ok(Self::from_parts(store, records, &told, &steps, damaged))
    }

    /// Reads what the folder of a store holds of one patient, by her key: however many records it has, only hers are opened.
    ///
    /// # Errors
    /// As [`Store::index`].
    #[cfg(feature = "viewer")]
    pub(super) fn of_patient(store: &Store, patient: Option<&str>) -> Result<Self> {
        let index = store.index()?;
        let (mut records, mut damaged) = (Vec::new(), Vec::new());
        for entry in index.entries().iter().filter(|e| e.patient() == patient) {
            match store.open(entry) {
                Ok(stored) => records.push(stored.record),
                Err(e) => damaged.push(e),
            }
        }
        let told: Vec<_> = index.told().iter().map(|t| t.record.clone()).collect();
        let steps: Vec<_> = index.reviews().iter().map(|s| s.record.clone()).collect();
        // Whose a file is that cannot be read is not known: it may be hers.
        damaged.extend(index.into_unreadable());
        Ok(Self::from_parts(store, records, &told, &steps, damaged))
    }

    fn from_parts(store: &Store, records: Vec<ReadingRecord>, told: &[ToldRecord], steps: &[ReviewRecord], damaged: Vec<Error>) -> Self {
        let reviews = exams(&records, steps);
        let cases = Caseload::reviewed(records.clone(), told, &not_standing(&reviews));
        Self { records, reviews, signers: store.signers().to_vec(), cases, damaged }
    }

    /// Says on standard error what is no record: standard output may hold a table or a page.
    pub(super) fn say_damaged(&self) {
        output::say_damaged(&self.damaged);
    }

    /// The exam of one woman: by her key or number, and by its day; the newest where no day is named.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`] when there is none, or more than one woman is left.
    pub(super) fn exam(&self, patient: Option<&str>, day: Option<jiff::civil::Date>) -> Result<(&Woman, usize)> {
        let hers = |w: &&Woman| patient.is_none_or(|p| w.is(p));
        let women: Vec<&Woman> = self.cases.women.iter().filter(hers).collect();
        let wrong =
            |expected: &str, found: String| Err(Error::new(ErrorKind::Usage, "the exam is not named").expected(expected).found(found));
        let [woman] = women[..] else {
            return wrong(
                "--patient, with the key or number of one patient as `osspan find` shows it",
                format!("{} patients", women.len()),
            );
        };
        let on = |i: &usize| day.is_none_or(|d| woman.exams.get(*i).and_then(|e| e.context.exam_date) == Some(d));
        match (0..woman.exams.len()).rfind(on) {
            Some(exam) => Ok((woman, exam)),
            None => wrong("--exam, with the day of one of her exams", format!("{} exams on other days", woman.exams.len())),
        }
    }
}

fn nothing_in(folder: &Path) -> Error {
    Error::new(ErrorKind::Io, "there are no records").expected("a folder of saved readings").found("none").at(folder)
}
