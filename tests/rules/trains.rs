//! Section 4 of DEVELOPERS.md: which train is where, which way it goes, and which of two it is.

use crate::plans::{Watch, crossover, junction, line, ring};
use crate::story::{check, check_until};

#[test]
fn train_moves_from_place_to_place() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         30.0",
        "5.0 train t1 new p1 blocks=p1
         10.0 train t1 entered p2 blocks=p1,p2
         12.0..13.5 train t1 vacated p1 blocks=p2
         20.0 train t1 entered p3 blocks=p2,p3
         22.0..23.5 train t1 vacated p2 blocks=p3
         end train t1 heading=p3.b blocks=p3
         end trains 1",
    );
}

#[test]
fn train_leaves_blocks_when_its_detectors_are_off() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         12.5",
        "end block p1 occupied
         end train t1 blocks=p2",
    );
}

#[test]
fn train_number_two_is_another() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p4 on
         20.0",
        "5.0 train t1 new p1
         10.0 train t2 new p4
         end trains 2",
    );
}

#[test]
fn train_across_a_gap_at_the_start_is_one_without_direction() {
    check(
        &line(5, ""),
        "0.0 d-p2 on; d-p3 on; d-p1 off; d-p4 off; d-p5 off
         10.0",
        "end trains 1
         end train t1 heading=null",
    );
    check(
        &line(5, ""),
        "0.0 d-p2 on; d-p1 off; d-p4 off; d-p5 off
         1.4 d-p3 on
         10.0",
        "end trains 1
         end train t1 heading=null",
    );
}

#[test]
fn train_in_two_places_that_are_not_neighbours_is_two() {
    check(
        &line(5, ""),
        "0.0 d-p2 on; d-p4 on; d-p1 off; d-p3 off; d-p5 off
         10.0",
        "end trains 2",
    );
}

#[test]
fn train_moving_towards_it_comes_before_one_without_direction() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p4 on
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         25.0 d-p3 on
         27.0 d-p2 off
         40.0",
        "25.0 train t2 entered p3
         28.5 block p2 vacant
         end train t2 blocks=p3 heading=p3.b
         end train t1 blocks=p4
         end trains 2",
    );
}

#[test]
fn train_without_direction_comes_before_one_that_moves_away() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p2 on
         12.0 d-p3 off
         15.0 d-p4 on
         25.0 d-p3 on
         27.0 d-p4 off
         40.0",
        "25.0 train t2 entered p3
         28.5 block p4 vacant
         end train t2 blocks=p3
         end train t1 blocks=p2",
    );
}

#[test]
fn train_that_was_not_it_after_all_hands_the_place_over() {
    // Both stand still next to p3 without direction; the older is taken at first, but it is the
    // place of the younger that is then vacated.
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p4 on
         25.0 d-p3 on
         27.0 d-p4 off
         40.0",
        "end train t2 blocks=p3
         end train t1 blocks=p2
         28.5 block p4 vacant
         never block p4 lost
         never alarm train-lost:p4
         end trains 2",
    );
}

#[test]
fn train_that_could_be_either_says_so() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p4 on
         25.0 d-p3 on
         26.0",
        "end train t1 sure=false
         end trains 2",
    );
}

#[test]
fn train_closing_up_stays_itself() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p4 on
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         25.0 d-p3 on
         27.0 d-p2 off
         60.0 d-p5 on
         62.0 d-p4 off
         90.0",
        "end train t1 blocks=p5
         end train t2 blocks=p3
         63.5 block p4 vacant
         never alarm train-lost:p4
         end trains 2",
    );
}

#[test]
fn train_drop_out_under_it_makes_no_other_train() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p2 off
         24.0 d-p2 on
         30.0 d-p3 on
         32.0 d-p2 off
         40.0",
        "end trains 1
         end train t1 blocks=p3 heading=p3.b
         never alarm *",
    );
}

#[test]
fn train_double_occupancy_at_a_gap_makes_no_other_train() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         10.3 d-p2 off
         10.6 d-p2 on
         11.0 d-p1 off
         11.2 d-p1 on
         12.0 d-p1 off
         40.0",
        "end trains 1
         end train t1 blocks=p2 heading=p2.b
         13.5 block p1 vacant
         never alarm *",
    );
}

#[test]
fn train_that_turns_back_stays_itself() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p3 on
         12.0 d-p2 off
         20.0 d-p4 on
         40.0 d-p4 off
         50.0 d-p2 on
         55.0 d-p3 off
         70.0",
        "41.5 block p4 vacant
         40.0..41.5 train t1 turned-back
         50.0 train t1 entered p2
         end train t1 blocks=p2 heading=p2.a
         end trains 1
         never alarm *",
    );
}

#[test]
fn train_that_waits_across_three_places_is_one() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         17.0 d-p1 off
         20.0 d-p4 on
         300.0 d-p5 on
         305.0 d-p2 off
         320.0",
        "end trains 1
         end train t1 blocks=p3,p4,p5 heading=p5.b
         never train * parted
         never alarm *",
    );
}

#[test]
fn train_heading_does_not_turn_because_its_tail_flickers() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         20.0 d-p1 off
         21.0 d-p1 on
         22.0 d-p1 off
         30.0",
        "never train t1 turned-back
         end train t1 heading=p2.b",
    );
}

#[test]
fn train_heading_turns_when_its_tail_extends() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p3 on
         12.0 d-p2 off
         30.0 d-p2 on
         40.0",
        "30.0 train t1 entered p2
         end train t1 heading=p2.a
         end trains 1",
    );
}

#[test]
fn train_round_a_ring_does_not_meet_itself() {
    let mut story = String::from("0.0 all off\n 5.0 d-p1 on\n");
    for lap in 0..2 {
        for place in 1..=4 {
            let at = 10 + lap * 40 + (place - 1) * 10;
            let next = place % 4 + 1;
            story += &format!("{at}.0 d-p{next} on\n {}.0 d-p{place} off\n", at + 3);
        }
    }
    check(
        &ring(4, "", ""),
        &(story + "95.0"),
        "end trains 1
         end train t1 blocks=p1 heading=p1.b
         never alarm *",
    );
}

#[test]
fn train_as_long_as_the_ring_is_in_no_place_twice() {
    // Its head comes into what its tail was only leaving, within the release time.
    check(
        &ring(3, "", ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         16.0 d-p1 off
         16.3 d-p1 on
         20.0 d-p2 off
         25.0 d-p3 off
         35.0",
        "16.3 train t1 entered p1 blocks=p2,p3,p1
         20.0..21.5 train t1 vacated p2 blocks=p3,p1
         25.0..26.5 train t1 vacated p3 blocks=p1
         end block p1 occupied trains=t1
         end train t1 heading=p1.b blocks=p1
         end trains 1",
    );
}

#[test]
fn train_whose_head_was_taken_away_stands_where_it_seemed_to_leave() {
    // The operator's word about the place of its head, while its tail's place is being released.
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         12.2 d-p2 off
         12.3 do empty p2
         12.4",
        "end train t1 blocks=p1
         end trains 1",
    );
}

#[test]
fn train_two_in_one_place_are_ordered_from_a_to_b() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         27.0 d-p2 off
         60.0",
        "28.5 block p2 vacant
         end block p3 occupied trains=t2,t1",
    );
}

#[test]
fn train_goes_where_the_points_lead() {
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 all off; w1 normal
         10.0 d-far on
         15.0 d-west on
         17.0 d-far off
         25.0 d-east on
         27.0 d-west off
         40.0",
        "25.0 train t1 entered east
         end train t1 blocks=east heading=east.b",
    );
    check(
        &junction(Watch::Covered, "", ""),
        "0.0 all off; w1 reverse
         10.0 d-far on
         15.0 d-west on
         17.0 d-far off
         25.0 d-east on
         40.0",
        "25.0..25.5 train t2 new east
         end train t1 blocks=west",
    );
}

#[test]
fn train_does_not_go_from_leg_to_leg() {
    // East and side are the two legs of w1: nothing runs from one to the other, wherever the
    // points lie.
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off
         10.0 d-east on
         30.0 d-side on
         32.0 d-east off
         60.0",
        "30.0..30.5 train t2 new side
         33.5 block east lost
         end trains 2",
    );
}

#[test]
fn train_keeps_to_its_line_where_two_pass_a_crossover_side_by_side() {
    // Each of the two turnouts joins all its neighbours; the points lie straight.
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 normal
         5.0 d-up-1 on
         6.0 d-dn-1 on
         10.0 d-up-2 on
         11.0 d-dn-2 on
         12.0 d-up-1 off; d-dn-1 off
         20.0 d-w3 on
         20.5 d-w4 on
         25.0 d-up-3 on
         25.5 d-dn-3 on
         27.0 d-up-2 off; d-dn-2 off
         29.0 d-w3 off; d-w4 off
         40.0",
        "20.5 train t2 entered w4
         end train t1 blocks=up-3
         end train t2 blocks=dn-3
         end trains 2",
    );
}

#[test]
fn train_that_ran_through_a_place_while_nothing_was_heard_is_that_train() {
    check_until(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         15.0 broker lost
         25.0 broker back
         25.1 d-p4 on; d-p1 off; d-p2 off; d-p3 off; d-p5 off
         30.0",
        "40.0",
        "25.1 train t1 entered p4
         never block p2 lost
         end block p3 vacant
         end train t1 blocks=p4
         end trains 1",
    );
}

/// A train that another has come up to, and that faces it.
const COUPLED: &str = "0.0 all off
     5.0 d-p4 on
     8.0 d-p3 on
     9.0 d-p4 off
     10.0 d-p1 on
     13.0 d-p2 on
     14.0 d-p1 off
     20.0 d-p2 off";

#[test]
fn train_that_is_pushed_on_by_one_that_came_up_to_it_is_not_lost() {
    check(
        &line(5, ""),
        &format!(
            "{COUPLED}
             30.0 d-p4 on
             32.0 d-p3 off
             60.0"
        ),
        "30.0 train t1 entered p4
         33.5 block p3 vacant
         never block p3 lost
         end block p4 occupied trains=t2,t1
         end trains 2",
    );
}

#[test]
fn train_that_is_nearest_to_the_end_is_the_one_that_comes_out() {
    check(
        &line(5, ""),
        &format!(
            "{COUPLED}
             30.0 d-p2 on
             33.0 d-p1 on
             34.0 d-p2 off
             60.0"
        ),
        "30.0 train t2 entered p2
         33.0 train t2 entered p1
         end train t1 blocks=p3
         end train t2 blocks=p1
         end trains 2",
    );
}

#[test]
fn train_that_is_torn_while_its_tail_draws_up_parts_where_it_was_torn() {
    check(
        &line(6, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         6.0 d-p2 on
         7.0 d-p3 on
         8.0 d-p4 on
         9.0 d-p5 on
         10.0 d-p3 off
         11.0 d-p1 off
         30.0",
        "11.5 block p3 vacant
         12.5 block p1 vacant
         end train t1 blocks=p4,p5
         end train t2 blocks=p2",
    );
}
