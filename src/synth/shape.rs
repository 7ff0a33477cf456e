//! Where everything is: the plane of one [`Anatomy`], with the internal os at the origin.
//!
//! # Axes
//!
//! Millimetres, x right and y down as on the frame before the probe is turned: anterior and the bladder are up and to the
//! left, the cervix lies to the right, the uterine cavity opens to the left.
//!
//! The inner surface of the lower uterine segment is a round floor of radius [`FLOOR_RADIUS`], whose deepest point is the
//! middle of the internal os, and off each end a wall of radius [`WALL_RADIUS`] that goes on without a bend. A place on the
//! surface is its arc length `s` from the os, positive towards the posterior wall. The exact forms make the truth exact.

use super::anatomy::{Anatomy, Contraction, Wall};

/// Radius of the floor of the lower segment, mm.
pub(crate) const FLOOR_RADIUS: f64 = 24.0;
/// Radius of the walls, mm.
const WALL_RADIUS: f64 = 200.0;
/// Half the angle that the floor turns through, degrees.
const HALF_TURN_DEGREES: f64 = 50.0;
/// How far the middle of the cavity points down from the horizontal, degrees.
const CAVITY_DOWN_DEGREES: f64 = 30.0;
/// How far the canal rises towards the external os, degrees.
const CANAL_UP_DEGREES: f64 = 10.0;
/// How far the canal bows between its ends, mm.
const CANAL_BOW: f64 = 2.4;
/// Where along its own wall the thickness near the edge is stated, mm from the edge.
const EDGE_STATED_AT: f64 = 10.0;
/// How far the fetal surface of a placenta that lies round the end of the floor is rounded off, mm.
const ROUND_OFF: f64 = 5.0;
/// Gap between the head and what it lies against, mm.
const HEAD_GAP: f64 = 3.0;
/// Where the bladder begins, mm along the anterior wall from the os.
const BLADDER_FROM_OS: f64 = 9.0;
/// Where a caesarean scar lies, mm along the anterior wall from the os.
pub(crate) const SCAR_AT: f64 = 17.0;
/// Thickness of a vessel's wall, mm.
pub(crate) const VESSEL_WALL: f64 = 0.7;
/// Distance to a surface that is not there, mm.
pub(crate) const FAR: f64 = 99.0;

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
    pub(crate) fn minus(self, other: Self) -> Self {
        Self::new(self.x - other.x, self.y - other.y)
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

/// A place in wall coordinates, mm: along the surface, and into the cavity.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OnWall {
    pub(crate) s: f64,
    pub(crate) depth: f64,
}

/// A place in the coordinates of the cervix, mm.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OnCanal {
    /// Along the canal from the internal os.
    pub(crate) along: f64,
    /// From the canal's line; negative is anterior.
    pub(crate) across: f64,
    /// Distance from the canal's line, its ends included.
    pub(crate) from_line: f64,
    /// Signed distance from the outside of the cervix.
    pub(crate) outside: f64,
}

/// The profile of the surface: (into the cavity, along the surface's first direction) at arc length `s ≥ 0`, mm.
fn profile(s: f64) -> (f64, f64) {
    let half = HALF_TURN_DEGREES.to_radians();
    let floor = FLOOR_RADIUS * half;
    if s <= floor {
        let (sin, cos) = libm::sincos(s / FLOOR_RADIUS);
        return (FLOOR_RADIUS * (1.0 - cos), FLOOR_RADIUS * sin);
    }
    let (sin, cos) = libm::sincos(half + (s - floor) / WALL_RADIUS);
    let (into, across) = wall_centre();
    (into - WALL_RADIUS * cos, across + WALL_RADIUS * sin)
}

/// Centre of the wall's curve in the same coordinates: it lies on the other side of the cavity's middle.
fn wall_centre() -> (f64, f64) {
    let (sin, cos) = libm::sincos(HALF_TURN_DEGREES.to_radians());
    (FLOOR_RADIUS + (WALL_RADIUS - FLOOR_RADIUS) * cos, (FLOOR_RADIUS - WALL_RADIUS) * sin)
}

/// Straight distance from the os of the place on the surface at arc length `s`, mm.
pub(crate) fn chord_of_arc(s: f64) -> f64 {
    let (into, across) = profile(s);
    libm::sqrt(into * into + across * across)
}

/// Arc length whose chord from the os is `chord` mm.
pub(crate) fn arc_of_chord(chord: f64) -> f64 {
    let (mut low, mut high) = (chord, chord + 30.0);
    // The chord grows with the arc; 60 halvings of 30 mm are below the last digit.
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if chord_of_arc(mid) < chord { low = mid } else { high = mid }
    }
    0.5 * (low + high)
}

/// The plane of one anatomy.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    pub(crate) anatomy: Anatomy,
    /// Into the cavity from the os.
    into: At,
    /// Along the surface at the os, towards the posterior wall.
    posterior: At,
    /// Along the canal's chord.
    canal: At,
    /// Half the angle that the floor turns through, radians, and its arc length, mm.
    half_turn: f64,
    floor: f64,
    /// Arc length of the edge, mm from the os, positive on the placenta's own wall; that of its far end.
    edge_s: f64,
    far_s: f64,
    /// Across the edge: thickness gained a mm at the edge on the shortest way, and what a mm in this plane is of it.
    steepness: f64,
    share: f64,
    bladder_foot: f64,
    bladder_half_length: f64,
    head: Option<At>,
    /// The internal os: the origin, or where pressed walls give way to the canal. Length of both on the canal's chord, mm.
    os: At,
    drawn_canal: f64,
}

impl Shape {
    /// The plane of an anatomy whose numbers are each in range.
    pub(crate) fn new(anatomy: Anatomy) -> Self {
        let into = At::unit(180.0 - CAVITY_DOWN_DEGREES);
        let half_turn = HALF_TURN_DEGREES.to_radians();
        let t = anatomy.placenta_thickness_mm;
        let stated = (anatomy.edge_thickness_mm / t).min(0.999);
        let mut shape = Self {
            anatomy,
            into,
            posterior: At::new(into.y, -into.x),
            canal: At::unit(-CANAL_UP_DEGREES),
            half_turn,
            floor: FLOOR_RADIUS * half_turn,
            edge_s: arc_of_chord(anatomy.edge_to_os_mm.abs()) * anatomy.edge_to_os_mm.signum(),
            far_s: anatomy.far_edge_mm.map_or(f64::INFINITY, arc_of_chord),
            // The thickness is t tanh(k s / t) at s mm from the edge; the inverse of tanh by logarithms.
            steepness: 0.5 * (libm::log1p(stated) - libm::log1p(-stated)) * t / EDGE_STATED_AT,
            share: libm::cos(anatomy.off_axis_degrees.to_radians()),
            bladder_foot: 0.0,
            bladder_half_length: 9.0 + 0.55 * anatomy.bladder_mm,
            head: None,
            os: At::new(0.0, 0.0),
            drawn_canal: anatomy.apposed_mm + anatomy.cervix_length_mm,
        };
        if anatomy.apposed_mm > 0.0 {
            shape.os = shape.canal_line(anatomy.apposed_mm);
            shape.edge_s = shape.arc_seen_from_os(anatomy.edge_to_os_mm);
        }
        // The bladder lies on the anterior wall, a little way off the cervix.
        shape.bladder_foot = BLADDER_FROM_OS + shape.bladder_half_length;
        shape.head = shape.place_head();
        shape
    }

    /// The internal os.
    pub(crate) const fn os(&self) -> At {
        self.os
    }

    /// Arc length on the placenta's wall of the place that lies `distance` mm from an os below the floor; not positive when
    /// even the floor's deepest point is farther away.
    fn arc_seen_from_os(&self, distance: f64) -> f64 {
        let far = |s: f64| self.surface(self.placental_side() * s).minus(self.os).length();
        let (mut low, mut high) = (0.0, 60.0);
        // From an os below the floor the distance grows with the arc.
        for _ in 0..60 {
            let mid = 0.5 * (low + high);
            if far(mid) < distance { low = mid } else { high = mid }
        }
        0.5 * (low + high)
    }

    /// Centre of the head, where there is one: it rests off the placenta on one wall and off the other wall. Absent too
    /// when it does not fit.
    pub(crate) const fn head(&self) -> Option<At> {
        self.head
    }

    fn place_head(&self) -> Option<At> {
        let r = self.anatomy.head_radius_mm;
        if r <= 0.0 {
            return None;
        }
        let thick = |on: Wall| {
            let own = on == self.anatomy.placenta_on;
            let bulge = self.anatomy.contraction.filter(|c| c.on == on).map_or(0.0, |c| c.height_mm);
            HEAD_GAP + if own { self.anatomy.placenta_thickness_mm.max(bulge) } else { bulge }
        };
        // Where circles about the two walls' centres meet, on the side of the os.
        let (into, across) = wall_centre();
        let anterior = WALL_RADIUS - (r + thick(Wall::Anterior));
        let posterior = WALL_RADIUS - (r + thick(Wall::Posterior));
        // The anterior wall's centre lies at −across, that is on the posterior side.
        let y = (anterior * anterior - posterior * posterior) / (4.0 * across);
        let square = posterior * posterior - (y - across) * (y - across);
        if anterior <= 0.0 || posterior <= 0.0 || square <= 0.0 {
            return None;
        }
        let x = (into - libm::sqrt(square)).max(r + HEAD_GAP + 1.0);
        Some(At::new(0.0, 0.0).plus(self.into, x).plus(self.posterior, y))
    }

    /// The place on the surface at arc length `s` (positive posterior).
    pub(crate) fn surface(&self, s: f64) -> At {
        let (into, across) = profile(s.abs());
        At::new(0.0, 0.0).plus(self.into, into).plus(self.posterior, s.signum() * across)
    }

    /// Unit normal of the surface at arc length `s`, into the cavity.
    pub(crate) fn inward(&self, s: f64) -> At {
        let turn = if s.abs() <= self.floor { s.abs() / FLOOR_RADIUS } else { self.half_turn + (s.abs() - self.floor) / WALL_RADIUS };
        let (sin, cos) = libm::sincos(turn);
        At::new(0.0, 0.0).plus(self.into, cos).plus(self.posterior, -s.signum() * sin)
    }

    /// Wall coordinates of a place from the nearest part of the surface; and from the wall of the placenta's own side alone.
    pub(crate) fn on_wall(&self, p: At) -> (OnWall, OnWall) {
        let (x, y) = (p.dot(self.into), p.dot(self.posterior));
        let (into, across) = wall_centre();
        let wall = |side: f64| {
            let (u, v) = (into - x, side * y - across);
            let turn = libm::atan2(v, u);
            OnWall { s: side * (self.floor + WALL_RADIUS * (turn - self.half_turn)), depth: WALL_RADIUS - libm::sqrt(u * u + v * v) }
        };
        let own = wall(self.placental_side());
        let (u, v) = (FLOOR_RADIUS - x, y);
        let turn = libm::atan2(v, u);
        let near = if turn.abs() <= self.half_turn {
            OnWall { s: FLOOR_RADIUS * turn, depth: FLOOR_RADIUS - libm::sqrt(u * u + v * v) }
        } else if (y < 0.0) == (self.placental_side() < 0.0) {
            own
        } else {
            wall(-self.placental_side())
        };
        (near, own)
    }

    /// How deep in the cavity a place lies, mm; negative in the wall.
    pub(crate) fn depth(&self, p: At) -> f64 {
        self.on_wall(p).0.depth
    }

    /// +1 when the placenta is on the posterior wall, −1 when on the anterior.
    pub(crate) const fn placental_side(&self) -> f64 {
        match self.anatomy.placenta_on {
            Wall::Anterior => -1.0,
            Wall::Posterior => 1.0,
        }
    }

    /// Thickness gained a mm at the placenta's edge, on the shortest way.
    pub(crate) const fn edge_steepness(&self) -> f64 {
        self.steepness
    }

    /// Arc length of the placental edge, mm, positive on its own wall.
    pub(crate) const fn edge_arc(&self) -> f64 {
        self.edge_s
    }

    /// Thickness of the placenta `s` mm along its wall from the os; negative where there is none. On the floor, where the
    /// wall curves, what lies `depth` mm above it is nearer together, and so gains thickness more slowly.
    pub(crate) fn thickness(&self, s: f64, depth: f64) -> f64 {
        let t = self.anatomy.placenta_thickness_mm;
        let drawn_together = (depth / FLOOR_RADIUS).clamp(0.0, 0.9);
        let between =
            |from: f64, to: f64| (to - from) - drawn_together * (to.clamp(-self.floor, self.floor) - from.clamp(-self.floor, self.floor));
        let beyond = self.share * between(self.edge_s, s).min(between(s, self.far_s));
        t * libm::tanh(self.steepness * beyond / t)
    }

    /// Signed distance into the placenta, mm, near enough for its wall; exact where it is zero. The place is given in both
    /// wall coordinates of [`Self::on_wall`].
    pub(crate) fn placenta(&self, near: OnWall, own: OnWall) -> f64 {
        let side = self.placental_side();
        let of = |w: OnWall| self.thickness(side * w.s, w.depth) - w.depth;
        let mut inside = of(near);
        if side * own.s >= self.floor {
            // Round the end of the floor both coordinates count. They are joined smoothly but at the wall, where the edge is.
            let (other, soft) = (of(own), ROUND_OFF.min(0.4 * near.depth));
            let apart = (inside - other).abs();
            let joined = if apart < soft { 0.25 * (soft - apart) * (soft - apart) / soft } else { 0.0 };
            inside = inside.max(other) + joined;
        }
        inside.min(near.depth)
    }

    /// The leading placental edge, on the surface.
    pub(crate) fn edge(&self) -> At {
        self.surface(self.placental_side() * self.edge_s)
    }

    /// The far end of a placenta that has one, on the surface.
    pub(crate) fn far_edge(&self) -> Option<At> {
        self.far_s.is_finite().then(|| self.surface(self.placental_side() * self.far_s))
    }

    /// A place inside the placenta, 9 mm from its edge along the wall and half-way through.
    pub(crate) fn placental_body(&self) -> At {
        let from_edge = if self.far_s.is_finite() { (0.4 * (self.far_s - self.edge_s)).min(9.0) } else { 9.0 };
        let s = self.edge_s + from_edge;
        let at = self.placental_side() * s;
        self.surface(at).plus(self.inward(at), 0.5 * self.thickness(s, 0.0))
    }

    /// The lips of the internal os, anterior first, on the surface or, where walls are pressed together, across the canal.
    pub(crate) fn internal_os_lips(&self) -> [At; 2] {
        if self.anatomy.apposed_mm > 0.0 {
            let across = At::new(-self.canal.y, self.canal.x);
            return [-0.5, 0.5].map(|share| self.os.plus(across, share * self.anatomy.os_width_mm));
        }
        let s = arc_of_chord(0.5 * self.anatomy.os_patch_mm());
        [self.surface(-s), self.surface(s)]
    }

    /// The external os.
    pub(crate) fn external_os(&self) -> At {
        At::new(0.0, 0.0).plus(self.canal, self.drawn_canal)
    }

    /// The lips of the external os, anterior first.
    pub(crate) fn external_os_lips(&self) -> [At; 2] {
        let across = At::new(-self.canal.y, self.canal.x);
        [-1.0, 1.0].map(|side| self.external_os().plus(across, side * 1.5))
    }

    /// The tip of the funnel, on the canal's line.
    pub(crate) fn funnel_tip(&self) -> Option<At> {
        self.anatomy.funnel.map(|f| self.canal_line(f.depth_mm))
    }

    /// Length of the canal with what is pressed together above it, on its chord, mm.
    pub(crate) const fn drawn_canal(&self) -> f64 {
        self.drawn_canal
    }

    /// Length of the canal's line from `along` to its end, mm.
    pub(crate) fn canal_length_from(&self, along: f64) -> f64 {
        let length = self.drawn_canal;
        let steps = 64;
        let at = |k: u32| self.canal_line(along + (length - along) * f64::from(k) / f64::from(steps));
        (0..steps).map(|k| at(k + 1).minus(at(k)).length()).sum()
    }

    /// The place on the canal's line `along` mm down its chord.
    fn canal_line(&self, along: f64) -> At {
        let across = At::new(-self.canal.y, self.canal.x);
        At::new(0.0, 0.0).plus(self.canal, along).plus(across, -self.canal_bow(along))
    }

    fn canal_bow(&self, along: f64) -> f64 {
        let share = (along / self.drawn_canal).clamp(0.0, 1.0);
        4.0 * CANAL_BOW * share * (1.0 - share)
    }

    /// The coordinates of the cervix.
    pub(crate) fn on_canal(&self, p: At) -> OnCanal {
        let length = self.drawn_canal;
        let (x, y) = (p.dot(self.canal), p.dot(At::new(-self.canal.y, self.canal.x)));
        let across = y + self.canal_bow(x);
        let past = x - x.clamp(0.0, length);
        // Barrel-shaped, with a rounded end a little beyond the external os.
        let u = (x - 0.3 * length) / (0.8 * length);
        let half = self.anatomy.cervix_half_thickness_mm * (1.0 - u * u * u * u);
        let slope = self.anatomy.cervix_half_thickness_mm * 4.0 * u * u * u / (0.8 * length);
        OnCanal {
            along: x,
            across,
            from_line: libm::sqrt(across * across + past * past),
            outside: (across.abs() - half) / libm::sqrt(1.0 + slope * slope),
        }
    }

    /// Half the width of the open os or funnel `along` mm down the canal, mm; negative beyond its tip.
    pub(crate) fn notch(&self, along: f64) -> f64 {
        let (depth, width) =
            self.anatomy.funnel.map_or((0.5 * self.anatomy.os_width_mm, self.anatomy.os_width_mm), |f| (f.depth_mm, f.width_mm));
        let share = (along / depth).max(0.0);
        0.5 * width * (1.0 - libm::sqrt(share) * share)
    }

    /// The end of the marginal sinus away from the placenta, on the surface.
    pub(crate) fn sinus_end(&self) -> Option<At> {
        (self.anatomy.sinus_mm > 0.0).then(|| self.surface(self.placental_side() * (self.edge_s - self.anatomy.sinus_mm)))
    }

    /// Signed distance to the surface of the marginal sinus, mm: half an ellipse on the wall beside the edge.
    pub(crate) fn sinus(&self, w: OnWall) -> f64 {
        let half = 0.5 * self.anatomy.sinus_mm;
        if half <= 0.0 {
            return FAR;
        }
        let along = self.placental_side() * w.s - self.edge_s + half;
        ellipse(along, w.depth, half, 1.5 + 0.6 * half)
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

    /// Arc length of the middle of a contraction (positive posterior).
    pub(crate) fn contraction_arc(c: &Contraction) -> f64 {
        match c.on {
            Wall::Anterior => -c.from_os_mm,
            Wall::Posterior => c.from_os_mm,
        }
    }

    /// The top of a contraction.
    pub(crate) fn contraction_top(&self) -> Option<At> {
        self.anatomy.contraction.map(|c| {
            let s = Self::contraction_arc(&c);
            self.surface(s).plus(self.inward(s), c.height_mm)
        })
    }

    /// How far a contraction lifts the surface at arc length `s`, mm.
    pub(crate) fn bulge(&self, s: f64) -> f64 {
        self.anatomy.contraction.map_or(0.0, |c| {
            let share = (s - Self::contraction_arc(&c)).abs() / c.half_length_mm;
            if share < 1.0 { c.height_mm * (1.0 - share * share) * (1.0 - share * share * share * share) } else { 0.0 }
        })
    }

    /// The middle of the bladder, when it holds urine.
    pub(crate) fn bladder_middle(&self) -> Option<At> {
        (self.anatomy.bladder_mm > 0.0)
            .then(|| self.surface(-self.bladder_foot).plus(self.inward(-self.bladder_foot), self.bladder_depth()))
    }

    /// Depth of the bladder's middle in wall coordinates, mm.
    const fn bladder_depth(&self) -> f64 {
        -(self.anatomy.wall_mm + 2.4 + 0.5 * self.anatomy.bladder_mm)
    }

    /// Signed distance to the bladder's inner surface, mm, near enough for its wall.
    pub(crate) fn bladder(&self, p: At) -> f64 {
        let half = 0.5 * self.anatomy.bladder_mm;
        if half <= 0.0 {
            return FAR;
        }
        let w = self.on_wall(p).0;
        if w.s > 0.0 {
            return FAR;
        }
        // Narrow towards the cervix, wide away from it.
        let along = -w.s - self.bladder_foot;
        let wide = 1.0 + 0.3 * (along / self.bladder_half_length).clamp(-1.0, 1.0);
        ellipse(along, (w.depth - self.bladder_depth()) / wide, self.bladder_half_length, half)
    }

    /// Signed distance to the outside of the skull, mm.
    pub(crate) fn skull(&self, p: At) -> f64 {
        self.head.map_or(FAR, |centre| p.minus(centre).length() - self.anatomy.head_radius_mm)
    }

    /// The part of the skull nearest to the os, when there is a head.
    pub(crate) fn skull_nearest(&self) -> Option<At> {
        let centre = self.head?;
        let (r, far) = (self.anatomy.head_radius_mm, centre.length());
        (far > r).then(|| At::new(0.0, 0.0).plus(centre, 1.0 - r / far))
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

    use super::*;

    #[test]
    fn the_edge_lies_at_the_asked_distance_on_the_surface() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            for d in [-25.0, -9.0, -2.0, 0.0, 0.5, 5.0, 14.0, 20.0, 31.0, 45.0] {
                let shape = Shape::new(Anatomy { placenta_on: wall, ..Anatomy::posterior(d) });
                assert!((shape.edge().length() - d.abs()).abs() < 1e-9, "{d}: {}", shape.edge().length());
                let (near, _) = shape.on_wall(shape.edge());
                assert!(near.depth.abs() < 1e-9, "{d}: {} off the surface", near.depth);
                // The placenta begins there: none just before it along the wall, some just after.
                let at = |s: f64| {
                    let s = shape.placental_side() * s;
                    let (near, own) = shape.on_wall(shape.surface(s).plus(shape.inward(s), 1e-4));
                    shape.placenta(near, own)
                };
                assert!(at(shape.edge_arc() - 0.01) < 0.0 && at(shape.edge_arc() + 0.01) > 0.0, "{wall:?} {d}");
            }
        }
    }

    #[test]
    fn ways_to_and_from_the_wall_are_each_others_inverse() {
        let shape = Shape::new(Anatomy::posterior(14.0));
        for s in [-60.0, -30.0, -21.0, -20.0, -3.0, 0.5, 12.0, 20.9, 21.0, 33.0, 55.0] {
            for depth in [-8.0, -0.5, 0.0, 3.0, 15.0] {
                let (near, _) = shape.on_wall(shape.surface(s).plus(shape.inward(s), depth));
                assert!((near.s - s).abs() < 1e-9 && (near.depth - depth).abs() < 1e-9, "{s}, {depth}: {near:?}");
            }
        }
        for chord in [0.1, 5.0, 20.0, 44.0] {
            assert!((chord_of_arc(arc_of_chord(chord)) - chord).abs() < 1e-9);
        }
    }

    #[test]
    fn the_thickness_near_the_edge_is_the_one_asked_for() {
        for (t, near) in [(18.0, 7.5), (18.0, 12.0), (14.0, 3.5), (22.0, 16.0)] {
            let shape = Shape::new(Anatomy { placenta_thickness_mm: t, edge_thickness_mm: near, ..Anatomy::posterior(-5.0) });
            assert!((shape.thickness(shape.edge_arc() + 10.0, 0.0) - near).abs() < 1e-9);
            assert!((shape.thickness(shape.edge_arc() + 90.0, 0.0) - t).abs() < 0.05 * t);
        }
        // Off the shortest way the edge is met aslant, and looks thinner.
        let aslant = Shape::new(Anatomy { off_axis_degrees: 60.0, ..Anatomy::posterior(14.0) });
        assert!((aslant.thickness(aslant.edge_arc() + 20.0, 0.0) - 7.5).abs() < 1e-9, "20 mm in the plane are 10 mm from the edge");
    }

    #[test]
    fn the_head_lies_in_the_cavity_clear_of_what_is_there() {
        for radius in [15.0, 30.0, 45.0] {
            for wall in [Wall::Anterior, Wall::Posterior] {
                let shape = Shape::new(Anatomy { head_radius_mm: radius, placenta_on: wall, ..Anatomy::posterior(8.0) });
                let centre = shape.head().unwrap();
                for k in 0..360 {
                    let (near, own) = shape.on_wall(centre.plus(At::unit(f64::from(k)), radius));
                    assert!(near.depth > 1.0 && shape.placenta(near, own) < 0.0, "{radius} {wall:?} at {k}°: {near:?}");
                }
            }
        }
    }

    #[test]
    fn the_layout_is_the_usual_one() {
        let shape = Shape::new(Anatomy::posterior(14.0));
        let bladder = shape.bladder_middle().unwrap();
        assert!(bladder.x < 0.0 && bladder.y < 0.0, "bladder up and to the left: {bladder:?}");
        assert!(shape.bladder(bladder) < -3.0);
        assert!(shape.external_os().x > 30.0);
        assert!(shape.edge().y > 5.0, "posterior is down");
        let anterior = Shape::new(Anatomy::anterior(14.0));
        assert!(anterior.edge().y < -5.0 && anterior.edge().x < -3.0, "{:?}", anterior.edge());
    }
}
