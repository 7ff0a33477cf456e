//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use jiff::civil::Date;

use super::agree::AgreeArgs;
use super::archive::ArchiveCommand;
use super::assessment::AssessmentCommand;
use super::export::ExportCommand;
use super::hand_over::{FhirArgs, ReadingsArgs};
use super::notes::NotesArgs;
use super::phantom::PhantomCommand;
use super::practice::PracticeCommand;
use super::profile::ProfileArgs;
use super::report::ReportArgs;
use super::review::{ReviewCommand, SecondArgs};
use super::sr::SrCommand;
use crate::context::{Bladder, Bleeding, Contraction, Limits, Route, decimal};
use crate::followup::UrgentId;
use crate::measure::{EdgeMark, Side};
use crate::units::PxPoint;

/// Reads stored transvaginal ultrasound frames: how far the placental edge lies from the internal os, how sure that is,
/// and what it means under a named guideline. Supports, and does not replace, a licensed clinician's judgement and local
/// protocol. Not a certified medical device.
#[derive(Debug, Parser)]
#[command(name = "osspan", version, args_conflicts_with_subcommands = true)]
pub struct Arguments {
    /// A file or folder to open in the window; the bundled sample exam when nothing is named
    pub path: Option<PathBuf>,
    /// A guideline table of your own, beside those in the folder "tables" of the data folder
    #[arg(long = "table", value_name = "FILE")]
    pub tables: Vec<PathBuf>,
    /// Without this, the window opens
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// What can be done without a window.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make one reading from landmark coordinates, and print it
    Read(Box<ReadArgs>),
    /// List the exams and frames of a file or folder, and the files that are none, with the reason
    List(ListArgs),
    /// Recompute every record of a folder and report each difference
    Verify(VerifyArgs),
    /// List the records of a folder that answer every question asked
    Find(FindArgs),
    /// What the frames of each exam come to, from saved readings
    Exam(ExamValuesArgs),
    /// Sign a list of a folder's newest records, to be kept elsewhere; verify then tells when one is lost
    Checkpoint(CheckpointArgs),
    /// Make a teaching set without identity: prepare, look at each frame and decide, write
    #[command(subcommand)]
    Export(ExportCommand),
    /// How well readers agree with each other and with themselves, from saved records
    Agree(AgreeArgs),
    /// The whole answer for saved readings: urgent first, next scan, what each body says; with its sources
    Sheet(SheetArgs),
    /// Who is due: open urgent matters first, then owed, overdue, unread, due now, unsigned
    Due(DueArgs),
    /// Record who was told of an urgent matter, by whom, when, and whether it was read back
    Told(ToldArgs),
    /// Check a scanner's scale on a distance phantom, and the history of such checks
    #[command(subcommand)]
    Phantom(PhantomCommand),
    /// An examination in practice frames: a lead freezes and marks it, trainees take it blind
    #[command(subcommand)]
    Assessment(AssessmentCommand),
    /// Practise on frames of known truth: levels, next, submit, score, export, consent; a lead adds own cases
    #[command(subcommand)]
    Practice(PracticeCommand),
    /// Who reads here, as what and with which key; and whose keys are known
    Profile(ProfileArgs),
    /// The second reader: queue, comparing, agreeing, settling, returning, signing
    #[command(subcommand)]
    Review(ReviewCommand),
    /// Print the guideline tables with the source of every number, or what is from memory
    Guidelines(GuidelinesArgs),
    /// Print an empty form of what is known of an exam, for read --context
    Form,
    /// Archives: test the link, send, find, fetch, receive
    #[command(subcommand)]
    Archive(ArchiveCommand),
    /// The report of a saved exam: text, HTML, PDF, a paragraph for the record system, or a page for the patient
    Report(ReportArgs),
    /// Saved readings as a table for other programs: CSV, Parquet, and what its columns mean
    Readings(ReadingsArgs),
    /// One exam as FHIR R4: a DiagnosticReport and its Observations
    Fhir(FhirArgs),
    /// Exams as DICOM structured reports, and what structured reports say
    #[command(subcommand)]
    Sr(SrCommand),
    /// Read the bundled sample exam from its saved landmarks
    Sample(SampleArgs),
}

/// Arguments of `read`. Points are in pixels from the outer corner of the first pixel, x to the right, y down.
#[derive(Debug, Args)]
pub struct ReadArgs {
    /// The file that holds the frame
    pub file: PathBuf,
    /// Frame number in the file, from 1
    #[arg(long, default_value_t = 1)]
    pub frame: u32,
    /// Internal os, "x,y" (or "x;y", which allows decimal commas)
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub os: PxPoint,
    /// The far end, and the placental body
    #[command(flatten)]
    pub far_end: FarEndArgs,
    /// Edge of a marginal sinus, marked apart
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub sinus: Option<PxPoint>,
    /// Where the placenta lies, as you see it; there is no default
    #[arg(long, value_enum)]
    pub side: SideArg,
    /// Further landmarks, the checklist, the set of frames and the edge assist
    #[command(flatten)]
    pub notes: NotesArgs,
    /// Guideline table (see `osspan guidelines`); there is no default
    #[arg(long)]
    pub guideline: String,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
    /// A form file of what is known of the exam (see `osspan form`); what is named here besides goes before it
    #[arg(long, value_name = "FILE")]
    pub context: Option<PathBuf>,
    /// Day of the exam, YYYY-MM-DD; taken from the file where it says so
    #[arg(long)]
    pub exam_date: Option<Date>,
    /// Due date, YYYY-MM-DD
    #[arg(long, conflicts_with = "last_period")]
    pub due_date: Option<Date>,
    /// First day of the last period, YYYY-MM-DD
    #[arg(long)]
    pub last_period: Option<Date>,
    /// How the frame was acquired
    #[arg(long, value_parser = word::<Route>, default_value = "unknown")]
    pub route: Route,
    /// The bladder during the scan: empty, full, unknown
    #[arg(long, value_parser = word::<Bladder>, default_value = "unknown")]
    pub bladder: Bladder,
    /// A contraction of the lower uterine wall in the frame
    #[arg(long, value_parser = word::<Contraction>, default_value = "unknown")]
    pub contraction: Contraction,
    /// Vaginal bleeding
    #[arg(long, value_parser = word::<Bleeding>, default_value = "unknown")]
    pub bleeding: Bleeding,
    /// Number of previous caesareans, the present one not counted
    #[arg(long, value_parser = caesareans)]
    pub previous_caesareans: Option<u8>,
    /// Who reads; needed for --save
    #[arg(long)]
    pub reader: Option<String>,
    /// Accept Pixel Spacing as the scale where the file has nothing better; needs --reader
    #[arg(long, requires = "reader")]
    pub accept_pixel_spacing: bool,
    /// Why the file's scale is right although something in the file or picture speaks against it
    #[arg(long, requires = "reader", value_name = "REASON")]
    pub resolve_scale: Option<String>,
    /// Where the picture carries no scale: the middle of one tick of its ruler; the ticks up to --ruler-to are found
    #[arg(long, value_parser = point, allow_hyphen_values = true, requires_all = ["ruler_to", "ruler_length", "reader"])]
    pub ruler_from: Option<PxPoint>,
    /// The middle of another tick of the same ruler
    #[arg(long, value_parser = point, allow_hyphen_values = true, requires = "ruler_from")]
    pub ruler_to: Option<PxPoint>,
    /// How far it is from the first tick found to the last, with its unit, such as "5 cm"
    #[arg(long, requires = "ruler_from")]
    pub ruler_length: Option<String>,
    /// State that pixels are square, where the file does not say
    #[arg(long, requires = "ruler_from")]
    pub square_pixels: bool,
    /// Confirm a picture under 20 mm or over 300 mm
    #[arg(long, requires = "ruler_from")]
    pub confirm_field: bool,
    /// How the exam came to its second reader
    #[command(flatten)]
    pub second: SecondArgs,
    /// Save the reading as a record
    #[arg(long, requires = "reader")]
    pub save: bool,
    /// Folder for records instead of the user's data folder
    #[arg(long)]
    pub records: Option<PathBuf>,
    /// Print the record as JSON
    #[arg(long)]
    pub json: bool,
}

/// The far end of the distance, which is one of three marks, and the point that checks the stated side.
#[derive(Debug, Args)]
pub struct FarEndArgs {
    /// Leading placental edge: the nearest edge of any lobe
    #[arg(long, value_parser = point, allow_hyphen_values = true, group = "mark")]
    pub edge: Option<PxPoint>,
    /// Instead of the edge: last placenta seen beyond a covered os, the edge being out of view
    #[arg(long, value_parser = point, allow_hyphen_values = true, group = "mark")]
    pub last_placenta: Option<PxPoint>,
    /// Instead of the edge: end of the wall in view, no placenta being seen
    #[arg(long, value_parser = point, allow_hyphen_values = true, group = "mark")]
    pub wall_end: Option<PxPoint>,
    /// A point on the placental body near its edge; checks the stated side
    #[arg(long, value_parser = point, allow_hyphen_values = true)]
    pub body: Option<PxPoint>,
}

impl FarEndArgs {
    /// What the far end was marked as; `None` when no mark was named.
    #[must_use]
    pub fn mark(&self) -> Option<EdgeMark> {
        let edge = self.edge.map(|at| EdgeMark::PlacentalEdge { at });
        let last = || self.last_placenta.map(|at| EdgeMark::LastPlacentaSeen { at });
        let wall = || self.wall_end.map(|at| EdgeMark::EndOfWallSeen { at });
        edge.or_else(last).or_else(wall)
    }
}

/// Arguments of `exam`.
#[derive(Debug, Args)]
pub struct ExamValuesArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Only this reader's
    #[arg(long)]
    pub reader: Option<String>,
    /// Print the checklist of a frame with its letters and sources, and nothing else
    #[arg(long)]
    pub checklist: bool,
    /// Print as JSON
    #[arg(long)]
    pub json: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Arguments of `list`.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// A file or folder
    pub path: PathBuf,
}

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// File or folder with the images, to check that they are unchanged
    #[arg(long)]
    pub images: Option<PathBuf>,
    /// A checkpoint of this folder, to check that no record is lost
    #[arg(long)]
    pub checkpoint: Option<PathBuf>,
    /// Say nothing of records that verify
    #[arg(long)]
    pub quiet: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Arguments of `find`. Every option narrows the list.
#[derive(Debug, Args)]
pub struct FindArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Patient number, or the patient key that the list shows
    #[arg(long)]
    pub patient: Option<String>,
    /// Exams on this day or later, YYYY-MM-DD
    #[arg(long)]
    pub from: Option<Date>,
    /// Exams on this day or earlier, YYYY-MM-DD
    #[arg(long)]
    pub to: Option<Date>,
    /// Part of the reader's name
    #[arg(long)]
    pub reader: Option<String>,
    /// Part of the finding or headline, such as "low-lying"
    #[arg(long)]
    pub finding: Option<String>,
    /// Beginning of the frame's digest
    #[arg(long)]
    pub frame: Option<String>,
    /// Beginning of the record's id
    #[arg(long)]
    pub id: Option<String>,
    /// Only records that no other record follows
    #[arg(long)]
    pub current: bool,
    /// Print the records themselves as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `checkpoint`.
#[derive(Debug, Args)]
pub struct CheckpointArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Folder to keep the checkpoint in: best on another disk, out of reach of whoever can change the records
    #[arg(long)]
    pub to: PathBuf,
}

/// Arguments of `sheet`.
#[derive(Debug, Args)]
pub struct SheetArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Under every guideline table at hand instead of the one each exam was read with
    #[arg(long)]
    pub every_guideline: bool,
    /// Name the row and the source behind every sentence
    #[arg(long)]
    pub trace: bool,
    /// Of the bundled sample exam; nothing is saved
    #[arg(long, conflicts_with = "folder")]
    pub sample: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Guideline tables of one's own.
#[derive(Clone, Debug, Default, Args)]
pub struct TablesArgs {
    /// A guideline table of your own, beside those in the folder "tables" of the data folder
    #[arg(long = "table", value_name = "FILE")]
    pub files: Vec<PathBuf>,
}

/// Arguments of `due`.
#[derive(Debug, Args)]
pub struct DueArgs {
    /// Folder of records; the user's data folder when none is named
    pub folder: Option<PathBuf>,
    /// Folder of exams: those without a saved reading are listed as unread
    #[arg(long, value_name = "FOLDER")]
    pub exams: Option<PathBuf>,
    /// The day to list for, YYYY-MM-DD; today when none is named
    #[arg(long)]
    pub on: Option<Date>,
    /// Name the patients; otherwise only the key that stands for each is shown
    #[arg(long)]
    pub names: bool,
    /// List also those of whom nothing is asked
    #[arg(long)]
    pub all: bool,
    /// Print the list as JSON
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Print the list as CSV
    #[arg(long)]
    pub csv: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Arguments of `told`.
#[derive(Debug, Args)]
pub struct ToldArgs {
    /// Beginning of the id of the reading that the matter was seen in, as `due` shows it
    pub reading: String,
    /// Which matter: covering-and-bleeding, bleeding, pain-or-contractions, vasa-previa, suspected-accreta
    #[arg(long, value_parser = word::<UrgentId>)]
    pub matter: UrgentId,
    /// Who was told
    #[arg(long)]
    pub to: String,
    /// Who told
    #[arg(long)]
    pub by: String,
    /// When, such as 2031-03-14T09:26:00+01:00; now when not named
    #[arg(long)]
    pub at: Option<String>,
    /// It was read back; without this the matter stays open
    #[arg(long)]
    pub read_back: bool,
    /// Folder of records; the user's data folder when none is named
    #[arg(long)]
    pub folder: Option<PathBuf>,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Arguments of `guidelines`.
#[derive(Debug, Args)]
pub struct GuidelinesArgs {
    /// Print only what is from memory: check it against the primary document before relying on it
    #[arg(long)]
    pub from_memory: bool,
    /// Tables of one's own
    #[command(flatten)]
    pub tables: TablesArgs,
}

/// Arguments of `sample`.
#[derive(Debug, Args)]
pub struct SampleArgs {
    /// Folder for records instead of the user's data folder
    #[arg(long)]
    pub records: Option<PathBuf>,
}

/// The stated side on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum SideArg {
    /// The edge lies away from the internal os
    NotCovering,
    /// The edge reaches the os or covers part of it
    Reaches,
    /// The placenta covers the internal os
    Covers,
}

impl From<SideArg> for Side {
    fn from(s: SideArg) -> Self {
        match s {
            SideArg::NotCovering => Self::NotCovering,
            SideArg::Reaches => Self::Reaches,
            SideArg::Covers => Self::Covers,
        }
    }
}

/// One of a context field's own words ("empty", "full"), as records spell them.
pub(super) fn word<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, String> {
    serde_json::from_value(serde_json::Value::String(text.to_owned())).map_err(|e| e.to_string())
}

/// A plausible number of previous caesareans.
fn caesareans(text: &str) -> Result<u8, String> {
    Limits::CAESAREANS.count(text).map_err(|e| e.to_string())?.ok_or_else(|| "expected a number".to_owned())
}

/// "yes" or "no".
pub(super) fn yes_or_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" => Ok(true),
        "no" => Ok(false),
        other => Err(format!("expected yes or no, found \"{other}\"; leave it out when it is not known")),
    }
}

/// A point: "12.5,40" with decimal points, or "12,5;40" where commas may be decimal.
pub(super) fn point(text: &str) -> Result<PxPoint, String> {
    let wanted = "expected two numbers of pixels such as 412.5,300 (or 412,5;300 with decimal commas)";
    let (x, y) = match text.split_once(';') {
        Some((x, y)) => (decimal(x)?, decimal(y)?),
        None => {
            let parts: Vec<_> = text.split(',').collect();
            let [x, y] = parts[..] else {
                return Err(format!("{wanted}, found \"{text}\""));
            };
            (decimal(x)?, decimal(y)?)
        }
    };
    Ok(PxPoint::new(x, y))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::float_cmp)]
    use super::*;

    #[test]
    fn decimal_commas_are_read_and_ambiguous_ones_refused() {
        assert_eq!(point("12.5,40").unwrap(), PxPoint::new(12.5, 40.0));
        assert_eq!(point("12,5;40").unwrap(), PxPoint::new(12.5, 40.0));
        assert_eq!(decimal("10,5").unwrap(), 10.5);
        assert!(decimal("1,050").is_err());
        assert!(decimal("1,050.5").is_err());
        assert!(point("12").is_err());
        assert!(point("1,2,3").is_err());
        assert!(decimal("NaN").is_err());
    }
}
