//! One detector at its limits: what is exactly at one, and one step beyond it.

use super::tests::{at, current, level};
use super::*;
use crate::input::OwnTime;
use crate::layout::Sequential as Settings;

fn optical(on: f64, off: f64) -> Detector {
    let mut detector = current(on, off);
    detector.kind = DetectorKind::Optical;
    detector.range = (0.0, 100.0);
    detector
}

/// The sequential test between two levels.
fn sequential(vacant_mean: f64, occupied_mean: f64) -> Decide {
    Decide::Sequential(Settings {
        vacant_mean,
        vacant_sd: 2.0,
        occupied_mean,
        occupied_sd: 2.0,
        false_alarm_every_h: 24.0,
        sample_hz: 10.0,
        spikes: true,
    })
}

fn outcome(detector: &Detector, value: f64) -> (Outcome, u64) {
    let mut state = DetectorState::new(detector, at(0.0));
    let (outcome, _) = state.sample(detector, &level(value), at(1.0));
    (outcome, state.more.implausible)
}

#[test]
fn the_ends_of_the_range_are_in_it() {
    let detector = optical(30.0, 60.0);
    assert_eq!(outcome(&detector, 0.0), (Outcome::Taken, 0));
    assert_eq!(outcome(&detector, 100.0), (Outcome::Taken, 0));
    assert_eq!(outcome(&detector, -0.1), (Outcome::Implausible, 1));
    assert_eq!(outcome(&detector, 100.1), (Outcome::Implausible, 1));
    let detector = current(3.0, 1.5);
    assert_eq!(outcome(&detector, -20.0), (Outcome::Taken, 0));
    assert_eq!(outcome(&detector, 20_000.1), (Outcome::Taken, 0));
    assert_eq!(outcome(&detector, f64::INFINITY), (Outcome::Implausible, 1));
}

#[test]
fn what_is_no_level_is_counted_each_time() {
    let detector = optical(30.0, 60.0);
    let mut state = DetectorState::new(&detector, at(0.0));
    for n in 1..=3 {
        state.sample(&detector, &level(-1.0), at(n as f64));
        assert_eq!(
            (state.more.implausible, state.health),
            (n, Health::Implausible)
        );
    }
    state.sample(&detector, &level(80.0), at(4.0));
    assert_eq!((state.more.implausible, state.health), (3, Health::Ok));
}

#[test]
fn a_short_is_more_than_its_limit_in_either_direction() {
    let mut detector = current(3.0, 1.5);
    detector.short_ma = Some(400.0);
    detector.zero = 10.0;
    detector.range = (-2_000.0, 2_000.0);
    let is_short = |detector: &Detector, value: f64| {
        let mut state = DetectorState::new(detector, at(0.0));
        state.sample(detector, &level(value), at(1.0));
        state.short
    };
    assert!(!is_short(&detector, 410.0));
    assert!(is_short(&detector, 410.1));
    assert!(is_short(&detector, 5_000.0));
    assert!(!is_short(&detector, -390.0));
    assert!(is_short(&detector, -390.1));
    // Light is no current, whatever the plan says of it.
    let mut beam = optical(30.0, 60.0);
    beam.short_ma = Some(10.0);
    assert!(!is_short(&beam, 90.0));
}

/// The sequential test waits for more than one sample; a current beyond the range does not.
#[test]
fn a_current_beyond_the_range_is_a_vehicle_at_once() {
    let mut detector = current(3.0, 1.5);
    detector.range = (-20.0, 1_000.0);
    detector.decide = sequential(0.0, 10.0);
    let evidence = |value: f64| {
        let mut state = DetectorState::new(&detector, at(0.0));
        state.sample(&detector, &level(value), at(1.0));
        state.evidence
    };
    assert_eq!(evidence(1_000.0), Evidence::None);
    assert_eq!(evidence(1_000.1), Evidence::On);
}

#[test]
fn a_sample_that_is_late_is_counted_and_moves_nothing() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    let own = |value: f64, own: OwnTime| Sample {
        own_time: Some(own),
        ..level(value)
    };
    let mut say = |sample: Sample, now: f64| {
        let (outcome, moved) = state.sample(&detector, &sample, at(now));
        if !moved.any() {
            state.hold_steady(&detector);
        }
        let short_way = state.repeats(&sample, at(now));
        (outcome, short_way, state.more.late, state.evidence)
    };
    use Evidence::{Off, On};
    use Outcome::{Late, Taken};
    // Times of the detector's own clock, or seconds before the arrival (RFC 8428, section 4.5.3).
    let absolute = OwnTime::Absolute;
    assert_eq!(say(own(0.0, absolute(1e9)), 1.0), (Taken, false, 0, Off));
    assert_eq!(
        say(own(0.0, absolute(1e9 + 1.0)), 2.0),
        (Taken, false, 0, Off)
    );
    assert_eq!(
        say(own(9.0, absolute(1e9 + 0.5)), 3.0),
        (Late, false, 1, Off)
    );
    assert_eq!(
        say(own(9.0, absolute(1e9 + 0.9)), 3.0),
        (Late, false, 2, Off)
    );
    // The same time once more is not older.
    assert_eq!(
        say(own(9.0, absolute(1e9 + 1.0)), 3.1),
        (Taken, false, 2, On)
    );
}

#[test]
fn a_relative_time_is_before_the_arrival() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    let mut say = |seconds: f64, now: f64| {
        let sample = Sample {
            own_time: Some(OwnTime::Relative(seconds)),
            ..level(0.0)
        };
        state.sample(&detector, &sample, at(now)).0
    };
    assert_eq!(say(0.0, 10.0), Outcome::Taken);
    assert_eq!(say(-1.0, 10.5), Outcome::Late);
    assert_eq!(say(-0.5, 10.5), Outcome::Taken);
}

#[test]
fn what_is_to_be_looked_at_goes_the_long_way() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(0.0), at(1.0));
    state.hold_steady(&detector);
    assert!(state.repeats(&level(0.0), at(1.1)));
    let own_time = Some(OwnTime::Relative(0.0));
    let update_within = Some(Span::from_secs(5));
    let odd = [
        Sample {
            own_time,
            ..level(0.0)
        },
        Sample {
            update_within,
            ..level(0.0)
        },
        Sample {
            retained: true,
            ..level(0.0)
        },
    ];
    for sample in odd {
        assert!(!state.repeats(&sample, at(1.2)), "{sample:?}");
    }
}

#[test]
fn an_update_time_is_taken_where_the_plan_gives_no_silence() {
    let said = |seconds: u64, given: bool| {
        let mut detector = current(3.0, 1.5);
        detector.max_silence_given = given;
        let mut state = DetectorState::new(&detector, at(0.0));
        let sample = Sample {
            update_within: Some(Span::from_secs(seconds)),
            ..level(0.0)
        };
        state.sample(&detector, &sample, at(1.0));
        state.max_silence
    };
    assert_eq!(said(30, false), Some(Span::from_secs(30)));
    assert_eq!(said(30, true), Some(Span::from_secs(10)));
    // `ut` (RFC 8428, section 4.2, from memory) is a time within which more comes: none is no time.
    assert_eq!(said(0, false), Some(Span::from_secs(10)));
}

/// What must not be taken the short way, one after the other.
#[test]
fn what_is_eventful_is_not_held_steady() {
    let mut detector = current(3.0, 1.5);
    detector.confirm = Span::from_millis(100);
    let calm = || {
        let mut state = DetectorState::new(&detector, at(0.0));
        state.sample(&detector, &level(0.0), at(1.0));
        state
    };
    let is_steady = |state: &mut DetectorState| {
        state.hold_steady(&detector);
        let mut once = state.clone();
        state.stir();
        once.repeats(&level(0.0), at(2.0))
    };
    assert!(is_steady(&mut calm()));
    type Befall = fn(&mut DetectorState);
    let befall: [(&str, Befall); 8] = [
        ("silent", |state| state.silent = true),
        ("offline", |state| state.node_offline = true),
        ("out of service", |state| state.out_of_service = true),
        ("confirming", |state| {
            state.more.confirm_since = Some(at(1.0))
        }),
        ("settling", |state| {
            state.more.settling_until = Some(at(9.0))
        }),
        ("implausible", |state| state.implausible_now = true),
        ("short", |state| state.short = true),
        ("noisy", |state| state.noisy = true),
    ];
    for (what, befall) in befall {
        let mut state = calm();
        befall(&mut state);
        assert!(!is_steady(&mut state), "{what}");
    }
    let mut state = calm();
    state.reading = None;
    assert!(!is_steady(&mut state), "no level was read");
}

#[test]
fn a_level_is_clear_of_its_evidence_at_the_threshold() {
    let is_clear = |on: f64, off: f64, value: f64, was: Evidence| {
        let detector = optical(on, off);
        let mut state = DetectorState::new(&detector, at(0.0));
        state.sample(&detector, &level(value), at(1.0));
        state.is_clear_of(&detector, was)
    };
    use Evidence::{None as Unknown, Off, On};
    // A beam: a vehicle takes light away.
    for (value, was, clear) in [
        (30.0, On, true),
        (30.1, On, false),
        (60.0, Off, true),
        (59.9, Off, false),
        (60.0, Unknown, true),
        (59.9, Unknown, false),
    ] {
        assert_eq!(
            is_clear(30.0, 60.0, value, was),
            clear,
            "beam {value} {was:?}"
        );
    }
    // A reflex sensor: a vehicle adds light.
    for (value, was, clear) in [
        (60.0, On, true),
        (59.9, On, false),
        (30.0, Off, true),
        (30.1, Off, false),
        (30.0, Unknown, true),
        (30.1, Unknown, false),
    ] {
        assert_eq!(
            is_clear(60.0, 30.0, value, was),
            clear,
            "reflex {value} {was:?}"
        );
    }
    let detector = optical(30.0, 60.0);
    let state = DetectorState::new(&detector, at(0.0));
    assert!(
        state.is_clear_of(&detector, On),
        "nothing was read that could be explained"
    );
}

/// Contradicted and noisy: exactly at the limit, and before it.
#[test]
fn contradiction_counts_from_ten_seconds_on() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(0.0), at(1.0));
    assert!(!state.judge_contradicted(&detector, Some(at(1.0)), at(10.999)));
    assert_eq!(state.wake(&detector), Some(at(11.0)));
    assert!(state.judge_contradicted(&detector, Some(at(1.0)), at(11.0)));
    assert_eq!(state.health, Health::Disagreeing);
    assert!(state.judge_contradicted(&detector, None, at(12.0)));
    assert_eq!(state.health, Health::Ok);
}

#[test]
fn one_drop_out_more_than_it_may_is_noisy_and_a_quiet_hour_ends_it() {
    let mut detector = current(3.0, 1.5);
    detector.noisy_per_h = 2;
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(0.0), at(1.0));
    assert!(!state.dropped_out(&detector, at(2.0)));
    assert!(!state.dropped_out(&detector, at(3.0)));
    assert!(state.dropped_out(&detector, at(4.0)));
    assert_eq!((state.health, state.more.dropouts), (Health::Noisy, 3));
    // The hour that began at the start was a noisy one; the next is quiet with two.
    state.sample(&detector, &level(0.0), at(3_600.0));
    assert_eq!(state.health, Health::Noisy);
    state.dropped_out(&detector, at(3_700.0));
    state.dropped_out(&detector, at(3_800.0));
    state.sample(&detector, &level(0.0), at(7_199.9));
    assert_eq!(state.health, Health::Noisy);
    state.sample(&detector, &level(0.0), at(7_200.0));
    assert_eq!(state.health, Health::Ok);
}

#[test]
fn stuck_is_on_for_so_long_with_trains_on_both_sides() {
    let detector = current(3.0, 1.5);
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(9.0), at(1.0));
    assert!(!state.judge_stuck(&detector, true, at(7_200.9)));
    assert!(!state.judge_stuck(&detector, false, at(7_201.0)));
    assert!(state.judge_stuck(&detector, true, at(7_201.0)));
    assert_eq!(state.health, Health::Stuck);
    // That nobody has passed lately makes it no better.
    assert!(!state.judge_stuck(&detector, false, at(7_300.0)));
    state.sample(&detector, &level(0.0), at(7_301.0));
    assert!(state.judge_stuck(&detector, true, at(7_301.0)));
    assert_eq!(state.health, Health::Ok);
}

/// The bounds of a sequential test, as the room's light needs them: half way between its levels a
/// vehicle is there, a quarter of the way none is.
#[test]
fn a_sequential_beam_is_clear_of_its_evidence_between_its_levels() {
    let mut detector = optical(30.0, 60.0);
    detector.decide = sequential(90.0, 10.0);
    let is_clear = |value: f64, was: Evidence| {
        let mut state = DetectorState::new(&detector, at(0.0));
        state.sample(&detector, &level(value), at(1.0));
        state.is_clear_of(&detector, was)
    };
    assert!(is_clear(50.0, Evidence::On) && !is_clear(50.1, Evidence::On));
    assert!(is_clear(70.0, Evidence::Off) && !is_clear(69.9, Evidence::Off));
    assert_eq!(bounds_of(&detector), (50.0, 70.0));
    assert_eq!(span_of(&detector), 80.0);
    assert_eq!(span_of(&optical(30.0, 60.0)), 30.0);
    assert_eq!(span_of(&optical(70.0, 40.0)), 30.0);
}

#[test]
fn an_empty_beam_is_followed_and_a_broken_one_is_not() {
    let detector = optical(30.0, 60.0);
    let mut state = DetectorState::new(&detector, at(0.0));
    let mut fades = 0;
    let mut run = |state: &mut DetectorState, from: u32, to: u32, value: f64| {
        for tenth in from..to {
            let now = at(f64::from(tenth) / 10.0);
            let (_, moved) = state.sample(&detector, &level(value), now);
            fades += u32::from(moved.fade);
        }
        fades
    };
    assert_eq!(run(&mut state, 0, 100, 90.0), 0);
    // A train stands in it: that is no light of the room.
    assert_eq!(run(&mut state, 100, 300, 10.0), 0);
    assert_eq!(state.more.light.wandered(), Some(0.0));
    assert_eq!(run(&mut state, 300, 400, 90.0), 0);
    assert!(run(&mut state, 400, 500, 80.0) > 10, "it has lost a ninth");
}

#[test]
fn a_steady_detector_that_is_on_wakes_to_see_whether_it_is_stuck() {
    let mut detector = current(3.0, 1.5);
    detector.max_silence = None;
    let mut state = DetectorState::new(&detector, at(0.0));
    state.sample(&detector, &level(9.0), at(1.0));
    state.hold_steady(&detector);
    assert!(state.steady.is_any());
    assert_eq!(state.wake(&detector), Some(at(7_201.0)));
}

/// A contact that speaks in numbers: nothing is nothing, anything else is a vehicle.
#[test]
fn a_contact_that_says_a_number_says_yes_or_no() {
    let mut detector = current(3.0, 1.5);
    detector.kind = DetectorKind::Contact;
    detector.decide = Decide::Boolean;
    let evidence = |value: f64| {
        let mut state = DetectorState::new(&detector, at(0.0));
        state.sample(&detector, &level(value), at(1.0));
        state.evidence
    };
    assert_eq!(evidence(0.0), Evidence::Off);
    assert_eq!(evidence(1.0), Evidence::On);
    assert_eq!(evidence(0.1), Evidence::On);
}
