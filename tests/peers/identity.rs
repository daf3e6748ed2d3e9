//! A train keeps who it is and what it is called from one end of the club to the other.

use taillamp::engine::change::Occupancy;
use taillamp::engine::input::{Command, Outcome};

use crate::club::{Club, EAST, MID, WEST};

/// A train that has run in from the west end, named there.
fn named() -> (Club, String) {
    let mut club = Club::new();
    club.detect("w1", true);
    club.run(1_000);
    let id = club.computers[WEST]
        .engine
        .train_by_name("t1")
        .expect("a train was seen");
    club.command(WEST, Command::NameTrain(id, "Express".into()));
    club.step("w1", "w2");
    club.step("w2", "w3");
    let identity = club.train(WEST).identity.expect("the layout is shared");
    (club, identity)
}

#[test]
fn a_train_crosses_two_borders_and_stays_the_same_train() {
    let (mut club, identity) = named();
    assert!(identity.starts_with("club/west/t1@"), "{identity}");
    // The next daemon knows who waits at its border before the train is there.
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
    assert_eq!(club.view(MID, "west-w3").state, Occupancy::Occupied);
    club.step("w3", "m1");
    assert_eq!(club.state("w3"), Occupancy::Vacant);
    assert_eq!(club.train(WEST).blocks, ["mid-m1"]);
    club.step("m1", "m2");
    assert!(club.trains(WEST).is_empty(), "it has gone on there");
    club.step("m2", "m3");
    club.step("m3", "e1");
    club.step("e1", "e2");
    assert!(club.trains(MID).is_empty());
    let train = club.train(EAST);
    assert_eq!(train.identity.as_deref(), Some(&*identity));
    assert_eq!(train.name.as_deref(), Some("Express"));
    assert_eq!(train.blocks, ["e2"]);
    for who in [WEST, MID, EAST] {
        let alarms = club.snapshot(who).alarms;
        assert!(alarms.iter().all(|alarm| !alarm.active), "{alarms:#?}");
    }
    for block in ["w1", "w2", "w3", "m1", "m2", "m3", "e1", "e3"] {
        assert_eq!(club.state(block), Occupancy::Vacant, "{block}");
    }
}

#[test]
fn a_train_that_comes_back_has_its_old_number() {
    let (mut club, identity) = named();
    club.step("w3", "m1");
    club.step("m1", "m2");
    assert!(club.trains(WEST).is_empty());
    club.step("m2", "m1");
    club.step("m1", "w3");
    let train = club.train(WEST);
    assert_eq!((&*train.id, train.identity), ("t1", Some(identity)));
    assert_eq!(train.blocks, ["w3"]);
    assert_eq!(club.state("m1"), Occupancy::Vacant);
}

#[test]
fn a_name_that_is_given_on_one_side_is_known_on_the_other() {
    let (mut club, _) = named();
    club.step("w3", "m1");
    let id = club.train(MID).id;
    let id = club.computers[MID]
        .engine
        .train_by_name(&id)
        .expect("it is there");
    club.command(MID, Command::NameTrain(id, "Night mail".into()));
    club.run(1_000);
    assert_eq!(club.train(WEST).name.as_deref(), Some("Night mail"));
    club.step("m1", "m2");
    assert_eq!(club.train(MID).name.as_deref(), Some("Night mail"));
}

#[test]
fn two_trains_on_two_sides_of_a_border_stay_two() {
    let (mut club, identity) = named();
    club.detect("m3", true);
    club.run(1_000);
    club.step("m3", "m2");
    club.step("m2", "m1");
    // In each daemon one is here and the other beyond.
    for (who, here, beyond) in [(WEST, "w3", "mid-m1"), (MID, "m1", "west-w3")] {
        let trains = club.trains(who);
        assert_eq!(trains.len(), 2, "{trains:#?}");
        for block in [here, beyond] {
            assert_eq!(club.view(who, block).trains.len(), 1, "{block}");
        }
    }
    let beyond = club.trains(MID);
    let west = beyond.iter().find(|train| train.blocks == ["west-w3"]);
    assert_eq!(
        west.and_then(|train| train.identity.as_deref()),
        Some(&*identity)
    );
    let east = club.trains(WEST).remove(1).identity.expect("a peer's");
    assert!(east.starts_with("club/mid/t"), "{east}");
}

#[test]
fn an_identity_outlives_a_restart_with_memory_and_not_one_without() {
    let (mut club, identity) = named();
    club.restart(WEST, "west-2", true);
    club.detect("w3", true);
    club.run(3_000);
    assert_eq!(
        club.train(WEST).identity.as_deref(),
        Some(&*identity),
        "remembered"
    );
    club.restart(WEST, "west-3", false);
    club.detect("w3", true);
    club.run(3_000);
    let anew = club.train(WEST);
    assert_eq!(anew.id, "t1");
    assert_ne!(
        anew.identity.as_deref(),
        Some(&*identity),
        "another numbering"
    );
}

/// A peer that has just seen something knows it to be there before it knows who it is.
#[test]
fn a_train_that_was_nobody_yet_is_known_when_the_peer_knows_it() {
    let (mut club, identity) = named();
    let told = club.said(WEST).to_owned();
    let mut word: serde_json::Value = serde_json::from_str(&told).expect("a word is JSON");
    assert_eq!(word["blocks"]["w3"]["trains"][0], *identity, "{told}");
    word["blocks"]["w3"]["trains"] = serde_json::json!([]);
    word["trains"] = serde_json::json!({});
    club.restart(MID, "mid-2", false);
    club.late_letter(MID, WEST, &word.to_string());
    let nobody = club.train(MID);
    assert_ne!(nobody.identity.as_deref(), Some(&*identity));
    assert_eq!((nobody.name, &*nobody.id), (None, "t1"));
    club.late_letter(MID, WEST, &told);
    let known = club.train(MID);
    assert_eq!(known.identity.as_deref(), Some(&*identity));
    assert_eq!((known.name.as_deref(), &*known.id), (Some("Express"), "t1"));
    // It is that one from now on, whoever else is spoken of there.
    word["blocks"]["w3"]["trains"] = serde_json::json!(["club/west/t9@else"]);
    club.late_letter(MID, WEST, &word.to_string());
    assert_eq!(club.train(MID).identity.as_deref(), Some(&*identity));
}

/// What a peer says of a train that is known to be somewhere else gives that one's identity to
/// nobody; and a number of ours that is gone is none of the train that is seen there.
#[test]
fn nobody_is_taken_for_a_train_that_is_known() {
    let (mut club, identity) = named();
    club.step("w3", "m1");
    club.step("m1", "m2");
    for (who, of) in [(MID, WEST), (WEST, MID)] {
        let border = if who == MID { "w3" } else { "m1" };
        let mut word: serde_json::Value = serde_json::from_str(club.said(of)).expect("JSON");
        let number = word["number"].as_u64().expect("words are numbered");
        let before = club.trains(who).len();
        for (later, listed) in [(1, vec![]), (2, vec![&*identity])] {
            word["number"] = serde_json::json!(number + later);
            word["blocks"][border] = serde_json::json!({"state": "occupied", "trains": listed});
            word["trains"] = serde_json::json!({});
            assert_eq!(
                club.late_letter(who, of, &word.to_string()),
                [Outcome::Taken]
            );
        }
        let trains = club.trains(who);
        let named = trains
            .iter()
            .filter(|train| train.identity.as_deref() == Some(&*identity));
        assert_eq!(
            (trains.len(), named.count()),
            (before + 1, before),
            "{trains:#?}"
        );
    }
}
