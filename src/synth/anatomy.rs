//! The anatomy of one sagittal plane through the cervix, in numbers.

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// The wall that carries the placenta.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wall {
    /// The wall behind the bladder.
    Anterior,
    /// The wall away from the bladder.
    Posterior,
}

/// The anatomy of one plane. Ranges are those of [`Anatomy::validate`]; they are plausible, not sourced.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Anatomy {
    /// Signed straight distance from the internal os to the leading placental edge, mm; negative when it overlaps.
    pub edge_to_os_mm: f64,
    /// The wall that carries the placenta.
    pub placenta_on: Wall,
    /// Thickness of the placenta away from its edge, mm.
    pub placenta_thickness_mm: f64,
    /// Length of the cervical canal, mm.
    pub cervix_length_mm: f64,
    /// Half the thickness of the cervix at the internal os, mm.
    pub cervix_half_thickness_mm: f64,
    /// Thickness of the wall of the lower uterine segment, mm.
    pub wall_mm: f64,
    /// Depth of the bladder across its middle, mm; 0 when it is empty.
    pub bladder_mm: f64,
    /// Radius of the fetal head, mm; 0 when it is out of reach.
    pub head_radius_mm: f64,
    /// Width along the wall of a marginal sinus beyond the placental edge, mm; 0 for none.
    pub sinus_mm: f64,
    /// A fetal vessel in the membranes, cut across.
    pub vessel: Option<Vessel>,
    /// Depth of the notch that a caesarean scar leaves in the anterior wall, mm; 0 for none.
    pub scar_mm: f64,
}

/// A fetal vessel that runs in the membranes beyond the placental edge, cut across by the plane.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Vessel {
    /// Its place along the wall from the internal os, mm; positive on the wall that carries the placenta.
    pub from_os_mm: f64,
    /// Its diameter, mm.
    pub diameter_mm: f64,
}

/// A range of one number: what it is, least, greatest, unit.
struct Range(&'static str, f64, f64);

impl Range {
    fn check(&self, value: f64) -> Result<()> {
        let Self(what, least, greatest) = *self;
        if (least..=greatest).contains(&value) {
            return Ok(());
        }
        Err(Error::new(ErrorKind::Invalid, format!("a synthetic frame cannot have this {what}"))
            .expected(format!("{least} to {greatest} mm"))
            .found(format!("{value} mm")))
    }
}

impl Anatomy {
    /// A plane at about 32 weeks whose edge lies `edge_to_os_mm` from the internal os on the posterior wall.
    #[must_use]
    pub const fn posterior(edge_to_os_mm: f64) -> Self {
        Self {
            edge_to_os_mm,
            placenta_on: Wall::Posterior,
            placenta_thickness_mm: 18.0,
            cervix_length_mm: 36.0,
            cervix_half_thickness_mm: 13.0,
            wall_mm: 5.0,
            bladder_mm: 9.0,
            head_radius_mm: 40.0,
            sinus_mm: 0.0,
            vessel: None,
            scar_mm: 0.0,
        }
    }

    /// Checks every range and every combination.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] that names the first number out of its range, or the combination that is not possible.
    pub fn validate(&self) -> Result<()> {
        Range("edge-to-os distance", -25.0, 45.0).check(self.edge_to_os_mm)?;
        Range("placental thickness", 8.0, 22.0).check(self.placenta_thickness_mm)?;
        Range("cervical length", 15.0, 50.0).check(self.cervix_length_mm)?;
        Range("cervical half-thickness", 8.0, 18.0).check(self.cervix_half_thickness_mm)?;
        Range("wall thickness", 2.0, 10.0).check(self.wall_mm)?;
        Range("bladder depth", 0.0, 12.0).check(self.bladder_mm)?;
        if self.head_radius_mm != 0.0 {
            Range("head radius", 15.0, 50.0).check(self.head_radius_mm)?;
        }
        if self.sinus_mm != 0.0 {
            Range("marginal sinus", 2.0, 15.0).check(self.sinus_mm)?;
        }
        if self.scar_mm != 0.0 {
            Range("scar notch", 1.0, 8.0).check(self.scar_mm)?;
        }
        if self.scar_mm > 0.9 * self.wall_mm {
            return Err(Error::new(ErrorKind::Invalid, "a synthetic frame cannot have this scar notch")
                .expected(format!("at most nine tenths of the wall's {} mm", self.wall_mm))
                .found(format!("{} mm", self.scar_mm)));
        }
        if self.edge_to_os_mm >= 0.0 && self.sinus_mm > 0.9 * self.edge_to_os_mm {
            return Err(Error::new(ErrorKind::Invalid, "a synthetic frame cannot have this marginal sinus")
                .expected("one that ends before the internal os where the placenta does not cover it")
                .found(format!("{} mm beyond an edge {} mm from the os", self.sinus_mm, self.edge_to_os_mm)));
        }
        if let Some(v) = self.vessel {
            Range("vessel diameter", 2.0, 8.0).check(v.diameter_mm)?;
            Range("vessel place", -30.0, 40.0).check(v.from_os_mm)?;
            if v.from_os_mm + 0.5 * v.diameter_mm + self.sinus_mm > self.edge_to_os_mm {
                return Err(Error::new(ErrorKind::Invalid, "a synthetic frame cannot have this vessel")
                    .expected("one in the membranes, beyond the placental edge and its marginal sinus")
                    .found(format!("{} mm from the os, edge {} mm from it", v.from_os_mm, self.edge_to_os_mm)));
            }
        }
        if self.bladder_mm + self.wall_mm > 16.0 {
            return Err(Error::new(ErrorKind::Invalid, "a synthetic frame cannot have this bladder and wall")
                .expected("together at most 16 mm between the probe and the uterine cavity")
                .found(format!("{} mm and {} mm", self.bladder_mm, self.wall_mm)));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    #[test]
    fn what_is_out_of_range_or_does_not_fit_together_is_refused_by_name() {
        let ok = Anatomy::posterior(14.0);
        ok.validate().unwrap();
        let vessel = |from_os_mm, diameter_mm| Some(Vessel { from_os_mm, diameter_mm });
        let cases: [(&str, Anatomy); 15] = [
            ("edge-to-os", Anatomy { edge_to_os_mm: 60.0, ..ok }),
            ("edge-to-os", Anatomy { edge_to_os_mm: f64::NAN, ..ok }),
            ("placental thickness", Anatomy { placenta_thickness_mm: 40.0, ..ok }),
            ("cervical length", Anatomy { cervix_length_mm: 5.0, ..ok }),
            ("half-thickness", Anatomy { cervix_half_thickness_mm: 30.0, ..ok }),
            ("wall thickness", Anatomy { wall_mm: 0.0, ..ok }),
            ("bladder depth", Anatomy { bladder_mm: -1.0, ..ok }),
            ("head radius", Anatomy { head_radius_mm: 3.0, ..ok }),
            ("marginal sinus", Anatomy { sinus_mm: 20.0, ..ok }),
            ("before the internal os", Anatomy { sinus_mm: 13.0, ..ok }),
            ("scar notch", Anatomy { scar_mm: 0.5, ..ok }),
            ("nine tenths", Anatomy { scar_mm: 4.8, ..ok }),
            ("vessel diameter", Anatomy { vessel: vessel(0.0, 20.0), ..ok }),
            ("in the membranes", Anatomy { vessel: vessel(13.0, 4.0), ..ok }),
            ("bladder and wall", Anatomy { bladder_mm: 10.0, wall_mm: 9.0, ..ok }),
        ];
        for (word, anatomy) in cases {
            let e = anatomy.validate().unwrap_err();
            assert!(e.message().contains(word), "{word}: {e}");
        }
    }
}
