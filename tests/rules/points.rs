//! Where points are: by message, by two contacts, by what was asked, by what ran through
//! (DEVELOPERS.md, section 3), and crossings.

use crate::plans::{Watch, block, junction, plan};
use crate::story::check;

fn with_contacts() -> String {
    let keys = "contacts = { normal = \"c-n\", reverse = \"c-r\" }";
    let contact =
        |id: &str| format!("[[detector]]\nid = \"{id}\"\nkind = \"contact\"\nmax_silence_s = 0\n");
    junction(Watch::Section, "", keys) + &contact("c-n") + &contact("c-r")
}

#[test]
fn position_counts_after_its_confirming_time() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         20.0 w1 normal
         20.1 w1 reverse
         30.0",
        "0.15 turnout w1 position=normal
         10.15 turnout w1 position=reverse
         between 11 and 30: no turnout w1 position=normal",
    );
}

#[test]
fn position_confirming_time_is_in_the_plan() {
    check(
        &junction(Watch::Section, "", "position_confirm_ms = 500"),
        "0.0 all off; w1 normal
         10.0",
        "0.5 turnout w1 position=normal",
    );
}

#[test]
fn position_by_two_contacts() {
    check(
        &with_contacts(),
        "0.0 all off; c-n on; c-r off
         10.0 c-n off
         11.0 c-r on
         20.0",
        "0.0..0.16 turnout w1 position=normal
         10.0..10.16 turnout w1 position=moving
         11.0..11.16 turnout w1 position=reverse
         end turnout w1 position=reverse from=contacts
         never alarm no-correspondence:w1",
    );
}

#[test]
fn position_by_two_contacts_that_contradict() {
    check(
        &with_contacts(),
        "0.0 all off; c-n on; c-r off
         10.0 c-r on
         30.0 c-r off
         40.0",
        "between 10 and 14.3: alarm no-correspondence:w1 unacknowledged medium
         at 20: turnout w1 unknown position=unknown
         30.0..30.16 alarm no-correspondence:w1 returned-unacknowledged",
    );
}

#[test]
fn position_by_two_contacts_that_overlap_for_a_moment() {
    check(
        &with_contacts(),
        "0.0 all off; c-n on; c-r off
         10.0 c-r on
         10.1 c-n off
         30.0",
        "never alarm no-correspondence:w1
         end turnout w1 position=reverse",
    );
}

#[test]
fn position_told_is_taken_as_done_after_the_time_to_move() {
    check(
        &junction(Watch::Section, "", "position = \"told\""),
        "0.0 all off; asked w1 normal
         30.0 asked w1 reverse
         40.0",
        "4.0..4.16 turnout w1 position=normal
         between 30 and 33.9: no turnout w1 position=reverse
         34.0..34.16 turnout w1 position=reverse
         end turnout w1 awaiting position=reverse from=told assumed=true
         never alarm no-correspondence:w1",
    );
}

#[test]
fn position_told_again_and_again_is_done_all_the_same() {
    check(
        &junction(Watch::Section, "", "position = \"told\""),
        "0.0 all off; asked w1 normal
         20.0 asked w1 reverse
         22.0 asked w1 reverse
         23.5 asked w1 reverse
         30.0",
        "20.0 turnout w1 position=moving
         24.0 turnout w1 position=reverse
         end turnout w1 awaiting position=reverse from=told assumed=true",
    );
}

#[test]
fn position_of_hand_thrown_points_is_proven_by_a_train() {
    check(
        &junction(Watch::Section, "", "position = \"none\""),
        "0.0 all off
         10.0 d-west on
         15.0 d-w1 on
         20.0 d-side on
         30.0",
        "between 0 and 19.9: no turnout w1 position=reverse
         20.0..20.16 turnout w1 position=reverse
         end turnout w1 fouled position=reverse from=passage",
    );
}

#[test]
fn position_of_hand_thrown_points_is_proven_straight_too() {
    check(
        &junction(Watch::Section, "", "position = \"none\""),
        "0.0 all off
         10.0 d-west on
         15.0 d-w1 on
         20.0 d-east on
         30.0",
        "20.0..20.16 turnout w1 position=normal
         end turnout w1 position=normal from=passage",
    );
}

#[test]
fn position_of_hand_thrown_points_makes_them_left_diverging() {
    check(
        &junction(Watch::Section, "", "position = \"none\""),
        "0.0 all off
         10.0 d-west on
         15.0 d-w1 on
         20.0 d-side on
         22.0 d-west off
         25.0 d-w1 off
         60.0 do seen w1 {\"who\":\"Ann\",\"position\":\"normal\"}
         70.0",
        "30.001..30.01 turnout w1 cleared
         40.001..40.02 alarm left-diverging:w1 unacknowledged medium
         60.0..60.16 turnout w1 free position=normal
         60.0..60.16 alarm left-diverging:w1 returned-unacknowledged
         end turnout w1 from=operator",
    );
}

fn diamond() -> String {
    let body: String = ["up-1", "up-2", "br-1", "br-2", "br-0"]
        .iter()
        .map(|id| block(id, ""))
        .collect();
    plan(
        &(body
            + "[[join]]\nends = [\"br-0.b\", \"br-1.a\"]\n\
               [[crossing]]\nid = \"k1\"\nfirst = [\"up-1.b\", \"up-2.a\"]\n\
               second = [\"br-1.b\", \"br-2.a\"]\n\
               [[detector]]\nid = \"d-k1\"\nkind = \"current\"\ncrossing = \"k1\"\n\
               max_silence_s = 0\n"),
    )
}

#[test]
fn crossing_fouled_by_its_detector_warns_the_other_track() {
    check(
        &diamond(),
        "0.0 all off
         10.0 d-up-1 on
         20.0 d-k1 on
         30.0 d-br-0 on
         40.0 d-br-1 on
         50.0 d-up-2 on
         52.0 d-up-1 off
         55.0 d-k1 off
         70.0",
        "40.0 alarm fouled-ahead:t2 unacknowledged high
         55.0..57.1 alarm fouled-ahead:t2 returned-unacknowledged
         never alarm fouled-ahead:t1",
    );
}

#[test]
fn crossing_fouled_by_a_train_that_holds_both_its_neighbours() {
    let plan = diamond();
    let without = plan
        .split("[[detector]]\nid = \"d-k1\"")
        .next()
        .unwrap_or("")
        .to_owned();
    check(
        &without,
        "0.0 all off
         10.0 d-up-1 on
         20.0 d-up-2 on
         30.0 d-br-0 on
         40.0 d-br-1 on
         52.0 d-up-1 off
         70.0",
        "40.0 alarm fouled-ahead:t2 unacknowledged high
         52.0..53.6 alarm fouled-ahead:t2 returned-unacknowledged",
    );
}

#[test]
fn crossing_is_no_way_from_one_track_to_the_other() {
    check(
        &diamond(),
        "0.0 all off
         10.0 d-up-1 on
         30.0 d-br-2 on
         70.0",
        "end trains 2",
    );
}
