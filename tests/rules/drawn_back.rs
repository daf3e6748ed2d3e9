//! Section 4 of DEVELOPERS.md: a head's place is left, and the train shows only behind. It has
//! drawn back, or gone on up to the one before it while another came in behind.

use crate::plans::measured_line;
use crate::story::check;

/// t1 stands in p8; t2 comes at 100 mm/s into p6 and stands; t3 closes up to it there. Then t2 goes
/// into p7.
const CLOSED_UP_IN_P6: &str = "0.0 all off
     5.0 d-p8 on
     10.0 d-p1 on
     20.0 d-p2 on
     22.0 d-p1 off
     30.0 d-p3 on
     32.0 d-p2 off
     40.0 d-p4 on
     42.0 d-p3 off
     50.0 d-p5 on
     52.0 d-p4 off
     60.0 d-p6 on
     62.0 d-p5 off
     70.0 d-p4 on
     80.0 d-p5 on
     82.0 d-p4 off
     92.0 d-p5 off
     120.0 d-p7 on";

#[test]
fn train_that_was_in_a_place_long_enough_has_gone_up_to_the_next_and_not_back() {
    check(
        &measured_line(8, ""),
        &format!("{CLOSED_UP_IN_P6}\n 132.0 d-p7 off\n 140.0"),
        "133.5 train t2 coupled
         end train t2 blocks=p8
         end train t3 blocks=p6",
    );
}

#[test]
fn train_that_only_showed_its_nose_has_drawn_back() {
    check(
        &measured_line(8, ""),
        &format!("{CLOSED_UP_IN_P6}\n 123.0 d-p7 off\n 140.0"),
        "124.5 train t2 turned-back
         end train t2 blocks=p6
         end train t1 blocks=p8",
    );
}

/// As [`CLOSED_UP_IN_P6`], but t3 is seen in p5 until it is told otherwise: p6 stays occupied as it
/// comes in, and nobody has seen that it came.
fn followed_into_p6() -> String {
    CLOSED_UP_IN_P6.replace("92.0 d-p5 off\n", "")
}

/// And t3 runs on, so that it is due in p6 when p7 is left.
fn due_in_p6() -> String {
    followed_into_p6().replace(
        "70.0 d-p4 on",
        "65.0 d-p3 on\n 70.0 d-p4 on\n 71.0 d-p3 off",
    )
}

#[test]
fn train_that_seemed_to_draw_back_has_gone_on_when_another_is_behind_it() {
    let (plan, followed) = (measured_line(8, ""), followed_into_p6());
    // It was in p7 for as long as it takes. What is seen behind it is t3, as a moment later tells.
    check(
        &plan,
        &format!("{followed}\n 132.0 d-p7 off\n 133.0 d-p5 off\n 150.0"),
        "133.5 train t2 turned-back
         134.5 train t2 coupled
         end train t2 blocks=p8 heading=p8.b
         end train t3 blocks=p6
         once train t2 coupled
         never train t3 coupled",
    );
    // It showed its nose only: both are in p6.
    check(
        &plan,
        &format!("{followed}\n 123.0 d-p7 off\n 124.0 d-p5 off\n 150.0"),
        "125.5 train t3 coupled
         end train t2 blocks=p6
         end train t3 blocks=p6",
    );
    // Who came so late after it has nothing to do with it.
    check(
        &plan,
        &format!("{followed}\n 132.0 d-p7 off\n 148.0 d-p5 off\n 160.0"),
        "133.5 train t2 turned-back
         149.5 train t3 coupled
         end train t2 blocks=p6
         end train t3 blocks=p6",
    );
    // Unless it should have been there by then.
    let due = due_in_p6();
    check(
        &plan,
        &format!("{due}\n 132.0 d-p7 off\n 148.0 d-p5 off\n 160.0"),
        "never train t2 turned-back
         133.5 train t3 entered p6
         133.5 train t2 coupled
         end train t2 blocks=p8
         end train t3 blocks=p6",
    );
    // Nobody stands before it that it could have come up to.
    let gone = followed.replace("5.0 d-p8 on", "5.0 d-p8 off");
    check(
        &plan,
        &format!("{gone}\n 132.0 d-p7 off\n 133.0 d-p5 off\n 150.0"),
        "134.5 train t2 coupled
         end train t1 blocks=p6
         end train t2 blocks=p6",
    );
}

/// Only where all of t2 can have gone through p7, up
/// to somebody who stands beyond, has it not drawn back.
#[test]
fn train_that_did_not_go_through_has_drawn_back_whoever_is_due_behind_it() {
    let plan = measured_line(8, "");
    let due = due_in_p6();
    let back = |off: &str| {
        format!(
            "{off} train t2 turned-back
             never train t2 entered p8
             between 0 and {off}: no train t3 entered p6
             end train t2 blocks=p6 heading=p6.a"
        )
    };
    // Too short a time in p7, and too long; then nobody beyond it.
    for (off, left) in [("130.0", "131.5"), ("136.0", "137.5")] {
        check(
            &plan,
            &format!("{due}\n {off} d-p7 off\n 139.0"),
            &back(left),
        );
    }
    let alone = due.replace("5.0 d-p8 on", "5.0 d-p8 off");
    let fewer = back("133.5").replace("t2", "t1").replace("t3", "t2");
    check(&plan, &format!("{alone}\n 132.0 d-p7 off\n 139.0"), &fewer);
    // As long as all of it takes, and somebody beyond.
    check(
        &plan,
        &format!("{due}\n 132.0 d-p7 off\n 139.0"),
        "never train t2 turned-back
         133.5 train t2 entered p8",
    );
}

/// t1 goes to p8, at 100 mm/s place after place. t2 is put on at p4 and goes to p6, standing for
/// long in p5; t3 follows as far as p5.
const ONE_THAT_STOOD: &str = "0.0 all off
     1.0 d-p1 on
     11.0 d-p2 on
     12.0 d-p1 off
     21.0 d-p3 on
     22.0 d-p2 off
     31.0 d-p4 on
     32.0 d-p3 off
     41.0 d-p5 on
     42.0 d-p4 off
     51.0 d-p6 on
     52.0 d-p5 off
     61.0 d-p7 on
     62.0 d-p6 off
     71.0 d-p8 on
     72.0 d-p7 off
     100.0 d-p4 on
     130.0 d-p5 on
     132.0 d-p4 off
     180.0 d-p6 on
     182.0 d-p5 off
     190.0 d-p4 on
     200.0 d-p5 on
     202.0 d-p4 off
     220.0 d-p7 on";

/// How long is long enough other trains tell, where a train's own speed was measured over a place
/// in which it stood.
#[test]
fn train_that_was_measured_as_it_stood_may_be_as_fast_as_others() {
    let plan = measured_line(8, "");
    check(
        &plan,
        &format!("{ONE_THAT_STOOD}\n 232.0 d-p7 off\n 233.0 d-p5 off\n 250.0"),
        "234.5 train t2 coupled
         end train t2 blocks=p8
         end train t3 blocks=p6",
    );
    // Twice as fast as any.
    check(
        &plan,
        &format!("{ONE_THAT_STOOD}\n 225.0 d-p7 off\n 226.0 d-p5 off\n 250.0"),
        "227.5 train t3 coupled
         end train t2 blocks=p6
         end train t3 blocks=p6",
    );
}

/// The same over two places that are left at one moment: what is off between is held as long as the
/// train shows at both ends.
#[test]
fn train_that_seemed_to_draw_back_over_two_places_has_gone_on_as_well() {
    let followed = followed_into_p6().replace("5.0 d-p8 on", "5.0 d-p9 on");
    let goes_on = "130.0 d-p8 on
         132.0 d-p7 off
         142.0 d-p8 off
         143.0 d-p5 off
         160.0";
    // The one behind it had long stopped next to what looked like the tail.
    check(
        &measured_line(9, ""),
        &format!("{followed}\n {goes_on}"),
        "never train * turned-back
         143.5 train t2 coupled
         end train t2 blocks=p9 heading=p9.b
         end train t3 blocks=p6
         never train t3 coupled",
    );
    // It came too late for that to be known.
    let followed = followed.replace("80.0 d-p5 on", "100.0 d-p5 on");
    let followed = followed.replace("82.0 d-p4 off", "102.0 d-p4 off");
    check(
        &measured_line(9, ""),
        &format!("{followed}\n {goes_on}"),
        "between 120 and 143.4: no train t2 turned-back
         143.5 train t2 turned-back
         144.5 train t2 coupled
         end train t2 blocks=p9 heading=p9.b
         end train t3 blocks=p6
         never train t3 coupled",
    );
}

#[test]
fn train_of_which_nobody_saw_when_it_came_in_has_drawn_back() {
    // It may have been in p7 since before that was heard of again: how long is not known, though
    // t3 should be in p6 by then.
    let plan = measured_line(8, "").replace("id = \"d-p7\"", "id = \"d-p7\"\nnode = \"n1\"");
    let due = due_in_p6();
    for (p7, turns) in [
        ("120.0 d-p7 on", "never"),
        ("110.0 n1 offline\n 120.0 n1 online; d-p7 on", "133.5"),
    ] {
        let story = due.replace("120.0 d-p7 on", p7);
        check(
            &format!("{plan}[[node]]\nid = \"n1\"\n"),
            &format!("{story}\n 132.0 d-p7 off\n 148.0 d-p5 off\n 160.0"),
            &format!("{turns} train t2 turned-back"),
        );
    }
}
