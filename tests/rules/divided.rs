//! Section 4 of DEVELOPERS.md: one train divided on purpose, a name for each half; and how likely
//! the stories are that the evidence allows.

use crate::plans::{block, line, measured_line, plan, row};
use crate::story::check;

#[test]
fn train_divided_on_purpose_frees_what_lies_between() {
    // Nothing in between shows, as with cars that draw nothing: only the operator knows.
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         30.0 do name t1 {\"name\":\"Local\"}
         40.0 do divide t1 {\"block\":\"p1\",\"name\":\"Wagons\",\"who\":\"Ann\"}
         60.0",
        "between 20 and 39.9: no block p2 vacant
         40.0 train t1 parted p1
         40.0 train t2 new p1
         40.0 block p2 vacant
         end train t1 name=Local blocks=p3
         end train t2 name=Wagons blocks=p1 parent=t1 stopped=true
         end trains 2
         never alarm *",
    );
}

#[test]
fn train_divided_on_purpose_may_leave_its_front() {
    // Cars are pushed into p3 and left there; the engine goes back.
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p4 on
         12.0 d-p3 off
         15.0 d-p5 on
         30.0 do divide t1 {\"block\":\"p5\"}
         40.0 d-p3 on
         42.0 d-p4 off
         50.0",
        "40.0 train t1 entered p3
         43.5 block p4 vacant
         end train t1 blocks=p3 heading=p3.a
         end train t2 blocks=p5 parent=t1
         end trains 2
         never alarm *",
    );
}

#[test]
fn train_divided_on_purpose_within_one_place_goes_on_either_way() {
    // The locomotive draws off towards p3, or runs back by p1; what was left is not what moves.
    for (next, then) in [("p5", "p6"), ("p3", "p2")] {
        check(
            &line(7, ""),
            &format!(
                "0.0 all off
                 5.0 d-p3 on
                 10.0 d-p4 on
                 12.0 d-p3 off
                 30.0 do divide t1 {{\"name\":\"Wagons\"}}
                 40.0 d-{next} on
                 50.0 d-{then} on
                 52.0 d-{next} off
                 60.0"
            ),
            &format!(
                "40.0 train t1 entered {next}
                 53.5 block {next} vacant
                 end train t1 blocks={then}
                 end train t2 name=Wagons blocks=p4 parent=t1
                 end trains 2
                 never alarm *"
            ),
        );
    }
}

#[test]
fn train_divided_on_purpose_and_fetched_again_is_one() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         30.0 do divide t1 {}
         40.0 d-p3 on
         50.0 d-p4 on
         51.0 d-p3 off
         60.0 d-p3 on
         61.0 d-p4 off
         70.0 d-p3 off
         90.0 d-p1 on
         92.0 d-p2 off
         99.0",
        "52.5 block p3 vacant
         end train t1 blocks=p1
         end trains 1
         never alarm train-lost:*
         never alarm train-parted:*",
    );
}

#[test]
fn train_divided_on_purpose_only_where_it_is() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         30.0 do divide t1 {\"block\":\"p4\"}
         31.0 do divide t7 {}
         32.0 do divide t1 {\"block\":\"nowhere\"}
         33.0 do divide t1 {\"name\":17}
         40.0",
        "end trains 1
         never train * parted",
    );
}

#[test]
fn train_parted_ends_when_the_portion_has_a_name() {
    check(
        &line(6, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         60.0 do name t2 {\"name\":\"Wagons\"}
         70.0 do reset train-parted:t1
         90.0",
        "26.5..26.6 alarm train-parted:t1 unacknowledged high
         60.0 alarm train-parted:t1 latched-unacknowledged
         end train t1 blocks=p3
         end train t2 blocks=p1 parent=t1 name=Wagons
         end trains 2",
    );
}

#[test]
fn train_told_which_one_it_is_has_that_name() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         30.0 do stands-here p1 {\"name\":\"Mail\"}
         31.0 do stands-here p4 {\"name\":\"Milk\"}
         40.0",
        "end train t1 name=Mail blocks=p1
         end train t2 name=Milk blocks=p4
         end trains 2",
    );
}

#[test]
fn train_that_could_be_either_weighs_both() {
    // Nothing speaks for one of them.
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p4 on
         25.0 d-p3 on
         26.0",
        "end train t1 sure=false or=t2 weights.t1=0.5 weights.t2=0.5",
    );
}

#[test]
fn train_that_is_due_weighs_more_than_one_that_is_early() {
    // Both cross a metre in ten seconds and run towards p4. One is due there at 35, the other at
    // 40: 0 and 5 s off, each give or take 2.06 s (a fifth of ten seconds, and half a second).
    // exp(-(5/2.0616)^2 / 2) = 0.0528; 1 / 1.0528 = 0.95.
    check(
        &measured_line(7, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p7 on
         15.0 d-p2 on
         20.0 d-p6 on
         22.0 d-p1 off
         24.0 d-p7 off
         25.0 d-p3 on
         26.0 d-p2 off
         30.0 d-p5 on
         32.0 d-p6 off
         35.0 d-p4 on
         36.0",
        "end train t1 sure=false or=t2 weights.t1=0.95 weights.t2=0.05",
    );
}

#[test]
fn train_whose_tail_has_left_where_it_came_from_is_sure() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p4 on
         25.0 d-p3 on
         27.0 d-p2 off
         40.0",
        "end train t1 sure=true blocks=p3
         end train t2 blocks=p4",
    );
}

#[test]
fn train_divided_on_purpose_parts_towards_the_nearer_end() {
    // A train over five places, heading for p6.
    let cases = [
        ("{\"block\":\"p1\"}", "p2,p3,p4,p5", "p1"),
        ("{\"block\":\"p2\"}", "p3,p4,p5", "p1,p2"),
        ("{\"block\":\"p3\"}", "p4,p5", "p1,p2,p3"),
        ("{\"block\":\"p4\"}", "p1,p2,p3", "p4,p5"),
        ("{\"block\":\"p5\"}", "p1,p2,p3,p4", "p5"),
        ("{}", "p2,p3,p4,p5", "p1"),
    ];
    for (body, moves, stays) in cases {
        check(
            &line(7, ""),
            &format!(
                "0.0 all off
                 5.0 d-p1 on
                 10.0 d-p2 on
                 15.0 d-p3 on
                 20.0 d-p4 on
                 25.0 d-p5 on
                 30.0 do divide t1 {body}
                 31.0"
            ),
            &format!(
                "end train t1 blocks={moves}
                 end train t2 blocks={stays} parent=t1
                 end trains 2"
            ),
        );
    }
}

#[test]
fn train_divided_on_purpose_while_it_seems_torn_is_torn_where_it_was() {
    // Its middle, p3, is gone from 21.5 on: it has parted at 26.5, unless that was the place.
    let cases = [
        ("p1", "t3 blocks=p2", "t1 blocks=p4,p5"),
        ("p5", "t3 blocks=p1,p2", "t1 blocks=p4"),
        ("p2", "t2 blocks=p1,p2", "t1 blocks=p4,p5"),
        ("p4", "t2 blocks=p4,p5", "t1 blocks=p1,p2"),
    ];
    for (block, portion, rest) in cases {
        let parts = portion.starts_with("t3");
        let parted = if parts {
            "26.5..26.6 alarm train-parted:t1 unacknowledged\n end trains 3"
        } else {
            "never alarm train-parted:t1\n end trains 2"
        };
        check(
            &line(7, "[trains]\nequipped = \"all\"\n"),
            &format!(
                "0.0 all off
                 5.0 d-p1 on
                 8.0 d-p2 on
                 11.0 d-p3 on
                 14.0 d-p4 on
                 17.0 d-p5 on
                 20.0 d-p3 off
                 23.0 do divide t1 {{\"block\":\"{block}\"}}
                 40.0"
            ),
            &format!(
                "end train {portion}
                 end train {rest}
                 {parted}"
            ),
        );
    }
}

#[test]
fn train_divided_within_one_place_leaves_its_tail_behind_it() {
    for (first, order) in [("p1", "t2,t1"), ("p3", "t1,t2")] {
        check(
            &line(3, ""),
            &format!(
                "0.0 all off
                 5.0 d-{first} on
                 10.0 d-p2 on
                 12.0 d-{first} off
                 30.0 do divide t1 {{}}
                 31.0"
            ),
            &format!("end block p2 trains={order}"),
        );
    }
}

/// `a0 - a1 - a2` and `b0 - b1 - b2` come together at points that say nothing of themselves, and go
/// on as `c1 - c2 - c3`; a metre each. t1 runs at 100 mm/s and is due in c1 at 35, t2 at 200 and is
/// due at 37. It is t1 by the time: 2 s are 1.79 spreads of t2's (a fifth of five seconds and half
/// a second), exp(-1.79^2 / 2) = 0.202; 1 / 1.202 = 0.83.
fn comes_together(then: &str, expected: &str) {
    let ids = ["a0", "a1", "a2", "b0", "b1", "b2", "c1", "c2", "c3"];
    let blocks: String = ids.iter().map(|id| block(id, "length_mm = 1000")).collect();
    let rows = row(&["a0", "a1", "a2"]) + &row(&["b0", "b1", "b2"]) + &row(&["c1", "c2", "c3"]);
    let points =
        "[[turnout]]\nid = \"w1\"\ntoe = \"c1.a\"\nnormal = \"a2.b\"\nreverse = \"b2.b\"\n";
    check(
        &plan(&(blocks + &rows + points)),
        &format!(
            "0.0 all off
             5.0 d-a0 on
             15.0 d-a1 on
             17.0 d-a0 off
             22.0 d-b0 on
             25.0 d-a2 on
             26.0 d-a1 off
             27.0 d-b1 on
             28.0 d-b0 off
             32.0 d-b2 on
             33.0 d-b1 off
             35.0 d-c1 on
             {then}"
        ),
        expected,
    );
}

#[test]
fn train_weighed_by_the_time_of_its_coming() {
    comes_together(
        "36.0",
        "end train t1 blocks=a2,c1 sure=false or=t2 weights.t1=0.83 weights.t2=0.17",
    );
}

#[test]
fn train_weighed_again_by_the_speed_of_the_other() {
    // Five seconds over c1, as the other would: at most twenty times as likely, and never likelier
    // than what is told.
    comes_together(
        "40.0 d-c2 on\n 41.0",
        "end train t1 blocks=a2,c1,c2 sure=false or=t2 weights.t1=0.5 weights.t2=0.5",
    );
}

#[test]
fn train_weighed_again_by_its_own_speed() {
    // Ten seconds: a twentieth of 0.202; 1 / 1.0101 = 0.99.
    comes_together(
        "45.0 d-c2 on\n 46.0",
        "end train t1 sure=false or=t2 weights.t1=0.99 weights.t2=0.01",
    );
}

#[test]
fn train_that_has_stood_is_not_weighed_by_that() {
    comes_together(
        "60.0 d-c2 on\n 61.0",
        "end train t1 sure=false or=t2 weights.t1=0.83 weights.t2=0.17",
    );
}

#[test]
fn train_whose_other_story_is_over_is_sure() {
    comes_together(
        "40.0 d-c2 on\n 42.0 d-a2 off\n 50.0",
        "end train t1 blocks=c1,c2 sure=true or=
         end train t2 blocks=b2",
    );
    // The other's tail leaves where it stood: it was that one.
    comes_together(
        "42.0 d-b2 off\n 50.0",
        "end train t2 blocks=c1
         end train t1 blocks=a2
         end trains 2",
    );
}

#[test]
fn train_divided_where_it_seems_to_have_parted_has_parted_on_purpose() {
    // Its middle is not seen, and another that is seen behind it keeps the question open no more:
    // whichever half the operator names, nothing is left to be told.
    for half in ["p1", "p3"] {
        check(
            &measured_line(6, "[trains]\nequipped = \"all\""),
            &format!(
                "0.0 all off
                 5.0 d-p1 on
                 10.0 d-p2 on
                 15.0 d-p3 on
                 20.0 d-p2 off
                 21.6 do divide t1 {{\"block\":\"{half}\"}}
                 90.0"
            ),
            "end trains 2
             never alarm train-parted:*",
        );
    }
}
