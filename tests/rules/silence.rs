//! Rules B5 and B9 of DEVELOPERS.md, section 2: places whose detectors fall silent, come back, or
//! were never heard from.

use crate::plans::{bare, block, detector, feed, line, plan, row};
use crate::story::check;

/// One block with two current detectors, `one` and `two`, that are heard at least each 10 s.
fn doubly_watched() -> String {
    let current =
        |id: &str| format!("[[detector]]\nid = \"{id}\"\nkind = \"current\"\nblock = \"p1\"\n");
    plan(
        &(bare("p1", "")
            + &current("one")
            + &current("two")
            + &block("p2", "")
            + &row(&["p1", "p2"])),
    )
}

/// `p1 - p2 - p3` whose detectors are heard at least each 10 s.
fn steadily_heard() -> String {
    let body: String = ["p1", "p2", "p3"]
        .iter()
        .map(|id| bare(id, "") + &detector(id, "").replace("max_silence_s = 0\n", ""))
        .collect();
    plan(&(body + &row(&["p1", "p2", "p3"])))
}

#[test]
fn b5_a_vacant_place_whose_detector_falls_silent_is_unknown() {
    check(
        &steadily_heard(),
        "every 1 from 0 to 20: d-p1 off; d-p2 off
         every 1 from 21 to 60: d-p2 off",
        "1.5 block p1 vacant
         30.0 block p1 unknown was=vacant kept=vacant
         30.0 detector d-p1 silent
         between 2 and 60: no block p2 *
         end block p1 unknown kept=vacant",
    );
}

#[test]
fn b5_an_occupied_place_whose_detectors_fall_silent_keeps_its_train() {
    check(
        &steadily_heard(),
        "every 1 from 0 to 20: d-p1 on
         every 1 from 0 to 60: d-p2 off; d-p3 off",
        "30.0 block p1 unknown was=occupied kept=occupied
         never block p1 vacant
         never alarm train-lost:p1
         end block p1 unknown kept=occupied trains=t1
         end trains 1",
    );
}

#[test]
fn b5_back_again_and_off_it_is_lost_and_never_straight_vacant() {
    check(
        &steadily_heard(),
        "every 1 from 0 to 20: d-p1 on
         every 1 from 0 to 60: d-p2 off; d-p3 off
         every 0.5 from 40 to 60: d-p1 off",
        "30.0 block p1 unknown kept=occupied
         41.5 block p1 lost
         46.5 alarm train-lost:p1 unacknowledged
         never block p1 vacant",
    );
}

#[test]
fn b5_back_again_with_its_train_next_door_it_is_vacant() {
    check(
        &steadily_heard(),
        "every 1 from 0 to 20: d-p1 on
         every 1 from 0 to 34: d-p2 off
         every 1 from 35 to 60: d-p2 on
         every 1 from 0 to 60: d-p3 off
         every 0.5 from 40 to 60: d-p1 off",
        "30.0 block p1 unknown kept=occupied
         35.0 block p2 occupied
         41.5 block p1 vacant
         end trains 1
         end train t1 blocks=p2",
    );
}

#[test]
fn b5_a_lost_place_keeps_being_lost() {
    check(
        &steadily_heard(),
        "every 1 from 0 to 4: d-p1 on
         every 1 from 5 to 20: d-p1 off
         every 1 from 0 to 60: d-p2 off; d-p3 off
         every 0.5 from 40 to 60: d-p1 off",
        "6.5 block p1 lost
         30.0 block p1 unknown was=lost kept=lost
         41.5 block p1 lost
         11.5 alarm train-lost:p1 unacknowledged
         between 12 and 60: no alarm train-lost:p1
         never block p1 vacant",
    );
}

#[test]
fn b5_one_detector_of_two_gone_proves_nothing() {
    check(
        &doubly_watched(),
        "every 1 from 0 to 20: one off
         every 1 from 0 to 60: two off; d-p2 off",
        "1.5 block p1 vacant
         30.0 block p1 unknown was=vacant kept=vacant",
    );
}

#[test]
fn b5_an_occupied_place_with_one_detector_left_stays_occupied() {
    check(
        &doubly_watched(),
        "every 1 from 0 to 20: one on
         every 1 from 0 to 60: two off; d-p2 off",
        "0.0 block p1 occupied
         between 1 and 60: no block p1 *
         end block p1 occupied",
    );
}

#[test]
fn b5_a_detector_out_of_service_proves_nothing() {
    check(
        &line(3, ""),
        "0.0 all off
         10.0 do out-of-service d-p1
         20.0 do in-service d-p1
         21.0 d-p1 off
         30.0",
        "1.5 block p1 vacant
         10.0 block p1 unknown was=vacant kept=vacant
         10.0 detector d-p1 out-of-service
         21.5..22.5 block p1 vacant",
    );
}

#[test]
fn b9_vacant_needs_every_detector_heard_from() {
    check(
        &doubly_watched(),
        "keep 1
         0.0 one off; d-p2 off
         20.0 two off
         30.0",
        "between 0 and 21.4: no block p1 vacant
         21.5 block p1 vacant",
    );
}

#[test]
fn b9_vacant_needs_off_without_a_break() {
    check(
        &line(1, ""),
        "0.0 d-p1 off
         1.4 d-p1 on
         1.45 d-p1 off
         60.0",
        "1.4 block p1 occupied
         between 0 and 2: no block p1 vacant
         2.95 block p1 lost",
    );
}

#[test]
fn b9_vacant_needs_a_feed_that_is_known_to_be_live() {
    let body =
        block("p1", "") + &block("p2", "") + &row(&["p1", "p2"]) + &feed("f1", "[\"p1\"]", "");
    check(
        &plan(&body),
        "keep 0.5
         0.0 all off
         20.0 f1 on
         30.0",
        "1.5 block p2 vacant
         between 0 and 20: no block p1 *
         21.5..22.5 block p1 vacant was=unknown",
    );
}

#[test]
fn b5_a_train_that_moved_on_while_its_node_was_away() {
    let node = |id: &str| bare(id, "") + &detector(id, "node = \"n1\"");
    let body = node("p1") + &node("p2") + &node("p3") + &row(&["p1", "p2", "p3"]);
    check(
        &plan(&(body + "[[node]]\nid = \"n1\"\n")),
        "0.0 n1 online
         2.5 all off
         10.0 d-p1 on
         20.0 n1 offline
         40.0 n1 online
         42.5 d-p1 off; d-p2 on; d-p3 off
         60.0",
        "20.0 block p1 unknown was=occupied kept=occupied
         42.5 block p2 occupied
         44.0 block p1 vacant
         never block p1 lost
         end train t1 blocks=p2
         end trains 1",
    );
}
