//! The codes of a report: standard ones where the standard has them, and one private scheme, 99OSSPAN, where it has none.
//!
//! `docs/STRUCTURED-REPORTS.md` lists them; a test holds the list to this file, and `tests/outside/sr.py` holds the standard
//! ones to the code tables of other libraries.

use std::borrow::Cow;

/// A code: value, scheme and meaning. Two codes are the same when value and scheme are, whatever the meaning says.
#[derive(Clone, Debug, Eq)]
pub struct Code {
    /// Code Value (0008,0100), at most 16 characters.
    pub value: Cow<'static, str>,
    /// Coding Scheme Designator (0008,0102).
    pub scheme: Cow<'static, str>,
    /// Code Meaning (0008,0104), at most 64 characters.
    pub meaning: Cow<'static, str>,
}

impl PartialEq for Code {
    fn eq(&self, other: &Self) -> bool {
        let (a, b) = (self.current(), other.current());
        a == b
    }
}

impl std::fmt::Display for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "({}, {}, \"{}\")", self.value, self.scheme, self.meaning)
    }
}

/// Codes of SNOMED as older reports write them (SRT) and as newer ones do (SCT), for the codes that are read here.
/// Source: the mapping table of pydicom 3.0.2, `pydicom.sr._snomed_dict`.
const OLDER: [(&str, &str); 9] = [
    ("G-D7FE", "410668003"),
    ("T-83200", "71252005"),
    ("G-C0E3", "363698007"),
    ("G-C036", "370129005"),
    ("G-C05F", "260753009"),
    ("T-F1100", "78067005"),
    ("R-404FB", "255605001"),
    ("R-00317", "373098007"),
    ("G-D002", "54300008"),
];

impl Code {
    const fn fixed(value: &'static str, scheme: &'static str, meaning: &'static str) -> Self {
        Self { value: Cow::Borrowed(value), scheme: Cow::Borrowed(scheme), meaning: Cow::Borrowed(meaning) }
    }

    /// Value and scheme, SNOMED codes in their newer form.
    fn current(&self) -> (&str, &str) {
        if matches!(self.scheme.as_ref(), "SRT" | "99SDM" | "SNM3") {
            let newer = OLDER.iter().find(|(old, _)| *old == self.value).map(|(_, new)| *new);
            return newer.map_or((self.value.as_ref(), "SRT"), |n| (n, "SCT"));
        }
        (self.value.as_ref(), self.scheme.as_ref())
    }
}

/// The designator of the private scheme.
pub const SCHEME: &str = "99OSSPAN";
/// Its name, as Coding Scheme Identification Sequence (0008,0110) gives it.
pub const SCHEME_NAME: &str = "Osspan: edge-to-os distance and what it rests on";

/// Where a code was looked up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seen {
    /// In the code tables of pydicom 3.0.2 (`pydicom.sr._concepts_dict`), made from PS3.16.
    Pydicom,
    /// In two or more public code files that name the same disorder, and not in PS3.16.
    PublicFiles,
    /// In the list of languages that TID 1204 refers to.
    Language,
    /// In none: it is of the private scheme.
    Private,
}

impl Seen {
    /// The words of the documents.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pydicom => "PS3.16, by the tables of pydicom 3.0.2",
            Self::PublicFiles => "two public code files that agree; not in PS3.16",
            Self::Language => "RFC 5646",
            Self::Private => "own",
        }
    }
}

macro_rules! codes {
    ($($name:ident = $value:literal, $scheme:literal, $meaning:literal, $seen:ident;)*) => {
        $(
            #[doc = $meaning]
            pub(super) const $name: Code = Code::fixed($value, $scheme, $meaning);
        )*
        /// Every code that is written, and where it was looked up.
        pub const ALL: &[(Code, Seen)] = &[$(($name, Seen::$seen)),*];
    };
}

codes! {
    REPORT = "126000", "DCM", "Imaging Measurement Report", Pydicom;
    LANGUAGE = "121049", "DCM", "Language of Content Item and Descendants", Pydicom;
    ENGLISH = "en-GB", "RFC5646", "English (United Kingdom)", Language;
    OBSERVER_TYPE = "121005", "DCM", "Observer Type", Pydicom;
    PERSON = "121006", "DCM", "Person", Pydicom;
    DEVICE = "121007", "DCM", "Device", Pydicom;
    PERSON_NAME = "121008", "DCM", "Person Observer Name", Pydicom;
    PERSON_ROLE = "121011", "DCM", "Person Observer's Role in this Procedure", Pydicom;
    READER = "C28747", "NCIt", "Reader", Pydicom;
    DEVICE_UID = "121012", "DCM", "Device Observer UID", Pydicom;
    DEVICE_NAME = "121013", "DCM", "Device Observer Name", Pydicom;
    DEVICE_MAKER = "121014", "DCM", "Device Observer Manufacturer", Pydicom;
    DEVICE_MODEL = "121015", "DCM", "Device Observer Model Name", Pydicom;
    PROCEDURE = "121058", "DCM", "Procedure reported", Pydicom;
    OBSTETRIC_SCAN = "268445003", "SCT", "Ultrasound scan - obstetric", Pydicom;
    IMAGE_LIBRARY = "111028", "DCM", "Image Library", Pydicom;
    IMAGE_GROUP = "126200", "DCM", "Image Library Group", Pydicom;
    MODALITY = "121139", "DCM", "Modality", Pydicom;
    ULTRASOUND = "US", "DCM", "Ultrasound", Pydicom;
    ROWS = "110910", "DCM", "Pixel Data Rows", Pydicom;
    COLUMNS = "110911", "DCM", "Pixel Data Columns", Pydicom;
    FRAMES = "121140", "DCM", "Number of Frames", Pydicom;
    MEASUREMENTS = "126010", "DCM", "Imaging Measurements", Pydicom;
    GROUP = "125007", "DCM", "Measurement Group", Pydicom;
    TRACKING_ID = "112039", "DCM", "Tracking Identifier", Pydicom;
    TRACKING_UID = "112040", "DCM", "Tracking Unique Identifier", Pydicom;
    FINDING = "121071", "DCM", "Finding", Pydicom;
    SITE = "363698007", "SCT", "Finding Site", Pydicom;
    METHOD = "370129005", "SCT", "Measurement Method", Pydicom;
    DERIVATION = "121401", "DCM", "Derivation", Pydicom;
    MINIMUM = "255605001", "SCT", "Minimum", Pydicom;
    ESTIMATED = "414135002", "SCT", "Estimated", Pydicom;
    ALGORITHM = "111001", "DCM", "Algorithm Name", Pydicom;
    ALGORITHM_VERSION = "111003", "DCM", "Algorithm Version", Pydicom;
    SOURCE = "260753009", "SCT", "Source", Pydicom;
    SOURCE_IMAGE = "121112", "DCM", "Source of Measurement", Pydicom;
    PROTOCOL = "125203", "DCM", "Acquisition Protocol", Pydicom;
    TRANSVAGINAL = "54300008", "SCT", "Trans-vaginal", Pydicom;
    TRANSABDOMINAL = "66739002", "SCT", "Trans-abdominal", Pydicom;
    TRANSLABIAL = "R-TRANSLABIAL", "99OSSPAN", "Translabial", Private;
    PLACENTA = "78067005", "SCT", "Placenta", Pydicom;
    CERVIX = "71252005", "SCT", "Cervix", Pydicom;
    DISTANCE = "121206", "DCM", "Distance", Pydicom;
    CERVICAL_LENGTH = "11961-0", "LN", "Cervix Length", Pydicom;
    GESTATIONAL_AGE = "18185-9", "LN", "Gestational Age", Pydicom;
    DUE_DATE = "11778-8", "LN", "EDD", Pydicom;
    LAST_PERIOD = "8665-2", "LN", "LMP", Pydicom;
    ABOVE = "371886008", "SCT", "+, range of upper measurement uncertainty", Pydicom;
    BELOW = "371885007", "SCT", "-, range of lower measurement uncertainty", Pydicom;
    PREVIA = "36813001", "SCT", "Placenta previa", PublicFiles;
    MM = "mm", "UCUM", "mm", Pydicom;
    DEGREE = "deg", "UCUM", "degree", Pydicom;
    DAY = "d", "UCUM", "day", Pydicom;
    ONE = "1", "UCUM", "no units", Pydicom;
    PIXEL = "{pixels}", "UCUM", "pixels", Private;
    PER_PIXEL = "mm/{pixel}", "UCUM", "mm per pixel", Private;

    OS_TO_EDGE = "M-OS-EDGE", "99OSSPAN", "Straight line from internal os to placental edge", Private;
    ALONG_MARKS = "M-MARKS", "99OSSPAN", "Along the marks that were placed", Private;
    ANGLE_OF_MARKS = "M-ANGLE", "99OSSPAN", "Angle at the middle of three marks", Private;
    RIM_TO_EDGE_LINE = "M-RIM", "99OSSPAN", "From the rim of the os, taken as round, to the edge", Private;
    SIGN = "SIGN", "99OSSPAN", "Sign convention", Private;
    SIGNED = "SIGN-AWAY-POS", "99OSSPAN", "Positive: edge away from the os; negative: overlap of the os", Private;
    UNSIGNED = "SIGN-NONE", "99OSSPAN", "A length without a sign", Private;
    REACH_DISTANCE = "REACH-CENTRE", "99OSSPAN", "Os centre to an edge that reaches or partly covers the os", Private;
    OVERLAP_AT_LEAST = "OVERLAP-LEAST", "99OSSPAN", "Overlap of the os, at least: the edge is out of view", Private;
    NONE_WITHIN = "NONE-WITHIN", "99OSSPAN", "No placenta seen within this distance of the os, this plane", Private;
    SINUS = "SINUS", "99OSSPAN", "Internal os to marginal sinus", Private;
    CANAL = "CANAL", "99OSSPAN", "Cervical length along the canal", Private;
    THICKNESS = "EDGE-THICKNESS", "99OSSPAN", "Thickness of the placental edge", Private;
    PLATE_ANGLE = "EDGE-ANGLE", "99OSSPAN", "Angle between the plates at the placental edge", Private;
    VESSEL = "VESSEL-OS", "99OSSPAN", "Internal os to the nearest vessel wall", Private;
    WALL = "WALL", "99OSSPAN", "Internal os to placental edge along the wall", Private;
    OS_WIDTH = "OS-WIDTH", "99OSSPAN", "Width of the internal os", Private;
    RIM_TO_EDGE = "RIM-EDGE", "99OSSPAN", "Rim of the internal os to placental edge", Private;
    SCALE_X = "SCALE-X", "99OSSPAN", "Scale along the rows (x)", Private;
    SCALE_Y = "SCALE-Y", "99OSSPAN", "Scale along the columns (y)", Private;
    U_RELATIVE = "U-REL", "99OSSPAN", "Relative standard uncertainty", Private;
    CORRELATION = "U-XY", "99OSSPAN", "Correlation of the errors of both scales", Private;
    U_SPEED = "U-REL-SOUND", "99OSSPAN", "Relative standard uncertainty from the speed of sound", Private;
    SCALE_BASIS = "SCALE-BASIS", "99OSSPAN", "What the scale rests on", Private;
    SCALE_WARNING = "SCALE-WARNING", "99OSSPAN", "What is odd about the scale", Private;
    SCALE_CHECK = "SCALE-CHECK", "99OSSPAN", "Last check of the scale on a phantom", Private;
    LOW_END = "INT-LOW", "99OSSPAN", "Lower end of the interval", Private;
    HIGH_END = "INT-HIGH", "99OSSPAN", "Upper end of the interval", Private;
    COVERAGE = "INT-COVERAGE", "99OSSPAN", "Aimed-at coverage of the interval", Private;
    U_ALL = "U", "99OSSPAN", "Standard uncertainty (1 SD), all terms together", Private;
    U_READING = "U-READING", "99OSSPAN", "Standard uncertainty (1 SD), made smaller by repeats", Private;
    U_SHARED = "U-SHARED", "99OSSPAN", "Standard uncertainty (1 SD), common to the frames", Private;
    U_REPEAT = "U-REPEAT", "99OSSPAN", "Standard uncertainty (1 SD), placing and acquiring together", Private;
    U_SCALE = "U-SCALE", "99OSSPAN", "Standard uncertainty (1 SD), scale", Private;
    U_SOUND = "U-SOUND", "99OSSPAN", "Standard uncertainty (1 SD), speed of sound", Private;
    TERM_METHOD = "TERM-METHOD", "99OSSPAN", "Method of this term", Private;
    TERM_SOURCE = "TERM-SOURCE", "99OSSPAN", "Source of this term and how well it is known", Private;
    REPEAT_ASSUMED = "REPEAT-ASSUMED", "99OSSPAN", "Whether the repeatability is assumed", Private;
    YES = "YES", "99OSSPAN", "Yes", Private;
    NO = "NO", "99OSSPAN", "No", Private;

    SIDE = "SIDE", "99OSSPAN", "Side of the os, as the reader states it", Private;
    SIDE_AWAY = "SIDE-AWAY", "99OSSPAN", "The edge lies away from the os: not covering", Private;
    SIDE_REACHES = "SIDE-REACHES", "99OSSPAN", "The edge reaches or partly covers the os", Private;
    SIDE_COVERS = "SIDE-COVERS", "99OSSPAN", "The placenta covers the os", Private;
    SIDE_CHECK = "SIDE-CHECK", "99OSSPAN", "What the point on the placental body says of the side", Private;
    HEADLINE = "HEADLINE", "99OSSPAN", "The distance in words", Private;
    NO_SCALE = "NO-SCALE", "99OSSPAN", "Why there are no millimetres", Private;
    MISSING = "MISSING", "99OSSPAN", "Why a length cannot be had", Private;
    OUTCOME = "FINDING", "99OSSPAN", "Finding under the guideline table", Private;
    BAND_COVERING = "BAND-COVERING", "99OSSPAN", "Covers the os", Private;
    BAND_REACHING = "BAND-REACHING", "99OSSPAN", "Reaches or partly covers the os: treat as previa", Private;
    BAND_LOW = "BAND-LOW", "99OSSPAN", "Not covering, nearer than the normal band", Private;
    BAND_NOT_LOW = "BAND-NOT-LOW", "99OSSPAN", "In the normal band of the table", Private;
    BAND_NONE_SEEN = "BAND-NONE-SEEN", "99OSSPAN", "No placenta seen near the os in this plane; proves no place", Private;
    NOT_APPLICABLE = "NOT-APPLICABLE", "99OSSPAN", "The table says nothing of this reading", Private;
    ALSO = "ALSO-REACHES", "99OSSPAN", "The interval also reaches", Private;
    BAND_LABEL = "BAND-LABEL", "99OSSPAN", "Band, as the table calls it", Private;
    FINDING_WORDS = "FINDING-WORDS", "99OSSPAN", "Finding in words", Private;
    FINDING_NOTE = "FINDING-NOTE", "99OSSPAN", "What must be said beside the finding", Private;
    TABLE = "TABLE", "99OSSPAN", "Guideline table", Private;
    TABLE_EDITION = "TABLE-EDITION", "99OSSPAN", "Edition of the guideline", Private;
    TABLE_DIGEST = "TABLE-SHA256", "99OSSPAN", "SHA-256 of the guideline table", Private;
    CAUTION = "CAUTION", "99OSSPAN", "Caution", Private;
    ADEQUACY = "ADEQUACY", "99OSSPAN", "Whether the frame counts in its exam", Private;
    FACTS = "FRAME-FACTS", "99OSSPAN", "Stated of the frame", Private;
    SET = "SET", "99OSSPAN", "Set of frames", Private;

    INTERNAL_OS = "L-INTERNAL-OS", "99OSSPAN", "Internal cervical os, centre", Private;
    EDGE = "L-EDGE", "99OSSPAN", "Placental edge", Private;
    LAST_SEEN = "L-LAST-SEEN", "99OSSPAN", "Last placenta seen, the edge being out of view", Private;
    END_OF_WALL = "L-END-OF-WALL", "99OSSPAN", "End of the wall in view, no placenta seen", Private;
    BODY = "L-BODY", "99OSSPAN", "Placental body near its edge", Private;
    SINUS_MARK = "L-SINUS", "99OSSPAN", "Edge of a marginal sinus", Private;

    RECORD = "RECORD-SHA256", "99OSSPAN", "SHA-256 of the saved reading", Private;
    FRAME_DIGEST = "FRAME-SHA256", "99OSSPAN", "SHA-256 of the frame's stored bytes and geometry", Private;
    SAVED_AT = "SAVED-AT", "99OSSPAN", "When the reading was saved", Private;
    SOFTWARE = "SOFTWARE", "99OSSPAN", "Program that made the reading", Private;
    RULES = "RULES", "99OSSPAN", "Version of the rules and wordings", Private;
    WHOLE_RECORD = "RECORD", "99OSSPAN", "The saved reading as it stands in its file (JSON)", Private;
    CONTENT_VERSION = "CONTENT-VERSION", "99OSSPAN", "Version of this report's shape", Private;

    NO_EXAM_DISTANCE = "NO-EXAM-DIST", "99OSSPAN", "Why there is no exam distance", Private;
    EXAM_LIMIT = "EXAM-LIMIT", "99OSSPAN", "The exam distance is one-sided: limits only", Private;
    SHORTEST_OVERLAP = "OVERLAP-SHORT", "99OSSPAN", "Shortest overlap seen is at least", Private;
    SHORTEST_AT_MOST = "OVERLAP-SHORTMAX", "99OSSPAN", "Shortest overlap seen is at most", Private;
    LONGEST_OVERLAP = "OVERLAP-LONG", "99OSSPAN", "Longest overlap seen is at least", Private;
    LONGEST = "LONGEST", "99OSSPAN", "Longest distance at which an edge was seen", Private;
    FRAMES_USED = "FRAMES-USED", "99OSSPAN", "Number of frames used", Private;
    EXAM_WORDS = "EXAM-WORDS", "99OSSPAN", "The exam in words", Private;
    EXAM_NOTE = "EXAM-NOTE", "99OSSPAN", "What must be said beside it", Private;
    DATING = "DATING", "99OSSPAN", "What the gestational age is reckoned from", Private;
    REVIEW = "REVIEW", "99OSSPAN", "State of the second reading", Private;
    REVIEW_STEP = "REVIEW-STEP", "99OSSPAN", "Step of the review", Private;
    LEFT_OUT = "LEFT-OUT", "99OSSPAN", "Reading that is not in this report", Private;
}

/// The state of the second reading: a fixed value for each, whose meaning is the words that the program shows.
pub(super) fn review_state(standing: &crate::review::Standing) -> Code {
    use crate::review::Standing as S;
    let (value, meaning) = match standing {
        S::ReadOnce => ("R-ONCE", "read once"),
        S::Returned => ("R-RETURNED", "returned to the first reader"),
        S::NotCompared => ("R-NOT-COMPARED", "read twice, not compared"),
        S::Agreed => ("R-AGREED", "second reader agrees, not signed"),
        S::Amended => ("R-AMENDED", "amended by the second reader, not signed"),
        S::Settled => ("R-SETTLED", "settled together, not signed"),
        S::ScanAgain => ("R-SCAN-AGAIN", "settled: scan again"),
        S::Forked => ("R-FORKED", "two steps taken side by side: look at both"),
        S::Signed => ("R-SIGNED", "signed"),
        S::ChangedSinceSigned => ("R-CHANGED", "changed since it was signed"),
    };
    Code::fixed(value, SCHEME, meaning)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.5 6.2: SH at most 16 characters, LO at most 64.
    #[test]
    fn codes_fit_their_attributes_and_are_listed_once() {
        let mut seen = std::collections::HashSet::new();
        for (code, from) in ALL {
            assert!(code.value.chars().count() <= 16, "{code}");
            assert!(code.meaning.chars().count() <= 64 && !code.meaning.is_empty(), "{code}");
            assert!(seen.insert((code.value.clone(), code.scheme.clone())), "{code} twice");
            assert_eq!(code.scheme == SCHEME || code.value.contains("{pixel"), *from == Seen::Private, "{code}");
        }
    }

    #[test]
    fn older_snomed_codes_are_the_newer_ones() {
        let old = Code::fixed("T-83200", "SRT", "Cervix uteri");
        assert_eq!(old, CERVIX);
        assert_ne!(Code::fixed("T-83200", "SCT", "Cervix"), CERVIX);
        assert_ne!(Code::fixed("71252005", "SRT", "Cervix"), CERVIX);
    }
}
