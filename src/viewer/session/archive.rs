//! The page of the archive: link tests, what waits to be sent, finding and fetching exams, what the receiver took in. Everything that
//! takes time goes on elsewhere; what is shown of others' readings is decided before it comes here.

use super::Session;
use crate::archive::{Found, Item, SAMPLE};
use crate::viewer::action::{Action, Effect};

/// Most lines of what was received that are kept.
const MOST_LINES: usize = 200;

/// What can happen on the page.
#[derive(Clone, Debug)]
pub enum ArchiveAction {
    /// What is set up, and the outbox as this reader may see it; an error in words otherwise.
    Loaded(Result<SetUp, String>),
    /// The outbox as it stands now, and what in it is no item, in words.
    Outbox(Vec<Item>, Vec<String>),
    /// Copy a sample of the settings to the clipboard.
    CopySample,
    /// Choose the archive to send to and to ask.
    Choose(String),
    /// Test the links.
    Test,
    /// How an archive answered: its name, words, and whether all is well.
    Tested(String, String, bool),
    /// Send the open exam to the chosen archive.
    SendExam,
    /// Send what waits.
    SendWaiting,
    /// The window was opened: what an earlier one left in the outbox is sent.
    TakeUp,
    /// So many objects were left, and are being sent now.
    TakenUp(usize),
    /// A pass over the outbox has ended, in words.
    Sent(String),
    /// Queue again what was refused or could not be sent.
    Retry,
    /// Take what the archives have off the list.
    ClearStored,
    /// One of the fields of the question was edited.
    Type(Asked, String),
    /// Ask the chosen archive.
    Find,
    /// Its answer, and whether there is more; an error in words otherwise.
    Answered(Result<(Vec<Found>, bool), String>),
    /// Fetch the exam with this Study Instance UID.
    Fetch(String),
    /// Objects that have come so far, and how many are left where it is known.
    Fetching(usize, Option<u16>),
    /// Stop fetching.
    StopFetching,
    /// The exam came: what it came to and the folder, which is opened; an error in words otherwise.
    Fetched(Result<(String, std::path::PathBuf), String>),
    /// Receive, or stop.
    Receive(bool),
    /// Where the receiver listens; `None` when it does not.
    Listening(Option<String>),
    /// What happened at the receiver, in words, and the folder of an exam that came.
    Received(String),
    /// Open the folder of received exams.
    OpenReceived,
}

/// A field of the question.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// Patient number.
    Patient,
    /// Beginning of the family name.
    Name,
}

/// What is set up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SetUp {
    /// The archives' names.
    pub archives: Vec<String>,
    /// This workstation's title.
    pub title: String,
    /// Where received exams go.
    pub received: std::path::PathBuf,
    /// The outbox.
    pub outbox: Vec<Item>,
    /// What in the outbox is no item, in words.
    pub not_items: Vec<String>,
}

/// What a session asks of the world for the page.
#[derive(Clone, Debug)]
pub enum ArchiveEffect {
    /// Read the settings and the outbox.
    Load,
    /// Test the link to each of these.
    Test(Vec<String>),
    /// Queue these files and the saved readings of their exam for an archive, and send what waits.
    Send {
        /// The files of the exam.
        files: Vec<std::path::PathBuf>,
        /// The archive.
        to: String,
    },
    /// Send what waits.
    SendWaiting,
    /// The same, if an earlier window left anything.
    TakeUp,
    /// Queue again what was refused.
    Retry,
    /// Take what the archives have off the list.
    ClearStored,
    /// Ask an archive: its name, patient number, beginning of the name.
    Find(String, Option<String>, Option<String>),
    /// Fetch from an archive the exam of this UID.
    Fetch(String, String),
    /// Stop fetching.
    StopFetching,
    /// Receive, or stop.
    Receive(bool),
}

/// The page's own state.
#[derive(Clone, Default)]
pub struct ArchiveState {
    set_up: SetUp,
    not_set_up: Option<String>,
    chosen: Option<String>,
    tested: Vec<(String, String, bool)>,
    testing: bool,
    sending: bool,
    sent: Option<String>,
    patient: String,
    name: String,
    asking: bool,
    found: Option<(Vec<Found>, bool)>,
    fetching: Option<(String, usize, Option<u16>)>,
    fetched: Option<String>,
    listening: Option<String>,
    received: Vec<String>,
    fault: Option<String>,
}

impl std::fmt::Debug for ArchiveState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Fields and answers tell who was examined.
        f.debug_struct("ArchiveState").field("sending", &self.sending).field("listening", &self.listening).finish_non_exhaustive()
    }
}

impl ArchiveState {
    /// What is set up.
    #[must_use]
    pub const fn set_up(&self) -> &SetUp {
        &self.set_up
    }

    /// Why nothing is.
    #[must_use]
    pub fn not_set_up(&self) -> Option<&str> {
        self.not_set_up.as_deref()
    }

    /// The archive that is sent to and asked; none until one is chosen, unless there is one only.
    #[must_use]
    pub fn chosen(&self) -> Option<&str> {
        let only = || match self.set_up.archives.as_slice() {
            [one] => Some(one.as_str()),
            _ => None,
        };
        self.chosen.as_deref().or_else(only)
    }

    /// How each archive answered its test.
    #[must_use]
    pub fn tested(&self) -> &[(String, String, bool)] {
        &self.tested
    }

    /// Whether links are being tested.
    #[must_use]
    pub const fn testing(&self) -> bool {
        self.testing
    }

    /// Whether something is being sent.
    #[must_use]
    pub const fn sending(&self) -> bool {
        self.sending
    }

    /// What the last sending came to.
    #[must_use]
    pub fn sent(&self) -> Option<&str> {
        self.sent.as_deref()
    }

    /// What stands in a field of the question.
    #[must_use]
    pub fn typed(&self, field: Asked) -> &str {
        match field {
            Asked::Patient => &self.patient,
            Asked::Name => &self.name,
        }
    }

    /// Whether an archive is being asked.
    #[must_use]
    pub const fn asking(&self) -> bool {
        self.asking
    }

    /// What was found, and whether there is more.
    #[must_use]
    pub fn found(&self) -> Option<(&[Found], bool)> {
        self.found.as_ref().map(|(found, more)| (found.as_slice(), *more))
    }

    /// The study that is being fetched, how many objects have come, and how many are left.
    #[must_use]
    pub fn fetching(&self) -> Option<(&str, usize, Option<u16>)> {
        self.fetching.as_ref().map(|(study, came, left)| (study.as_str(), *came, *left))
    }

    /// What the last fetch came to.
    #[must_use]
    pub fn fetched(&self) -> Option<&str> {
        self.fetched.as_deref()
    }

    /// Where the receiver listens.
    #[must_use]
    pub fn listening(&self) -> Option<&str> {
        self.listening.as_deref()
    }

    /// What happened at the receiver, newest last.
    #[must_use]
    pub fn received(&self) -> &[String] {
        &self.received
    }

    /// What went wrong last.
    #[must_use]
    pub fn fault(&self) -> Option<&str> {
        self.fault.as_deref()
    }
}

impl Session {
    /// The page of the archive.
    #[must_use]
    pub const fn archive(&self) -> &ArchiveState {
        &self.archive
    }

    /// The files of the open exam that an archive can take: captures have no place in one.
    #[must_use]
    pub fn files_to_send(&self) -> Vec<std::path::PathBuf> {
        let files = self.exam().map(|e| e.files.as_slice()).unwrap_or_default();
        files.iter().filter(|f| f.facts.sop_instance_uid.is_some()).map(|f| f.path.clone()).collect()
    }

    /// Asks anew for what the page shows.
    pub(super) fn load_archive(&self) -> Vec<Effect> {
        vec![Effect::Archive(ArchiveEffect::Load)]
    }

    pub(super) fn act_on_archive(&mut self, action: ArchiveAction) -> Vec<Effect> {
        let files = self.files_to_send();
        let page = &mut self.archive;
        let chosen = page.chosen().map(str::to_owned);
        let effect = match (action, chosen) {
            (ArchiveAction::Loaded(Ok(set_up)), _) => {
                page.not_set_up = None;
                page.set_up = set_up;
                None
            }
            (ArchiveAction::Loaded(Err(why)), _) => {
                page.not_set_up = Some(why);
                None
            }
            (ArchiveAction::Outbox(items, not_items), _) => {
                (page.set_up.outbox, page.set_up.not_items) = (items, not_items);
                None
            }
            (ArchiveAction::CopySample, _) => {
                self.tell("The sample of the settings is on the clipboard.".to_owned());
                return vec![Effect::Copy(SAMPLE.to_owned())];
            }
            (ArchiveAction::Choose(name), _) => {
                page.chosen = Some(name);
                page.found = None;
                None
            }
            (ArchiveAction::Test, _) if !page.testing && !page.set_up.archives.is_empty() => {
                page.testing = true;
                page.tested.clear();
                Some(ArchiveEffect::Test(page.set_up.archives.clone()))
            }
            (ArchiveAction::Tested(name, words, well), _) => {
                page.tested.push((name, words, well));
                page.testing = page.tested.len() < page.set_up.archives.len();
                None
            }
            (ArchiveAction::SendExam, Some(to)) if !page.sending && !files.is_empty() => {
                page.begin_sending();
                Some(ArchiveEffect::Send { files, to })
            }
            (ArchiveAction::SendWaiting, _) if !page.sending => {
                page.begin_sending();
                Some(ArchiveEffect::SendWaiting)
            }
            (ArchiveAction::TakeUp, _) => Some(ArchiveEffect::TakeUp),
            (ArchiveAction::TakenUp(left), _) => {
                page.begin_sending();
                let objects = if left == 1 { "1 object was".to_owned() } else { format!("{left} objects were") };
                self.tell(format!("{objects} still to be sent to an archive, and sending goes on: F9."));
                None
            }
            (ArchiveAction::Sent(words), _) => {
                page.sending = false;
                page.sent = Some(words);
                None
            }
            (ArchiveAction::Retry, _) if !page.sending => {
                page.begin_sending();
                Some(ArchiveEffect::Retry)
            }
            (ArchiveAction::ClearStored, _) if !page.sending => Some(ArchiveEffect::ClearStored),
            (ArchiveAction::Type(Asked::Patient, text), _) => {
                page.patient = text;
                None
            }
            (ArchiveAction::Type(Asked::Name, text), _) => {
                page.name = text;
                None
            }
            (ArchiveAction::Find, Some(at)) if !page.asking => {
                page.asking = true;
                page.fault = None;
                page.found = None;
                let given = |text: &str| Some(text.trim().to_owned()).filter(|t| !t.is_empty());
                Some(ArchiveEffect::Find(at, given(&page.patient), given(&page.name)))
            }
            (ArchiveAction::Answered(result), _) => {
                page.asking = false;
                match result {
                    Ok(found) => page.found = Some(found),
                    Err(why) => page.fault = Some(why),
                }
                None
            }
            (ArchiveAction::Fetch(study), Some(from)) if page.fetching.is_none() => {
                page.fault = None;
                page.fetched = None;
                page.fetching = Some((study.clone(), 0, None));
                Some(ArchiveEffect::Fetch(from, study))
            }
            (ArchiveAction::Fetching(came, left), _) => {
                if let Some(now) = &mut page.fetching {
                    (now.1, now.2) = (came, left.or(now.2));
                }
                None
            }
            (ArchiveAction::StopFetching, _) => Some(ArchiveEffect::StopFetching),
            (ArchiveAction::Fetched(result), _) => {
                page.fetching = None;
                match result {
                    Ok((words, folder)) => {
                        let study = folder.file_name().map(|n| n.to_string_lossy().into_owned());
                        // Opened beside itself each frame would be there twice.
                        if study.is_some() && self.exams.iter().any(|e| e.study() == study.as_deref()) {
                            self.archive.fetched = Some(format!("{words}. This exam is open already, and is not opened again."));
                            return Vec::new();
                        }
                        self.archive.fetched = Some(format!("{words}. It is open now: F2."));
                        return self.open(vec![folder]);
                    }
                    Err(why) => page.fault = Some(why),
                }
                None
            }
            (ArchiveAction::Receive(yes), _) => Some(ArchiveEffect::Receive(yes)),
            (ArchiveAction::Listening(where_to), _) => {
                page.listening = where_to;
                None
            }
            (ArchiveAction::Received(words), _) => {
                page.received.push(words);
                if page.received.len() > MOST_LINES {
                    page.received.remove(0);
                }
                None
            }
            (ArchiveAction::OpenReceived, _) => {
                let folder = page.set_up.received.clone();
                return self.open(vec![folder]);
            }
            _ => None,
        };
        effect.map(Effect::Archive).into_iter().collect()
    }
}

impl ArchiveState {
    fn begin_sending(&mut self) {
        self.sending = true;
        self.sent = None;
    }
}

impl From<ArchiveAction> for Action {
    fn from(action: ArchiveAction) -> Self {
        Self::Archive(action)
    }
}
