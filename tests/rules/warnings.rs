//! Rules T8 to T11 of DEVELOPERS.md, section 3: crossovers, trains bound for points that are not
//! set for them, and points in somebody's charge.

use crate::plans::{Watch, crossover, junction};
use crate::story::check;

/// The first train goes into the side and on to the spur; the points stay diverging behind it.
/// They are cleared at 45.001 and left diverging at 55.001.
const FIRST_TRAIN: &str = "0.0 all off; w1 normal
    10.0 d-far on
    15.0 d-west on
    17.0 d-far off
    20.0 w1 reverse
    30.0 d-w1 on
    33.0 d-side on
    36.0 d-west off
    40.0 d-w1 off
    50.0 d-spur on
    52.0 d-side off";

fn after_the_first_train(rest: &str) -> String {
    format!("{FIRST_TRAIN}\n{rest}")
}

#[test]
fn t8_a_crossover_that_disagrees() {
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         10.0 w3 reverse
         20.0 w4 reverse
         30.0",
        "between 0 and 13.0: no alarm crossover-split:x1
         13.15..13.2 alarm crossover-split:x1 unacknowledged medium
         20.15 alarm crossover-split:x1 returned-unacknowledged",
    );
}

#[test]
fn t8_agreeing_in_time_is_nothing() {
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         10.0 w3 reverse
         12.9 w4 reverse
         30.0",
        "10.15 turnout w3 position=reverse
         never alarm crossover-split:x1",
    );
}

#[test]
fn t8_its_time_is_in_the_plan() {
    check(
        &crossover("agree_s = 6"),
        "0.0 all off; w3 normal; w4 normal
         10.0 w3 reverse
         30.0",
        "between 0 and 16.0: no alarm crossover-split:x1
         16.15..16.2 alarm crossover-split:x1 unacknowledged medium",
    );
}

#[test]
fn t8_one_end_not_known_is_not_a_disagreement() {
    check(
        &crossover(""),
        "0.0 all off; w4 normal
         10.0 w3 moving
         30.0",
        "10.15 turnout w3 position=moving
         never alarm crossover-split:x1",
    );
}

#[test]
fn t8_a_train_on_either_end_makes_it_urgent() {
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         5.0 d-up-2 on
         8.0 d-w3 on
         10.0 w4 reverse
         30.0",
        "13.15..13.2 alarm crossover-split:x1 unacknowledged high",
    );
}

#[test]
fn t8_a_train_that_comes_later_makes_it_urgent_and_unacknowledged_again() {
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         10.0 w4 reverse
         20.0 do acknowledge crossover-split:x1
         30.0 d-up-2 on
         40.0 d-w3 on
         50.0",
        "13.15..13.2 alarm crossover-split:x1 unacknowledged medium
         20.0 alarm crossover-split:x1 acknowledged
         30.0..40.01 alarm crossover-split:x1 unacknowledged high",
    );
}

#[test]
fn t9_a_train_next_to_the_toe_is_bound_for_what_was_left_diverging() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train("70.0 d-far on\n 80.0 d-west on\n 90.0 w1 normal\n 100.0"),
        "55.001..55.02 turnout w1 left-diverging
         between 0 and 79.9: no alarm bound-for-diverging:w1
         80.0 alarm bound-for-diverging:w1 unacknowledged high
         90.15 alarm bound-for-diverging:w1 returned-unacknowledged",
    );
}

#[test]
fn t9_what_was_cleared_is_enough() {
    check(
        &junction(Watch::Section, "", "restore_s = 200"),
        &after_the_first_train("70.0 d-far on\n 80.0 d-west on\n 90.0"),
        "45.001..45.01 turnout w1 cleared
         never alarm left-diverging:w1
         80.0 alarm bound-for-diverging:w1 unacknowledged high",
    );
}

#[test]
fn t9_not_for_the_train_that_just_cleared_it() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train("120.0"),
        "55.001..55.02 turnout w1 left-diverging
         never alarm bound-for-diverging:w1",
    );
}

#[test]
fn t9_not_for_points_that_were_set_for_the_train() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         20.0 d-far on
         30.0 d-west on
         40.0",
        "10.15 turnout w1 awaiting
         never alarm bound-for-diverging:w1",
    );
}

#[test]
fn t9_not_for_a_train_that_moves_away() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train("70.0 d-west on\n 80.0 d-far on\n 82.0 d-west off\n 120.0"),
        "83.5 block west vacant
         between 0 and 120: no alarm bound-for-diverging:w1",
    );
}

#[test]
fn t9_returns_when_the_train_fouls_the_points() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train("70.0 d-far on\n 80.0 d-west on\n 85.0 d-w1 on\n 90.0"),
        "80.0 alarm bound-for-diverging:w1 unacknowledged
         85.0 turnout w1 fouled
         85.0 alarm bound-for-diverging:w1 returned-unacknowledged",
    );
}

#[test]
fn t9_with_a_speed_it_warns_by_the_seconds_that_remain() {
    // 100 mm/s: the head entered west, 3000 mm long, at 80.0, and reaches the toe at 110.0. Twenty
    // seconds before is 90.0, but in the place next to the toe the warning comes at once.
    let plan = junction(Watch::Section, "", "")
        .replace("id = \"far\"\n", "id = \"far\"\nlength_mm = 1000\n")
        .replace("id = \"west\"\n", "id = \"west\"\nlength_mm = 3000\n");
    check(
        &plan,
        &after_the_first_train("70.0 d-far on\n 80.0 d-west on\n 95.0"),
        "80.0 alarm bound-for-diverging:w1 unacknowledged high",
    );
}

#[test]
fn t10_points_that_are_not_set_for_the_leg() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         10.0 d-beyond on
         20.0 d-east on
         30.0 w1 normal
         40.0",
        "between 0 and 19.9: no alarm set-against:w1
         20.0 alarm set-against:w1 unacknowledged high
         30.15 alarm set-against:w1 returned-unacknowledged",
    );
}

#[test]
fn t10_out_of_a_siding_against_straight_points() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-spur on
         20.0 d-side on
         30.0",
        "20.0 alarm set-against:w1 unacknowledged high",
    );
}

#[test]
fn t10_set_for_the_train_is_nothing() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-beyond on
         20.0 d-east on
         30.0",
        "20.0 train t1 entered east
         never alarm set-against:w1",
    );
}

#[test]
fn t10_not_for_a_train_that_moves_away() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         10.0 d-east on
         20.0 d-beyond on
         22.0 d-east off
         40.0",
        "20.0 train t1 entered beyond
         never alarm set-against:w1",
    );
}

#[test]
fn t10_points_thrown_in_front_of_a_train() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-beyond on
         20.0 d-east on
         30.0 w1 reverse
         40.0",
        "30.15 alarm set-against:w1 unacknowledged high",
    );
}

#[test]
fn t10_a_position_that_is_not_known_is_walked_through() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off
         10.0 d-beyond on
         20.0 d-east on
         30.0",
        "20.0 train t1 entered east
         never alarm set-against:w1",
    );
}

#[test]
fn t11_in_charge_there_is_no_alarm_until_it_ends() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train(
            "53.0 do in-charge w1 {\"who\":\"Ann\",\"minutes\":2}
             300.0",
        ),
        "between 0 and 172.9: no alarm left-diverging:w1 unacknowledged
         173.0..183.1 alarm left-diverging:w1 unacknowledged medium",
    );
}

#[test]
fn t11_a_quarter_of_an_hour_by_default() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train("53.0 do in-charge w1 {\"who\":\"Ann\"}\n 1000.0"),
        "between 0 and 952.9: no alarm left-diverging:w1 unacknowledged
         953.0..963.1 alarm left-diverging:w1 unacknowledged",
    );
}

#[test]
fn t11_for_no_time_ends_it() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train(
            "53.0 do in-charge w1 {\"who\":\"Ann\"}
             90.0 do in-charge w1 {\"who\":\"Ann\",\"minutes\":0}
             101.0",
        ),
        "between 0 and 89.9: no alarm left-diverging:w1 unacknowledged
         90.0..100.1 alarm left-diverging:w1 unacknowledged
         end turnout w1 in_charge=null",
    );
}

#[test]
fn t11_ends_when_the_points_move() {
    check(
        &junction(Watch::Section, "", "restore_s = 5"),
        &after_the_first_train(
            "46.0 do in-charge w1 {\"who\":\"Ann\"}
             60.0 w1 normal
             70.0 w1 reverse
             80.0 d-west on
             85.0 d-w1 on
             90.0 d-side on
             92.0 d-west off
             95.0 d-w1 off
             120.0",
        ),
        "between 0 and 100: no alarm left-diverging:w1
         105.001..105.02 alarm left-diverging:w1 unacknowledged",
    );
}

#[test]
fn t11_suppresses_the_bound_train_and_the_waiting_points_too() {
    check(
        &junction(Watch::Section, "", ""),
        &after_the_first_train(
            "53.0 do in-charge w1 {\"who\":\"Ann\"}
             70.0 d-far on
             80.0 d-west on
             120.0",
        ),
        "80.0 train t2 entered west
         between 0 and 120: no alarm bound-for-diverging:w1 unacknowledged",
    );
    check(
        &junction(Watch::Section, "", "awaiting_s = 20"),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         15.0 do in-charge w1 {\"who\":\"Ann\"}
         100.0",
        "10.15 turnout w1 awaiting
         between 0 and 100: no alarm set-no-train:w1 unacknowledged",
    );
}

#[test]
fn t11_does_not_suppress_what_is_under_a_train() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         5.0 do in-charge w1 {\"who\":\"Ann\"}
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 reverse
         30.0",
        "20.0..20.16 alarm moved-under-train:w1 unacknowledged high",
    );
}

#[test]
fn t9_for_the_same_train_when_it_comes_round_again() {
    // The diverging road leads round to the approach: far - west - [w1] - s1 - s2 - s3 - s4 - far.
    let ids = ["far", "west", "east", "s1", "s2", "s3", "s4"];
    let body: String = ids.iter().map(|id| crate::plans::block(id, "")).collect();
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\nreverse = \"s1.a\"\n";
    let joins = crate::plans::row(&["s1", "s2", "s3", "s4", "far", "west"]);
    check(
        &crate::plans::plan(&(body + turnout + &joins + &crate::plans::section("w1"))),
        "0.0 all off; w1 reverse
         10.0 d-far on
         20.0 d-west on
         22.0 d-far off
         30.0 d-w1 on
         32.0 d-s1 on
         34.0 d-west off
         36.0 d-w1 off
         40.0 d-s2 on
         42.0 d-s1 off
         50.0 d-s3 on
         52.0 d-s2 off
         60.0 d-s4 on
         62.0 d-s3 off
         70.0 d-far on
         72.0 d-s4 off
         80.0 d-west on
         85.0",
        "41.001..41.02 turnout w1 cleared
         between 0 and 69.9: no alarm bound-for-diverging:w1
         between 70 and 80.1: alarm bound-for-diverging:w1 unacknowledged high
         end trains 1",
    );
}

#[test]
fn t9_with_a_speed_it_comes_before_the_last_place() {
    // 100 mm/s: at 90.0 the head enters west, 1000 mm before the toe; at 80.0 it enters far, 20 s
    // before it. The warning comes when less than 20 s remain, and says how many.
    let mut plan = junction(Watch::Section, "", "");
    for id in ["far", "west"] {
        plan = plan.replace(
            &format!("id = \"{id}\"\n"),
            &format!("id = \"{id}\"\nlength_mm = 1000\n"),
        );
    }
    plan += &crate::plans::block("outer", "length_mm = 1000");
    plan += &crate::plans::block("outmost", "length_mm = 1000");
    plan += &crate::plans::row(&["outmost", "outer", "far"]);
    check(
        &plan,
        &after_the_first_train(
            "60.0 d-outmost on
             70.0 d-outer on
             72.0 d-outmost off
             80.0 d-far on
             82.0 d-outer off
             88.0",
        ),
        "between 0 and 74.9: no alarm bound-for-diverging:w1
         75.0..85.0 alarm bound-for-diverging:w1 unacknowledged high
         end alarm bound-for-diverging:w1 seconds!=null
         end train t2 ahead.what=bound-for-diverging ahead.at=w1",
    );
}

#[test]
fn t10_with_a_speed_it_comes_before_the_last_place() {
    let mut plan = junction(Watch::Section, "", "");
    for id in ["beyond", "east"] {
        plan = plan.replace(
            &format!("id = \"{id}\"\n"),
            &format!("id = \"{id}\"\nlength_mm = 1000\n"),
        );
    }
    plan += &crate::plans::block("outer", "length_mm = 1000");
    plan += &crate::plans::block("outmost", "length_mm = 1000");
    plan += &crate::plans::row(&["beyond", "outer", "outmost"]);
    check(
        &plan,
        "0.0 all off; w1 reverse
         60.0 d-outmost on
         70.0 d-outer on
         72.0 d-outmost off
         80.0 d-beyond on
         82.0 d-outer off
         88.0",
        "between 0 and 74.9: no alarm set-against:w1
         75.0..85.0 alarm set-against:w1 unacknowledged high",
    );
}

#[test]
fn t8_a_train_that_is_bound_for_an_end_makes_it_urgent() {
    // t1 comes into up-2, next to w3; it turns back, and nobody is bound for it any more.
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         10.0 w4 reverse
         30.0 d-up-1 on
         35.0 d-up-2 on
         37.0 d-up-1 off
         50.0 d-up-1 on
         52.0 d-up-2 off
         60.0",
        "13.15..13.2 alarm crossover-split:x1 unacknowledged medium
         between 13.2 and 34.9: no alarm crossover-split:x1 unacknowledged high
         35.0 alarm crossover-split:x1 unacknowledged high
         50.0..52.1 alarm crossover-split:x1 unacknowledged medium",
    );
}

#[test]
fn t8_as_long_as_one_train_is_bound_for_an_end_it_is_urgent() {
    // Two trains, one for each end; the first turns back.
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         10.0 w4 reverse
         30.0 d-up-1 on
         31.0 d-dn-4 on
         35.0 d-up-2 on
         36.0 d-dn-3 on
         37.0 d-up-1 off; d-dn-4 off
         50.0 d-up-1 on
         52.0 d-up-2 off
         60.0",
        "35.0 alarm crossover-split:x1 unacknowledged high
         between 36 and 60: no alarm crossover-split:x1 unacknowledged medium",
    );
}
