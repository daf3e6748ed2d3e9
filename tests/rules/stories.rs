//! Where two stories fit (section 4 of DEVELOPERS.md): what later evidence makes of a first guess,
//! places that nothing can see, trains that run on ahead of others (section 5), the order of two in
//! one place over a restart (B8).

use std::fmt::Write as _;

use crate::plans::{Watch, bare, block, join, junction, line, measured_line, plan, row};
use crate::story::{check, check_power_cut, check_until};

/// `a1 - a2 - [k1] - a3 - a4` and `b1 - b2 - [k1] - b3 - b4`, the crossing with a detector.
fn crossing() -> String {
    let mut body = String::new();
    for id in ["a1", "a2", "a3", "a4", "b1", "b2", "b3", "b4"] {
        body += &block(id, "");
    }
    for pair in [["a1", "a2"], ["a3", "a4"], ["b1", "b2"], ["b3", "b4"]] {
        body += &row(&pair);
    }
    let _ = write!(
        body,
        "[[crossing]]\nid = \"k1\"\nfirst = [\"a2.b\", \"a3.a\"]\nsecond = [\"b2.b\", \"b3.a\"]\n\
         [[detector]]\nid = \"d-k1\"\nkind = \"current\"\ncrossing = \"k1\"\nmax_silence_s = 0\n"
    );
    plan(&body)
}

#[test]
fn stories_a_crossing_that_was_given_to_the_wrong_train_passes_to_the_one_that_goes_on() {
    // Both come up to the crossing; t1 is the older and is given it, but t2 comes out of it.
    check(
        &crossing(),
        "0.0 all off
         5.0 d-a1 on
         6.0 d-b1 on
         15.0 d-a2 on
         16.0 d-b2 on
         17.0 d-a1 off
         18.0 d-b1 off
         25.0 d-k1 on
         27.0 d-b3 on
         29.0 d-b2 off
         31.0 d-k1 off
         40.0",
        "never alarm train-lost:*
         end trains 2
         end train t1 blocks=a2
         end train t2 blocks=b3",
    );
}

#[test]
fn stories_a_crossing_in_a_tail_is_his_who_came_to_it_first_and_stands_before_it() {
    // t1 shows its nose on the crossing and stands; t2 goes over it all the same, out of b2, where
    // t3 has closed up to it. What is left behind t2 is t3 in b2 and t1 on the crossing.
    let all = (crossing() + &block("b0", "") + &row(&["b0", "b1"])).replacen(
        "[[block]]",
        "[trains]\nequipped = \"all\"\n[[block]]",
        1,
    );
    check(
        &all,
        "0.0 all off
         1.0 d-a1 on
         3.0 d-a2 on
         4.0 d-a1 off
         5.0 d-b1 on
         15.0 d-b2 on
         17.0 d-b1 off
         30.0 d-b0 on
         35.0 d-b1 on
         36.0 d-b0 off
         42.0 d-b1 off
         170.0 d-k1 on
         172.0 d-b3 on
         185.0 d-b4 on
         188.0 d-b3 off
         210.0",
        "43.5 train t3 coupled
         170.0 train t1 entered k1
         172.0 train t2 entered k1
         189.5 train t1 entered k1
         never alarm train-parted:*
         end trains 3
         end train t1 blocks=a2,k1
         end train t2 blocks=b4
         end train t3 blocks=b2",
    );
}

/// `n1 - n2 - dim - n4 - n5`; nothing watches the middle.
fn dim() -> String {
    let body = ["n1", "n2", "n4", "n5"].map(|id| block(id, "")).concat()
        + &bare("dim", "length_mm = 500")
        + &row(&["n1", "n2", "dim", "n4", "n5"]);
    plan(&body)
}

#[test]
fn stories_a_train_longer_than_a_place_that_nothing_watches_stays_one() {
    check(
        &dim(),
        "0.0 all off
         10.0 d-n1 on
         20.0 d-n2 on
         22.0 d-n1 off
         30.0 d-n4 on
         33.0 d-n2 off
         40.0 d-n5 on
         43.0 d-n4 off
         50.0",
        "30.0 train t1 entered n4
         never train t2 new
         never alarm train-lost:*
         never alarm unannounced:n4
         end trains 1
         end train t1 blocks=n5
         end block dim unknown kept=vacant",
    );
}

#[test]
fn stories_an_undirected_train_gives_back_what_another_came_into() {
    // t1 stands in p3, t2 in p1; p2 is lit. Without directions the older is given it; then t1 is
    // seen to go the other way, and p1 is empty: it was t2 that came in.
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p3 on
         8.0 d-p1 on
         20.0 d-p2 on
         22.0 d-p4 on
         24.0 d-p3 off
         26.0 d-p1 off
         40.0",
        "never alarm train-lost:*
         end trains 2
         end train t1 blocks=p4
         end train t2 blocks=p2",
    );
}

#[test]
fn stories_a_train_that_follows_closely_is_no_parted_train() {
    // t1 leaves p3 behind it while t2 comes up into p2, which is never seen dark between the two.
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p3 on
         8.0 d-p1 on
         15.0 d-p4 on
         17.0 d-p3 off
         20.0 d-p2 on
         22.0 d-p1 off
         30.0 d-p3 on
         33.0 d-p5 on
         35.0 d-p4 off
         37.0 d-p2 off
         50.0",
        "never alarm train-parted:*
         end trains 2
         end train t1 blocks=p5
         end train t2 blocks=p3",
    );
}

#[test]
fn stories_a_train_that_runs_on_ahead_is_warned_of_when_it_is_time_to_stop() {
    // t2 runs at 50 mm/s: when it comes into p3 at 59, p4 is 17 s away at the soonest, and t1,
    // which runs on, leaves it at 62. In p5 t1 stays: its near end is 13.4 s away at 83.3, by a
    // speed that was found the same twice and is trusted to a sixth of itself: eight seconds, a
    // look, and 250 mm to stop in.
    check(
        &measured_line(7, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p1 on
         20.0 d-p4 on
         22.0 d-p3 off
         39.0 d-p2 on
         41.0 d-p1 off
         59.0 d-p3 on
         60.0 d-p5 on
         61.0 d-p2 off
         62.0 d-p4 off
         79.0 d-p4 on
         81.0 d-p3 off
         90.0",
        "between 59 and 83.2: no alarm occupied-ahead:t2 unacknowledged
         83.3..83.4 alarm occupied-ahead:t2 unacknowledged medium",
    );
}

#[test]
fn stories_b8_two_trains_in_one_block_stand_in_the_same_order_after_a_power_cut() {
    let before = "0.0 all off
         5.0 d-p1 on
         8.0 d-p4 on
         15.0 d-p2 on
         17.0 d-p1 off
         25.0 d-p3 on
         27.0 d-p2 off
         33.0 d-p3 off
         40.0";
    check_power_cut(
        &line(4, ""),
        before,
        "0.0 all off; d-p4 on
         10.0",
        "end trains 2
         end block p4 occupied
         end block p4 trains=t1,t2",
    );
}

#[test]
fn stories_what_was_lost_on_points_is_answered_for_by_their_own_name() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         20.0 d-w1 on
         25.0 d-west off
         40.0 d-w1 off
         60.0 do removed-by-hand w1 {\"who\":\"Ann\"}
         80.0",
        "46.5..46.6 alarm train-lost:w1 unacknowledged high
         60.0 alarm train-lost:w1 returned-unacknowledged
         end trains 0
         end turnout w1 free",
    );
    // Points without detectors are no place; the word is refused, and nothing is forgotten.
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 all off; w1 normal
         10.0 d-west on
         20.0 do empty w1 {\"who\":\"Ann\"}
         30.0",
        "end trains 1
         end block west occupied",
    );
}

#[test]
fn stories_a_join_that_closes_a_loop_onto_itself_is_walked_once() {
    let body = ["p1", "p2"]
        .map(|id| block(id, "length_mm = 1000"))
        .concat()
        + &row(&["p1", "p2"])
        + &join("p2.b", "p1.a");
    check(
        &plan(&body),
        "0.0 all off
         5.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         25.0 d-p1 on
         27.0 d-p2 off
         40.0",
        "never alarm occupied-ahead:*
         end trains 1",
    );
}

#[test]
fn stories_rubbish_that_runs_through_thirty_places_in_a_second_ends_nothing() {
    // Each place goes after the one before it, all at one moment.
    let mut story = String::from("0.0 all off\n50.0 d-p1 on\n50.01 d-p2 on\n");
    for place in 3..=32 {
        let at = 50.0 + f64::from(place) * 0.02;
        let _ = writeln!(
            story,
            "{at:.2} d-p{place} on\n{:.2} d-p{place} off",
            at + 0.01
        );
    }
    story += "60.0";
    check_until(
        &line(32, ""),
        &story,
        "70.0",
        "end block p32 vacant
         end block p3 vacant
         end train t1 blocks=p1,p2
         end trains 1",
    );
}
