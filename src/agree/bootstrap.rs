//! Intervals by resampling whole clusters: frames of one patient stay together, because they are alike.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde::{Deserialize, Serialize};

use super::quantiles::of_sorted;
use super::{Estimate, cannot};
use crate::error::Result;

/// Most replicates of one interval.
pub const MOST_REPLICATES: u32 = 100_000;
/// With fewer clusters the interval is too narrow to rely on (an assumption of this program).
pub const FEW_CLUSTERS: usize = 20;

/// A figure with its percentile interval over resampled clusters.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bootstrap {
    /// The figure of the data themselves with its 95 % interval.
    pub estimate: Estimate,
    /// Clusters.
    pub clusters: usize,
    /// Resamples that gave a figure.
    pub replicates: u32,
    /// Resamples that gave none.
    pub without: u32,
    /// The seed, so that it can be repeated.
    pub seed: u64,
}

/// A number from 0 to `n` − 1, each as likely.
pub(crate) fn below(rng: &mut ChaCha8Rng, n: usize) -> usize {
    let n = n as u64;
    // Draws above the last whole multiple of n are drawn again.
    let limit = u64::MAX - u64::MAX % n;
    loop {
        let v = rng.next_u64();
        if v < limit {
            return usize::try_from(v % n).unwrap_or(0);
        }
    }
}

/// As [`cluster_bootstrap_of`], of one figure.
///
/// # Errors
/// As [`cluster_bootstrap_of`].
pub fn cluster_bootstrap<C>(clusters: &[C], replicates: u32, seed: u64, statistic: impl Fn(&[&C]) -> Option<f64>) -> Result<Bootstrap> {
    cluster_bootstrap_of(clusters, replicates, seed, |drawn| Some([statistic(drawn)?])).map(|[one]| one)
}

/// Each figure of `statistic` of all clusters, and its 2.5 % and 97.5 % points over `replicates` resamples of as many clusters.
///
/// # Errors
/// [`ErrorKind::Invalid`](crate::ErrorKind::Invalid) with fewer than 2 clusters, without a figure from the data
/// themselves, when more than one resample in ten gives none, or with no or too many replicates.
pub fn cluster_bootstrap_of<C, const N: usize>(
    clusters: &[C],
    replicates: u32,
    seed: u64,
    statistic: impl Fn(&[&C]) -> Option<[f64; N]>,
) -> Result<[Bootstrap; N]> {
    let what = "the interval over resampled patients";
    if clusters.len() < 2 {
        return Err(cannot(what, "at least 2 patients", clusters.len().to_string()));
    }
    if !(1..=MOST_REPLICATES).contains(&replicates) {
        return Err(cannot(what, format!("1 to {MOST_REPLICATES} resamples"), replicates.to_string()));
    }
    let all: Vec<&C> = clusters.iter().collect();
    let finite = |v: &[f64; N]| v.iter().all(|v| v.is_finite());
    let Some(values) = statistic(&all).filter(finite) else {
        return Err(cannot(what, "a figure from the data themselves", "none"));
    };
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut found = Vec::with_capacity(replicates as usize);
    for _ in 0..replicates {
        let drawn: Vec<&C> = (0..clusters.len()).filter_map(|_| clusters.get(below(&mut rng, clusters.len()))).collect();
        found.extend(statistic(&drawn).filter(finite));
    }
    let made = u32::try_from(found.len()).unwrap_or(u32::MAX);
    let without = replicates - made;
    if without > replicates / 10 {
        return Err(cannot(what, "a figure from nearly every resample", format!("none from {without} of {replicates}")));
    }
    let mut place = 0..N;
    Ok(values.map(|value| {
        let i = place.next().unwrap_or_default();
        let mut drawn: Vec<f64> = found.iter().filter_map(|v| v.get(i).copied()).collect();
        drawn.sort_by(f64::total_cmp);
        let estimate = Estimate { value, low: of_sorted(&drawn, 0.025), high: of_sorted(&drawn, 0.975) };
        Bootstrap { estimate, clusters: clusters.len(), replicates: made, without, seed }
    }))
}
