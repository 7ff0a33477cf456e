//! Lengths and points that cannot be mixed up: pixels are not millimetres.
//!
//! There is no conversion between [`Px`] and [`Mm`] here. The one way from pixels to millimetres is a method of
//! [`Calibration`](crate::calibrate::Calibration).
//!
//! # Axes
//!
//! Image x runs to the right and y runs down. (0, 0) is the outer corner of the first pixel, so the centre of pixel
//! (column c, row r) is (c + 0.5, r + 0.5): the convention of DICOM spatial coordinates (PS3.3 C.10.5.1, SCOORD).

use std::fmt;
use std::ops::{Add, Neg, Sub};

use serde::{Deserialize, Serialize};

/// A length on the image, in pixels.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Px(f64);

/// A length in the patient, in millimetres.
///
/// ```compile_fail
/// use osspan::units::{Mm, Px};
/// let _ = Mm::new(1.0) + Px::new(1.0); // pixels are not millimetres
/// ```
/// ```
/// use osspan::units::Mm;
/// assert_eq!((Mm::new(1.0) + Mm::new(1.0)).get(), 2.0);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mm(f64);

macro_rules! length {
    ($t:ident, $unit:literal) => {
        impl $t {
            #[doc = concat!("A length of `value` ", $unit, ".")]
            #[must_use]
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            #[doc = concat!("The number of ", $unit, ".")]
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// The size without its sign.
            #[must_use]
            pub const fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// The length multiplied by a plain number.
            #[must_use]
            pub const fn times(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }

            /// Whether the number is finite.
            #[must_use]
            pub const fn is_finite(self) -> bool {
                self.0.is_finite()
            }
        }

        impl Add for $t {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $t {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $t {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl fmt::Display for $t {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                if let Some(digits) = f.precision() {
                    write!(f, "{:.*} {}", digits, self.0, $unit)
                } else {
                    write!(f, "{} {}", self.0, $unit)
                }
            }
        }
    };
}

length!(Px, "px");
length!(Mm, "mm");

/// A place on the image, sub-pixel; see the module's note on axes and origin.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PxPoint {
    /// To the right, in pixels from the left edge of the first column.
    pub x: f64,
    /// Downwards, in pixels from the upper edge of the first row.
    pub y: f64,
}

/// A step on the image, in pixels. Two points cannot be added; their difference is a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PxVec {
    /// To the right, px.
    pub x: f64,
    /// Downwards, px.
    pub y: f64,
}

/// A step in the plane of the frame, in millimetres (x right, y down).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MmVec {
    /// To the right, mm.
    pub x: f64,
    /// Downwards, mm.
    pub y: f64,
}

impl PxPoint {
    /// The point at (`x`, `y`) px.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Whether both coordinates are finite.
    #[must_use]
    pub const fn is_finite(self) -> bool {
        self.x.is_finite() && self.y.is_finite()
    }
}

impl Sub for PxPoint {
    type Output = PxVec;
    fn sub(self, other: Self) -> PxVec {
        PxVec { x: self.x - other.x, y: self.y - other.y }
    }
}

impl Add<PxVec> for PxPoint {
    type Output = Self;
    fn add(self, step: PxVec) -> Self {
        Self { x: self.x + step.x, y: self.y + step.y }
    }
}

impl MmVec {
    /// The step (`x`, `y`) mm.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Its length.
    #[must_use]
    pub fn length(self) -> Mm {
        Mm::new(self.x.hypot(self.y))
    }

    /// The scalar product, mm².
    #[must_use]
    pub fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_subtract_to_steps_and_lengths_print_their_unit() {
        let step = PxPoint::new(4.0, 6.0) - PxPoint::new(1.0, 2.0);
        assert_eq!(step, PxVec { x: 3.0, y: 4.0 });
        assert_eq!(format!("{:.1}", Mm::new(14.04)), "14.0 mm");
        assert_eq!(MmVec::new(3.0, 4.0).length(), Mm::new(5.0));
    }
}
