//! Section 4 of DEVELOPERS.md where trains are close to each other: one closes up to another
//! unseen, or goes on where nothing sees it while another comes in behind. Long evenings in the
//! simulator were what found each of these (DEVELOPERS.md, scores).

use crate::plans::{Watch, bare, block, feed, junction, line, measured_line, plan, row};
use crate::story::check;

/// Every vehicle draws current: only then can a train be seen to part.
const ALL: &str = "[trains]\nequipped = \"all\"\n";

/// `p1` to `p6` in a row; nothing watches p4.
fn with_a_gap(feeds: &str) -> String {
    let mut body = String::new();
    for id in ["p1", "p2", "p3", "p5", "p6"] {
        body += &block(id, "");
    }
    body += &bare("p4", "");
    plan(&(body + &row(&["p1", "p2", "p3", "p4", "p5", "p6"]) + feeds))
}

#[test]
fn train_that_went_on_unseen_has_not_turned_back_into_what_another_came_into() {
    // t2 comes into p2, which t1, in p3, has left: t1 could only come back there, and before it is
    // a place that nothing sees.
    check(
        &with_a_gap(""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         25.0 d-p1 on
         40.0 d-p2 on
         41.0 d-p3 off
         43.0 d-p1 off
         50.0 d-p5 on
         60.0",
        "50.0 train t1 entered p5
         never train t1 turned-back
         end trains 2
         end train t1 blocks=p5
         end train t2 blocks=p2",
    );
}

/// `p1` to `p8` in a row, each 1000 mm; nothing watches p4.
fn measured_with_a_gap() -> String {
    let long = "length_mm = 1000";
    let mut body = String::new();
    for id in ["p1", "p2", "p3", "p5", "p6", "p7", "p8"] {
        body += &block(id, long);
    }
    body += &bare("p4", long);
    plan(&(body + &row(&["p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"])))
}

#[test]
fn train_that_is_due_comes_before_one_that_stays_where_nothing_sees_it() {
    // t2 went into p4 at 30 and should have come out at 40. t1 comes the other way, and is due in
    // p5 at 70.
    let opposite = "0.0 all off
         2.0 d-p8 on
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         32.0 d-p3 off
         50.0 d-p7 on
         52.0 d-p8 off
         60.0 d-p6 on
         62.0 d-p7 off";
    check(
        &measured_with_a_gap(),
        &format!("{opposite}\n 70.0 d-p5 on\n 72.0 d-p6 off\n 80.0"),
        "70.0 train t1 entered p5
         end train t1 blocks=p5
         end train t2 blocks=p4",
    );
    // Where it is not, the one that nothing sees has come out at last.
    check(
        &measured_with_a_gap(),
        &format!("{opposite}\n 64.0 d-p5 on\n 66.0"),
        "64.0 train t2 entered p5",
    );
}

/// The feed of p3 goes under t1's tail; t1 comes out of p4 into p5 and goes on. t2 follows as far
/// as p2.
const OUT_OF_A_GAP: &str = "0.0 f3 on; all off
     5.0 d-p1 on
     10.0 d-p2 on
     12.0 d-p1 off
     20.0 d-p3 on
     22.0 d-p2 off
     30.0 f3 off; d-p3 off
     31.0 d-p5 on
     33.0 f3 on
     50.0 d-p1 on
     60.0 d-p2 on
     62.0 d-p1 off
     70.0 d-p6 on";

#[test]
fn train_has_left_what_nothing_watches_when_the_place_before_that_has_seen_its_tail() {
    // What then lights up in p3 is t2, and not a part of t1 that was left in p4.
    check(
        &with_a_gap(&feed("f3", "[\"p3\"]", "")),
        &format!(
            "{OUT_OF_A_GAP}
             72.0 d-p5 off
             76.0 d-p3 on
             78.0 d-p2 off
             90.0"
        ),
        "75.0 train t1 vacated p4
         76.0 train t2 entered p3
         never alarm train-parted:*
         never train t1 turned-back
         end trains 2
         end train t1 blocks=p6
         end train t2 blocks=p3",
    );
}

#[test]
fn train_that_is_seen_ahead_of_what_nothing_watches_does_not_come_back_out_of_it() {
    // As before, but t2 comes while t1 may still be in p4 as well.
    check(
        &with_a_gap(&feed("f3", "[\"p3\"]", "")),
        &format!("{OUT_OF_A_GAP}\n 71.0 d-p3 on\n 90.0"),
        "71.0 train t2 entered p3
         never train t1 turned-back
         end train t2 blocks=p2,p3",
    );
}

#[test]
fn train_between_two_others_has_gone_on_and_not_back() {
    // t2 closes up to t1 in p3, t3 stands in p2. t1 goes into p4, and t2 closes up to it again.
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         40.0 d-p1 on
         50.0 d-p2 on
         52.0 d-p1 off
         62.0 d-p2 off
         80.0 d-p1 on
         90.0 d-p2 on
         92.0 d-p1 off
         120.0 d-p4 on
         140.0 d-p3 off
         150.0",
        "63.5 train t2 coupled
         141.5 train t2 coupled
         end train t1 blocks=p4
         end train t2 blocks=p4
         end train t3 blocks=p2",
    );
}

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

/// t1 stands in p3, and t2 has closed up to it, its nose in p3: the rest is seen in p2. Then t1
/// goes, and p3 stays occupied.
const GOES_FROM_ONE_THAT_CLOSED_UP: &str = "0.0 all off
     5.0 d-p1 on
     10.0 d-p2 on
     12.0 d-p1 off
     20.0 d-p3 on
     22.0 d-p2 off
     40.0 d-p1 on
     50.0 d-p2 on
     52.0 d-p1 off
     150.0 d-p4 on
     160.0 d-p5 on
     164.0 d-p4 off";

/// So it goes when t1 does not stand across the boundary: all of it is in p5 after two seconds, as
/// it was in p2 and in p3 before.
fn goes_from_one_that_closed_up(p4_off: &str) -> String {
    GOES_FROM_ONE_THAT_CLOSED_UP.replace("164.0 d-p4 off", p4_off)
}

#[test]
fn train_that_went_on_whole_has_left_its_tail_to_the_one_behind_it() {
    for (off, later) in [("162.0 d-p4 off", "162.3"), ("161.8 d-p4 off", "162.1")] {
        check(
            &line(8, ALL),
            &format!(
                "{}
                 180.0 d-p2 off
                 190.0 d-p4 on
                 192.0 d-p3 off
                 215.0",
                goes_from_one_that_closed_up(off)
            ),
            &format!(
                "never alarm train-parted:*
                 never train t3 new
                 {later}..170.0 train t2 entered p3
                 180.0 train t2 vacated p2
                 end train t1 blocks=p5
                 end train t2 blocks=p4"
            ),
        );
    }
}

#[test]
fn train_of_which_less_went_on_has_parted_whoever_is_behind_it() {
    check(
        &line(8, ALL),
        &format!(
            "{}
             240.0",
            goes_from_one_that_closed_up("161.6 d-p4 off")
        ),
        "163.0..175.0 alarm train-parted:t1 unacknowledged high
         end train t1 blocks=p5
         end train t2 blocks=p2
         end train t3 blocks=p3",
    );
}

#[test]
fn train_that_went_on_whole_with_nobody_behind_it_has_parted() {
    // Somebody is two places behind it, or next to it and bound the other way.
    for other in ["d-p1", "d-p7"] {
        check(
            &line(8, ALL),
            &format!(
                "0.0 all off
                 5.0 d-p2 on
                 10.0 d-p3 on
                 12.0 d-p2 off
                 40.0 {other} on
                 150.0 d-p4 on
                 160.0 d-p5 on
                 162.0 d-p4 off
                 240.0"
            ),
            "163.0..175.0 alarm train-parted:t1 unacknowledged high
             end trains 3",
        );
    }
}

#[test]
fn train_that_closed_up_to_a_tail_is_told_by_where_it_goes() {
    // It seems that t1 has parted. But t2 goes wherever the portion goes: there never was one.
    check(
        &line(8, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             165.0 d-p6 on
             168.0 d-p5 off
             180.0 d-p2 off
             190.0 d-p4 on
             192.0 d-p3 off
             200.0 d-p5 on
             202.0 d-p4 off
             215.0"
        ),
        "163.5..175.0 alarm train-parted:t1 unacknowledged high
         203.5 alarm train-parted:t1 latched-unacknowledged
         203.5 train t3 gone
         end trains 2
         end train t1 blocks=p6
         end train t2 blocks=p5",
    );
}

/// As before, and much later another train, which has stood in p3, goes into p4: what t2 was taken
/// for has left that, and so has t2.
#[test]
fn train_that_turned_out_to_be_another_has_left_what_that_has_left() {
    check(
        &line(8, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             165.0 d-p6 on
             168.0 d-p5 off
             180.0 d-p2 off
             190.0 d-p4 on
             192.0 d-p3 off
             200.0 d-p5 on
             202.0 d-p4 off
             300.0 d-p1 on
             310.0 d-p2 on
             312.0 d-p1 off
             320.0 d-p3 on
             322.0 d-p2 off
             500.0 d-p4 on
             510.0"
        ),
        "203.5 train t3 gone
         500.0 train t4 entered p4
         end train t2 blocks=p5
         end train t4 blocks=p3,p4",
    );
}

#[test]
fn train_that_is_named_is_never_taken_for_another() {
    check(
        &line(8, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             165.0 d-p6 on
             168.0 d-p5 off
             175.0 do name t3 {{\"name\":\"Vans\"}}
             180.0 d-p2 off
             190.0 d-p4 on
             192.0 d-p3 off
             200.0 d-p5 on
             202.0 d-p4 off
             215.0"
        ),
        "end trains 3
         end train t3 name=Vans",
    );
}

#[test]
fn train_whose_portion_stays_behind_has_parted() {
    // t2 draws back, and the portion is still there.
    check(
        &line(8, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             180.0 d-p1 on
             190.0 d-p2 off
             240.0"
        ),
        "163.5..175.0 alarm train-parted:t1 unacknowledged high
         end trains 3
         end train t2 blocks=p1
         end train t3 blocks=p3",
    );
}

#[test]
fn train_that_left_before_the_power_went_is_not_where_it_was() {
    // B7 says lost of p3, in which the tail was not proven gone; t1 is seen in p4, and what comes
    // into p3 is the next train.
    let plan = line(6, ALL) + &feed("f1", "[\"p3\"]", "");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p2 on
         10.0 d-p3 on
         12.0 d-p2 off
         15.0 d-p4 on
         20.0 d-p3 off
         20.5 f1 off
         40.0 f1 on
         40.6 d-p3 off
         90.0 d-p1 on
         100.0 d-p2 on
         102.0 d-p1 off
         110.0 d-p3 on
         112.0 d-p2 off
         120.0",
        "42.0..42.2 block p3 lost
         42.0..42.2 train t1 vacated p3
         110.0 train t2 entered p3
         end train t1 blocks=p4
         end train t2 blocks=p3",
    );
}

/// Two trains come to p4 from both sides: t1 was measured in one place, in which it may have
/// stood, t2 in three alike.
fn both_come(seconds: &str) -> String {
    format!(
        "0.0 all off
         5.0 d-p1 on
         6.0 d-p9 on
         10.0 d-p2 on
         12.0 d-p1 off
         16.0 d-p8 on
         18.0 d-p9 off
         26.0 d-p7 on
         28.0 d-p8 off
         36.0 d-p6 on
         38.0 d-p7 off
         40.0 d-p3 on
         42.0 d-p2 off
         46.0 d-p5 on
         48.0 d-p6 off
         {seconds} d-p4 on
         57.0"
    )
}

#[test]
fn train_that_was_measured_once_may_be_faster() {
    // p3 would take 30 s at the one speed of t1, and 9 have gone: p5 takes 10 s at the speed that
    // t2 has had all the way, and 3 have gone.
    check(
        &measured_line(9, ""),
        &both_come("49.0"),
        "49.0 train t1 entered p4
         end train t1 blocks=p3,p4
         end train t2 blocks=p5",
    );
    // It is due: then it comes first.
    check(
        &measured_line(9, ""),
        &both_come("55.0"),
        "55.0 train t2 entered p4",
    );
}

#[test]
fn train_on_points_does_not_go_past_another_that_came_by_the_leg_it_would_leave_by() {
    // t1 stands in east and is lost to its detector, as t2 draws back from the points: t1 seems to
    // have come up to it there. The power goes, and comes back. What is seen in east is t1: t2
    // cannot have gone past it.
    let power = feed(
        "main",
        "[\"far\", \"west\", \"east\"]",
        "turnouts = [\"w1\"]",
    );
    check(
        &(junction(Watch::Section, "", "") + &power),
        "0.0 main on; all off; w1 normal
         1.0 d-east on
         5.0 d-far on
         10.0 d-west on
         18.0 d-far off
         20.0 d-w1 on
         21.0 d-east off
         21.5 d-w1 off
         22.0 d-far on
         22.55 d-far off; d-west off
         25.0 d-far on; d-west on; d-east on
         26.0 d-far on; d-west on; d-east on; d-w1 off
         60.0",
        "22.5 train t1 coupled
         22.55 alarm power-lost:main
         25.5..26.0 train t1 entered east
         never train t2 entered east
         end train t1 blocks=east",
    );
}

/// As [`CLOSED_UP_IN_P6`], but t3 is seen in p5 until it is told otherwise: p6 stays occupied as it
/// comes in, and nobody has seen that it came.
fn followed_into_p6() -> String {
    CLOSED_UP_IN_P6.replace("92.0 d-p5 off\n", "")
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
    let due = followed.replace(
        "70.0 d-p4 on",
        "65.0 d-p3 on\n 70.0 d-p4 on\n 71.0 d-p3 off",
    );
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

/// As there, and t3 is due in p6 when p7 is left. Only where all of t2 can have gone through p7, up
/// to somebody who stands beyond, has it not drawn back.
#[test]
fn train_that_did_not_go_through_has_drawn_back_whoever_is_due_behind_it() {
    let plan = measured_line(8, "");
    let due = followed_into_p6().replace(
        "70.0 d-p4 on",
        "65.0 d-p3 on\n 70.0 d-p4 on\n 71.0 d-p3 off",
    );
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

/// Three trains of which no way is known start at one moment. Each place that is lit could be come
/// into from both sides, and the older is taken for it, until one would be in two places at once.
#[test]
fn trains_that_start_at_one_moment_are_not_each_at_both_ends_of_another() {
    let start = |first: &str, last: &str| {
        format!(
            "0.0 all off
             5.0 d-p6 on
             8.0 d-p4 on
             11.0 d-p2 on
             30.0 {first} on
             30.1 d-p5 on
             {last} d-p7 on
             32.0 d-p2 off
             32.1 d-p4 off
             33.0 d-p6 off
             40.0"
        )
    };
    let right = "never train * turned-back
         end trains 3
         end train t1 blocks=p7 heading=p7.b
         end train t2 blocks=p5 heading=p5.b
         end train t3 blocks=p3 heading=p3.b";
    check(&line(8, ""), &start("d-p3", "30.2"), right);
    check(&line(8, ""), &start("d-p3", "32.0"), right);
    // After more than two seconds it can have turned back.
    check(
        &line(8, ""),
        &start("d-p3", "32.2"),
        "30.1 train t1 entered p5
         32.2 train t1 turned-back",
    );
    // One that was on its way before is not asked.
    check(
        &line(8, ""),
        &start("d-p3", "30.2").replace("5.0 d-p6 on", "5.0 d-p7 on\n 6.0 d-p6 on\n 7.0 d-p7 off"),
        "30.1 train t1 entered p5
         30.2 train t1 turned-back",
    );
}
