//! Rule B8 of DEVELOPERS.md, section 2: what survives a restart or a power cut, and what does not.

use crate::plans::{Watch, bare, block, detector, feed, junction, line, plan, row};
use crate::story::{check, check_power_cut};

fn switched() -> String {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    plan(&(body + &row(&["p1", "p2", "p3"]) + &feed("f2", "[\"p2\"]", "")))
}

const INTO_P2: &str = "0.0 all off; f2 on
    3.0 d-p1 on
    5.0 d-p2 on
    6.0 d-p1 off
    10.0 do name t1 {\"name\":\"Milk train\"}";

#[test]
fn b8_a_train_on_dead_track_is_remembered() {
    check_power_cut(
        &switched(),
        &format!("{INTO_P2}\n 20.0 f2 off; d-p2 off\n 60.0"),
        "0.0
         600.0",
        "never block p2 vacant
         never block p2 lost
         end block p2 dark kept=occupied remembered=true trains=t1
         end train t1 blocks=p2 remembered=true
         end feed f2 on=false
         end trains 1",
    );
}

#[test]
fn b8_its_name_is_remembered() {
    check_power_cut(
        &switched(),
        &format!("{INTO_P2}\n 60.0"),
        "0.0\n 10.0",
        "end train t1 name=Milk|train",
    );
}

#[test]
fn b8_a_remembered_vacant_place_is_unknown_kept_vacant() {
    check_power_cut(
        &switched(),
        &format!("{INTO_P2}\n 60.0"),
        "0.0\n 100.0",
        "never block p1 vacant
         end block p1 unknown kept=vacant remembered=true
         end block p3 unknown kept=vacant remembered=true",
    );
}

#[test]
fn b8_a_fresh_sample_of_each_detector_ends_remembering() {
    check_power_cut(
        &switched(),
        &format!("{INTO_P2}\n 60.0"),
        "0.0 f2 on
         5.0 d-p1 off
         6.0 d-p2 on
         20.0",
        "6.5 block p1 vacant
         end block p1 vacant remembered=false
         end block p2 occupied remembered=false trains=t1
         end block p3 unknown kept=vacant remembered=true
         end trains 1
         never alarm *",
    );
}

#[test]
fn b8_one_fresh_detector_of_two_is_not_each() {
    let current = |id: &str| {
        format!(
            "[[detector]]\nid = \"{id}\"\nkind = \"current\"\nblock = \"p1\"\nmax_silence_s = 0\n"
        )
    };
    let body = bare("p1", "") + &current("one") + &current("two") + &block("p2", "");
    check_power_cut(
        &plan(&(body + &row(&["p1", "p2"]))),
        "0.0 all off\n 10.0",
        "0.0\n 5.0 one off\n 60.0",
        "never block p1 vacant
         end block p1 unknown kept=vacant remembered=true",
    );
}

#[test]
fn b8_a_remembered_train_that_is_not_there_is_lost() {
    check_power_cut(
        &line(3, ""),
        "0.0 all off\n 5.0 d-p2 on\n 10.0",
        "0.0 all off\n 60.0",
        "1.5 block p2 lost
         6.5 alarm train-lost:p2 unacknowledged high
         never block p2 vacant
         1.5 block p1 vacant was=unknown",
    );
}

#[test]
fn b8_silence_alone_never_wipes_memory() {
    let body: String = ["p1", "p2"]
        .iter()
        .map(|id| bare(id, "") + &detector(id, "").replace("max_silence_s = 0\n", ""))
        .collect();
    check_power_cut(
        &plan(&(body + &row(&["p1", "p2"]))),
        "every 1 from 0 to 20: d-p1 on; d-p2 off",
        "0.0\n 3600.0",
        "never block p1 vacant
         never train t1 gone
         end block p1 remembered=true trains=t1
         end train t1 blocks=p1 remembered=true
         end block p2 unknown kept=vacant remembered=true
         end trains 1",
    );
}

#[test]
fn b8_a_lost_train_stays_lost_with_its_alarm() {
    check_power_cut(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         20.0 do acknowledge train-lost:p2
         30.0",
        "0.0 all off
         60.0",
        "never block p2 vacant
         never alarm train-lost:p2
         end block p2 lost
         end alarm train-lost:p2 acknowledged",
    );
}

#[test]
fn b8_time_spent_down_counts_for_nothing() {
    // Cleared for 4 s before the cut: the ten seconds of `restore_s` are not over at the start.
    let into_the_side = "0.0 all off; w1 reverse
         15.0 d-west on
         30.0 d-w1 on
         33.0 d-side on
         36.0 d-west off
         40.0 d-w1 off
         49.0";
    check_power_cut(
        &junction(Watch::Section, "", ""),
        into_the_side,
        "0.0 all off; d-side on; w1 reverse
         60.0",
        "between 0 and 5.0: no alarm left-diverging:w1
         5.0..16.0 alarm left-diverging:w1 unacknowledged
         never turnout w1 awaiting",
    );
}

#[test]
fn b8_the_next_train_gets_a_new_number() {
    check_power_cut(
        &line(5, ""),
        "0.0 all off\n 5.0 d-p1 on\n 10.0 d-p4 on\n 19.0 d-p4 off\n\
         20.0 do removed-by-hand p4\n 30.0",
        "0.0 all off; d-p1 on
         20.0 d-p5 on
         30.0",
        "20.0 train * new p5
         end train t1 blocks=p1
         end trains 2",
    );
}

#[test]
fn b8_a_memory_of_what_the_plan_no_longer_has_is_ignored() {
    check(
        &line(2, ""),
        "memory {\"blocks\":{\"gone\":{\"state\":\"occupied\"},\
         \"p1\":{\"state\":\"vacant\",\"kept\":null}},\
         \"turnouts\":{\"w9\":{\"position\":\"reverse\",\"state\":\"fouled\"}}}
         0.0
         10.0",
        "end block p1 unknown kept=vacant remembered=true
         end block p2 unknown kept=null",
    );
}

#[test]
fn b8_a_power_cut_under_a_tripped_feed_keeps_its_trains() {
    let ids = ["p1", "p2", "p3", "p4"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    let district = feed("f", "[\"p1\", \"p2\", \"p3\", \"p4\"]", "");
    check_power_cut(
        &plan(&(body + &row(&ids) + &district)),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         25.0",
        "0.0
         100.0",
        "end block p1 kept=occupied trains=t1
         end block p3 kept=occupied trains=t2
         never block p1 vacant
         end trains 2",
    );
}

#[test]
fn b8_its_direction_is_remembered() {
    check_power_cut(
        &line(4, ""),
        "0.0 all off\n 3.0 d-p1 on\n 5.0 d-p2 on\n 6.0 d-p1 off\n 20.0",
        "0.0 all off; d-p2 on\n 10.0",
        "end train t1 blocks=p2 heading=p2.b",
    );
}

#[test]
fn b8_a_train_that_was_moved_next_door_meanwhile() {
    check_power_cut(
        &line(4, ""),
        "0.0 all off\n 5.0 d-p2 on\n 10.0",
        "0.0 d-p1 off; d-p2 off; d-p4 off; d-p3 on\n 60.0",
        "1.5 block p2 vacant
         never block p2 lost
         end train t1 blocks=p3
         end trains 1",
    );
}

#[test]
fn b8_a_shelved_alarm_stays_shelved() {
    check_power_cut(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         20.0 do shelve train-lost:p2 {\"who\":\"Ann\",\"minutes\":60}
         30.0",
        "0.0 all off
         20.0",
        "end alarm train-lost:p2 shelved",
    );
}

#[test]
fn b8_a_latched_alarm_stays_latched() {
    check_power_cut(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 reverse
         30.0 d-w1 off
         60.0",
        "0.0 all off; d-west on; w1 reverse
         30.0",
        "end alarm moved-under-train:w1 latched-unacknowledged",
    );
}

#[test]
fn b8_what_the_operator_said_of_a_place_is_remembered() {
    let said = "0.0 all off
         10.0 do stands-here p2 {\"who\":\"Ann\"}
         20.0";
    check_power_cut(
        &line(3, ""),
        said,
        "0.0 all off
         60.0 all off
         200.0",
        "never block p2 vacant
         never block p2 lost
         never alarm train-lost:p2
         end block p2 occupied trains=t1
         end trains 1",
    );
    // Evidence ends it, here as without a power cut.
    check_power_cut(
        &line(3, ""),
        said,
        "0.0 all off
         60.0 d-p2 on
         70.0 d-p3 on
         75.0 d-p2 off
         200.0",
        "76.5 block p2 vacant was=occupied
         end block p3 occupied trains=t1",
    );
}

#[test]
fn b8_points_that_were_fouled_since_they_were_set_are_cleared_by_proof_and_not_awaiting() {
    // Their detector was not heard when the power went.
    let body = junction(Watch::Section, "", "").replace(
        "id = \"d-w1\"\nkind = \"current\"",
        "id = \"d-w1\"\nnode = \"n1\"\nkind = \"current\"",
    ) + "[[node]]\nid = \"n1\"\n";
    check_power_cut(
        &body,
        "0.0 all off; n1 online; w1 reverse
         20.0 d-w1 on
         30.0 d-w1 off
         36.0 n1 offline
         40.0",
        "0.0 n1 online; all off; w1 reverse
         30.0",
        "5.0..10.0 turnout w1 cleared
         never turnout w1 awaiting",
    );
}
