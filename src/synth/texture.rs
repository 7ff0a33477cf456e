//! Slow unevenness of tissue: noise on a lattice, the same everywhere for one seed.

/// Smooth noise of unit spacing in the plane.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Texture(u64);

impl Texture {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(mix(seed ^ 0x9E37_79B9_7F4A_7C15))
    }

    /// −1 to 1, with a grain of about one unit.
    pub(crate) fn at(&self, x: f64, y: f64) -> f64 {
        let (i, j) = (libm::floor(x), libm::floor(y));
        let (u, v) = (ease(x - i), ease(y - j));
        let (i, j) = (i as i64, j as i64);
        let row = |j: i64| self.node(i, j) * (1.0 - u) + self.node(i + 1, j) * u;
        row(j) * (1.0 - v) + row(j + 1) * v
    }

    /// The value at a point of the lattice: the top 53 bits of a hash of its place.
    fn node(&self, i: i64, j: i64) -> f64 {
        let place = (i as u64).wrapping_mul(0xD6E8_FEB8_6659_FD93) ^ (j as u64).wrapping_mul(0xA076_1D64_78BD_642F);
        (mix(self.0 ^ place) >> 11) as f64 * (2.0 / 9_007_199_254_740_992.0) - 1.0
    }
}

/// Cubic easing between lattice points.
fn ease(t: f64) -> f64 {
    t * t * (3.0 - 2.0 * t)
}

/// The finaliser of SplitMix64 (Steele, Lea and Flood 2014).
const fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    #[test]
    fn it_is_fixed_by_its_seed_continuous_and_spread_over_its_range() {
        let (a, b) = (Texture::new(1), Texture::new(2));
        assert_eq!(a.at(0.3, -7.2), Texture::new(1).at(0.3, -7.2));
        assert_ne!(a.at(0.3, -7.2), b.at(0.3, -7.2));
        let (mut least, mut most) = (1.0_f64, -1.0_f64);
        for k in -4000..4000 {
            let x = f64::from(k) * 0.05;
            let here = a.at(x, 2.0 * x);
            assert!((here - a.at(x + 1e-6, 2.0 * x)).abs() < 1e-5, "a step at {x}");
            (least, most) = (least.min(here), most.max(here));
        }
        assert!(least < -0.8 && most > 0.8 && least >= -1.0 && most <= 1.0, "{least} to {most}");
    }
}
