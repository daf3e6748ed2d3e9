//! Section 4 of DEVELOPERS.md: a train seems to lose its middle. It has parted, or what looks
//! like its tail is the next train, which has closed up unseen.

use crate::close::ALL;
use crate::plans::{block, line, plan, row};
use crate::story::check;

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
fn train_of_which_nobody_saw_when_it_went_on_has_parted() {
    let heard = "id = \"d-p5\"\nnode = \"n1\"";
    let plan = line(8, ALL).replace("id = \"d-p5\"", heard) + "[[node]]\nid = \"n1\"\n";
    let story = goes_from_one_that_closed_up("162.0 d-p4 off").replace(
        "160.0 d-p5 on",
        "155.0 n1 offline\n 160.0 n1 online; d-p5 on",
    );
    check(
        &plan,
        &format!("{story}\n 240.0"),
        "163.0..175.0 alarm train-parted:t1 unacknowledged high
         end train t1 blocks=p5
         end train t2 blocks=p2",
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

/// `p1` to `p5` in a row with points before p3, whose other leg comes from `s1` and `s2`.
fn with_points_in_its_tail() -> String {
    let mut body = String::from(ALL);
    for id in ["p1", "p2", "p3", "p4", "p5", "s1", "s2"] {
        body += &block(id, "");
    }
    body += &(row(&["p1", "p2"]) + &row(&["p3", "p4", "p5"]) + &row(&["s1", "s2"]));
    body += "[[turnout]]\nid = \"w1\"\ntoe = \"p3.a\"\nnormal = \"p2.b\"\nreverse = \"s2.b\"\n";
    plan(&body)
}

#[test]
fn train_that_stands_on_points_has_not_left_all_of_that_to_one_on_the_other_leg() {
    // t2 could only have come into p3: p2, where the tail ends, is not on its way.
    check(
        &with_points_in_its_tail(),
        "0.0 all off; w1 normal
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         30.0 d-s1 on
         40.0 d-s2 on
         42.0 d-s1 off
         50.0 w1 reverse
         150.0 d-p4 on
         160.0 d-p5 on
         162.0 d-p4 off
         215.0",
        "163.0..175.0 alarm train-parted:t1 unacknowledged high
         end train t1 blocks=p5
         end train t2 blocks=s2
         end train t3 blocks=p2,p3",
    );
}

/// Then t2 goes wherever the portion goes that t1 seems to have left.
const WHERE_IT_GOES: &str = "165.0 d-p6 on
     168.0 d-p5 off
     180.0 d-p2 off
     190.0 d-p4 on
     192.0 d-p3 off
     200.0 d-p5 on
     202.0 d-p4 off";

#[test]
fn train_that_closed_up_to_a_tail_is_told_by_where_it_goes() {
    // It seems that t1 has parted: there never was a portion.
    check(
        &line(8, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             {WHERE_IT_GOES}
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

#[test]
fn train_that_was_seen_alone_is_not_what_follows_it() {
    // What was left goes on to p4 while nobody is in p3: t2 follows it from there on.
    check(
        &line(9, ALL),
        &format!(
            "{GOES_FROM_ONE_THAT_CLOSED_UP}
             165.0 d-p6 on
             168.0 d-p5 off
             170.0 d-p7 on
             172.0 d-p6 off
             174.0 d-p8 on
             176.0 d-p7 off
             180.0 d-p4 on
             182.0 d-p3 off
             190.0 d-p3 on
             192.0 d-p2 off
             200.0 d-p5 on
             202.0 d-p3 off
             210.0 d-p6 on
             212.0 d-p4 off
             220.0 d-p7 on
             222.0 d-p5 off
             235.0"
        ),
        "163.5..175.0 alarm train-parted:t1 unacknowledged high
         end trains 3
         end train t2 blocks=p6
         end train t3 blocks=p6,p7",
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
             {WHERE_IT_GOES}
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
