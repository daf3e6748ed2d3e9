//! Every state that the engine can come to on a small layout, within bounds, looked at.
//!
//! The engine is the real one. What is explored is `world`: trains that go anywhere they can, and
//! everything that goes wrong, at any moment; the search is in `model`, what must hold in `judge`.
//! The search is our own sixty lines: the general-purpose checker that was looked at, `stateright`,
//! brings a web server and sets a feature of serde that has every other package built again.
//!
//! Every day a slice is explored; `TAILLAMP_MODEL=long` (tests/long) goes on to a million states.

mod judge;
mod model;
mod site;
mod world;

use std::time::{Duration, Instant};

use taillamp::engine::Seeded;

use model::{Layouts, Outcome, PROMISES};
use site::{Site, crossover, siding, table};

/// How far a run goes: distinct states, and misfortunes in one story.
struct Bound {
    states: usize,
    misfortunes: u8,
    wall: Duration,
}

/// The everyday slice, or the whole.
fn bound() -> Bound {
    if std::env::var("TAILLAMP_MODEL").is_ok_and(|wish| wish == "long") {
        Bound {
            states: 1_000_000,
            misfortunes: 2,
            wall: Duration::from_secs(1_800),
        }
    } else {
        Bound {
            states: 20_000,
            misfortunes: 2,
            wall: Duration::from_secs(6),
        }
    }
}

/// Explores, prints how far it came, and answers what was found; ends early with the promise that is
/// wanted to be found broken.
fn explore(site: Site, seeded: Option<Seeded>, wanted: Option<u32>, bound: &Bound) -> Outcome {
    let began = Instant::now();
    let model = Layouts {
        site,
        seeded,
        misfortunes: bound.misfortunes,
    };
    let outcome = model.search(bound.states, wanted, || began.elapsed() > bound.wall);
    println!(
        "{}{}: {} distinct states of {} generated, {} acts deep, {}{:.1} s; {} promises broken",
        model.site.name,
        seeded.map_or(String::new(), |fault| format!(" with {fault:?}")),
        outcome.distinct,
        outcome.generated,
        outcome.depth,
        if outcome.exhausted { "exhausted, " } else { "" },
        began.elapsed().as_secs_f64(),
        outcome.broken.len(),
    );
    outcome
}

/// Nothing is found.
fn holds(site: Site) {
    let outcome = explore(site, None, None, &bound());
    let told: Vec<String> = outcome
        .broken
        .iter()
        .map(|(promise, story)| format!("{}: {story}", PROMISES[*promise as usize]))
        .collect();
    assert!(outcome.broken.is_empty(), "{}", told.join("\n"));
}

/// The seeded fault is found, as a breach of this promise.
fn finds(site: Site, fault: Seeded, promise: u32) {
    let bound = Bound {
        states: 20_000,
        misfortunes: 1,
        wall: Duration::from_secs(60),
    };
    let outcome = explore(site, Some(fault), Some(promise), &bound);
    assert!(
        outcome.broken.contains_key(&promise),
        "{fault:?} is not found as a breach of '{}', only {:?}",
        PROMISES[promise as usize],
        outcome.broken
    );
}

#[test]
fn nothing_is_called_clear_without_proof_on_a_siding() {
    holds(siding());
}

#[test]
fn nothing_is_called_clear_without_proof_on_a_crossover() {
    holds(crossover());
}

#[test]
fn nothing_is_called_clear_without_proof_on_a_table() {
    holds(table());
}

#[test]
fn b4_a_train_that_is_forgotten_is_found() {
    finds(siding(), Seeded::ForgetsTrains, 2);
}

#[test]
fn b6_dead_track_that_proves_is_found() {
    finds(siding(), Seeded::DarkProves, 0);
}

#[test]
fn b5_silence_that_counts_as_off_is_found() {
    finds(siding(), Seeded::SilenceIsOff, 0);
}

#[test]
fn t1_points_cleared_too_early_are_found() {
    finds(siding(), Seeded::ClearsAtOnce, 1);
}

#[test]
fn t2_an_alarm_that_never_comes_is_found() {
    finds(siding(), Seeded::NeverLeftDiverging, 3);
}

#[test]
fn t2_an_alarm_that_never_returns_is_found() {
    finds(siding(), Seeded::AlarmStays, 5);
}

#[test]
fn t2_an_alarm_without_cause_is_found() {
    finds(siding(), Seeded::TellsTooSoon, 4);
}

#[test]
fn t8_a_split_crossover_that_is_not_told_is_found() {
    finds(crossover(), Seeded::NeverSplit, 7);
}

#[test]
fn a_table_that_sees_no_train_across_its_edge_is_found() {
    finds(table(), Seeded::NeverAcross, 8);
}
