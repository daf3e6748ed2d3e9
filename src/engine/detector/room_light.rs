//! Steps of one optical detector's level, and its wandering: material for telling the room's light
//! from trains.
//!
//! Knows one detector only. Whether many moved together is decided in `light`.

use crate::change::Evidence;
use crate::time::{Instant, Span};

/// Steps this close together may have one cause.
pub(crate) const TOGETHER: Span = Span::from_millis(300);

/// A smaller part of the span than this is no step.
const STEP_PART: f64 = 0.2;

/// The level without a vehicle is smoothed with this time constant, seconds: noise and mains
/// flicker go, dusk stays.
const SMOOTH_S: f64 = 2.0;

/// What is usual is known after so long.
const USUAL: Span = Span::from_secs(5);

/// A smaller part of the usual level than this is no wandering.
pub(crate) const FADE_PART: f64 = 0.01;

/// With less than this part of the usual light left, a vehicle's shadow cannot be told from the
/// room's.
const BLIND_PART: f64 = 0.15;

/// No level is scaled up by more than one over this.
const LEFT_MIN: f64 = 0.01;

/// Wandering is looked at so often.
const LOOK: Span = Span::from_millis(500);

/// The room's light is followed by this part of the usual level a second: dusk is slower, no train
/// is.
const FOLLOW_PART_S: f64 = 0.003;

/// With this part of its margin gone for so long the detector is worn, until it has come back to
/// the other part. A lamp's flicker may beat with the samples for a minute.
const WORN: f64 = 0.5;
const WORN_ENDS: f64 = 0.25;
const WORN_AFTER: Span = Span::from_secs(600);

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Light {
    /// The level before the step.
    base: Option<f64>,
    step: Option<Step>,
    /// Added by ambient steps since the thresholds were set.
    pub(crate) offset: f64,
    /// Levels are learned again until then; the evidence is none.
    pub(crate) learning_until: Option<Instant>,
    /// The level without a vehicle, `offset` taken off: smoothed, and what it usually is.
    slow: Option<f64>,
    usual: Option<f64>,
    /// When it was first smoothed, last smoothed, and last looked at.
    first: Instant,
    smoothed: Instant,
    looked: Instant,
    /// It has wandered alone, towards where a vehicle would be seen; since when it has gone far.
    pub(crate) worn: bool,
    far_since: Option<Instant>,
    /// A vehicle takes light away, as from a beam.
    dims: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    pub(crate) at: Instant,
    /// How much of the detector's span, with its sign.
    pub(crate) part: f64,
    /// What the evidence was before it.
    pub(crate) was: Evidence,
}

impl Light {
    /// `dims`: a vehicle takes light away.
    pub(crate) fn new(dims: bool) -> Self {
        Self {
            dims,
            ..Self::default()
        }
    }

    /// The level as it would be in the light for which the thresholds were set.
    ///
    /// Light that was added is taken off. Light that has gone took its part of every level where a
    /// lamp of the room lights the beam, and the same amount of each where the beam has a lamp of
    /// its own: to scale the level up keeps a vehicle below its threshold in both cases.
    pub(crate) fn effective(&self, level: f64) -> f64 {
        match self.left() {
            Some(left) => level / left,
            None => level - self.offset,
        }
    }

    /// The part of the usual light that is left; `None` where light was added, or nothing is known
    /// of what is usual.
    fn left(&self) -> Option<f64> {
        let usual = self.usual.filter(|usual| self.dims && *usual > 0.0)?;
        (self.offset < 0.0).then(|| ((usual + self.offset) / usual).max(LEFT_MIN))
    }

    /// So little light is left, or so much was added, that a vehicle would not be seen. `on`: the
    /// threshold; `most`: the highest level that can be read.
    pub(crate) fn blinds(&self, on: f64, most: f64) -> bool {
        match self.left() {
            Some(left) => left < BLIND_PART,
            None if self.dims => on + self.offset < BLIND_PART * on,
            None => on + self.offset > most,
        }
    }

    /// Takes a level, and what the evidence was before it; tells whether it belongs to a step that
    /// is going on.
    pub(crate) fn take(&mut self, level: f64, span: f64, was: Evidence, now: Instant) -> bool {
        let Some(base) = self.base else {
            self.base = Some(level);
            return false;
        };
        if self.step.is_some_and(|step| now.since(step.at) > TOGETHER) {
            // What stays is the new level.
            self.step = None;
            self.base = Some(level);
            return false;
        }
        let part = if span > 0.0 {
            (level - base) / span
        } else {
            0.0
        };
        if libm::fabs(part) < STEP_PART {
            self.step = None;
            self.base = Some(level);
            return false;
        }
        let (at, was) = self.step.map_or((now, was), |step| (step.at, step.was));
        self.step = Some(Step { at, part, was });
        true
    }

    /// Smooths a level that no vehicle has to do with; tells whether it is time to ask whether the
    /// others have wandered as this one has.
    pub(crate) fn follow(&mut self, level: f64, now: Instant) -> bool {
        let level = self.effective(level);
        let Some(slow) = self.slow else {
            self.slow = Some(level);
            (self.first, self.smoothed) = (now, now);
            return false;
        };
        let elapsed = now.since(self.smoothed).as_secs_f64();
        self.smoothed = now;
        let slow = slow + elapsed / (elapsed + SMOOTH_S) * (level - slow);
        self.slow = Some(slow);
        if self.usual.is_none() && now.since(self.first) >= USUAL {
            self.usual = Some(slow);
        }
        let far = libm::fabs(self.wandered().unwrap_or(0.0)) >= FADE_PART;
        (far || self.worn) && now.since(self.looked) >= LOOK
    }

    /// How far the level without a vehicle is from what is usual, as a part of that; `None` where
    /// it is not known.
    pub(crate) fn wandered(&self) -> Option<f64> {
        let (slow, usual) = (self.slow?, self.usual?);
        (usual > 0.0).then(|| (slow - usual) / usual)
    }

    /// All have wandered by `common`: that is taken off, as fast as light may go.
    pub(crate) fn take_off(&mut self, common: f64, now: Instant) {
        let most = FOLLOW_PART_S * now.since(self.looked).as_secs_f64().min(1.0);
        let change = common.clamp(-most, most) * self.usual.unwrap_or(0.0);
        self.offset += change * self.left().unwrap_or(1.0);
        self.slow = self.slow.map(|slow| slow - change);
        self.looked = now;
    }

    /// The room's light has gone too fast for that: all of it is taken off, and levels are learned
    /// again.
    pub(crate) fn learn_wandered(&mut self, until: Instant, now: Instant) {
        let change = self.wandered().unwrap_or(0.0) * self.usual.unwrap_or(0.0);
        self.offset += change * self.left().unwrap_or(1.0);
        self.slow = None;
        self.looked = now;
        self.learning_until = Some(until);
    }

    /// Judges whether the detector alone, without what all have wandered by, has lost half of what
    /// separates its level from `off`.
    pub(crate) fn judge_worn(&mut self, common: f64, off: f64, now: Instant) {
        let (Some(own), Some(usual)) = (self.wandered(), self.usual) else {
            return;
        };
        let margin = usual - off;
        let lost = (common - own) * usual;
        let part = if margin == 0.0 { 0.0 } else { lost / margin };
        if part > WORN {
            let since = *self.far_since.get_or_insert(now);
            self.worn |= now.since(since) >= WORN_AFTER;
        } else {
            self.far_since = None;
            self.worn &= part > WORN_ENDS;
        }
    }

    /// It was looked at and is left as it is.
    pub(crate) fn looked_at(&mut self, now: Instant) {
        self.looked = now;
    }

    /// The step, if it was just now.
    pub(crate) fn step(&self, now: Instant) -> Option<Step> {
        self.step.filter(|step| now.since(step.at) <= TOGETHER)
    }

    /// The step was the room's light: the thresholds move with it.
    pub(crate) fn learn(&mut self, span: f64, until: Instant) {
        if let Some(step) = self.step.take() {
            self.offset += step.part * span;
            self.base = self.base.map(|base| base + step.part * span);
        }
        self.slow = None;
        self.learning_until = Some(until);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_measured_against_the_level_before() {
        let mut light = Light::default();
        let off = Evidence::Off;
        assert!(!light.take(50.0, 30.0, off, Instant::from_secs_f64(1.0)));
        assert!(light.take(28.0, 30.0, off, Instant::from_secs_f64(2.0)));
        let step = light
            .step(Instant::from_secs_f64(2.2))
            .map(|step| step.part);
        assert!(step.is_some_and(|part| (part + 22.0 / 30.0).abs() < 1e-9));
        assert!(!light.take(28.0, 30.0, off, Instant::from_secs_f64(2.5)));
        assert_eq!(light.step(Instant::from_secs_f64(2.5)), None);
    }
}
