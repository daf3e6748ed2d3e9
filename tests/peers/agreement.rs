//! A tail is believed only when both sides agree.

use taillamp::engine::Engine;
use taillamp::engine::change::Occupancy;
use taillamp::engine::time::Instant;
use taillamp::wire::change_json::change_line;
use taillamp::wire::payload;
use taillamp::wire::topics::TopicTable;

use crate::club::{Club, EAST, MID, WEST, whatever_the_post_does};

/// A train whose head has come over the border, its tail still in the west.
fn astride() -> Club {
    let mut club = Club::new();
    club.detect("w2", true);
    club.run(1_000);
    club.step("w2", "w3");
    club.detect("m1", true);
    club.run(1_000);
    club
}

#[test]
fn a_tail_leaves_when_the_other_side_has_answered() {
    let mut club = astride();
    assert_eq!(club.train(WEST).blocks, ["w3", "mid-m1"]);
    assert_eq!(club.train(MID).blocks, ["west-w3", "m1"]);
    club.detect("w3", false);
    club.run(1_000);
    assert_eq!(club.state("w3"), Occupancy::Occupied, "released too soon");
    club.run(1_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert_eq!(club.view(MID, "west-w3").state, Occupancy::Vacant);
    assert_eq!(club.train(MID).blocks, ["m1"]);
}

#[test]
fn a_tail_stays_while_the_other_side_is_not_heard() {
    let mut club = astride();
    club.computers[MID].link = false;
    club.detect("w3", false);
    club.run(30_000);
    assert_eq!(club.state("w3"), Occupancy::Occupied);
    assert!(!club.alarm(WEST, "train-lost:w3"), "nobody knows that");
    let why = club.view(WEST, "w3").why;
    assert!(why.contains("over the border: not confirmed"), "{why}");
    // There it has gone on meanwhile; the middle may still be on the border.
    club.detect("m2", true);
    club.run(500);
    club.detect("m1", false);
    club.run(10_000);
    assert_eq!(club.state("m1"), Occupancy::Occupied);
    club.computers[MID].link = true;
    club.run(6_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert_eq!(club.state("m1"), Occupancy::Vacant);
    assert_eq!(club.train(MID).blocks, ["m2"]);
    assert!(club.trains(WEST).is_empty());
}

#[test]
fn a_train_that_both_sides_lose_at_once_is_lost_and_not_vacant() {
    let mut club = astride();
    club.detect("w3", false);
    club.detect("m1", false);
    club.run(15_000);
    for (who, block) in [(WEST, "w3"), (MID, "m1")] {
        assert_eq!(club.state(block), Occupancy::Lost, "{block}");
        assert!(club.alarm(who, &format!("train-lost:{block}")), "{block}");
    }
    // It is found again where it was.
    club.detect("m1", true);
    club.run(3_000);
    assert_eq!(club.state("m1"), Occupancy::Occupied);
    assert!(!club.alarm(MID, "train-lost:m1"));
}

#[test]
fn a_train_that_turns_back_over_the_border_leaves_nothing_behind() {
    let mut club = astride();
    club.detect("m1", false);
    club.run(4_000);
    assert_eq!(club.state("m1"), Occupancy::Vacant);
    assert_eq!(club.state("w3"), Occupancy::Occupied);
    assert_eq!(club.train(WEST).blocks, ["w3"]);
    club.step("w3", "w2");
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert!(club.trains(MID).is_empty());
}

#[test]
fn a_train_that_was_lost_here_is_found_there() {
    let mut club = astride();
    club.detect("m1", false);
    club.run(4_000);
    assert_eq!(club.state("m1"), Occupancy::Vacant);
    club.detect("w3", false);
    club.run(8_000);
    assert!(club.alarm(WEST, "train-lost:w3"));
    club.detect("m1", true);
    club.run(3_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert!(!club.alarm(WEST, "train-lost:w3"));
    assert_eq!(club.train(WEST).blocks, ["mid-m1"]);
    assert!(!club.train(WEST).lost);
}

/// The peer runs, and none of its detectors was ever heard: it answers that it sees nobody. That is
/// no reason to wait for it for ever.
#[test]
fn a_train_that_vanishes_beside_a_peer_that_never_saw_anything_is_lost() {
    let mut club = Club::silent("");
    club.run(3_000);
    for block in ["w1", "w2", "w3", "e1", "e2", "e3"] {
        club.detect(block, false);
    }
    club.run(8_000);
    assert_eq!(club.view(WEST, "mid-m1").kept, None);
    club.detect("w2", true);
    club.run(1_000);
    club.step("w2", "w3");
    club.detect("w3", false);
    club.run(15_000);
    assert_eq!(club.state("w3"), Occupancy::Lost);
    assert!(club.alarm(WEST, "train-lost:w3"));
}

/// A train stands astride the border and never moves; both detectors see it now and then, letters
/// take up to six seconds, links are torn. Somebody always holds it.
#[test]
fn whatever_the_post_does_a_train_that_stands_is_never_vacant_on_both_sides() {
    whatever_the_post_does(astride);
}

/// The same recording, the same decisions: a replay does not know the run.
#[test]
fn what_one_computer_heard_gives_the_same_changes_again() {
    let mut club = astride();
    club.detect("w3", false);
    club.run(3_000);
    club.step("m1", "m2");
    club.step("m2", "m3");
    club.step("m3", "e1");
    club.step("e1", "e2");
    for who in [WEST, MID, EAST] {
        let computer = &club.computers[who];
        let table = TopicTable::new(&computer.plan);
        let layout = &computer.plan.layout;
        let mut engine = Engine::new(layout.clone(), Instant::default());
        let mut changes = Vec::new();
        let mut inputs = Vec::new();
        for (at, topic, bytes) in &computer.lines {
            payload::decode(&table, layout, topic, bytes, false, &mut inputs).expect("as before");
            for input in inputs.drain(..) {
                engine.handle(*at, input);
                let drained = engine.drain();
                changes.extend(drained.iter().map(|change| change_line(change, &engine)));
            }
        }
        engine.advance(computer.engine.now());
        let drained = engine.drain();
        changes.extend(drained.iter().map(|change| change_line(change, &engine)));
        assert_eq!(changes, computer.changes);
        assert!(changes.len() > 10, "something happened");
    }
}
