//! Section 5 of DEVELOPERS.md: what stops a train on the road that is set for it, and when it is
//! said.

use crate::plans::{Watch, block, feed, junction, line, measured_line, plan, row, section};
use crate::story::check;

#[test]
fn ahead_without_a_speed_the_next_place_is_warned_of_at_once() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p5 on
         10.0 d-p2 on
         20.0 d-p3 on
         22.0 d-p2 off
         30.0 d-p4 on
         40.0",
        "between 0 and 29.9: no alarm occupied-ahead:t2
         30.0 alarm occupied-ahead:t2 unacknowledged medium
         end train t2 ahead.what=occupied-ahead ahead.at=p5 ahead.seconds=null",
    );
}

#[test]
fn ahead_returns_when_the_place_is_free() {
    check(
        &line(7, ""),
        "0.0 all off
         5.0 d-p5 on
         10.0 d-p2 on
         20.0 d-p3 on
         22.0 d-p2 off
         30.0 d-p4 on
         32.0 d-p3 off
         40.0 d-p6 on
         42.0 d-p5 off
         60.0",
        "30.0 alarm occupied-ahead:t2 unacknowledged
         once alarm occupied-ahead:t2 unacknowledged
         43.5 alarm occupied-ahead:t2 returned-unacknowledged",
    );
}

#[test]
fn ahead_returns_when_the_train_stops() {
    check(
        &line(7, ""),
        "0.0 all off
         5.0 d-p5 on
         10.0 d-p2 on
         20.0 d-p3 on
         22.0 d-p2 off
         30.0 d-p4 on
         32.0 d-p3 off
         120.0",
        "30.0 alarm occupied-ahead:t2 unacknowledged
         90.0..90.2 alarm occupied-ahead:t2 returned-unacknowledged",
    );
}

#[test]
fn ahead_with_a_speed_it_is_said_when_the_seconds_fall_short() {
    // 100 mm/s, entered p3 at 20.0; p6 holds a train: three places ahead, 30 s from the entry.
    check(
        &measured_line(8, ""),
        "0.0 all off
         2.0 d-p6 on
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         31.0 d-p4 on
         33.0 d-p3 off
         45.0",
        "between 0 and 24: no alarm occupied-ahead:t2
         24.0..36.0 alarm occupied-ahead:t2 unacknowledged medium
         end train t2 ahead.what=occupied-ahead ahead.at=p6",
    );
}

#[test]
fn ahead_beyond_the_look_ahead_nothing_is_said() {
    check(
        &measured_line(8, "[defaults]\nlook_ahead_s = 5\n"),
        "0.0 all off
         2.0 d-p6 on
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         30.0 d-p4 on
         31.0",
        "never alarm occupied-ahead:t2
         end train t2 blocks=p3,p4 speed_mm_s=95..105",
    );
}

#[test]
fn ahead_a_lost_or_kept_train_stops_too() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p4 on
         8.0 d-p4 off
         20.0 d-p2 on
         30.0 d-p3 on
         40.0",
        "9.5 block p4 lost
         30.0 alarm occupied-ahead:t2 unacknowledged",
    );
    let ids = ["p1", "p2", "p3", "p4"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(body + &row(&ids) + &feed("f4", "[\"p4\"]", ""))),
        "0.0 all off; f4 on
         5.0 d-p4 on
         8.0 f4 off; d-p4 off
         20.0 d-p2 on
         30.0 d-p3 on
         40.0",
        "8.0 block p4 dark kept=occupied
         30.0 alarm occupied-ahead:t2 unacknowledged",
    );
}

#[test]
fn ahead_two_that_face_each_other_are_opposing() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p6 on
         10.0 d-p1 on
         15.0 d-p5 on
         16.0 d-p6 off
         20.0 d-p2 on
         21.0 d-p1 off
         30.0 d-p4 on
         31.0 d-p5 off
         40.0 d-p3 on
         45.0",
        "40.0 alarm opposing:t2 unacknowledged high
         between 40 and 45: alarm opposing:* high
         never alarm occupied-ahead:t2",
    );
}

#[test]
fn ahead_two_that_follow_each_other_are_not_opposing() {
    check(
        &line(7, ""),
        "0.0 all off
         5.0 d-p3 on
         10.0 d-p4 on
         11.0 d-p3 off
         15.0 d-p1 on
         20.0 d-p2 on
         21.0 d-p1 off
         30.0 d-p3 on
         31.0 d-p2 off
         40.0",
        "30.0 alarm occupied-ahead:t2 unacknowledged medium
         never alarm opposing:t2
         never alarm opposing:t1",
    );
}

#[test]
fn ahead_the_points_are_fouled_by_another_train() {
    // The first train stops on the points, half in the side; the second follows it.
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         5.0 d-west on
         10.0 d-w1 on
         15.0 d-side on
         20.0 d-west off
         40.0 d-far on
         50.0 d-west on
         55.0",
        "50.0 alarm fouled-ahead:t2 unacknowledged high",
    );
}

#[test]
fn ahead_the_track_ends() {
    check(
        &line(4, ""),
        "0.0 all off
         70.0 d-p3 on
         80.0 d-p4 on
         85.0",
        "80.0 alarm no-road:p4 unacknowledged high",
    );
}

#[test]
fn ahead_dark_track() {
    let ids = ["p1", "p2", "p3", "p4", "p5"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(body + &row(&ids) + &feed("f4", "[\"p4\"]", ""))),
        "0.0 all off; f4 on
         5.0 f4 off
         20.0 d-p2 on
         30.0 d-p3 on
         40.0 f4 on
         40.6 d-p4 off
         50.0",
        "5.0 block p4 dark kept=vacant
         30.0 alarm dark-ahead:t1 unacknowledged medium
         40.0..42.1 alarm dark-ahead:t1 returned-unacknowledged",
    );
}

#[test]
fn ahead_in_sidings_standing_stock_and_dark_track_are_what_they_are_for() {
    check(
        &junction(Watch::Covered, "", "rest = \"none\""),
        "0.0 all off; w1 reverse
         5.0 d-spur on
         20.0 d-far on
         30.0 d-west on
         32.0 d-far off
         40.0 d-side on
         42.0 d-west off
         60.0",
        "40.0 train t2 entered side
         never alarm occupied-ahead:t2
         never alarm opposing:t2
         never alarm no-road:spur",
    );
}

#[test]
fn ahead_a_place_that_is_not_known_is_walked_through() {
    check(
        &line(5, ""),
        "0.0 d-p1 off; d-p2 off; d-p3 off; d-p5 off
         20.0 d-p2 on
         30.0 d-p3 on
         40.0",
        "end block p4 unknown
         never alarm *",
    );
}

#[test]
fn ahead_what_a_train_does_not_fit_into() {
    // Measured at 100 mm/s: the tail leaves 12 s after the head: 1200 mm. The stub beyond the
    // points is 800 mm long: the tail would stay on points whose rest is normal.
    let lengths: String = ["a1", "a2", "a3", "a4"]
        .iter()
        .map(|id| block(id, "length_mm = 1000"))
        .collect();
    let rest =
        block("short", "length_mm = 800\nuse = \"stub\"") + &block("main", "length_mm = 3000");
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"a4.b\"\nnormal = \"main.a\"\nreverse = \"short.a\"\n";
    let plan = plan(&(lengths + &rest + &row(&["a1", "a2", "a3", "a4"]) + turnout));
    let story = |points: &str| {
        format!(
            "0.0 all off; w1 {points}
             10.0 d-a1 on
             20.0 d-a2 on
             30.0 d-a3 on
             32.0 d-a1 off
             40.0 d-a4 on
             42.0 d-a2 off
             49.0"
        )
    };
    check(
        &plan,
        &story("reverse"),
        "20.0..49.0 alarm will-not-fit:t1 unacknowledged medium
         never alarm no-road:short",
    );
    check(
        &plan,
        &story("normal"),
        "40.0 train t1 entered a4
         never alarm will-not-fit:t1",
    );
}

/// 100 mm/s, in p3 from 20.0 on: it should have left by 32.5, and has stopped at 40.
fn something_comes_to_p5_at(second: &str) -> String {
    format!(
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         22.0 d-p2 off
         {second} d-p5 on
         60.0"
    )
}

#[test]
fn ahead_a_train_that_should_have_left_its_place_is_warned_of_nothing_new() {
    check(
        &measured_line(8, ""),
        &something_comes_to_p5_at("34.0"),
        "never alarm occupied-ahead:t1
         end train t1 blocks=p3",
    );
    check(
        &measured_line(8, ""),
        &something_comes_to_p5_at("30.0"),
        "30.0 alarm occupied-ahead:t1 unacknowledged medium
         40.0..40.2 alarm occupied-ahead:t1 returned-unacknowledged",
    );
}

/// `a0 - a1 - a2 - [k1] - a3` and `b0 - b1 - b2 - [k1] - b3`, each place 1000 mm long, the crossing
/// with a detector.
fn crossing() -> String {
    let tracks = [["a0", "a1", "a2", "a3"], ["b0", "b1", "b2", "b3"]];
    let blocks = tracks.iter().flatten();
    let mut body: String = blocks.map(|id| block(id, "length_mm = 1000")).collect();
    for track in tracks {
        body += &row(&track[..3]);
    }
    body += "[[crossing]]\nid = \"k1\"\n\
         first = [\"a2.b\", \"a3.a\"]\nsecond = [\"b2.b\", \"b3.a\"]\n\
         [[detector]]\nid = \"d-k1\"\nkind = \"current\"\ncrossing = \"k1\"\nmax_silence_s = 0\n";
    plan(&body)
}

/// t2 comes to the crossing at this second; t1 comes at 50 mm/s into a2 at 100, from where the
/// crossing is 20 s away, 16.7 at the soonest.
fn comes_to_a_held_crossing(at: u32) -> String {
    format!(
        "0.0 all off
         5.0 d-b1 on
         {}.0 d-b2 on
         {}.0 d-b1 off
         {at}.0 d-k1 on
         {}.0 d-b2 off
         60.0 d-a0 on
         80.0 d-a1 on
         82.0 d-a0 off
         100.0 d-a2 on
         102.0 d-a1 off
         112.0",
        at - 10,
        at - 8,
        at + 2
    )
}

#[test]
fn ahead_a_crossing_on_which_another_stands_is_warned_of_as_soon_as_anything() {
    check(
        &crossing(),
        &comes_to_a_held_crossing(25),
        "100.0 alarm fouled-ahead:t2 unacknowledged high",
    );
}

#[test]
fn ahead_a_crossing_that_another_runs_over_is_warned_of_when_it_is_time_to_stop() {
    check(
        &crossing(),
        &comes_to_a_held_crossing(78),
        "between 100 and 103.8: no alarm fouled-ahead:t2 unacknowledged
         103.9..104.0 alarm fouled-ahead:t2 unacknowledged high",
    );
}

/// Points have a length only where the plan gives one; a train on them is told all the same.
#[test]
fn ahead_of_a_train_on_points_is_seen_whether_or_not_their_length_is_known() {
    let body: String = ["a1", "a2", "a3", "a4", "side"]
        .iter()
        .map(|id| block(id, "length_mm = 1000"))
        .collect();
    let points = "[[turnout]]\nid = \"w1\"\ntoe = \"a2.b\"\nnormal = \"a3.a\"\n\
                  reverse = \"side.a\"\n";
    let plan = plan(&(body + &row(&["a1", "a2"]) + &row(&["a3", "a4"]) + points + &section("w1")));
    check(
        &plan,
        "0.0 all off; w1 normal
         60.0 d-a1 on
         70.0 d-a2 on
         72.0 d-a1 off
         80.0 d-w1 on
         81.0 d-a4 on
         82.0 d-a3 on
         90.0",
        "81.0 alarm occupied-ahead:t1 unacknowledged",
    );
}

/// The first train runs 100 mm/s, and has come into p3.
const RUNS_INTO_P3: &str = "0.0 all off
     1.0 d-p1 on
     11.0 d-p2 on
     13.0 d-p1 off
     21.0 d-p3 on
     23.0 d-p2 off";

#[test]
fn ahead_a_train_that_was_only_seen_to_wait_may_be_as_fast_as_the_fastest() {
    // The first runs 100 mm/s, and stands in p4 and then in p5. The second waits in p3, 40 s for a
    // metre, until p4 is free; it comes to p5 in 10 s if it goes like the first, in 40 s if not.
    check(
        &measured_line(8, ""),
        &format!(
            "{RUNS_INTO_P3}
             31.0 d-p4 on
             33.0 d-p3 off
             40.0 d-p2 on
             50.0 d-p3 on
             52.0 d-p2 off
             76.0 d-p5 on
             78.0 d-p4 off
             90.0 d-p4 on
             92.0 d-p3 off
             92.5"
        ),
        "50.0 alarm occupied-ahead:t2 unacknowledged medium
         79.5 alarm occupied-ahead:t2 returned-unacknowledged
         between 79.6 and 89.9: no alarm occupied-ahead:t2
         90.0..90.2 alarm occupied-ahead:t2 unacknowledged medium
         end train t2 ahead.at=p5 speed_mm_s=25",
    );
}

/// Both run 100 mm/s, a place apart; the first comes into p5 at 41, the second into p4 at 51.2.
fn follows_a_place_behind(then: &str) -> String {
    format!(
        "{RUNS_INTO_P3}
         26.0 d-p1 on
         31.0 d-p4 on
         31.2 d-p2 on
         33.0 d-p3 off
         33.2 d-p1 off
         41.0 d-p5 on
         41.2 d-p3 on
         43.0 d-p4 off
         43.2 d-p2 off
         {then}"
    )
}

#[test]
fn ahead_a_train_that_should_be_out_of_a_place_is_not_counted_on_to_go() {
    // Out of p5 at 51; the second comes there at 61.2, long after the first would have been gone.
    check(
        &measured_line(8, ""),
        &follows_a_place_behind(
            "51.2 d-p4 on
             53.2 d-p3 off
             57.0",
        ),
        "between 35 and 51.9: no alarm occupied-ahead:t2
         52.0..52.5 alarm occupied-ahead:t2 unacknowledged medium",
    );
    check(
        &measured_line(8, ""),
        &follows_a_place_behind(
            "51.0 d-p6 on
             51.2 d-p4 on
             53.0 d-p5 off
             53.2 d-p3 off
             57.0",
        ),
        "between 35 and 57: no alarm occupied-ahead:t2",
    );
}

/// t1 leaves p5 at 28.7, t2 comes, and would be there at 39.3.
const LEAVES_LATE: &str = "0.0 all off
     2.0 d-p3 on
     6.0 d-p1 on
     8.7 d-p4 on
     11.3 d-p3 off
     14.3 d-p2 on
     15.3 d-p5 on
     16.0 d-p1 off
     18.0 d-p4 off
     22.7 d-p3 on
     24.3 d-p2 off
     26.0 d-p6 on
     28.7 d-p5 off";

#[test]
fn ahead_no_warning_begins_for_what_all_have_left() {
    check(
        &measured_line(8, ""),
        &format!("{LEAVES_LATE}\n 31.0 d-p4 on\n 32.0"),
        "30.2 block p5 vacant
         never alarm occupied-ahead:t2",
    );
}

#[test]
fn ahead_what_seemed_to_be_left_and_is_not_is_warned_of() {
    check(
        &measured_line(8, ""),
        &format!("{LEAVES_LATE}\n 29.5 d-p5 on\n 35.0"),
        "never block p5 vacant was=occupied
         29.5..30.3 alarm occupied-ahead:t2 unacknowledged",
    );
}

#[test]
fn ahead_what_all_have_left_and_is_not_released_is_warned_of() {
    let body = (1..=8).map(|n| block(&format!("p{n}"), "length_mm = 1000"));
    let body = body.collect::<String>() + &row(&["p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"]);
    // Dark in its release, it keeps what it held.
    check(
        &plan(&(body.clone() + &feed("f5", "[\"p5\"]", ""))),
        &format!("0.0 f5 on\n {LEAVES_LATE}\n 29.0 f5 off\n 32.0"),
        "29.0 block p5 dark kept=occupied
         29.0..29.2 alarm occupied-ahead:t2 unacknowledged",
    );
    // On a throttle whose voltage is not known its `off` proves nothing without a train next door.
    check(
        &plan(&(body + &feed("f5", "[\"p5\"]", "supply = \"throttle\""))),
        &format!("0.0 f5 on\n {LEAVES_LATE}\n 28.9 d-p6 off\n 32.0"),
        "never block p5 vacant was=occupied
         30.2..30.3 alarm occupied-ahead:t2 unacknowledged",
    );
}

#[test]
fn ahead_what_is_not_released_before_the_train_comes_is_warned_of() {
    // The points show only at 32.95 where the road goes: to p5, which is released at 34.2.
    let long = |id: &str| block(id, "length_mm = 1000");
    let body = ["p1", "p2", "p3", "p4", "p5", "p6", "p7", "p8"]
        .map(long)
        .concat();
    let body = body
        + &block("spur", "")
        + &row(&["p1", "p2", "p3", "p4"])
        + &row(&["p5", "p6", "p7", "p8"]);
    let body = body
        + "[[turnout]]\nid = \"w1\"\ntoe = \"p4.b\"\nnormal = \"p5.a\"\nreverse = \"spur.a\"\n";
    for (comes, then) in [
        (26.0, "32.95..33.2 alarm occupied-ahead:t1 unacknowledged"),
        (31.0, "between 32.8 and 36: no alarm occupied-ahead:t2"),
    ] {
        // At 125 mm/s: it is in p5 eight seconds later.
        let at = |before: f64| comes - before;
        check(
            &plan(&body),
            &format!(
                "0.0 all off
                 6.0 d-p3 on
                 {:.1} d-p1 on
                 12.7 d-p4 on
                 15.3 d-p3 off
                 {:.1} d-p2 on
                 19.3 d-p5 on
                 {:.1} d-p1 off
                 22.0 d-p4 off
                 {:.1} d-p3 on
                 {:.1} d-p2 off
                 {comes:.1} d-p4 on
                 30.0 d-p6 on
                 32.7 d-p5 off
                 32.8 w1 normal
                 37.0",
                at(24.0),
                at(16.0),
                at(14.0),
                at(8.0),
                at(6.0),
            ),
            then,
        );
    }
}
