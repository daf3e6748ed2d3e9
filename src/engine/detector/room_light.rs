//! Steps of one optical detector's level: material for telling the room's light from trains.
//!
//! Knows one detector only. Whether many stepped together is decided in `light`.

use crate::time::{Instant, Span};

/// Steps this close together may have one cause.
pub(crate) const TOGETHER: Span = Span::from_millis(300);

/// A smaller part of the span than this is no step.
const STEP_PART: f64 = 0.2;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Light {
    /// The level before the step.
    base: Option<f64>,
    step: Option<Step>,
    /// Added by ambient steps since the thresholds were set.
    pub(crate) offset: f64,
    /// Levels are learned again until then; the evidence is none.
    pub(crate) learning_until: Option<Instant>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Step {
    pub(crate) at: Instant,
    /// How much of the detector's span, with its sign.
    pub(crate) part: f64,
}

impl Light {
    /// Takes a level; tells whether it belongs to a step that is going on.
    pub(crate) fn take(&mut self, level: f64, span: f64, now: Instant) -> bool {
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
        let at = self.step.map_or(now, |step| step.at);
        self.step = Some(Step { at, part });
        true
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
        self.learning_until = Some(until);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_measured_against_the_level_before() {
        let mut light = Light::default();
        assert!(!light.take(50.0, 30.0, Instant::from_secs_f64(1.0)));
        assert!(light.take(28.0, 30.0, Instant::from_secs_f64(2.0)));
        let step = light
            .step(Instant::from_secs_f64(2.2))
            .map(|step| step.part);
        assert!(step.is_some_and(|part| (part + 22.0 / 30.0).abs() < 1e-9));
        assert!(!light.take(28.0, 30.0, Instant::from_secs_f64(2.5)));
        assert_eq!(light.step(Instant::from_secs_f64(2.5)), None);
    }
}
