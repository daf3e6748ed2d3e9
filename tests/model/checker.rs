//! Every state that the engine can come to on a small layout, within bounds, looked at.
//!
//! The engine is the real one. What is explored is `world`: trains that go anywhere they can, and
//! everything that goes wrong, at any moment; what `stateright` searches is in `model`, what must
//! hold in `judge`. With the feature `model` a fault can be put into the engine, and has to be
//! found.
//!
//! Every day a slice is explored; `TAILLAMP_MODEL=long` (tests/long) goes on to a million states.

mod judge;
mod model;
mod site;
mod stories;
mod world;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Instant;

use stateright::{Checker, HasDiscoveries, Model};
use taillamp_model::engine::Seeded;

use judge::{PROMISES, SIGHTS};
use model::{Bound, Layouts};
use site::{Site, crossover, siding, table};

fn is_long() -> bool {
    std::env::var("TAILLAMP_MODEL").is_ok_and(|wish| wish == "long")
}

/// The everyday slice, or the whole.
fn bound() -> Bound {
    if is_long() {
        Bound {
            generated: 1_300_000,
            misfortunes: 2,
            distinct: 1_000_000,
            tried_of: 64,
            threads: 2,
        }
    } else {
        Bound {
            generated: 12_500,
            misfortunes: 2,
            distinct: 10_000,
            tried_of: 8,
            threads: 1,
        }
    }
}

/// What a search found: promises that are broken, with the story of each, and what was come across.
struct Found {
    broken: BTreeMap<&'static str, String>,
    seen: BTreeSet<&'static str>,
    distinct: usize,
    exhausted: bool,
}

/// Explores and prints how far it came; ends early with the promise that is wanted to be found
/// broken.
fn explore(site: Site, seeded: Option<Seeded>, wanted: Option<u32>, bound: &Bound) -> Found {
    let began = Instant::now();
    let name = site.name;
    let model = Layouts::new(site, (seeded, wanted), *bound);
    // Every state that was generated is looked at: the bound is the model's own.
    let all = HasDiscoveries::AllOf(PROMISES.into_iter().collect());
    let builder = model.checker().threads(bound.threads).finish_when(all);
    let checker = builder.spawn_bfs().join();
    let exhausted = checker.model().is_exhausted() && wanted.is_none();
    println!(
        "{name}{}: {} distinct states of {} generated, at most {} acts deep and {} misfortunes, {}\
         {:.1} s on {} threads",
        seeded.map_or(String::new(), |fault| format!(" with {fault:?}")),
        checker.unique_state_count(),
        checker.state_count(),
        checker.max_depth() - 1,
        bound.misfortunes,
        if exhausted { "exhausted, " } else { "" },
        began.elapsed().as_secs_f64(),
        bound.threads,
    );
    let distinct = checker.unique_state_count();
    checker.model().allow();
    let mut found = Found {
        broken: BTreeMap::new(),
        seen: BTreeSet::new(),
        distinct,
        exhausted,
    };
    for (name, path) in checker.discoveries() {
        if SIGHTS.contains(&name) {
            found.seen.insert(name);
        } else {
            let told = checker.model().tell(path.last_state());
            found.broken.insert(name, told);
        }
    }
    found
}

/// Nothing is found, and what a search has to come across was seen.
fn holds(site: Site) {
    let (bound, sights) = (bound(), site.sights);
    let found = explore(site, None, None, &bound);
    let told: Vec<String> = found
        .broken
        .iter()
        .map(|(promise, story)| format!("broken: {promise}\n  {story}"))
        .collect();
    assert!(found.broken.is_empty(), "{}", told.join("\n"));
    let missing: Vec<&str> = sights.iter().map(|number| SIGHTS[*number]).collect();
    let missing = missing.iter().filter(|sight| !found.seen.contains(**sight));
    let missing: Vec<&&str> = missing.collect();
    assert!(missing.is_empty(), "never come across: {missing:?}");
    assert!(
        found.exhausted || found.distinct >= bound.distinct,
        "only {} distinct states",
        found.distinct
    );
}

/// The seeded fault is found, as a breach of this promise.
fn finds(site: Site, fault: Seeded, promise: u32) {
    let bound = Bound {
        generated: 40_000,
        misfortunes: 1,
        distinct: 0,
        tried_of: 8,
        threads: 1,
    };
    let found = explore(site, Some(fault), Some(promise), &bound);
    let story = found.broken.get(PROMISES[promise as usize]);
    assert!(
        story.is_some(),
        "{fault:?} is not found as a breach of '{}', only {:?}",
        PROMISES[promise as usize],
        found.broken
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
