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

    fn at(seconds: f64) -> Instant {
        Instant::from_secs_f64(seconds)
    }

    /// A beam whose clear level is 80 and that was learned: half a minute of samples, ten a second.
    fn learned() -> (Light, f64) {
        let mut light = Light::new(true);
        for tenth in 0..300 {
            light.follow(80.0, at(f64::from(tenth) / 10.0));
        }
        assert_eq!((light.wandered(), light.usual), (Some(0.0), Some(80.0)));
        (light, 30.0)
    }

    #[test]
    fn a_fifth_of_the_span_is_a_step_and_less_is_none() {
        let steps = |level: f64, span: f64| {
            let mut light = Light::default();
            light.take(50.0, span, Evidence::Off, at(1.0));
            light.take(level, span, Evidence::Off, at(2.0))
        };
        assert!(steps(56.25, 31.25) && steps(43.75, 31.25));
        assert!(!steps(56.2, 31.25) && !steps(43.8, 31.25));
        // Between levels that are the same nothing can be told.
        assert!(!steps(90.0, 0.0));
    }

    #[test]
    fn a_step_lasts_as_long_as_what_has_one_cause_and_keeps_what_was_before() {
        let mut light = Light::default();
        light.take(50.0, 30.0, Evidence::Off, at(1.0));
        assert!(light.take(35.0, 30.0, Evidence::Off, at(2.0)));
        assert!(light.take(20.0, 30.0, Evidence::On, at(2.25)));
        let step = light.step(at(2.3)).expect("it lasts");
        assert_eq!(
            (step.at, step.part, step.was),
            (at(2.0), -1.0, Evidence::Off)
        );
        assert!(light.take(20.0, 30.0, Evidence::On, at(2.3)));
        assert!(!light.take(20.0, 30.0, Evidence::On, at(2.4)));
        assert_eq!(light.step(at(2.4)), None);
        // What stays is the new level.
        assert!(!light.take(21.0, 30.0, Evidence::On, at(2.5)));
        assert!(light.take(50.0, 30.0, Evidence::On, at(2.6)));
        // It goes back at once: no step.
        assert!(!light.take(21.0, 30.0, Evidence::On, at(2.7)));
        assert_eq!(light.step(at(2.7)), None);
    }

    #[test]
    fn a_vehicle_is_not_seen_with_less_than_a_seventh_of_the_light() {
        let (mut light, on) = learned();
        light.offset = -67.9;
        assert!(!light.blinds(on, 100.0));
        light.offset = -68.1;
        assert!(light.blinds(on, 100.0));
        // Nothing is known of what is usual: the threshold says it.
        let mut light = Light::new(true);
        light.offset = -25.4;
        assert!(!light.blinds(30.0, 100.0));
        light.offset = -25.6;
        assert!(light.blinds(30.0, 100.0));
        // A reflex sensor is blind when its threshold lies beyond what can be read.
        let mut light = Light::new(false);
        light.offset = 30.0;
        assert!(!light.blinds(70.0, 100.0));
        light.offset = 30.1;
        assert!(light.blinds(70.0, 100.0));
    }

    #[test]
    fn what_is_left_of_the_light_scales_a_level_and_what_was_added_is_taken_off() {
        let (mut light, _) = learned();
        light.offset = -40.0;
        assert_eq!(light.effective(20.0), 40.0);
        light.offset = 8.0;
        assert_eq!(light.effective(20.0), 12.0);
        light.offset = -90.0;
        assert_eq!(light.effective(1.0), 100.0, "never by more than a hundred");
        let mut light = Light::new(false);
        light.offset = -40.0;
        assert_eq!(light.effective(20.0), 60.0);
    }

    #[test]
    fn wandering_is_smoothed_over_two_seconds_and_asked_for_twice_a_second() {
        let (mut light, _) = learned();
        // Elapsed over elapsed and two seconds: half of the way after two.
        assert!(light.follow(72.0, at(31.9)));
        assert!(
            light
                .wandered()
                .is_some_and(|part| (part + 0.05).abs() < 1e-9)
        );
        light.looked_at(at(31.9));
        assert!(!light.follow(72.0, at(32.399)));
        assert!(light.follow(72.0, at(32.4)));
        // Less than a hundredth is no wandering.
        let (mut light, _) = learned();
        assert!(!light.follow(78.5, at(31.9)) && light.follow(78.3, at(34.0)));
    }

    #[test]
    fn what_is_usual_is_known_after_five_seconds() {
        let mut light = Light::new(true);
        light.follow(80.0, at(0.0));
        light.follow(80.0, at(4.999));
        assert_eq!(light.usual, None);
        light.follow(80.0, at(5.0));
        assert_eq!(light.usual, Some(80.0));
    }

    #[test]
    fn light_is_taken_off_no_faster_than_light_may_go() {
        let (mut light, _) = learned();
        light.follow(72.0, at(31.9));
        light.looked_at(at(31.9));
        // 0.3 % of 80 in a second; after ten seconds no more than in one.
        light.take_off(-0.05, at(32.9));
        assert!((light.offset + 0.24).abs() < 1e-9, "{}", light.offset);
        assert!(light.slow.is_some_and(|slow| (slow - 76.24).abs() < 1e-9));
        let before = light.offset;
        light.take_off(-0.001, at(42.9));
        let part = light.offset - before;
        assert!((part + 0.08 * (80.0 - 0.24) / 80.0).abs() < 1e-9, "{part}");
        let before = light.offset;
        light.take_off(0.05, at(43.4));
        assert!(light.offset - before > 0.119 && light.offset - before < 0.12);
    }

    #[test]
    fn light_that_went_too_fast_is_all_taken_off() {
        let (mut light, _) = learned();
        light.follow(72.0, at(31.9));
        light.learn_wandered(at(36.0), at(32.0));
        assert!((light.offset + 4.0).abs() < 1e-9, "{}", light.offset);
        assert_eq!((light.slow, light.learning_until), (None, Some(at(36.0))));
        // With a twentieth of the light gone, a twentieth of what is wandered is.
        let left = (80.0 - 4.0) / 80.0;
        light.slow = Some(72.0);
        light.learn_wandered(at(40.0), at(37.0));
        let both = -4.0 - 8.0 * left;
        assert!((light.offset - both).abs() < 1e-9, "{}", light.offset);
    }

    #[test]
    fn a_level_is_smoothed_by_the_time_that_has_gone() {
        for (seconds, slow) in [(1.0, 80.0 - 10.0 / 3.0), (2.0, 75.0), (6.0, 72.5)] {
            let mut light = Light::new(true);
            light.follow(80.0, at(1.0));
            light.follow(70.0, at(1.0 + seconds));
            assert!(light.slow.is_some_and(|is| (is - slow).abs() < 1e-9));
        }
    }

    #[test]
    fn one_that_lost_half_of_its_margin_for_ten_minutes_is_worn_until_a_quarter_is_left() {
        let (mut light, _) = learned();
        // Clear at 80, off at 60: a margin of 20.
        let lost = |light: &mut Light, mm: f64, now: f64| {
            light.slow = Some(80.0 - mm);
            light.judge_worn(0.0, 60.0, at(now));
            light.worn
        };
        assert!(!lost(&mut light, 10.1, 100.0));
        assert!(!lost(&mut light, 10.1, 699.9));
        assert!(lost(&mut light, 10.1, 700.0));
        assert!(lost(&mut light, 5.1, 701.0));
        assert!(!lost(&mut light, 5.0, 702.0));
        // Half is not more than half; and it counts without a break.
        assert!(!lost(&mut light, 10.1, 800.0));
        assert!(!lost(&mut light, 10.0, 1_000.0));
        assert!(!lost(&mut light, 10.1, 1_400.0));
        assert!(lost(&mut light, 10.1, 2_000.0));
        // What all have lost is the room's.
        light.slow = Some(64.0);
        light.judge_worn(-0.2, 60.0, at(2_001.0));
        assert!(!light.worn);
        // No margin, nothing to lose.
        let (mut light, _) = learned();
        light.slow = Some(10.0);
        light.judge_worn(0.0, 80.0, at(100.0));
        light.judge_worn(0.0, 80.0, at(900.0));
        assert!(!light.worn);
    }

    #[test]
    fn a_step_that_was_the_light_moves_the_thresholds_by_it() {
        let mut light = Light::default();
        light.take(50.0, 30.0, Evidence::Off, at(1.0));
        light.take(35.0, 30.0, Evidence::Off, at(2.0));
        light.learn(30.0, at(6.0));
        assert_eq!((light.offset, light.base), (-15.0, Some(35.0)));
        assert_eq!(light.learning_until, Some(at(6.0)));
        assert!(!light.take(35.0, 30.0, Evidence::Off, at(2.1)));
    }

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
