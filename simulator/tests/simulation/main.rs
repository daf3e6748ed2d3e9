//! The engine against the truth: a simulated evening, its messages through the engine, and what
//! the engine claims compared with what really was.
//!
//! On a failure the seed, the moment and the log of what went wrong are printed; the same seed
//! gives the same evening.

mod busy;
mod harness;
mod oracle;

use harness::{Evening, minutes};
use taillamp::engine::alarm::kinds::AlarmKind;
use taillamp::engine::time::{Instant, Span};
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::world::Settings;
use taillamp_simulator::world::load::Dirt;

#[test]
fn an_ideal_evening_without_mishaps_raises_no_alarm_of_something_gone_wrong() {
    for seed in 1..=2 {
        let mut evening = Evening::new(Settings::ideal(seed), Rates::OFF);
        evening.run_to(minutes(8));
        evening.assert_no_violation();
        evening.assert_never_raised(&[
            AlarmKind::TrainLost,
            AlarmKind::TrainParted,
            AlarmKind::MovedUnderTrain,
            AlarmKind::PowerLost,
            AlarmKind::PowerWhereOff,
            AlarmKind::DetectorFault,
            AlarmKind::NoCorrespondence,
            AlarmKind::CrossoverSplit,
        ]);
    }
}

#[test]
fn every_forgotten_point_is_alarmed_once_and_no_other() {
    for seed in 1..=4 {
        let mut evening = Evening::new(Settings::usual(seed), Rates::FORGETFUL);
        evening.run_to(minutes(10));
        evening.assert_no_violation();
        let compared = evening.compare_forgotten_points();
        assert!(
            compared >= 2,
            "seed {seed}: the evening has to show something"
        );
    }
}

#[test]
fn the_demo_alarms_within_half_a_minute_from_any_seed() {
    for seed in 1..=12 {
        let mut evening = Evening::new(Settings::usual(seed), Rates::DEMO);
        evening.run_to(Instant(30_000_000));
        let raised = evening.raised(AlarmKind::LeftDiverging);
        assert_eq!(raised.len(), 1, "seed {seed}");
        assert_eq!(raised[0].1, "w1", "seed {seed}");
    }
}

#[test]
fn nothing_is_vacant_that_shows_a_vehicle_however_much_goes_wrong() {
    for seed in 21..=24 {
        let mut settings = Settings {
            dirt: Dirt::DIRTY,
            headway: Span::ZERO,
            ..Settings::usual(seed)
        };
        settings.detectors.beams_see_gaps = true;
        let mut evening = Evening::new(settings, Rates::ROUGH);
        evening.run_to(minutes(10));
        evening.assert_no_violation();
    }
}

#[test]
fn once_nothing_goes_wrong_any_more_everything_returns() {
    for seed in 31..=33 {
        let mut evening = Evening::new(Settings::usual(seed), Rates::ROUGH);
        evening.run_to(minutes(6));
        evening.settle();
        evening.assert_no_violation();
        evening.assert_everything_returned();
    }
}
