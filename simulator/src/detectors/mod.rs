//! What the detectors of the world report: samples with their noise, in the plan's units.
//!
//! Inputs: currents by zone, bodies on the track, the room's light. Outputs: readings, and whether
//! each is worth a message. It knows nothing of what is made of them, and decides nothing.

pub mod current;
pub mod optical;
pub mod payload;
pub mod spot;

use taillamp::engine::layout::{Decide, Detector, DetectorKind, Layout};
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;
use crate::world::load::Currents;
use crate::world::track::{Lie, Track, Zone};
use crate::world::train::Stretch;
use optical::Lens;
use spot::Spot;

/// What is wrong with a detector.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fault {
    /// Nothing.
    #[default]
    None,
    /// It says nothing.
    Dead,
    /// It says what it said last.
    Frozen,
}

/// When a detector sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reporting {
    /// Every sample.
    Always,
    /// When the reading has changed by more than a step, and at least every so often.
    Changes {
        /// A current's step, mA; or a tenth of the reading where that is more.
        step_ma: f64,
        /// At least this often, where the plan watches for silence.
        at_least_every: Span,
    },
}

/// How detectors behave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habits {
    /// Between two samples.
    pub every: Span,
    /// Up to so much later.
    pub jitter: Span,
    /// When they send.
    pub reporting: Reporting,
    /// Spread of a current's noise, mA: 0.1 quiet, 0.3 usual, 0.6 bad.
    pub noise_ma: f64,
    /// One count of the converter, mA.
    pub count_ma: f64,
    /// Leakage through ballast and sleepers wanders between zero and this, mA.
    pub leakage_ma: f64,
    /// Beams see the gaps between two vehicles; those that cross the track at a slant do not.
    pub beams_see_gaps: bool,
}

impl Default for Habits {
    fn default() -> Self {
        Self {
            every: Span::from_millis(50),
            jitter: Span::from_millis(5),
            reporting: Reporting::Changes {
                step_ma: 0.8,
                at_least_every: Span::from_millis(1_000),
            },
            noise_ma: 0.1,
            count_ma: 0.1,
            leakage_ma: 0.4,
            beams_see_gaps: false,
        }
    }
}

/// What a sample shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shown {
    /// A current, mA.
    Milliamperes(f64),
    /// An optical level in the plan's unit.
    Level(f64),
    /// A contact.
    Closed(bool),
}

/// What there is to be seen at one moment.
pub struct Scene<'a> {
    /// When.
    pub now: Instant,
    /// What flows.
    pub currents: &'a Currents,
    /// By zone: the voltage.
    pub volts: &'a dyn Fn(Zone) -> f64,
    /// Every vehicle by itself.
    pub vehicles: &'a [Stretch],
    /// Every train with its couplings.
    pub trains: &'a [Stretch],
    /// How points lie.
    pub lie: &'a Lie,
    /// The track.
    pub track: &'a Track,
    /// The room's light, 1 as usual.
    pub room_light: f64,
}

/// One detector at work.
#[derive(Clone, Debug)]
pub struct Sensor {
    /// What is wrong with it.
    pub fault: Fault,
    detector: Detector,
    spot: Spot,
    next: Instant,
    sampled: Option<Instant>,
    sent: Option<(Shown, Instant)>,
    leakage: current::Leakage,
    chance: Chance,
}

impl Sensor {
    /// All detectors of a layout, each with chance of its own.
    #[must_use]
    pub fn all(layout: &Layout, seed: u64, habits: &Habits) -> Vec<Self> {
        let make = |detector: &Detector| {
            let mut chance = Chance::new(seed, &format!("detector {}", detector.id));
            let first_s = chance.between(0.0, habits.every.as_secs_f64());
            Self {
                fault: Fault::None,
                detector: detector.clone(),
                spot: Spot::of(detector.subject, layout),
                next: Instant::from_secs_f64(first_s),
                sampled: None,
                sent: None,
                leakage: current::Leakage::new(habits.leakage_ma, &mut chance),
                chance,
            }
        };
        layout.detectors.iter().map(make).collect()
    }

    /// The plan's detector.
    #[must_use]
    pub const fn detector(&self) -> &Detector {
        &self.detector
    }

    /// Forgets what was sent: a device that starts again tells everything anew.
    pub const fn forget(&mut self) {
        self.sent = None;
    }

    /// Takes a sample where one is due; the reading where it is to be sent.
    pub fn sample(&mut self, scene: &Scene<'_>, habits: &Habits) -> Option<Shown> {
        if self.next > scene.now {
            return None;
        }
        let jitter_s = self.chance.between(0.0, habits.jitter.as_secs_f64());
        self.next = scene
            .now
            .plus(habits.every)
            .plus(Span::from_secs_f64(jitter_s));
        let shown = match (self.fault, self.sent) {
            (Fault::Dead, _) => return None,
            (Fault::Frozen, Some((last, _))) => last,
            (Fault::None | Fault::Frozen, _) => self.read(scene, habits),
        };
        self.sampled = Some(scene.now);
        if !self.is_worth_sending(shown, scene.now, habits) {
            return None;
        }
        self.sent = Some((shown, scene.now));
        Some(shown)
    }

    fn read(&mut self, scene: &Scene<'_>, habits: &Habits) -> Shown {
        let covered = |bodies| self.spot.is_covered(bodies, scene.track, scene.lie);
        match self.detector.kind {
            DetectorKind::Current => {
                let zone = self.spot.zone(scene.track);
                let flowing_ma = scene.currents.actual.get(&zone).copied().unwrap_or(0.0);
                let volts = (scene.volts)(zone);
                let ma = current::read(
                    flowing_ma,
                    volts,
                    &mut self.leakage,
                    habits,
                    &mut self.chance,
                );
                Shown::Milliamperes(ma)
            }
            DetectorKind::Optical => {
                let bodies = if habits.beams_see_gaps {
                    scene.vehicles
                } else {
                    scene.trains
                };
                let lens = Lens::of(&self.detector);
                let level = lens.level(covered(bodies), scene.room_light, &mut self.chance);
                Shown::Level(level)
            }
            DetectorKind::Contact => Shown::Closed(covered(scene.vehicles)),
        }
    }

    fn is_worth_sending(&self, shown: Shown, now: Instant, habits: &Habits) -> bool {
        let Reporting::Changes {
            step_ma,
            at_least_every,
        } = habits.reporting
        else {
            return true;
        };
        let Some((last, at)) = self.sent else {
            return true;
        };
        let steadily = self.detector.max_silence.is_some();
        if steadily && now.since(at) >= at_least_every {
            return true;
        }
        match (last, shown) {
            (Shown::Milliamperes(was), Shown::Milliamperes(is)) => {
                (is - was).abs() >= step_ma.max(was.abs() / 10.0)
            }
            (Shown::Level(was), Shown::Level(is)) => {
                (is - was).abs() >= Lens::of(&self.detector).span() / 10.0
            }
            (Shown::Closed(was), Shown::Closed(is)) => was != is,
            _ => true,
        }
    }

    /// The smallest nominal current that this detector must show as a vehicle, mA.
    #[must_use]
    pub fn on_ma(&self) -> Option<f64> {
        match (self.detector.kind, self.detector.decide) {
            (DetectorKind::Current, Decide::Threshold { on, .. }) => Some(on),
            (DetectorKind::Current, Decide::Sequential(test)) => Some(test.occupied_mean),
            (DetectorKind::Current, Decide::Boolean)
            | (DetectorKind::Optical | DetectorKind::Contact, _) => None,
        }
    }

    /// When it last took a sample.
    #[must_use]
    pub const fn sampled(&self) -> Option<Instant> {
        self.sampled
    }

    /// Where it looks.
    #[must_use]
    pub const fn spot(&self) -> Spot {
        self.spot
    }
}
