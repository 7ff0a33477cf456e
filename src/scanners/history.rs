//! All checks at hand, and what a reading takes from them.

use std::collections::HashSet;

use jiff::civil::Date;

use super::entry::{Due, ScaleCheck, ScannerKey};
use crate::calibrate::LastCheck;
use crate::files::instant;

/// The checks of every scanner.
#[derive(Clone, Debug, Default)]
pub struct History {
    /// By day, then by when they were saved.
    checks: Vec<ScaleCheck>,
    /// The id of each: a digest of the whole check, so it is made once.
    ids: Vec<Option<String>>,
    /// Files that hold no check that can be trusted.
    pub damaged: Vec<String>,
}

/// One scanner of a history with its checks, oldest first.
#[derive(Clone, Debug, PartialEq)]
pub struct Listed<'a> {
    /// The scanner and probe.
    pub scanner: &'a ScannerKey,
    /// Its checks; never empty.
    pub checks: Vec<&'a ScaleCheck>,
    /// When the next one is due.
    pub due: Due,
}

impl History {
    /// A history of these checks.
    #[must_use]
    pub fn new(checks: Vec<ScaleCheck>) -> Self {
        let mut history = Self::default();
        checks.into_iter().for_each(|c| history.add(c));
        history
    }

    /// Adds one.
    pub fn add(&mut self, check: ScaleCheck) {
        let after = |c: &ScaleCheck| (c.checked_on, instant(&c.made_at)) > (check.checked_on, instant(&check.made_at));
        let place = self.checks.iter().position(after).unwrap_or(self.checks.len());
        self.ids.insert(place, check.id().ok());
        self.checks.insert(place, check);
    }

    /// Every check, oldest first.
    #[must_use]
    pub fn checks(&self) -> &[ScaleCheck] {
        &self.checks
    }

    /// Id of the check saved last, invented ones not counted.
    pub(super) fn newest_id(&self) -> Option<String> {
        let own = self.checks.iter().zip(&self.ids).filter(|(c, _)| !c.invented);
        own.max_by(|(a, _), (b, _)| instant(&a.made_at).cmp(&instant(&b.made_at))).and_then(|(_, id)| id.clone())
    }

    /// Ids that a check follows and that are not here: a check was lost or taken away.
    #[must_use]
    pub fn missing(&self) -> Vec<String> {
        let there: HashSet<&String> = self.ids.iter().flatten().collect();
        self.checks.iter().filter_map(|c| c.follows.clone()).filter(|f| !there.contains(f)).collect()
    }

    /// The last check of this scanner on or before the day of an exam: one of the same preset where there is any.
    #[must_use]
    pub fn last_for(&self, scanner: &ScannerKey, preset: Option<&str>, exam: Date) -> Option<LastCheck> {
        let preset = preset.map(str::trim).filter(|p| !p.is_empty());
        let of = || self.checks.iter().zip(&self.ids).rev().filter(|(c, _)| c.scanner == *scanner && c.checked_on <= exam);
        let same = of().find(|(c, _)| c.preset.as_deref() == preset);
        let ((check, id), other) = same.map(|c| (c, false)).or_else(|| of().next().map(|c| (c, true)))?;
        Some(check.last(id.clone()?, other))
    }

    /// Each scanner with its checks; the most pressing first.
    #[must_use]
    pub fn scanners(&self, today: Date) -> Vec<Listed<'_>> {
        let mut out: Vec<Listed<'_>> = Vec::new();
        for c in &self.checks {
            match out.iter_mut().find(|l| *l.scanner == c.scanner) {
                Some(l) => {
                    l.checks.push(c);
                    l.due = c.due(today);
                }
                None => out.push(Listed { scanner: &c.scanner, checks: vec![c], due: c.due(today) }),
            }
        }
        out.sort_by_key(|l| match l.due {
            Due::Overdue(d) | Due::On(d) => d,
        });
        out
    }
}
