//! The less common questions about an exam: what is typed and chosen there.

use std::collections::BTreeMap;

use super::{Session, dates};
use crate::context::{
    AccretaSign, Answer, BleedingEpisode, CordInsertion, DatedBy, ExamContext, Heaviness, Limits, MeasuredElsewhere, Presentation,
    WhichPlacenta,
};
use crate::error::Result;

/// A field of the less common questions that is typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Typed {
    /// Number of bleeding episodes.
    Episodes,
    /// Number of fetuses.
    Fetuses,
    /// Station of the head, cm.
    Station,
    /// Cervical length, mm.
    Cervix,
    /// Distance from the os to the nearest vessel, mm.
    Vessel,
    /// Day of a bleeding episode that is to be added.
    BleedDate,
    /// Signed distance measured elsewhere that is to be added, mm.
    ElsewhereMm,
    /// Its day.
    ElsewhereDate,
    /// Where, or by whom.
    ElsewhereBy,
}

impl Typed {
    /// Why what is typed cannot be taken, in words; nothing while it can.
    #[must_use]
    pub fn fault(self, text: &str) -> Option<String> {
        let none = |r: Result<Option<crate::units::Mm>>| r.err().map(|e| e.message());
        match self {
            Self::Episodes => Limits::EPISODES.count::<u8>(text).err().map(|e| e.message()),
            Self::Fetuses => Limits::FETUSES.count::<u8>(text).err().map(|e| e.message()),
            Self::Station => Limits::STATION.count::<i8>(text).err().map(|e| e.message()),
            Self::Cervix => none(Limits::CERVICAL_LENGTH.millimetres(text)),
            Self::Vessel => none(Limits::VESSEL.millimetres(text)),
            Self::ElsewhereMm => none(Limits::ELSEWHERE.millimetres(text)),
            Self::BleedDate | Self::ElsewhereDate => dates::parse(text).err(),
            Self::ElsewhereBy => None,
        }
    }
}

/// One thing that a reader says in answer to a less common question.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MoreChange {
    /// A field was typed in.
    Type(Typed, String),
    /// What the due date rests on.
    DatedBy(DatedBy),
    /// A transvaginal scan was declined.
    Declined(Answer),
    /// Accreta in an earlier pregnancy.
    PreviousAccreta(Answer),
    /// The checklist of accreta signs was gone through.
    Assessed(Answer),
    /// A sign is seen, or not any more.
    Sign(AccretaSign),
    /// How the baby lies.
    Presentation(Presentation),
    /// Where the cord meets the placenta.
    Cord(CordInsertion),
    /// A second or extra lobe.
    ExtraLobe(Answer),
    /// Whose placenta it is.
    Which(WhichPlacenta),
    /// Assisted conception.
    Assisted(Answer),
    /// RhD negative.
    Rhd(Answer),
    /// Add a bleeding episode of the typed day.
    AddBleed(Heaviness),
    /// Take a bleeding episode away, by its place.
    RemoveBleed(usize),
    /// Add the typed distance that was measured elsewhere.
    AddElsewhere,
    /// Take one away, by its place.
    RemoveElsewhere(usize),
}

/// Typed text, by field; a field that is not here is empty.
pub type MoreForm = BTreeMap<Typed, String>;

/// The typed text that shows a context.
pub(super) fn form_of(c: &ExamContext) -> MoreForm {
    let mm = |v: Option<crate::units::Mm>| v.map(|m| m.get().to_string());
    [
        (Typed::Episodes, c.bleeding_episodes.map(|n| n.to_string())),
        (Typed::Fetuses, c.fetuses.map(|n| n.to_string())),
        (Typed::Station, c.head_station_cm.map(|n| n.to_string())),
        (Typed::Cervix, mm(c.cervical_length_mm)),
        (Typed::Vessel, mm(c.vessel_to_os_mm)),
    ]
    .into_iter()
    .filter_map(|(k, v)| Some((k, v?)))
    .collect()
}

impl Session {
    pub(super) fn change_more(&mut self, change: MoreChange) {
        let words = |what: &str| format!("stating the {what}");
        match change {
            MoreChange::Type(field, text) => self.edit_exam(words("answer typed"), true, |c, f| {
                match field {
                    Typed::Episodes => c.bleeding_episodes = Limits::EPISODES.count(&text).unwrap_or_default(),
                    Typed::Fetuses => c.fetuses = Limits::FETUSES.count(&text).unwrap_or_default(),
                    Typed::Station => c.head_station_cm = Limits::STATION.count(&text).unwrap_or_default(),
                    Typed::Cervix => c.cervical_length_mm = Limits::CERVICAL_LENGTH.millimetres(&text).unwrap_or_default(),
                    Typed::Vessel => c.vessel_to_os_mm = Limits::VESSEL.millimetres(&text).unwrap_or_default(),
                    // These become something only when they are added.
                    Typed::BleedDate | Typed::ElsewhereMm | Typed::ElsewhereDate | Typed::ElsewhereBy => {}
                }
                f.more.insert(field, text);
            }),
            MoreChange::DatedBy(v) => self.edit_exam(words("way of dating"), false, |c, _| c.dated_by = v),
            MoreChange::Declined(v) => self.edit_exam(words("declined scan"), false, |c, _| c.transvaginal_declined = v),
            MoreChange::PreviousAccreta(v) => self.edit_exam(words("previous accreta"), false, |c, _| c.previous_accreta = v),
            MoreChange::Assessed(v) => self.edit_exam(words("accreta checklist"), false, |c, _| c.accreta_assessed = v),
            MoreChange::Sign(sign) => {
                self.edit_exam(words("accreta signs"), false, |c, _| match c.accreta_signs.iter().position(|s| *s == sign) {
                    Some(i) => {
                        c.accreta_signs.remove(i);
                    }
                    None => {
                        c.accreta_signs.push(sign);
                        c.accreta_signs.sort_by_key(|s| AccretaSign::ALL.iter().position(|a| a == s));
                    }
                })
            }
            MoreChange::Presentation(v) => self.edit_exam(words("presentation"), false, |c, _| c.presentation = v),
            MoreChange::Cord(v) => self.edit_exam(words("cord insertion"), false, |c, _| c.cord_insertion = v),
            MoreChange::ExtraLobe(v) => self.edit_exam(words("extra lobe"), false, |c, _| c.extra_lobe = v),
            MoreChange::Which(v) => self.edit_exam(words("placenta measured"), false, |c, _| c.which_placenta = v),
            MoreChange::Assisted(v) => self.edit_exam(words("conception"), false, |c, _| c.assisted_conception = v),
            MoreChange::Rhd(v) => self.edit_exam(words("rhesus factor"), false, |c, _| c.rhd_negative = v),
            MoreChange::AddBleed(heaviness) => self.edit_exam("adding a bleed".into(), false, |c, f| {
                if let Ok(on) = dates::parse(f.more.get(&Typed::BleedDate).map_or("", String::as_str)) {
                    c.bleeds.push(BleedingEpisode { on, heaviness });
                    f.more.remove(&Typed::BleedDate);
                }
            }),
            MoreChange::RemoveBleed(i) => self.edit_exam("removing a bleed".into(), false, |c, _| {
                if i < c.bleeds.len() {
                    c.bleeds.remove(i);
                }
            }),
            MoreChange::AddElsewhere => self.edit_exam("adding a distance".into(), false, |c, f| {
                let text = |t: Typed| f.more.get(&t).map_or("", String::as_str);
                let (mm, on) = (Limits::ELSEWHERE.millimetres(text(Typed::ElsewhereMm)), dates::parse(text(Typed::ElsewhereDate)));
                if let (Ok(Some(signed_mm)), Ok(on)) = (mm, on) {
                    let by: String = text(Typed::ElsewhereBy).trim().chars().take(200).collect();
                    c.measured_elsewhere.push(MeasuredElsewhere { signed_mm, on, route: crate::context::Route::Unknown, by });
                    for t in [Typed::ElsewhereMm, Typed::ElsewhereDate, Typed::ElsewhereBy] {
                        f.more.remove(&t);
                    }
                }
            }),
            MoreChange::RemoveElsewhere(i) => self.edit_exam("removing a distance".into(), false, |c, _| {
                if i < c.measured_elsewhere.len() {
                    c.measured_elsewhere.remove(i);
                }
            }),
        }
    }
}
