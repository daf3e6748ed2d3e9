//! The sequential decision: a two-sided cumulative-sum test between two calibrated levels.
//!
//! One sum gathers evidence for a vehicle while the place is empty, the other for its absence while
//! a vehicle is there. Each sample adds its distance from the midpoint, in spreads; a sum that
//! passes the limit decides. The limit follows from the wanted mean time between false occupancies
//! by Siegmund's approximation of the run length (Siegmund 1985; with k = 1/2 and h = 5 it gives
//! 938 samples where the exact value is 931: check-values, section 4.3).

use crate::layout;

/// Siegmund's correction for the overshoot.
const OVERSHOOT: f64 = 1.166;

/// The vacant level is followed with this time constant, in seconds: slower than any train.
const FOLLOW_S: f64 = 120.0;

/// It is followed over this part of the gap between the levels, and no further.
const FOLLOW_PART: f64 = 0.75;

/// Beyond this part of the gap the detector counts as drifting.
const DRIFT_PART: f64 = 0.5;

#[derive(Clone, Copy, Debug)]
pub(crate) struct Sequential {
    midpoint: f64,
    spread: f64,
    /// Whether a vehicle raises the level.
    rises: f64,
    limit: f64,
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
        let k = libm::fabs(gap) / (2.0 * spread);
        let samples = settings.false_alarm_every_h * 3_600.0 * settings.sample_hz;
        Self {
            midpoint: f64::midpoint(settings.vacant_mean, settings.occupied_mean),
            spread,
            rises: if gap < 0.0 { -1.0 } else { 1.0 },
            limit: limit_for(samples, k),
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
        // One wild sample must not decide alone: its weight is bounded.
        let step = (self.rises * (level - self.midpoint) / self.spread)
            .clamp(-self.limit / 2.0, self.limit / 2.0);
        self.up = (self.up + step).max(0.0);
        self.down = (self.down - step).max(0.0);
        if self.up >= self.limit {
            self.up = self.limit;
            self.down = 0.0;
            Some(true)
        } else if self.down >= self.limit {
            self.down = self.limit;
            self.up = 0.0;
            Some(false)
        } else {
            None
        }
    }
}

/// The mean run length without a vehicle, in samples, for a limit `h` and a reference value `k`.
fn run_length(h: f64, k: f64) -> f64 {
    let b = h + OVERSHOOT;
    let two_kb = 2.0 * k * b;
    (libm::exp(two_kb) - two_kb - 1.0) / (2.0 * k * k)
}

/// The limit whose run length is `samples`, by bisection.
fn limit_for(samples: f64, k: f64) -> f64 {
    let k = k.max(1e-3);
    let (mut low, mut high) = (0.1, 60.0 / k);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if run_length(middle, k) < samples {
            low = middle;
        } else {
            high = middle;
        }
    }
    high.max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Siegmund's approximation with k = 1/2, h = 5: 938.2 (check-values 4.3).
    #[test]
    fn run_length_is_siegmunds() {
        assert!((run_length(5.0, 0.5) - 938.2).abs() < 0.1);
        assert!((limit_for(938.2, 0.5) - 5.0).abs() < 1e-3);
    }

    #[test]
    fn a_step_is_decided_and_one_wild_sample_is_not() {
        let mut test = Sequential::new(layout::Sequential {
            vacant_mean: 0.3,
            vacant_sd: 0.25,
            occupied_mean: 1.7,
            occupied_sd: 0.4,
            false_alarm_every_h: 720.0,
            sample_hz: 10.0,
        });
        for _ in 0..20 {
            test.take(0.3, false);
        }
        assert_ne!(test.take(5_000.0, false), Some(true));
        test.take(0.3, false);
        let decided = (0..20).find(|_| test.take(1.7, false) == Some(true));
        assert!(decided.is_some_and(|samples| samples < 10));
    }
}
