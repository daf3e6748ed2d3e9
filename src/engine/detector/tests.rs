//! One detector alone: thresholds, silence, the order of its samples, what cannot be true.

use super::*;
use crate::ids::DetectorId;
use crate::layout::{Subject, Watches};
use alloc::string::String;

pub(super) fn current(on: f64, off: f64) -> Detector {
    Detector {
        id: String::from("d"),
        name: String::from("d"),
        kind: DetectorKind::Current,
        subject: Subject::Block(crate::ids::BlockId(0), None),
        watches: Watches::Whole,
        unit: "mA",
        decide: Decide::Threshold { on, off },
        zero: 0.0,
        scale: 1.0,
        signed: false,
        range: (-20.0, 20_000.0),
        short_ma: None,
        confirm: Span::ZERO,
        max_silence: Some(Span::from_secs(10)),
        max_silence_given: true,
        stuck: Span::from_secs(7_200),
        noisy_per_h: 30,
        node: None,
    }
}

pub(super) fn level(value: f64) -> Sample {
    Sample {
        detector: DetectorId(0),
        reading: Reading::Level(value),
        own_time: None,
        update_within: None,
        retained: false,
    }
}

pub(super) fn at(seconds: f64) -> Instant {
    Instant::from_secs_f64(seconds)
}

/// Two thresholds, output changes up only at the upper and down only at the lower one
/// (Schmitt trigger; OPC 10000-9 B.1.5 deadband).
#[test]
fn threshold_has_hysteresis() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    let mut say = |t: f64, v: f64| {
        state.sample(&detector, &level(v), at(t));
        state.evidence
    };
    assert_eq!(say(0.1, 2.0), Evidence::None);
    assert_eq!(say(0.2, 3.0), Evidence::On);
    assert_eq!(say(0.3, 1.6), Evidence::On);
    assert_eq!(say(0.4, 1.5), Evidence::Off);
    assert_eq!(say(0.5, 2.9), Evidence::Off);
    assert_eq!(say(0.6, -3.1), Evidence::On);
}

#[test]
fn confirm_wants_the_level_to_stay() {
    let mut detector = current(3.0, 1.5);
    detector.confirm = Span::from_millis(100);
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(0.0), at(0.0));
    state.sample(&detector, &level(5.0), at(1.0));
    assert_eq!(state.wake(&detector), Some(at(1.1)));
    state.sample(&detector, &level(2.0), at(1.05));
    state.look(&detector, at(1.1));
    assert_eq!(state.evidence, Evidence::Off);
    state.sample(&detector, &level(5.0), at(2.0));
    state.look(&detector, at(2.1));
    assert_eq!(state.evidence, Evidence::On);
}

#[test]
fn silence_is_longer_than_its_limit() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(0.0), at(1.0));
    state.look(&detector, at(11.0));
    assert_eq!(state.health, Health::Ok);
    state.look(&detector, at(11.001));
    assert_eq!(
        (state.health, state.evidence),
        (Health::Silent, Evidence::None)
    );
    state.sample(&detector, &level(0.0), at(12.0));
    assert_eq!((state.health, state.evidence), (Health::Ok, Evidence::Off));
}

#[test]
fn three_samples_of_a_stepped_clock_start_a_new_order() {
    let mut order = Order::default();
    assert_eq!(order.take(1_000.0, at(0.0)), Verdict::InOrder);
    assert_eq!(order.take(999.5, at(0.1)), Verdict::Late);
    assert_eq!(order.take(10.0, at(1.0)), Verdict::Late);
    assert_eq!(order.take(11.0, at(2.0)), Verdict::Late);
    assert_eq!(order.take(12.0, at(3.0)), Verdict::InOrder);
    assert_eq!(order.steps, 1);
    assert_eq!(order.take(13.0, at(4.0)), Verdict::InOrder);
}

#[test]
fn a_current_above_its_range_is_a_vehicle_and_below_is_nonsense() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    let (outcome, _) = state.sample(&detector, &level(30_000.0), at(0.1));
    assert_eq!((outcome, state.evidence), (Outcome::Taken, Evidence::On));
    let (outcome, _) = state.sample(&detector, &level(-21.0), at(0.2));
    assert_eq!(
        (outcome, state.evidence),
        (Outcome::Implausible, Evidence::On)
    );
    let (outcome, _) = state.sample(&detector, &level(f64::NAN), at(0.3));
    assert_eq!(outcome, Outcome::Implausible);
}

/// What anybody can see of a detector.
fn seen(state: &DetectorState, detector: &Detector) -> impl PartialEq + core::fmt::Debug {
    (
        (state.evidence, state.evidence_since, state.health),
        (state.heard(), state.sampled, state.reading, state.short),
        (state.more.late, state.more.implausible, state.more.dropouts),
        state.wake(detector),
    )
}

/// Numbers that are the same in every run.
struct Draw(u64);

impl Draw {
    fn below(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005);
        self.0 = self.0.wrapping_add(1);
        (self.0 >> 33) % most
    }

    fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }

    /// A detector in some calibration.
    fn detector(&mut self) -> Detector {
        let mut detector = current(3.0, 1.5);
        detector.zero = self.one_of(&[0.0, 0.3, -0.7, 1e6]);
        detector.scale = self.one_of(&[1.0, 0.1, -2.0]);
        detector.short_ma = self.one_of(&[None, Some(400.0)]);
        detector.confirm = Span::from_millis(40 * self.below(2));
        if self.below(5) == 0 {
            detector.kind = DetectorKind::Optical;
        }
        detector
    }

    /// A level at or next to one of its limits, or well inside them.
    fn level(&mut self, detector: &Detector) -> Sample {
        let limits = [0.0, 0.2, 0.2, 1.5, 2.0, 3.0, 400.0, 2e4, -20.0, f64::NAN];
        let mut wanted = detector.zero + self.one_of(&[1.0, -1.0]) * self.one_of(&limits);
        for _ in 0..self.below(4) {
            wanted = self.one_of(&[f64::next_up as fn(f64) -> f64, f64::next_down])(wanted);
        }
        level(wanted / detector.scale)
    }
}

/// Takes a sample as the engine does; tells whether it went the short way.
fn take(state: &mut DetectorState, detector: &Detector, sample: &Sample, now: Instant) -> bool {
    if state.repeats(sample, now) {
        return true;
    }
    let (_, moved) = state.sample(detector, sample, now);
    if !moved.any() {
        state.hold_steady(detector);
    }
    false
}

/// The short way of a steady detector against the long way: the same samples at the same times,
/// levels at and around every limit, in every kind of calibration.
#[test]
fn the_short_way_of_a_steady_sample_ends_where_the_long_way_does() {
    let mut draw = Draw(7);
    let mut short_ways = 0;
    for round in 0..400 {
        let detector = draw.detector();
        let mut long = DetectorState::new(&detector, at(0.0));
        let mut short = DetectorState::new(&detector, at(0.0));
        let mut now = at(0.0);
        for _ in 0..200 {
            now = now.plus(Span::from_millis(draw.below(60)));
            let sample = draw.level(&detector);
            let yes = draw.below(3) > 0;
            let event = draw.below(200);
            if event == 2 {
                now = now.plus(Span::from_secs(11));
            }
            let befall = |state: &mut DetectorState| match event {
                0 => state.node(&detector, yes, Span::from_millis(30), now),
                1 => state.service(&detector, yes, now),
                2 => state.look(&detector, now),
                _ => Moved {
                    health: state.dropped_out(&detector, now),
                    ..Moved::default()
                },
            };
            if event < 4 {
                assert_eq!(befall(&mut long), befall(&mut short), "round {round}");
            } else {
                long.sample(&detector, &sample, now);
                short_ways += u32::from(take(&mut short, &detector, &sample, now));
            }
            let (short, long) = (seen(&short, &detector), seen(&long, &detector));
            assert_eq!(short, long, "round {round}");
        }
    }
    assert!(short_ways > 4_000, "only {short_ways} went the short way");
}
