//! What deviation of a scale is still accepted, by a published table.

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};
use crate::source::{Citation, Provenance};

const SCHEMA: &str = "osspan-scale-tolerance/1";
const BUNDLED: &str = include_str!("../../calibration/tolerances.toml");

/// The limits of one axis. Of the millimetres and the per cent of the distance tested, the greater applies.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// From here on something is to be done, mm.
    pub action_mm: f64,
    /// The same in per cent.
    pub action_percent: f64,
    /// From here on the scanner is not to be used for distances, mm.
    pub defect_mm: f64,
    /// The same in per cent.
    pub defect_percent: f64,
}

/// A table of tolerances.
#[derive(Clone, Debug, PartialEq)]
pub struct Tolerance {
    /// Its short name.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Where its limits come from.
    pub source: Citation,
    /// Months from one check to the next.
    pub check_every_months: u32,
    /// Where that comes from.
    pub check_every_source: Citation,
    /// Along image x.
    pub across: Limits,
    /// Along image y.
    pub down: Limits,
}

/// What a deviation comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Below the action level.
    Within,
    /// At the action level or beyond: to be looked into.
    Action,
    /// At the defect level or beyond: not to be used for distances.
    Defect,
}

impl Verdict {
    /// Its words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Within => "within tolerance",
            Self::Action => "beyond the action level",
            Self::Defect => "beyond the defect level",
        }
    }
}

/// One axis judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxisVerdict {
    /// The distance tested, mm.
    pub over_mm: f64,
    /// How much the header reads it long (+) or short (−), mm.
    pub error_mm: f64,
    /// By the table: the greater of millimetres and per cent.
    pub published: Verdict,
    /// By the table's per cent alone: over distances of a few centimetres the millimetres would let an error pass that
    /// counts at 20 mm.
    pub by_percent: Verdict,
    /// Whether the 95 % interval of the error reaches a worse verdict by per cent.
    pub borderline: bool,
}

impl AxisVerdict {
    /// The stricter of the two, which the history keeps.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.published.max(self.by_percent)
    }
}

impl Limits {
    fn by_percent(&self, error: f64) -> Verdict {
        let percent = 100.0 * error.abs();
        match percent {
            p if p >= self.defect_percent => Verdict::Defect,
            p if p >= self.action_percent => Verdict::Action,
            _ => Verdict::Within,
        }
    }

    /// Judges a relative error (header over true, minus 1) found over a distance with a half-width of its 95 % interval.
    #[must_use]
    pub fn judge(&self, error: f64, half_width: f64, over_mm: f64) -> AxisVerdict {
        let mm = (error * over_mm).abs();
        let limit = |abs: f64, percent: f64| abs.max(percent / 100.0 * over_mm);
        let published = if mm >= limit(self.defect_mm, self.defect_percent) {
            Verdict::Defect
        } else if mm >= limit(self.action_mm, self.action_percent) {
            Verdict::Action
        } else {
            Verdict::Within
        };
        let by_percent = self.by_percent(error);
        let borderline = self.by_percent(error.abs() + half_width) > by_percent;
        AxisVerdict { over_mm, error_mm: error * over_mm, published, by_percent, borderline }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    schema: String,
    id: String,
    name: String,
    source: String,
    provenance: Provenance,
    check_every_months: u32,
    check_every_source: String,
    check_every_provenance: Provenance,
    across: Limits,
    down: Limits,
}

/// The bundled table.
///
/// # Errors
/// [`ErrorKind::Format`] when it is faulty, which a test rules out.
pub fn tolerance() -> Result<Tolerance> {
    let fail = |found: String| Error::new(ErrorKind::Format, "the table of tolerances cannot be used").expected(SCHEMA).found(found);
    let t: Text = toml::from_str(BUNDLED).map_err(|e| fail(e.message().to_owned()))?;
    let rising =
        |l: &Limits| 0.0 < l.action_mm && l.action_mm <= l.defect_mm && 0.0 < l.action_percent && l.action_percent <= l.defect_percent;
    if t.schema != SCHEMA || !rising(&t.across) || !rising(&t.down) || !(1..=60).contains(&t.check_every_months) {
        return Err(fail(format!("{}, or limits that do not rise", t.schema)));
    }
    Ok(Tolerance {
        id: t.id,
        name: t.name,
        source: Citation { text: t.source.into(), provenance: t.provenance },
        check_every_months: t.check_every_months,
        check_every_source: Citation { text: t.check_every_source.into(), provenance: t.check_every_provenance },
        across: t.across,
        down: t.down,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_greater_of_millimetres_and_per_cent_applies_and_the_per_cent_alone_is_kept() {
        let down = tolerance().unwrap().down;
        // 3 % over 50 mm is 1.5 mm: at the action level, though 2 % of 50 mm would be only 1 mm.
        let v = down.judge(0.03, 0.0, 50.0);
        assert_eq!((v.published, v.by_percent, v.verdict()), (Verdict::Action, Verdict::Defect, Verdict::Defect));
        assert_eq!(down.judge(-0.0299, 0.0, 50.0).published, Verdict::Within);
        // 1.6 % over 200 mm is 3.2 mm: more than 1.5 % of 200 mm, less than 2 %.
        assert_eq!(down.judge(0.016, 0.0, 200.0).published, Verdict::Action);
        assert!(down.judge(0.012, 0.004, 50.0).borderline && !down.judge(0.012, 0.002, 50.0).borderline);
        assert_eq!(tolerance().unwrap().across.judge(0.016, 0.0, 50.0).verdict(), Verdict::Within);
    }
}
