//! Corners of section 3 of DEVELOPERS.md: each of these stories once was the only one that would
//! have noticed a change of the engine (mutation testing, DEVELOPERS.md).

use crate::plans::{Watch, bare, block, junction, plan, section};
use crate::story::{check, check_power_cut};

const BEAMS_CLEAR: &str = "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %";

/// Points whose rails west sees, and a beam across the reverse leg alone.
fn one_beam(settings: &str) -> String {
    junction(Watch::Covered, settings, "")
        + "[[detector]]\nid = \"beam-reverse\"\nkind = \"optical\"\nturnout = \"w1\"\n\
           leg = \"reverse\"\nunit = \"%\"\non = 30\noff = 60\nmax_silence_s = 0\n"
}

#[test]
fn t1_a_single_beam_counts_together_with_the_block_that_covers() {
    check(
        &one_beam(""),
        "0.0 all off; beam-reverse 90 %; w1 normal
         20.0 beam-reverse 10 %
         30.0 beam-reverse 90 %
         60.0",
        "20.0 turnout w1 fouled was=free
         between 20.1 and 35.0: no turnout w1 free
         35.001..35.01 turnout w1 free",
    );
}

#[test]
fn t7_a_single_beam_that_cannot_tell_proves_nothing() {
    check(
        &one_beam(""),
        "0.0 all off; beam-reverse 90 %; w1 normal
         20.0 do out-of-service beam-reverse
         60.0",
        "20.0 turnout w1 unknown was=free
         end turnout w1 unknown why=beam-reverse|cannot|tell",
    );
}

#[test]
fn t7_a_covering_block_that_only_a_spot_watches_proves_nothing() {
    let spot = "[[detector]]\nid = \"d-west\"\nkind = \"optical\"\nblock = \"west\"\n\
                watches = \"spot\"\nunit = \"%\"\non = 30\noff = 60\nmax_silence_s = 0\n";
    let body = bare("west", "") + spot + &block("east", "") + &block("side", "");
    let points =
        "[[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\nreverse = \"side.a\"\n";
    check(
        &plan(&(body + points)),
        "0.0 all off; d-west 90 %; w1 normal
         60.0",
        "never turnout w1 free
         end turnout w1 unknown why=west|is|unknown",
    );
}

#[test]
fn t0_counts_from_the_first_proof_and_not_from_the_release() {
    // The covering block is vacant after ten seconds; it has been off from the start.
    let slow = junction(Watch::Covered, "[defaults]\nrelease_s = 10\n", "");
    check(
        &slow,
        "0.0 all off; w1 normal
         30.0",
        "5.001..5.2 turnout w1 free
         10.0 block west vacant",
    );
    // While a train is kept there, nothing is proven, however long it has been off.
    check(
        &slow,
        "0.0 all off; w1 normal
         20.0 d-west on
         30.0 do out-of-service d-west
         40.0 do in-service d-west
         40.1 d-west off
         49.9",
        "30.0 block west unknown kept=occupied
         between 20.1 and 49.9: no turnout w1 free",
    );
}

#[test]
fn t1_beams_alone_prove_nothing_of_what_is_inside_though_all_vehicles_show() {
    check(
        &junction(
            Watch::Beams,
            "[trains]\nequipped = \"all\"\n",
            "restore_s = 300",
        ),
        &format!(
            "{BEAMS_CLEAR}; w1 normal
             10.0 d-west on
             20.0 beam-toe 10 %
             24.0 beam-toe 90 %
             60.0"
        ),
        "20.0 turnout w1 fouled
         end turnout w1 fouled why~gone|in|and|not|come|out",
    );
}

#[test]
fn t4_where_no_vehicle_went_in_nothing_is_evidence() {
    // Beams and a section, all clear: judging them anew is no new evidence.
    let both = junction(Watch::Beams, "[trains]\nequipped = \"all\"\n", "") + &section("w1");
    check(
        &both,
        &format!(
            "{BEAMS_CLEAR}; w1 normal
             50.0 beam-toe 91 %; d-west on
             51.0 d-west off
             52.0 w1 reverse
             60.0"
        ),
        "never alarm moved-under-train:w1",
    );
}

/// A train goes from west into the siding, in which stock stands already.
const TO_STOCK: &str = "5.0 d-side on
    10.0 d-west on
    20.0 beam-toe 10 %
    24.0 beam-toe 90 %
    26.5 beam-reverse 10 %
    30.0 beam-reverse 90 %";

#[test]
fn t1_a_passage_to_standing_stock_ends_when_its_origin_is_vacant() {
    check(
        &junction(Watch::Beams, "", "restore_s = 300"),
        &format!(
            "{BEAMS_CLEAR}; w1 reverse
             {TO_STOCK}
             40.0 d-west off
             80.0"
        ),
        "20.0 turnout w1 fouled
         between 20.1 and 46.4: no turnout w1 cleared
         46.5..46.6 turnout w1 cleared",
    );
}

#[test]
fn t1_a_passage_to_standing_stock_does_not_end_before() {
    check(
        &junction(Watch::Beams, "", "restore_s = 300"),
        &format!(
            "{BEAMS_CLEAR}; w1 reverse
             {TO_STOCK}
             80.0"
        ),
        "between 20.1 and 80: no turnout w1 cleared
         end turnout w1 fouled",
    );
}

#[test]
fn t1_a_place_entered_at_the_moment_of_the_break_is_not_entered_after_it() {
    check(
        &junction(Watch::Beams, "", "restore_s = 300"),
        &format!(
            "{BEAMS_CLEAR}; w1 reverse
             10.0 d-west on
             20.0 beam-toe 10 %
             24.0 beam-toe 90 %
             26.5 d-side on; beam-reverse 10 %
             30.0 beam-reverse 90 %
             80.0"
        ),
        "end turnout w1 fouled",
    );
}

#[test]
fn t1_what_goes_back_where_it_came_from_is_there_when_that_was_entered_after_the_break() {
    // Out of the siding past its beam, where it is lost to its detector, and back.
    let back = |side: &str| {
        format!(
            "{BEAMS_CLEAR}; w1 reverse
             10.0 d-side on
             20.0 beam-reverse 10 %
             22.0 d-side off
             24.0 beam-reverse 90 %
             {side}
             30.0 beam-reverse 90 %
             80.0"
        )
    };
    let plan = junction(Watch::Beams, "", "restore_s = 300");
    check(
        &plan,
        &back("26.5 d-side on; beam-reverse 10 %"),
        "end turnout w1 fouled",
    );
    check(
        &plan,
        &back("26.5 beam-reverse 10 %\n 26.501 d-side on"),
        "35.0..35.1 turnout w1 cleared",
    );
}

#[test]
fn t_every_state_says_why() {
    let covered = junction(Watch::Covered, "", "");
    check(
        &covered,
        "0.0 all off; w1 normal
         20.0 do out-of-service d-west
         30.0",
        "end turnout w1 unknown why=west|is|unknown",
    );
    check(
        &covered,
        "0.0 all off; w1 normal
         3.0",
        "end turnout w1 unknown why=not|clear|for|long|enough",
    );
    check(
        &covered,
        "0.0 all off; w1 normal
         10.0 d-west on
         20.0",
        "end turnout w1 fouled why=west|is|occupied",
    );
    let own = junction(Watch::Section, "", "");
    check(
        &own,
        "0.0 all off; w1 normal
         10.0 d-w1 on
         20.0",
        "end turnout w1 fouled why~d-w1",
    );
    check(
        &own,
        "0.0 all off; w1 normal
         10.0 do out-of-service d-w1
         20.0",
        "end turnout w1 unknown why=d-w1|cannot|tell",
    );
    check(
        &own,
        "0.0 w1 normal; d-west off
         10.0",
        "end turnout w1 unknown why=d-w1|was|not|heard|yet",
    );
}

#[test]
fn t4_within_the_time_and_not_at_its_end() {
    // Last evidence at 40.0; T1's time is over a millisecond past 45.0. A movement counts after
    // 0.15 s.
    let story = |at: &str| {
        format!(
            "0.0 all off; w1 normal
             10.0 d-west on
             15.0 d-w1 on
             20.0 d-east on
             22.0 d-west off
             40.0 d-w1 off
             {at} w1 reverse
             60.0"
        )
    };
    let plan = junction(Watch::Section, "", "");
    check(
        &plan,
        &story("44.850"),
        "45.0 alarm moved-under-train:w1 unacknowledged medium",
    );
    check(
        &plan,
        &story("44.851"),
        "45.001 turnout w1 position=reverse
         never alarm moved-under-train:w1",
    );
}

#[test]
fn t4_lasts_while_the_train_is_there() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 reverse
         50.0 d-w1 off
         50.5 d-side on
         51.0 d-west off
         80.0",
        "20.15 alarm moved-under-train:w1 unacknowledged high
         between 20.2 and 50: no alarm moved-under-train:w1 *
         55.0..56.0 alarm moved-under-train:w1 latched-unacknowledged",
    );
}

#[test]
fn t_a_movement_is_counted_once() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         20.0 w1 moving
         22.0 w1 reverse
         40.0",
        "20.15 turnout w1 position=moving
         22.15 turnout w1 position=reverse
         end turnout w1 movements=1",
    );
}

#[test]
fn t6_yard_points_set_and_no_train_is_no_alarm() {
    check(
        &junction(Watch::Section, "", "rest = \"none\""),
        "0.0 all off; w1 normal
         20.0 w1 reverse
         200.0",
        "20.15 turnout w1 position=reverse
         end turnout w1 awaiting
         never alarm set-no-train:w1",
    );
}

#[test]
fn t3_missing_data_does_not_end_it_and_straight_points_do() {
    let story = |rest: &str| {
        format!(
            "0.0 all off; w1 normal
             20.0 w1 reverse
             200.0 do out-of-service d-w1
             {rest}"
        )
    };
    let plan = junction(Watch::Section, "", "");
    check(
        &plan,
        &story("240.0"),
        "140.1..140.2 alarm set-no-train:w1 unacknowledged
         end turnout w1 unknown position=reverse
         never alarm set-no-train:w1 returned-unacknowledged",
    );
    check(
        &plan,
        &story("220.0 w1 normal\n 240.0"),
        "end turnout w1 unknown position=normal
         220.15 alarm set-no-train:w1 returned-unacknowledged",
    );
}

#[test]
fn t9_not_for_the_train_that_cleared_it_and_comes_round() {
    // A ring of three: round the points' reverse leg and back to their toe.
    let ring = |third: &str| {
        let body = block("west", "") + &block("east", "") + &block("side", "") + third;
        let end = if third.is_empty() { "side.b" } else { "loop.b" };
        let to_loop = if third.is_empty() {
            String::new()
        } else {
            crate::plans::join("side.b", "loop.a")
        };
        let points = "[[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\n\
                      reverse = \"side.a\"\n";
        let body = body + points + &to_loop + &crate::plans::join(end, "west.a");
        plan(&(body + &section("w1")))
    };
    let story = "0.0 all off; w1 reverse
         10.0 d-west on
         20.0 d-w1 on
         22.0 d-side on
         24.0 d-west off
         26.0 d-w1 off
         40.0 d-west on
         42.0 d-side off
         60.0";
    // Side and west again: it has not reached a third place beyond the points.
    check(
        &ring(""),
        story,
        "31.001..31.01 turnout w1 cleared
         end train t1 blocks=west heading=west.b
         never alarm bound-for-diverging:w1",
    );
    // With one place more on the way it has.
    check(
        &ring(&block("loop", "")),
        "0.0 all off; w1 reverse
         10.0 d-west on
         20.0 d-w1 on
         22.0 d-side on
         24.0 d-west off
         26.0 d-w1 off
         40.0 d-loop on
         42.0 d-side off
         50.0 d-west on
         52.0 d-loop off
         60.0",
        "50.0 alarm bound-for-diverging:w1 unacknowledged high",
    );
}

/// A train goes into the siding, and its points stay as they are.
const LEFT_DIVERGING: &str = "0.0 all off; w1 normal
    10.0 d-far on
    15.0 d-west on
    17.0 d-far off
    20.0 w1 reverse
    30.0 d-w1 on
    33.0 d-side on
    36.0 d-west off
    40.0 d-w1 off
    70.0";

#[test]
fn b8_points_are_remembered_until_all_concerned_have_spoken() {
    let plan = junction(Watch::Section, "", "");
    // Where they lie is heard, their section is not.
    check_power_cut(
        &plan,
        LEFT_DIVERGING,
        "0.0 w1 reverse
         30.0",
        "end turnout w1 left-diverging remembered=true
         never turnout w1 unknown",
    );
    // The section is heard, where they lie is not.
    check_power_cut(
        &plan,
        LEFT_DIVERGING,
        "0.0 d-w1 off
         30.0",
        "end turnout w1 remembered=true",
    );
    check_power_cut(
        &plan,
        LEFT_DIVERGING,
        "0.0 d-w1 off; w1 reverse
         30.0",
        "end turnout w1 left-diverging remembered=false",
    );
}

#[test]
fn b8_what_stood_left_diverging_is_so_after_a_power_cut() {
    check_power_cut(
        &junction(Watch::Section, "", ""),
        LEFT_DIVERGING,
        "0.0 d-far off
         20.0",
        "end turnout w1 left-diverging remembered=true position=reverse
         never turnout w1 unknown",
    );
}

#[test]
fn position_told_and_then_reported_is_reported() {
    check(
        &junction(Watch::Section, "", "position = \"told\""),
        "0.0 all off
         10.0 asked w1 reverse
         20.0 w1 reverse
         30.0",
        "14.0 turnout w1 position=reverse
         at 15: turnout w1 position=reverse
         end turnout w1 position=reverse from=message assumed=false",
    );
}

#[test]
fn position_told_otherwise_on_the_way_takes_its_whole_time() {
    check(
        &junction(Watch::Section, "", "position = \"told\""),
        "0.0 all off
         10.0 asked w1 reverse
         20.0 asked w1 normal
         22.0 asked w1 reverse
         40.0",
        "20.0 turnout w1 position=moving
         between 20.1 and 25.9: no turnout w1 position=reverse
         26.0 turnout w1 position=reverse",
    );
}

#[test]
fn position_told_again_after_it_was_found_elsewhere_moves_again() {
    check(
        &junction(Watch::Section, "", "position = \"told\""),
        "0.0 all off
         10.0 asked w1 reverse
         20.0 do seen w1 {\"position\":\"normal\"}
         30.0 asked w1 reverse
         40.0",
        "14.0 turnout w1 position=reverse
         20.0 turnout w1 position=normal
         30.0 turnout w1 position=moving
         34.0 turnout w1 position=reverse",
    );
}

#[test]
fn t4_points_set_back_at_the_moment_of_the_proof_were_set_back_after_it() {
    let story = |set_back: &str| {
        format!(
            "0.0 all off; w1 reverse
             8.0 d-west on
             10.0 d-w1 on
             12.0 d-west off; d-side on
             20.0 d-w1 off
             {set_back} w1 normal
             40.0"
        )
    };
    let plan = junction(Watch::Section, "", "position_confirm_ms = 0");
    check(
        &plan,
        &story("25.0"),
        "25.0 alarm moved-under-train:w1 medium",
    );
    check(&plan, &story("25.001"), "never alarm moved-under-train:w1");
}

#[test]
fn fouled_where_one_leg_has_no_beam_its_section_says_when_the_points_are_clear() {
    // It goes in past the toe and out by the leg without a beam: nothing could complete a passage.
    let toe = "[[detector]]\nid = \"beam-toe\"\nkind = \"optical\"\nturnout = \"w1\"\n\
               leg = \"toe\"\nunit = \"%\"\non = 30\noff = 60\nmax_silence_s = 0\n";
    check(
        &(junction(Watch::Section, "", "") + toe),
        "0.0 all off; beam-toe 90 %; w1 reverse
         10.0 d-west on
         15.0 beam-toe 10 %
         15.5 d-w1 on
         17.0 d-side on
         18.0 d-west off
         20.0 beam-toe 90 %
         24.0 d-w1 off
         60.0",
        "15.0 turnout w1 fouled
         29.0..29.1 turnout w1 cleared",
    );
}
