//! Where everything is: the plane of one [`Anatomy`], with the internal os at the origin.
//!
//! # Axes
//!
//! Millimetres, x right and y down as on the frame before the probe is tilted: anterior and the bladder are up and to the
//! left, the cervix lies to the right, the uterine cavity opens to the left.
//!
//! The inner surface of the lower uterine segment is a round floor of radius [`FLOOR_RADIUS`], whose deepest point is the
//! internal os, with a straight wall running off each end. A place on the surface is its arc length `s` from the os,
//! positive towards the posterior wall. The exact forms make the truth exact.

use super::anatomy::{Anatomy, Wall};

/// Radius of the floor of the lower segment, mm.
pub(crate) const FLOOR_RADIUS: f64 = 19.0;
/// Angle between the two walls, degrees.
const OPENING_DEGREES: f64 = 64.0;
/// How far the middle of the cavity points down from the horizontal, degrees.
const CAVITY_DOWN_DEGREES: f64 = 18.0;
/// How far the canal rises towards the external os, degrees.
const CANAL_UP_DEGREES: f64 = 6.0;
/// How far the canal bows between its ends, mm.
const CANAL_BOW: f64 = 1.8;
/// Steepness of a placenta at its edge: thickness gained for each mm along the wall. Below 1, so that no part of a
/// placenta beside the os lies nearer to it than its edge on the wall.
const EDGE_STEEPNESS: f64 = 0.8;
/// The same where the placenta overlaps the os: blunt, so that the edge is plain to see.
const OVERLAP_STEEPNESS: f64 = 1.6;
/// Thickness of the dark zone between placenta and wall, mm.
const CLEAR_ZONE: f64 = 2.0;

/// Where a caesarean scar lies, mm along the anterior wall from the os.
const SCAR_AT: f64 = 17.0;
/// Thickness of a vessel's wall, mm.
const VESSEL_WALL: f64 = 0.7;
/// Distance to a surface that is not there, mm.
const FAR: f64 = 99.0;

/// A place or a step in the plane, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct At {
    pub(crate) x: f64,
    pub(crate) y: f64,
}

impl At {
    pub(crate) const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }
    pub(crate) fn plus(self, step: Self, times: f64) -> Self {
        Self::new(self.x + times * step.x, self.y + times * step.y)
    }
    pub(crate) fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }
    pub(crate) fn length(self) -> f64 {
        libm::sqrt(self.dot(self))
    }
    /// Unit vector `degrees` from +x towards +y (down).
    fn unit(degrees: f64) -> Self {
        let (sin, cos) = libm::sincos(degrees.to_radians());
        Self::new(cos, sin)
    }
}

/// What is at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tissue {
    Around,
    Myometrium,
    CervicalStroma,
    CervicalGlands,
    Canal,
    Placenta,
    ClearZone,
    Fluid,
    Urine,
    BladderWall,
    Skull,
    Brain,
    Blood,
    VesselWall,
}

/// Everything the picture needs to know of one place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Local {
    pub(crate) tissue: Tissue,
    /// Signed distances to the surfaces that reflect, mm: cavity, placenta, bladder, head, cervix, sinus or vessel.
    pub(crate) surfaces: [f64; 6],
}

/// A place in wall coordinates, mm: along the surface, and into the cavity.
#[derive(Clone, Copy, Debug)]
struct OnWall {
    s: f64,
    depth: f64,
}

/// The plane of one anatomy.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    anatomy: Anatomy,
    /// Into the cavity from the os.
    into: At,
    /// Along the surface at the os, towards the posterior wall.
    posterior: At,
    /// Half the angle that the floor turns through, radians.
    half_turn: f64,
    /// Arc length of the edge, mm from the os, positive on the placenta's own wall.
    edge_s: f64,
    bladder_centre: At,
    bladder_along: At,
    bladder_half_length: f64,
    head_centre: At,
}

impl Shape {
    /// The plane of a valid anatomy.
    pub(crate) fn new(anatomy: Anatomy) -> Self {
        let into = At::unit(180.0 - CAVITY_DOWN_DEGREES);
        let mut shape = Self {
            anatomy,
            into,
            posterior: At::new(into.y, -into.x),
            half_turn: (90.0 - OPENING_DEGREES / 2.0).to_radians(),
            edge_s: 0.0,
            bladder_centre: At::new(0.0, 0.0),
            bladder_along: At::new(1.0, 0.0),
            bladder_half_length: 13.0,
            head_centre: At::new(0.0, 0.0),
        };
        shape.edge_s = shape.arc_of_chord(anatomy.edge_to_os_mm.abs()) * anatomy.edge_to_os_mm.signum();
        // The bladder lies on the anterior wall, a little way off the cervix.
        let foot = -(FLOOR_RADIUS * shape.half_turn + 7.0);
        let (out, along) = shape.anterior_axes();
        shape.bladder_along = along;
        shape.bladder_centre = shape.surface(foot).plus(out, anatomy.wall_mm + 2.2 + 0.5 * anatomy.bladder_mm);
        shape.head_centre = shape.place_head();
        shape
    }

    /// Outward normal of the straight anterior wall, and its direction away from the os.
    fn anterior_axes(&self) -> (At, At) {
        let (sin, cos) = libm::sincos(self.half_turn);
        let out = At::new(-cos * self.into.x - sin * self.posterior.x, -cos * self.into.y - sin * self.posterior.y);
        let along = At::new(sin * self.into.x - cos * self.posterior.x, sin * self.into.y - cos * self.posterior.y);
        (out, along)
    }

    /// The head rests a little off the placenta on one wall and off the other wall.
    fn place_head(&self) -> At {
        let r = self.anatomy.head_radius_mm;
        let thick = self.anatomy.placenta_thickness_mm;
        let (anterior, posterior) = match self.anatomy.placenta_on {
            Wall::Anterior => (r + thick + 4.0, r + 3.0),
            Wall::Posterior => (r + 3.0, r + thick + 4.0),
        };
        // Depths from the two wall lines: ρ + sin(opening/2) (x − ρ) ∓ cos(opening/2) y along `into` and `posterior`.
        let (sin, cos) = libm::sincos((OPENING_DEGREES / 2.0).to_radians());
        let x = FLOOR_RADIUS + ((anterior + posterior) / 2.0 - FLOOR_RADIUS) / sin;
        let y = (anterior - posterior) / (2.0 * cos);
        At::new(0.0, 0.0).plus(self.into, x).plus(self.posterior, y)
    }

    /// Arc length whose chord from the os is `chord` mm.
    fn arc_of_chord(&self, chord: f64) -> f64 {
        let (mut low, mut high) = (chord, chord + 30.0);
        // The chord grows with the arc; 60 halvings of 30 mm are below the last digit.
        for _ in 0..60 {
            let mid = 0.5 * (low + high);
            if self.surface(mid).length() < chord { low = mid } else { high = mid }
        }
        0.5 * (low + high)
    }

    /// The place on the surface at arc length `s` (positive posterior).
    pub(crate) fn surface(&self, s: f64) -> At {
        let side = s.signum();
        let arc = (s.abs() / FLOOR_RADIUS).min(self.half_turn);
        let (sin, cos) = libm::sincos(arc);
        let beyond = (s.abs() - FLOOR_RADIUS * self.half_turn).max(0.0);
        let into = FLOOR_RADIUS * (1.0 - cos) + beyond * sin;
        let across = side * (FLOOR_RADIUS * sin + beyond * cos);
        At::new(0.0, 0.0).plus(self.into, into).plus(self.posterior, across)
    }

    /// Wall coordinates of a place: from the nearest part of the surface, and from the line of wall `side` alone.
    fn on_wall(&self, p: At, side: f64) -> (OnWall, OnWall) {
        let (x, y) = (p.dot(self.into) - FLOOR_RADIUS, p.dot(self.posterior));
        let line = |side: f64| {
            let (sin, cos) = libm::sincos(self.half_turn);
            OnWall { s: side * (FLOOR_RADIUS * self.half_turn + x * sin + side * y * cos), depth: FLOOR_RADIUS + x * cos - side * y * sin }
        };
        let turn = libm::atan2(y, -x);
        let nearest = if turn.abs() <= self.half_turn {
            OnWall { s: FLOOR_RADIUS * turn, depth: FLOOR_RADIUS - libm::sqrt(x * x + y * y) }
        } else {
            line(if y < 0.0 { -1.0 } else { 1.0 })
        };
        (nearest, line(side))
    }

    /// +1 when the placenta is on the posterior wall, −1 when on the anterior.
    fn placental_side(&self) -> f64 {
        match self.anatomy.placenta_on {
            Wall::Anterior => -1.0,
            Wall::Posterior => 1.0,
        }
    }

    /// Thickness of the placenta `s` mm from its edge along the wall; negative before the edge.
    fn thickness(&self, s: f64) -> f64 {
        let t = self.anatomy.placenta_thickness_mm;
        let steepness = if self.edge_s < 0.0 { OVERLAP_STEEPNESS } else { EDGE_STEEPNESS };
        t * libm::tanh(steepness * s / t)
    }

    /// The leading placental edge, on the surface.
    pub(crate) fn edge(&self) -> At {
        self.surface(self.placental_side() * self.edge_s)
    }

    /// A place inside the placenta, 9 mm from its edge along the wall and half-way through.
    pub(crate) fn placental_body(&self) -> At {
        let s = self.placental_side() * (self.edge_s + 9.0);
        self.surface(s).plus(self.inward(s), 0.5 * self.thickness(9.0))
    }

    /// Unit normal of the surface at arc length `s`, into the cavity.
    fn inward(&self, s: f64) -> At {
        let (a, b) = (self.surface(s - 0.01), self.surface(s + 0.01));
        // Posterior along the surface, turned a quarter towards the cavity.
        At::new(-(b.y - a.y) / 0.02, (b.x - a.x) / 0.02)
    }

    /// The end of the marginal sinus away from the placenta, on the surface.
    pub(crate) fn sinus_end(&self) -> Option<At> {
        (self.anatomy.sinus_mm > 0.0).then(|| self.surface(self.placental_side() * (self.edge_s - self.anatomy.sinus_mm)))
    }

    /// Middle of the vessel and its radius.
    pub(crate) fn vessel(&self) -> Option<(At, f64)> {
        let v = self.anatomy.vessel?;
        let s = self.placental_side() * v.from_os_mm;
        let radius = 0.5 * v.diameter_mm;
        Some((self.surface(s).plus(self.inward(s), radius + VESSEL_WALL), radius))
    }

    /// The mouth of the scar's notch, on the surface.
    pub(crate) fn scar(&self) -> Option<At> {
        (self.anatomy.scar_mm > 0.0).then(|| self.surface(-SCAR_AT))
    }

    /// The external os.
    pub(crate) fn external_os(&self) -> At {
        At::new(0.0, 0.0).plus(At::unit(-CANAL_UP_DEGREES), self.anatomy.cervix_length_mm)
    }

    /// The middle of the bladder, when it holds urine.
    pub(crate) fn bladder_middle(&self) -> Option<At> {
        (self.anatomy.bladder_mm > 0.0).then_some(self.bladder_centre)
    }

    /// The part of the skull nearest to the os, when there is a head.
    pub(crate) fn skull_nearest(&self) -> Option<At> {
        let r = self.anatomy.head_radius_mm;
        let far = self.head_centre.length();
        (r > 0.0 && far > r).then(|| At::new(0.0, 0.0).plus(self.head_centre, 1.0 - r / far))
    }

    /// What is at `p`.
    pub(crate) fn at(&self, p: At) -> Local {
        let a = &self.anatomy;
        let side = self.placental_side();
        let (near, own) = self.on_wall(p, side);
        // Positive inside the placenta: along its own wall, or round the floor and on to the other one.
        let of = |w: OnWall| (self.thickness(side * w.s - self.edge_s) - w.depth).min(w.depth);
        let own_reaches = side * own.s >= FLOOR_RADIUS * self.half_turn;
        let placenta = if own_reaches { of(near).max(of(own)) } else { of(near) };
        let depth = if own_reaches && of(own) > of(near) { own.depth } else { near.depth };
        let bladder = self.bladder(p);
        let head = if a.head_radius_mm > 0.0 {
            At::new(p.x - self.head_centre.x, p.y - self.head_centre.y).length() - a.head_radius_mm
        } else {
            FAR
        };
        let (canal, cervix) = self.cervix(p);
        let (sinus, vessel) = (self.sinus(near), self.vessel_distance(p));
        let tissue = if near.depth > 0.0 {
            if sinus < 0.0 || vessel < 0.0 {
                Tissue::Blood
            } else if vessel < VESSEL_WALL {
                Tissue::VesselWall
            } else if placenta > 0.0 {
                if depth < CLEAR_ZONE { Tissue::ClearZone } else { Tissue::Placenta }
            } else if head < -2.5 {
                Tissue::Brain
            } else if head < 0.0 {
                Tissue::Skull
            } else {
                Tissue::Fluid
            }
        } else if bladder < 0.0 {
            Tissue::Urine
        } else if self.in_scar(near) {
            Tissue::Fluid
        } else if cervix < 0.0 {
            match canal {
                d if d < 0.45 => Tissue::Canal,
                d if d < 3.2 => Tissue::CervicalGlands,
                _ => Tissue::CervicalStroma,
            }
        } else if near.depth > -a.wall_mm {
            Tissue::Myometrium
        } else if bladder < 2.0 {
            Tissue::BladderWall
        } else {
            Tissue::Around
        };
        // A surface reflects only where it is bare: the wall under fluid, the cervix outside the cavity.
        let in_cavity = near.depth > 0.0;
        let wall = if self.covered(near) { FAR } else { near.depth };
        let surfaces = [
            wall,
            if in_cavity { placenta } else { FAR },
            bladder,
            if in_cavity { head } else { FAR },
            if in_cavity { FAR } else { cervix },
            if in_cavity { sinus } else { FAR },
        ];
        Local { tissue, surfaces }
    }

    /// Whether the surface below or above this place carries placenta.
    fn covered(&self, w: OnWall) -> bool {
        let notch = self.anatomy.scar_mm > 0.0 && (w.s + SCAR_AT).abs() < 0.6 * self.anatomy.scar_mm;
        notch || self.placental_side() * w.s > self.edge_s - self.anatomy.sinus_mm
    }

    /// Whether a place in the wall lies in the notch of the scar.
    fn in_scar(&self, w: OnWall) -> bool {
        w.depth > -self.anatomy.scar_mm && (w.s + SCAR_AT).abs() < 0.6 * (self.anatomy.scar_mm + w.depth)
    }

    /// Signed distance to the surface of the marginal sinus, mm: half an ellipse on the wall beside the edge.
    fn sinus(&self, w: OnWall) -> f64 {
        let half = 0.5 * self.anatomy.sinus_mm;
        if half <= 0.0 {
            return FAR;
        }
        let along = self.placental_side() * w.s - self.edge_s + half;
        ellipse(along, w.depth, half, 1.5 + 0.6 * half)
    }

    /// Signed distance to the inside of the vessel's wall, mm.
    fn vessel_distance(&self, p: At) -> f64 {
        self.vessel().map_or(FAR, |(middle, radius)| At::new(p.x - middle.x, p.y - middle.y).length() - radius)
    }

    /// Signed distance to the bladder's inner surface, mm, near enough for its wall.
    fn bladder(&self, p: At) -> f64 {
        let half = 0.5 * self.anatomy.bladder_mm;
        if half <= 0.0 {
            return FAR;
        }
        let q = At::new(p.x - self.bladder_centre.x, p.y - self.bladder_centre.y);
        ellipse(q.dot(self.bladder_along), q.dot(At::new(-self.bladder_along.y, self.bladder_along.x)), self.bladder_half_length, half)
    }

    /// Distance from the canal's line, and signed distance from the outside of the cervix, mm.
    fn cervix(&self, p: At) -> (f64, f64) {
        let length = self.anatomy.cervix_length_mm;
        let axis = At::unit(-CANAL_UP_DEGREES);
        let (x, y) = (p.dot(axis), p.dot(At::new(-axis.y, axis.x)));
        let share = (x / length).clamp(0.0, 1.0);
        let bowed = y + 4.0 * CANAL_BOW * share * (1.0 - share);
        let past = x - length * share;
        let canal = libm::sqrt(bowed * bowed + past * past);
        let half = self.anatomy.cervix_half_thickness_mm * (1.0 - 0.3 * share * share);
        // The end bulges past the external os by less than its sides.
        let outside = if past > 0.0 { libm::sqrt(bowed * bowed + 9.0 * past * past) } else { canal };
        (canal, outside - half)
    }
}

/// Signed distance, mm, of a place (`x`, `y`) from an ellipse with half-axes `a` and `b`: value over gradient, exact on
/// the ellipse and near enough for what lies beside it.
fn ellipse(x: f64, y: f64, a: f64, b: f64) -> f64 {
    let (u, v) = (x / a, y / b);
    let ring = libm::sqrt(u * u + v * v);
    let slope = libm::sqrt((u / a) * (u / a) + (v / b) * (v / b));
    if slope > 0.0 { (ring - 1.0) * ring / slope } else { -a.min(b) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::super::anatomy::Vessel;
    use super::*;

    fn shapes() -> Vec<(f64, Shape)> {
        let mut all = Vec::new();
        for wall in [Wall::Anterior, Wall::Posterior] {
            for d in [-25.0, -9.0, -2.0, 0.5, 5.0, 14.0, 20.0, 31.0, 45.0] {
                for thickness in [8.0, 18.0, 22.0] {
                    all.push((d, Shape::new(Anatomy { placenta_on: wall, placenta_thickness_mm: thickness, ..Anatomy::posterior(d) })));
                }
            }
        }
        all
    }

    #[test]
    fn the_edge_lies_at_the_asked_distance_on_the_surface() {
        for (d, shape) in shapes() {
            let edge = shape.edge();
            assert!((edge.length() - d.abs()).abs() < 1e-9, "{d}: {}", edge.length());
            let (near, _) = shape.on_wall(edge, 1.0);
            assert!(near.depth.abs() < 1e-9, "{d}: {} off the surface", near.depth);
            let body = shape.placental_body();
            assert!(matches!(shape.at(body).tissue, Tissue::Placenta | Tissue::ClearZone), "{d}: {:?}", shape.at(body).tissue);
        }
    }

    /// The truth must be the nearest placenta where the os is free, and the os must be under placenta where it is not.
    #[test]
    fn no_placenta_lies_nearer_to_a_free_os_and_placenta_lies_on_a_covered_one() {
        for (d, shape) in shapes() {
            let mut nearest = f64::INFINITY;
            for i in -160..160 {
                for j in -160..160 {
                    let p = At::new(f64::from(i) * 0.4, f64::from(j) * 0.4);
                    if matches!(shape.at(p).tissue, Tissue::Placenta | Tissue::ClearZone) {
                        nearest = nearest.min(p.length());
                    }
                }
            }
            if d > 0.0 {
                // The grid is 0.4 mm and the edge a point, so the nearest sample lies a little farther.
                assert!(nearest > d - 1e-9 && nearest < d + 1.0, "{d}: {nearest}");
            } else if d < -1.0 {
                assert!(nearest < 0.5, "{d}: {nearest}");
            }
        }
    }

    #[test]
    fn sinus_vessel_and_scar_lie_where_they_were_asked_for() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            let vessel = Some(Vessel { from_os_mm: 2.0, diameter_mm: 4.0 });
            let shape = Shape::new(Anatomy { placenta_on: wall, sinus_mm: 6.0, vessel, scar_mm: 4.0, ..Anatomy::posterior(20.0) });
            let end = shape.sinus_end().unwrap();
            let (near, _) = shape.on_wall(end, 1.0);
            assert!((near.s.abs() - (shape.edge_s - 6.0)).abs() < 1e-9 && near.depth.abs() < 1e-9, "{near:?}");
            let side = shape.placental_side();
            let inside = shape.surface(side * (shape.edge_s - 3.0)).plus(shape.inward(side * (shape.edge_s - 3.0)), 1.0);
            assert_eq!(shape.at(inside).tissue, Tissue::Blood, "sinus");
            let (middle, radius) = shape.vessel().unwrap();
            assert_eq!(shape.at(middle).tissue, Tissue::Blood);
            assert_eq!(shape.at(middle.plus(shape.into, radius + 0.3)).tissue, Tissue::VesselWall);
            assert!((middle.length() - 3.4).abs() < 0.2, "{}", middle.length());
            let notch = shape.scar().unwrap().plus(shape.inward(-SCAR_AT), -1.5);
            assert_eq!(shape.at(notch).tissue, Tissue::Fluid, "scar");
        }
    }

    #[test]
    fn the_layout_is_the_usual_one() {
        let shape = Shape::new(Anatomy::posterior(14.0));
        let bladder = shape.bladder_middle().unwrap();
        assert!(bladder.x < 0.0 && bladder.y < 0.0, "bladder up and to the left: {bladder:?}");
        assert!(shape.external_os().x > 30.0);
        assert!(shape.edge().y > 5.0, "posterior is down");
        assert_eq!(shape.at(bladder).tissue, Tissue::Urine);
        assert_eq!(shape.at(At::new(18.0, -3.7)).tissue, Tissue::Canal, "the canal bows between its ends");
    }
}
