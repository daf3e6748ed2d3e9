//! Section 4 of DEVELOPERS.md, what is measured and told: speed, length, stopping, parting, and
//! what the operator says of a place.

use crate::plans::{bare, block, detector, feed, line, measured_line, plan, row};
use crate::story::check;

#[test]
fn train_unannounced_after_the_start() {
    check(
        &line(3, ""),
        "0.0 all off
         59.0 d-p1 on
         100.0 d-p3 on
         200.0",
        "never alarm unannounced:p1
         100.0 alarm unannounced:p3 unacknowledged low
         160.0 alarm unannounced:p3 returned-unacknowledged",
    );
}

#[test]
fn train_unannounced_until_it_is_named() {
    check(
        &line(3, ""),
        "0.0 all off
         100.0 d-p3 on
         120.0 do name t1 {\"name\":\"Local\"}
         200.0",
        "100.0 alarm unannounced:p3 unacknowledged
         120.0 alarm unannounced:p3 returned-unacknowledged
         end train t1 name=Local",
    );
}

#[test]
fn train_by_hand_where_stock_comes_and_goes() {
    let body = block("p1", "fiddle = true") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&body),
        "0.0 all off
         100.0 d-p1 on
         150.0 d-p1 off
         300.0",
        "never alarm unannounced:p1
         151.5 block p1 unknown was=occupied
         181.5 block p1 vacant was=unknown
         never block p1 lost
         never alarm train-lost:p1",
    );
}

#[test]
fn train_speed_comes_from_entries_and_lengths() {
    // 1000 mm in 10 s. Scale speed (own arithmetic; 60 scale mph
    // are 307.9 mm/s in HO): 100 mm/s x 87.1 = 31.4 km/h.
    check(
        &measured_line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p3 on
         21.0",
        "end train t1 speed_mm_s=95..105
         end train t1 scale_kmh=29.5..33",
    );
}

#[test]
fn train_speed_is_not_known_without_lengths() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         20.0 d-p3 on
         21.0",
        "end train t1 speed_mm_s=null scale_kmh=null length_mm=null",
    );
}

#[test]
fn train_length_comes_from_entry_exit_and_speed() {
    // At 100 mm/s the tail leaves p1 and p2 five seconds after the head entered the next: 500 mm.
    check(
        &measured_line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p1 off
         20.0 d-p3 on
         25.0 d-p2 off
         30.0 d-p4 on
         35.0 d-p3 off
         36.0",
        "end train t1 length_mm=350..650",
    );
}

#[test]
fn train_has_stopped_when_it_does_not_come() {
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         69.0",
        "end train t1 stopped=false",
    );
    check(
        &line(5, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         71.0",
        "end train t1 stopped=true heading=p2.b",
    );
}

#[test]
fn train_has_stopped_by_its_speed() {
    // 100 mm/s: p4 is expected at 30.0; 1.5 times 10 s and 5 s more are over at 40.0.
    let story = |end: &str| {
        format!(
            "0.0 all off
             5.0 d-p1 on
             10.0 d-p2 on
             12.0 d-p1 off
             20.0 d-p3 on
             22.0 d-p2 off
             {end}"
        )
    };
    check(
        &measured_line(5, ""),
        &story("39.0"),
        "end train t1 stopped=false",
    );
    check(
        &measured_line(5, ""),
        &story("42.0"),
        "end train t1 stopped=true",
    );
}

#[test]
fn train_that_loses_its_middle_has_parted() {
    check(
        &line(6, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         40.0",
        "21.5 block p2 vacant
         between 0 and 26.4: no alarm train-parted:t1
         26.5..26.6 alarm train-parted:t1 unacknowledged high
         26.5..26.6 train t1 parted
         end train t1 blocks=p3
         end train t2 blocks=p1 parent=t1
         end trains 2",
    );
}

#[test]
fn train_that_runs_on_fast_from_what_it_lost_has_parted_as_soon() {
    // A place every three seconds: p2 is vacant at 17.5.
    check(
        &line(9, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         13.0 d-p2 on
         16.0 d-p3 on; d-p2 off
         19.0 d-p4 on; d-p3 off
         22.0 d-p5 on; d-p4 off
         25.0 d-p6 on; d-p5 off
         28.0 d-p7 on; d-p6 off
         31.0 d-p8 on; d-p7 off
         40.0",
        "between 0 and 22.4: no alarm train-parted:t1
         22.5..22.6 alarm train-parted:t1 unacknowledged high
         end train t1 blocks=p8
         end train t2 blocks=p1",
    );
}

#[test]
fn train_that_only_closes_a_gap_has_not_parted() {
    check(
        &line(6, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         24.0 d-p1 off
         40.0",
        "never alarm train-parted:t1
         end train t1 blocks=p3
         end trains 1",
    );
}

#[test]
fn train_parted_latches() {
    check(
        &line(6, "[trains]\nequipped = \"all\"\n"),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         60.0 do acknowledge train-parted:t1
         70.0 d-p1 off
         75.0 do removed-by-hand p1
         80.0 do reset train-parted:t1
         90.0",
        "60.0 alarm train-parted:t1 acknowledged
         75.0 alarm train-parted:t1 latched-acknowledged
         80.0 alarm train-parted:t1 normal",
    );
}

#[test]
fn train_never_parts_where_cars_do_not_show() {
    check(
        &line(6, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         15.0 d-p3 on
         20.0 d-p2 off
         200.0",
        "never alarm train-parted:t1
         end trains 1",
    );
}

#[test]
fn train_out_of_an_unwatched_place_is_the_one_that_went_in() {
    let body = block("p1", "") + &block("p2", "") + &bare("p3", "");
    check(
        &plan(&(body + &block("p4", "") + &row(&["p1", "p2", "p3", "p4"]))),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         12.0 d-p1 off
         20.0 d-p2 off
         100.0 d-p4 on
         120.0",
        "21.5 block p2 vacant
         100.0 train t1 entered p4
         never alarm unannounced:p4
         end train t1 blocks~p4
         end trains 1",
    );
}

#[test]
fn train_told_by_the_operator() {
    let plan = line(3, "");
    check(
        &plan,
        "0.0
         5.0 do stands-here p1
         20.0",
        "end block p1 told=true
         end block p1 trains=t1
         end trains 1
         never block p1 vacant",
    );
    check(
        &plan,
        "0.0
         5.0 do empty p1
         20.0",
        "end block p1 told=true
         end trains 0",
    );
}

#[test]
fn train_told_is_told_until_evidence_speaks() {
    check(
        &line(3, ""),
        "0.0
         5.0 do stands-here p1
         10.0 d-p1 on
         20.0",
        "end block p1 occupied told=false trains=t1
         end trains 1",
    );
    check(
        &line(3, ""),
        "0.0
         5.0 do empty p1
         10.0 d-p1 on
         20.0",
        "10.0 block p1 occupied
         end block p1 occupied told=false",
    );
}

/// t1 at 100 mm/s from p1 into p3 of a row of nine.
const AT_100: &str = "0.0 all off
     5.0 d-p1 on
     10.0 d-p2 on
     12.0 d-p1 off
     20.0 d-p3 on
     22.0 d-p2 off
     30.0 d-p4 on
     32.0 d-p3 off
     40.0 d-p5 on
     42.0 d-p4 off";

#[test]
fn train_about_to_stop_at_the_end_of_its_place_is_warned_of_nothing_far() {
    // p8 becomes occupied 8.5 s after t1 came into p5: 21 s away, 18 at the soonest. It may stop
    // before p6, and has two whole places to go if it does not.
    check(
        &measured_line(9, ""),
        &format!("{AT_100}\n 48.5 d-p8 on\n 80.0"),
        "never alarm occupied-ahead:t1 unacknowledged",
    );
    check(
        &measured_line(9, ""),
        &format!("{AT_100}\n 48.5 d-p8 on\n 50.0 d-p6 on\n 60.0"),
        "between 48 and 49.9: no alarm occupied-ahead:t1 unacknowledged
         50.0 alarm occupied-ahead:t1 unacknowledged medium",
    );
    // What is near is warned of at once.
    check(
        &measured_line(9, ""),
        &format!("{AT_100}\n 48.5 d-p7 on\n 60.0"),
        "48.5 alarm occupied-ahead:t1 unacknowledged medium",
    );
}

#[test]
fn train_that_stands_in_every_place_shows_its_speed_at_their_ends() {
    // 400 mm long: astride each boundary for 4 s at 100 mm/s. It runs through p1 to p3 and then
    // stands 5 s in each place: 67 mm/s by the times of coming in.
    let runs = "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on
         14.0 d-p1 off
         20.0 d-p3 on
         24.0 d-p2 off
         30.0 d-p4 on
         34.0 d-p3 off";
    check(
        &measured_line(9, ""),
        &format!(
            "{runs}
             45.0 d-p5 on
             49.0 d-p4 off
             60.0 d-p6 on
             64.0 d-p5 off
             65.0"
        ),
        "end train t1 speed_mm_s=95..105",
    );
    // Really slower: astride for 6 s.
    check(
        &measured_line(9, ""),
        &format!(
            "{runs}
             45.0 d-p5 on
             51.0 d-p4 off
             60.0 d-p6 on
             66.0 d-p5 off
             75.0 d-p7 on
             81.0 d-p6 off
             82.0"
        ),
        "end train t1 speed_mm_s=60..75",
    );
}

/// 100 mm/s; the power goes in the middle of p3 for a minute and a half, and all of what it feeds
/// says nothing meanwhile.
const STOOD_WITHOUT_POWER: &str = "0.0 all off; f1 on
    5.0 d-p1 on
    15.0 d-p2 on
    17.0 d-p1 off
    25.0 d-p3 on
    27.0 d-p2 off
    30.0 f1 off
    30.1 d-p3 off
    120.0 f1 on
    120.6 d-p3 on";

#[test]
fn train_that_stood_without_power_runs_on_when_that_is_back() {
    let plan = measured_line(6, "") + &feed("f1", "[\"p3\"]", "");
    let until = |rest: &str| format!("{STOOD_WITHOUT_POWER}\n{rest}");
    // It is 5 s on its way in p3, of the 10 that it takes, and has not stopped.
    check(
        &plan,
        &until("121.0"),
        "end train t1 blocks=p3 stopped=false",
    );
    // And 20 s after the power, that is 1.5 times 10 s and 5, it has.
    check(&plan, &until("134.0"), "end train t1 stopped=false");
    check(&plan, &until("136.0"), "end train t1 stopped=true");
    // The time without power is none on the way: it runs as fast as it ran.
    check(
        &plan,
        &until(
            "125.0 d-p4 on
             127.0 d-p3 off
             128.0",
        ),
        "end train t1 blocks=p4 speed_mm_s=100",
    );
}

#[test]
fn train_that_had_stopped_before_the_power_went_stands_when_it_is_back() {
    let plan = measured_line(6, "") + &feed("f1", "[\"p3\"]", "");
    check(
        &plan,
        "0.0 all off; f1 on
         5.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         25.0 d-p3 on
         27.0 d-p2 off
         50.0 f1 off
         50.1 d-p3 off
         120.0 f1 on
         120.6 d-p3 on
         121.0",
        "end train t1 blocks=p3 stopped=true",
    );
}

#[test]
fn train_that_was_told_of_and_is_seen_is_there_because_it_is_seen() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 do stands-here p2
         20.0 d-p2 on
         21.0",
        "5.0 block p2 occupied why~the|operator|says
         end block p2 occupied told=false why~d-p2|on",
    );
}

/// Four places of a metre, heard from each 10 s; it comes into p3 at 30, and that is heard from
/// again only at 36.
fn comes_into_what_is_not_heard(p2_until: u32) -> String {
    format!(
        "every 1 from 0 to 9: d-p1 off; d-p2 off; d-p3 off; d-p4 off
         every 1 from 10 to 21: d-p1 on
         every 1 from 10 to 19: d-p2 off
         every 1 from 10 to 39: d-p4 off
         every 1 from 20 to {p2_until}: d-p2 on
         every 1 from 22 to 45: d-p1 off
         every 1 from {} to 45: d-p2 off
         every 1 from 36 to 45: d-p3 on
         every 1 from 40 to 45: d-p4 on",
        p2_until + 1
    )
}

#[test]
fn train_speed_is_not_measured_from_a_place_that_was_not_heard_of_when_it_came() {
    let heard = |id: &str| detector(id, "").replace("max_silence_s = 0\n", "");
    let body: String = ["p1", "p2", "p3", "p4"]
        .iter()
        .map(|id| bare(id, "length_mm = 1000") + &heard(id))
        .collect();
    let plan = plan(&(body + &row(&["p1", "p2", "p3", "p4"])));
    // Its tail is in p2 still when p3 is heard from, or has left that before.
    for (p2_until, entered) in [(37, "36.0"), (31, "33.5")] {
        check(
            &plan,
            &comes_into_what_is_not_heard(p2_until),
            &format!(
                "{entered} train t1 entered p3
                 40.0 train t1 entered p4
                 end train t1 blocks=p3,p4 speed_mm_s=null length_mm=null"
            ),
        );
    }
}
