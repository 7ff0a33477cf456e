//! What is asked of an archive and what it answers, whichever way it is reached.

use jiff::civil::Date;

use super::inbox::Arrived;
use crate::error::{Error, ErrorKind, Result};

/// Most exams that one question brings back.
pub const MOST_FOUND: usize = 500;

/// Most objects in one exam.
pub(super) const MOST_OBJECTS: usize = 100_000;

/// What exams are looked for. Everything that is given must hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Question {
    /// Patient ID, whole.
    pub patient: Option<String>,
    /// Beginning of the family name.
    pub name: Option<String>,
    /// First and last day.
    pub days: Option<(Date, Date)>,
    /// Study Instance UID.
    pub study: Option<String>,
}

impl Question {
    /// Refuses a question that would ask for everything, or for more than one value where the standard reads `*`, `?` and
    /// `\` as more than a letter.
    ///
    /// # Errors
    /// [`ErrorKind::Usage`].
    pub fn checked(self) -> Result<Self> {
        let none = self.patient.is_none() && self.name.is_none() && self.days.is_none() && self.study.is_none();
        if none {
            return Err(Error::new(ErrorKind::Usage, "the question would bring back everything")
                .expected("a patient number, a name, days or a study")
                .found("none"));
        }
        for text in [&self.patient, &self.name, &self.study].into_iter().flatten() {
            if text.trim().is_empty() || text.len() > 64 || text.contains(['*', '?', '\\']) || text.chars().any(char::is_control) {
                return Err(Error::new(ErrorKind::Usage, "the question cannot be asked")
                    .expected("1 to 64 characters without * ? and \\")
                    .found("others"));
            }
        }
        if self.days.is_some_and(|(first, last)| last < first) {
            return Err(Error::new(ErrorKind::Usage, "the question cannot be asked")
                .expected("a first day before the last")
                .found("later"));
        }
        Ok(self)
    }

    /// Date range matching (PS3.4 C.2.2.2.5).
    pub(super) fn range(&self) -> Option<String> {
        self.days.map(|(first, last)| format!("{}-{}", first.strftime("%Y%m%d"), last.strftime("%Y%m%d")))
    }

    /// Name with wild card matching (PS3.4 C.2.2.2.4).
    pub(super) fn wild_name(&self) -> Option<String> {
        self.name.as_ref().map(|n| format!("{n}*"))
    }
}

/// An exam that an archive holds, as far as it says.
#[derive(Clone, Default, PartialEq, Eq, serde::Serialize)]
pub struct Found {
    /// Study Instance UID.
    pub study: String,
    /// Study Date as stored.
    pub date: Option<String>,
    /// Patient ID.
    pub patient: Option<String>,
    /// Patient's Name.
    pub name: Option<String>,
    /// Study Description.
    pub description: Option<String>,
    /// Modalities in Study.
    pub modalities: Vec<String>,
    /// Number of Study Related Instances.
    pub objects: Option<u32>,
}

impl std::fmt::Debug for Found {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The rest tells who was examined.
        f.debug_struct("Found").field("study", &self.study).field("objects", &self.objects).finish_non_exhaustive()
    }
}

impl Found {
    /// One line of a list, for whoever asked.
    #[must_use]
    pub fn line(&self) -> String {
        // Dates and names as they are stored, put as people write them.
        let date = self
            .date
            .as_deref()
            .map_or_else(|| "no date".to_owned(), |d| Date::strptime("%Y%m%d", d).map_or_else(|_| d.to_owned(), |d| d.to_string()));
        let objects = self.objects.map_or_else(|| "number of objects not said".to_owned(), |n| format!("{n} objects"));
        let mut parts = vec![date];
        parts.extend(self.patient.clone());
        parts.extend(self.name.as_deref().map(|n| n.split('^').filter(|p| !p.is_empty()).collect::<Vec<_>>().join(", ")));
        parts.extend(self.description.clone());
        if !self.modalities.is_empty() {
            parts.push(self.modalities.join("/"));
        }
        parts.push(objects);
        parts.join(" · ")
    }
}

/// What an archive answered.
#[derive(Debug, Default)]
pub struct Answer {
    /// The exams, at most [`MOST_FOUND`].
    pub found: Vec<Found>,
    /// Whether there are more.
    pub more: bool,
}

/// What a fetch came to.
#[derive(Debug, Default)]
pub struct Fetched {
    /// Objects that are here now.
    pub arrived: usize,
    /// Of them, those that were here before with the same content.
    pub known: usize,
    /// What is kept apart because the same UID was here with other content, or cannot be read: one sentence each.
    pub notes: Vec<String>,
    /// Objects that the archive said it could not send, or that were not taken: one sentence each.
    pub failed: Vec<String>,
}

impl Fetched {
    /// Counts an object that arrived.
    pub(super) fn take(&mut self, arrived: &Arrived) {
        self.arrived += 1;
        self.known += usize::from(arrived.known);
        if arrived.differs || arrived.unreadable.is_some() {
            self.notes.push(arrived.words());
        }
    }
}
