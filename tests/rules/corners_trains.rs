//! Corners of section 4 of DEVELOPERS.md: each of these stories once was the only one that would
//! have noticed a change of the engine (mutation testing, DEVELOPERS.md).

use crate::plans::{bare, block, feed, line, plan, row};
use crate::story::check;

const ALL: &str = "[trains]\nequipped = \"all\"\n";

/// A row of places of which some can be put out of service: nothing is heard of them then.
fn unheard(story_of: &str, silent: &[&str], rest: &str) -> String {
    let silent: Vec<String> = silent
        .iter()
        .map(|id| format!("do out-of-service d-{id}"))
        .collect();
    let silent: Vec<String> = silent.iter().map(|word| format!("20.0 {word}")).collect();
    format!("{story_of}\n{}\n{rest}", silent.join("\n"))
}

/// One train comes along from p1 and is in p2, heading for p3.
const IN_P2: &str = "0.0 all off
    5.0 d-p1 on
    10.0 d-p2 on
    12.0 d-p1 off";

#[test]
fn train_comes_out_beyond_places_that_were_not_heard_of() {
    for (silent, out) in [
        (&["p3"][..], "p4"),
        (&["p3", "p4"][..], "p5"),
        (&["p3", "p4", "p5"][..], "p6"),
    ] {
        check(
            &line(9, ""),
            &unheard(IN_P2, silent, &format!("30.0 d-{out} on\n 35.0")),
            &format!(
                "30.0 train t1 entered {out}
                 end trains 1
                 never alarm unannounced:*"
            ),
        );
    }
}

#[test]
fn train_does_not_come_from_beyond_four_places() {
    check(
        &line(9, ""),
        &unheard(
            IN_P2,
            &["p3", "p4", "p5", "p6"],
            "40.0 d-p7 on
             45.0",
        ),
        "40.0 train t2 new p7
         end train t1 blocks=p2",
    );
}

#[test]
fn train_that_stands_or_runs_away_does_not_come_from_afar() {
    // Stopped after 60 s without a speed.
    check(
        &line(9, ""),
        &unheard(IN_P2, &["p3", "p4"], "100.0 d-p5 on\n 105.0"),
        "100.0 train t2 new p5
         end train t1 blocks=p2",
    );
    // It heads for p1.
    check(
        &line(9, ""),
        &unheard(
            "0.0 all off
             5.0 d-p3 on
             10.0 d-p2 on
             12.0 d-p3 off",
            &["p3", "p4"],
            "62.0 d-p5 on\n 65.0",
        ),
        "62.0 train t2 new p5
         end train t1 blocks=p2 heading=p2.a",
    );
}

#[test]
fn train_that_was_only_leaving_a_place_has_left_it_when_another_comes_in() {
    check(
        &line(7, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p4 on
         12.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         20.0 d-p3 off
         20.5 d-p3 on
         22.0 d-p2 off
         30.0 d-p5 on
         32.0 d-p4 off
         40.0 d-p4 on
         42.0 d-p3 off
         50.0",
        "at 21: train t1 in p4
         33.5 block p4 vacant
         end train t1 blocks=p5
         end train t2 blocks=p4
         43.5 block p3 vacant
         end trains 2",
    );
}

#[test]
fn train_whose_tail_is_seen_again_within_the_time_has_not_turned() {
    let story = |again: &str| {
        format!(
            "0.0 all off
             5.0 d-p1 on
             10.0 d-p2 on
             12.0 d-p1 off
             15.0 d-p3 on
             20.0 d-p2 off
             {again} d-p2 on
             35.0"
        )
    };
    // part_s is 5.
    check(
        &line(6, ""),
        &story("24.0"),
        "24.0 train t1 entered p2
         end train t1 blocks=p2,p3 heading=p3.b
         never train t1 turned-back",
    );
    check(
        &line(6, ""),
        &story("26.0"),
        "26.0 train t1 turned-back
         end train t1 blocks=p3,p2 heading=p2.a",
    );
}

#[test]
fn train_drops_out_under_its_tail_beside_one_that_stands() {
    // p1 holds a train without direction; what flickers in p2 is the tail that is leaving.
    check(
        &line(6, ""),
        "0.0 all off
         0.5 d-p1 on
         10.0 d-p4 on
         20.0 d-p3 on
         22.0 d-p4 off
         30.0 d-p2 on
         32.0 d-p3 off
         40.0 d-p3 on
         45.0 d-p2 off
         45.8 d-p2 on
         47.0",
        "at 45.5: train t2 in p3
         end train t1 blocks=p1
         end train t2 blocks=p2,p3
         end trains 2",
    );
}

#[test]
fn train_without_direction_leaves_by_either_end_at_once() {
    for (off, left) in [("d-p1", "p2,p3"), ("d-p3", "p1,p2")] {
        check(
            &line(6, ""),
            &format!(
                "0.0 all off
                 0.5 d-p1 on; d-p2 on; d-p3 on
                 20.0 {off} off
                 21.0"
            ),
            &format!(
                "end trains 1
                 end train t1 blocks={left}"
            ),
        );
    }
    check(
        &line(6, ""),
        "0.0 all off
         0.5 d-p1 on; d-p2 on; d-p3 on
         20.0 d-p3 off
         20.5 d-p2 off
         21.0",
        "end train t1 blocks=p1",
    );
}

#[test]
fn train_holds_again_what_goes_dark_while_it_leaves() {
    let plan = line(6, "") + &feed("f1", "[\"p2\"]", "");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         15.0 d-p3 on
         20.0 d-p2 off
         20.5 f1 off
         30.0",
        "20.0 train t1 vacated p2
         20.5 train t1 entered p2
         end train t1 blocks=p2,p3
         end block p2 dark kept=occupied",
    );
}

#[test]
fn train_is_gone_when_the_operator_says_that_the_place_is_empty() {
    for word in ["empty", "removed-by-hand"] {
        check(
            &line(4, ""),
            &format!(
                "0.0 all off
                 5.0 d-p2 on
                 20.0 d-p2 off
                 40.0 do {word} p2
                 50.0"
            ),
            "25.0..26.6 alarm train-lost:p2 unacknowledged
             40.0 train t1 gone
             40.0 block p2 vacant
             end trains 0",
        );
    }
}

#[test]
fn train_lost_in_the_dark_is_found_next_door() {
    let plan = line(5, "") + &feed("f1", "[\"p2\"]", "");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p2 on
         20.0 d-p2 off
         40.0 f1 off
         50.0 d-p3 on
         60.0",
        "21.5 block p2 lost
         40.0 block p2 dark kept=lost
         50.0 train t1 found p3
         50.0 alarm train-lost:p2 returned-unacknowledged
         end block p2 dark kept=null
         end train t1 blocks=p3",
    );
}

#[test]
fn train_that_comes_with_the_end_of_the_first_minute_is_unannounced() {
    // boot_s is 60.
    check(
        &line(3, ""),
        "0.0 all off
         59.999 d-p1 on
         60.0 d-p3 on
         70.0",
        "never alarm unannounced:p1
         60.0 alarm unannounced:p3 unacknowledged low",
    );
}

#[test]
fn train_whose_middle_is_seen_again_in_time_has_not_parted() {
    check(
        &line(6, ALL),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         25.0 d-p2 on
         60.0",
        "21.5 block p2 vacant
         end train t1 blocks=p1,p2,p3 heading=p3.b
         end trains 1
         never alarm *",
    );
}

#[test]
fn train_may_have_been_followed_where_it_seems_to_have_parted() {
    // What shows in p3 behind the gap is the second train, which has come up from p2.
    check(
        &line(8, ALL),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p4 on
         12.0 d-p1 on
         15.0 d-p5 on
         16.0 d-p2 on
         17.0 d-p1 off
         20.0 d-p4 off
         28.0 d-p2 off
         40.0 d-p6 on
         42.0 d-p5 off
         60.0",
        "21.5 block p4 vacant
         never alarm train-parted:t1
         end train t1 blocks=p6
         end train t2 blocks=p3
         end trains 2",
    );
}

#[test]
fn train_parted_leaves_places_that_cannot_be_heard() {
    // Its tail's place is out of service: that keeps it, and parts no train.
    check(
        &line(6, ALL),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         18.0 do out-of-service d-p1
         20.0 d-p2 off
         60.0",
        "never alarm train-parted:t1
         never train t1 parted
         end train t1 blocks=p3
         end block p1 unknown kept=vacant",
    );
}

/// `t1` stands in p4; another comes up to it, draws back and comes again.
fn shadow(times: usize, word: &str) -> String {
    let mut story = String::from(
        "0.0 all off
         5.0 d-p4 on
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off",
    );
    story += &format!("\n {word}\n 20.0 d-p3 on\n 22.0 d-p2 off\n 30.0 d-p3 off");
    for n in 1..times {
        let at = 30 + 20 * n;
        story += &format!("\n {at}.0 d-p3 on\n {}.0 d-p3 off", at + 6);
    }
    story + "\n 200.0"
}

#[test]
fn train_that_is_never_seen_alone_is_told_apart_twice_and_not_for_ever() {
    check(
        &line(6, ""),
        &shadow(2, ""),
        "31.5 train t2 coupled p4
         end trains 2",
    );
}

#[test]
fn train_with_a_name_is_never_taken_for_another() {
    check(
        &line(6, ""),
        &shadow(5, "18.0 do name t2 {\"name\":\"Pilot\"}"),
        "end trains 2
         end train t2 name=Pilot",
    );
}

#[test]
fn train_coupled_leaves_with_its_own_end() {
    // The one that stands nearer to p5 comes out there.
    check(
        &line(7, ""),
        "0.0 all off
         5.0 d-p4 on
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         30.0 d-p3 off
         60.0 d-p5 on
         70.0",
        "31.5 train t2 coupled p4
         60.0 train t1 entered p5
         end train t2 blocks=p4
         end trains 2",
    );
}

#[test]
fn train_in_a_place_that_nothing_watches_comes_out_as_itself() {
    // The unwatched place is at the end of a stub; another runs by.
    let body = bare("p1", "") + &block("p2", "") + &block("p3", "") + &block("p4", "");
    check(
        &plan(&(body + &row(&["p1", "p2", "p3", "p4"]))),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p2 on
         11.0 d-p3 off
         15.0 d-p2 off
         60.0 d-p2 on
         70.0 d-p3 on
         72.0 d-p2 off
         90.0",
        "16.5 train t1 entered p1
         60.0 train t1 entered p2
         end train t1 blocks=p3 heading=p3.b
         end block p1 kept=vacant
         end trains 1",
    );
}
