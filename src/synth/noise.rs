//! Random numbers that are the same on every machine: ChaCha with 8 rounds, and elementary functions from one library.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// One stream of random numbers. Streams of one seed are independent of each other and of the order they are used in.
pub(crate) struct Noise(ChaCha8Rng);

impl Noise {
    /// Stream `stream` of `seed`.
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        let mut key = [0_u8; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut rng = ChaCha8Rng::from_seed(key);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Uniform in [0, 1), in steps of 2⁻⁵³.
    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Uniform in [`low`, `high`).
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Two independent standard normal numbers (Box and Muller 1958).
    pub(crate) fn normal_pair(&mut self) -> (f64, f64) {
        // 1 − u lies in (0, 1], so the logarithm is finite.
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.unit()));
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * self.unit());
        (radius * cos, radius * sin)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    #[test]
    fn a_stream_is_fixed_by_its_seed_and_number() {
        let first = |seed, stream| Noise::new(seed, stream).unit();
        assert_eq!(first(1, 2), first(1, 2));
        assert_ne!(first(1, 2), first(1, 3));
        assert_ne!(first(1, 2), first(2, 2));
    }

    #[test]
    fn normal_numbers_have_mean_0_and_variance_1() {
        let mut noise = Noise::new(7, 0);
        let n = 20_000;
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..n {
            let (a, b) = noise.normal_pair();
            sum += a + b;
            squares += a * a + b * b;
        }
        let n = f64::from(2 * n);
        // Four standard errors of the mean (1/√n) and of the variance (√(2/n)).
        assert!((sum / n).abs() < 4.0 / n.sqrt(), "{}", sum / n);
        assert!((squares / n - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{}", squares / n);
    }
}
