//! Corners of sections 2 and 4 of DEVELOPERS.md: each of these stories once was the only one that
//! would have noticed a change of the engine (mutation testing, DEVELOPERS.md).

use crate::plans::{Watch, bare, block, detector, feed, join, junction, line, plan, row, section};
use crate::story::{check, check_power_cut};

/// `p1 - p2 - p3 - p4`, nothing watches p3.
fn gap() -> String {
    let body = block("p1", "") + &block("p2", "") + &bare("p3", "") + &block("p4", "");
    plan(&(body + &row(&["p1", "p2", "p3", "p4"])))
}

/// A beam across a block, which watches a spot of it.
fn spot(id: &str, block: &str) -> String {
    format!(
        "[[detector]]\nid = \"{id}\"\nkind = \"optical\"\nblock = \"{block}\"\n\
         watches = \"spot\"\nunit = \"%\"\non = 30\noff = 60\nmax_silence_s = 0\n"
    )
}

/// `p1 - p2 - p3`, of which the feed of some can be switched.
fn switched(blocks: &str) -> String {
    let body = block("p1", "") + &block("p2", "") + &block("p3", "");
    plan(&(body + &row(&["p1", "p2", "p3"]) + &feed("f1", blocks, "")))
}

#[test]
fn b1_a_place_that_nothing_watches_is_left_when_the_train_is_seen_beyond() {
    check(
        &gap(),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         11.0 d-p1 off
         15.0 d-p2 off
         20.0 d-p4 on
         60.0",
        "16.5 block p3 kept=occupied
         21.5 block p3 kept=vacant
         end train t1 blocks=p4
         never block p3 vacant
         end trains 1",
    );
}

#[test]
fn b1_a_place_that_nothing_watches_is_left_after_the_one_behind_it() {
    // A train so long that it shows on both sides.
    check(
        &gap(),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         15.0 d-p4 on
         20.0 d-p2 off
         60.0",
        "15.0 train t1 entered p4
         21.5 block p2 vacant
         23.0 block p3 kept=vacant
         end train t1 blocks=p4
         end trains 1",
    );
}

#[test]
fn b1_a_place_that_nothing_watches_keeps_the_train_that_has_not_come_out() {
    check(
        &gap(),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         11.0 d-p1 off
         15.0 d-p2 off
         30.0 d-p1 on
         35.0 d-p2 on
         36.0 d-p1 off
         40.0 d-p2 off
         50.0 d-p4 on
         80.0",
        "end block p3 unknown kept=occupied
         end trains 2
         never alarm train-lost:*",
    );
}

#[test]
fn b1_a_place_watched_by_a_spot_is_left_too() {
    let spot = &spot("d-p2", "p2");
    let body = block("p1", "") + &bare("p2", "") + spot + &block("p3", "");
    check(
        &plan(&(body + &row(&["p1", "p2", "p3"]))),
        "0.0 all off; d-p2 90 %
         5.0 d-p1 on
         10.0 d-p2 10 %
         12.0 d-p1 off
         20.0 d-p2 90 %
         20.5 d-p3 on
         60.0",
        "end block p2 unknown kept=vacant
         end train t1 blocks=p3
         never block p2 vacant
         end trains 1",
    );
}

#[test]
fn stock_that_is_lifted_off_has_left_its_track_also_where_what_else_it_held_is_not_heard() {
    let points = section("w1").replace("turnout =", "node = \"n1\"\nturnout =");
    let body = "[[node]]\nid = \"n1\"\n".to_owned()
        + &block("p1", "")
        + &block("fiddle", "fiddle = true\nuse = \"yard\"")
        + &block("spur", "use = \"yard\"")
        + "[[turnout]]\nid = \"w1\"\ntoe = \"p1.b\"\nnormal = \"fiddle.a\"\nreverse = \"spur.a\"\n"
        + &points;
    check(
        &plan(&body),
        "0.0 n1 online; all off; w1 normal
         10.0 d-fiddle on
         15.0 d-w1 on
         20.0 n1 offline
         30.0 d-fiddle off
         40.0",
        "31.5 block fiddle unknown
         31.5 train t1 vacated fiddle
         end train t1 blocks=w1",
    );
}

#[test]
fn b4_stock_that_is_lifted_off_by_hand_is_no_train_any_more() {
    let body = block("p1", "fiddle = true") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&body),
        "0.0 all off
         100.0 d-p1 on
         150.0 d-p1 off
         300.0",
        "151.5 block p1 unknown kept=null
         151.5 train t1 gone
         end trains 0",
    );
}

#[test]
fn b4_a_train_has_not_gone_in_by_a_leg_that_is_not_set_for_it() {
    // It stands on the points, which are set straight; the siding is dark. It can be nowhere.
    let plan = junction(Watch::Section, &feed("f1", "[\"side\"]", ""), "");
    check(
        &plan,
        "0.0 all off; w1 normal; f1 off
         10.0 d-west on
         15.0 d-w1 on
         17.0 d-west off
         30.0 d-w1 off
         60.0",
        "36.5..36.6 alarm train-lost:w1 unacknowledged
         end turnout w1 fouled
         never train t1 entered side",
    );
}

#[test]
fn b4_a_train_has_not_run_through_points_that_lie_against_it() {
    let plan = junction(Watch::Section, "", "");
    check(
        &plan,
        "0.0 all off; w1 normal
         10.0 d-spur on
         15.0 d-side on
         17.0 d-spur off
         20.0 do out-of-service d-w1
         30.0 d-side off
         60.0",
        "31.5 block side lost
         36.5..36.6 alarm train-lost:side unacknowledged",
    );
}

#[test]
fn b4_a_train_leaves_unseen_by_its_head_alone() {
    // The dark track lies behind it.
    check(
        &switched("[\"p1\"]"),
        "0.0 all off; f1 on
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 f1 off
         30.0 d-p2 off
         60.0",
        "31.5 block p2 lost
         never train t1 entered p1",
    );
}

#[test]
fn b3_a_train_without_direction_may_leave_unseen_by_either_end() {
    check(
        &switched("[\"p1\"]"),
        "0.0 all off; f1 off
         10.0 d-p2 on
         30.0 d-p2 off
         60.0",
        "31.5 block p2 vacant
         31.5 train t1 entered p1
         end block p1 dark kept=occupied",
    );
}

#[test]
fn b3_a_train_that_another_is_coupled_to_may_leave_unseen_by_its_tail() {
    // The second draws the first back into track that is dark by now.
    let plan = line(5, "") + &feed("f1", "[\"p2\"]", "");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p2 on
         10.0 d-p3 on
         12.0 d-p2 off
         20.0 d-p1 on
         25.0 d-p2 on
         27.0 d-p1 off
         30.0 d-p2 off
         40.0 f1 off
         50.0 d-p3 off
         80.0",
        "31.5 train t2 coupled p3
         51.5 block p3 vacant
         end block p2 dark kept=occupied
         never block p3 lost
         end trains 2",
    );
}

#[test]
fn b5_a_spot_that_is_out_of_service_is_not_missed() {
    let spot = &spot("beam-1", "p1");
    let plan = plan(&(block("p1", "") + spot + &block("p2", "") + &row(&["p1", "p2"])));
    check(
        &plan,
        "0.0 all off; beam-1 90 %
         10.0 do out-of-service beam-1
         20.0",
        "end block p1 vacant",
    );
    check(
        &plan,
        "0.0 all off; beam-1 90 %
         10.0 do out-of-service d-p1
         20.0",
        "10.0 block p1 unknown kept=vacant",
    );
}

#[test]
fn b6_what_reports_changes_only_counts_a_second_after_the_power_went() {
    // `hush`: nothing is repeated, nothing wakes it but the time itself.
    check(
        &switched("[\"p1\"]"),
        "0.0 all off; f1 on
         0.0 hush d-p1
         5.0 d-p1 on
         10.0 f1 off
         20.0",
        "10.0 block p1 dark kept=occupied
         11.0 block p1 occupied
         12.0..12.1 alarm power-where-off:p1 unacknowledged",
    );
}

#[test]
fn b6_an_on_from_before_the_power_went_is_none_of_now() {
    let plan = switched("[\"p1\"]").replace("max_silence_s = 0\n", "max_silence_s = 30\n");
    check(
        &plan,
        "0.0 all off; f1 on
         9.0 all off
         9.5 d-p1 on
         10.0 f1 off
         20.0",
        "10.0 block p1 dark kept=occupied
         end block p1 dark kept=occupied
         never alarm power-where-off:p1",
    );
}

#[test]
fn b6_power_where_off_stays_when_its_detector_falls_silent() {
    let story = |rest: &str| {
        format!(
            "0.0 all off; f1 off
             10.0 d-p1 on
             20.0 do out-of-service d-p1
             {rest}"
        )
    };
    check(
        &switched("[\"p1\"]"),
        &story("60.0"),
        "11.0..11.1 alarm power-where-off:p1 unacknowledged
         never alarm power-where-off:p1 returned-unacknowledged",
    );
    check(
        &switched("[\"p1\"]"),
        &story("40.0 f1 on\n 60.0"),
        "40.0..40.6 alarm power-where-off:p1 returned-unacknowledged",
    );
}

#[test]
fn b7_an_on_from_before_the_power_came_back_waits_for_a_fresh_one() {
    let plan = switched("[\"p1\"]").replace("max_silence_s = 0\n", "max_silence_s = 60\n");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p1 on
         6.0 d-p1 on
         10.0 f1 off
         30.0 f1 on
         45.0 d-p1 on
         50.0",
        "10.0 block p1 dark kept=occupied
         between 10.1 and 44.9: no block p1 occupied
         45.0 block p1 occupied",
    );
}

#[test]
fn b7_with_the_power_back_a_train_may_go_on_before_it_is_seen_where_it_stood() {
    check(
        &switched("[\"p1\"]"),
        "0.0 all off; f1 on
         5.0 d-p1 on
         10.0 f1 off; d-p1 off
         60.0 f1 on
         60.2 d-p2 on
         70.0",
        "60.2 train t1 entered p2
         end trains 1
         never alarm unannounced:p2",
    );
}

#[test]
fn b8_two_detectors_and_one_is_heard_it_is_still_remembered() {
    let second = detector("p1", "").replace("d-p1", "d-p1-b");
    let plan = plan(&(block("p1", "") + &second + &bare("p2", "") + &join("p1.b", "p2.a")));
    check_power_cut(
        &plan,
        "0.0 all off\n 5.0 d-p1 on\n 20.0",
        "0.0 d-p1 on\n 20.0",
        "end block p1 occupied remembered=true
         end block p2 remembered=true",
    );
    check_power_cut(
        &plan,
        "0.0 all off\n 5.0 d-p1 on\n 20.0",
        "0.0 d-p1 on; d-p1-b off\n 20.0",
        "end block p1 occupied remembered=false",
    );
}

#[test]
fn b_every_state_says_why() {
    check(
        &switched("[\"p1\"]"),
        "0.0 all off; f1 on
         10.0 f1 off
         20.0 do stands-here p3 {}
         30.0",
        "end block p1 dark why~f1|is|off
         end block p2 vacant why~every|detector|off
         end block p3 occupied why~the|operator|says",
    );
    check(
        &line(3, ""),
        "0.0 all off
         10.0 d-p2 on
         20.0 d-p2 off
         40.0",
        "end block p2 lost why~nothing|left|it",
    );
    check(
        &gap(),
        "0.0 all off
         10.0 do out-of-service d-p1
         20.0",
        "end block p1 unknown why~d-p1|cannot|tell
         end block p3 unknown why~nothing|watches|it",
    );
    check(
        &switched("[\"p1\"]"),
        "0.0 d-p1 off
         20.0",
        "end block p1 unknown why~its|feed|was|not|heard
         end block p2 unknown why=d-p2|was|not|heard|yet",
    );
}

#[test]
fn b_a_passage_that_is_not_completed_says_why() {
    let plan = junction(Watch::Beams, "", "");
    check(
        &plan,
        "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %; w1 normal
         10.0 d-west on
         20.0 beam-toe 10 %
         24.0 beam-toe 90 %
         30.0",
        "end turnout w1 fouled why~gone|in|and|not|come|out",
    );
}

#[test]
fn stock_that_is_put_on_again_is_not_lifted_off_when_its_detector_is_not_heard() {
    let body = "[[node]]\nid = \"n1\"\n".to_owned()
        + &bare("p1", "fiddle = true\nfiddle_s = 45")
        + &detector("p1", "node = \"n1\"")
        + &block("p2", "")
        + &row(&["p1", "p2"]);
    check(
        &plan(&body),
        "0.0 n1 online; all off
         10.0 d-p1 on
         50.0 d-p1 off
         60.0 d-p1 on
         70.0 n1 offline
         80.0",
        "51.5 train t1 gone
         60.0 train t2 new
         end block p1 unknown kept=occupied trains=t2",
    );
}
