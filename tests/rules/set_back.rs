//! Rules T3 to T7 of DEVELOPERS.md, section 3: points set in vain, moved under a train, without
//! correspondence, in a yard, or watched by detectors that prove nothing.

use crate::plans::{Watch, feed, junction};
use crate::story::check;

/// A train comes from far, stands before the points, and goes into the side: it is wholly there
/// when the section falls free at 40.0.
const INTO_THE_SIDE: &str = "0.0 all off; w1 normal
    10.0 d-far on
    15.0 d-west on
    17.0 d-far off
    20.0 w1 reverse
    30.0 d-w1 on
    33.0 d-side on
    36.0 d-west off
    40.0 d-w1 off";

fn into_the_side(rest: &str) -> String {
    format!("{INTO_THE_SIDE}\n{rest}")
}

#[test]
fn t3_set_and_no_train_comes() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         200.0 w1 normal
         210.0",
        "10.15 turnout w1 awaiting
         between 0 and 130.1: no alarm set-no-train:w1
         130.15..130.2 alarm set-no-train:w1 unacknowledged low
         200.15 alarm set-no-train:w1 returned-unacknowledged",
    );
}

#[test]
fn t3_returns_when_the_train_comes() {
    check(
        &junction(Watch::Section, "", "awaiting_s = 30"),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         60.0 d-west on
         70.0 d-w1 on
         80.0",
        "40.15..40.2 alarm set-no-train:w1 unacknowledged
         70.0 alarm set-no-train:w1 returned-unacknowledged",
    );
}

#[test]
fn t4_moved_under_a_train() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 moving
         20.5 w1 reverse
         30.0",
        "20.0..20.16 alarm moved-under-train:w1 unacknowledged high
         once alarm moved-under-train:w1",
    );
}

#[test]
fn t4_set_back_before_it_was_proven_clear() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("43.0 w1 normal\n 80.0"),
        "43.0..43.16 alarm moved-under-train:w1 unacknowledged medium
         never alarm moved-under-train:w1 high
         never alarm left-diverging:w1",
    );
}

#[test]
fn t4_not_after_its_time() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("45.1 w1 normal\n 80.0"),
        "45.25 turnout w1 free position=normal
         never alarm moved-under-train:w1",
    );
}

#[test]
fn t4_a_report_that_is_merely_lost_moves_nothing() {
    let plan = junction(Watch::Section, "", "node = \"n1\"") + "[[node]]\nid = \"n1\"\n";
    check(
        &plan,
        "0.0 n1 online; all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 n1 offline
         25.0 n1 online; w1 normal
         40.0",
        "20.0 turnout w1 position=unknown
         never alarm moved-under-train:w1",
    );
}

#[test]
fn t4_a_flicker_of_the_contact_moves_nothing() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 moving
         20.1 w1 normal
         30.0",
        "15.0 turnout w1 fouled position=normal
         never alarm moved-under-train:w1
         never turnout w1 position=moving",
    );
}

#[test]
fn t4_latches_until_it_is_reset() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side(
            "43.0 w1 normal
             60.0 do acknowledge moved-under-train:w1
             70.0 do reset moved-under-train:w1
             80.0",
        ),
        "43.0..43.16 alarm moved-under-train:w1 unacknowledged medium
         43.0..49.0 alarm moved-under-train:w1 latched-unacknowledged
         60.0 alarm moved-under-train:w1 latched-acknowledged
         70.0 alarm moved-under-train:w1 normal
         end no alarm moved-under-train:w1",
    );
}

#[test]
fn t5_moving_for_too_long() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 moving
         30.0 w1 reverse
         40.0",
        "10.15 turnout w1 position=moving
         14.0..14.2 alarm no-correspondence:w1 unacknowledged medium
         30.15 alarm no-correspondence:w1 returned-unacknowledged",
    );
}

#[test]
fn t5_moving_in_time_is_nothing() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 moving
         13.5 w1 reverse
         40.0",
        "10.15 turnout w1 position=moving
         13.65 turnout w1 position=reverse
         never alarm no-correspondence:w1",
    );
}

#[test]
fn t5_asked_and_detected_differ() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 asked w1 reverse
         30.0 w1 reverse
         40.0",
        "14.0..14.2 alarm no-correspondence:w1 unacknowledged medium
         30.15 alarm no-correspondence:w1 returned-unacknowledged",
    );
}

/// Who keeps what was asked may say it again every second: the points have had their time.
#[test]
fn t5_asked_again_and_again_is_asked_the_first_time() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 asked w1 reverse
         11.5 asked w1 reverse
         13.0 asked w1 reverse
         14.5 asked w1 reverse
         20.0",
        "14.0..14.2 alarm no-correspondence:w1 unacknowledged medium",
    );
}

#[test]
fn t5_asked_and_done_is_nothing() {
    check(
        &junction(Watch::Section, "", "move_s = 2"),
        "0.0 all off; w1 normal
         10.0 asked w1 reverse
         11.5 w1 reverse
         40.0",
        "11.65 turnout w1 position=reverse
         never alarm no-correspondence:w1",
    );
}

#[test]
fn t6_yard_points_are_never_left_diverging() {
    check(
        &junction(Watch::Section, "", "rest = \"none\""),
        &into_the_side("600.0"),
        "20.15 turnout w1 awaiting
         30.0 turnout w1 fouled
         45.001..45.01 turnout w1 cleared
         never alarm left-diverging:w1
         never alarm set-no-train:w1",
    );
}

#[test]
fn t6_yard_points_moved_under_a_train_alarm_all_the_same() {
    check(
        &junction(Watch::Section, "", "rest = \"none\""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 reverse
         30.0",
        "20.0..20.16 alarm moved-under-train:w1 unacknowledged high",
    );
}

#[test]
fn t7_a_silent_section_proves_nothing() {
    let plan = junction(Watch::Section, "", "").replace(
        "turnout = \"w1\"\nmax_silence_s = 0\n",
        "turnout = \"w1\"\n",
    );
    check(
        &plan,
        "every 1 from 0 to 20: d-w1 off
         0.0 w1 normal
         60.0",
        "5.001..5.16 turnout w1 free
         30.0 turnout w1 unknown was=free
         end turnout w1 unknown position=normal",
    );
}

#[test]
fn t7_a_section_that_falls_silent_under_a_train_never_clears() {
    let plan = junction(Watch::Section, "", "").replace(
        "turnout = \"w1\"\nmax_silence_s = 0\n",
        "turnout = \"w1\"\n",
    );
    check(
        &plan,
        "every 1 from 0 to 9: d-w1 off
         every 1 from 10 to 20: d-w1 on
         0.0 w1 reverse; d-west off; d-side off
         8.0 d-west on
         15.0 d-side on
         120.0",
        "10.0 turnout w1 fouled
         between 10 and 120: no turnout w1 cleared
         between 10 and 120: no turnout w1 awaiting
         never alarm left-diverging:w1",
    );
}

#[test]
fn t7_covered_by_an_unknown_block_proves_nothing() {
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 w1 normal
         60.0",
        "never turnout w1 free
         end turnout w1 unknown position=normal",
    );
}

#[test]
fn t7_covered_by_a_dark_block_proves_nothing() {
    let plan = junction(Watch::Covered, "", "") + &feed("f", "[\"west\"]", "");
    check(
        &plan,
        "0.0 all off; f on; w1 normal
         30.0 f off
         60.0",
        "5.001..7.2 turnout w1 free
         30.0 block west dark kept=vacant
         30.0..35.1 turnout w1 unknown was=free
         end turnout w1 unknown",
    );
}

#[test]
fn t7_one_dead_beam_of_three_proves_nothing() {
    check(
        &junction(Watch::Beams, "", ""),
        "0.0 all off; beam-toe 90 %; beam-normal 90 %; w1 normal
         60.0",
        "never turnout w1 free
         end turnout w1 unknown position=normal",
    );
}

#[test]
fn t7_no_position_no_proof() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off
         60.0",
        "never turnout w1 free
         never turnout w1 awaiting
         end turnout w1 unknown position=unknown",
    );
}
