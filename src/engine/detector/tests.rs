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

/// What anybody can see of a detector.
fn seen(state: &DetectorState, detector: &Detector) -> impl PartialEq + core::fmt::Debug {
    (
        (state.evidence, state.evidence_since, state.health),
        (state.heard(), state.sampled, state.reading, state.short),
        (state.more.late, state.more.implausible, state.more.dropouts),
        state.wake(detector),
    )
}

/// The short way of a steady detector against the long way: the same samples at the same times,
/// levels at and around every limit, in every kind of calibration.
#[test]
fn the_short_way_of_a_steady_sample_ends_where_the_long_way_does() {
    let mut seed = 7_u64;
    let mut draw = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (seed >> 33) % below
    };
    let mut short_ways = 0;
    for round in 0..400 {
        let mut detector = current(3.0, 1.5);
        detector.zero = [0.0, 0.3, -0.7, 1e6][draw(4) as usize];
        detector.scale = [1.0, 0.1, -2.0][draw(3) as usize];
        detector.short_ma = [None, Some(400.0)][draw(2) as usize];
        detector.confirm = Span::from_millis(40 * draw(2));
        if draw(5) == 0 {
            detector.kind = DetectorKind::Optical;
        }
        let mut long = DetectorState::new(&detector, at(0.0));
        let mut short = DetectorState::new(&detector, at(0.0));
        let mut now = at(0.0);
        for _ in 0..200 {
            now = now.plus(Span::from_millis(draw(60)));
            let limits = [
                0.0,
                1.5,
                3.0,
                400.0,
                20_000.0,
                -20.0,
                f64::NAN,
                2.0,
                0.2,
                0.2,
            ];
            let limit = limits[draw(10) as usize];
            let sign = [1.0, -1.0][draw(2) as usize];
            let mut wanted = detector.zero + sign * limit;
            for _ in 0..draw(4) {
                wanted = [f64::next_up, f64::next_down][draw(2) as usize](wanted);
            }
            let sample = level(wanted / detector.scale);
            match draw(200) {
                0 => {
                    let (settle, online) = (Span::from_millis(30), draw(3) > 0);
                    long.node(&detector, online, settle, now);
                    short.node(&detector, online, settle, now);
                }
                1 => {
                    let in_service = draw(3) > 0;
                    long.service(&detector, in_service, now);
                    short.service(&detector, in_service, now);
                }
                2 => {
                    now = now.plus(Span::from_secs(11));
                    long.look(&detector, now);
                    short.look(&detector, now);
                }
                3 => {
                    long.dropped_out(&detector, now);
                    short.dropped_out(&detector, now);
                }
                _ => {
                    long.sample(&detector, &sample, now);
                    if short.repeats(&sample, now) {
                        short_ways += 1;
                    } else {
                        let (_, moved) = short.sample(&detector, &sample, now);
                        if !moved.any() {
                            short.hold_steady(&detector);
                        }
                    }
                }
            }
            assert_eq!(
                seen(&short, &detector),
                seen(&long, &detector),
                "round {round}"
            );
        }
    }
    assert!(
        short_ways > 4_000,
        "only {short_ways} samples took the short way"
    );
}
