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
use run_length::{Limit, limit_for, mean_samples};

/// The vacant level is followed with this time constant, in seconds: slower than any train.
const FOLLOW_S: f64 = 120.0;

/// One sample after a long silence moves it no more than one after so many seconds.
const GAP_S: f64 = 10.0;

/// It is followed over this part of the gap between the levels, and no further.
const FOLLOW_PART: f64 = 0.75;

/// Beyond this part of the gap the detector counts as drifting ...
const DRIFT_PART: f64 = 0.5;
/// ... until it has come back below this one.
const DRIFT_ENDS_PART: f64 = 0.4;

/// So many seconds of samples may come at once and count in full: a device that sends packs.
const BURST_S: f64 = 2.0;

/// Who asks for false occupancies rarer than this, in hours, asks that none comes of one sample.
/// Who takes one within the hour takes those too, and has the shortest delay for it.
const NONE_OF_ONE_H: f64 = 1.0;

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
    let run = |limit: Limit, k: f64, spread: f64| {
        mean_samples(limit.at / spread, k / spread, limit.most / spread)
    };
    Promise {
        between_false_occupancies: run(test.on, k, 1.0),
        between_false_vacancies: run(test.off, k, wide),
        until_occupied: run(test.on, -k, wide),
        until_vacant: run(test.off, -k, 1.0),
    }
}

/// After how many samples, on the average, the engine's sequential test with these settings says
/// `on` when the level is `mean`, its spread `sd`, from the moment it is: one vehicle of a kind
/// that was not measured.
#[must_use]
pub fn until_on(settings: layout::Sequential, mean: f64, sd: f64) -> f64 {
    let test = Sequential::new(settings);
    let above = test.rises * (mean - test.midpoint) / test.spread;
    let wide = (sd / test.spread).max(f64::MIN_POSITIVE);
    mean_samples(test.on.at / wide, -above / wide, test.on.most / wide)
}

/// The test of one detector: its limits, its sums, and how far the vacant level has wandered.
#[derive(Clone, Copy, Debug)]
pub struct Sequential {
    midpoint: f64,
    spread: f64,
    /// Whether a vehicle raises the level.
    rises: f64,
    /// Of the sum for a vehicle, and of the sum for its absence.
    on: Limit,
    off: Limit,
    gap: f64,
    vacant: f64,
    /// How far the vacant level has wandered.
    shift: f64,
    drifting: bool,
    /// Samples a second that the limits are made for, and how many may count in full just now.
    sample_hz: f64,
    credit: f64,
    up: f64,
    down: f64,
}

impl Sequential {
    /// A test that has seen nothing yet. Its limits are worked out here, once.
    #[must_use]
    pub fn new(settings: layout::Sequential) -> Self {
        let spread = settings.vacant_sd.max(f64::MIN_POSITIVE);
        let gap = settings.occupied_mean - settings.vacant_mean;
        let half_gap = libm::fabs(gap) / 2.0;
        let samples = settings.false_alarm_every_h * 3_600.0 * settings.sample_hz;
        let alone = !settings.spikes || settings.false_alarm_every_h < NONE_OF_ONE_H;
        let k = half_gap / spread;
        // The limit of the sum for absence, in spreads of the vacant level: both sums count in it.
        let ratio = (settings.occupied_sd / spread).max(1.0);
        Self {
            midpoint: f64::midpoint(settings.vacant_mean, settings.occupied_mean),
            spread,
            rises: if gap < 0.0 { -1.0 } else { 1.0 },
            on: limit_for(samples, k, alone),
            off: limit_for(samples, k / ratio, alone).times(ratio),
            gap: libm::fabs(gap),
            vacant: settings.vacant_mean,
            shift: 0.0,
            drifting: false,
            sample_hz: settings.sample_hz,
            credit: burst(settings.sample_hz),
            up: 0.0,
            down: 0.0,
        }
    }

    /// Whether the vacant level has wandered far.
    #[must_use]
    pub const fn has_drifted(&self) -> bool {
        self.drifting
    }

    /// Adds one sample; tells what is decided, if anything. `elapsed_s`: since the sample before.
    /// `calm`: the place is proven vacant and no train is near, so that the level is the vacant
    /// one.
    ///
    /// The limits are made for so many samples a second. Where more come, each weighs less, so that
    /// false decisions do not come sooner than was asked for; where fewer come, each counts in
    /// full.
    pub fn take(&mut self, level: f64, elapsed_s: f64, calm: bool) -> Option<bool> {
        if calm {
            self.follow(level, elapsed_s);
        }
        self.credit =
            (self.credit + elapsed_s.max(0.0) * self.sample_hz).min(burst(self.sample_hz));
        let weight = self.credit.min(1.0);
        self.credit -= weight;
        let level = level - self.shift;
        let step = weight * self.rises * (level - self.midpoint) / self.spread;
        self.up = (self.up + self.on.bounded(step)).max(0.0);
        self.down = (self.down - self.off.bounded(step)).max(0.0);
        if self.up >= self.on.at {
            self.up = self.on.at;
            self.down = 0.0;
            Some(true)
        } else if self.down >= self.off.at {
            self.down = self.off.at;
            self.up = 0.0;
            Some(false)
        } else {
            None
        }
    }

    /// The vacant level goes along with what is read, by time and not by samples, and no further
    /// than it may.
    fn follow(&mut self, level: f64, elapsed_s: f64) {
        let bound = FOLLOW_PART * self.gap;
        let off = (level - self.vacant - self.shift).clamp(-bound, bound);
        let part = elapsed_s.clamp(0.0, GAP_S) / FOLLOW_S;
        self.shift = (self.shift + part * off).clamp(-bound, bound);
        let wandered = libm::fabs(self.shift);
        self.drifting = wandered > DRIFT_PART * self.gap
            || (self.drifting && wandered > DRIFT_ENDS_PART * self.gap);
    }
}

/// How many samples that come at once count in full.
fn burst(sample_hz: f64) -> f64 {
    (BURST_S * sample_hz).max(1.0)
}

#[cfg(test)]
mod tests;
