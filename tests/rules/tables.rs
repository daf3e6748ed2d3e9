//! Turntables, transfer tables and lift-out bridges (DEVELOPERS.md, section 3).

use crate::plans::{block, plan, row};
use crate::story::{check, check_power_cut};

/// `yard - lead - [table tt: bridge] - stub-1` at stop 1; at stop 2 the bridge's end b meets
/// stub-2 and its end a nothing. One edge beam.
fn turntable(keys: &str) -> String {
    let body: String = ["yard", "lead", "bridge"]
        .iter()
        .map(|id| block(id, ""))
        .collect();
    let stubs: String = ["stub-1", "stub-2"]
        .iter()
        .map(|id| block(id, "use = \"stub\""))
        .collect();
    let table = format!(
        "[[table]]\nid = \"tt\"\nbridge = \"bridge\"\n{keys}\n\
         [[table.stop]]\nat = \"1\"\na = \"lead.b\"\nb = \"stub-1.a\"\n\
         [[table.stop]]\nat = \"2\"\nb = \"stub-2.a\"\n\
         [[detector]]\nid = \"edge\"\nkind = \"contact\"\ntable = \"tt\"\nmax_silence_s = 0\n"
    );
    plan(&(body + &stubs + &row(&["yard", "lead"]) + &table))
}

#[test]
fn table_stands_at_a_stop_or_between() {
    check(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 tt between
         14.0 tt 2
         30.0",
        "0.15 table tt position=1
         10.15 table tt position=between
         14.15 table tt position=2
         end table tt free position=2",
    );
}

#[test]
fn table_position_counts_when_it_has_been_said_for_a_while() {
    check(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 tt between
         10.1 tt 2
         20.0 tt 1
         20.1 tt 1
         30.0 tt 2
         30.1 tt 1
         40.0",
        "between 1 and 10.2: no table tt position=2
         never table tt position=between
         10.25 table tt position=2
         20.15 table tt position=1
         between 20.2 and 40: no table tt position=2",
    );
}

#[test]
fn table_not_heard_from_joins_nothing() {
    check(
        &turntable(""),
        "0.0 all off
         70.0 d-lead on
         80.0 d-bridge on
         90.0",
        "end trains 2
         end table tt position=unknown",
    );
}

#[test]
fn table_turning_with_an_engine_on_it_is_what_it_is_for() {
    check(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         25.0 d-lead off
         40.0 tt between
         50.0 tt 2
         60.0 d-stub-2 on
         65.0 d-bridge off
         80.0",
        "26.5 block lead vacant
         never alarm moved-under-train:tt
         66.5 block bridge vacant
         end trains 1
         end train t1 blocks=stub-2",
    );
}

#[test]
fn table_that_moves_under_a_train_across_its_edge() {
    check(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         40.0 tt between
         60.0",
        "20.0 table tt fouled
         40.0..40.16 alarm moved-under-train:tt unacknowledged high",
    );
}

#[test]
fn table_that_moves_with_its_edge_beam_broken() {
    check(
        &turntable(""),
        "0.0 all off; tt 1
         20.0 edge on
         40.0 tt between
         60.0",
        "20.0 table tt fouled
         40.0..40.16 alarm moved-under-train:tt unacknowledged high",
    );
}

#[test]
fn table_turned_away_there_is_no_road() {
    check(
        &turntable(""),
        "0.0 all off; tt between
         10.0 d-yard on
         20.0 d-lead on
         40.0 tt 1
         60.0",
        "20.0 alarm no-road:tt unacknowledged high
         40.15 alarm no-road:tt returned-unacknowledged",
    );
}

#[test]
fn table_joins_only_what_its_stop_says() {
    check(
        &turntable("").replace("use = \"stub\"", ""),
        "0.0 all off; tt 1
         10.0 d-bridge on
         20.0 d-stub-1 on
         25.0 d-bridge off
         30.0 tt 2
         40.0 d-bridge on
         60.0",
        "26.5 block bridge vacant
         end trains 2",
    );
}

#[test]
fn table_with_a_rest_is_told_when_it_is_not_there() {
    check(
        &turntable("rest = \"1\""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         25.0 d-lead off
         28.0 tt between
         30.0 tt 2
         40.0 d-stub-2 on
         45.0 d-bridge off
         100.0 tt 1
         110.0",
        "46.5 block bridge vacant
         between 0 and 55.0: no alarm not-at-rest:tt
         55.0..57.1 alarm not-at-rest:tt unacknowledged low
         100.15 alarm not-at-rest:tt returned-unacknowledged",
    );
}

#[test]
fn table_that_leaves_its_rest_has_its_time_anew() {
    // Back at rest at 100, turned away for the next engine at 200: 10 s from then on.
    check(
        &turntable("rest = \"1\""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         25.0 d-lead off
         28.0 tt between
         30.0 tt 2
         40.0 d-stub-2 on
         45.0 d-bridge off
         50.0 tt 1
         200.0 tt 2
         220.0",
        "between 0 and 210.1: no alarm not-at-rest:tt
         210.15..210.2 alarm not-at-rest:tt unacknowledged low",
    );
}

#[test]
fn table_without_a_rest_is_nowhere_out_of_place() {
    check(
        &turntable(""),
        "0.0 all off; tt 2
         20.0 d-bridge on
         30.0 d-stub-2 on
         35.0 d-bridge off
         45.0 tt between
         600.0",
        "30.0 block stub-2 occupied
         45.15 table tt position=between
         never alarm not-at-rest:tt
         never alarm no-correspondence:tt",
    );
}

#[test]
fn table_t5_applies_only_with_a_rest() {
    check(
        &turntable("rest = \"1\""),
        "0.0 all off; tt 1
         10.0 tt between
         30.0 tt 2
         40.0",
        "14.0..14.2 alarm no-correspondence:tt unacknowledged medium
         30.15 alarm no-correspondence:tt returned-unacknowledged",
    );
}

#[test]
fn table_lift_out_bridge_that_is_out() {
    let body: String = ["p1", "p2", "span", "p3"]
        .iter()
        .map(|id| block(id, ""))
        .collect();
    let table = "[[table]]\nid = \"lift\"\nbridge = \"span\"\nrest = \"in\"\n\
                 [[table.stop]]\nat = \"in\"\na = \"p2.b\"\nb = \"p3.a\"\n\
                 [[table.stop]]\nat = \"out\"\n";
    check(
        &plan(&(body + &row(&["p1", "p2"]) + table)),
        "0.0 all off; lift out
         70.0 d-p1 on
         80.0 d-p2 on
         90.0",
        "80.0 alarm no-road:lift unacknowledged high",
    );
}

#[test]
fn table_turning_with_an_engine_on_it_is_not_the_end_of_its_road() {
    // It has come to rest on the bridge, as far as anybody can tell; to call for a stop is noise.
    check(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         25.0 d-lead off
         90.0 tt between
         100.0 tt 2
         110.0",
        "90.15 table tt position=between
         never alarm no-road:tt",
    );
}

/// Found by tests/model: the alarm stayed for ever.
#[test]
fn b8_a_table_that_moved_under_a_train_before_the_power_cut_is_known_to_be_clear_after_it() {
    check_power_cut(
        &turntable(""),
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         40.0 tt 2
         50.0",
        "0.0 tt 1; edge off; d-lead on; d-bridge on
         10.0 d-bridge off
         40.0",
        "end table tt free position=1
         end alarm moved-under-train:tt latched-unacknowledged",
    );
}

#[test]
fn table_with_a_rest_that_is_asked_and_does_not_come_is_told() {
    let plan = turntable("rest = \"1\"");
    // move_s is 4: asked at 20, still at 1.
    check(
        &plan,
        "0.0 all off; tt 1
         20.0 asked tt 2
         60.0 tt 2
         80.0",
        "24.001..24.01 alarm no-correspondence:tt unacknowledged
         60.15 alarm no-correspondence:tt returned-unacknowledged",
    );
    // It has come in time; and what was never asked differs from nothing.
    check(
        &plan,
        "0.0 all off; tt 1
         20.0 asked tt 2
         22.0 tt 2
         60.0",
        "never alarm no-correspondence:tt",
    );
    check(
        &plan,
        "0.0 all off; tt 1\n 60.0",
        "never alarm no-correspondence:tt",
    );
    // Without a rest nobody is told.
    check(
        &turntable(""),
        "0.0 all off; tt 1
         20.0 asked tt 2
         60.0",
        "never alarm no-correspondence:tt",
    );
}

#[test]
fn table_away_from_its_rest_with_a_train_on_it_is_told_when_that_has_left() {
    let plan = turntable("rest = \"1\"\nrestore_s = 20");
    check(
        &plan,
        "0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         24.0 d-lead off
         30.0 tt between
         34.0 tt 2
         100.0 d-stub-2 on
         104.0 d-bridge off
         150.0 tt between
         152.0 tt 1
         170.0",
        "between 0 and 105: no alarm not-at-rest:tt
         125.5..125.7 alarm not-at-rest:tt unacknowledged low
         152.15 alarm not-at-rest:tt returned-unacknowledged",
    );
}

#[test]
fn table_whose_device_is_gone_joins_nothing() {
    let node = "[[node]]\nid = \"n1\"\n";
    let plan = turntable("rest = \"1\"\nnode = \"n1\"") + node;
    check(
        &plan,
        "0.0 all off; tt 1; n1 online
         30.0 n1 offline
         40.0",
        "30.0 table tt position=unknown
         end table tt unknown position=unknown",
    );
}

#[test]
fn ahead_a_table_that_comes_round_ends_the_warning_at_once() {
    // t1 comes along the lead while the bridge is at the other stop, and then it is lined up.
    check(
        &turntable(""),
        "0.0 all off; tt 2
         10.0 d-yard on
         20.0 d-lead on
         22.0 d-yard off
         30.0 tt between
         31.0 tt 1
         40.0",
        "20.0 alarm no-road:* unacknowledged high
         31.15 alarm no-road:* returned-unacknowledged",
    );
}

#[test]
fn table_that_was_moved_under_a_train_before_a_power_cut_is_known_to_stand_again_after_it() {
    let two = turntable("").replace(
        "[[table]]",
        "[[block]]\nid = \"deck\"\n[[block]]\nid = \"dock\"\nuse = \"stub\"\n\
         [[table]]\nid = \"aa\"\nbridge = \"deck\"\n\
         [[table.stop]]\nat = \"1\"\nb = \"dock.a\"\n[[table]]",
    );
    check_power_cut(
        &two,
        "0.0 all off; tt 1; aa 1
         10.0 edge on
         20.0 tt between
         30.0",
        "0.0 all off; tt between; aa 1
         10.0 tt 1
         30.0",
        "10.15 alarm moved-under-train:tt latched-unacknowledged
         never alarm moved-under-train:aa",
    );
}
