//! Whether a frame is good enough to count: a checklist that the reader attests. What is not answered stays unknown.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Adequacy;
use crate::source::{Citation, Provenance};

/// One thing that is asked of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Item {
    /// The canal was followed to its upper end.
    CanalFollowed,
    /// Nothing opens or fills the os.
    NoFunnelOrClot,
    /// The bladder is empty.
    BladderEmpty,
    /// The probe does not press.
    NoPressure,
    /// No contraction.
    NoContraction,
    /// The placental edge is sharp.
    EdgeSharp,
    /// Enough magnification.
    Magnified,
    /// Transvaginal route.
    Transvaginal,
    /// The shortest way was searched off the midline.
    OtherPlanes,
}

impl Item {
    /// Every item in the order in which it is asked.
    pub const ALL: [Self; 9] = [
        Self::CanalFollowed,
        Self::NoFunnelOrClot,
        Self::BladderEmpty,
        Self::NoPressure,
        Self::NoContraction,
        Self::EdgeSharp,
        Self::Magnified,
        Self::Transvaginal,
        Self::OtherPlanes,
    ];

    /// The letter that names it, for exceptions.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::CanalFollowed => 'a',
            Self::NoFunnelOrClot => 'b',
            Self::BladderEmpty => 'c',
            Self::NoPressure => 'd',
            Self::NoContraction => 'e',
            Self::EdgeSharp => 'f',
            Self::Magnified => 'g',
            Self::Transvaginal => 'h',
            Self::OtherPlanes => 'i',
        }
    }

    /// The item of a letter, of either case.
    #[must_use]
    pub fn of_letter(letter: char) -> Option<Self> {
        Self::ALL.into_iter().find(|i| i.letter() == letter.to_ascii_lowercase())
    }

    /// What is attested.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CanalFollowed => {
                "canal followed from external to internal os, the os at its upper end, not an apposition of the lower segment"
            }
            Self::NoFunnelOrClot => "no funnelling and no clot at the os",
            Self::BladderEmpty => "bladder empty",
            Self::NoPressure => "no undue pressure of the probe",
            Self::NoContraction => "no contraction of the lower segment",
            Self::EdgeSharp => "placental edge sharp",
            Self::Magnified => "enough magnification",
            Self::Transvaginal => "transvaginal route",
            Self::OtherPlanes => "lateral placenta: a rotated or transverse plane searched for the shortest way",
        }
    }

    /// The same in a few words, for a list in one paragraph.
    #[must_use]
    pub const fn short(self) -> &'static str {
        match self {
            Self::CanalFollowed => "canal followed up to the internal os",
            Self::NoFunnelOrClot => "no funnelling or clot at the os",
            Self::NoPressure => "no undue pressure",
            Self::NoContraction => "no contraction",
            Self::EdgeSharp => "edge sharp",
            Self::OtherPlanes => "shortest way searched in other planes",
            Self::BladderEmpty | Self::Magnified | Self::Transvaginal => self.words(),
        }
    }

    /// What is wrong with a frame that is excepted from it.
    #[must_use]
    pub const fn exception(self) -> &'static str {
        match self {
            Self::CanalFollowed => "canal not followed to the internal os",
            Self::NoFunnelOrClot => "funnelling or clot at the os",
            Self::BladderEmpty => "bladder not empty",
            Self::NoPressure => "undue pressure",
            Self::NoContraction => "contraction",
            Self::EdgeSharp => "placental edge not sharp",
            Self::Magnified => "not enough magnification",
            Self::Transvaginal => "not transvaginal",
            Self::OtherPlanes => "shortest way not searched",
        }
    }

    /// Where it comes from.
    #[must_use]
    pub const fn source(self) -> Citation {
        match self {
            Self::CanalFollowed => Citation::fixed(
                "Sadek 2018, BMC Pregnancy Childbirth 18:472: uppermost point of the cervical canal in the midsagittal view",
                Provenance::Published,
            ),
            Self::BladderEmpty => {
                Citation::fixed("Fetal Medicine Foundation, cervical length technique: empty bladder", Provenance::Published)
            }
            Self::NoPressure => {
                Citation::fixed("Fetal Medicine Foundation, cervical length technique: no undue pressure", Provenance::Published)
            }
            Self::NoContraction => {
                Citation::fixed("a contraction (wall above 1.5 cm) can mimic previa; rescan after 20 to 60 minutes", Provenance::Published)
            }
            Self::Magnified => {
                Citation::fixed("US review criteria for cervical length: cervix 50 to 75 % of the image", Provenance::FromMemory)
            }
            Self::Transvaginal => Citation::fixed(
                "SOGC Guideline No. 189, 2007 (superseded): 60 % of placental positions were reclassified by transvaginal scan",
                Provenance::Published,
            ),
            Self::OtherPlanes => Citation::fixed(
                "Sadek 2018, BMC Pregnancy Childbirth 18:472: rotate the probe for the shortest distance; two dimensions over-read most for lateral placentas",
                Provenance::Published,
            ),
            Self::NoFunnelOrClot | Self::EdgeSharp => Citation::fixed("", Provenance::CommonPractice),
        }
    }

    /// Whether a frame without it does not count. Planes that were not searched make a frame no worse; they are said.
    #[must_use]
    pub const fn decides(self) -> bool {
        !matches!(self, Self::OtherPlanes)
    }
}

/// The answers for one frame.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Checklist {
    /// Attested (`true`) or excepted (`false`); what is absent was not answered.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub answers: BTreeMap<Item, bool>,
    /// Another reason why the frame does not count, in the reader's words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub other_reason: Option<String>,
}

impl Checklist {
    /// Whether nothing was answered.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.answers.is_empty() && self.other_reason.is_none()
    }

    /// The answer to one item; `None` when it was not given.
    #[must_use]
    pub fn get(&self, item: Item) -> Option<bool> {
        self.answers.get(&item).copied()
    }

    /// Attests everything that was not answered. The search in other planes is asked for a `lateral` placenta only.
    pub fn attest_all(&mut self, lateral: bool) {
        for item in Item::ALL.into_iter().filter(|i| i.decides() || lateral) {
            self.answers.entry(item).or_insert(true);
        }
    }

    /// Makes an exception of each of these that was not answered.
    pub fn except(&mut self, items: &[Item]) {
        for item in items {
            self.answers.entry(*item).or_insert(false);
        }
    }

    /// Makes an exception, or takes it back: the item is then not answered.
    pub fn toggle_exception(&mut self, item: Item) {
        if self.answers.insert(item, false) == Some(false) {
            self.answers.remove(&item);
        }
    }

    /// What is wrong with the frame, in the order of the list.
    #[must_use]
    pub fn exceptions(&self) -> Vec<Item> {
        self.answers.iter().filter(|(_, yes)| !**yes).map(|(i, _)| *i).collect()
    }

    /// Items that decide and were not answered.
    #[must_use]
    pub fn unanswered(&self) -> Vec<Item> {
        Item::ALL.into_iter().filter(|i| i.decides() && self.get(*i).is_none()).collect()
    }

    /// Whether the frame counts: not when one that decides is excepted; adequate only when all of those are attested.
    #[must_use]
    pub fn adequacy(&self) -> Adequacy {
        let mut reasons: Vec<&str> = self.exceptions().into_iter().filter(|i| i.decides()).map(Item::exception).collect();
        reasons.extend(self.other_reason.as_deref());
        if !reasons.is_empty() {
            return Adequacy::Inadequate { reason: reasons.join(", ") };
        }
        if self.unanswered().is_empty() { Adequacy::Adequate } else { Adequacy::NotStated }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn one_key_attests_all_and_exceptions_stay() {
        let mut c = Checklist::default();
        assert_eq!(c.adequacy(), Adequacy::NotStated);
        c.toggle_exception(Item::NoContraction);
        c.attest_all(false);
        assert_eq!(c.adequacy(), Adequacy::Inadequate { reason: "contraction".into() });
        assert_eq!(c.get(Item::OtherPlanes), None, "asked for a lateral placenta only");
        c.toggle_exception(Item::NoContraction);
        assert_eq!((c.adequacy(), c.get(Item::NoContraction)), (Adequacy::NotStated, None));
        c.attest_all(true);
        assert_eq!((c.adequacy(), c.get(Item::OtherPlanes)), (Adequacy::Adequate, Some(true)));
    }

    #[test]
    fn planes_not_searched_are_said_but_do_not_exclude() {
        let mut c = Checklist::default();
        c.toggle_exception(Item::OtherPlanes);
        c.attest_all(true);
        assert_eq!(c.adequacy(), Adequacy::Adequate);
        assert_eq!(c.exceptions(), [Item::OtherPlanes]);
        c.other_reason = Some("wrong patient".into());
        assert_eq!(c.adequacy(), Adequacy::Inadequate { reason: "wrong patient".into() });
    }

    #[test]
    fn every_item_has_its_letter_and_a_source_or_common_practice() {
        for item in Item::ALL {
            assert_eq!(Item::of_letter(item.letter().to_ascii_uppercase()), Some(item));
            assert!(!item.source().text.is_empty() || item.source().provenance == Provenance::CommonPractice);
        }
        assert_eq!(Item::of_letter('z'), None);
    }

    #[test]
    fn answers_are_written_by_name_and_only_when_given() {
        let mut c = Checklist::default();
        assert_eq!(serde_json::to_string(&c).unwrap(), "{}");
        c.toggle_exception(Item::BladderEmpty);
        let text = serde_json::to_string(&c).unwrap();
        assert_eq!(text, r#"{"answers":{"bladder-empty":false}}"#);
        assert_eq!(serde_json::from_str::<Checklist>(&text).unwrap(), c);
    }
}
