//! Rules B6 and B7 of DEVELOPERS.md, section 2: what is known where the power is off and comes
//! back.

use crate::plans::{bare, block, feed, plan, row};
use crate::story::check;

/// `p1 - p2 - p3`, where `f2` feeds p2.
fn switched() -> String {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    plan(&(body + &row(&["p1", "p2", "p3"]) + &feed("f2", "[\"p2\"]", "")))
}

#[test]
fn b6_power_off_makes_dark_and_keeps_vacant() {
    check(
        &switched(),
        "0.0 all off; f2 on
         10.0 f2 off
         60.0",
        "1.5..2.1 block p2 vacant
         10.0 block p2 dark was=vacant kept=vacant
         10.0 feed f2 off dead
         end block p2 dark kept=vacant
         end block p1 vacant",
    );
}

#[test]
fn b6_power_off_keeps_a_train() {
    check(
        &switched(),
        "0.0 all off; f2 on
         3.0 d-p1 on
         5.0 d-p2 on
         6.0 d-p1 off
         20.0 f2 off
         20.2 d-p2 off
         600.0",
        "20.0..20.2 block p2 dark was=occupied kept=occupied
         never block p2 lost
         never alarm train-lost:p2
         end block p2 dark kept=occupied trains=t1
         end trains 1",
    );
}

#[test]
fn b6_a_lost_train_is_kept_lost() {
    check(
        &switched(),
        "0.0 all off; f2 on
         5.0 d-p2 on
         6.0 d-p2 off
         20.0 f2 off
         60.0",
        "7.5 block p2 lost
         20.0 block p2 dark was=lost kept=lost
         between 13 and 60: no alarm train-lost:p2",
    );
}

#[test]
fn b6_unknown_before_dark_keeps_nothing() {
    check(
        &switched(),
        "0.0 f2 off; d-p2 off
         30.0",
        "end block p2 dark kept=null
         never block p2 vacant",
    );
}

#[test]
fn b6_kept_vacant_ends_when_a_neighbour_is_occupied() {
    check(
        &switched(),
        "0.0 all off; f2 on
         10.0 f2 off
         20.0 d-p1 on
         21.0 d-p1 off
         40.0",
        "end block p2 dark kept!=vacant",
    );
}

#[test]
fn b6_kept_vacant_stays_where_the_road_does_not_lead() {
    // The points lead from p1 to p3: what stands on p1 cannot be pushed into the dark p2.
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"p1.b\"\nnormal = \"p3.a\"\nreverse = \"p2.a\"\n";
    check(
        &plan(&(body + turnout + &feed("f2", "[\"p2\"]", ""))),
        "0.0 all off; f2 on; w1 normal
         10.0 f2 off
         20.0 d-p1 on
         40.0",
        "10.0 block p2 dark kept=vacant
         end block p2 dark kept=vacant",
    );
}

#[test]
fn b6_kept_vacant_ends_where_the_road_is_not_known() {
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"p1.b\"\nnormal = \"p3.a\"\nreverse = \"p2.a\"\n";
    check(
        &plan(&(body + turnout + &feed("f2", "[\"p2\"]", ""))),
        "0.0 all off; f2 on
         10.0 f2 off
         20.0 d-p1 on
         40.0",
        "10.0 block p2 dark kept=vacant
         end block p2 dark kept=null",
    );
}

#[test]
fn b6_on_where_the_power_is_off_still_counts() {
    check(
        &switched(),
        "0.0 all off; f2 on
         10.0 f2 off
         20.0 d-p2 on
         30.0 d-p2 off
         60.0",
        "20.0 block p2 occupied was=dark
         21.0 alarm power-where-off:p2 unacknowledged medium
         30.0..32.0 alarm power-where-off:p2 returned-unacknowledged
         never block p2 vacant was=occupied
         end block p2 dark",
    );
}

#[test]
fn b6_a_short_glimpse_of_power_gives_no_alarm() {
    check(
        &switched(),
        "0.0 all off; f2 on
         10.0 f2 off
         20.0 d-p2 on
         20.9 d-p2 off
         60.0",
        "20.0 block p2 occupied was=dark
         never alarm power-where-off:p2",
    );
}

#[test]
fn b6_a_train_that_coasts_out_takes_along_what_was_kept() {
    check(
        &switched(),
        "0.0 all off; f2 on
         3.0 d-p1 on
         5.0 d-p2 on
         6.0 d-p1 off
         20.0 f2 off
         20.2 d-p2 off
         25.0 d-p3 on
         60.0",
        "20.0..20.2 block p2 dark kept=occupied
         25.0 block p3 occupied
         end block p2 dark kept!=occupied trains=
         end train t1 blocks=p3
         end trains 1",
    );
}

#[test]
fn b6_what_comes_out_later_than_coasting_is_not_all_that_was_kept() {
    check(
        &switched(),
        "0.0 all off; f2 on
         3.0 d-p1 on
         5.0 d-p2 on
         6.0 d-p1 off
         20.0 f2 off
         20.2 d-p2 off
         31.0 d-p3 on
         60.0",
        "31.0 block p3 occupied
         end block p2 dark kept=occupied",
    );
}

#[test]
fn b6_a_place_watched_by_light_alone_is_never_dark() {
    let optical = "[[detector]]\nid = \"o2\"\nkind = \"optical\"\nblock = \"p2\"\nunit = \"%\"\n\
                   on = 60\noff = 40\nwatches = \"whole\"\nmax_silence_s = 0\n";
    let body = block("p1", "") + &bare("p2", "") + optical + &row(&["p1", "p2"]);
    check(
        &plan(&(body + &feed("f2", "[\"p2\"]", ""))),
        "0.0 o2 5 %; d-p1 off; f2 on
         10.0 f2 off
         20.0 o2 80 %
         40.0",
        "1.5 block p2 vacant
         never block p2 dark
         20.0 block p2 occupied was=vacant",
    );
}

#[test]
fn b7_power_back_over_a_train_is_occupied_after_settling() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 on
         3.0 d-p1 on
         5.0 d-p2 on
         6.0 d-p1 off
         20.0 f2 off; d-p2 off
         60.0 f2 on; d-p2 on
         80.0",
        "20.0 block p2 dark kept=occupied
         between 20.1 and 60.49: no block p2 *
         60.5..60.61 block p2 occupied was=dark
         never alarm power-where-off:p2
         end trains 1
         end block p2 occupied trains=t1",
    );
}

#[test]
fn b7_power_back_and_nothing_there_of_a_kept_train_is_lost() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 on
         3.0 d-p1 on
         5.0 d-p2 on
         6.0 d-p1 off
         20.0 f2 off; d-p2 off
         60.0 f2 on
         80.0",
        "62.0..62.2 block p2 lost was=dark
         67.0..67.2 alarm train-lost:p2 unacknowledged high
         never block p2 vacant was=dark",
    );
}

#[test]
fn b7_power_back_and_nothing_there_is_vacant() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 on
         20.0 f2 off
         60.0 f2 on
         80.0",
        "20.0 block p2 dark kept=vacant
         between 20.1 and 61.9: no block p2 *
         62.0..62.2 block p2 vacant was=dark",
    );
}

#[test]
fn b7_power_on_where_nothing_was_remembered() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 off
         60.0 f2 on
         80.0",
        "between 0 and 61.9: no block p2 vacant
         62.0..62.2 block p2 vacant was=dark",
    );
}

#[test]
fn b7_samples_while_the_supply_settles_do_not_count() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 on
         20.0 f2 off
         60.0 f2 on
         60.2 d-p2 on
         60.4 d-p2 off
         80.0",
        "never block p2 occupied
         end block p2 vacant
         end trains 0",
    );
}

#[test]
fn b7_samples_from_before_the_power_came_back_prove_nothing() {
    // A detector that is heard each five seconds: what it said of dead track does not count.
    let steady = switched().replace("block = \"p2\"\nmax_silence_s = 0\n", "block = \"p2\"\n");
    check(
        &steady,
        "every 5 from 0 to 55: d-p2 off
         0.0 f2 on
         20.0 f2 off
         58.0 d-p2 off
         60.0 f2 on
         63.0 d-p2 off
         68.0 d-p2 off
         80.0",
        "20.0 block p2 dark kept=vacant
         between 20.1 and 64.4: no block p2 *
         64.5 block p2 vacant was=dark",
    );
}

#[test]
fn b7_a_detector_that_says_nothing_after_the_power_came_back_proves_nothing() {
    // It reports changes only, and reported none: what the dead track held is still not seen.
    check(
        &switched(),
        "0.0 all off; f2 on
         3.0 d-p2 on
         20.0 f2 off
         20.1 d-p2 off
         60.0 f2 on
         80.0",
        "20.0..20.1 block p2 dark kept=occupied
         between 60 and 80: no block p2 vacant",
    );
}

#[test]
fn b6_the_last_sample_before_the_power_went_is_no_current_where_it_is_off() {
    // One sample a second: the last one that saw the engine is 0.3 s old when the power goes, and
    // the next comes 0.7 s later; nothing is wrong with the wiring.
    let steady = switched().replace("block = \"p2\"\nmax_silence_s = 0\n", "block = \"p2\"\n");
    check(
        &steady,
        "0.0 f2 on; d-p1 off; d-p3 off
         every 1 from 0 to 4: d-p2 off
         every 1 from 5 to 20: d-p2 on
         20.3 f2 off
         every 1 from 21 to 40: d-p2 off",
        "20.3..21.0 block p2 dark kept=occupied
         never alarm power-where-off:p2
         never block p2 lost",
    );
}

#[test]
fn b6_the_operator_says_what_stands_in_the_dark() {
    let story = |word: &str| {
        format!(
            "keep 0.5
             0.0 all off; f2 off
             10.0 do {word} p2
             60.0"
        )
    };
    check(
        &switched(),
        &story("stands-here"),
        "end block p2 dark kept=occupied told=true trains=t1",
    );
    check(
        &switched(),
        &story("empty"),
        "end block p2 dark kept=vacant told=true trains=",
    );
}

#[test]
fn b6_what_was_told_of_the_dark_holds_until_the_power_shows_it() {
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 off
         10.0 do stands-here p2
         60.0 f2 on
         80.0",
        "62.0..62.2 block p2 lost was=dark
         never block p2 vacant",
    );
    check(
        &switched(),
        "keep 0.1
         0.0 all off; f2 off
         10.0 do empty p2
         60.0 f2 on; d-p2 on
         80.0",
        "60.5..60.7 block p2 occupied was=dark
         end block p2 told=false",
    );
}

#[test]
fn b6_a_train_drawn_out_of_the_dark_takes_along_what_was_kept() {
    let body: String = ["p1", "p2", "p3", "p4"]
        .iter()
        .map(|id| block(id, ""))
        .collect();
    let plan = plan(&(body + &row(&["p1", "p2", "p3", "p4"]) + &feed("f1", "[\"p1\"]", "")));
    // Its front is in live track: the tail comes out of p1 in the dark, through p2.
    let story = |left: &str| {
        format!(
            "0.0 all off; f1 on
             5.0 d-p1 on
             10.0 d-p2 on
             15.0 d-p3 on
             20.0 f1 off; d-p1 off
             {left} d-p2 off
             60.0 f1 on
             60.1 d-p1 off
             61.0 d-p1 off
             80.0"
        )
    };
    check(
        &plan,
        &story("25.0"),
        "20.0 block p1 dark kept=occupied
         26.5 block p2 vacant
         26.5 block p1 kept=null
         62.0..62.6 block p1 vacant
         end train t1 blocks=p3
         end trains 1
         never alarm train-lost:p1",
    );
    // So late it may have been anything (coast_s is 10).
    check(
        &plan,
        &story("40.0"),
        "41.5 block p2 vacant
         62.0..62.6 block p1 lost",
    );
}
