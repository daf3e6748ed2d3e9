//! Busy running, six trains: each thing that goes wrong is alarmed once and not again, a dead
//! device with one alarm for all its detectors.

use std::io::Write as _;

use taillamp::engine::alarm::kinds::AlarmKind;
use taillamp::engine::time::{Instant, Span};
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::world::Settings;

use crate::harness::{Evening, minutes};

/// What goes wrong, by the word of its log line, and the alarm that stands for it.
struct Hazard {
    rates: Rates,
    word: &'static str,
    kind: AlarmKind,
    within: Span,
    /// It can always be told.
    always: bool,
}

const HAZARDS: [Hazard; 3] = [
    Hazard {
        rates: Rates {
            dead_detector_per_h: 20.0,
            ..Rates::OFF
        },
        word: " is dead",
        kind: AlarmKind::DetectorFault,
        within: Span::from_secs(20),
        always: true,
    },
    Hazard {
        rates: Rates {
            node_hang_per_h: 15.0,
            ..Rates::OFF
        },
        word: " hangs",
        kind: AlarmKind::DetectorFault,
        within: Span::from_secs(30),
        always: true,
    },
    Hazard {
        rates: Rates {
            booster_trip_per_h: 60.0,
            ..Rates::OFF
        },
        word: " trips",
        kind: AlarmKind::PowerLost,
        within: Span::from_secs(10),
        // B10 needs two occupied places that lose their current: on empty track nothing shows.
        always: false,
    },
];

/// Every injected hazard that can be told has one alarm, and no alarm of its type is without one.
fn each_once(hazard: &Hazard, seed: u64, to: Instant) -> usize {
    let mut evening = Evening::new(Settings::usual(seed), hazard.rates);
    evening.run_to(to);
    let story = evening.story();
    let mut raised = evening.raised(hazard.kind);
    let mut found = 0;
    for (at, text) in evening.mishaps() {
        let Some(subject) = text.strip_suffix(hazard.word) else {
            continue;
        };
        // Too late to be told of before the evening ends.
        if at.plus(hazard.within) > to {
            raised.retain(|(when, about)| about != subject || *when < at);
            continue;
        }
        let before = raised.len();
        raised.retain(|(when, about)| {
            about != subject || *when < at || *when > at.plus(hazard.within)
        });
        let alarms = before - raised.len();
        assert!(alarms <= 1, "{alarms} alarms: {at} {text}\n{story}");
        assert!(
            alarms == 1 || !hazard.always,
            "no alarm: {at} {text}\n{story}"
        );
        found += alarms;
    }
    assert!(raised.is_empty(), "without a cause: {raised:?}\n{story}");
    found
}

#[test]
fn each_hazard_is_alarmed_once() {
    for hazard in &HAZARDS {
        let found = each_once(hazard, 43, minutes(8));
        assert!(
            found > 0 || !hazard.always,
            "{}: nothing went wrong",
            hazard.word
        );
    }
}

/// Whether hours of six trains are asked for: tests/long does, optimised.
fn hours_are_asked_for() -> bool {
    let asked = std::env::var("TAILLAMP_HOURS").is_ok_and(|value| value == "1");
    if !asked {
        // Straight to standard error: the harness hides what a passing test prints.
        let _ = std::io::stderr().write_all(b"hours: not asked for (set TAILLAMP_HOURS=1)\n");
    }
    asked
}

#[test]
fn an_hour_in_which_things_go_wrong_alarms_each_once() {
    if !hours_are_asked_for() {
        return;
    }
    for seed in 61..=63 {
        for hazard in &HAZARDS {
            let found = each_once(hazard, seed, minutes(60));
            assert!(
                found > 2 || !hazard.always,
                "{}: too little went wrong",
                hazard.word
            );
        }
        let mut evening = Evening::new(Settings::usual(seed), Rates::FORGETFUL);
        evening.run_to(minutes(60));
        let compared = evening.compare_forgotten_points();
        assert!(compared > 5, "seed {seed}: {compared}");
    }
}
