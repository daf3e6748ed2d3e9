//! One detector alone: thresholds, silence, the order of its samples, what cannot be true.

use super::*;
use crate::ids::DetectorId;
use crate::layout::{Subject, Watches};
use alloc::string::String;

fn current(on: f64, off: f64) -> Detector {
    Detector {
        id: String::from("d"),
        name: String::from("d"),
        kind: DetectorKind::Current,
        subject: Subject::Block(crate::ids::BlockId(0), None),
        watches: Watches::Whole,
        unit: String::from("mA"),
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

fn level(value: f64) -> Sample {
    Sample {
        detector: DetectorId(0),
        reading: Reading::Level(value),
        own_time: None,
        update_within: None,
        retained: false,
    }
}

fn at(seconds: f64) -> Instant {
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
