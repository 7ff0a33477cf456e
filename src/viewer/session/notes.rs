//! What a reader says and marks on a frame besides the distance: further landmarks, the checklist, the set of frames, and
//! offers of the edge assist.

use super::{FrameKey, Session};
use crate::agree::own::{self, InUse};
use crate::assist::{self, Assisted, Offer, Refinable};
use crate::context::{Bladder, Contraction, ExamContext, PlacentalPosition, Route};
use crate::exam::{Anterior, Item, MOST_SETS};
use crate::measure::Repeatability;
use crate::measure::more::MoreLandmarks;
use crate::units::PxPoint;
use crate::viewer::action::{Effect, Mark};

/// Something about the frame besides its distance.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoteAction {
    /// Attest every item of the checklist that was not answered.
    AttestAll,
    /// Open the list of exceptions, whose letters then name them, or close it.
    NameExceptions,
    /// Make an exception, or take it back.
    Exception(Item),
    /// Another reason why the frame does not count, as typed.
    OtherReason(String),
    /// Fetal rate on pulsed Doppler: not stated, yes, no, and round.
    FetalRate,
    /// Loop of cord excluded: not stated, yes, no, and round.
    CordLoopExcluded,
    /// Anterior is on the left of the picture, on the right, not stated, and round.
    Anterior,
    /// The frame belongs to the next set of frames (a rescan), after the last to the first again.
    NextSet,
    /// Ask for a refined place of the chosen landmark.
    Refine,
    /// Accept the offer.
    AcceptOffer,
    /// Decline it.
    DeclineOffer,
}

/// An offer that waits for an answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandingOffer {
    /// The landmark.
    pub mark: Mark,
    /// What it is called in a record.
    pub of: Refinable,
    /// The reader's own place.
    pub placed: PxPoint,
    /// The refined place.
    pub offer: Offer,
}

/// State that stands beside the reading.
#[derive(Clone, Debug)]
pub struct Aside {
    in_use: InUse,
    /// That of the whole folder of records, once it was looked through.
    of_folder: Option<InUse>,
    offer: Option<StandingOffer>,
    naming: bool,
    /// What the frames of the exam come to.
    pub(super) exam: Option<super::ExamNow>,
    /// What the other tables say of the reading.
    pub(super) other_tables: Vec<crate::sheet::OtherTable>,
}

impl Default for Aside {
    fn default() -> Self {
        Self {
            in_use: InUse::assumed("No saved readings yet."),
            of_folder: None,
            offer: None,
            naming: false,
            exam: None,
            other_tables: Vec::new(),
        }
    }
}

impl Aside {
    /// What was open on the frame is closed. An offer that nobody answered is none.
    pub(super) fn leave_frame(&mut self) {
        self.offer = None;
        self.naming = false;
    }

    pub(super) fn drop_offer(&mut self) {
        self.offer = None;
    }
}

/// The name of a mark for the edge assist, where it lies on a boundary.
const fn refinable(mark: Mark) -> Option<Refinable> {
    Some(match mark {
        Mark::InternalOs => Refinable::InternalOs,
        Mark::PlacentalEdge => Refinable::PlacentalEdge,
        Mark::MarginalSinus => Refinable::MarginalSinus,
        Mark::ExternalOs => Refinable::ExternalOs,
        Mark::BasalPlate => Refinable::BasalPlate,
        Mark::ChorionicPlate => Refinable::ChorionicPlate,
        Mark::Vessel => Refinable::Vessel,
        Mark::OsEnd => Refinable::OsEnd,
        Mark::OsOtherEnd => Refinable::OsOtherEnd,
        _ => return None,
    })
}

fn single(more: &MoreLandmarks, mark: Mark) -> Option<PxPoint> {
    match mark {
        Mark::ExternalOs => more.external_os,
        Mark::PlatesMeet => more.plates_meet,
        Mark::BasalPlate => more.basal_plate,
        Mark::ChorionicPlate => more.chorionic_plate,
        Mark::Vessel => more.vessel,
        Mark::OsEnd => more.os_end,
        Mark::OsOtherEnd => more.os_other_end,
        _ => None,
    }
}

/// Where a further mark is.
pub(super) fn get(more: &MoreLandmarks, mark: Mark) -> Option<PxPoint> {
    match mark {
        Mark::Canal(i) => more.canal.get(i).copied(),
        Mark::Wall(i) => more.wall.get(i).copied(),
        _ => single(more, mark),
    }
}

fn field(more: &mut MoreLandmarks, mark: Mark) -> Option<&mut Option<PxPoint>> {
    Some(match mark {
        Mark::ExternalOs => &mut more.external_os,
        Mark::PlatesMeet => &mut more.plates_meet,
        Mark::BasalPlate => &mut more.basal_plate,
        Mark::ChorionicPlate => &mut more.chorionic_plate,
        Mark::Vessel => &mut more.vessel,
        Mark::OsEnd => &mut more.os_end,
        Mark::OsOtherEnd => &mut more.os_other_end,
        _ => return None,
    })
}

/// Puts a further mark somewhere; a place beyond the end of a trace is one more point of it.
pub(super) fn put(more: &mut MoreLandmarks, mark: Mark, at: PxPoint) {
    let trace = match mark {
        Mark::Canal(i) => Some((&mut more.canal, i)),
        Mark::Wall(i) => Some((&mut more.wall, i)),
        _ => None,
    };
    if let Some((points, i)) = trace {
        if let Some(p) = points.get_mut(i) {
            *p = at;
        } else if points.len() < crate::measure::cervix::MOST_TRACE_POINTS {
            points.push(at);
        }
    } else if let Some(field) = field(more, mark) {
        *field = Some(at);
    }
}

/// Takes a further mark away. [`Mark::NEXT`] is the last point of a trace.
pub(super) fn remove(more: &mut MoreLandmarks, mark: Mark) {
    let trace = match mark {
        Mark::Canal(i) => Some((&mut more.canal, i)),
        Mark::Wall(i) => Some((&mut more.wall, i)),
        _ => None,
    };
    if let Some((points, i)) = trace {
        if i < points.len() {
            points.remove(i);
        } else if i == Mark::NEXT {
            points.pop();
        }
    } else if let Some(field) = field(more, mark) {
        *field = None;
        if mark == Mark::Vessel {
            more.fetal_rate = None;
            more.cord_loop_excluded = None;
        }
    }
}

/// Every further mark that may be placed, traces point by point.
pub(super) fn marks(more: &MoreLandmarks) -> Vec<Mark> {
    let (canal, wall) = (more.canal.len(), more.wall.len());
    Mark::MORE
        .into_iter()
        .flat_map(|m| match m {
            Mark::Canal(_) => (0..canal).map(Mark::Canal).collect::<Vec<_>>(),
            Mark::Wall(_) => (0..wall).map(Mark::Wall).collect(),
            m => vec![m],
        })
        .collect()
}

/// A mark with the number that it gets when it is placed now.
pub(super) fn numbered(more: &MoreLandmarks, mark: Mark) -> Mark {
    match mark {
        Mark::Canal(i) => Mark::Canal(i.min(more.canal.len())),
        Mark::Wall(i) => Mark::Wall(i.min(more.wall.len())),
        m => m,
    }
}

/// What is placed next by itself after a further mark: the rest of its set.
pub(super) fn leads_to(more: &MoreLandmarks, placed: Mark) -> Option<Mark> {
    match placed {
        Mark::Canal(i) if i + 1 == more.canal.len() => Some(Mark::Canal(Mark::NEXT)),
        Mark::Wall(i) if i + 1 == more.wall.len() => Some(Mark::Wall(Mark::NEXT)),
        Mark::PlatesMeet if more.basal_plate.is_none() => Some(Mark::BasalPlate),
        Mark::BasalPlate if more.chorionic_plate.is_none() => Some(Mark::ChorionicPlate),
        Mark::OsEnd if more.os_other_end.is_none() => Some(Mark::OsOtherEnd),
        _ => None,
    }
}

/// Not stated, yes, no, and round.
const fn next_answer(now: Option<bool>) -> Option<bool> {
    match now {
        None => Some(true),
        Some(true) => Some(false),
        Some(false) => None,
    }
}

impl Session {
    pub(super) fn note(&mut self, what: NoteAction) -> Vec<Effect> {
        if self.picture().is_none() {
            return Vec::new();
        }
        let lateral = self.exam().is_some_and(|e| e.context.placental_position == PlacentalPosition::Lateral);
        match what {
            NoteAction::AttestAll => {
                let against = self.exam().map_or_else(Vec::new, |e| spoken_against(&e.context));
                self.edit_frame("attesting the frame".into(), false, |w| {
                    w.notes.checklist.except(&against);
                    w.notes.checklist.attest_all(lateral);
                });
                // What was attested is stated of the scan as well, where nothing was: the two must not differ.
                let list = self.work().notes.checklist.clone();
                self.edit_exam("stating what the checklist states".into(), false, |c, _| {
                    let holds = |item| list.get(item) == Some(true);
                    if c.bladder == Bladder::Unknown && holds(Item::BladderEmpty) {
                        c.bladder = Bladder::Empty;
                    }
                    if c.contraction == Contraction::Unknown && holds(Item::NoContraction) {
                        c.contraction = Contraction::Absent;
                    }
                    if c.route == Route::Unknown && holds(Item::Transvaginal) {
                        c.route = Route::Transvaginal;
                    }
                });
                self.aside.naming = false;
            }
            NoteAction::NameExceptions => self.aside.naming = !self.aside.naming,
            NoteAction::Exception(item) => {
                self.edit_frame(format!("the exception \"{}\"", item.exception()), false, |w| w.notes.checklist.toggle_exception(item));
            }
            NoteAction::OtherReason(text) => {
                let text = Some(text).filter(|t| !t.trim().is_empty());
                self.edit_frame("another reason".into(), true, |w| w.notes.checklist.other_reason = text);
            }
            NoteAction::FetalRate => {
                self.edit_frame("stating the fetal rate".into(), false, |w| {
                    w.notes.more.fetal_rate = next_answer(w.notes.more.fetal_rate);
                });
            }
            NoteAction::CordLoopExcluded => {
                self.edit_frame("stating whether a loop of cord is excluded".into(), false, |w| {
                    w.notes.more.cord_loop_excluded = next_answer(w.notes.more.cord_loop_excluded);
                });
            }
            NoteAction::Anterior => {
                self.edit_frame("stating which side is anterior".into(), false, |w| {
                    w.notes.anterior = match w.notes.anterior {
                        None => Some(Anterior::Left),
                        Some(Anterior::Left) => Some(Anterior::Right),
                        Some(Anterior::Right) => None,
                    };
                });
            }
            NoteAction::NextSet => {
                let last = self.last_set();
                self.edit_frame("the set of frames".into(), false, |w| {
                    let next = w.notes.set_number() + 1;
                    w.notes.set = (next <= (last + 1).min(MOST_SETS)).then_some(next);
                });
            }
            NoteAction::Refine => self.refine(),
            NoteAction::AcceptOffer => self.answer_offer(true),
            NoteAction::DeclineOffer => self.answer_offer(false),
        }
        Vec::new()
    }

    /// The highest set of frames in the exam on the screen, this frame's own left out.
    fn last_set(&self) -> u8 {
        let frames = self.aside.exam.iter().flat_map(|e| &e.frames);
        frames.filter(|f| !f.current).map(|f| f.set).max().unwrap_or(1)
    }

    fn refine(&mut self) {
        let Some((mark, of)) = self.selected.or(self.last_refinable()).and_then(|m| Some((m, refinable(m)?))) else {
            self.tell("Choose a placed landmark that lies on an edge first (click it, or Tab).");
            return;
        };
        let Some((placed, frame)) = self.work().get(mark).zip(self.picture().cloned()) else { return };
        let Some(scale) = self.scale_at(placed) else {
            self.tell("No offer: there is no scale where the landmark lies.");
            return;
        };
        match assist::offer_for(of, &frame, placed, &scale) {
            Ok(offer) => {
                self.put_down();
                self.selected = Some(mark);
                self.aside.offer = Some(StandingOffer { mark, of, placed, offer });
            }
            Err(why) => self.tell(why.words()),
        }
    }

    /// The edge, else the os: what an offer is made for when nothing is chosen.
    fn last_refinable(&self) -> Option<Mark> {
        [Mark::PlacentalEdge, Mark::InternalOs].into_iter().find(|m| self.work().get(*m).is_some())
    }

    fn answer_offer(&mut self, accepted: bool) {
        let Some(standing) = self.aside.offer.take() else { return };
        if self.work().get(standing.mark) != Some(standing.placed) {
            return;
        }
        let words = if accepted { "accepting the refined place" } else { "declining the refined place" };
        self.edit_frame(words.into(), false, |w| {
            if accepted {
                w.put(standing.mark, standing.offer.at);
            }
            w.notes.assisted.push(Assisted {
                of: standing.of,
                placed: standing.placed,
                offer: standing.offer,
                accepted,
                method: assist::METHOD.into(),
            });
        });
        self.selected = Some(standing.mark);
    }

    /// Closes what stands beside the reading; whether there was anything.
    pub(super) fn leave_aside(&mut self) -> bool {
        if self.aside.offer.is_some() {
            self.answer_offer(false);
            return true;
        }
        std::mem::take(&mut self.aside.naming)
    }

    /// Which side of the picture is anterior, in words, and whether the reader stated it for this frame. What was stated for
    /// another frame of the exam is said beside it, and never taken over: the probe may have been turned.
    #[must_use]
    pub fn anterior_words(&self) -> (String, bool) {
        if let Some(side) = self.work().notes.anterior {
            return (format!("anterior: {}", side.words()), true);
        }
        let elsewhere = self.exam().and_then(|exam| {
            let stated = |(k, w): (&FrameKey, &super::FrameWork)| Some((exam.place_of(k)? + 1, w.notes.anterior?));
            self.work.iter().find_map(stated)
        });
        match elsewhere {
            Some((place, side)) => (format!("anterior: not stated here ({} on frame {place})", side.words()), false),
            None => ("anterior: not stated".into(), false),
        }
    }

    /// What is now stated of the scan and speaks against the current frame's checklist makes an exception there: the two must not differ.
    pub(super) fn checklist_follows(&mut self) {
        let against = self.exam().map_or_else(Vec::new, |e| spoken_against(&e.context));
        self.edit_frame("an exception that follows from the scan".into(), false, |w| {
            let list = &mut w.notes.checklist;
            for item in against.into_iter().filter(|i| list.get(*i) == Some(true)).collect::<Vec<_>>() {
                list.toggle_exception(item);
            }
        });
    }

    /// The offer that waits for an answer, while its landmark is where it was.
    #[must_use]
    pub fn offer(&self) -> Option<&StandingOffer> {
        self.aside.offer.as_ref().filter(|o| self.work().get(o.mark) == Some(o.placed))
    }

    /// Whether letters name exceptions of the checklist now.
    #[must_use]
    pub const fn naming_exceptions(&self) -> bool {
        self.aside.naming
    }

    /// What the frames of the exam come to, where more than nothing was read.
    #[must_use]
    pub const fn exam_now(&self) -> Option<&super::ExamNow> {
        self.aside.exam.as_ref()
    }

    /// The repeatability for a frame: the one that its saved reading keeps, while that is unchanged; else the one in use now.
    #[must_use]
    pub fn repeatability_for(&self, key: &FrameKey) -> &Repeatability {
        let saved = self.saved.get(key).filter(|s| self.work.get(key) == Some(&s.work));
        saved.map_or(&self.aside.in_use.repeatability, |s| &s.repeatability)
    }

    /// Which repeatability the current frame's reading is made with and from how many readings, in words.
    #[must_use]
    pub fn repeatability_words(&self) -> String {
        let now = &self.aside.in_use;
        match self.current.as_ref().map(|k| self.repeatability_for(k)).filter(|r| **r != now.repeatability) {
            Some(kept) => format!("{} Kept as the saved reading was made; new readings: {}", own::words(kept, None), now.words()),
            None => now.words(),
        }
    }

    pub(super) fn take_repeatability(&mut self, in_use: InUse) -> Vec<Effect> {
        self.aside.of_folder = Some(in_use);
        self.find_repeatability();
        self.refresh();
        Vec::new()
    }

    /// Finds the repeatability for new readings: the whole folder's, and until that is known the one of the open patients' saved
    /// readings. By consent the reader's own placement widens it.
    pub(super) fn find_repeatability(&mut self) {
        let in_use = self.aside.of_folder.clone().unwrap_or_else(|| own::in_use(self.records.iter().map(|s| &s.record)));
        self.aside.in_use = self.practice.known().placement.widen(in_use);
    }
}

/// Items of the checklist that what is stated of the scan speaks against.
fn spoken_against(c: &ExamContext) -> Vec<Item> {
    let all = [
        (Item::BladderEmpty, c.bladder == Bladder::Full),
        (Item::NoContraction, c.contraction == Contraction::Present),
        (Item::Transvaginal, !matches!(c.route, Route::Transvaginal | Route::Unknown)),
    ];
    all.into_iter().filter_map(|(item, against)| against.then_some(item)).collect()
}
