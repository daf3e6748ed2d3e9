//! A detector that says the same as before: most samples of most detectors.
//!
//! A level that keeps the evidence as it is, of a detector whose next sample nobody waits for,
//! moves its time and its reading and nothing else. Between which two levels that is so is worked
//! out once, when a sample has been taken in full; from then on a sample between them costs two
//! comparisons and one line of memory. Whatever else happens to the detector takes the band away
//! ([`Steady::NONE`]), and the next sample is taken in full.

use crate::change::Evidence;
use crate::layout::{Decide, Detector, DetectorKind};

/// The band of levels that say the same again, ends included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Steady {
    /// Raw counts to the unit of the band.
    scale: f64,
    low: f64,
    high: f64,
}

impl Steady {
    /// No level is in it, not even not-a-number.
    pub(super) const NONE: Self = Self {
        scale: 1.0,
        low: f64::INFINITY,
        high: f64::NEG_INFINITY,
    };

    /// The band of a current detector with thresholds and this evidence.
    ///
    /// Optical levels are looked at one by one for the room's light, and each sample moves the sums
    /// of the sequential test: neither has a band.
    pub(super) fn of(detector: &Detector, evidence: Evidence) -> Self {
        let Decide::Threshold { on, off } = detector.decide else {
            return Self::NONE;
        };
        if detector.kind != DetectorKind::Current || on <= off {
            return Self::NONE;
        }
        // What is compared with the thresholds is the distance from `zero`, rounded: it grows with
        // the level, so that it is enough to look at the two ends.
        let distance = |level: f64| libm::fabs(level - detector.zero);
        let short = detector.short_ma.unwrap_or(f64::INFINITY);
        let (low, high) = match evidence {
            Evidence::On => (
                edge(detector.zero + off, f64::next_up, |level| {
                    distance(level) > off
                }),
                edge(detector.zero + short, f64::next_down, |level| {
                    distance(level) <= short
                }),
            ),
            Evidence::Off => (
                edge(detector.zero - on, f64::next_up, |level| {
                    distance(level) < on
                }),
                edge(detector.zero + on, f64::next_down, |level| {
                    distance(level) < on
                }),
            ),
            Evidence::None => return Self::NONE,
        };
        let (least, most) = detector.range;
        Self {
            scale: detector.scale,
            low: low.max(least),
            high: high.min(most),
        }
    }

    /// Whether any level is in it.
    pub(super) fn is_any(&self) -> bool {
        self.low <= self.high
    }

    /// The level of a raw reading, if it says the same again.
    pub(super) fn repeats(&self, raw: f64) -> Option<f64> {
        let level = raw * self.scale;
        (level >= self.low && level <= self.high).then_some(level)
    }
}

/// The first level from `start` on that will do; rounding puts it a digit or two away at most.
fn edge(start: f64, next: fn(f64) -> f64, will_do: impl Fn(f64) -> bool) -> f64 {
    let mut level = start;
    while level.is_finite() && !will_do(level) {
        level = next(level);
    }
    level
}
