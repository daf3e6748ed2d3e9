//! The sequential decision: a two-sided cumulative-sum test between two calibrated levels.
//!
//! One sum gathers evidence for a vehicle while the place is empty, the other for its absence while
//! a vehicle is there. Each sample adds its distance from the midpoint, in spreads; a sum that
//! passes the limit decides. The limits follow from the wanted mean time between false occupancies,
//! by the mean run length of each sum. A vehicle's level spreads wider than the vacant one, so the
//! sum that must not call it gone has a limit of its own: false vacancies are as rare as false
//! occupancies.

mod run_length;

use crate::layout;
use run_length::{limit_for, mean_samples};

/// The vacant level is followed with this time constant, in seconds: slower than any train.
const FOLLOW_S: f64 = 120.0;

/// It is followed over this part of the gap between the levels, and no further.
const FOLLOW_PART: f64 = 0.75;

/// Beyond this part of the gap the detector counts as drifting.
const DRIFT_PART: f64 = 0.5;

/// What a sequential test does on the average, in samples that are independent and normal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Promise {
    /// From one false occupancy to the next, the place being vacant.
    pub between_false_occupancies: f64,
    /// From one false vacancy to the next, a vehicle being there.
    pub between_false_vacancies: f64,
    /// From a vehicle's coming to `on`.
    pub until_occupied: f64,
    /// From its going to `off`.
    pub until_vacant: f64,
}

/// What the engine's sequential test does with these settings.
#[must_use]
pub fn promise(settings: layout::Sequential) -> Promise {
    let test = Sequential::new(settings);
    let k = test.gap / (2.0 * test.spread);
    let wide = (settings.occupied_sd / test.spread).max(f64::MIN_POSITIVE);
    // A level of another spread is a test with another limit and another distance.
    let run = |limit: f64, k: f64, spread: f64| {
        mean_samples(limit / spread, k / spread, limit / (2.0 * spread))
    };
    Promise {
        between_false_occupancies: run(test.on_limit, k, 1.0),
        between_false_vacancies: run(test.off_limit, k, wide),
        until_occupied: run(test.on_limit, -k, wide),
        until_vacant: run(test.off_limit, -k, 1.0),
    }
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Sequential {
    midpoint: f64,
    spread: f64,
    /// Whether a vehicle raises the level.
    rises: f64,
    /// Of the sum for a vehicle, and of the sum for its absence.
    on_limit: f64,
    off_limit: f64,
    gap: f64,
    vacant: f64,
    /// How far the vacant level has wandered, and by how much it may follow each sample.
    shift: f64,
    follow: f64,
    up: f64,
    down: f64,
}

impl Sequential {
    pub(crate) fn new(settings: layout::Sequential) -> Self {
        let spread = settings.vacant_sd.max(f64::MIN_POSITIVE);
        let gap = settings.occupied_mean - settings.vacant_mean;
        let half_gap = libm::fabs(gap) / 2.0;
        let samples = settings.false_alarm_every_h * 3_600.0 * settings.sample_hz;
        Self {
            midpoint: f64::midpoint(settings.vacant_mean, settings.occupied_mean),
            spread,
            rises: if gap < 0.0 { -1.0 } else { 1.0 },
            on_limit: limit_for(samples, half_gap / spread),
            off_limit: off_limit(samples, half_gap, spread, settings.occupied_sd),
            gap: libm::fabs(gap),
            vacant: settings.vacant_mean,
            shift: 0.0,
            follow: (1.0 / (FOLLOW_S * settings.sample_hz)).min(1.0),
            up: 0.0,
            down: 0.0,
        }
    }

    /// Whether the vacant level has wandered far.
    pub(crate) fn has_drifted(&self) -> bool {
        libm::fabs(self.shift) > DRIFT_PART * self.gap
    }

    /// Adds one sample; tells what is decided, if anything. `calm`: the place is proven vacant and
    /// no train is near, so that the level is the vacant one.
    pub(crate) fn take(&mut self, level: f64, calm: bool) -> Option<bool> {
        if calm {
            let bound = FOLLOW_PART * self.gap;
            let off = (level - self.vacant - self.shift).clamp(-bound, bound);
            self.shift = (self.shift + self.follow * off).clamp(-bound, bound);
        }
        let level = level - self.shift;
        let step = self.rises * (level - self.midpoint) / self.spread;
        self.up = (self.up + bounded(step, self.on_limit)).max(0.0);
        self.down = (self.down - bounded(step, self.off_limit)).max(0.0);
        if self.up >= self.on_limit {
            self.up = self.on_limit;
            self.down = 0.0;
            Some(true)
        } else if self.down >= self.off_limit {
            self.down = self.off_limit;
            self.up = 0.0;
            Some(false)
        } else {
            None
        }
    }
}

/// One wild sample must not decide alone: it weighs at most half of what it takes.
fn bounded(step: f64, limit: f64) -> f64 {
    step.clamp(-limit / 2.0, limit / 2.0)
}

/// The limit of the sum for absence, in spreads of the vacant level, which both sums count in.
fn off_limit(samples: f64, half_gap: f64, vacant_sd: f64, occupied_sd: f64) -> f64 {
    let ratio = (occupied_sd / vacant_sd).max(1.0);
    ratio * limit_for(samples, half_gap / (ratio * vacant_sd))
}

#[cfg(test)]
mod tests;
