//! One error type. It says what was expected, what was found and what to do next.
//!
//! Identity (a patient's name, number, date of birth) never enters an error; a file name comes last, because file
//! names may carry it and whoever logs an error can cut there.

use std::fmt;
use std::path::{Path, PathBuf};

/// What sort of failure it is; scripts tell them apart by the exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The caller asked in a way that cannot be answered (a missing or contradictory argument).
    Usage,
    /// The operating system refused to read or write.
    Io,
    /// A file is not what it says it is, or is damaged.
    Format,
    /// The file is sound but of a sort that this version does not read.
    Unsupported,
    /// A declared size or count exceeds a stated limit.
    Limit,
    /// There is no trustworthy scale, so there are no millimetres.
    Uncalibrated,
    /// Landmarks, context or a statement contradict each other or are not possible.
    Invalid,
    /// A guideline table is faulty or unknown.
    Guideline,
    /// A saved record is damaged, of a future version, or does not verify.
    Record,
}

impl ErrorKind {
    /// The process exit code for this kind: 2 bad use, 3 measurement refused, 4 file or record trouble.
    #[must_use]
    pub const fn exit_code(self) -> u8 {
        match self {
            Self::Usage => 2,
            Self::Uncalibrated | Self::Invalid | Self::Guideline => 3,
            Self::Io | Self::Format | Self::Unsupported | Self::Limit | Self::Record => 4,
        }
    }
}

/// The result of anything that can fail here.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// One failure, in words a person can act on.
#[derive(Debug)]
pub struct Error(Box<Inner>);

#[derive(Debug)]
struct Inner {
    kind: ErrorKind,
    what: String,
    expected: Option<String>,
    found: Option<String>,
    remedy: Option<String>,
    path: Option<PathBuf>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl Error {
    /// A failure of `kind`; `what` names the thing that failed ("the scale cannot be used").
    #[must_use]
    pub fn new(kind: ErrorKind, what: impl Into<String>) -> Self {
        Self(Box::new(Inner { kind, what: what.into(), expected: None, found: None, remedy: None, path: None, source: None }))
    }

    /// An operating-system failure while doing `what` to `path`.
    #[must_use]
    pub fn io(what: impl Into<String>, path: impl AsRef<Path>, source: std::io::Error) -> Self {
        let found = source.to_string();
        Self::new(ErrorKind::Io, what).found(found).caused_by(source).at(path)
    }

    /// What would have been right.
    #[must_use]
    pub fn expected(mut self, text: impl Into<String>) -> Self {
        self.0.expected = Some(text.into());
        self
    }

    /// What was there instead.
    #[must_use]
    pub fn found(mut self, text: impl Into<String>) -> Self {
        self.0.found = Some(text.into());
        self
    }

    /// What the person can do about it.
    #[must_use]
    pub fn remedy(mut self, text: impl Into<String>) -> Self {
        self.0.remedy = Some(text.into());
        self
    }

    /// The file concerned; printed last.
    #[must_use]
    pub fn at(mut self, path: impl AsRef<Path>) -> Self {
        if self.0.path.is_none() {
            self.0.path = Some(path.as_ref().to_path_buf());
        }
        self
    }

    /// The error underneath.
    #[must_use]
    pub fn caused_by(mut self, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.0.source = Some(source.into());
        self
    }

    /// What sort of failure it is.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        self.0.kind
    }

    /// The message without the file name.
    #[must_use]
    pub fn message(&self) -> String {
        let i = &self.0;
        let mut text = i.what.clone();
        match (&i.expected, &i.found) {
            (Some(e), Some(f)) => text.push_str(&format!(": expected {e}, found {f}")),
            (Some(e), None) => text.push_str(&format!(": expected {e}")),
            (None, Some(f)) => text.push_str(&format!(": {f}")),
            (None, None) => {}
        }
        if let Some(r) = &i.remedy {
            text.push_str(&format!(". {r}"));
        }
        text
    }

    /// The file concerned, if there is one.
    #[must_use]
    pub fn path(&self) -> Option<&Path> {
        self.0.path.as_deref()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message())?;
        if let Some(p) = &self.0.path {
            write!(f, " [{}]", p.display())?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.0.source.as_ref().map(|s| &**s as &(dyn std::error::Error + 'static))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn message_says_expected_found_and_remedy_with_the_file_last() {
        let e = Error::new(ErrorKind::Format, "the file is not DICOM")
            .expected("\"DICM\" at byte 128")
            .found("\"PNG\"")
            .remedy("Open it as a picture")
            .at("/x/a.dcm");
        assert_eq!(e.to_string(), "the file is not DICOM: expected \"DICM\" at byte 128, found \"PNG\". Open it as a picture [/x/a.dcm]");
        assert_eq!(e.kind().exit_code(), 4);
    }
}
