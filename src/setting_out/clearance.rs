//! Clearance points: how far from the frog a vehicle is out of the way of the other road.
//!
//! Inputs: frog, gauge, the spacing of running edges that counts as clear, an allowance for
//! overhang, and whether the diverging leg is straight or curved beyond the frog. Outputs:
//! distances along each leg from the theoretical point of frog, and from them where gaps and beams
//! go. It does not know the shape of vehicles: the spacing stands for it.
//!
//! The rule is that of the Railway Group code of practice GK/RC0752 (issue 2, 1998), section
//! 13.14.1: two vehicles clear each other where the running edges are 1970 mm apart, full size. A
//! point of one leg counts as clear when the nearest point of the other leg's running edge is that
//! far away; on straight legs that is `S / sin F`.

use super::frog::Frog;
use super::gauge::Scale;

/// Running edges that far apart are clear of each other, full size, mm (GK/RC0752, 13.14.1).
pub const CLEAR_SPACING_FULL_MM: f64 = 1_970.0;
/// From the fouling point on to the end of a detection section, full size, mm: wheels are inboard
/// of the ends of bodies (GK/RC0752, 13.14.2; the figure from a second text).
pub const BODY_BEYOND_WHEELS_FULL_MM: f64 = 4_880.0;
/// The longest stretch without detection between two sections, full size, mm (GK/RC0752, 9).
pub const DEAD_SECTION_FULL_MM: f64 = 2_600.0;

/// The longest length that is taken for one on a layout, mm.
const LENGTH_MM_MAX: f64 = 1_000_000.0;

/// The diverging leg beyond the frog.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Leg {
    /// Straight on.
    Straight,
    /// Curved further away from the straight road; radius of its centre line, mm.
    Away(f64),
    /// Curved back until it is parallel to the straight road; radius of its centre line, mm.
    Back(f64),
}

/// A turnout to be set out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// Its frog.
    pub frog: Frog,
    /// Between the running edges, mm.
    pub gauge_mm: f64,
    /// Running edges that far apart are clear of each other, mm.
    pub spacing_mm: f64,
    /// Added along each leg for bodies that reach beyond, mm.
    pub overhang_mm: f64,
    /// The diverging leg beyond the frog.
    pub leg: Leg,
}

/// One distance for each leg, from the theoretical point of frog, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Legs {
    /// Along the straight road.
    pub normal: f64,
    /// Along the diverging road.
    pub reverse: f64,
}

/// Why there is no clearance point.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ClearanceError {
    /// A length that is none.
    #[error("{what} {given} mm: give {least} to {LENGTH_MM_MAX} mm, as {example}")]
    Length {
        /// Which.
        what: &'static str,
        /// What was given.
        given: f64,
        /// The smallest that makes sense.
        least: f64,
        /// How to write it.
        example: &'static str,
    },
    /// A leg that curves back becomes parallel too early.
    #[error(
        "the tracks never clear each other: with radius {radius_mm} mm the legs are parallel when \
         the running edges are {apart_mm:.1} mm apart, and clear is {spacing_mm:.1} mm; give a \
         larger radius, or leave --radius away and measure where they are that far apart"
    )]
    NeverClear {
        /// The radius given.
        radius_mm: f64,
        /// The distance at which the legs are parallel.
        apart_mm: f64,
        /// The distance wanted.
        spacing_mm: f64,
    },
    /// A leg that curves away turns through a right angle before it is clear.
    #[error(
        "radius {radius_mm} mm is too sharp: the leg turns past a right angle before the running \
         edges are {spacing_mm:.1} mm apart; give a larger --radius"
    )]
    TooSharp {
        /// The radius given.
        radius_mm: f64,
        /// The distance wanted.
        spacing_mm: f64,
    },
}

impl Setting {
    /// A turnout at a scale, with the published spacing, no overhang and straight legs.
    #[must_use]
    pub fn at_scale(scale: &Scale, frog: Frog) -> Self {
        Self {
            frog,
            gauge_mm: scale.gauge_mm,
            spacing_mm: scale.of_full_size(CLEAR_SPACING_FULL_MM),
            overhang_mm: 0.0,
            leg: Leg::Straight,
        }
    }

    /// The clearance points, overhang included.
    ///
    /// # Errors
    /// A length makes no sense, or the legs never come far enough apart.
    pub fn clearance_points(&self) -> Result<Legs, ClearanceError> {
        let bare = self.fouling_points()?;
        Ok(Legs {
            normal: bare.normal + self.overhang_mm,
            reverse: bare.reverse + self.overhang_mm,
        })
    }

    /// Where the gaps of a detection section go that sees wheels only: past the clearance point by
    /// the overhang, and at least by what `body_mm` gives for bodies that reach beyond the wheels.
    ///
    /// # Errors
    /// As [`Setting::clearance_points`].
    pub fn gaps(&self, body_mm: f64) -> Result<Legs, ClearanceError> {
        let bare = self.fouling_points()?;
        let beyond = self.overhang_mm.max(body_mm);
        Ok(Legs {
            normal: bare.normal + beyond,
            reverse: bare.reverse + beyond,
        })
    }

    /// Where the running edges are the spacing apart, without overhang.
    fn fouling_points(&self) -> Result<Legs, ClearanceError> {
        self.check()?;
        let (sin, cos) = self.frog.angle_rad().sin_cos();
        let spacing = self.spacing_mm;
        match self.leg {
            Leg::Straight => {
                let along = spacing / sin;
                Ok(Legs {
                    normal: along,
                    reverse: along,
                })
            }
            // The running edge that starts at the frog is the outer one of this curve.
            Leg::Away(radius_mm) => {
                let edge = radius_mm + self.gauge_mm / 2.0;
                let turned = cos - spacing / edge;
                if turned < 0.0 {
                    return Err(ClearanceError::TooSharp {
                        radius_mm,
                        spacing_mm: spacing,
                    });
                }
                let from_centre = (edge + spacing).powi(2) - (edge * cos).powi(2);
                Ok(Legs {
                    normal: from_centre.sqrt() - edge * sin,
                    reverse: edge * (turned.acos() - self.frog.angle_rad()),
                })
            }
            // Here it is the inner one.
            Leg::Back(radius_mm) => {
                let edge = radius_mm - self.gauge_mm / 2.0;
                let apart_mm = edge * (1.0 - cos);
                if spacing > apart_mm {
                    return Err(ClearanceError::NeverClear {
                        radius_mm,
                        apart_mm,
                        spacing_mm: spacing,
                    });
                }
                let from_centre = (edge - spacing).powi(2) - (edge * cos).powi(2);
                // At the very limit the root may be a rounding below zero.
                Ok(Legs {
                    normal: edge * sin - from_centre.max(0.0).sqrt(),
                    reverse: edge
                        * (self.frog.angle_rad() - (cos + spacing / edge).min(1.0).acos()),
                })
            }
        }
    }

    fn check(&self) -> Result<(), ClearanceError> {
        let radius = match self.leg {
            Leg::Straight => None,
            Leg::Away(radius) | Leg::Back(radius) => Some(radius),
        };
        let lengths = [
            ("gauge", Some(self.gauge_mm), 1.0, "--gauge 16.5"),
            ("spacing", Some(self.spacing_mm), 0.1, "--spacing 22.6"),
            ("overhang", Some(self.overhang_mm), 0.0, "--overhang 20"),
            ("radius", radius, self.gauge_mm.max(10.0), "--radius 600"),
        ];
        for (what, given, least, example) in lengths {
            if let Some(given) = given
                && !(given >= least && given <= LENGTH_MM_MAX)
            {
                return Err(ClearanceError::Length {
                    what,
                    given,
                    least,
                    example,
                });
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setting(leg: Leg) -> Setting {
        let scale = Scale::named("HO").expect("HO is a published scale");
        let frog = Frog::from_number(6.0).expect("6 is a frog number");
        Setting {
            leg,
            ..Setting::at_scale(&scale, frog)
        }
    }

    /// Nearest distance of a point to a curve given by `at`, by walking along it.
    fn nearest(point: (f64, f64), at: impl Fn(f64) -> (f64, f64), to: f64) -> f64 {
        (0..=200_000)
            .map(|step| at(to * f64::from(step) / 200_000.0))
            .map(|(x, y)| (x - point.0).hypot(y - point.1))
            .fold(f64::INFINITY, f64::min)
    }

    /// The diverging running edge, `s` mm beyond the frog, straight on after a curve back.
    fn edge(setting: &Setting, s: f64) -> (f64, f64) {
        let f = setting.frog.angle_rad();
        let half = setting.gauge_mm / 2.0;
        let bend = match setting.leg {
            Leg::Straight => return (s * f.cos(), s * f.sin()),
            Leg::Away(radius) => 1.0 / (radius + half),
            Leg::Back(radius) => -1.0 / (radius - half),
        };
        let end = f + bend * s;
        ((end.sin() - f.sin()) / bend, (f.cos() - end.cos()) / bend)
    }

    /// Our own geometry held against walking along the curve: not a published value.
    #[test]
    fn at_the_clearance_point_the_other_edge_is_that_far_away() {
        for leg in [Leg::Straight, Leg::Away(600.0), Leg::Back(2_500.0)] {
            let setting = setting(leg);
            let points = setting.clearance_points().expect("these legs part");
            let reverse = edge(&setting, points.reverse);
            let to_normal = nearest(reverse, |x| (x, 0.0), 400.0);
            assert!(
                (to_normal - setting.spacing_mm).abs() < 1e-3,
                "{leg:?} {to_normal}"
            );
            let to_reverse = nearest((points.normal, 0.0), |s| edge(&setting, s), 400.0);
            assert!(
                (to_reverse - setting.spacing_mm).abs() < 1e-3,
                "{leg:?} {to_reverse}"
            );
        }
    }

    #[test]
    fn a_very_large_radius_is_straight() {
        let straight = setting(Leg::Straight)
            .clearance_points()
            .map(|legs| legs.normal);
        for leg in [Leg::Away(1e6), Leg::Back(1e6)] {
            let curved = setting(leg).clearance_points();
            let (Ok(straight), Ok(curved)) = (&straight, curved) else {
                panic!("{leg:?}: both part");
            };
            assert!((curved.normal - straight).abs() < 0.1);
            assert!((curved.reverse - straight).abs() < 0.1);
        }
    }

    #[test]
    fn tracks_that_never_clear_are_said_so() {
        let never = setting(Leg::Back(600.0)).clearance_points();
        assert!(matches!(never, Err(ClearanceError::NeverClear { .. })));
        let sharp = Setting {
            spacing_mm: 40.0,
            ..setting(Leg::Away(17.0))
        }
        .clearance_points();
        assert!(matches!(sharp, Err(ClearanceError::TooSharp { .. })));
    }
}
