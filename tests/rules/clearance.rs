//! Rules T0 to T2 of DEVELOPERS.md, section 3: when a turnout is fouled, cleared, left diverging.

use crate::plans::{Watch, feed, junction};
use crate::story::{check, check_power_cut};

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
fn t0_free_needs_its_time_without_fouling() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         20.0",
        "0.15 turnout w1 position=normal
         between 0 and 5.0: no turnout w1 free
         5.001..5.16 turnout w1 free was=unknown
         end turnout w1 free position=normal from=message assumed=false",
    );
}

#[test]
fn t0_set_diverging_at_the_start_it_is_awaiting() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         20.0",
        "5.001..5.16 turnout w1 awaiting was=unknown
         never turnout w1 cleared",
    );
}

#[test]
fn t0_after_unknown_the_time_starts_anew() {
    let plan = junction(Watch::Section, "", "");
    check(
        &plan,
        "0.0 all off; w1 normal
         20.0 do out-of-service d-w1
         30.0 do in-service d-w1
         30.0 d-w1 off
         60.0",
        "20.0 turnout w1 unknown was=free
         between 20.1 and 35.0: no turnout w1 free
         35.001..35.2 turnout w1 free",
    );
}

#[test]
fn t0_after_unknown_it_is_cleared_if_it_was_fouled_since_it_was_set() {
    check(
        &junction(Watch::Section, "", "restore_s = 100"),
        &into_the_side(
            "50.0 do out-of-service d-w1
             55.0 do in-service d-w1
             55.0 d-w1 off
             80.0",
        ),
        "45.001..45.01 turnout w1 cleared
         50.0 turnout w1 unknown was=cleared
         60.001..60.2 turnout w1 cleared was=unknown
         never turnout w1 awaiting was=unknown",
    );
}

#[test]
fn t1_positions_and_states_of_one_passage() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("60.0 w1 normal\n 80.0"),
        "5.001..5.16 turnout w1 free
         20.15 turnout w1 awaiting position=reverse
         30.0 turnout w1 fouled was=awaiting
         45.001..45.01 turnout w1 cleared was=fouled
         55.001..55.02 turnout w1 left-diverging was=cleared
         60.15 turnout w1 free was=left-diverging position=normal
         once turnout w1 cleared
         once turnout w1 fouled",
    );
}

#[test]
fn t1_a_vehicle_on_points_set_straight_fouls_them() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         18.0 d-east on
         20.0 d-west off
         25.0 d-w1 off
         60.0",
        "15.0 turnout w1 fouled was=free
         30.001..30.01 turnout w1 free was=fouled
         never turnout w1 cleared
         never alarm left-diverging:w1",
    );
}

#[test]
fn t1_each_turnout_may_have_its_own_time() {
    check(
        &junction(Watch::Section, "", "clear_s = 8"),
        &into_the_side("80.0"),
        "between 40 and 48.0: no turnout w1 cleared
         48.001..48.01 turnout w1 cleared",
    );
}

#[test]
fn t1_a_flicker_starts_the_time_anew() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("44.9 d-w1 on\n 45.0 d-w1 off\n 80.0"),
        "between 40 and 50.0: no turnout w1 cleared
         50.001..50.01 turnout w1 cleared",
    );
}

#[test]
fn t1_covered_by_the_block_at_its_toe() {
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 all off; w1 reverse
         10.0 d-far on
         15.0 d-west on
         17.0 d-far off
         30.0 d-side on
         33.0 d-west off
         80.0",
        "15.0 turnout w1 fouled
         34.5 block west vacant
         between 33 and 38.0: no turnout w1 cleared
         38.0..39.6 turnout w1 cleared",
    );
}

#[test]
fn t1_covered_by_the_block_that_the_plan_names() {
    check(
        &junction(Watch::Covered, "", "covered_by = \"east\""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-east on
         17.0 d-west off
         20.0",
        "5.001..6.6 turnout w1 free
         15.0 turnout w1 fouled
         between 10 and 14.9: no turnout w1 fouled",
    );
}

#[test]
fn t1_a_lost_train_fouls_what_it_may_stand_on() {
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 all off; w1 reverse
         15.0 d-west on
         30.0 d-west off
         120.0",
        "31.5 block west lost
         15.0 turnout w1 fouled
         between 15.1 and 120: no turnout w1 *
         end turnout w1 fouled",
    );
}

#[test]
fn t1_a_train_in_the_dark_fouls_what_it_may_stand_on() {
    let power = feed("f", "[\"west\"]", "");
    check(
        &(junction(Watch::Covered, "", "") + &power),
        "0.0 all off; f on; w1 reverse
         15.0 d-west on
         30.0 f off
         30.1 d-west off
         120.0",
        "30.0..30.1 block west dark kept=occupied
         between 15.1 and 120: no turnout w1 *
         end turnout w1 fouled",
    );
}

#[test]
fn t1_a_train_whose_only_place_is_the_turnout_does_not_clear_it() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         10.0 d-west on
         15.0 d-w1 on
         20.0 d-west off
         30.0 d-w1 off
         120.0",
        "21.5 block west vacant
         30.0..36.6 alarm train-lost:w1 unacknowledged high
         between 15.1 and 120: no turnout w1 *
         end turnout w1 fouled",
    );
}

#[test]
fn t1_lost_on_the_turnout_and_seen_beyond_it_is_cleared() {
    check(
        &junction(Watch::Section, "", "restore_s = 100"),
        "0.0 all off; w1 reverse
         10.0 d-west on
         15.0 d-w1 on
         20.0 d-west off
         30.0 d-w1 off
         60.0 d-side on
         120.0",
        "between 35 and 36.6: alarm train-lost:w1 unacknowledged
         60.0 alarm train-lost:w1 returned-unacknowledged
         60.0..66.6 turnout w1 cleared
         end trains 1",
    );
}

#[test]
fn t1_a_broken_beam_fouls() {
    check(
        &junction(Watch::Beams, "", ""),
        "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %; w1 normal
         20.0 beam-normal 10 %
         25.0",
        "5.001..5.16 turnout w1 free
         20.0 turnout w1 fouled",
    );
}

/// In past the toe, out past the reverse leg; the beams are clear at 24.0 and 30.0, west is vacant
/// at 27.5, and the side was entered at 28.0.
const PAST_THREE_BEAMS: &str = "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %
    0.0 w1 reverse
    10.0 d-west on
    20.0 beam-toe 10 %
    24.0 beam-toe 90 %
    26.0 d-west off
    26.5 beam-reverse 10 %
    28.0 d-side on
    30.0 beam-reverse 90 %
    80.0";

#[test]
fn t1_between_two_beams_a_vehicle_is_inside() {
    check(
        &junction(Watch::Beams, "", ""),
        PAST_THREE_BEAMS,
        "20.0 turnout w1 fouled
         between 20.1 and 35.0: no turnout w1 *
         35.001..35.01 turnout w1 cleared",
    );
}

#[test]
fn t1_a_vehicle_that_went_in_and_not_out_stays_inside() {
    check(
        &junction(Watch::Beams, "", ""),
        "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %; w1 reverse
         10.0 d-west on
         20.0 beam-toe 10 %
         24.0 beam-toe 90 %
         600.0",
        "20.0 turnout w1 fouled
         between 20.1 and 600: no turnout w1 *",
    );
}

#[test]
fn t1_the_first_car_out_is_not_the_whole_train() {
    // A gap between two cars clears the beam of the reverse leg for a moment; the train has not
    // moved on: west is still occupied, and nothing new was entered after that break.
    check(
        &junction(Watch::Beams, "", ""),
        "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %; w1 reverse
         10.0 d-west on
         20.0 beam-toe 10 %
         24.0 beam-toe 90 %
         25.0 d-side on
         26.0 beam-reverse 10 %
         28.0 beam-reverse 90 %
         120.0",
        "between 20.1 and 120: no turnout w1 *
         end turnout w1 fouled",
    );
}

#[test]
fn t1_a_section_that_is_off_does_not_end_a_passage_unless_every_vehicle_shows() {
    let both = |settings: &str| {
        junction(Watch::Beams, settings, "restore_s = 300") + &crate::plans::section("w1")
    };
    let story = "0.0 all off; beam-toe 90 %; beam-normal 90 %; beam-reverse 90 %; w1 reverse
         10.0 d-west on
         20.0 beam-toe 10 %
         20.5 d-w1 on
         24.0 beam-toe 90 %
         30.0 d-w1 off
         120.0";
    check(
        &both(""),
        story,
        "between 20.1 and 120: no turnout w1 *\n end turnout w1 fouled",
    );
    check(
        &both("[trains]\nequipped = \"all\"\n"),
        story,
        "35.001..36.6 turnout w1 cleared",
    );
    // It never showed in the section either: it was lifted off before.
    check(
        &both("[trains]\nequipped = \"all\"\n"),
        &story
            .replace("20.5 d-w1 on\n", "")
            .replace("30.0 d-w1 off\n", ""),
        "20.0 turnout w1 fouled\n 29.0..29.1 turnout w1 cleared",
    );
}

#[test]
fn t2_left_diverging_after_its_time_with_one_alarm() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("600.0"),
        "45.001..45.01 turnout w1 cleared
         between 40 and 55.0: no alarm left-diverging:w1
         55.001..55.02 turnout w1 left-diverging was=cleared
         55.001..55.02 alarm left-diverging:w1 unacknowledged medium type=left-diverging subject=w1
         once alarm left-diverging:w1
         end alarm left-diverging:w1 unacknowledged",
    );
}

#[test]
fn t2_set_back_in_time_there_is_no_alarm() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("54.0 w1 normal\n 80.0"),
        "45.001..45.01 turnout w1 cleared
         54.15 turnout w1 free
         never alarm left-diverging:w1
         never alarm moved-under-train:w1",
    );
}

#[test]
fn t2_set_back_late_the_alarm_returns() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("70.0 w1 normal\n 80.0"),
        "70.15 turnout w1 free
         70.15 alarm left-diverging:w1 returned-unacknowledged",
    );
}

#[test]
fn t2_fouled_again_the_alarm_returns_and_comes_again() {
    check(
        &junction(Watch::Section, "", ""),
        &into_the_side("70.0 d-w1 on\n 75.0 d-w1 off\n 120.0"),
        "70.0 turnout w1 fouled was=left-diverging
         70.0 alarm left-diverging:w1 returned-unacknowledged
         80.001..80.02 turnout w1 cleared
         90.001..90.03 turnout w1 left-diverging
         90.001..90.03 alarm left-diverging:w1 unacknowledged",
    );
}

#[test]
fn t2_missing_data_never_ends_the_alarm() {
    let plan = junction(Watch::Section, "", "node = \"n1\"") + "[[node]]\nid = \"n1\"\n";
    let story = INTO_THE_SIDE.replace("0.0 all off;", "0.0 n1 online; all off;");
    check(
        &plan,
        &(story + "\n 70.0 n1 offline\n 80.0 do out-of-service d-w1\n 120.0"),
        "55.001..55.02 alarm left-diverging:w1 unacknowledged
         70.0 turnout w1 position=unknown
         never alarm left-diverging:w1 returned-unacknowledged
         never alarm left-diverging:w1 normal
         end alarm left-diverging:w1 unacknowledged",
    );
}

#[test]
fn t2_survives_a_power_cut() {
    check_power_cut(
        &junction(Watch::Section, "", ""),
        &into_the_side("60.0 do acknowledge left-diverging:w1\n 70.0"),
        "0.0 all off; d-side on
         30.0 w1 normal
         60.0",
        "between 0 and 30: no alarm left-diverging:w1 normal
         30.0..35.3 alarm left-diverging:w1 normal was=acknowledged",
    );
}

#[test]
fn t0_after_moving_there_is_no_proof_from_before() {
    // The points took two seconds; the section was free all the time. That proof may count, or the
    // time may start anew where the points arrived: never sooner than they are known to be there.
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         20.0 w1 moving
         22.0 w1 reverse
         40.0",
        "20.15 turnout w1 unknown position=moving
         22.15..27.2 turnout w1 awaiting
         between 20 and 22.1: no turnout w1 awaiting",
    );
}
