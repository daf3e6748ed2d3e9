//! Rule B4 of DEVELOPERS.md, section 2: a train that is seen no more is lost, until it is seen,
//! until somebody says what became of it, or until it turns up next door.

use crate::plans::{block, feed, join, line, plan, row};
use crate::story::check;

#[test]
fn b4_a_train_that_is_seen_no_more_has_not_drawn_back_into_the_dark() {
    // Its tail is in p1 as that goes dark; then its front in p2 is seen no more.
    let body = block("p1", "") + &block("p2", "") + &block("p3", "") + &row(&["p1", "p2", "p3"]);
    check(
        &plan(&(block("p0", "") + &body + &join("p0.b", "p1.a") + &feed("f1", "[\"p1\"]", ""))),
        "0.0 all off; f1 on
         4.0 d-p0 on
         5.0 d-p1 on
         6.0 d-p0 off
         8.0 d-p2 on
         20.0 f1 off
         20.1 d-p1 off
         22.0 d-p2 off
         60.0",
        "23.5 block p2 lost
         28.5 alarm train-lost:p2 unacknowledged
         end block p1 dark kept=occupied trains=t1",
    );
}

#[test]
fn b4_a_train_that_vanishes_is_lost() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         60.0",
        "11.5 block p2 lost was=occupied
         16.5 alarm train-lost:p2 unacknowledged high
         never block p1 occupied
         between 5 and 60: no block p2 vacant
         end block p2 lost trains=t1
         end trains 1",
    );
}

#[test]
fn b4_seen_again_before_its_time_gives_no_alarm() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         16.4 d-p2 on
         60.0",
        "11.5 block p2 lost
         never alarm train-lost:p2",
    );
}

#[test]
fn b4_seen_again_returns_the_alarm() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 d-p2 on
         60.0",
        "16.5 alarm train-lost:p2 unacknowledged
         30.0 block p2 occupied
         30.0 alarm train-lost:p2 returned-unacknowledged
         end trains 1",
    );
}

#[test]
fn b4_the_operator_says_that_it_is_empty() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 do empty p2
         60.0",
        "30.0 block p2 vacant was=lost
         30.0 alarm train-lost:p2 returned-unacknowledged
         end trains 0",
    );
}

#[test]
fn b4_the_operator_lifted_it_off() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 do removed-by-hand p2
         60.0",
        "30.0 block p2 vacant was=lost
         30.0 train t1 gone
         end trains 0",
    );
}

#[test]
fn b4_it_turns_up_next_door() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 d-p3 on
         60.0",
        "30.0 block p3 occupied
         30.0 block p2 vacant was=lost
         30.0 alarm train-lost:p2 returned-unacknowledged
         end train t1 blocks=p3
         end trains 1",
    );
}

#[test]
fn b4_another_train_next_door_explains_nothing() {
    check(
        &line(5, ""),
        "0.0 all off
         2.0 d-p2 on
         5.0 d-p5 on
         8.0 d-p4 on
         9.0 d-p5 off
         10.0 d-p2 off
         30.0 d-p3 on
         60.0",
        "11.5 block p2 lost
         30.0 block p3 occupied
         between 30 and 60: no block p2 vacant
         end block p2 lost
         end trains 2",
    );
}

#[test]
fn b4_two_places_away_is_not_next_door() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 d-p4 on
         60.0",
        "end block p2 lost
         end block p4 occupied
         end trains 2",
    );
}

#[test]
fn b4_not_along_the_road_is_not_next_door() {
    // p2 lies at the toe; the points lead to p3, and what appears on the other leg is another
    // train.
    let body: String = ["p1", "p2", "p3", "p4"]
        .iter()
        .map(|id| block(id, ""))
        .collect();
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"p2.b\"\nnormal = \"p3.a\"\nreverse = \"p4.a\"\n";
    check(
        &plan(&(body + &join("p1.b", "p2.a") + turnout)),
        "0.0 all off; w1 normal
         5.0 d-p2 on
         10.0 d-p2 off
         30.0 d-p4 on
         60.0",
        "11.5 block p2 lost
         end block p2 lost
         end trains 2",
    );
}

#[test]
fn b4_moving_away_from_another_train_it_is_not_in_it() {
    check(
        &line(4, ""),
        "0.0 all off
         2.0 d-p3 on
         5.0 d-p2 on
         6.0 d-p3 off
         8.0 d-p4 on
         20.0 d-p3 on
         22.0 d-p4 off
         30.0 d-p2 off
         60.0",
        "7.5 block p3 vacant
         31.5 block p2 lost
         between 30 and 60: no block p2 vacant
         end trains 2",
    );
}

/// Found by tests/model: the place that it was held to have come up to was released with its own,
/// and the train was forgotten.
#[test]
fn b4_a_train_has_not_come_up_to_a_place_that_is_released_at_the_same_moment() {
    check(
        &line(4, ""),
        "0.0 all off
         70.0 d-p1 on
         80.0 d-p4 on
         90.0 d-p3 on
         95.0 d-p4 off
         100.0 d-p2 on
         105.0 d-p1 off; d-p2 off
         120.0",
        "100.0 train t2 entered p2
         106.5 block p2 vacant
         106.5 block p1 lost
         between 100 and 120: no block p1 vacant
         111.5 alarm train-lost:p1 unacknowledged high
         end trains 2",
    );
}
