//! What an assessment asks: slots of stated kinds, filled from a secret, in two forms that are alike slot by slot.

use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::practice::course::{SHOWN_DISTANCES, Task};
use crate::practice::secret::Secret;
use crate::synth::anatomy::Wall;
use crate::synth::cases::{EdgeForm, Level as Picture, NEAR_MM, THRESHOLDS_MM, Trap, Wanted};
use crate::synth::noise::Noise;

/// Cases of one round of slots; an assessment has whole rounds.
pub const ROUND: usize = 20;
/// Most rounds of one assessment.
pub const MOST_ROUNDS: usize = 5;
/// Half the most that the distances of one slot differ between the forms, mm (own assumption).
const APART_MM: f64 = 0.5;
/// Least distance of a case from a limit that it lies near to, mm, so that both forms fall on the same side (own assumption).
const OFF_LIMIT_MM: f64 = 0.2;
/// Stream of a slot's distance.
const STREAM: u64 = 1 << 53;

/// One of two forms of an assessment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Form {
    /// The first.
    A,
    /// The second.
    B,
}

impl Form {
    /// Both.
    pub const BOTH: [Self; 2] = [Self::A, Self::B];

    /// Its letter.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// Where the distance of a slot lies, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch(f64, f64);

/// One slot: everything that makes a case hard is fixed by it and alike in both forms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slot {
    stretch: Stretch,
    /// Contrast.
    pub picture: Picture,
    /// What misleads.
    pub trap: Trap,
    /// How the edge looks.
    pub edge: EdgeForm,
    /// The wall.
    pub wall: Wall,
}

/// The slots of a round: 15 frames to be read, 6 of them near a limit and on both sides of each, 5 with overlap (4 well beyond
/// the os and the one just below 0), every look of the edge; 5 not to be read, one of each kind and one more. What a round is made
/// of is an own assumption.
fn round(number: usize) -> Vec<Slot> {
    let near = |limit: usize, below: bool| {
        let at = THRESHOLDS_MM.get(limit).copied().unwrap_or_default();
        if below { Stretch(at - NEAR_MM, at - OFF_LIMIT_MM) } else { Stretch(at + OFF_LIMIT_MM, at + NEAR_MM) }
    };
    let shown = |i: usize| SHOWN_DISTANCES.get(i).map_or(Stretch(13.5, 16.5), |(low, high)| Stretch(*low, *high));
    let (usual, hard) = (Picture::Usual, Picture::Hard);
    let read = |stretch, picture, edge| (stretch, picture, Trap::None, edge);
    let not = |stretch, trap| (stretch, usual, trap, EdgeForm::Usual);
    const MORE: [Trap; 4] = [Trap::FullBladder, Trap::Contraction, Trap::OffAxis, Trap::NoScale];
    let all = [
        read(shown(0), usual, EdgeForm::Usual),
        read(shown(0), hard, EdgeForm::Usual),
        read(shown(0), usual, EdgeForm::Thin),
        read(shown(0), usual, EdgeForm::Thick),
        read(near(0, true), usual, EdgeForm::Usual),
        read(near(0, false), usual, EdgeForm::Usual),
        read(near(1, true), usual, EdgeForm::Usual),
        read(near(1, false), hard, EdgeForm::Usual),
        read(near(2, true), usual, EdgeForm::Thin),
        read(near(2, false), hard, EdgeForm::Usual),
        read(shown(1), usual, EdgeForm::Usual),
        read(shown(1), hard, EdgeForm::Thick),
        read(shown(2), usual, EdgeForm::Sinus),
        read(shown(2), hard, EdgeForm::Usual),
        read(shown(3), usual, EdgeForm::Usual),
        not(shown(2), Trap::FullBladder),
        not(shown(0), Trap::Contraction),
        not(shown(1), Trap::OffAxis),
        not(shown(2), Trap::NoScale),
        not(shown(1), MORE.get(number % MORE.len()).copied().unwrap_or(Trap::NoScale)),
    ];
    let wall = |i: usize| if (i + number).is_multiple_of(2) { Wall::Anterior } else { Wall::Posterior };
    all.into_iter().enumerate().map(|(i, (stretch, picture, trap, edge))| Slot { stretch, picture, trap, edge, wall: wall(i) }).collect()
}

/// The slots of an assessment of so many rounds.
#[must_use]
pub fn slots(rounds: usize) -> Vec<Slot> {
    (0..rounds.min(MOST_ROUNDS)).flat_map(round).collect()
}

/// A case of an assessment, in its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Its identifier.
    pub id: String,
    /// Its slot, from 0.
    pub slot: usize,
    /// The case.
    pub task: Task,
}

/// The cases of one form, in the order in which they are given, which is drawn too.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) when a slot cannot be filled, which a test rules out for many secrets.
pub fn cases(secret: &Secret, form: Form, rounds: usize) -> Result<Vec<Placed>> {
    let mut out = Vec::new();
    for (slot, kind) in slots(rounds).iter().enumerate() {
        let number = slot.to_string();
        let own = [form.letter(), &number];
        // The same for both forms; the forms lie as far to either side of it.
        let shared = secret.seed(&["both", &number]);
        let seed = secret.seed(&own);
        let task = Task::of(kind.wanted(shared, form, seed))?;
        out.push(Placed { id: secret.id(&own), slot, task });
    }
    // The order is that of identifiers, which are digests.
    out.sort_by(|a, b| a.id.cmp(&b.id));
    Ok(out)
}

impl Slot {
    fn wanted(&self, shared: u64, form: Form, seed: u64) -> Wanted {
        let mut noise = Noise::new(shared, STREAM);
        let Stretch(low, high) = self.stretch;
        let apart = APART_MM.min((high - low) / 4.0);
        let middle = noise.between(low + apart, high - apart);
        let off = noise.between(-apart, apart);
        let distance_mm = if form == Form::A { middle + off } else { middle - off };
        Wanted { distance_mm, wall: self.wall, level: self.picture, trap: self.trap, edge: self.edge, seed }
    }
}
