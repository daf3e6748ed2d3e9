//! Rule B10 and the feeds of DEVELOPERS.md, section 2: trips, throttles, switches behind switches,
//! and wheels that bridge a gap.

use crate::plans::{bare, block, detector, feed, join, plan, row};
use crate::story::check;

/// `p1 - p2 - p3`, where `f2` feeds p2.
fn switched() -> String {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    plan(&(body + &row(&["p1", "p2", "p3"]) + &feed("f2", "[\"p2\"]", "")))
}

/// `p1 - p2 - p3 - p4 - p5`, all of one feed, `f`.
fn one_district(keys: &str) -> String {
    let ids = ["p1", "p2", "p3", "p4", "p5"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    let blocks = "[\"p1\", \"p2\", \"p3\", \"p4\", \"p5\"]";
    plan(&(body + &row(&ids) + &feed("f", blocks, keys)))
}

#[test]
fn b10_two_trains_gone_at_once_is_the_power() {
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.000 d-p1 off
         20.250 d-p3 off
         60.0",
        "20.25 feed f failed
         20.25 block p1 dark kept=occupied
         20.25 block p3 dark kept=occupied
         20.25..20.4 alarm power-lost:f unacknowledged high
         20.25 block p5 dark was=vacant
         never block p1 lost
         never block p3 lost
         never alarm train-lost:p1
         never alarm train-lost:p3
         end feed f failed
         end trains 2",
    );
}

/// The trip that makes a device start anew may come again while its detectors settle: an `off`
/// proves no vacancy then, but the current has gone all the same.
#[test]
fn b10_two_trains_gone_at_once_while_their_device_settles() {
    let ids = ["p1", "p2", "p3", "p4", "p5"];
    let body: String = ids
        .iter()
        .map(|id| bare(id, "") + &detector(id, "node = \"n1\""))
        .collect();
    let blocks = "[\"p1\", \"p2\", \"p3\", \"p4\", \"p5\"]";
    let feeds = feed("f", blocks, "") + "[[node]]\nid = \"n1\"\n";
    let plan = plan(&(body + &row(&ids) + &feeds));
    let story = |again: &str| {
        format!(
            "0.0 n1 online; f on
             2.5 all off
             5.0 d-p1 on; d-p3 on
             40.0 n1 offline
             50.0 n1 online
             50.2 d-p1 on; d-p3 on
             {again}
             60.0"
        )
    };
    check(
        &plan,
        &story("51.0 d-p1 off\n 51.2 d-p3 off"),
        "51.2 feed f failed
         51.2 block p1 dark
         never block p1 lost",
    );
    // Out of service they say nothing of any current.
    check(
        &plan,
        &story("51.0 do out-of-service d-p1\n 51.0 do out-of-service d-p3"),
        "never feed f failed",
    );
    // Nor when the device has gone again.
    check(&plan, &story("51.0 n1 offline"), "never feed f failed");
}

/// Beams measure no current: what they see go at once has not lost it.
#[test]
fn b10_beams_that_clear_at_once_say_nothing_of_the_power() {
    let beam = |id: &str| {
        bare(id, "")
            + &format!(
                "[[detector]]\nid = \"o-{id}\"\nkind = \"optical\"\nblock = \"{id}\"\n\
                 unit = \"%\"\non = 30\noff = 60\nwatches = \"whole\"\nmax_silence_s = 0\n"
            )
    };
    let body: String = ["p1", "p2", "p3"].iter().map(|id| beam(id)).collect();
    let power = feed("f", "[\"p1\", \"p2\", \"p3\"]", "");
    check(
        &plan(&(body + &row(&["p1", "p2", "p3"]) + &power)),
        "0.0 f on; o-p1 90 %; o-p2 90 %; o-p3 90 %
         3.0 o-p1 10 %
         4.0 o-p3 10 %
         20.0 o-p1 90 %
         20.1 o-p3 90 %
         60.0",
        "never feed f failed
         21.5..21.6 block p1 lost",
    );
}

#[test]
fn b10_exactly_at_the_limit_and_just_beyond() {
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.000 d-p1 off
         20.300 d-p3 off
         60.0",
        "20.3 feed f failed
         never alarm train-lost:p1",
    );
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.000 d-p1 off
         20.350 d-p3 off
         60.0",
        "never feed f failed
         never alarm power-lost:f
         21.5 block p1 lost
         21.85 block p3 lost",
    );
}

#[test]
fn b10_one_of_three_still_seen_is_not_a_trip() {
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on; d-p5 on
         20.000 d-p1 off; d-p3 off
         60.0",
        "never feed f failed
         21.5 block p1 lost
         21.5 block p3 lost
         end block p5 occupied",
    );
}

#[test]
fn b10_a_single_occupied_place_is_a_train_and_not_the_power() {
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p3 on
         20.0 d-p3 off
         60.0",
        "never feed f failed
         21.5 block p3 lost",
    );
}

#[test]
fn b10_ends_when_the_current_is_back_for_its_settling_time() {
    check(
        &one_district(""),
        "keep 0.1
         0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.000 d-p1 off; d-p3 off
         40.0 d-p1 on; d-p3 on
         80.0",
        "20.0 feed f failed
         between 40.4 and 40.8: feed f live failed=false
         40.0..40.8 block p1 occupied was=dark
         40.0..40.8 block p3 occupied was=dark
         between 40.3 and 41: alarm power-lost:f returned-unacknowledged
         never alarm power-where-off:p1
         never block p1 lost
         end block p1 occupied trains=t1
         end block p3 occupied trains=t2
         end block p5 vacant
         end trains 2",
    );
}

#[test]
fn b10_a_voltage_that_falls() {
    check(
        &one_district(""),
        "keep 0.1
         0.0 all off; f 12.0 V
         3.0 d-p1 on
         20.0 f 0.4 V; d-p1 off
         40.0 f 12.0 V; d-p1 on
         80.0",
        "20.0 feed f dead
         20.0 block p1 dark was=occupied kept=occupied
         20.0..20.2 alarm power-lost:f unacknowledged high
         never alarm train-lost:p1
         40.5..40.7 block p1 occupied was=dark
         between 40 and 41: alarm power-lost:f returned-unacknowledged
         end trains 1",
    );
}

#[test]
fn feed_throttle_is_live_from_two_volts_on_and_sign_does_not_matter() {
    let throttle = one_district("supply = \"throttle\"");
    check(
        &throttle,
        "keep 0.1
         0.0 all off; f 1.99 V
         10.0 f 2.0 V
         20.0 f -1.99 V
         30.0 f -11.8 V
         40.0",
        "10.0 feed f live
         20.0 feed f dead
         30.0 feed f live
         between 0 and 9.9: no feed f live
         10.0..12.2 block p1 vacant
         20.0 block p1 dark kept=vacant
         32.0..32.2 block p1 vacant",
    );
}

#[test]
fn feed_throttle_without_a_voltage_never_proves_vacancy_nor_loss() {
    check(
        &one_district("supply = \"throttle\""),
        "keep 0.1
         0.0 all off
         10.0 d-p1 on
         20.0 d-p1 off
         80.0",
        "10.0 block p1 occupied
         never block p1 vacant
         never block p1 lost
         never block p5 vacant
         never alarm train-lost:p1",
    );
}

#[test]
fn feed_throttle_without_a_voltage_releases_behind_a_train_seen_next_door() {
    // Whether the throttle's switch is reported or nothing at all: there is no voltage report.
    for switch in ["", "; f on"] {
        check(
            &one_district("supply = \"throttle\""),
            &format!(
                "keep 0.1
                 0.0 all off{switch}
                 10.0 d-p1 on
                 15.0 d-p2 on
                 17.0 d-p1 off
                 80.0"
            ),
            "18.5 block p1 vacant was=occupied
             end block p2 occupied trains=t1
             end trains 1",
        );
    }
}

#[test]
fn feed_of_another_is_on_only_if_that_one_is() {
    let body: String = ["p1", "p2"].iter().map(|id| block(id, "")).collect();
    let feeds = feed("district", "[]", "") + &feed("f2", "[\"p2\"]", "of = \"district\"");
    check(
        &plan(&(body + &row(&["p1", "p2"]) + &feeds)),
        "0.0 all off; district on; f2 on
         10.0 district off
         20.0",
        "1.5..2.1 block p2 vacant
         10.0 block p2 dark kept=vacant
         10.0 feed f2 dead
         end block p1 vacant",
    );
}

#[test]
fn feed_of_another_needs_its_own_switch_too() {
    let body: String = ["p1", "p2"].iter().map(|id| block(id, "")).collect();
    let feeds = feed("district", "[\"p1\"]", "") + &feed("f2", "[\"p2\"]", "of = \"district\"");
    check(
        &plan(&(body + &row(&["p1", "p2"]) + &feeds)),
        "0.0 all off; district on; f2 off
         20.0",
        "never block p2 vacant
         end block p2 dark
         end block p1 vacant",
    );
}

#[test]
fn feed_via_points_follows_the_points() {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"p1.b\"\nnormal = \"p3.a\"\nreverse = \"p2.a\"\n";
    let via = feed("f2", "[\"p2\"]", "via = \"w1.reverse\"");
    check(
        &plan(&(body + turnout + &via)),
        "keep 0.1
         0.0 all off; w1 normal
         10.0 w1 reverse
         20.0 w1 normal
         30.0",
        "0.15 block p2 dark kept=null
         between 0 and 10: no block p2 vacant
         10.15 feed f2 on live
         12.1..12.4 block p2 vacant
         20.15 block p2 dark kept=vacant",
    );
}

#[test]
fn feed_via_a_table_is_on_at_its_stop() {
    let body = block("p1", "") + &block("bridge", "") + &block("s1", "") + &block("s2", "");
    let table = "[[table]]\nid = \"tt\"\nbridge = \"bridge\"\n\
                 [[table.stop]]\nat = \"1\"\na = \"p1.b\"\nb = \"s1.a\"\n\
                 [[table.stop]]\nat = \"2\"\nb = \"s2.a\"\n";
    let via = feed("f1", "[\"s1\"]", "via = \"tt.1\"") + &feed("f2", "[\"s2\"]", "via = \"tt.2\"");
    check(
        &plan(&(body + table + &via)),
        "keep 0.1
         0.0 all off; tt 1
         10.0 tt between
         14.0 tt 2
         30.0",
        "between 0.1 and 3: block s1 vacant
         between 0.1 and 1: block s2 dark
         between 10 and 10.2: block s1 dark kept=vacant
         between 15 and 17: block s2 vacant
         end block s1 dark kept=vacant
         end block s2 vacant",
    );
}

#[test]
fn feed_not_heard_from_darkens_nothing_and_proves_nothing() {
    check(
        &switched(),
        "keep 0.5
         0.0 all off
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p1 off
         60.0",
        "never block p2 dark
         never block p2 vacant
         15.0 block p2 occupied
         18.5 block p1 vacant",
    );
}

#[test]
fn feed_left_on_is_told_after_its_time() {
    let body = block("p1", "") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&(body + &feed("f2", "[\"p2\"]", "rest = \"off\""))),
        "0.0 all off; f2 on
         400.0 d-p2 on
         410.0",
        "between 0 and 300: no alarm feed-left-on:f2
         300.0..303.0 alarm feed-left-on:f2 unacknowledged low
         400.0 alarm feed-left-on:f2 returned-unacknowledged",
    );
}

#[test]
fn feed_that_is_to_be_on_at_rest_is_never_left_on() {
    for rest in ["rest = \"on\"", ""] {
        check(
            &plan(&(block("p1", "") + &feed("f1", "[\"p1\"]", rest))),
            "0.0 all off; f1 on
             600.0",
            "end block p1 vacant
             end feed f1 on=true
             never alarm feed-left-on:f1",
        );
    }
}

#[test]
fn feed_of_no_place_is_never_left_on() {
    check(
        &plan(&(block("p1", "") + &feed("f2", "[]", "rest = \"off\""))),
        "0.0 all off; f2 on
         600.0",
        "end feed f2 on=true
         never alarm feed-left-on:f2",
    );
}

#[test]
fn feed_in_use_is_not_left_on() {
    let body = block("p1", "") + &block("p2", "") + &row(&["p1", "p2"]);
    check(
        &plan(&(body + &feed("f2", "[\"p2\"]", "rest = \"off\""))),
        "0.0 all off; f2 on
         100.0 d-p2 on
         600.0",
        "100.0 block p2 occupied
         never alarm feed-left-on:f2",
    );
}

#[test]
fn bridge_across_a_gap_makes_no_train_and_no_loss() {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(body + &row(&["p1", "p2", "p3"]))),
        "0.0 all off
         5.0 d-p1 on
         20.0 d-p2 on
         20.4 d-p2 off
         60.0",
        "20.0 block p2 occupied
         20.4..21.9 block p2 vacant
         never block p2 lost
         never alarm train-lost:p2
         end trains 1
         end train t1 blocks=p1 speed_mm_s=null
         end block p1 occupied trains=t1",
    );
}

#[test]
fn bridge_longer_than_its_time_is_a_train_moving_in_and_back() {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(body + &row(&["p1", "p2", "p3"]))),
        "0.0 all off
         5.0 d-p1 on
         20.0 d-p2 on
         22.0 d-p2 off
         60.0",
        "20.0 block p2 occupied
         23.5 block p2 vacant
         end trains 1
         end train t1 blocks=p1",
    );
}

#[test]
fn bridge_with_a_feed_of_its_own_and_joined_ends() {
    // The gap lies between two power districts; the second is switched off and stays dark.
    let body = block("p1", "") + &bare("p2", "") + &detector("p2", "") + &join("p1.b", "p2.a");
    check(
        &plan(&(body + &feed("f2", "[\"p2\"]", ""))),
        "0.0 all off; f2 on
         5.0 d-p1 on
         10.0 f2 off
         20.0 d-p2 on
         20.3 d-p2 off
         60.0",
        "20.0 block p2 occupied was=dark
         never alarm power-where-off:p2
         end block p2 dark
         end trains 1",
    );
}

#[test]
fn b10_what_does_not_come_back_with_the_power_is_lost() {
    check(
        &one_district(""),
        "keep 0.1
         0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         40.0 d-p1 on
         80.0",
        "20.0 block p3 dark kept=occupied
         40.0..40.8 block p1 occupied was=dark
         41.5..42.3 block p3 lost was=dark
         46.5..47.3 alarm train-lost:p3 unacknowledged high
         never block p3 vacant was=dark
         end trains 2",
    );
}

#[test]
fn b10_a_trip_keeps_vacant_what_was_vacant() {
    // Nothing but dark trains beside it: nothing can have been pushed in while nothing is seen to
    // move.
    check(
        &one_district(""),
        "0.0 all off; f on
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         60.0",
        "20.0 block p5 dark kept=vacant
         end block p1 dark kept=occupied
         end block p5 dark kept!=occupied",
    );
}

#[test]
fn feed_throttle_turned_down_over_a_standing_train_and_up_again() {
    check(
        &one_district("supply = \"throttle\""),
        "keep 0.1
         0.0 all off; f 12.0 V
         10.0 d-p2 on
         20.0 f 0.0 V; d-p2 off
         100.0 f 9.0 V; d-p2 on
         130.0",
        "20.0 block p2 dark was=occupied kept=occupied
         100.5..100.7 block p2 occupied was=dark
         never block p2 lost
         never block p2 vacant was=dark
         end block p2 occupied trains=t1
         end trains 1",
    );
}

#[test]
fn feed_throttle_without_a_voltage_says_nothing_against_a_detector_of_its_own_power() {
    let treadle = "[[detector]]\nid = \"d-p6\"\nkind = \"contact\"\nblock = \"p6\"\n\
                   watches = \"whole\"\nmax_silence_s = 0\n";
    let ids = ["p1", "p2", "p3", "p4", "p5", "p6"];
    let body: String = ids[..5].iter().map(|id| block(id, "")).collect();
    let blocks = "[\"p1\", \"p2\", \"p3\", \"p4\", \"p5\", \"p6\"]";
    let feeds = feed("f", blocks, "supply = \"throttle\"");
    check(
        &plan(&(body + &bare("p6", "") + treadle + &row(&ids) + &feeds)),
        "0.0 all off
         10.0",
        "1.5..2.1 block p6 vacant
         never block p5 vacant",
    );
}

#[test]
fn feed_throttle_without_a_voltage_wants_to_see_the_train_next_door() {
    check(
        &one_district("supply = \"throttle\""),
        "keep 0.1
         0.0 all off
         10.0 d-p1 on
         15.0 d-p2 on
         17.0 d-p2 off
         17.5 d-p1 off
         60.0",
        "never block p1 vacant
         never block p2 vacant
         never block p1 lost",
    );
}

#[test]
fn b10_ends_by_itself_when_the_current_stays() {
    // One word each: nothing is heard after 40.0, the settling time alone ends it. `hush`: never
    // repeated.
    check(
        &one_district(""),
        "0.0 all off; f on
         0.0 hush d-p1
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         40.0 d-p1 on
         80.0",
        "20.0 feed f failed
         40.5 feed f live failed=false
         40.5..40.6 alarm power-lost:f returned-unacknowledged",
    );
}

#[test]
fn b10_a_current_that_comes_and_goes_is_no_return() {
    check(
        &one_district(""),
        "0.0 all off; f on
         0.0 hush d-p1
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         40.0 d-p1 on
         40.3 d-p1 off
         60.0",
        "20.0 feed f failed
         between 20.1 and 60: no feed f live",
    );
}

#[test]
fn b10_a_failed_feed_quietens_silence_and_not_for_ever() {
    // After the power is back, what hangs on it has a minute to speak (boot_s).
    let plan = one_district("").replace(
        "id = \"d-p5\"\nkind = \"current\"\nblock = \"p5\"\nmax_silence_s = 0",
        "id = \"d-p5\"\nkind = \"current\"\nblock = \"p5\"\nmax_silence_s = 30",
    );
    check(
        &plan,
        "0.0 all off; f on
         0.0 hush d-p1
         3.0 d-p1 on; d-p3 on
         70.0 d-p5 off
         80.0 d-p1 off; d-p3 off
         90.0 d-p1 on; d-p3 on
         200.0",
        "80.0 feed f failed
         90.5 feed f live failed=false
         between 90.5 and 150.4: no alarm detector-fault:d-p5
         150.5..152.6 alarm detector-fault:d-p5 unacknowledged",
    );
}

#[test]
fn b10_a_district_of_two_feeds_trips_as_one_when_both_fell() {
    // f2 hangs on f: trains on both go at once, and that is f.
    let ids = ["p1", "p2", "p3"];
    let body: String = ids.iter().map(|id| block(id, "")).collect();
    let feeds = feed("f", "[\"p1\"]", "") + &feed("f2", "[\"p3\"]", "of = \"f\"");
    check(
        &plan(&(body + &row(&ids) + &feeds)),
        "0.0 all off; f on; f2 on
         3.0 d-p1 on; d-p3 on
         20.0 d-p1 off; d-p3 off
         30.0",
        "20.0 feed f failed
         20.0 block p1 dark kept=occupied
         20.0 block p3 dark kept=occupied
         never block p1 lost",
    );
}
