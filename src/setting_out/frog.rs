//! The frog: its number, its angle, and the lengths that follow from them and the gauge.
//!
//! Inputs: a frog number or an angle. Outputs: the other one, the distance to the intersection of
//! the centre lines, and the lead of the plainest turnout. It does not know scales or clearances.
//!
//! The number is half the cotangent of half the angle, `N = 1 / (2 tan(F / 2))` (V. S. Fehr, NMRA
//! TN-12, by its title; the formula reproduces NMRA RP-12.7 and E. E. R. Tratman, *Railway Track
//! and Maintenance*, to their printed minutes). `atan(1 / N)` is another convention and is wrong
//! here by up to a quarter of a degree.

/// The sharpest angle that is taken for a turnout's, in degrees; a crossing may come near it.
const ANGLE_DEG_MAX: f64 = 90.0;
/// The flattest frog that is taken for one.
const NUMBER_MAX: f64 = 100.0;

/// The angle at which two tracks part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frog {
    angle_rad: f64,
}

/// Why a number or an angle is no frog's.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FrogError {
    /// Not above one half (90 degrees), above the largest that is taken, or no number.
    #[error("frog number {0}: give one above 0.5 and up to {NUMBER_MAX}, as --frog 6")]
    Number(f64),
    /// Not between 0 and 90 degrees, or no number.
    #[error(
        "frog angle {0} degrees: give one between {least:.2} and {ANGLE_DEG_MAX}, as --angle 9.53",
        least = least_angle_deg()
    )]
    Angle(f64),
}

fn least_angle_deg() -> f64 {
    angle_of(NUMBER_MAX).to_degrees()
}

fn angle_of(number: f64) -> f64 {
    2.0 * (0.5 / number).atan()
}

impl Frog {
    /// From the frog number: 6 for a frog that spreads one unit in six.
    ///
    /// # Errors
    /// The number is not one of a frog below 90 degrees.
    pub fn from_number(number: f64) -> Result<Self, FrogError> {
        if number > 0.5 && number <= NUMBER_MAX {
            Ok(Self {
                angle_rad: angle_of(number),
            })
        } else {
            Err(FrogError::Number(number))
        }
    }

    /// From the angle in degrees.
    ///
    /// # Errors
    /// The angle is not between that of the flattest frog and 90 degrees.
    pub fn from_angle_deg(angle_deg: f64) -> Result<Self, FrogError> {
        if angle_deg >= least_angle_deg() && angle_deg < ANGLE_DEG_MAX {
            Ok(Self {
                angle_rad: angle_deg.to_radians(),
            })
        } else {
            Err(FrogError::Angle(angle_deg))
        }
    }

    /// The angle in radians.
    #[must_use]
    pub const fn angle_rad(self) -> f64 {
        self.angle_rad
    }

    /// The angle in degrees.
    #[must_use]
    pub fn angle_deg(self) -> f64 {
        self.angle_rad.to_degrees()
    }

    /// The frog number.
    #[must_use]
    pub fn number(self) -> f64 {
        0.5 / (self.angle_rad / 2.0).tan()
    }

    /// From the theoretical point of frog back to where the centre lines of the two roads meet, in
    /// the unit of the gauge: `G / (2 tan(F / 2))`, which is `G N` (NMRA RP-12.7, row PF-ICL).
    #[must_use]
    pub fn to_centre_line_intersection(self, gauge: f64) -> f64 {
        gauge / (2.0 * (self.angle_rad / 2.0).tan())
    }

    /// The lead, from the tips of the points to the theoretical point of frog, of a turnout that is
    /// one plain curve: `G / tan(F / 2)`, which is `2 G N` (textbook; real turnouts are shorter,
    /// RP-12.7 gives 67.5 to 115 mm for `N` 4 to 7 where this gives 72 to 126).
    #[must_use]
    pub fn plain_lead(self, gauge: f64) -> f64 {
        gauge / (self.angle_rad / 2.0).tan()
    }

    /// The radius of the outer rail of that plain curve.
    #[must_use]
    pub fn plain_radius(self, gauge: f64) -> f64 {
        gauge / (1.0 - self.angle_rad.cos())
    }
}

/// An angle as degrees, minutes and seconds of arc, to the nearest second.
#[must_use]
pub fn degrees_minutes_seconds(angle_deg: f64) -> String {
    let seconds = (angle_deg * 3_600.0).round();
    let (degrees, rest) = ((seconds / 3_600.0).floor(), seconds % 3_600.0);
    let (minutes, seconds) = ((rest / 60.0).floor(), rest % 60.0);
    format!("{degrees}\u{b0}{minutes:02}\u{2032}{seconds:02}\u{2033}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn number_and_angle_are_each_others_inverse() {
        for number in [0.6, 4.0, 6.0, 9.25, 20.0] {
            let frog = Frog::from_number(number);
            let back = frog.map(|frog| Frog::from_angle_deg(frog.angle_deg()).map(Frog::number));
            assert!(
                matches!(back, Ok(Ok(n)) if (n - number).abs() < 1e-9),
                "{number}"
            );
        }
    }

    #[test]
    fn what_is_no_frog_is_refused() {
        for number in [0.0, -6.0, 0.5, 101.0, f64::NAN, f64::INFINITY] {
            assert!(Frog::from_number(number).is_err(), "{number}");
        }
        for angle in [0.0, -1.0, 90.0, 120.0, f64::NAN] {
            assert!(Frog::from_angle_deg(angle).is_err(), "{angle}");
        }
    }

    #[test]
    fn minutes_carry() {
        assert_eq!(
            degrees_minutes_seconds(9.99999),
            "10\u{b0}00\u{2032}00\u{2033}"
        );
    }
}
