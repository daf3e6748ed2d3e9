//! A current sensor: what flows, plus leakage and noise, in whole counts of a converter.
//!
//! Input: the zone's current and voltage. Output: a reading in mA. It does not know thresholds.

use super::Habits;
use crate::chance::Chance;

/// How far leakage wanders between two samples, as a part of its limit (an assumption, no source).
const WANDER: f64 = 0.002;

/// Leakage that drifts between zero and a limit.
#[derive(Clone, Debug)]
pub struct Leakage {
    limit_ma: f64,
    ma: f64,
}

impl Leakage {
    /// Somewhere below its limit.
    #[must_use]
    pub fn new(limit_ma: f64, chance: &mut Chance) -> Self {
        Self {
            limit_ma,
            ma: chance.between(0.0, limit_ma),
        }
    }

    fn wander(&mut self, chance: &mut Chance) -> f64 {
        self.ma = (self.ma + chance.normal(self.limit_ma * WANDER)).clamp(0.0, self.limit_ma);
        self.ma
    }
}

/// One reading, mA.
pub fn read(
    flowing_ma: f64,
    volts: f64,
    leakage: &mut Leakage,
    habits: &Habits,
    chance: &mut Chance,
) -> f64 {
    let leaking_ma = if volts == 0.0 {
        0.0
    } else {
        leakage.wander(chance).copysign(volts)
    };
    let raw_ma = flowing_ma + leaking_ma + chance.normal(habits.noise_ma);
    if habits.count_ma > 0.0 {
        (raw_ma / habits.count_ma).round() * habits.count_ma
    } else {
        raw_ma
    }
}
