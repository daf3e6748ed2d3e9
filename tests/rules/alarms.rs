//! Section 6 of DEVELOPERS.md: the life of an alarm, after ANSI/ISA-18.2 and IEC 62682 (their
//! state diagrams from memory; open text: OPC 10000-9, section 4.8), and
//! causes that put their consequences aside.

use crate::plans::{Watch, bare, block, detector, junction, line, plan, row};
use crate::story::check;

/// `p2` is lost at 11.5 and its alarm raised at 16.5; `rest` follows.
fn lost(rest: &str) -> String {
    format!("0.0 all off\n 5.0 d-p2 on\n 10.0 d-p2 off\n {rest}")
}

const ALARM: &str = "train-lost:p2";

fn check_life(rest: &str, expected: &str) {
    check(
        &line(3, ""),
        &lost(rest),
        &expected.replace("ALARM", &format!("alarm {ALARM}")),
    );
}

#[test]
fn alarm_raised_is_unacknowledged() {
    check_life(
        "30.0",
        "16.5 ALARM unacknowledged was=normal type=train-lost subject=p2 high",
    );
}

#[test]
fn alarm_acknowledged() {
    check_life(
        "20.0 do acknowledge train-lost:p2 {\"who\":\"Ann\"}\n 30.0",
        "20.0 ALARM acknowledged was=unacknowledged
         end ALARM acknowledged by=Ann",
    );
}

#[test]
fn alarm_acknowledged_twice_changes_nothing() {
    check_life(
        "20.0 do acknowledge train-lost:p2\n 21.0 do acknowledge train-lost:p2\n 30.0",
        "once ALARM acknowledged",
    );
}

#[test]
fn alarm_acknowledged_and_gone_is_normal() {
    check_life(
        "20.0 do acknowledge train-lost:p2\n 30.0 d-p2 on\n 40.0",
        "30.0 ALARM normal was=acknowledged
         end no ALARM",
    );
}

#[test]
fn alarm_gone_before_it_was_seen_waits_to_be_seen() {
    check_life(
        "30.0 d-p2 on\n 500.0 do acknowledge train-lost:p2\n 510.0",
        "30.0 ALARM returned-unacknowledged was=unacknowledged
         between 31 and 499: no ALARM
         500.0 ALARM normal was=returned-unacknowledged",
    );
}

#[test]
fn alarm_returned_and_there_again_is_unacknowledged() {
    check_life(
        "30.0 d-p2 on\n 40.0 d-p2 off\n 60.0",
        "30.0 ALARM returned-unacknowledged
         46.5 ALARM unacknowledged was=returned-unacknowledged",
    );
}

#[test]
fn alarm_acknowledged_gone_and_there_again_is_unacknowledged() {
    check_life(
        "20.0 do acknowledge train-lost:p2\n 30.0 d-p2 on\n 40.0 d-p2 off\n 60.0",
        "30.0 ALARM normal
         46.5 ALARM unacknowledged was=normal",
    );
}

#[test]
fn alarm_shelved_ends_by_itself() {
    check_life(
        "20.0 do shelve train-lost:p2 {\"who\":\"Ann\",\"minutes\":1}\n 120.0",
        "20.0 ALARM shelved was=unacknowledged
         80.0 ALARM unacknowledged was=shelved",
    );
}

#[test]
fn alarm_shelved_and_gone_meanwhile_is_normal_afterwards() {
    check_life(
        "20.0 do shelve train-lost:p2 {\"who\":\"Ann\",\"minutes\":1}\n 30.0 d-p2 on\n 120.0",
        "20.0 ALARM shelved
         between 21 and 79.9: no ALARM
         80.0 ALARM normal was=shelved
         end no ALARM",
    );
}

#[test]
fn alarm_unshelved() {
    check_life(
        "20.0 do shelve train-lost:p2 {\"who\":\"Ann\",\"minutes\":10}
         30.0 do unshelve train-lost:p2\n 40.0",
        "20.0 ALARM shelved
         30.0 ALARM unacknowledged was=shelved",
    );
}

#[test]
fn alarm_that_is_not_raised_cannot_be_acknowledged() {
    check_life(
        "12.0 do acknowledge train-lost:p2\n 30.0",
        "once ALARM unacknowledged
         never ALARM acknowledged
         16.5 ALARM unacknowledged",
    );
}

#[test]
fn alarm_that_does_not_latch_is_not_reset() {
    check_life(
        "20.0 do reset train-lost:p2\n 30.0",
        "never ALARM normal
         end ALARM unacknowledged",
    );
}

/// Points thrown under a train at 20.0; it leaves at 30.0 and all is proven at 35.001.
fn latched(rest: &str) -> String {
    format!(
        "0.0 all off; w1 normal
         10.0 d-west on
         15.0 d-w1 on
         20.0 w1 reverse
         30.0 d-w1 off
         {rest}"
    )
}

fn check_latched(rest: &str, expected: &str) {
    check(
        &junction(Watch::Section, "", "restore_s = 500"),
        &latched(rest),
        &expected.replace("ALARM", "alarm moved-under-train:w1"),
    );
}

#[test]
fn alarm_latching_gone_before_it_was_seen() {
    check_latched(
        "40.0 do acknowledge moved-under-train:w1\n 50.0 do reset moved-under-train:w1\n 60.0",
        "20.0..20.16 ALARM unacknowledged
         35.001..35.01 ALARM latched-unacknowledged was=unacknowledged
         40.0 ALARM latched-acknowledged was=latched-unacknowledged
         50.0 ALARM normal was=latched-acknowledged",
    );
}

#[test]
fn alarm_latching_seen_and_gone() {
    check_latched(
        "32.0 do acknowledge moved-under-train:w1\n 50.0 do reset moved-under-train:w1\n 60.0",
        "32.0 ALARM acknowledged was=unacknowledged
         35.001..35.01 ALARM latched-acknowledged was=acknowledged
         50.0 ALARM normal was=latched-acknowledged",
    );
}

#[test]
fn alarm_latching_is_not_reset_while_its_cause_lasts() {
    check_latched(
        "31.0 do acknowledge moved-under-train:w1\n 32.0 do reset moved-under-train:w1\n 60.0",
        "between 0 and 60: no ALARM normal
         end ALARM latched-acknowledged",
    );
}

#[test]
fn alarm_latching_never_ends_by_itself() {
    check_latched(
        "600.0",
        "never ALARM normal\n end ALARM latched-unacknowledged",
    );
}

#[test]
fn alarm_latched_unseen_may_be_reset() {
    check_latched(
        "50.0 do reset moved-under-train:w1\n 60.0",
        "50.0 ALARM normal was=latched-unacknowledged",
    );
}

#[test]
fn alarm_that_comes_again_is_nobodys() {
    check_latched(
        "32.0 do acknowledge moved-under-train:w1 {\"who\":\"Ann\"}
         50.0 d-w1 on
         60.0 w1 normal
         70.0",
        "at 49: ALARM latched-acknowledged
         60.15 ALARM unacknowledged was=latched-acknowledged
         end ALARM unacknowledged by=null",
    );
}

#[test]
fn alarm_that_is_back_in_use_is_nobodys() {
    check_life(
        "20.0 do shelve train-lost:p2 {\"who\":\"Ann\",\"minutes\":5}
         25.0 do unshelve train-lost:p2 {\"who\":\"Bea\"}
         30.0",
        "25.0 ALARM unacknowledged was=shelved
         end ALARM unacknowledged by=null",
    );
}

/// Two detectors, each heard at least each 10 s, on one node.
fn on_one_node() -> String {
    let one =
        |id: &str| bare(id, "") + &detector(id, "node = \"n1\"").replace("max_silence_s = 0\n", "");
    plan(&(one("p1") + &one("p2") + &row(&["p1", "p2"]) + "[[node]]\nid = \"n1\"\n"))
}

#[test]
fn alarm_of_a_node_stands_for_its_detectors() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 100: d-p1 off; d-p2 off
         100.5 n1 offline
         200.0",
        "100.5..110.6 alarm detector-fault:n1 unacknowledged low
         never alarm detector-fault:d-p1 unacknowledged
         never alarm detector-fault:d-p2 unacknowledged",
    );
}

#[test]
fn alarm_of_a_silent_detector() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 100: d-p1 off
         every 1 from 0 to 200: d-p2 off
         every 1 from 150 to 200: d-p1 off",
        "110.0..110.2 alarm detector-fault:d-p1 unacknowledged low
         150.0..150.2 alarm detector-fault:d-p1 returned-unacknowledged
         never alarm detector-fault:d-p2
         never alarm detector-fault:n1",
    );
}

/// The device hangs: nobody says that it is offline, and its detectors fall silent one by one.
#[test]
fn alarm_of_a_node_that_hangs_stands_for_its_detectors() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 100: d-p1 off
         every 1 from 0.7 to 100: d-p2 off
         200.0",
        "109.0..111.0 alarm detector-fault:n1 unacknowledged low
         once alarm detector-fault:n1 unacknowledged
         never alarm detector-fault:d-p1 unacknowledged
         never alarm detector-fault:d-p2 unacknowledged",
    );
}

/// Two seconds after the other, and no more, is with it.
#[test]
fn alarm_of_a_node_whose_detectors_fell_silent_within_two_seconds() {
    let story = |last: &str| {
        format!(
            "0.0 n1 online
             every 1 from 0 to 100: d-p1 off
             every 1 from 0 to {last}: d-p2 off
             200.0"
        )
    };
    check(
        &on_one_node(),
        &story("102"),
        "110.0..113.0 alarm detector-fault:n1 unacknowledged low
         never alarm detector-fault:d-p1 unacknowledged",
    );
    check(
        &on_one_node(),
        &story("103"),
        "110.0..112.2 alarm detector-fault:d-p1 unacknowledged low",
    );
}

#[test]
fn alarm_at_the_start_silence_raises_nothing() {
    check(
        &on_one_node(),
        "0.0 n1 offline
         50.0 n1 online
         every 1 from 53 to 100: d-p1 off; d-p2 off",
        "54.5 block p1 vacant
         never alarm *",
    );
}

#[test]
fn alarm_of_the_broker() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         100.0 broker lost
         120.0 broker back
         130.0",
        "between 0 and 104.9: no alarm broker-lost:broker
         105.0..105.2 alarm broker-lost:broker unacknowledged high
         105.0..105.2 turnout w1 unknown position=unknown
         120.0 alarm broker-lost:broker returned-unacknowledged
         never alarm detector-fault:d-west",
    );
}

#[test]
fn alarm_of_the_broker_not_for_a_moment() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         100.0 broker lost
         104.9 broker back
         130.0",
        "never alarm broker-lost:broker
         end turnout w1 position=normal",
    );
}

#[test]
fn alarm_of_the_broker_stands_for_all_that_is_silent() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 100: d-p1 on; d-p2 off
         100.5 broker lost
         200.0",
        "105.5..105.7 alarm broker-lost:broker unacknowledged
         never alarm detector-fault:d-p1 unacknowledged
         never alarm detector-fault:n1 unacknowledged
         never alarm train-lost:p1
         never block p1 vacant
         end block p1 kept=occupied trains=t1",
    );
}

#[test]
fn alarm_after_the_brokers_return_silence_raises_nothing_for_a_while() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 100: d-p1 off; d-p2 off
         100.5 broker lost
         200.0 broker back
         300.0",
        "between 100 and 259.9: no alarm detector-fault:d-p1 unacknowledged
         between 260 and 300: alarm detector-fault:* unacknowledged",
    );
}

#[test]
fn b3_nothing_is_released_while_no_message_can_come() {
    check(
        &on_one_node(),
        "0.0 n1 online
         every 1 from 0 to 99: d-p1 on; d-p2 off
         99.2 d-p2 on; d-p1 off
         100.0 broker lost
         104.0 broker back
         every 1 from 104 to 120: d-p1 off; d-p2 on",
        "between 99 and 105.4: no block p1 vacant
         105.5..105.6 block p1 vacant",
    );
}

#[test]
fn t1_time_in_which_no_message_can_come_proves_nothing() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         20.0 d-w1 on
         90.0 d-west on
         98.0 d-w1 off
         100.0 broker lost
         104.0 broker back
         130.0",
        "between 98 and 108.9: no turnout w1 free
         109.0..109.1 turnout w1 free",
    );
}

#[test]
fn alarm_no_train_is_lost_to_a_lost_block_of_the_same_fault() {
    // Two blocks with one broken wire each, far apart in time: each has its own alarm.
    let body = block("p1", "") + &block("p2", "") + &block("p3", "") + &block("p4", "");
    check(
        &plan(&(body + &row(&["p1", "p2", "p3", "p4"]))),
        "0.0 all off
         5.0 d-p1 on
         6.0 d-p4 on
         10.0 d-p1 off
         30.0 d-p4 off
         60.0",
        "16.5 alarm train-lost:p1 unacknowledged
         36.5 alarm train-lost:p4 unacknowledged",
    );
}
