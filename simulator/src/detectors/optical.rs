//! An optical sensor: a level when it is covered, another when it is not, and the room's light.
//!
//! Inputs: whether a body is before it, and the room's light. Output: a level in the plan's unit.
//! A plan whose `on` lies below its `off` has a beam that vehicles interrupt; otherwise they
//! reflect.

use taillamp::engine::layout::{Decide, Detector};

use crate::chance::Chance;

/// The two levels of a sensor, in the plan's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    covered: f64,
    free: f64,
}

/// Noise as a part of the span between the levels (an assumption, no source).
const NOISE: f64 = 0.01;
/// How much of the span a doubling of the room's light moves both levels by.
const STRAY: f64 = 0.3;

impl Lens {
    /// The levels that suit the plan's unit and thresholds.
    #[must_use]
    pub fn of(detector: &Detector) -> Self {
        let whole = match detector.unit {
            "/" => 1.0,
            "lx" => 400.0,
            _ => 100.0,
        };
        let interrupts = match detector.decide {
            Decide::Threshold { on, off } => on < off,
            Decide::Sequential(test) => test.occupied_mean < test.vacant_mean,
            Decide::Boolean => false,
        };
        if interrupts {
            Self {
                covered: whole * 0.06,
                free: whole * 0.9,
            }
        } else {
            Self {
                covered: whole * 0.72,
                free: whole * 0.1,
            }
        }
    }

    /// Between the two levels.
    #[must_use]
    pub const fn span(self) -> f64 {
        (self.free - self.covered).abs()
    }

    /// One level.
    pub fn level(self, covered: bool, room_light: f64, chance: &mut Chance) -> f64 {
        let base = if covered { self.covered } else { self.free };
        let stray = (room_light - 1.0) * STRAY * self.span();
        (base + stray + chance.normal(NOISE * self.span())).max(0.0)
    }
}
