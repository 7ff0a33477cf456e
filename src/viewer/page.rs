//! The pages of the window: the reading, and work that is not about one frame.

/// A page that takes the window below the strip.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Page {
    /// The frame, the distance line and the case sheet.
    #[default]
    Reading,
    /// Frames without identity, to be looked at one by one and approved.
    TeachingSet,
    /// The second reader's queue, comparison and signature.
    SecondReading,
    /// The whole answer for the reading: sections with their sources, and the change over visits.
    Answer,
    /// Who is due, and who was told.
    Due,
    /// The guideline tables at hand, and what is from memory.
    Tables,
    /// Checks of scanners' scales on a phantom, and their history.
    ScaleChecks,
    /// Sending to archives, finding and fetching, receiving.
    Archive,
    /// The report of the exam, the patient's page and the paragraph for the record system.
    Report,
    /// How well readers agree, over many exams.
    Agreement,
    /// The course of frames with known truth, scores, assessments.
    Practice,
}

impl Page {
    /// Every page, in the order in which they are listed.
    pub const ALL: [Self; 11] = [
        Self::Reading,
        Self::Answer,
        Self::Report,
        Self::Due,
        Self::SecondReading,
        Self::Agreement,
        Self::ScaleChecks,
        Self::Archive,
        Self::TeachingSet,
        Self::Practice,
        Self::Tables,
    ];

    /// Whether it is about the exam that is open, so that the strip names whose it is. Other pages name whom they are about
    /// themselves, or nobody.
    #[must_use]
    pub const fn is_of_the_exam(self) -> bool {
        matches!(self, Self::Reading | Self::Answer | Self::ScaleChecks | Self::Report | Self::Archive)
    }

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Reading => "reading",
            Self::TeachingSet => "teaching set",
            Self::SecondReading => "second reading",
            Self::Answer => "whole answer",
            Self::Due => "who is due",
            Self::Tables => "guidelines",
            Self::ScaleChecks => "scale checks",
            Self::Archive => "archive",
            Self::Report => "report",
            Self::Agreement => "agreement study",
            Self::Practice => "practice",
        }
    }

    /// Its key, as shown.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Reading => "F2",
            Self::TeachingSet => "F3",
            Self::SecondReading => "F6",
            Self::Answer => "F4",
            Self::Due => "F5",
            Self::Tables => "F7",
            Self::ScaleChecks => "F8",
            Self::Archive => "F9",
            Self::Report => "F11",
            Self::Agreement => "F12",
            Self::Practice => "F10",
        }
    }
}
