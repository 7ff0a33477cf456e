//! Practice cases: what is to be learnt is asked for, the rest is drawn from a seed within plausible ranges.

use super::anatomy::{Anatomy, Contraction, Wall};
use super::noise::Noise;
use super::object::{Scale, object};
use super::render::{Look, Seed, render_as};
use super::scanner::{Hold, Scanner};
use super::truth::{Truth, truth};
use crate::dicom::write::{Coding, Pictures, UltrasoundObject};
use crate::error::{Error, ErrorKind, Result};

/// Distances at which the bundled guideline tables turn, mm: the edges of their bands (`src/guideline/tables`).
pub const THRESHOLDS_MM: [f64; 3] = [0.0, 10.0, 20.0];
/// Farthest from its threshold that a case lies which counts as near it, mm (own assumption).
pub const NEAR_MM: f64 = 3.0;
/// Draws before a case is given up.
const TRIES: u64 = 60;

/// How hard the picture is to read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Strong contrast, little noise.
    Clear,
    /// The usual picture.
    Usual,
    /// Tissues alike and a noisy receiver.
    Hard,
}

impl Level {
    /// The look of this level.
    #[must_use]
    pub fn look(self) -> Look {
        let usual = Look::default();
        match self {
            Self::Clear => Look { contrast: 1.15, noise_db: -6.0, ..usual },
            Self::Usual => usual,
            Self::Hard => Look { contrast: 0.5, noise_db: 14.0, shown_db: 66.0, ..usual },
        }
    }
}

/// What may mislead the reader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trap {
    /// Nothing.
    None,
    /// A full bladder. Where there is room for it, it presses the walls above the os together, which looks like more cervix.
    FullBladder,
    /// A contraction on the other wall, which looks like placenta.
    Contraction,
    /// A plane 25 to 60 degrees off the shortest way: the distance in it is too long.
    OffAxis,
    /// A file without a scale.
    NoScale,
}

/// How the leading edge looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EdgeForm {
    /// As most are.
    Usual,
    /// Thin, 3 to 4.5 mm thick 10 mm from where it ends.
    Thin,
    /// Thick, 9 to 12 mm there.
    Thick,
    /// With a marginal sinus beyond it, which is no placenta; beside a free os only, 12 mm or more from it.
    Sinus,
}

/// What is asked of a case.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Signed distance on the shortest way, mm, −25 to 45.
    pub distance_mm: f64,
    /// The wall.
    pub wall: Wall,
    /// How hard it is to read.
    pub level: Level,
    /// What may mislead.
    pub trap: Trap,
    /// How the edge looks.
    pub edge: EdgeForm,
    /// Fixes all that is not asked for.
    pub seed: u64,
}

/// One case, ready to be drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Case {
    /// The anatomy in the plane.
    pub anatomy: Anatomy,
    /// The scanner.
    pub scanner: Scanner,
    /// The hold of the probe.
    pub hold: Hold,
    /// The seed of its speckle and noise.
    pub seed: Seed,
    /// Its look.
    pub look: Look,
    /// Whether its file has a scale.
    pub scale: Scale,
}

impl Case {
    /// Its truth.
    ///
    /// # Errors
    /// None in practice for a case of [`case`].
    pub fn truth(&self) -> Result<Truth> {
        truth(&self.anatomy, &self.scanner, &self.hold)
    }

    /// Its samples, 8-bit grey.
    ///
    /// # Errors
    /// None in practice for a case of [`case`].
    pub fn draw(&self) -> Result<Vec<u8>> {
        render_as(&self.anatomy, &self.scanner, &self.hold, self.seed, &self.look)
    }

    /// Its DICOM object, whose UIDs depend on `label` alone; the truth is not in it.
    ///
    /// # Errors
    /// None in practice for a case of [`case`].
    pub fn object(&self, label: &str) -> Result<UltrasoundObject> {
        object(label, &self.scanner, Pictures::Single(self.draw()?), Coding::Plain, self.scale)
    }
}

/// The case that was asked for, the same for the same numbers. Internal os, edge and body lie in view.
///
/// # Errors
/// [`ErrorKind::Invalid`] when the distance is out of its range, or no draw of the rest fits what was asked (a contraction
/// beside a placenta that covers both walls).
pub fn case(wanted: &Wanted) -> Result<Case> {
    let mut last = None;
    for attempt in 0..TRIES {
        let drawn = draw(wanted, &mut Noise::new(wanted.seed, (1 << 51) + attempt)).and_then(|c| Ok((c, c.truth()?)));
        match drawn {
            Ok((case, t)) if ["internal os", "placental edge", "placental body"].iter().all(|w| t.visible.iter().any(|v| v == w)) => {
                return Ok(case);
            }
            Ok(_) => {}
            Err(e) => last = Some(e),
        }
    }
    let found = last.map_or_else(|| "the edge or the os would be out of view".to_owned(), |e| e.to_string());
    Err(Error::new(ErrorKind::Invalid, "no practice case like this can be made")
        .expected("a distance and a trap that fit together")
        .found(found))
}

/// One draw; it may not be possible.
fn draw(wanted: &Wanted, noise: &mut Noise) -> Result<Case> {
    let d = wanted.distance_mm;
    let full = wanted.trap == Trap::FullBladder;
    let placenta_thickness_mm = noise.between(14.0, 20.0);
    let mut anatomy = Anatomy {
        edge_to_os_mm: d,
        placenta_on: wanted.wall,
        placenta_thickness_mm,
        edge_thickness_mm: if d < 0.0 { noise.between(8.0, 12.0) } else { noise.between(5.0, 9.0) },
        cervix_length_mm: noise.between(28.0, 42.0),
        cervix_half_thickness_mm: noise.between(11.0, 14.0),
        os_width_mm: noise.between(3.0, 6.0),
        wall_mm: noise.between(4.0, 6.5),
        bladder_mm: if full { noise.between(19.0, 25.0) } else { noise.between(3.0, 9.0) },
        head_radius_mm: noise.between(20.0, 42.0),
        ..Anatomy::posterior(d)
    };
    // Drawn from a stream of its own, so that the same seed keeps all else.
    let mut form = Noise::new(wanted.seed, 1 << 49);
    match wanted.edge {
        EdgeForm::Usual => {}
        EdgeForm::Thin => anatomy.edge_thickness_mm = form.between(3.0, 4.5),
        EdgeForm::Thick => anatomy.edge_thickness_mm = form.between(9.0, 12.0),
        EdgeForm::Sinus => anatomy.sinus_mm = form.between(3.0, 7.0),
    }
    if full && d > 10.0 {
        anatomy.apposed_mm = noise.between(5.0, (d - 4.0).min(14.0));
    }
    if wanted.trap == Trap::Contraction {
        let half_length_mm = noise.between(11.0, 16.0);
        anatomy.contraction = Some(Contraction {
            on: if wanted.wall == Wall::Anterior { Wall::Posterior } else { Wall::Anterior },
            from_os_mm: half_length_mm + (-d).max(0.0) * 1.1 + noise.between(5.0, 10.0),
            half_length_mm,
            height_mm: noise.between(8.0, 14.0),
        });
        anatomy.head_radius_mm = anatomy.head_radius_mm.min(30.0);
    }
    if wanted.trap == Trap::OffAxis {
        anatomy = anatomy.turned_off_axis(noise.between(25.0, 60.0))?;
    }
    // A far edge is brought into view by tilting and a little more depth.
    let far = (anatomy.edge_to_os_mm - 18.0).max(0.0) / 27.0;
    let hold = Hold {
        os_x_mm: noise.between(1.0, 7.0) + 8.0 * far,
        os_y_mm: noise.between(32.0, 36.0) + if full { noise.between(9.0, 12.0) } else { -3.0 * far },
        turn_degrees: noise.between(-4.0, 5.0) + 5.0 * far,
    };
    let mm_per_px_x = noise.between(0.2, 0.3);
    let square = noise.unit() < 0.6;
    let scanner = Scanner {
        face_radius_mm: noise.between(9.0, 12.0),
        half_angle_degrees: noise.between(56.0, 66.0),
        depth_mm: noise.between(72.0, 78.0) + if full { 8.0 } else { 12.0 * far },
        mm_per_px_x,
        mm_per_px_y: if square { mm_per_px_x } else { mm_per_px_x * noise.between(0.8, 1.2) },
    };
    let scale = if wanted.trap == Trap::NoScale { Scale::None } else { Scale::InRegion };
    Ok(Case { anatomy, scanner, hold, seed: Seed { tissue: wanted.seed, shot: 0 }, look: wanted.level.look(), scale })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

    use super::*;

    const ASKED: Wanted =
        Wanted { distance_mm: 14.0, wall: Wall::Posterior, level: Level::Usual, trap: Trap::None, edge: EdgeForm::Usual, seed: 1 };

    #[test]
    fn every_trap_is_drawn_at_every_distance_where_it_fits() {
        for wall in [Wall::Anterior, Wall::Posterior] {
            for trap in [Trap::None, Trap::FullBladder, Trap::Contraction, Trap::OffAxis, Trap::NoScale] {
                for distance_mm in [-15.0, -9.0, -1.0, 0.0, 2.0, 9.5, 10.5, 14.0, 19.0, 21.0, 30.0] {
                    for seed in 0..4 {
                        let wanted = Wanted { distance_mm, wall, trap, seed, ..ASKED };
                        let made = case(&wanted);
                        if trap == Trap::OffAxis && distance_mm > 20.0 && made.is_err() {
                            continue;
                        }
                        let made = made.unwrap_or_else(|e| panic!("{wanted:?}: {e}"));
                        let t = made.truth().unwrap();
                        assert!((t.shortest_mm - distance_mm).abs() < 1e-9, "{wanted:?}: {}", t.shortest_mm);
                        match trap {
                            Trap::OffAxis => assert!(t.off_axis_degrees >= 25.0 && t.edge_to_os_mm.abs() >= t.shortest_mm.abs() - 1e-9),
                            Trap::FullBladder => {
                                assert!(made.anatomy.bladder_mm > 18.0 && (t.apposed_mm > 0.0) == (distance_mm > 10.0), "{wanted:?}");
                            }
                            Trap::Contraction => assert!(t.contraction.is_some()),
                            Trap::NoScale => assert_eq!(made.scale, Scale::None),
                            Trap::None => assert!(t.edge_to_os_mm == distance_mm && t.contraction.is_none()),
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn edges_are_thin_thick_or_with_a_sinus_as_asked_and_all_else_stays() {
        for distance_mm in [-15.0, -4.0, 5.0, 14.0, 25.0] {
            let of = |edge| case(&Wanted { distance_mm, edge, ..ASKED });
            let usual = of(EdgeForm::Usual).unwrap();
            let (thin, thick) = (of(EdgeForm::Thin).unwrap(), of(EdgeForm::Thick).unwrap());
            assert!(thin.anatomy.edge_thickness_mm < 4.5 && thick.anatomy.edge_thickness_mm >= 9.0);
            assert_eq!(thin.anatomy.cervix_length_mm, usual.anatomy.cervix_length_mm);
            if distance_mm >= 12.0 {
                assert!(of(EdgeForm::Sinus).unwrap().truth().unwrap().marginal_sinus.is_some());
            }
        }
    }

    #[test]
    fn a_case_is_fixed_by_what_was_asked_and_seeds_differ() {
        assert_eq!(case(&ASKED).unwrap(), case(&ASKED).unwrap());
        assert_ne!(case(&ASKED).unwrap().anatomy, case(&Wanted { seed: 2, ..ASKED }).unwrap().anatomy);
    }

    #[test]
    fn a_file_without_a_scale_has_no_region_and_tells_no_truth() {
        let object = case(&Wanted { trap: Trap::NoScale, ..ASKED }).unwrap().object("practice/1").unwrap();
        assert!(object.regions.is_empty() && object.to_bytes().is_ok());
        assert_eq!(case(&ASKED).unwrap().object("practice/1").unwrap().regions.len(), 1);
    }

    #[test]
    fn what_cannot_be_made_is_refused() {
        for distance_mm in [60.0, f64::NAN] {
            assert_eq!(case(&Wanted { distance_mm, ..ASKED }).unwrap_err().kind(), ErrorKind::Invalid);
        }
    }

    #[test]
    fn hard_pictures_have_less_between_placenta_and_wall() {
        let step = |level: Level| {
            let made = case(&Wanted { level, ..ASKED }).unwrap();
            let (samples, t) = (made.draw().unwrap(), made.truth().unwrap());
            let mean = |x: f64, y: f64| {
                let around = (-8..=8).flat_map(|i| (-8..=8).map(move |j| (x as i32 + i, y as i32 + j)));
                around.map(|(x, y)| f64::from(samples[(y * made.scanner.columns() as i32 + x) as usize])).sum::<f64>() / 289.0
            };
            let between = |share: f64| t.internal_os.x + (t.external_os.x - t.internal_os.x) * share;
            // The placenta against the lower half of the cervix.
            mean(t.placental_body.x, t.placental_body.y) - mean(between(0.5), t.internal_os.y + 6.0 / made.scanner.mm_per_px_y)
        };
        let (clear, usual, hard) = (step(Level::Clear), step(Level::Usual), step(Level::Hard));
        assert!(clear > usual && usual > hard + 8.0, "{clear} {usual} {hard}");
    }
}
