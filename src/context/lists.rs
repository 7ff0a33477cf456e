//! The words of an exam's context. Each list has Unknown as a value of its own.

use serde::{Deserialize, Serialize};

use crate::source::{Citation, Provenance};

/// Makes a word list: the enum, its kebab-case names in files, and the words shown for each value.
macro_rules! words {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident => $words:literal,)+ }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum $name {
            $($(#[$vmeta])* $variant,)+
            /// Not stated.
            #[default]
            Unknown,
        }

        impl $name {
            /// Every value, the order in which a person is asked.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+ Self::Unknown];

            /// Whether nothing was stated.
            #[must_use]
            pub const fn not_stated(&self) -> bool {
                matches!(self, Self::Unknown)
            }

            /// The words shown for it.
            #[must_use]
            pub const fn words(self) -> &'static str {
                match self {
                    $(Self::$variant => $words,)+
                    Self::Unknown => "unknown",
                }
            }
        }
    };
}

words! {
    /// How the frames were acquired.
    Route {
        /// Through the vagina: the only route that the bands of a table are for.
        Transvaginal => "transvaginal",
        /// Through the abdomen.
        Transabdominal => "transabdominal",
        /// Through the perineum.
        Translabial => "translabial",
    }
}

words! {
    /// The maternal bladder during the scan.
    Bladder {
        /// Emptied, as a transvaginal scan wants it.
        Empty => "empty",
        /// Full: it presses the lower segment and can mimic a previa.
        Full => "full",
    }
}

words! {
    /// A focal contraction of the lower uterine wall in the frame; it can mimic a previa.
    Contraction {
        /// None in the frame.
        Absent => "absent",
        /// Seen in the frame.
        Present => "present",
    }
}

words! {
    /// Vaginal bleeding in this pregnancy.
    Bleeding {
        /// None so far.
        None => "none",
        /// At the time of the exam.
        Now => "now",
        /// Earlier in the pregnancy, not now.
        Earlier => "earlier",
    }
}

words! {
    /// Where the bulk of the placenta lies.
    PlacentalPosition {
        /// On the front wall.
        Anterior => "anterior",
        /// On the back wall.
        Posterior => "posterior",
        /// On a side wall.
        Lateral => "lateral",
        /// At the fundus.
        Fundal => "fundal",
    }
}

words! {
    /// Colour and pulsed Doppler over the internal os, looking for vasa previa.
    DopplerOverOs {
        /// Done, no vessel found.
        DoneNoVessel => "done, no vessel found",
        /// Done, a fetal vessel was found near the os.
        DoneVesselSeen => "done, vessel seen",
        /// Not done.
        NotDone => "not done",
    }
}

words! {
    /// An answer that may be missing.
    Answer {
        /// Yes.
        Yes => "yes",
        /// No.
        No => "no",
    }
}

words! {
    /// How the baby lies.
    Presentation {
        /// Head first.
        Cephalic => "cephalic",
        /// Breech.
        Breech => "breech",
        /// Transverse or oblique.
        Transverse => "transverse or oblique",
    }
}

words! {
    /// Where the cord meets the placenta.
    CordInsertion {
        /// Well inside the placenta.
        Central => "central",
        /// At its edge.
        Marginal => "marginal",
        /// Into the membranes.
        Velamentous => "velamentous",
    }
}

words! {
    /// What the due date rests on.
    DatedBy {
        /// The last menstrual period alone.
        LastPeriod => "last period alone",
        /// A scan before 22w0d, which confirmed or set it.
        EarlyScan => "scan before 22w0d",
        /// A scan at 22w0d or later, and none before it.
        LateScan => "first scan at 22w0d or later",
        /// The day of retrieval or transfer.
        AssistedConception => "assisted conception",
    }
}

words! {
    /// How much she bled.
    Heaviness {
        /// Stains or spots.
        Spotting => "spotting",
        /// More than spots, less than heavy.
        Light => "light",
        /// Heavy.
        Heavy => "heavy",
    }
}

words! {
    /// Whose placenta was measured, where there is more than one fetus.
    WhichPlacenta {
        /// Shared by the fetuses.
        Shared => "shared",
        /// Of the first fetus.
        First => "of fetus 1",
        /// Of the second fetus.
        Second => "of fetus 2",
        /// Of a third or later fetus.
        Later => "of a later fetus",
    }
}

/// An ultrasound sign of placenta accreta spectrum, by the usual descriptors. Recorded, never scored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AccretaSign {
    /// Loss or irregularity of the dark plane under the placental bed.
    LossOfPlane,
    /// Lacunae: numerous, some large and irregular.
    Lacunae,
    /// Loss or break of the bright line between uterus and bladder.
    BladderWallInterruption,
    /// Wall over the placenta under 1 mm or not seen.
    MyometrialThinning,
    /// Bulge of the placenta with an intact outer surface.
    PlacentalBulge,
    /// A mass of tissue through the outer surface.
    FocalExophyticMass,
    /// Many vessels between uterus and bladder.
    UterovesicalHypervascularity,
    /// Many vessels under the placenta.
    SubplacentalHypervascularity,
    /// Vessels across the wall and beyond the outer surface.
    BridgingVessels,
    /// Fast feeding vessels from the wall into lacunae.
    LacunaeFeederVessels,
}

impl AccretaSign {
    /// Every sign, in the order of the checklist.
    pub const ALL: [Self; 10] = [
        Self::LossOfPlane,
        Self::Lacunae,
        Self::BladderWallInterruption,
        Self::MyometrialThinning,
        Self::PlacentalBulge,
        Self::FocalExophyticMass,
        Self::UterovesicalHypervascularity,
        Self::SubplacentalHypervascularity,
        Self::BridgingVessels,
        Self::LacunaeFeederVessels,
    ];

    /// Where the list of signs comes from.
    pub const SOURCE: Citation = Citation::fixed(
        "EW-AIP descriptors, Collins 2016, Ultrasound Obstet Gynecol 47:271-5; list of headings read, definitions from memory",
        Provenance::FromMemory,
    );

    /// What to look for.
    #[must_use]
    pub const fn definition(self) -> &'static str {
        match self {
            Self::LossOfPlane => "loss or irregularity of the dark plane under the placental bed",
            Self::Lacunae => "numerous, some large and irregular, often with turbulent flow",
            Self::BladderWallInterruption => "loss or break of the bright line between uterus and bladder",
            Self::MyometrialThinning => "wall over the placenta under 1 mm or not seen",
            Self::PlacentalBulge => "the outer surface is pushed out and intact",
            Self::FocalExophyticMass => "placental tissue through the outer surface",
            Self::UterovesicalHypervascularity => "many vessels between uterus and bladder, in colour",
            Self::SubplacentalHypervascularity => "many vessels under the placenta, in colour",
            Self::BridgingVessels => "vessels across the wall and beyond the outer surface",
            Self::LacunaeFeederVessels => "fast vessels from the wall into lacunae",
        }
    }

    /// The words shown for it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::LossOfPlane => "loss of the hypoechoic plane under the placental bed",
            Self::Lacunae => "abnormal lacunae",
            Self::BladderWallInterruption => "bladder wall interruption",
            Self::MyometrialThinning => "myometrial thinning",
            Self::PlacentalBulge => "placental bulge",
            Self::FocalExophyticMass => "focal exophytic mass",
            Self::UterovesicalHypervascularity => "uterovesical hypervascularity",
            Self::SubplacentalHypervascularity => "subplacental hypervascularity",
            Self::BridgingVessels => "bridging vessels",
            Self::LacunaeFeederVessels => "lacunae feeder vessels",
        }
    }
}
