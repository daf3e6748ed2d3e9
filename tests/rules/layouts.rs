//! Whole evenings in small: several rules at once, on layouts as people build them. All places are
//! invented.

use crate::plans::{Watch, bare, block, crossover, feed, join, junction, plan, ring, row};
use crate::story::{check, check_power_cut};

#[test]
fn layout_one_train_round_a_ring_of_six() {
    let mut story = String::from("keep 0.5\n 0.0 all off\n 4.0 d-p1 on\n");
    for step in 0..18 {
        let place = step % 6 + 1;
        let next = place % 6 + 1;
        let at = 10 + step * 8;
        story += &format!("{at}.2 d-p{next} on\n {}.4 d-p{place} off\n", at + 3);
    }
    check(
        &ring(6, "", "length_mm = 1600"),
        &(story + "156.0"),
        "end trains 1
         end train t1 blocks=p1 sure=true
         end train t1 speed_mm_s=180..220
         never block p1 lost
         never alarm *",
    );
}

#[test]
fn layout_two_trains_close_up_and_part() {
    // The second comes up to the first, which waits in p4; then the first goes on and the second
    // stays.
    check(
        &ring(8, "", ""),
        "keep 0.5
         0.0 all off
         2.0 d-p3 on
         5.0 d-p4 on
         6.0 d-p3 off
         20.0 d-p1 on
         25.0 d-p2 on
         26.0 d-p1 off
         35.0 d-p3 on
         36.0 d-p2 off
         40.0 d-p3 off
         100.0 d-p5 on
         120.0 d-p6 on
         121.0 d-p5 off
         140.0 d-p7 on
         141.0 d-p6 off
         160.0",
        "41.5 block p3 vacant
         at 90: block p4 occupied
         end block p4 occupied trains=t2
         end train t1 blocks=p7
         end train t2 blocks=p4
         end trains 2
         never alarm train-lost:p3
         never alarm train-lost:p4",
    );
}

#[test]
fn layout_a_train_over_a_crossover() {
    check(
        &crossover(""),
        "keep 0.5
         0.0 all off; w3 normal; w4 normal
         10.0 d-up-1 on
         15.0 d-up-2 on
         17.0 d-up-1 off
         20.0 w3 reverse
         21.5 w4 reverse
         30.0 d-w3 on
         33.0 d-w4 on
         35.0 d-up-2 off
         36.0 d-dn-3 on
         38.0 d-w3 off
         41.0 d-w4 off
         50.0 w3 normal; w4 normal
         60.0 d-dn-4 on
         62.0 d-dn-3 off
         90.0",
        "20.15 turnout w3 awaiting
         21.65 turnout w4 awaiting
         30.0 turnout w3 fouled
         33.0 turnout w4 fouled
         36.5 block up-2 vacant
         43.001..43.02 turnout w3 cleared
         46.001..46.02 turnout w4 cleared
         50.15 turnout w3 free
         50.15 turnout w4 free
         end trains 1
         end train t1 blocks=dn-4
         never alarm crossover-split:x1
         never alarm left-diverging:w3
         never alarm moved-under-train:w3
         never alarm moved-under-train:w4",
    );
}

/// The invented branch of the example in the contract: a loop line, a goods siding with a switch
/// of its own, read in milliampere twice a second.
fn wharf() -> String {
    let current = |id: &str, place: &str| {
        format!(
            "[[detector]]\nid = \"{id}\"\nkind = \"current\"\nblock = \"{place}\"\nunit = \"mA\"\n\
             on = 3.0\noff = 1.5\n"
        )
    };
    let mut body = String::new();
    for (id, length) in [
        ("loop-north", 3600),
        ("loop-east", 3200),
        ("loop-south", 3000),
        ("loop-west", 3000),
    ] {
        body += &(bare(id, &format!("length_mm = {length}")) + &current(&format!("d-{id}"), id));
    }
    body +=
        &(bare("goods-1", "length_mm = 2200\nuse = \"siding\"") + &current("d-goods-1", "goods-1"));
    body += &join("loop-north.b", "loop-east.a");
    body += &join("loop-east.b", "loop-south.a");
    body += &join("loop-west.b", "loop-north.a");
    body += "[[turnout]]\nid = \"w1\"\ntoe = \"loop-south.b\"\nnormal = \"loop-west.a\"\n\
             reverse = \"goods-1.a\"\ncovered_by = \"loop-south\"\n";
    body += &feed("goods-1-power", "[\"goods-1\"]", "rest = \"off\"");
    plan(&body)
}

/// A goods train of one engine runs from the east into the siding, is switched off there, and the
/// points are forgotten.
const GOODS_IN: &str = "keep 0.5
    0.0 all 0.3 mA; goods-1-power on; w1 normal
    10.0 d-loop-east 14 mA
    20.0 w1 reverse
    26.0 d-loop-south 15 mA
    29.0 d-loop-east 0.3 mA
    44.0 d-goods-1 14 mA
    47.0 d-loop-south 0.4 mA
    60.0 goods-1-power off; d-goods-1 0 mA";

#[test]
fn layout_points_left_diverging_behind_a_goods_train() {
    check(
        &wharf(),
        &format!("{GOODS_IN}\n 90.0"),
        "26.0 turnout w1 fouled
         48.5 block loop-south vacant
         52.0..53.6 turnout w1 cleared
         62.0..63.7 alarm left-diverging:w1 unacknowledged medium
         60.0 block goods-1 dark was=occupied kept=occupied
         end block goods-1 dark kept=occupied trains=t1
         end turnout w1 left-diverging position=reverse
         end trains 1
         end ready false
         end exception w1 stops
         never alarm bound-for-diverging:w1
         never alarm train-lost:goods-1
         never alarm moved-under-train:w1",
    );
}

#[test]
fn layout_the_next_train_is_bound_for_the_points_that_were_left() {
    check(
        &wharf(),
        &format!(
            "{GOODS_IN}
             100.0 d-loop-north 16 mA
             115.0 d-loop-east 16 mA
             118.0 d-loop-north 0.3 mA
             131.0 d-loop-south 16 mA
             134.0 d-loop-east 0.3 mA
             136.0 w1 normal
             140.0"
        ),
        "115.0..131.6 alarm bound-for-diverging:w1 unacknowledged high
         136.0..136.2 turnout w1 position=normal
         once block goods-1 dark kept=occupied
         end block goods-1 dark kept=occupied
         end train t2 blocks=loop-south
         end trains 2",
    );
}

#[test]
fn layout_the_goods_train_comes_out_again() {
    check(
        &wharf(),
        &format!(
            "{GOODS_IN}
             75.0 w1 normal
             300.0 goods-1-power on; d-goods-1 14 mA
             320.0 w1 reverse
             330.0 d-loop-south 15 mA
             340.0 d-goods-1 0.3 mA
             350.0 d-loop-east 15 mA
             355.0 d-loop-south 0.3 mA
             362.0 w1 normal
             380.0 goods-1-power off
             400.0"
        ),
        "300.5..301.1 block goods-1 occupied was=dark
         341.5 block goods-1 vacant
         356.5 block loop-south vacant
         never block goods-1 lost
         never alarm power-where-off:goods-1
         never alarm moved-under-train:w1
         never alarm set-against:w1
         380.0 block goods-1 dark kept=vacant
         end train t1 blocks=loop-east
         end trains 1",
    );
}

#[test]
fn layout_a_booster_trips_under_three_trains() {
    let ids = ["p1", "p2", "p3", "p4", "p5", "p6", "q1", "q2"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    let district = feed(
        "east",
        "[\"p1\", \"p2\", \"p3\", \"p4\", \"p5\", \"p6\"]",
        "",
    );
    check(
        &plan(&(body + &row(&ids) + &district + &feed("west", "[\"q1\", \"q2\"]", ""))),
        "keep 0.1
         0.0 all off; east on; west on
         3.0 d-p1 on
         4.0 d-p3 on
         5.0 d-p5 on
         6.0 d-q2 on
         100.00 d-p1 off
         100.12 d-p5 off
         100.25 d-p3 off
         160.0 d-p1 on; d-p3 on; d-p5 on
         260.0",
        "100.25 feed east failed
         100.25 block p1 dark kept=occupied
         100.25 block p3 dark kept=occupied
         100.25 block p5 dark kept=occupied
         100.25..100.4 alarm power-lost:east unacknowledged high
         once alarm power-lost:east unacknowledged
         never alarm train-lost:p1
         never alarm train-lost:p3
         never alarm train-lost:p5
         never alarm power-lost:west
         never block q2 dark
         160.0..160.8 block p1 occupied was=dark
         160.3..161.0 alarm power-lost:east returned-unacknowledged
         end block p1 trains=t1
         end block p3 trains=t2
         end block p5 trains=t3
         end trains 4",
    );
}

#[test]
fn layout_a_train_drops_out_while_it_moves() {
    check(
        &ring(6, "", "length_mm = 2000"),
        "keep 0.5
         0.0 all off
         2.0 d-p1 on
         10.0 d-p2 on
         13.0 d-p1 off
         20.0 d-p3 on
         21.0 d-p2 off
         24.0 d-p3 off
         27.0 d-p3 on
         30.0 d-p4 on
         33.0 d-p3 off
         40.0",
        "25.5 block p3 lost
         27.0 block p3 occupied was=lost
         end train t1 blocks=p4
         end trains 1
         never alarm *",
    );
}

#[test]
fn layout_onto_a_turntable_and_into_a_dead_stub() {
    let body = block("lead", "")
        + &block("bridge", "")
        + &block("s1", "use = \"stub\"")
        + &block("s2", "use = \"stub\"");
    let table = "[[table]]\nid = \"tt\"\nbridge = \"bridge\"\n\
                 [[table.stop]]\nat = \"1\"\na = \"lead.b\"\nb = \"s1.a\"\n\
                 [[table.stop]]\nat = \"2\"\nb = \"s2.a\"\n";
    let power =
        feed("f1", "[\"s1\"]", "via = \"tt.1\"") + &feed("f2", "[\"s2\"]", "via = \"tt.2\"");
    check(
        &plan(&(body + table + &power)),
        "keep 0.1
         0.0 all off; tt 1
         10.0 d-lead on
         20.0 d-bridge on
         25.0 d-lead off
         40.0 tt between
         48.0 tt 2
         60.0 d-s2 on
         65.0 d-bridge off
         80.0 tt between; d-s2 off
         90.0 tt 1
         120.0",
        "26.5 block lead vacant
         60.0 block s2 occupied
         66.5 block bridge vacant
         80.0..80.2 block s2 dark kept=occupied
         never alarm moved-under-train:tt
         never alarm train-lost:s2
         end block s2 dark kept=occupied trains=t1
         end trains 1",
    );
}

#[test]
fn layout_gap_wheels_light_both_sides_again_and_again() {
    let mut story = String::from("keep 0.5\n 0.0 all off\n 5.0 d-p2 on\n");
    for second in 10..40 {
        story += &format!("{second}.1 d-p3 on\n {second}.3 d-p3 off\n");
    }
    check(
        &ring(6, "", ""),
        &(story + "60.0"),
        "end trains 1
         end train t1 blocks=p2
         end block p3 vacant
         end block p2 occupied
         never block p3 lost
         never alarm train-lost:p3",
    );
}

#[test]
fn layout_a_train_turns_back_at_the_junction() {
    check(
        &junction(Watch::Section, "", ""),
        "keep 0.5
         0.0 all off; w1 normal
         5.0 d-far on
         10.0 d-west on
         12.0 d-far off
         20.0 d-w1 on
         25.0 d-w1 off
         40.0 d-far on
         45.0 d-west off
         70.0",
        "20.0 turnout w1 fouled
         30.001..30.01 turnout w1 free
         46.5 block west vacant
         end train t1 blocks=far
         end trains 1
         never alarm moved-under-train:w1",
    );
}

/// Two tracks with a double crossover between them; covered by the block at each turnout's track
/// end.
fn double_crossover() -> String {
    let ids = [
        "outer-0", "outer-1", "outer-2", "inner-1", "inner-2", "inner-3",
    ];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    plan(
        &(body
            + &row(&["outer-0", "outer-1"])
            + &row(&["inner-2", "inner-3"])
            + "[[double_crossover]]\nid = \"dx\"\na = [\"outer-1.b\", \"outer-2.a\"]\n\
               b = [\"inner-1.b\", \"inner-2.a\"]\n"),
    )
}

#[test]
fn layout_a_train_over_a_double_crossover() {
    check(
        &double_crossover(),
        "keep 0.5
         0.0 all off; dx-a1 normal; dx-a2 normal; dx-b1 normal; dx-b2 normal
         10.0 d-outer-0 on
         15.0 d-outer-1 on
         17.0 d-outer-0 off
         20.0 dx-a1 reverse; dx-b2 reverse
         30.0 d-inner-2 on
         35.0 d-outer-1 off
         45.0 d-inner-3 on
         50.0 d-inner-2 off
         58.0 dx-a1 normal; dx-b2 normal
         80.0",
        "15.0 turnout dx-a1 fouled
         30.0 turnout dx-b2 fouled
         30.0 train t1 entered inner-2
         36.5 block outer-1 vacant
         40.0..41.6 turnout dx-a1 cleared
         55.0..56.6 turnout dx-b2 cleared
         end trains 1
         end train t1 blocks=inner-3
         never turnout dx-b1 cleared
         never alarm crossover-split:dx-ab
         never alarm crossover-split:dx-ba
         never alarm moved-under-train:dx-b2",
    );
}

#[test]
fn layout_a_double_crossover_with_one_end_forgotten() {
    check(
        &double_crossover(),
        "0.0 all off; dx-a1 normal; dx-a2 normal; dx-b1 normal; dx-b2 normal
         20.0 dx-a1 reverse
         30.0",
        "23.15..23.2 alarm crossover-split:dx-ab unacknowledged medium
         never alarm crossover-split:dx-ba",
    );
}

#[test]
fn layout_two_over_a_double_crossover_at_once() {
    // One train stands across the diamond on one diagonal; the other is set for the other
    // diagonal.
    check(
        &double_crossover(),
        "0.0 all off; dx-a1 reverse; dx-a2 reverse; dx-b1 reverse; dx-b2 reverse
         10.0 d-outer-0 on
         15.0 d-outer-1 on
         17.0 d-outer-0 off
         30.0 d-inner-2 on
         40.0 d-outer-2 on
         60.0",
        "30.0 train t1 entered inner-2
         end train t1 blocks=outer-1,inner-2
         end trains 2",
    );
}

/// The end of an evening: the goods train stands in its siding, the passenger train in the west;
/// the siding's switch goes off, then the nodes lose their power one after the other, then the
/// computer.
const END_OF_THE_EVENING: &str = "0.0 n1 online; all 0.3 mA; goods-1-power on; w1 normal
    10.0 d-loop-east 14 mA
    12.0 do name t1 {\"name\":\"Coal\"}
    20.0 w1 reverse
    26.0 d-loop-south 15 mA
    29.0 d-loop-east 0.3 mA
    44.0 d-goods-1 14 mA
    47.0 d-loop-south 0.4 mA
    55.0 w1 normal
    60.0 goods-1-power off; d-goods-1 0 mA
    70.0 d-loop-west 20 mA
    72.0 do name t2 {\"name\":\"Mail\"}
    80.0";

fn wharf_on_a_node() -> String {
    wharf().replace("off = 1.5\n", "off = 1.5\nnode = \"n1\"\n") + "[[node]]\nid = \"n1\"\n"
}

#[test]
fn layout_everything_is_switched_off_and_the_next_evening_begins() {
    let sampled = format!("keep 0.5\n{END_OF_THE_EVENING}");
    check_power_cut(
        &wharf_on_a_node(),
        &sampled,
        "keep 0.5
         0.0 n1 online
         2.5 all 0.3 mA; d-loop-west 20 mA; d-goods-1 0 mA
         3.0 w1 normal
         30.0",
        "never block goods-1 vacant
         never block goods-1 lost
         never block loop-west lost
         never alarm train-lost:*
         never alarm unannounced:*
         end block goods-1 dark kept=occupied trains=t1
         end train t1 name=Coal blocks=goods-1
         end block loop-west occupied remembered=false trains=t2
         end train t2 name=Mail blocks=loop-west
         end block loop-east vacant remembered=false
         end turnout w1 free
         end trains 2",
    );
}

#[test]
fn layout_the_nodes_die_before_the_computer() {
    let nodes_first = format!("{END_OF_THE_EVENING}\n 81.0 n1 offline\n 95.0");
    check_power_cut(
        &wharf_on_a_node().replace("unit = \"mA\"\n", "unit = \"mA\"\nmax_silence_s = 0\n"),
        &nodes_first,
        "0.0
         300.0",
        "never block *
         end block goods-1 dark kept=occupied remembered=true trains=t1
         end block loop-west unknown kept=occupied remembered=true trains=t2
         end block loop-east unknown kept=vacant remembered=true
         end trains 2
         end ready false",
    );
}

#[test]
fn layout_a_stalled_train_is_lost_and_found_by_the_next() {
    // A train derails out of sight: its engine loses contact. Nothing says that the place is free.
    check(
        &ring(8, "", ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         25.0 d-p3 off
         50.0 d-p7 on
         55.0 d-p8 on
         57.0 d-p7 off
         65.0 d-p1 on
         67.0 d-p8 off
         75.0 d-p2 on
         77.0 d-p1 off
         80.0",
        "26.5 block p3 lost
         31.5 alarm train-lost:p3 unacknowledged high
         between 26.6 and 80: no block p3 *
         75.0 alarm occupied-ahead:t2 unacknowledged
         end block p3 lost trains=t1
         end train t2 blocks=p2
         end trains 2",
    );
}

#[test]
fn layout_a_train_out_of_a_fiddle_track_and_back() {
    let body = block("fiddle", "fiddle = true\nuse = \"yard\"")
        + &block("p1", "")
        + &block("p2", "")
        + &row(&["fiddle", "p1", "p2"]);
    check(
        &plan(&body),
        "0.0 all off
         100.0 d-fiddle on
         120.0 d-p1 on
         125.0 d-fiddle off
         140.0 d-fiddle on
         145.0 d-p1 off
         200.0 d-fiddle off
         300.0",
        "never alarm unannounced:fiddle
         126.5 block fiddle vacant
         146.5 block p1 vacant
         201.5 block fiddle unknown
         231.5 block fiddle vacant
         never alarm train-lost:*
         end trains 0",
    );
}
