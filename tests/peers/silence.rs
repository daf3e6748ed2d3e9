//! A peer that is not heard makes its side unknown, and nothing becomes vacant by it.

use taillamp::engine::change::{Kept, Occupancy};
use taillamp::engine::input::Outcome;

use crate::club::{Club, EAST, MID, WEST};

#[test]
fn a_peer_that_falls_silent_is_unknown_and_known_again_when_it_speaks() {
    let mut club = Club::new();
    club.detect("m1", true);
    club.run(3_000);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Occupied);
    assert_eq!(club.view(EAST, "mid-m3").state, Occupancy::Vacant);
    club.computers[MID].link = false;
    club.run(12_500);
    let west = club.view(WEST, "mid-m1");
    assert_eq!(
        (west.state, west.kept),
        (Occupancy::Unknown, Some(Kept::Occupied))
    );
    let east = club.view(EAST, "mid-m3");
    assert_eq!(
        (east.state, east.kept),
        (Occupancy::Unknown, Some(Kept::Vacant))
    );
    // Its own track it knows as before; of the others it knows nothing either.
    assert_eq!(club.state("m1"), Occupancy::Occupied);
    assert_eq!(club.view(MID, "west-w3").state, Occupancy::Unknown);
    club.computers[MID].link = true;
    club.run(4_500);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Occupied);
    assert_eq!(club.view(EAST, "mid-m3").state, Occupancy::Vacant);
    assert_eq!(club.view(MID, "west-w3").state, Occupancy::Vacant);
}

#[test]
fn a_silent_peer_is_one_exception_of_the_line_up_a_place() {
    let mut club = Club::new();
    club.run(70_000);
    let about_mid = |club: &Club| -> Vec<(String, String)> {
        let exceptions = club.snapshot(WEST).line_up.exceptions;
        let about = exceptions.into_iter().filter(|e| e.id.contains("mid-m1"));
        about.map(|e| (e.id, e.to_do)).collect()
    };
    assert_eq!(about_mid(&club), []);
    club.computers[MID].link = false;
    club.run(13_000);
    let cure = "Look, and see that the computer of mid runs and is heard";
    assert_eq!(about_mid(&club), [("mid-m1".to_owned(), cure.to_owned())]);
}

#[test]
fn a_peers_silence_is_one_alarm() {
    let mut club = Club::new();
    club.run(70_000);
    club.computers[MID].link = false;
    club.run(13_000);
    assert!(club.alarm(WEST, "detector-fault:mid"));
    assert!(club.alarm(EAST, "detector-fault:mid"));
    assert!(!club.alarm(WEST, "detector-fault:mid-m1-word"));
    club.computers[MID].link = true;
    club.run(3_000);
    assert!(!club.alarm(WEST, "detector-fault:mid"));
}

#[test]
fn a_peers_will_is_believed_at_once() {
    let mut club = Club::new();
    club.computers[MID].link = false;
    club.will(MID);
    club.run(100);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Unknown);
    assert_eq!(club.view(EAST, "mid-m3").state, Occupancy::Unknown);
}

#[test]
fn what_a_peer_does_not_know_is_not_known_here() {
    let mut club = Club::silent("");
    club.run(5_000);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Unknown);
    assert!(!club.alarm(WEST, "detector-fault:mid"), "it is heard");
    club.detect("m1", false);
    club.run(3_000);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Vacant);
    // With its power it loses what it knows; what it remembers is not said.
    club.restart(MID, "mid-2", true);
    club.run(3_000);
    let known = club.view(WEST, "mid-m1");
    assert_eq!(
        (known.state, known.kept),
        (Occupancy::Unknown, Some(Kept::Vacant))
    );
}

#[test]
fn a_word_that_comes_late_or_was_kept_says_nothing() {
    let mut club = Club::new();
    let old = club.said(MID).to_owned();
    club.detect("m1", true);
    club.run(1_000);
    assert_eq!(club.late_letter(WEST, MID, &old), [Outcome::Late]);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Occupied);
    club.restart(MID, "mid-2", false);
    club.run(3_000);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Unknown);
    assert_eq!(club.late_letter(WEST, MID, &old), [Outcome::Late]);
    assert_eq!(club.view(WEST, "mid-m1").state, Occupancy::Unknown);
}
