//! What goes over a border where no place is lit by it: trains that couple up across it, one that
//! goes in where nothing can see it, one that comes over while the link is cut.

use taillamp::engine::change::{Kept, Occupancy};
use taillamp::engine::input::{Command, Outcome};
use taillamp::engine::snapshot::TrainView;

use crate::club::{Club, EAST, MID, WEST, whatever_the_post_does};

/// A train in `w2`, and who it is.
fn one_train() -> (Club, String) {
    let mut club = Club::new();
    // New trains are announced from the end of the start-up on.
    club.run(55_000);
    club.detect("w2", true);
    club.run(1_000);
    let identity = club.train(WEST).identity.expect("the layout is shared");
    (club, identity)
}

/// The train of this identity, as a computer knows it.
fn known(club: &Club, who: usize, identity: &str) -> Option<TrainView> {
    let trains = club.trains(who).into_iter();
    let mut found: Vec<TrainView> = trains
        .filter(|train| train.identity.as_deref() == Some(identity))
        .collect();
    assert!(found.len() < 2, "one train twice: {found:#?}");
    found.pop()
}

fn no_alarm(club: &Club) {
    for who in [WEST, MID, EAST] {
        let alarms = club.snapshot(who).alarms;
        let up: Vec<_> = alarms.into_iter().filter(|alarm| alarm.active).collect();
        assert!(up.is_empty(), "{up:#?}");
    }
}

fn mend(club: &mut Club) {
    club.computers[MID].link = true;
    club.run(5_000);
}

#[test]
fn a_train_that_ran_over_while_the_link_was_cut_is_the_same_train_after_it_is_mended() {
    let (mut club, identity) = one_train();
    club.computers[MID].link = false;
    club.step("w2", "w3");
    club.detect("m1", true);
    club.run(500);
    club.detect("w3", false);
    club.run(20_000);
    // Nobody can know better yet.
    assert_eq!(club.state("w3"), Occupancy::Occupied);
    assert!(known(&club, MID, &identity).is_none());
    mend(&mut club);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    assert_eq!(club.train(MID).blocks, ["m1"]);
    assert_eq!(club.train(WEST).identity.as_deref(), Some(&*identity));
    assert_eq!(club.train(WEST).blocks, ["mid-m1"]);
    club.run(60_000);
    no_alarm(&club);
}

/// All detectors of a computer say again what they see.
fn speak_again(club: &mut Club, letter: char, on: &[&str]) {
    for n in 1..=3 {
        let block = format!("{letter}{n}");
        club.detect(&block, on.contains(&&*block));
    }
}

/// The west has no broker for a while; then its detectors say again what they see.
fn without_the_west(club: &mut Club, meanwhile: impl FnOnce(&mut Club), seen: &[&str]) {
    club.broker(WEST, false);
    club.run(15_000);
    meanwhile(club);
    club.broker(WEST, true);
    club.run(500);
    speak_again(club, 'w', seen);
    club.run(6_000);
}

/// Something comes into `m1` and stays.
fn comes_to_m1(club: &mut Club) {
    club.detect("m1", true);
    club.run(5_000);
}

#[test]
fn a_train_that_ran_out_of_a_computers_sight_while_it_had_no_broker_is_the_same_train() {
    let (mut club, identity) = one_train();
    // Through w3, which nobody could see, over the border, and on.
    let goes_on = |club: &mut Club| {
        club.detect("m1", true);
        club.run(2_000);
        club.step("m1", "m2");
        assert!(known(club, MID, &identity).is_none());
    };
    without_the_west(&mut club, goes_on, &[]);
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    for block in ["w1", "w2", "w3", "m1"] {
        assert_eq!(club.state(block), Occupancy::Vacant, "{block}");
    }
    assert!(club.trains(WEST).is_empty(), "{:#?}", club.trains(WEST));
    club.run(60_000);
    for who in [WEST, MID] {
        for block in ["w2", "w3", "m1", "m2"] {
            assert!(!club.alarm(who, &format!("train-lost:{block}")), "{block}");
        }
    }
}

#[test]
fn a_train_that_ran_into_a_computers_sight_while_it_had_no_broker_is_the_same_train() {
    let (mut club, identity) = one_train();
    club.step("w2", "w3");
    club.broker(MID, false);
    club.run(15_000);
    club.detect("w3", false);
    club.run(10_000);
    assert_eq!(club.state("w3"), Occupancy::Occupied);
    club.broker(MID, true);
    club.run(500);
    speak_again(&mut club, 'm', &["m2"]);
    club.run(6_000);
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    for block in ["w3", "m1", "m3"] {
        assert_eq!(club.state(block), Occupancy::Vacant, "{block}");
    }
    assert_eq!(club.state("m2"), Occupancy::Occupied);
}

#[test]
fn a_train_that_stood_while_its_computer_had_no_broker_is_not_one_that_was_put_on_over_there() {
    let (mut club, identity) = one_train();
    without_the_west(&mut club, comes_to_m1, &["w2"]);
    assert_eq!(
        known(&club, WEST, &identity).map(|t| t.blocks),
        Some(vec!["w2".to_owned()])
    );
    let there = club.train(MID);
    assert_ne!(there.identity.as_deref(), Some(&*identity));
    assert_eq!(there.blocks, ["m1"]);
}

#[test]
fn a_train_that_stands_astride_when_the_link_is_mended_is_one_train() {
    let (mut club, identity) = one_train();
    club.computers[MID].link = false;
    club.step("w2", "w3");
    club.detect("m1", true);
    club.run(20_000);
    mend(&mut club);
    assert_eq!(club.train(WEST).blocks, ["w3", "mid-m1"]);
    assert_eq!(club.train(MID).blocks, ["west-w3", "m1"]);
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    club.detect("w3", false);
    club.run(4_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert_eq!(club.train(MID).blocks, ["m1"]);
}

#[test]
fn a_train_that_is_far_over_when_the_link_is_mended_is_the_same_and_so_is_what_the_next_knows() {
    let (mut club, identity) = one_train();
    club.computers[WEST].link = false;
    club.step("w2", "w3");
    club.step("w3", "m1");
    club.step("m1", "m2");
    club.step("m2", "m3");
    club.step("m3", "e1");
    let meanwhile = club.train(EAST).identity;
    assert_ne!(meanwhile.as_deref(), Some(&*identity));
    assert_eq!(club.train(MID).identity, meanwhile);
    club.computers[WEST].link = true;
    club.run(6_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    for who in [MID, EAST] {
        assert_eq!(club.train(who).identity.as_deref(), Some(&*identity));
    }
    club.step("e1", "e2");
    assert!(club.trains(MID).is_empty(), "{:#?}", club.trains(MID));
    assert!(club.trains(WEST).is_empty(), "{:#?}", club.trains(WEST));
    assert_eq!(club.train(EAST).blocks, ["e2"]);
    club.run(60_000);
    no_alarm(&club);
}

#[test]
fn two_trains_that_ran_over_while_the_link_was_cut_keep_their_order() {
    let (mut club, first) = one_train();
    club.computers[MID].link = false;
    club.step("w2", "w3");
    club.step("w3", "m1");
    club.step("m1", "m2");
    club.step("m2", "m3");
    club.detect("w1", true);
    club.run(1_000);
    club.step("w1", "w2");
    club.step("w2", "w3");
    club.detect("m1", true);
    club.run(500);
    club.detect("w3", false);
    club.run(10_000);
    let names = club.snapshot(WEST).trains.into_iter();
    let second = names
        .filter_map(|train| train.identity)
        .find(|who| *who != first);
    let second = second.expect("a second train");
    mend(&mut club);
    let at = |who: &str| known(&club, MID, who).map(|train| train.blocks);
    assert_eq!(at(&first).as_deref(), Some(&["m3".to_owned()][..]));
    assert_eq!(at(&second).as_deref(), Some(&["m1".to_owned()][..]));
    assert_eq!(club.state("w3"), Occupancy::Vacant);
}

#[test]
fn stock_put_on_at_a_border_is_not_a_train_that_comes_there_later() {
    let (mut club, identity) = one_train();
    club.detect("m1", true);
    club.run(3_000);
    let put_on = club.train(MID).identity;
    club.step("w2", "w3");
    club.run(3_000);
    let trains = club.trains(MID);
    assert_eq!(trains.len(), 2, "{trains:#?}");
    assert_ne!(put_on.as_deref(), Some(&*identity));
    assert!(trains.iter().any(|train| train.identity == put_on));
}

#[test]
fn a_train_put_on_astride_while_the_link_is_cut_gets_one_number_on_both_sides() {
    let mut club = Club::new();
    club.run(62_000);
    club.computers[MID].link = false;
    club.detect("m1", true);
    club.detect("w3", true);
    club.run(20_000);
    mend(&mut club);
    let (west, mid) = (club.train(WEST), club.train(MID));
    assert_eq!(west.identity, mid.identity);
    // Which way round nobody can know.
    let sorted = |mut blocks: Vec<String>| {
        blocks.sort();
        blocks
    };
    assert_eq!(sorted(west.blocks), ["mid-m1", "w3"]);
    assert_eq!(sorted(mid.blocks), ["m1", "west-w3"]);
}

/// A train that stands in `m1`, another in `w3` that comes up to it; who they are.
fn two_coupled() -> (Club, String, String) {
    let (mut club, coming) = one_train();
    club.detect("m2", true);
    club.run(1_000);
    club.step("m2", "m1");
    let standing = club.train(MID).identity.expect("the layout is shared");
    club.step("w2", "w3");
    club.run(60_000);
    club.detect("w3", false);
    club.run(6_000);
    (club, coming, standing)
}

#[test]
fn a_train_that_comes_up_to_another_over_the_border_is_there_with_it() {
    let (mut club, coming, standing) = two_coupled();
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    for (who, block) in [(WEST, "mid-m1"), (MID, "m1")] {
        assert_eq!(club.trains(who).len(), 2, "{:#?}", club.trains(who));
        for identity in [&coming, &standing] {
            let train = known(&club, who, identity);
            assert_eq!(train.map(|t| t.blocks), Some(vec![block.to_owned()]));
        }
    }
    let coupled = |who: usize| {
        let lines = club.computers[who].changes.iter();
        lines.filter(|line| line.contains("coupled")).count()
    };
    assert_eq!((coupled(WEST), coupled(MID)), (1, 1));
    club.run(60_000);
    no_alarm(&club);
    // On together, over all of it: nothing is left behind.
    club.step("m1", "m2");
    club.step("m2", "m3");
    assert_eq!(club.state("m1"), Occupancy::Vacant);
    assert!(club.trains(WEST).is_empty());
    no_alarm(&club);
}

#[test]
fn a_train_that_came_up_to_another_over_the_border_goes_back_as_the_one_it_was() {
    let (mut club, coming, standing) = two_coupled();
    club.detect("w3", true);
    club.run(4_000);
    club.step("w3", "w2");
    let back = known(&club, WEST, &coming).expect("it has come back");
    assert_eq!(back.blocks, ["w2"]);
    let stays = known(&club, MID, &standing).expect("it stands there");
    assert_eq!(stays.blocks, ["m1"]);
    assert!(known(&club, MID, &coming).is_none());
    no_alarm(&club);
}

#[test]
fn a_train_that_was_only_not_seen_for_long_has_not_come_up_to_another() {
    let (mut club, coming, _) = {
        let (mut club, coming) = one_train();
        club.detect("m2", true);
        club.run(1_000);
        club.step("m2", "m1");
        club.step("w2", "w3");
        (club, coming, ())
    };
    club.detect("w3", false);
    // Until just before the answer comes.
    club.run(1_520);
    assert_eq!(club.state("w3"), Occupancy::Occupied);
    club.detect("w3", true);
    club.run(6_000);
    assert_eq!(
        known(&club, WEST, &coming).expect("it stands").blocks,
        ["w3"]
    );
    let there = known(&club, MID, &coming).expect("it is known there");
    assert_eq!(there.blocks, ["west-w3"]);
    assert!(!club.alarm(WEST, "train-lost:w3"));
}

#[test]
fn a_train_goes_over_into_a_block_that_cannot_see_it_and_is_kept_there() {
    let (mut club, identity) = one_train();
    let detector = club.computers[MID].detector("d-m1");
    let out = Command::OutOfService(detector);
    assert_eq!(club.command(MID, out), Outcome::Taken);
    club.step("w2", "w3");
    club.detect("w3", false);
    club.run(6_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    let here = club.view(MID, "m1");
    assert_eq!(
        (here.state, here.kept),
        (Occupancy::Unknown, Some(Kept::Occupied))
    );
    assert_eq!(
        known(&club, MID, &identity).map(|t| t.blocks),
        Some(vec!["m1".to_owned()])
    );
    let there = club.view(WEST, "mid-m1");
    assert_eq!((there.state, there.trains.len()), (Occupancy::Unknown, 1));
    club.detect("m2", true);
    club.run(6_000);
    assert_eq!(club.train(MID).blocks, ["m2"]);
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    club.run(30_000);
    assert!(!club.alarm(WEST, "train-lost:w3"));
    assert!(club.trains(WEST).is_empty(), "{:#?}", club.trains(WEST));
}

/// Two trains stand buffer to buffer at a border and never move; both detectors see them now and
/// then, letters take up to six seconds, links are torn. Somebody always holds them.
#[test]
fn whatever_the_post_does_two_trains_that_stand_at_a_border_are_never_vacant_on_both_sides() {
    whatever_the_post_does(|| {
        let mut club = Club::new();
        club.detect("w2", true);
        club.detect("m2", true);
        club.run(1_000);
        club.step("m2", "m1");
        club.step("w2", "w3");
        club
    });
}

#[test]
fn a_train_that_comes_up_to_one_that_ran_over_unheard_is_there_with_it() {
    let (mut club, standing) = one_train();
    without_the_west(&mut club, comes_to_m1, &[]);
    assert_eq!(
        known(&club, MID, &standing).map(|t| t.blocks),
        Some(vec!["m1".to_owned()])
    );
    assert_eq!(
        known(&club, WEST, &standing).map(|t| t.blocks),
        Some(vec!["mid-m1".to_owned()])
    );
    club.detect("w2", true);
    club.run(1_000);
    club.step("w2", "w3");
    club.run(1_000);
    club.detect("w3", false);
    club.run(6_000);
    assert_eq!(club.state("w3"), Occupancy::Vacant);
}
