//! What is at each place of a plane: tissue, unevenness, and the surfaces that reflect.
//!
//! Levels were chosen by eye against textbook descriptions; see `docs/SYNTHETIC.md`.

use super::shape::{At, FAR, OnCanal, OnWall, SCAR_AT, Shape, VESSEL_WALL};
use super::texture::Texture;

/// Number of surfaces that may reflect at a place.
pub(crate) const SURFACES: usize = 7;
/// Thickness of the dark zone between placenta and wall, mm.
const CLEAR_ZONE: f64 = 2.5;
/// Thickness of the skull, mm.
const SKULL: f64 = 2.2;
/// Thickness of the scalp, mm.
const SCALP: f64 = 2.5;
/// Thickness of the bladder's wall, mm.
const BLADDER_WALL: f64 = 2.4;
/// Half the thickness of the canal's line, mm.
const CANAL_LINE: f64 = 0.45;
/// Over how much of its edge the cervix becomes wall, mm.
const MERGES_OVER: f64 = 9.0;
/// From the uterus back to the rectum's wall, its thickness and that of its lining, mm.
const RECTUM: [f64; 3] = [7.0, 3.0, 1.2];

/// What is at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tissue {
    Around,
    Myometrium,
    CervicalStroma,
    CervicalGlands,
    Canal,
    Placenta,
    Lake,
    ClearZone,
    Fluid,
    Urine,
    BladderWall,
    Skull,
    Scalp,
    Brain,
    Midline,
    Blood,
    VesselWall,
    RectalWall,
    RectalLining,
    Bowel,
}

impl Tissue {
    /// Mean echo (dB below full white) and loss (dB per mm there and back).
    pub(crate) const fn echo_and_loss(self) -> (f64, f64) {
        match self {
            Self::Around => (-38.0, 0.28),
            Self::Myometrium => (-37.0, 0.28),
            Self::CervicalStroma => (-30.5, 0.28),
            Self::CervicalGlands => (-47.0, 0.28),
            Self::Canal => (-15.0, 0.28),
            Self::Placenta => (-23.0, 0.28),
            Self::Lake => (-44.0, 0.22),
            Self::ClearZone => (-51.0, 0.24),
            Self::Fluid | Self::Urine => (-88.0, 0.14),
            Self::BladderWall => (-30.0, 0.28),
            Self::Skull => (-15.0, 8.0),
            Self::Scalp => (-27.0, 0.3),
            Self::Brain => (-42.0, 0.28),
            Self::Midline => (-26.0, 0.3),
            Self::Blood => (-62.0, 0.20),
            Self::VesselWall => (-23.0, 0.28),
            Self::RectalWall => (-46.0, 0.28),
            Self::RectalLining => (-25.0, 0.5),
            Self::Bowel => (-36.0, 0.6),
        }
    }
}

/// Reflection of each surface where it faces the beam, dB below full white: the wall of the cavity, the fetal surface of the
/// placenta, the bladder, the skull, the outside of the uterus, a sinus, a vessel.
pub(crate) const SURFACE_DB: [f64; SURFACES] = [-20.0, -17.0, -15.0, -10.0, -23.0, -20.0, -20.0];

/// Everything the picture needs to know of one place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Local {
    pub(crate) tissue: Tissue,
    /// What the place echoes more than its tissue's mean, dB.
    pub(crate) uneven_db: f64,
    /// Signed distances to the surfaces that reflect, mm, in the order of [`SURFACE_DB`].
    pub(crate) surfaces: [f64; SURFACES],
}

/// The plane of one anatomy with its unevenness.
pub(crate) struct Plane {
    pub(crate) shape: Shape,
    texture: Texture,
}

impl Plane {
    pub(crate) const fn new(shape: Shape, texture: Texture) -> Self {
        Self { shape, texture }
    }

    /// What is at `p`.
    pub(crate) fn at(&self, p: At) -> Local {
        let shape = &self.shape;
        let (near, own) = shape.on_wall(p);
        let bulge = shape.bulge(near.s);
        // Distance to the bare surface: a contraction lifts it.
        let wall = near.depth - bulge;
        if near.depth > 0.0 { self.in_cavity(p, near, own, wall) } else { self.outside_cavity(p, near, wall) }
    }

    fn in_cavity(&self, p: At, near: OnWall, own: OnWall, wall: f64) -> Local {
        let shape = &self.shape;
        let placenta = shape.placenta(near, own);
        let skull = shape.skull(p);
        let sinus = shape.sinus(near);
        let vessel = shape.vessel().map_or(FAR, |(middle, radius)| p.minus(middle).length() - radius);
        let tissue = if sinus < 0.0 || vessel < 0.0 {
            Tissue::Blood
        } else if vessel < VESSEL_WALL {
            Tissue::VesselWall
        } else if wall < 0.0 {
            Tissue::Myometrium
        } else if placenta > 0.0 {
            self.placental_tissue(p, near, own, placenta)
        } else if skull < -SKULL {
            let centre = shape.head().unwrap_or(p);
            // The midline of the head, a little askew.
            let q = p.minus(centre);
            if (q.y + 0.25 * q.x).abs() < 0.8 { Tissue::Midline } else { Tissue::Brain }
        } else if skull < 0.0 {
            Tissue::Skull
        } else if skull < SCALP {
            Tissue::Scalp
        } else {
            Tissue::Fluid
        };
        let uneven_db = match tissue {
            // Echoes of the tissue before it linger in the fluid next to it.
            Tissue::Fluid => 31.0 * libm::exp(-0.45 * wall.min(-placenta).max(0.0)),
            _ => self.uneven(tissue, p, near),
        };
        let bare = if shape.placental_side() * near.s > shape.edge_arc() - shape.anatomy.sinus_mm && placenta > -4.0 { FAR } else { wall };
        let notch = self.in_scar(near) || self.over_notch(p, near);
        Local { tissue, uneven_db, surfaces: [if notch { FAR } else { bare }, placenta, FAR, skull, FAR, sinus, vessel - VESSEL_WALL] }
    }

    fn placental_tissue(&self, p: At, near: OnWall, own: OnWall, placenta: f64) -> Tissue {
        // Depth over the wall that this part of the placenta lies on.
        let depth = if own.depth > 0.0 && self.shape.placental_side() * own.s > 0.0 { near.depth.min(own.depth) } else { near.depth };
        if depth < CLEAR_ZONE {
            return Tissue::ClearZone;
        }
        // Small lakes, away from the edge and from both plates.
        let deep = placenta > 3.0 && depth > 4.0;
        if deep && self.texture.at(p.x / 4.2 + 37.0, p.y / 3.0) > 0.72 { Tissue::Lake } else { Tissue::Placenta }
    }

    fn outside_cavity(&self, p: At, near: OnWall, wall: f64) -> Local {
        let shape = &self.shape;
        let bladder = shape.bladder(p);
        let cervix = shape.on_canal(p);
        // The outside of the wall and of the cervix run into each other.
        let serosa = -near.depth - shape.anatomy.wall_mm;
        let outside = smooth_min(serosa, cervix.outside.max(-cervix.along - 6.0), MERGES_OVER);
        let mut uneven_db = 0.0;
        let tissue = if bladder < 0.0 {
            uneven_db = 31.0 * libm::exp(0.5 * bladder);
            Tissue::Urine
        } else if outside < 0.0 {
            if self.in_scar(near) || self.in_notch(&cervix) {
                Tissue::Fluid
            } else {
                let (tissue, uneven) = self.in_uterus(&cervix, p, near);
                uneven_db = uneven;
                tissue
            }
        } else if bladder < BLADDER_WALL {
            Tissue::BladderWall
        } else {
            self.behind(p, smooth_min(serosa, cervix.across - 0.9 * shape.anatomy.cervix_half_thickness_mm, MERGES_OVER))
        };
        if !matches!(tissue, Tissue::Urine | Tissue::Fluid) && uneven_db == 0.0 {
            uneven_db = self.uneven(tissue, p, near);
        }
        let bare = if self.covered(near) || self.in_scar(near) || self.near_notch(&cervix) { FAR } else { wall };
        Local { tissue, uneven_db, surfaces: [bare, FAR, bladder, FAR, outside, FAR, FAR] }
    }

    /// Wall and cervix: the lining of the canal, its line, and the stroma that becomes wall towards the outside.
    fn in_uterus(&self, cervix: &OnCanal, p: At, near: OnWall) -> (Tissue, f64) {
        let (length, apposed) = (self.shape.drawn_canal(), self.shape.anatomy.apposed_mm);
        let share = (cervix.along / length).clamp(0.0, 1.0);
        let wave = 0.5 * self.texture.at(cervix.along / 6.0, 91.0) * 4.0 * share * (1.0 - share);
        let from_line = if (0.0..=length).contains(&cervix.along) { (cervix.across - wave).abs() } else { cervix.from_line };
        let down = ((cervix.along - apposed) / (length - apposed)).clamp(0.0, 1.0);
        let lining = 1.3 + 1.9 * libm::sqrt(down * (1.0 - down)) * 2.0;
        let tip = self.shape.anatomy.funnel.map_or(0.0, |f| f.depth_mm);
        if cervix.along > 0.0 && cervix.along < apposed {
            // Walls pressed together: a thin line between muscle, without the lining of a canal.
            let line = from_line < 0.6 * CANAL_LINE;
            return if line { (Tissue::Canal, -6.0) } else { (Tissue::Myometrium, self.uneven(Tissue::Myometrium, p, near)) };
        }
        if from_line < CANAL_LINE + 0.15 * (cervix.along - length + 4.0).max(0.0) && cervix.along > tip && cervix.along < length + 1.0 {
            return (Tissue::Canal, 2.0 * self.texture.at(cervix.along / 3.0, 5.0));
        }
        if from_line < lining && cervix.along < length && cervix.outside < 0.0 {
            return (Tissue::CervicalGlands, self.uneven(Tissue::CervicalGlands, p, near));
        }
        if cervix.outside < 0.0 && cervix.along > 0.0 {
            // Stroma becomes wall towards its outside and towards the cavity.
            let rim = ((cervix.outside + 4.5) / 4.5).clamp(0.0, 1.0).max(1.0 - (cervix.along - apposed) / 7.0);
            let (stroma, wall) = (Tissue::CervicalStroma.echo_and_loss().0, Tissue::Myometrium.echo_and_loss().0);
            let fibres = 2.4 * self.texture.at(cervix.along / 9.0, cervix.across / 1.8) + 1.6 * self.texture.at(p.x / 7.0, p.y / 7.0);
            return (Tissue::CervicalStroma, (wall - stroma) * rim * rim * (3.0 - 2.0 * rim) + fibres);
        }
        (Tissue::Myometrium, self.uneven(Tissue::Myometrium, p, near))
    }

    /// What lies outside the uterus: behind it the wall of the rectum, elsewhere connective tissue in layers.
    fn behind(&self, p: At, outside: f64) -> Tissue {
        let [from, wall, lining] = RECTUM;
        let posterior = self.shape.on_canal(p).across > 0.0;
        let from = from + 1.5 * self.texture.at(p.x / 14.0, 63.0);
        if !posterior || outside < from {
            Tissue::Around
        } else if outside < from + wall {
            Tissue::RectalWall
        } else if outside < from + wall + lining {
            Tissue::RectalLining
        } else {
            Tissue::Bowel
        }
    }

    /// Slow unevenness of a tissue, so that no region is one flat grey, dB.
    fn uneven(&self, tissue: Tissue, p: At, w: OnWall) -> f64 {
        let t = &self.texture;
        match tissue {
            // Layers of fat and muscle.
            Tissue::Around => 5.0 * t.at(p.x / 11.0, p.y / 2.2) + 4.0 * t.at(p.x / 8.0 + 11.0, p.y / 6.0),
            Tissue::Bowel => 6.0 * t.at(p.x / 5.0, p.y / 3.0),
            // Bundles along the wall.
            Tissue::Myometrium => 3.0 * t.at(w.s / 8.0, w.depth / 1.4) + 2.0 * t.at(p.x / 7.0, p.y / 7.0),
            Tissue::Placenta => 1.3 * t.at(p.x / 5.0, p.y / 5.0) + 1.0 * t.at(p.x / 2.2, p.y / 2.2),
            Tissue::Brain => 5.0 * t.at(p.x / 6.0, p.y / 4.0),
            _ => 1.5 * t.at(p.x / 5.0, p.y / 5.0),
        }
    }

    /// Whether the surface below or above this place carries placenta.
    fn covered(&self, w: OnWall) -> bool {
        let s = self.shape.placental_side() * w.s;
        s > self.shape.edge_arc() - self.shape.anatomy.sinus_mm && self.shape.thickness(s, 0.0) > -self.shape.anatomy.sinus_mm
    }

    /// Whether a place in the wall lies in the notch of the scar.
    fn in_scar(&self, w: OnWall) -> bool {
        let deep = self.shape.anatomy.scar_mm;
        deep > 0.0 && w.depth > -deep && (w.s + SCAR_AT).abs() < 0.7 * (deep + w.depth.min(0.0))
    }

    /// Whether the os is open here: not under a placenta, which lies on it.
    fn in_notch(&self, cervix: &OnCanal) -> bool {
        self.shape.edge_arc() > 0.0 && cervix.along > -2.0 && cervix.across.abs() < self.shape.notch(cervix.along)
    }

    fn near_notch(&self, cervix: &OnCanal) -> bool {
        self.shape.edge_arc() > 0.0 && cervix.along > -2.0 && cervix.across.abs() < self.shape.notch(cervix.along) + 0.3
    }

    fn over_notch(&self, p: At, near: OnWall) -> bool {
        near.depth < 1.5 && self.near_notch(&self.shape.on_canal(p))
    }
}

/// The smaller of two distances, with the corner between them rounded over `soft` mm.
fn smooth_min(a: f64, b: f64, soft: f64) -> f64 {
    let apart = (a - b).abs();
    a.min(b) - if apart < soft { 0.25 * (soft - apart) * (soft - apart) / soft } else { 0.0 }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::super::anatomy::{Anatomy, Contraction, Funnel, Vessel, Wall};
    use super::*;

    fn plane(anatomy: Anatomy) -> Plane {
        anatomy.validate().unwrap();
        Plane::new(Shape::new(anatomy), Texture::new(1))
    }

    const fn is_placenta(t: Tissue) -> bool {
        matches!(t, Tissue::Placenta | Tissue::Lake | Tissue::ClearZone)
    }

    /// The truth must be the nearest placenta where the os is free, and the os must be under placenta where it is not.
    #[test]
    fn no_placenta_lies_nearer_to_a_free_os_and_placenta_lies_on_a_covered_one() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            for d in [-25.0, -9.0, -3.0, 0.5, 5.0, 14.0, 20.0, 31.0, 45.0] {
                for (thickness, edge) in [(8.0, 2.5), (18.0, 7.5), (18.0, 12.0), (22.0, 12.5), (22.0, 6.0)] {
                    let anatomy = Anatomy {
                        placenta_on: wall,
                        placenta_thickness_mm: thickness,
                        edge_thickness_mm: edge,
                        head_radius_mm: 0.0,
                        os_width_mm: 1.0,
                        ..Anatomy::posterior(d)
                    };
                    let plane = plane(anatomy);
                    assert!(is_placenta(plane.at(plane.shape.placental_body()).tissue), "{d}");
                    let mut nearest = f64::INFINITY;
                    for i in -120..120 {
                        for j in -120..120 {
                            let p = At::new(f64::from(i) * 0.5, f64::from(j) * 0.5);
                            if p.length() < nearest && is_placenta(plane.at(p).tissue) {
                                nearest = p.length();
                            }
                        }
                    }
                    if d > 0.0 {
                        // The grid is 0.5 mm and the edge a point, so the nearest sample lies a little farther.
                        assert!(nearest > d - 1e-9 && nearest < d + 2.5, "{wall:?} {d} {thickness} {edge}: {nearest}");
                    } else {
                        assert!(nearest < 0.6, "{wall:?} {d}: {nearest}");
                    }
                }
            }
        }
    }

    #[test]
    fn sinus_vessel_scar_and_contraction_lie_where_they_were_asked_for() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            let vessel = Some(Vessel { from_os_mm: 2.0, diameter_mm: 4.0 });
            let scar_mm = if wall == Wall::Posterior { 4.0 } else { 0.0 };
            let plane = plane(Anatomy { placenta_on: wall, sinus_mm: 6.0, vessel, scar_mm, ..Anatomy::posterior(20.0) });
            let shape = &plane.shape;
            let (near, _) = shape.on_wall(shape.sinus_end().unwrap());
            assert!((near.s.abs() - (shape.edge_arc() - 6.0)).abs() < 1e-9 && near.depth.abs() < 1e-9, "{near:?}");
            let s = shape.placental_side() * (shape.edge_arc() - 3.0);
            assert_eq!(plane.at(shape.surface(s).plus(shape.inward(s), 1.0)).tissue, Tissue::Blood, "sinus");
            let (middle, radius) = shape.vessel().unwrap();
            assert_eq!(plane.at(middle).tissue, Tissue::Blood);
            assert_eq!(plane.at(middle.plus(shape.inward(0.0), radius + 0.3)).tissue, Tissue::VesselWall);
            assert!((middle.length() - 3.4).abs() < 0.2, "{}", middle.length());
            if scar_mm > 0.0 {
                let notch = shape.scar().unwrap().plus(shape.inward(-SCAR_AT), -1.5);
                assert_eq!(plane.at(notch).tissue, Tissue::Fluid, "scar");
            }
        }
        let contraction = Some(Contraction { on: Wall::Anterior, from_os_mm: 25.0, half_length_mm: 18.0, height_mm: 12.0 });
        let plane = plane(Anatomy { contraction, head_radius_mm: 20.0, ..Anatomy::posterior(20.0) });
        let top = plane.shape.contraction_top().unwrap();
        let inward = plane.shape.inward(-25.0);
        assert_eq!(plane.at(top.plus(inward, -0.2)).tissue, Tissue::Myometrium);
        assert_eq!(plane.at(top.plus(inward, 0.2)).tissue, Tissue::Fluid);
        assert_eq!(plane.at(plane.shape.surface(-44.0).plus(plane.shape.inward(-44.0), 0.5)).tissue, Tissue::Fluid, "beyond its end");
    }

    #[test]
    fn the_os_is_an_open_notch_a_funnel_opens_the_canal_and_a_placenta_closes_it() {
        let open = plane(Anatomy::posterior(14.0));
        assert_eq!(open.at(At::new(0.9, -0.3)).tissue, Tissue::Fluid);
        let covered = plane(Anatomy::posterior(-9.0));
        assert_ne!(covered.at(At::new(0.9, -0.3)).tissue, Tissue::Fluid);
        let funnel = plane(Anatomy { funnel: Some(Funnel { depth_mm: 15.0, width_mm: 12.0 }), ..Anatomy::posterior(20.0) });
        let tip = funnel.shape.funnel_tip().unwrap();
        let step = At::new(tip.x / tip.length(), tip.y / tip.length());
        assert_eq!(funnel.at(tip.plus(step, -3.0)).tissue, Tissue::Fluid);
        assert!(!matches!(funnel.at(tip.plus(step, 1.0)).tissue, Tissue::Fluid));
        assert!((tip.length() - 15.0).abs() < 0.4, "{}", tip.length());
    }

    #[test]
    fn walls_pressed_together_hide_where_the_canal_begins_but_its_lining_tells() {
        let plane = plane(Anatomy { apposed_mm: 10.0, bladder_mm: 22.0, ..Anatomy::posterior(20.0) });
        let shape = &plane.shape;
        assert!((shape.edge().minus(shape.os()).length() - 20.0).abs() < 1e-9);
        assert!((shape.os().length() - 10.0).abs() < 0.6 && shape.edge_arc() < 20.0, "{:?} {}", shape.os(), shape.edge_arc());
        let axis = At::new(shape.external_os().x / shape.external_os().length(), shape.external_os().y / shape.external_os().length());
        let has_lining = |from_os: f64| {
            let middle = shape.os().plus(axis, from_os);
            (0..40).any(|k| plane.at(At::new(middle.x, middle.y - 2.0 + 0.1 * f64::from(k))).tissue == Tissue::CervicalGlands)
        };
        assert!(has_lining(3.0) && has_lining(12.0) && !has_lining(-1.0) && !has_lining(-6.0));
    }

    #[test]
    fn every_structure_is_in_its_place() {
        let plane = plane(Anatomy::posterior(14.0));
        let at = |p: At| plane.at(p).tissue;
        assert_eq!(at(plane.shape.bladder_middle().unwrap()), Tissue::Urine);
        assert!((0..20).any(|k| at(At::new(18.0, -6.5 + 0.1 * f64::from(k))) == Tissue::Canal), "the canal bows between its ends");
        assert_eq!(at(At::new(18.0, 4.0)), Tissue::CervicalStroma);
        let s = 35.0;
        assert_eq!(at(plane.shape.surface(s).plus(plane.shape.inward(s), -2.5)), Tissue::Myometrium);
        assert_eq!(at(plane.shape.surface(s).plus(plane.shape.inward(s), 1.0)), Tissue::ClearZone);
        assert!(is_placenta(at(plane.shape.surface(s).plus(plane.shape.inward(s), 9.0))));
        let skull = plane.shape.skull_nearest().unwrap();
        let into = skull.minus(plane.shape.head().unwrap());
        let into = At::new(into.x / into.length(), into.y / into.length());
        assert_eq!(at(skull.plus(into, -1.0)), Tissue::Skull);
        assert_eq!(at(skull.plus(into, 1.0)), Tissue::Scalp);
    }
}
