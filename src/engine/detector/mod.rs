//! Evidence: what one detector says (DEVELOPERS.md, section 1).
//!
//! Input: samples, the time, whether its node is there. Output: `on`, `off` or `none`, and health.
//! It knows nothing of places, feeds or trains. This is the hot path: no allocation, no string.

mod order;
pub(crate) mod room_light;
mod sequential;
mod steady;

use alloc::boxed::Box;

use crate::change::{Evidence, Health};
use crate::input::{Outcome, OwnTime, Reading, Sample};
use crate::layout::{Decide, Detector, DetectorKind};
use crate::time::{Instant, Span};
use order::{Order, Verdict};
use room_light::Light;
use sequential::Sequential;
pub use sequential::{Promise, Sequential as SequentialTest, promise, until_on};
use steady::Steady;

/// Drop-outs are counted over this long for `noisy_per_h`.
const HOUR: Span = Span::from_secs(3_600);

/// An `off` heard while its node settled counts this long after settling, if nothing else is heard.
const HELD: Span = Span::from_secs(2);

/// Two detectors of one place that say the opposite for longer than this disagree: long enough for
/// a train that comes in or goes out slowly.
const CONTRADICTED: Span = Span::from_secs(10);

/// What one detector says, and what that is gathered from.
///
/// With ten thousand detectors it is the fetching of memory that takes the time: the first line
/// holds what a steady detector's sample touches, the second what its wake-up looks at, and the
/// rest is somewhere else.
#[derive(Clone, Debug)]
#[repr(C, align(64))]
pub(crate) struct DetectorState {
    /// Last sign of life, dropped samples included; the start counts as one.
    heard: Instant,
    /// Last sample that was believed.
    pub(crate) sampled: Option<Instant>,
    pub(crate) reading: Option<f64>,
    /// Levels that would say the same again.
    steady: Steady,

    pub(crate) evidence_since: Instant,
    pub(crate) max_silence: Option<Span>,
    /// Another detector of its place says the opposite; that counts from then on.
    contradicted: Option<Instant>,
    pub(crate) more: Box<More>,
    pub(crate) evidence: Evidence,
    pub(crate) health: Health,
    heard_at_all: bool,
    pub(crate) out_of_service: bool,
    pub(crate) short: bool,
    silent: bool,
    node_offline: bool,
    implausible_now: bool,
    noisy: bool,
    pub(crate) stuck: bool,
    /// Its place is proven vacant and no train is near: the vacant level may be followed.
    pub(crate) calm: bool,
    pub(crate) coupled: bool,
    disagreeing: bool,
}

const _: () = assert!(size_of::<DetectorState>() == 128, "two lines of memory");

/// What only a sample that may move something needs.
#[derive(Clone, Debug)]
pub(crate) struct More {
    pub(crate) dropouts: u64,
    /// How often a vehicle came, drop-outs not counted.
    pub(crate) passes: u64,
    pub(crate) late: u64,
    pub(crate) implausible: u64,
    /// After its node came online: until then readings count only as `on`.
    settling_until: Option<Instant>,
    /// An `off` of a detector that reports changes only, heard while its node settled: where
    /// nothing else is heard it counts then.
    held_off: Option<Instant>,
    confirm_since: Option<Instant>,
    order: Order,
    pub(crate) light: Light,
    sequential: Option<Sequential>,
    /// Start of the hour in which drop-outs are counted, and how many there were.
    dropout_hour: (Instant, u32),
}

/// What a sample or the passing of time changed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Moved {
    pub(crate) evidence: bool,
    pub(crate) health: bool,
    /// An optical level is stepping.
    pub(crate) light: bool,
    /// An optical level without a vehicle has wandered.
    pub(crate) fade: bool,
}

impl Moved {
    pub(crate) const fn any(self) -> bool {
        self.evidence || self.health
    }
}

impl DetectorState {
    pub(crate) fn new(detector: &Detector, start: Instant) -> Self {
        let (on, off) = bounds_of(detector);
        Self {
            heard: start,
            sampled: None,
            reading: None,
            steady: Steady::NONE,
            evidence_since: start,
            max_silence: detector.max_silence,
            contradicted: None,
            more: Box::new(More {
                dropouts: 0,
                passes: 0,
                late: 0,
                implausible: 0,
                settling_until: None,
                held_off: None,
                confirm_since: None,
                order: Order::default(),
                light: Light::new(on < off),
                sequential: match detector.decide {
                    Decide::Sequential(settings) => Some(Sequential::new(settings)),
                    Decide::Threshold { .. } | Decide::Boolean => None,
                },
                dropout_hour: (start, 0),
            }),
            evidence: Evidence::None,
            health: Health::Ok,
            heard_at_all: false,
            out_of_service: false,
            short: false,
            silent: false,
            node_offline: false,
            implausible_now: false,
            noisy: false,
            stuck: false,
            calm: false,
            coupled: false,
            disagreeing: false,
        }
    }

    pub(crate) const fn clock_steps(&self) -> u64 {
        self.more.order.steps
    }

    /// When it was last heard, if it ever was.
    pub(crate) fn heard(&self) -> Option<Instant> {
        self.heard_at_all.then_some(self.heard)
    }

    pub(crate) const fn is_silent(&self) -> bool {
        self.silent || self.node_offline
    }

    /// Whether it speaks only when something changes.
    pub(crate) const fn reports_changes_only(&self) -> bool {
        self.max_silence.is_none()
    }

    /// Takes a sample that has arrived at `now`, if it is one that only says the same again; tells
    /// whether it was. What [`Self::sample`] would do is done, and nothing else has to be.
    pub(crate) fn repeats(&mut self, sample: &Sample, now: Instant) -> bool {
        let Reading::Level(raw) = sample.reading else {
            return false;
        };
        if sample.own_time.is_some() || sample.update_within.is_some() || sample.retained {
            return false;
        }
        let Some(level) = self.steady.repeats(raw) else {
            return false;
        };
        self.heard = now;
        self.sampled = Some(now);
        self.reading = Some(level);
        true
    }

    /// After a sample that was taken in full, when nothing waits for the next one: from here on
    /// those that say the same are taken the short way.
    pub(crate) fn hold_steady(&mut self, detector: &Detector) {
        let eventful = self.is_silent()
            || self.out_of_service
            || self.is_confirming()
            || self.more.settling_until.is_some()
            || self.implausible_now
            || self.short
            || self.noisy;
        if !eventful && self.reading.is_some() {
            self.steady = Steady::of(detector, self.evidence);
        }
    }

    /// The next sample is to be taken in full.
    pub(crate) fn stir(&mut self) {
        self.steady = Steady::NONE;
    }

    /// Takes one sample that has arrived at `now`.
    pub(crate) fn sample(
        &mut self,
        detector: &Detector,
        sample: &Sample,
        now: Instant,
    ) -> (Outcome, Moved) {
        if let Some(within) = sample.update_within
            && !detector.max_silence_given
            && within > Span::ZERO
        {
            self.max_silence = Some(within);
        }
        self.heard = now;
        self.heard_at_all = true;
        if let Some(own) = sample.own_time {
            let own = match own {
                OwnTime::Relative(seconds) => now.as_secs_f64() + seconds,
                OwnTime::Absolute(seconds) => seconds,
            };
            if self.more.order.take(own, now) == Verdict::Late {
                self.more.late += 1;
                return (Outcome::Late, self.settle(detector, now, None));
            }
        }
        let level = match sample.reading {
            Reading::Seen(seen) => {
                self.implausible_now = false;
                self.reading = None;
                return (Outcome::Taken, self.settle_taken(detector, now, seen));
            }
            Reading::Level(raw) => raw * detector.scale,
        };
        let (low, high) = detector.range;
        let is_current = detector.kind == DetectorKind::Current;
        if !level.is_finite() || level < low || (level > high && !is_current) {
            self.more.implausible += 1;
            self.implausible_now = true;
            return (Outcome::Implausible, self.settle(detector, now, None));
        }
        self.implausible_now = false;
        self.reading = Some(level);
        self.short = detector
            .short_ma
            .is_some_and(|limit| is_current && libm::fabs(level - detector.zero) > limit);
        // A current above the range is a vehicle, or worse; it is never dropped.
        let seen = if level > high {
            Some(true)
        } else {
            self.decide(detector, level, is_current, now)
        };
        self.sampled = Some(now);
        let was = self.evidence;
        let mut moved = self.settle(detector, now, seen);
        if detector.kind == DetectorKind::Optical {
            let span = span_of(detector);
            moved.light = self.more.light.take(level, span, was, now);
            let empty = self.evidence == Evidence::Off || self.more.light.learning_until.is_some();
            moved.fade = empty && !moved.light && self.more.light.follow(level, now);
        }
        (Outcome::Taken, moved)
    }

    /// Whether the last level, less what the room's light has added, clearly says what the evidence
    /// was before the step: then the step need not be explained.
    pub(crate) fn is_clear_of(&self, detector: &Detector, was: Evidence) -> bool {
        // What comes after darkness has to be looked into, or darkness would never end.
        if self.is_blinded(detector) {
            return false;
        }
        let Some(level) = self.reading.map(|level| self.more.light.effective(level)) else {
            return true;
        };
        let (on, off) = bounds_of(detector);
        match was {
            Evidence::On if on > off => level >= on,
            Evidence::On => level <= on,
            Evidence::Off | Evidence::None if on > off => level <= off,
            Evidence::Off | Evidence::None => level >= off,
        }
    }

    /// The light has taken so much away, or added so much, that a vehicle would not be seen.
    fn is_blinded(&self, detector: &Detector) -> bool {
        if detector.kind != DetectorKind::Optical || self.more.light.offset == 0.0 {
            return false;
        }
        let (on, _) = bounds_of(detector);
        self.more.light.blinds(on, detector.range.1)
    }

    /// What it has wandered by more than the others is its own; tells whether health moved. It
    /// counts as drifting when half of what separates it from `off` is gone.
    pub(crate) fn judge_worn(&mut self, detector: &Detector, common: f64, now: Instant) -> bool {
        let (_, off) = bounds_of(detector);
        self.more.light.judge_worn(common, off, now);
        self.judge_health(detector)
    }

    /// Another detector of its place says the opposite since `since`, or none does; tells whether
    /// health moved.
    pub(crate) fn judge_contradicted(
        &mut self,
        detector: &Detector,
        since: Option<Instant>,
        now: Instant,
    ) -> bool {
        self.contradicted = since.map(|since| since.plus(CONTRADICTED));
        self.disagreeing = self.contradicted.is_some_and(|at| now >= at);
        self.judge_health(detector)
    }

    /// The room's light has stepped: the evidence is none until the levels are learned again.
    pub(crate) fn learn_light(
        &mut self,
        detector: &Detector,
        until: Instant,
        now: Instant,
    ) -> Moved {
        self.more.light.learn(span_of(detector), until);
        self.settle(detector, now, None)
    }

    /// The room's light has faded too fast to be followed.
    pub(crate) fn learn_wandered(
        &mut self,
        detector: &Detector,
        until: Instant,
        now: Instant,
    ) -> Moved {
        self.more.light.learn_wandered(until, now);
        self.settle(detector, now, None)
    }

    /// Threshold with hysteresis, or the sequential test; `None`: between the two.
    fn decide(
        &mut self,
        detector: &Detector,
        level: f64,
        is_current: bool,
        now: Instant,
    ) -> Option<bool> {
        let level = if is_current {
            libm::fabs(level - detector.zero)
        } else {
            self.more.light.effective(level)
        };
        match detector.decide {
            Decide::Threshold { on, off } if on > off => {
                if level >= on {
                    Some(true)
                } else if level <= off {
                    Some(false)
                } else {
                    self.between()
                }
            }
            Decide::Threshold { on, off } => {
                if level <= on {
                    Some(true)
                } else if level >= off {
                    Some(false)
                } else {
                    self.between()
                }
            }
            Decide::Boolean => Some(level != 0.0),
            Decide::Sequential(_) => {
                let calm = self.calm && self.evidence == Evidence::Off;
                let elapsed = self
                    .sampled
                    .map_or(0.0, |before| now.since(before).as_secs_f64());
                self.more
                    .sequential
                    .as_mut()
                    .and_then(|test| test.take(level, elapsed, calm))
            }
        }
    }

    /// A level between the thresholds ends a confirmation: it must *stay* at or beyond `on`.
    fn between(&mut self) -> Option<bool> {
        self.more.confirm_since = None;
        None
    }

    fn settle_taken(&mut self, detector: &Detector, now: Instant, seen: bool) -> Moved {
        self.sampled = Some(now);
        self.settle(detector, now, Some(seen))
    }

    /// Time alone: confirmation, silence, the end of settling.
    pub(crate) fn look(&mut self, detector: &Detector, now: Instant) -> Moved {
        self.settle(detector, now, None)
    }

    /// Its device came or went.
    pub(crate) fn node(
        &mut self,
        detector: &Detector,
        online: bool,
        settle: Span,
        now: Instant,
    ) -> Moved {
        if online {
            if self.node_offline {
                // Its clock may have started anew with it.
                self.more.order = Order::default();
            }
            self.node_offline = false;
            self.more.settling_until = Some(now.plus(settle));
            self.heard = now;
        } else {
            self.node_offline = true;
            self.more.confirm_since = None;
        }
        self.settle(detector, now, None)
    }

    /// Everything known about it is old: the broker was away.
    pub(crate) fn forget(&mut self, detector: &Detector, now: Instant) -> Moved {
        self.stir();
        self.more.confirm_since = None;
        self.silent = true;
        let moved = self.settle_evidence(now, Evidence::None);
        let health = self.judge_health(detector);
        Moved {
            evidence: moved,
            health,
            ..Moved::default()
        }
    }

    /// It was heard, and says that it cannot tell.
    pub(crate) fn cannot_tell(&mut self, detector: &Detector, now: Instant) -> Moved {
        self.heard = now;
        self.heard_at_all = true;
        self.sampled = Some(now);
        let before = self.evidence;
        let mut moved = self.settle(detector, now, None);
        self.settle_evidence(now, Evidence::None);
        moved.evidence = before != Evidence::None;
        moved
    }

    /// The broker is back: the clock of silence starts again.
    pub(crate) fn listen_again(&mut self, now: Instant) {
        self.heard = now;
    }

    fn settle(&mut self, detector: &Detector, now: Instant, seen: Option<bool>) -> Moved {
        self.stir();
        if self.more.settling_until.is_some_and(|until| now >= until) {
            self.more.settling_until = None;
        }
        let held_off = self.more.held_off.is_some_and(|at| now >= at);
        if held_off {
            self.more.held_off = None;
        }
        let quiet_too_long = self
            .max_silence
            .is_some_and(|limit| now >= self.heard.past(limit));
        if quiet_too_long {
            self.silent = true;
        } else if self.heard_at_all && self.heard == now {
            self.silent = false;
        }
        if self.noisy {
            self.roll_hour(detector, now);
        }
        if self
            .more
            .light
            .learning_until
            .is_some_and(|until| now >= until)
        {
            self.more.light.learning_until = None;
        }
        let dazzled = self.more.light.learning_until.is_some() || self.is_blinded(detector);
        let evidence = if self.silent || self.node_offline || self.out_of_service || dazzled {
            self.more.confirm_since = None;
            Evidence::None
        } else {
            self.judge(detector, now, seen.or(held_off.then_some(false)))
        };
        Moved {
            evidence: self.settle_evidence(now, evidence),
            health: self.judge_health(detector),
            ..Moved::default()
        }
    }

    fn judge(&mut self, detector: &Detector, now: Instant, seen: Option<bool>) -> Evidence {
        match seen {
            Some(true) => {
                self.more.held_off = None;
                if self.evidence == Evidence::On || detector.confirm == Span::ZERO {
                    self.more.confirm_since = None;
                    return Evidence::On;
                }
                let since = *self.more.confirm_since.get_or_insert(now);
                if now >= since.plus(detector.confirm) {
                    self.more.confirm_since = None;
                    return Evidence::On;
                }
                self.evidence
            }
            Some(false) => {
                self.more.confirm_since = None;
                self.more.held_off = None;
                // After a node came online its readings count only as `on` for a while.
                if let Some(until) = self.more.settling_until {
                    self.more.held_off = self.reports_changes_only().then(|| until.plus(HELD));
                    return match self.evidence {
                        Evidence::On | Evidence::None => Evidence::None,
                        Evidence::Off => Evidence::Off,
                    };
                }
                Evidence::Off
            }
            None => {
                if let Some(since) = self.more.confirm_since
                    && now >= since.plus(detector.confirm)
                {
                    self.more.confirm_since = None;
                    return Evidence::On;
                }
                self.evidence
            }
        }
    }

    /// It speaks, but its node came online a moment ago: only an `on` counts.
    pub(crate) fn settles(&self) -> bool {
        let speaks = !(self.silent || self.node_offline || self.out_of_service);
        speaks && self.more.settling_until.is_some()
    }

    fn settle_evidence(&mut self, now: Instant, evidence: Evidence) -> bool {
        if evidence == self.evidence {
            return false;
        }
        self.evidence = evidence;
        self.evidence_since = now;
        true
    }

    fn judge_health(&mut self, _detector: &Detector) -> bool {
        let health = if self.out_of_service {
            Health::OutOfService
        } else if self.silent || self.node_offline {
            Health::Silent
        } else if self.implausible_now {
            Health::Implausible
        } else if self.stuck {
            Health::Stuck
        } else if self.noisy {
            Health::Noisy
        } else if self.coupled {
            Health::Coupled
        } else if self.disagreeing {
            Health::Disagreeing
        } else if self.has_drifted() {
            Health::Drifting
        } else {
            Health::Ok
        };
        if health == self.health {
            return false;
        }
        self.health = health;
        true
    }

    /// The vacant level is not where it was. Darkness over all beams is no fault of one of them.
    fn has_drifted(&self) -> bool {
        let level = self.more.sequential.as_ref();
        level.is_some_and(Sequential::has_drifted) || self.more.light.worn
    }

    /// The operator takes it out of service or puts it back.
    pub(crate) fn service(&mut self, detector: &Detector, in_service: bool, now: Instant) -> Moved {
        self.out_of_service = !in_service;
        self.settle(detector, now, None)
    }

    /// It goes on together with a place that is no neighbour, or does not any more.
    pub(crate) fn judge_coupled(&mut self, detector: &Detector, coupled: bool) -> bool {
        self.coupled = coupled;
        self.judge_health(detector)
    }

    /// It has been on for so long while trains went by on both sides; tells whether health moved.
    pub(crate) fn judge_stuck(&mut self, detector: &Detector, passed: bool, now: Instant) -> bool {
        self.stuck = self.evidence == Evidence::On
            && (self.stuck || (passed && now >= self.evidence_since.plus(detector.stuck)));
        self.judge_health(detector)
    }

    /// A drop-out under a train was seen; tells whether health moved.
    pub(crate) fn dropped_out(&mut self, detector: &Detector, now: Instant) -> bool {
        self.more.dropouts += 1;
        self.roll_hour(detector, now);
        self.more.dropout_hour.1 += 1;
        if self.more.dropout_hour.1 > detector.noisy_per_h {
            self.stir();
            self.noisy = true;
        }
        self.judge_health(detector)
    }

    /// Closes an hour of counting: a quiet one ends `noisy`.
    fn roll_hour(&mut self, detector: &Detector, now: Instant) {
        if now >= self.more.dropout_hour.0.plus(HOUR) {
            if self.more.dropout_hour.1 <= detector.noisy_per_h {
                self.noisy = false;
            }
            self.more.dropout_hour = (now, 0);
        }
    }

    /// When it wants to be looked at again.
    pub(crate) fn wake(&self, detector: &Detector) -> Option<Instant> {
        if self.steady.is_any() && self.evidence == Evidence::Off && self.contradicted.is_none() {
            // Nothing but its silence can come: what else there is makes it unsteady.
            return self.max_silence.map(|limit| self.heard.past(limit));
        }
        let confirm = self
            .more
            .confirm_since
            .map(|since| since.plus(detector.confirm));
        let silence = match self.max_silence {
            Some(limit) if !self.silent && !self.node_offline => Some(self.heard.past(limit)),
            _ => None,
        };
        let stuck = (self.evidence == Evidence::On && !self.stuck)
            .then(|| self.evidence_since.plus(detector.stuck));
        let learnt = self.more.light.learning_until;
        let contradicted = self.contradicted.filter(|_| !self.disagreeing);
        let quiet = self.noisy.then(|| self.more.dropout_hour.0.plus(HOUR));
        [
            quiet,
            contradicted,
            confirm,
            silence,
            self.more.settling_until,
            self.more.held_off,
            stuck,
            learnt,
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Whether the wake-up moves with this very sample: a confirmation or a held `off` is running.
    pub(crate) const fn is_confirming(&self) -> bool {
        self.more.confirm_since.is_some() || self.more.held_off.is_some()
    }
}

/// The levels at or beyond which a vehicle is there, and at or beyond which none is.
fn bounds_of(detector: &Detector) -> (f64, f64) {
    match detector.decide {
        Decide::Threshold { on, off } => (on, off),
        Decide::Sequential(s) => {
            let gap = s.occupied_mean - s.vacant_mean;
            (s.vacant_mean + gap / 2.0, s.vacant_mean + gap / 4.0)
        }
        Decide::Boolean => (0.0, 0.0),
    }
}

/// What parts of a step are measured by.
fn span_of(detector: &Detector) -> f64 {
    match detector.decide {
        Decide::Threshold { on, off } => libm::fabs(on - off),
        Decide::Sequential(s) => libm::fabs(s.occupied_mean - s.vacant_mean),
        Decide::Boolean => 0.0,
    }
}

#[cfg(test)]
mod limits;
#[cfg(test)]
mod tests;
