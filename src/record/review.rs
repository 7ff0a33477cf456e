//! Steps of a review: that readings agree, that one replaces another, that a difference was settled, that a reading was
//! returned, and the signature. Each is an immutable record beside the readings, naming who, when and why.
//!
//! A signature (Ed25519, RFC 8032) covers the step's whole content: the ids of the readings that stand, which are digests
//! of all that they say, and the digests of their images.

use std::cmp::Ordering;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::beside::{self, unwritable};
use super::compare::Comparison;
use super::verify::content_digest;
use super::{Check, Difference, ReadingRecord, in_order};
use crate::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::files;

/// Version of the record's shape.
pub const REVIEW_SCHEMA: &str = "osspan-review/1";
/// How the names of its files begin.
const PREFIX: &str = "review-";
/// Longest such file that is read, bytes.
const LONGEST: u64 = 256 * 1024;
/// Longest reason that is taken, characters.
const LONGEST_REASON: usize = 2000;

/// What somebody is in the department. On a shared folder it is a convention, not access control; what is enforced is the
/// signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Measures first.
    Sonographer,
    /// Reads again without seeing the first reading, settles, signs.
    Reviewer,
    /// Learns; signs nothing.
    Trainee,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 3] = [Self::Sonographer, Self::Reviewer, Self::Trainee];

    /// The role of that word; a profile that names none is a sonographer's.
    #[must_use]
    pub fn named(word: Option<&str>) -> Self {
        Self::ALL.into_iter().find(|r| Some(r.words()) == word).unwrap_or(Self::Sonographer)
    }

    /// The word shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Sonographer => "sonographer",
            Self::Reviewer => "reviewer",
            Self::Trainee => "trainee",
        }
    }
}

/// What a settlement comes to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Settlement {
    /// This one of the two readings stands, or a third that both made together.
    Stands {
        /// Its id.
        reading: String,
    },
    /// None stands: the woman is scanned again.
    ScanAgain,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Step {
    /// The second reader agrees: the first reading stands.
    Agree {
        /// How the two readings compare.
        comparison: Comparison,
    },
    /// The second reading stands in place of the first, though both come to the same finding.
    Amend {
        /// How the two readings compare.
        comparison: Comparison,
        /// Why.
        reason: String,
    },
    /// Both readers settled a difference together.
    Settle {
        /// How the two readings compare.
        comparison: Comparison,
        /// The reader with whom.
        with: String,
        /// What it comes to.
        settlement: Settlement,
        /// Why.
        reason: String,
    },
    /// The first reading goes back to its reader.
    Return {
        /// The first reading.
        reading: String,
        /// Its reader.
        to: String,
        /// Why.
        reason: String,
    },
    /// The readings that stand are signed.
    Sign {
        /// Their ids.
        readings: Vec<String>,
        /// Their images' digests, in the same order.
        images: Vec<String>,
    },
}

impl Step {
    /// The word shown for it.
    #[must_use]
    pub const fn words(&self) -> &'static str {
        match self {
            Self::Agree { .. } => "agreed",
            Self::Amend { .. } => "amended",
            Self::Settle { .. } => "settled together",
            Self::Return { .. } => "returned to the first reader",
            Self::Sign { .. } => "signed",
        }
    }

    /// Ids of the readings that it is about.
    #[must_use]
    pub fn readings(&self) -> Vec<&str> {
        match self {
            Self::Agree { comparison } | Self::Amend { comparison, .. } => vec![&comparison.first, &comparison.second],
            Self::Settle { comparison, settlement, .. } => {
                let mut all = vec![comparison.first.as_str(), comparison.second.as_str()];
                if let Settlement::Stands { reading } = settlement
                    && !all.contains(&reading.as_str())
                {
                    all.push(reading);
                }
                all
            }
            Self::Return { reading, .. } => vec![reading],
            Self::Sign { readings, .. } => readings.iter().map(String::as_str).collect(),
        }
    }

    const fn comparison(&self) -> Option<&Comparison> {
        match self {
            Self::Agree { comparison } | Self::Amend { comparison, .. } | Self::Settle { comparison, .. } => Some(comparison),
            Self::Return { .. } | Self::Sign { .. } => None,
        }
    }

    /// Why it was taken, where a step needs a reason.
    #[must_use]
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Amend { reason, .. } | Self::Settle { reason, .. } | Self::Return { reason, .. } => Some(reason),
            Self::Agree { .. } | Self::Sign { .. } => None,
        }
    }
}

/// One saved step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReviewRecord {
    /// [`REVIEW_SCHEMA`].
    pub schema: String,
    /// SHA-256 (hex) of the record's compact JSON with this field empty; it is also its id.
    pub content_sha256: String,
    /// Ids of the steps of this exam that its maker saw and that no other one followed.
    pub follows: Vec<String>,
    /// What was done.
    pub step: Step,
    /// By whom.
    pub by: String,
    /// As what.
    pub role: Role,
    /// When, RFC 3339 with offset.
    pub saved_at: String,
    /// Name and version of the program.
    pub software: String,
    /// Public key of the signature, hex; a step that is no signature has none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub key: String,
    /// Signature of the compact JSON with this field and the digest empty, hex.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub signature: String,
}

/// A step and the file that holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReview {
    /// The file.
    pub path: PathBuf,
    /// The record.
    pub record: ReviewRecord,
}

/// Who makes a step, and when.
#[derive(Clone, Debug)]
pub struct Maker {
    /// The name as it stands in records.
    pub by: String,
    /// As what.
    pub role: Role,
    /// Now, RFC 3339 with offset.
    pub saved_at: String,
    /// Steps of the exam that are seen and not followed yet.
    pub follows: Vec<String>,
}

/// Whether a file's name is that of a step.
pub(super) fn is_review(path: &Path) -> bool {
    beside::is_of(PREFIX, path)
}

impl ReviewRecord {
    /// The record of a step; a [`Step::Sign`] is signed with `seed`, the maker's private one.
    ///
    /// `readings` are those that the step names.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] when the maker has no name, a reason is missing, a reading is not at hand, a reader would
    /// review their own reading, a trainee would sign, or readings that differ in finding or side are not settled.
    pub fn new(step: Step, maker: Maker, readings: &[&ReadingRecord], seed: Option<&[u8; 32]>) -> Result<Self> {
        let by = maker.by.trim().to_owned();
        if by.is_empty() {
            return Err(refused().expected("the name of who does it").found("none").remedy("Name the reader"));
        }
        for id in step.readings() {
            if !readings.iter().any(|r| r.id() == id) {
                return Err(refused().expected(format!("the reading {id}")).found("none of that id"));
            }
        }
        rules(&step, &by, maker.role, readings)?;
        let mut made = Self {
            schema: REVIEW_SCHEMA.into(),
            content_sha256: String::new(),
            follows: maker.follows,
            step,
            by,
            role: maker.role,
            saved_at: maker.saved_at,
            software: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
            key: String::new(),
            signature: String::new(),
        };
        if let (Step::Sign { .. }, seed) = (&made.step, seed) {
            let seed = seed.ok_or_else(|| refused().expected("the private key of who signs").found("none"))?;
            made.key = files::public_key(seed);
            made.signature = files::sign(seed, &made.signed_bytes()?);
        }
        made.content_sha256 = digest::sha256_hex(made.bytes()?);
        Ok(made)
    }

    /// The record's id.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.content_sha256
    }

    /// The order of steps: by when they were taken, then by their ids.
    #[must_use]
    pub fn by_moment(&self, other: &Self) -> Ordering {
        in_order((&self.saved_at, self.id()), (&other.saved_at, other.id()))
    }

    /// The name of its file: no identity in it.
    pub(super) fn file_name(&self) -> String {
        beside::file_name(PREFIX, self.id())
    }

    fn bytes(&self) -> Result<Vec<u8>> {
        serde_json::to_vec(&Self { content_sha256: String::new(), ..self.clone() }).map_err(unwritable)
    }

    fn signed_bytes(&self) -> Result<Vec<u8>> {
        serde_json::to_vec(&Self { content_sha256: String::new(), signature: String::new(), ..self.clone() }).map_err(unwritable)
    }

    /// Whether the signature is that of this content; `false` for a step without one.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when it cannot be written as JSON.
    pub fn is_signed(&self) -> Result<bool> {
        Ok(!self.signature.is_empty() && files::is_signed(&self.key, &self.signature, &self.signed_bytes()?))
    }

    /// The record as text for its file.
    ///
    /// # Errors
    /// [`ErrorKind::Record`].
    pub fn to_json(&self) -> Result<String> {
        beside::to_json(self)
    }

    /// Reads a record's text.
    ///
    /// # Errors
    /// [`ErrorKind::Record`] when damaged or of another version.
    pub fn from_json(text: &str) -> Result<Self> {
        let damaged = |found: String| Error::new(ErrorKind::Record, "the review step cannot be read").expected(REVIEW_SCHEMA).found(found);
        let read: Self = serde_json::from_str(text).map_err(|e| damaged(e.to_string()))?;
        if read.schema == REVIEW_SCHEMA { Ok(read) } else { Err(damaged(read.schema)) }
    }
}

/// What a step must keep to, whoever made the file.
fn rules(step: &Step, by: &str, role: Role, readings: &[&ReadingRecord]) -> Result<()> {
    if step.reason().is_some_and(|r| r.trim().is_empty() || r.chars().count() > LONGEST_REASON) {
        return Err(refused().expected(format!("a reason of 1 to {LONGEST_REASON} characters")).found("none, or a longer one"));
    }
    let find = |id: &str| readings.iter().find(|r| r.id() == id);
    if let Some(comparison) = step.comparison() {
        if let Some((first, second)) = find(&comparison.first).zip(find(&comparison.second)) {
            if first.reader == second.reader {
                return Err(refused()
                    .expected("readings of two readers")
                    .found("two of one reader")
                    .remedy("Nobody reviews their own reading"));
            }
            let settles = matches!(step, Step::Settle { .. });
            if second.reader != by && !(settles && first.reader == by) {
                let expected = if settles { "one of the two readers" } else { "the second of the two readers" };
                return Err(refused().expected(expected).found("somebody else"));
            }
        }
        if comparison.discordant() && !matches!(step, Step::Settle { .. }) {
            return Err(refused()
                .expected("readings with the same finding and side")
                .found("readings that differ in one of them")
                .remedy("Settle the difference together, or return the first reading"));
        }
    }
    match step {
        Step::Agree { .. } | Step::Amend { .. } | Step::Return { .. } if role != Role::Reviewer => {
            Err(refused().expected("a reviewer").found(role.words()))
        }
        Step::Return { reading, to, .. } => match find(reading) {
            Some(r) if r.reader == by => Err(refused().expected("another's reading").found("your own")),
            Some(r) if r.reader != *to => Err(refused().expected("the reader who made it").found("another name")),
            _ => Ok(()),
        },
        Step::Settle { comparison, with, .. } => {
            let readers = [find(&comparison.first), find(&comparison.second)].map(|r| r.map(|r| r.reader.as_str()));
            if with.trim() == by || !readers.contains(&Some(with.trim())) {
                return Err(refused().expected("the other of the two readers").found("another name"));
            }
            Ok(())
        }
        Step::Sign { readings: ids, images } => {
            if role == Role::Trainee {
                return Err(refused().expected("a sonographer or reviewer").found("a trainee").remedy("A trainee cannot sign"));
            }
            let digests: Vec<Option<&str>> = ids.iter().map(|id| find(id).map(|r| r.frame.sha256.as_str())).collect();
            if ids.is_empty() || digests.iter().any(|d| d.is_none()) || !digests.iter().flatten().eq(images.iter()) {
                return Err(refused().expected("the digest of each reading's image").found("others"));
            }
            Ok(())
        }
        _ => Ok(()),
    }
}

fn refused() -> Error {
    Error::new(ErrorKind::Invalid, "the step cannot be recorded")
}

/// Reads the steps among `paths`, by when they were made, with an error for each file that holds none.
pub(super) fn load(paths: &[PathBuf]) -> (Vec<StoredReview>, Vec<Error>) {
    let (found, faults) = beside::load(paths, PREFIX, LONGEST, ReviewRecord::from_json, ReviewRecord::id);
    let mut found: Vec<StoredReview> = found.into_iter().map(|(path, record)| StoredReview { path, record }).collect();
    found.sort_by(|a, b| a.record.by_moment(&b.record));
    (found, faults)
}

/// Checks a step's text: digest, signature, rules, and that its comparison is what its readings say. `reading` finds a
/// reading by its id; that one is missing is told by the caller.
pub(super) fn check(text: &str, reading: impl Fn(&str) -> Option<ReadingRecord>, signers: &[Signer]) -> Result<(ReviewRecord, Check)> {
    let record = ReviewRecord::from_json(text)?;
    let mut check = Check::default();
    let mut differ = |what: &str, expected: String, found: String| {
        check.differences.push(Difference { what: what.into(), expected, found });
    };
    let digest = content_digest(text)?;
    if digest != record.content_sha256 {
        differ("the record's content", format!("digest {}", record.content_sha256), format!("digest {digest}"));
    }
    let found: Vec<Option<ReadingRecord>> = record.step.readings().into_iter().map(&reading).collect();
    let all: Vec<&ReadingRecord> = found.iter().flatten().collect();
    let complete = all.len() == found.len();
    if complete {
        if let Err(e) = rules(&record.step, &record.by, record.role, &all) {
            differ("the step", "one that may be taken".into(), e.message());
        }
        if let Some(comparison) = record.step.comparison() {
            let of = |id: &str| all.iter().find(|r| r.id() == id);
            if let Some((first, second)) = of(&comparison.first).zip(of(&comparison.second)) {
                let again = Comparison::of(first, second);
                if !again.same_as(comparison) {
                    differ("the comparison", again.words().join(" "), comparison.words().join(" "));
                }
            }
        }
    }
    if matches!(record.step, Step::Sign { .. }) && !record.is_signed()? {
        differ("the signature", "that of what is signed".into(), "another: it was changed after it was signed".into());
    }
    if !complete {
        check.unchecked.push("the comparison: not all of its readings are in the same folder as they were saved".into());
    }
    if matches!(record.step, Step::Sign { .. }) {
        check.unchecked.extend(signer_words(&record, signers));
    }
    Ok((record, check))
}

/// Somebody whose key is known here.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signer {
    /// The name as it stands in records.
    pub name: String,
    /// Public key, hex.
    pub key: String,
}

/// What stands against believing who signed; `None` when the key is known as this person's.
#[must_use]
pub fn signer_words(record: &ReviewRecord, signers: &[Signer]) -> Option<String> {
    let short = record.key.get(..16).unwrap_or(&record.key);
    match signers.iter().find(|s| s.key == record.key) {
        Some(s) if s.name == record.by => None,
        Some(_) => Some(format!("who signed: the key {short} is known here as another person's")),
        None => Some(format!("who signed: the key {short} is not known here")),
    }
}
