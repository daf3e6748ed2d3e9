//! Rules B1 to B3, and B5 for spots, of DEVELOPERS.md, section 2: what a place is, from its
//! detectors and from what is next door.

use crate::plans::{bare, block, feed, line, plan, row};
use crate::story::check;

/// `p1 - p2 - p3` where only a treadle at one spot watches p2.
fn with_a_spot_in_the_middle() -> String {
    let treadle =
        "[[detector]]\nid = \"s2\"\nkind = \"contact\"\nblock = \"p2\"\nmax_silence_s = 0\n";
    let outer: String = ["p1", "p3", "p4"].iter().map(|id| block(id, "")).collect();
    plan(&(outer + &bare("p2", "") + treadle + &row(&["p1", "p2", "p3", "p4"])))
}

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

#[test]
fn b1_every_place_starts_unknown() {
    check(
        &line(3, ""),
        "0.0\n 30.0",
        "never block p1
         end block p1 unknown kept=null remembered=false
         end block p3 unknown kept=null",
    );
}

#[test]
fn b1_a_spot_never_proves_vacancy() {
    check(
        &with_a_spot_in_the_middle(),
        "0.0 all off\n 100.0",
        "never block p2 vacant
         end block p2 unknown kept=null",
    );
}

#[test]
fn b1_a_train_seen_to_leave_an_unproven_place_leaves_it_unknown_kept_vacant() {
    check(
        &with_a_spot_in_the_middle(),
        "0.0 all off
         5.0 d-p1 on
         10.0 s2 on
         12.0 d-p1 off; s2 off
         20.0 d-p3 on
         30.0 d-p4 on
         32.0 d-p3 off
         60.0",
        "10.0 block p2 occupied
         13.5 block p1 vacant
         between 12 and 19.9: no block p2 *
         33.5 block p3 vacant
         never block p2 vacant
         end block p2 unknown kept=vacant",
    );
}

#[test]
fn b1_a_block_without_a_detector_stays_unknown() {
    let body = bare("p1", "") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&body),
        "0.0 d-p2 off\n 60.0",
        "1.5 block p2 vacant
         never block p1 vacant
         end block p1 unknown kept=null",
    );
}

#[test]
fn b2_on_means_occupied_at_once() {
    check(
        &line(3, ""),
        "0.0 d-p1 off; d-p2 off
         0.5 d-p3 on
         5.0 d-p1 on
         5.0 d-p1 off
         5.1",
        "0.5 block p3 occupied was=unknown
         1.5 block p1 vacant was=unknown
         5.0 block p1 occupied was=vacant kept=null",
    );
}

#[test]
fn b2_a_lost_place_is_occupied_again_at_once() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p1 off
         13.0 d-p1 on
         30.0",
        "11.5 block p1 lost
         13.0 block p1 occupied was=lost
         never alarm train-lost:p1
         end trains 1
         end block p1 trains=t1",
    );
}

#[test]
fn b2_one_detector_of_two_is_enough() {
    check(
        &doubly_watched(),
        "keep 1
         0.0 one off; two off
         5.0 two on
         8.0",
        "1.5 block p1 vacant
         5.0 block p1 occupied",
    );
}

#[test]
fn b3_the_place_behind_a_train_is_released_after_its_time() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         20.0",
        "10.5 block p1 vacant was=occupied
         once block p1 vacant was=occupied
         never block p1 lost
         end block p2 occupied trains=t1
         end trains 1",
    );
}

#[test]
fn b3_a_flicker_starts_the_time_anew() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         10.4 d-p1 on
         10.5 d-p1 off
         20.0",
        "between 9 and 11.99: no block p1 *
         12.0 block p1 vacant",
    );
}

#[test]
fn b3_release_fires_before_an_input_of_the_same_moment() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         10.5 d-p1 on
         20.0",
        "10.5 block p1 vacant
         10.5 block p1 occupied
         end trains 1",
    );
}

#[test]
fn b3_each_block_may_have_its_own_release_time() {
    let body = block("p1", "release_s = 4") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&body),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         20.0",
        "4.0 block p1 vacant
         13.0 block p1 vacant",
    );
}

#[test]
fn b3_both_detectors_must_be_off() {
    check(
        &doubly_watched(),
        "keep 1
         0.0 one off; two off; d-p2 off
         5.0 one on; two on
         8.0 d-p2 on
         9.0 one off
         15.0 two off
         20.0",
        "16.5 block p1 vacant
         between 5.1 and 16.4: no block p1 vacant",
    );
}

#[test]
fn b3_next_door_may_be_within_its_own_release() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         9.8 d-p2 off
         10.9 d-p2 on
         20.0",
        "10.5 block p1 vacant
         never block p1 lost
         never block p2 lost
         end block p2 occupied trains=t1",
    );
}

#[test]
fn b3_next_door_off_since_longer_than_its_release_explains_nothing() {
    // p2 is lost at 11.3: the train has then been seen nowhere, and p1 is not released on its
    // word.
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.8 d-p1 off; d-p2 off
         20.0",
        "never alarm train-lost:p3
         between 16 and 17: alarm * type=train-lost unacknowledged",
    );
}

#[test]
fn b3_a_train_that_went_into_a_dark_place_is_kept_there() {
    let body = block("p1", "") + &block("p2", "") + &block("p3", "") + &row(&["p1", "p2", "p3"]);
    check(
        &plan(&(body + &feed("f3", "[\"p3\"]", ""))),
        "0.0 all off; f3 on
         3.0 f3 off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         20.0 d-p2 off
         60.0",
        "10.5 block p1 vacant
         21.5 block p2 vacant
         never block p2 lost
         never alarm train-lost:p2
         end block p3 dark kept=occupied
         end trains 1",
    );
}

#[test]
fn b3_a_train_whose_front_went_dark_has_left_what_is_behind_it() {
    // Its tail has just left p1 as the power of p2 goes: p2 keeps it.
    let body = block("p1", "") + &block("p2", "") + &block("p3", "") + &row(&["p1", "p2", "p3"]);
    check(
        &plan(&(body + &feed("f2", "[\"p2\", \"p3\"]", ""))),
        "0.0 all off; f2 on
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         10.0 f2 off
         10.1 d-p2 off
         60.0",
        "10.5 block p1 vacant
         never block p1 lost
         never alarm train-lost:p1
         end block p2 dark kept=occupied trains=t1
         end trains 1",
    );
}

#[test]
fn b3_a_train_without_direction_has_gone_on_into_either_end_that_went_dark() {
    for (dark, left) in [("p2", "p1"), ("p1", "p2")] {
        let body = block("p1", "") + &block("p2", "") + &row(&["p1", "p2"]);
        check(
            &plan(&(body + &feed("f1", &format!("[\"{dark}\"]"), ""))),
            &format!(
                "0.0 all off; f1 on
                 0.5 d-p1 on; d-p2 on
                 10.0 f1 off
                 10.1 d-{dark} off
                 15.0 d-{left} off
                 60.0"
            ),
            &format!(
                "16.5 block {left} vacant
                 never alarm train-lost:*
                 end block {dark} dark kept=occupied trains=t1
                 end trains 1"
            ),
        );
    }
}

#[test]
fn b1_of_two_trains_in_an_unwatched_place_the_other_stays_when_one_comes_out() {
    let watched = |id: &str| block(id, "");
    let body = watched("p1") + &watched("p2") + &bare("p3", "") + &watched("p4") + &watched("p5");
    check(
        &plan(&(body + &row(&["p1", "p2", "p3", "p4", "p5"]))),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         20.0 d-p2 off
         30.0 d-p1 on
         33.0 d-p2 on
         34.0 d-p1 off
         40.0 d-p2 off
         50.0 d-p4 on
         60.0 d-p5 on
         61.0 d-p4 off
         70.0",
        "end block p3 unknown kept=occupied
         end block p5 occupied
         end trains 2",
    );
}

#[test]
fn b3_a_train_that_went_into_an_unwatched_place_is_in_it() {
    let body = block("p1", "") + &block("p2", "") + &bare("p3", "") + &row(&["p1", "p2", "p3"]);
    check(
        &plan(&body),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         9.0 d-p1 off
         20.0 d-p2 off
         60.0",
        "21.5 block p2 vacant
         never alarm train-lost:p2
         end block p3 unknown kept=occupied
         end train t1 blocks=p3 unconfirmed=true",
    );
}

#[test]
fn b3_a_train_that_coupled_up_is_where_the_other_is() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p4 on
         8.0 d-p3 on
         9.0 d-p4 off
         10.0 d-p1 on
         13.0 d-p2 on
         14.0 d-p1 off
         20.0 d-p2 off
         60.0",
        "21.5 block p2 vacant
         never block p2 lost
         end trains 2
         end block p3 occupied trains=t2,t1",
    );
}

#[test]
fn b3_a_place_between_two_of_one_train_is_not_released() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         11.0 d-p3 on
         12.0 d-p2 off
         60.0",
        "between 8.1 and 60: no block p2 *
         end block p2 occupied why~sides
         end trains 1",
    );
}

#[test]
fn b3_a_place_that_is_seen_again_says_so() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         11.0 d-p3 on
         12.0 d-p2 off
         20.0 d-p2 on
         60.0",
        "between 9 and 60: no block p2 vacant
         end block p2 occupied why~d-p2",
    );
}

#[test]
fn b3_a_place_between_two_of_one_train_is_released_where_every_vehicle_shows() {
    check(
        &line(4, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         11.0 d-p3 on
         12.0 d-p2 off
         14.0",
        "13.5 block p2 vacant",
    );
}

#[test]
fn b3_the_held_middle_is_released_when_the_tail_has_left() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         8.0 d-p2 on
         11.0 d-p3 on
         12.0 d-p2 off
         20.0 d-p1 off
         60.0",
        "21.5 block p1 vacant
         21.5..23.0 block p2 vacant
         end block p3 occupied trains=t1
         end trains 1",
    );
}

#[test]
fn b3_a_train_that_came_up_to_another_is_there_until_that_place_is_released_too() {
    check(
        &line(5, "[defaults]\nboot_s = 0"),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p4 on
         15.0 d-p2 on
         17.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p4 off; d-p3 off
         23.0 d-p3 on
         25.0 d-p2 off
         26.0 d-p3 off
         60.0",
        "26.5 block p2 vacant was=occupied
         27.5 block p3 lost
         never block p2 lost",
    );
}

#[test]
fn b3_a_train_may_have_gone_into_a_place_whose_detector_is_out_of_service() {
    check(
        &line(4, ""),
        "0.0 all off
         3.0 do out-of-service d-p3 {}
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p2 off
         60.0",
        "21.5 block p2 vacant was=occupied
         never block p2 lost
         end block p3 unknown
         end trains 1",
    );
}

#[test]
fn b5_a_place_that_is_not_watched_whole_never_becomes_lost_by_what_its_spot_says() {
    let treadle =
        "[[detector]]\nid = \"s2\"\nkind = \"contact\"\nblock = \"p2\"\nmax_silence_s = 5\n";
    let outer: String = ["p1", "p3"].iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(outer + &bare("p2", "") + treadle + &row(&["p1", "p2", "p3"]))),
        "0.0 all off; s2 off
         3.0 s2 on
         6.0 s2 on
         # It is silent, and then off.
         20.0 s2 off
         22.0 s2 off
         24.0 s2 off
         26.0 s2 off
         30.0",
        "3.0 block p2 occupied
         never block p2 lost
         never block p2 vacant",
    );
}
