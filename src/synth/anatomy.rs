//! The anatomy of one plane through the cervix, in numbers with ranges and units.

use serde::{Deserialize, Serialize};

use super::fit;
use crate::error::{Error, ErrorKind, Result};

/// The wall on which the plane meets the placenta.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wall {
    /// The wall behind the bladder.
    Anterior,
    /// The wall away from the bladder.
    Posterior,
}

/// The anatomy of one plane. Ranges are those of [`Anatomy::validate`]; they are plausible, not sourced.
///
/// Lengths "along the wall" are arcs of the inner surface; distances from the os are straight.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Anatomy {
    /// Signed straight distance from the internal os to the leading placental edge in this plane, mm, −25 to 45; negative
    /// when it overlaps.
    pub edge_to_os_mm: f64,
    /// The wall on which this plane meets the placenta.
    pub placenta_on: Wall,
    /// Angle at the os between this plane and the shortest way to the edge, degrees, 0 to 75. A lateral placenta seen in the
    /// sagittal plane has a large one: its shortest way is not in the plane.
    pub off_axis_degrees: f64,
    /// Thickness of the placenta away from its edge, mm, 8 to 22.
    pub placenta_thickness_mm: f64,
    /// Thickness of the placenta 10 mm from its edge, mm, 2.5 to 16: 5 is a thin edge, 12 a thick one.
    pub edge_thickness_mm: f64,
    /// Where a placenta that covers the os ends on its own wall: straight distance from the os, mm, at least the overlap and
    /// at most 45. As long as the overlap: it covers the os evenly. Beyond view when absent.
    pub far_edge_mm: Option<f64>,
    /// Length of the cervical canal, mm, 15 to 50.
    pub cervix_length_mm: f64,
    /// Half the thickness of the cervix at the internal os, mm, 8 to 18.
    pub cervix_half_thickness_mm: f64,
    /// Width of the internal os, which is a patch and not a point, mm, 1 to 10; its middle is where distances start.
    pub os_width_mm: f64,
    /// Membranes bulging into the upper canal.
    pub funnel: Option<Funnel>,
    /// Thickness of the wall of the lower uterine segment, mm, 2 to 10.
    pub wall_mm: f64,
    /// Depth of the bladder across its middle, mm, 0 (empty) to 30 (full).
    pub bladder_mm: f64,
    /// Radius of the fetal head, mm, 15 to 50; 0 when it is out of reach.
    pub head_radius_mm: f64,
    /// Width along the wall of a marginal sinus beyond the placental edge, mm, 2 to 15; 0 for none.
    pub sinus_mm: f64,
    /// A fetal vessel in the membranes, cut across.
    pub vessel: Option<Vessel>,
    /// Depth of the notch that a caesarean scar leaves in the anterior wall, mm, 1 to 8; 0 for none.
    pub scar_mm: f64,
    /// A contraction of the wall.
    pub contraction: Option<Contraction>,
    /// Over what length a full bladder or a contraction presses the walls of the lower segment together above the internal
    /// os, mm, 4 to 18; 0 for not at all. It looks like more cervix: the lining of the canal ends at the true os, which lies
    /// this far beyond where the cavity seems to end.
    pub apposed_mm: f64,
}

/// A fetal vessel that runs in the membranes beyond the placental edge, cut across by the plane.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Vessel {
    /// Its place along the wall from the internal os, mm, −30 to 40; positive on the wall that carries the placenta.
    pub from_os_mm: f64,
    /// Its diameter, mm, 2 to 8.
    pub diameter_mm: f64,
}

/// A funnel: the upper canal is open and holds fluid. The internal os stays where the cavity's floor would be; the tip is
/// where the closed canal begins.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Funnel {
    /// How far it reaches down the canal, mm, 4 to 30.
    pub depth_mm: f64,
    /// Its width at the floor of the cavity, mm, 5 to 20; the internal os is then as wide.
    pub width_mm: f64,
}

/// A contraction: a part of the wall that is thick for a while and bulges into the cavity, much like a placenta.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contraction {
    /// The wall.
    pub on: Wall,
    /// Its middle along the wall from the internal os, mm, 12 to 50.
    pub from_os_mm: f64,
    /// Half its length along the wall, mm, 8 to 30.
    pub half_length_mm: f64,
    /// How far it bulges, mm, 4 to 18.
    pub height_mm: f64,
}

/// A range of one number: what it is, least, greatest; mm unless the unit is another.
struct Range(&'static str, f64, f64, &'static str);

impl Range {
    const fn mm(what: &'static str, least: f64, greatest: f64) -> Self {
        Self(what, least, greatest, "mm")
    }

    fn check(&self, value: f64) -> Result<()> {
        let Self(what, least, greatest, unit) = *self;
        if (least..=greatest).contains(&value) {
            return Ok(());
        }
        Err(Error::new(ErrorKind::Invalid, format!("a synthetic frame cannot have this {what}"))
            .expected(format!("{least} to {greatest} {unit}"))
            .found(format!("{value} {unit}")))
    }

    /// The same, but 0 stands for "none".
    fn check_or_none(&self, value: f64) -> Result<()> {
        if value == 0.0 { Ok(()) } else { self.check(value) }
    }
}

impl Anatomy {
    /// A plane at about 32 weeks whose edge lies `edge_to_os_mm` from the internal os on the posterior wall.
    #[must_use]
    pub const fn posterior(edge_to_os_mm: f64) -> Self {
        Self {
            edge_to_os_mm,
            placenta_on: Wall::Posterior,
            off_axis_degrees: 0.0,
            placenta_thickness_mm: 18.0,
            edge_thickness_mm: 7.5,
            far_edge_mm: None,
            cervix_length_mm: 36.0,
            cervix_half_thickness_mm: 13.0,
            os_width_mm: 4.0,
            funnel: None,
            wall_mm: 5.0,
            bladder_mm: 8.0,
            head_radius_mm: 40.0,
            sinus_mm: 0.0,
            vessel: None,
            scar_mm: 0.0,
            contraction: None,
            apposed_mm: 0.0,
        }
    }

    /// The same with the placenta on the anterior wall.
    #[must_use]
    pub const fn anterior(edge_to_os_mm: f64) -> Self {
        Self { placenta_on: Wall::Anterior, ..Self::posterior(edge_to_os_mm) }
    }

    /// This anatomy, given on its shortest way, in a plane turned `degrees` about the os: the distance in the plane is longer,
    /// on either side of the os, as the edge is a straight line on the wall laid flat.
    ///
    /// # Errors
    /// When the plane is not possible; see [`Self::validate`]: the edge may leave the range.
    pub fn turned_off_axis(self, degrees: f64) -> Result<Self> {
        self.validate()?;
        let turned = Self {
            edge_to_os_mm: fit::in_plane(self.edge_to_os_mm, degrees),
            far_edge_mm: self.far_edge_mm.map(|far| fit::in_plane(far, degrees)),
            off_axis_degrees: degrees,
            ..self
        };
        turned.validate()?;
        Ok(turned)
    }

    /// Width of the internal os, mm: that of the funnel where there is one.
    #[must_use]
    pub fn os_patch_mm(&self) -> f64 {
        self.funnel.map_or(self.os_width_mm, |f| f.width_mm)
    }

    /// Checks every range and every combination.
    ///
    /// # Errors
    /// [`ErrorKind::Invalid`] that names the first number out of its range, or the combination that is not possible.
    pub fn validate(&self) -> Result<()> {
        Range::mm("edge-to-os distance", -25.0, 45.0).check(self.edge_to_os_mm)?;
        Range("angle off the shortest way", 0.0, 75.0, "degrees").check(self.off_axis_degrees)?;
        Range::mm("placental thickness", 8.0, 22.0).check(self.placenta_thickness_mm)?;
        Range::mm("thickness near the edge", 2.5, 16.0).check(self.edge_thickness_mm)?;
        if let Some(far) = self.far_edge_mm {
            Range::mm("far edge", 0.0, 45.0).check(far)?;
        }
        Range::mm("cervical length", 15.0, 50.0).check(self.cervix_length_mm)?;
        Range::mm("cervical half-thickness", 8.0, 18.0).check(self.cervix_half_thickness_mm)?;
        Range::mm("width of the internal os", 1.0, 10.0).check(self.os_width_mm)?;
        if let Some(f) = self.funnel {
            Range::mm("funnel depth", 4.0, 30.0).check(f.depth_mm)?;
            Range::mm("funnel width", 5.0, 20.0).check(f.width_mm)?;
        }
        Range::mm("wall thickness", 2.0, 10.0).check(self.wall_mm)?;
        Range::mm("bladder depth", 0.0, 30.0).check(self.bladder_mm)?;
        Range::mm("head radius", 15.0, 50.0).check_or_none(self.head_radius_mm)?;
        Range::mm("marginal sinus", 2.0, 15.0).check_or_none(self.sinus_mm)?;
        Range::mm("scar notch", 1.0, 8.0).check_or_none(self.scar_mm)?;
        if let Some(v) = self.vessel {
            Range::mm("vessel diameter", 2.0, 8.0).check(v.diameter_mm)?;
            Range::mm("vessel place", -30.0, 40.0).check(v.from_os_mm)?;
        }
        Range::mm("apposed length", 4.0, 18.0).check_or_none(self.apposed_mm)?;
        if let Some(c) = self.contraction {
            Range::mm("contraction place", 12.0, 50.0).check(c.from_os_mm)?;
            Range::mm("contraction half-length", 8.0, 30.0).check(c.half_length_mm)?;
            Range::mm("contraction height", 4.0, 18.0).check(c.height_mm)?;
        }
        fit::check(self)
    }
}
