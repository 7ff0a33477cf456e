//! The classifier: one measurement, one table, what is known of the exam.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use super::{Band, BandKind, Table};
use crate::context::{Bladder, Contraction, ExamContext, GestationalAge, Route};
use crate::estimate::Interval;
use crate::measure::{Measurement, Side, SideCheck, Value};
use crate::source::{Citation, Provenance};
use crate::units::Mm;

/// While repeatability is assumed, a value this near to an edge is marked borderline, mm (an assumption of this program).
pub const BORDERLINE_MM: f64 = 5.0;
/// The distances that the borderline rule looks at besides the table's own edges, mm.
const BORDERLINE_EDGES: [f64; 3] = [0.0, 10.0, 20.0];
/// Within this many SD of the os the error is that of a short vector with a side, not a normal one.
const NEAR_OS: f64 = 3.0;
/// Below this age a finding is called provisional.
pub const PROVISIONAL_BELOW: GestationalAge = GestationalAge::weeks_and_days(32, 0);
/// Below this age SOGC 402 makes no diagnosis.
const SOGC_FROM: GestationalAge = GestationalAge::weeks_and_days(18, 0);

/// Which table a finding was made with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TableRef {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Edition of the guideline.
    pub edition: String,
    /// SHA-256 of the table's text.
    pub digest: String,
}

impl From<&Table> for TableRef {
    fn from(t: &Table) -> Self {
        Self { id: t.id.clone(), name: t.name.clone(), edition: t.edition.clone(), digest: t.digest.clone() }
    }
}

/// Which band of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandRef {
    /// The band's id in its table.
    pub id: String,
    /// What sort of place it is.
    pub kind: BandKind,
    /// The name shown.
    pub label: String,
}

impl From<&Band> for BandRef {
    fn from(b: &Band) -> Self {
        Self { id: b.id.clone(), kind: b.kind, label: b.label.clone() }
    }
}

/// What a reading is under a table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind", deny_unknown_fields)]
pub enum Outcome {
    /// Value and 95 % interval lie in one band.
    Within {
        /// The band.
        band: BandRef,
    },
    /// The 95 % interval reaches other bands too.
    Straddles {
        /// The band of the value.
        nominal: BandRef,
        /// Every other band that the interval reaches, from deep overlap outwards.
        also: Vec<BandRef>,
    },
    /// The edge reaches or partly covers the os: treat as previa until a clinician decides.
    Reaches {
        /// Every band that the interval reaches besides.
        also: Vec<BandRef>,
    },
    /// No placenta was seen within some distance in this plane: what remains possible. It never proves a normal place.
    NoPlacentaWithin {
        /// The bands that the statement leaves possible.
        possible: Vec<BandRef>,
        /// Nearer bands that measurement error leaves possible too.
        also: Vec<BandRef>,
    },
    /// The table says nothing of this reading.
    NotApplicable {
        /// Every reason, each with what would help.
        reasons: Vec<Reason>,
    },
}

/// Why a table says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "why", deny_unknown_fields)]
pub enum Reason {
    /// The route was not stated.
    RouteUnknown,
    /// The frames are not transvaginal.
    NotTransvaginal {
        /// The route.
        route: Route,
    },
    /// The bladder was full.
    BladderFull,
    /// A contraction was in the frame.
    ContractionPresent,
    /// The gestational age is not known.
    AgeUnknown,
    /// Too early for the table.
    TooEarly {
        /// The age at the exam.
        age: GestationalAge,
        /// The youngest age of the table.
        minimum: GestationalAge,
        /// Whether the minimum itself is too early.
        strictly_older: bool,
    },
    /// The body point contradicts the stated side.
    SideDisagrees,
    /// The distance or its interval is not a number.
    NotANumber,
}

/// Why a value is called borderline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhyBorderline {
    /// Within [`BORDERLINE_MM`] of the edge while repeatability is assumed.
    AssumedRepeatability,
    /// Between two bands that the source states in whole mm, where it says nothing.
    BetweenWholeMillimetres,
}

/// An edge that a value is borderline to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NearEdge {
    /// The edge, mm.
    pub edge_mm: Mm,
    /// Why.
    pub why: WhyBorderline,
}

/// How often measurement error alone puts the true distance into a band, with the department's own SDs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandShare {
    /// The band.
    pub band: BandRef,
    /// Per cent, rounded to whole ones so that every machine gives the same.
    pub percent: u8,
}

/// What must be said beside a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Note {
    /// Below [`PROVISIONAL_BELOW`].
    Provisional,
    /// Below 18w0d under a table that speaks earlier.
    TooEarlyForSogc,
    /// The bladder was not stated.
    BladderUnknown,
    /// A contraction was neither stated nor ruled out.
    ContractionUnknown,
    /// No point on the placental body confirms the stated side.
    SideUnconfirmed,
    /// The body point could not tell the side.
    SideCannotBeTold,
    /// The overlap is at least so much; how far it goes is not known.
    OverlapExtentUnknown,
    /// One plane without placenta never proves a normal place.
    OnePlaneProvesNothing,
    /// Own SDs are known, but so near the os the error is not a normal one and no shares are given.
    NoSharesNearOs,
}

impl Note {
    /// Every note.
    pub const ALL: [Self; 9] = [
        Self::Provisional,
        Self::TooEarlyForSogc,
        Self::BladderUnknown,
        Self::ContractionUnknown,
        Self::SideUnconfirmed,
        Self::SideCannotBeTold,
        Self::OverlapExtentUnknown,
        Self::OnePlaneProvesNothing,
        Self::NoSharesNearOs,
    ];

    /// The sentence shown.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Provisional => {
                "Provisional at this age (before 32w0d): most low placentas of the second trimester are not low at birth; no chance is given for one woman."
            }
            Self::TooEarlyForSogc => "Before 18w0d SOGC 402 makes no diagnosis.",
            Self::BladderUnknown => "The bladder was not stated; a full one can mimic previa.",
            Self::ContractionUnknown => "Whether a contraction was in the frame was not stated; one can mimic previa.",
            Self::SideUnconfirmed => "The side rests on the reader's statement alone; no point on the placental body confirms it.",
            Self::SideCannotBeTold => {
                "The point on the placental body cannot tell the side; the side rests on the reader's statement alone."
            }
            Self::OverlapExtentUnknown => "The edge is out of view: the overlap is at least this much, how far it goes is not determined.",
            Self::OnePlaneProvesNothing => {
                "One plane without placenta does not prove a normal place: a lobe or an edge to either side of the plane may be nearer. Sweep side to side."
            }
            Self::NoSharesNearOs => "So near the os no probability of a band is given: the side itself is uncertain.",
        }
    }

    /// Where it comes from.
    #[must_use]
    pub const fn source(self) -> Citation {
        match self {
            Self::Provisional => Citation::fixed("repeat scan at about 32 weeks", Provenance::CommonPractice),
            Self::TooEarlyForSogc => {
                Citation::fixed("SOGC Guideline No. 402, J Obstet Gynaecol Can 2020;42:906-917.e1", Provenance::FromMemory)
            }
            Self::BladderUnknown | Self::ContractionUnknown => Citation::fixed(
                "an overfull bladder and a contraction of the wall can mimic previa; facts of scan technique",
                Provenance::Published,
            ),
            Self::SideUnconfirmed | Self::SideCannotBeTold | Self::OverlapExtentUnknown | Self::NoSharesNearOs => {
                Citation::fixed("how this program measures", Provenance::OwnAssumption)
            }
            Self::OnePlaneProvesNothing => Citation::fixed(
                "two-dimensional planes can miss the nearest edge, most for lateral placentas: Sadek 2018, BMC Pregnancy Childbirth 18:472",
                Provenance::Published,
            ),
        }
    }
}

/// What a reading is under a table, with all that must be said beside it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// The table.
    pub table: TableRef,
    /// The gestational age it was made at.
    pub age: Option<GestationalAge>,
    /// The finding itself.
    pub outcome: Outcome,
    /// The edges that the value is borderline to, ascending. Empty when it is not.
    pub borderline: Vec<NearEdge>,
    /// What must be said beside it.
    pub notes: Vec<Note>,
    /// Shares of the bands by measurement error only; empty while any repeatability is assumed, and near the os.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shares: Vec<BandShare>,
}

impl Finding {
    /// The band of the value, where there is one: `None` for one-sided values and where the table says nothing.
    #[must_use]
    pub const fn nominal_kind(&self) -> Option<BandKind> {
        match &self.outcome {
            Outcome::Within { band } | Outcome::Straddles { nominal: band, .. } => Some(band.kind),
            Outcome::Reaches { .. } => Some(BandKind::Reaching),
            Outcome::NoPlacentaWithin { .. } | Outcome::NotApplicable { .. } => None,
        }
    }

    /// The kinds of every band that the value or its interval reaches, in order, each once; empty for one-sided values
    /// without placenta and where the table says nothing.
    #[must_use]
    pub fn kinds(&self) -> Vec<BandKind> {
        let mut out: Vec<BandKind> = match &self.outcome {
            Outcome::Within { band } => vec![band.kind],
            Outcome::Straddles { nominal, also } => std::iter::once(nominal).chain(also).map(|b| b.kind).collect(),
            Outcome::Reaches { also } => std::iter::once(BandKind::Reaching).chain(also.iter().map(|b| b.kind)).collect(),
            Outcome::NoPlacentaWithin { .. } | Outcome::NotApplicable { .. } => Vec::new(),
        };
        out.sort();
        out.dedup();
        out
    }

    /// Whether a band short of the normal one is possible; `None` where the table says nothing.
    #[must_use]
    pub fn may_be_low(&self) -> Option<bool> {
        let low = |kind: BandKind| kind != BandKind::NotLow;
        match &self.outcome {
            Outcome::NotApplicable { .. } => None,
            Outcome::NoPlacentaWithin { possible, also } => Some(possible.iter().chain(also).any(|b| low(b.kind))),
            _ => Some(self.kinds().into_iter().any(low)),
        }
    }

    /// Whether the table classified the reading at all.
    #[must_use]
    pub const fn applies(&self) -> bool {
        !matches!(self.outcome, Outcome::NotApplicable { .. })
    }

    /// Whether the headline must say that the finding is provisional.
    #[must_use]
    pub fn provisional(&self) -> bool {
        self.notes.contains(&Note::Provisional)
    }
}

/// What `measurement` is under `table`, unrounded.
///
/// `age` is the gestational age at the exam; without one nothing is classified. The context's route, bladder and
/// contraction decide whether the bands of a table apply at all.
#[must_use]
pub fn classify(table: &Table, measurement: &Measurement, age: Option<GestationalAge>, context: &ExamContext) -> Finding {
    let reasons = reasons(table, measurement, age, context);
    let (outcome, borderline, mut notes, shares) = if reasons.is_empty() {
        let outcome = outcome(table, measurement);
        (outcome, borderline(table, measurement), notes(measurement, context), shares(table, measurement))
    } else {
        (Outcome::NotApplicable { reasons }, Vec::new(), Vec::new(), Some(Vec::new()))
    };
    if shares.is_none() {
        notes.push(Note::NoSharesNearOs);
    }
    if let (Some(age), false) = (age, matches!(outcome, Outcome::NotApplicable { .. })) {
        if age < SOGC_FROM {
            notes.insert(0, Note::TooEarlyForSogc);
        }
        if age < PROVISIONAL_BELOW {
            notes.insert(0, Note::Provisional);
        }
    }
    Finding { table: TableRef::from(table), age, outcome, borderline, notes, shares: shares.unwrap_or_default() }
}

/// Whether the stated side, the value or its interval is one at which the placenta reaches or covers the os. `stated` is
/// the side where there is a statement but no measurement.
#[must_use]
pub fn may_reach_os(measurement: Option<&Measurement>, stated: Option<Side>) -> bool {
    measurement.map(|m| m.side).or(stated).is_some_and(|s| s != Side::NotCovering)
        || measurement.is_some_and(|m| m.interval.low_mm.is_none_or(|low| low <= Mm::new(0.0)) || bound(&m.value) <= 0.0)
}

fn reasons(table: &Table, m: &Measurement, age: Option<GestationalAge>, context: &ExamContext) -> Vec<Reason> {
    let mut out = Vec::new();
    match context.route {
        Route::Transvaginal => {}
        Route::Unknown => out.push(Reason::RouteUnknown),
        route => out.push(Reason::NotTransvaginal { route }),
    }
    if context.bladder == Bladder::Full {
        out.push(Reason::BladderFull);
    }
    if context.contraction == Contraction::Present {
        out.push(Reason::ContractionPresent);
    }
    match age {
        None => out.push(Reason::AgeUnknown),
        Some(age) if !table.minimum_age.admits(age) => {
            out.push(Reason::TooEarly { age, minimum: table.minimum_age.age, strictly_older: table.minimum_age.strictly_older })
        }
        Some(_) => {}
    }
    if m.side_check == SideCheck::Disagrees {
        out.push(Reason::SideDisagrees);
    }
    let interval_is_sound = |i: &Interval| {
        let finite = |end: Option<Mm>| end.is_none_or(Mm::is_finite);
        finite(i.low_mm) && finite(i.high_mm) && !matches!((i.low_mm, i.high_mm), (Some(l), Some(h)) if l > h)
    };
    if !bound(&m.value).is_finite() || !interval_is_sound(&m.interval) {
        out.push(Reason::NotANumber);
    }
    out
}

/// The number of a value on the signed axis, mm: the distance, 0 where the edge reaches the os (the os is a patch, and
/// the distance from its centre is secondary), or the end that a one-sided value states.
const fn bound(value: &Value) -> f64 {
    match value {
        Value::Exact { signed_mm } => signed_mm.get(),
        Value::Reaches { .. } => 0.0,
        Value::OverlapAtLeast { mm } => -mm.get(),
        Value::NoPlacentaWithin { mm } => mm.get(),
    }
}

fn outcome(table: &Table, m: &Measurement) -> Outcome {
    let reached = reached(table, &m.interval);
    let except = |band: &Band| reached.iter().filter(|b| b.id != band.id).map(|b| BandRef::from(*b)).collect::<Vec<_>>();
    let at_zero =
        || Outcome::Reaches { also: reached.iter().filter(|b| b.kind != BandKind::Reaching).map(|b| BandRef::from(*b)).collect() };
    match m.value {
        Value::Reaches { .. } => at_zero(),
        Value::Exact { .. } | Value::OverlapAtLeast { .. } => {
            // An overlap of at least 0 may be none at all, so it lands on the os like an exact 0.
            match table.band_at(bound(&m.value)) {
                Some(band) if band.kind == BandKind::Reaching => at_zero(),
                Some(band) => {
                    let also = except(band);
                    if also.is_empty() { Outcome::Within { band: band.into() } } else { Outcome::Straddles { nominal: band.into(), also } }
                }
                None => Outcome::NotApplicable { reasons: vec![Reason::NotANumber] },
            }
        }
        Value::NoPlacentaWithin { mm } => {
            let stated = Interval { low_mm: Some(mm), high_mm: None, coverage: m.interval.coverage };
            let possible: Vec<&Band> = self::reached(table, &stated);
            let also = reached.iter().filter(|b| !possible.iter().any(|p| p.id == b.id)).map(|b| BandRef::from(*b)).collect();
            Outcome::NoPlacentaWithin { possible: possible.into_iter().map(BandRef::from).collect(), also }
        }
    }
}

/// The bands of a table that share at least one value with an interval, from deep overlap outwards.
fn reached<'a>(table: &'a Table, interval: &Interval) -> Vec<&'a Band> {
    let mut lower: Option<&super::Edge> = None;
    let mut out = Vec::new();
    for band in &table.bands {
        // A band begins where the one before it ends, and holds that edge only if the one before does not.
        let below = lower.zip(interval.high_mm).is_some_and(|(edge, high)| high < edge.mm || (high == edge.mm && edge.included));
        let above = band.upper.as_ref().zip(interval.low_mm).is_some_and(|(edge, low)| low > edge.mm || (low == edge.mm && !edge.included));
        if !below && !above {
            out.push(band);
        }
        lower = band.upper.as_ref();
    }
    out
}

fn borderline(table: &Table, m: &Measurement) -> Vec<NearEdge> {
    let value = bound(&m.value);
    let mut out: Vec<NearEdge> = Vec::new();
    if m.assumed_repeatability {
        let mut edges: Vec<f64> = BORDERLINE_EDGES.into_iter().chain(table.edges().map(Mm::get)).collect();
        edges.sort_by(f64::total_cmp);
        edges.dedup();
        for edge in edges {
            if (value - edge).abs() <= BORDERLINE_MM {
                out.push(NearEdge { edge_mm: Mm::new(edge), why: WhyBorderline::AssumedRepeatability });
            }
        }
    }
    for edge in table.bands.iter().filter_map(|b| b.upper.as_ref()) {
        if edge.gap_to.is_some_and(|to| value > edge.mm.get() && value < to.get()) && !out.iter().any(|n| n.edge_mm == edge.mm) {
            out.push(NearEdge { edge_mm: edge.mm, why: WhyBorderline::BetweenWholeMillimetres });
        }
    }
    out
}

/// Shares of the bands under a normal error; `None` where own SDs are known but the os is within [`NEAR_OS`] of them.
fn shares(table: &Table, m: &Measurement) -> Option<Vec<BandShare>> {
    let Value::Exact { signed_mm } = m.value else { return Some(Vec::new()) };
    if m.assumed_repeatability || m.u_mm <= Mm::new(0.0) {
        return Some(Vec::new());
    }
    if signed_mm.abs() <= m.u_mm.times(NEAR_OS) {
        return None;
    }
    let normal = Normal::new(signed_mm.get(), m.u_mm.get()).ok()?;
    let mut below = 0.0;
    let mut out = Vec::new();
    for band in &table.bands {
        let up_to = band.upper.as_ref().map_or(1.0, |e| normal.cdf(e.mm.get()));
        // A probability times 100, rounded, fits a byte.
        let percent = (100.0 * (up_to - below)).round().clamp(0.0, 100.0) as u8;
        if percent > 0 {
            out.push(BandShare { band: band.into(), percent });
        }
        below = up_to;
    }
    Some(out)
}

fn notes(m: &Measurement, context: &ExamContext) -> Vec<Note> {
    let mut out = Vec::new();
    match m.value {
        Value::OverlapAtLeast { .. } => out.push(Note::OverlapExtentUnknown),
        Value::NoPlacentaWithin { .. } => out.push(Note::OnePlaneProvesNothing),
        Value::Exact { .. } => match m.side_check {
            SideCheck::NotMarked => out.push(Note::SideUnconfirmed),
            SideCheck::CannotTell { .. } | SideCheck::TooFar { .. } => out.push(Note::SideCannotBeTold),
            SideCheck::Agrees | SideCheck::Disagrees => {}
        },
        Value::Reaches { .. } => {}
    }
    if context.bladder == Bladder::Unknown {
        out.push(Note::BladderUnknown);
    }
    if context.contraction == Contraction::Unknown {
        out.push(Note::ContractionUnknown);
    }
    out
}
