//! The forms that a report can have, and its bytes in each.

use super::pdf::{self, Paper};
use super::{Choices, Language, PatientPage, Report, html, note, patient_html, patient_page, text};
use crate::error::Result;

/// What a report is made into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A page or more to print.
    Pdf,
    /// One self-contained page for a browser.
    Html,
    /// Plain text.
    Text,
    /// A paragraph for the record system.
    Note,
    /// A page for the patient, to print.
    PatientPdf,
    /// A page for the patient, for a browser.
    PatientHtml,
    /// A page for the patient, plain text.
    PatientText,
}

impl Form {
    /// Every form, those for the clinician first.
    pub const ALL: [Self; 7] = [Self::Pdf, Self::Html, Self::Text, Self::Note, Self::PatientPdf, Self::PatientHtml, Self::PatientText];

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pdf => "report, PDF",
            Self::Html => "report, HTML",
            Self::Text => "report, text",
            Self::Note => "paragraph",
            Self::PatientPdf => "patient's page, PDF",
            Self::PatientHtml => "patient's page, HTML",
            Self::PatientText => "patient's page, text",
        }
    }

    /// How the names of its files begin.
    #[must_use]
    pub const fn stem(self) -> &'static str {
        match self {
            Self::Text | Self::Html | Self::Pdf => "report",
            Self::Note => "note",
            Self::PatientText | Self::PatientHtml | Self::PatientPdf => "patient",
        }
    }

    /// How they end.
    #[must_use]
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Text | Self::Note | Self::PatientText => "txt",
            Self::Html | Self::PatientHtml => "html",
            Self::Pdf | Self::PatientPdf => "pdf",
        }
    }

    /// Whether it is for the patient.
    #[must_use]
    pub const fn for_patient(self) -> bool {
        matches!(self, Self::PatientText | Self::PatientHtml | Self::PatientPdf)
    }

    /// Whether it is laid out on paper.
    #[must_use]
    pub const fn on_paper(self) -> bool {
        matches!(self, Self::Pdf | Self::PatientPdf)
    }
}

/// What a report is asked to hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wish {
    /// Whether name, number and date of birth stand in it.
    pub identity: bool,
    /// Whether it is marked as a draft.
    pub draft: bool,
    /// Whether other tables, windows of birth and groups of women stand in it too.
    pub full: bool,
}

/// How it is made.
#[derive(Clone, Copy, Debug)]
pub struct Making<'a> {
    /// The paper of a PDF.
    pub paper: Paper,
    /// The template of the paragraph.
    pub template: &'a str,
    /// Code of the patient's language, such as "en".
    pub language: &'a str,
    /// What the clinician chose for the patient's page.
    pub choices: Choices<'a>,
}

impl Making<'_> {
    /// The patient's page of a report.
    ///
    /// # Errors
    /// As [`Language::bundled`].
    pub fn page(&self, report: &Report) -> Result<PatientPage> {
        Ok(patient_page(report, &Language::bundled(self.language)?, self.choices))
    }

    /// A report in a form.
    ///
    /// # Errors
    /// As [`pdf::pdf`], [`html()`], [`note()`] and [`Language::bundled`].
    pub fn bytes(&self, report: &Report, form: Form) -> Result<Vec<u8>> {
        Ok(match form {
            Form::Text => text(report).into_bytes(),
            Form::Html => html(report)?.into_bytes(),
            Form::Pdf => pdf::pdf(report, self.paper)?,
            Form::Note => note(report, self.template)?.into_bytes(),
            Form::PatientText => self.page(report)?.text().into_bytes(),
            Form::PatientHtml => patient_html(&self.page(report)?)?.into_bytes(),
            Form::PatientPdf => self.page(report)?.pdf(report, self.paper)?,
        })
    }
}
