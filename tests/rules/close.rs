//! Section 4 of DEVELOPERS.md where trains are close to each other: one closes up to another
//! unseen, or goes on where nothing sees it while another comes in behind. Long evenings in the
//! simulator were what found each of these (DEVELOPERS.md, scores).

use crate::plans::{Watch, bare, block, feed, junction, line, measured_line, plan, row};
use crate::story::check;

/// Every vehicle draws current: only then can a train be seen to part.
pub const ALL: &str = "[trains]\nequipped = \"all\"\n";

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
