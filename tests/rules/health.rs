//! Section 1 of DEVELOPERS.md, its last two points: light that changes everywhere, and how a
//! detector is known to be stuck, noisy, coupled or silent.

use crate::plans::{bare, block, line, plan, ring, row};
use crate::story::check;

/// One block `p1` with the detector `d`, and `p2` beside it with the boolean `d-p2`.
fn with(detector: &str) -> String {
    let detector = format!("[[detector]]\nid = \"d\"\nblock = \"p1\"\n{detector}\n");
    plan(&(bare("p1", "") + &detector + &block("p2", "") + &row(&["p1", "p2"])))
}

#[test]
fn evidence_sequential_sees_a_weak_train_and_no_noise() {
    let sequential = with(
        "kind = \"current\"\nunit = \"mA\"\nmax_silence_s = 10\ndecide = \"sequential\"\n\
         vacant = { mean = 0.3, sd = 0.25 }\noccupied = { mean = 1.7, sd = 0.4 }\n\
         false_alarm_every_h = 720\nsample_hz = 10",
    );
    // Noise around the vacant level, then the occupied level, then vacant again.
    check(
        &sequential,
        "every 0.2 from 0 to 60: d 0.1 mA
         every 0.2 from 0.1 to 60: d 0.5 mA
         every 0.1 from 60.1 to 80: d 1.7 mA
         every 0.1 from 80.1 to 100: d 0.3 mA",
        "between 1.4 and 10: block p1 vacant
         between 2 and 60: no block p1 occupied
         between 60.1 and 61.5: block p1 occupied
         between 80.2 and 84: block p1 lost",
    );
}

#[test]
fn evidence_of_light_that_steps_everywhere_is_the_room() {
    check(
        &under_one_lamp(),
        "keep 0.1
         0.0 o1 50 %; o2 50 %; o3 50 %; o4 50 %; o5 50 %
         90.0 o1 28 %
         90.1 o2 29 %; o3 28 %
         90.2 o4 28 %; o5 27 %
         120.0",
        "between 0 and 10: block p1 vacant
         between 90.5 and 120: no alarm *
         end trains 0
         end block p1 kept!=occupied state!=occupied
         end block p1 state!=lost",
    );
}

#[test]
fn evidence_of_light_that_steps_at_one_place_is_a_train() {
    check(
        &under_one_lamp(),
        "keep 0.1
         0.0 o1 50 %; o2 50 %; o3 50 %; o4 50 %; o5 50 %
         90.0 o1 28 %
         120.0",
        "90.0 block p1 occupied
         end block p1 occupied",
    );
}

/// Five blocks apart from each other, each under a beam of its own: on at 30 % of light, off at 45
/// %. Each is joined to a block of its own that nothing watches.
fn under_one_lamp() -> String {
    let mut body = String::new();
    for n in 1..=5 {
        body += &(bare(&format!("p{n}"), "") + &bare(&format!("q{n}"), ""));
        body += &format!(
            "[[detector]]\nid = \"o{n}\"\nkind = \"optical\"\nblock = \"p{n}\"\nunit = \"%\"\n\
             on = 30\noff = 45\nwatches = \"whole\"\n"
        );
        body += &row(&[&format!("p{n}"), &format!("q{n}")]);
    }
    plan(&body)
}

#[test]
fn health_stuck_while_trains_pass_on_both_sides() {
    // Lap after lap round a ring of six, while the detector of p2 never says off again.
    let plan = ring(6, "", "").replace(
        "block = \"p2\"\nmax_silence_s = 0\n",
        "block = \"p2\"\nmax_silence_s = 0\nstuck_h = 0.1\n",
    );
    let mut story = String::from("0.0 all off\n 5.0 d-p1 on\n");
    for step in 0..66 {
        let (place, next) = (step % 6 + 1, (step + 1) % 6 + 1);
        let at = 10 + step * 10;
        if next != 2 || step < 6 {
            story += &format!("{at}.0 d-p{next} on\n");
        }
        if place != 2 {
            story += &format!("{}.0 d-p{place} off\n", at + 3);
        }
    }
    check(
        &plan,
        &story,
        "between 0 and 360: no detector d-p2 stuck
         between 360 and 680: detector d-p2 stuck",
    );
}

#[test]
fn health_noisy_counts_drop_outs() {
    let body = block("p1", "").replace(
        "max_silence_s = 0\n",
        "max_silence_s = 0\nnoisy_per_h = 5\n",
    );
    check(
        &plan(&(body + &block("p2", "") + &row(&["p1", "p2"]))),
        "0.0 all off
         every 10 from 100 to 200: d-p1 on
         every 10 from 105 to 195: d-p1 off
         every 10 from 106 to 196: d-p1 on
         300.0",
        "between 150 and 210: detector d-p1 noisy
         between 0 and 140: no detector d-p1 noisy
         between 150 and 210: alarm detector-fault:d-p1 unacknowledged low",
    );
}

#[test]
fn health_silence_raises_nothing_while_things_start() {
    check(
        &line(1, "").replace("max_silence_s = 0\n", ""),
        "0.0
         120.0",
        "10.0 detector d-p1 silent
         between 0 and 59.9: no alarm *
         60.0..60.2 alarm detector-fault:d-p1 unacknowledged low",
    );
}

/// One train comes and goes on the left of p3, another on its right.
const ON_BOTH_SIDES: &str = "10.0 d-p1 on
    20.0 d-p2 on
    22.0 d-p1 off
    30.0 d-p1 on
    32.0 d-p2 off
    50.0 d-p5 on
    60.0 d-p4 on
    62.0 d-p5 off
    70.0 d-p5 on
    72.0 d-p4 off";

/// Five blocks in a row; the third's detector is stuck after six minutes.
fn soon_stuck() -> String {
    line(5, "").replace(
        "block = \"p3\"\nmax_silence_s = 0\n",
        "block = \"p3\"\nmax_silence_s = 0\nstuck_h = 0.1\n",
    )
}

#[test]
fn health_stuck_where_nothing_stands_until_it_says_something_else() {
    // p3 says on from the beginning.
    let plan = soon_stuck();
    check(
        &plan,
        &format!("0.0 all off; d-p3 on\n {ON_BOTH_SIDES}\n 500.0 d-p3 off\n 510.0"),
        "between 0 and 359.9: no detector d-p3 stuck
         between 360 and 499: detector d-p3 stuck
         500.0 detector d-p3 ok was=stuck",
    );
}

#[test]
fn health_on_for_long_under_a_standing_train_is_not_stuck() {
    let plan = soon_stuck();
    check(
        &plan,
        "0.0 all off
         10.0 d-p3 on
         20.0 d-p2 on
         30.0 d-p2 off
         5000.0",
        "31.5 block p2 vacant
         never detector d-p3 stuck",
    );
}

#[test]
fn health_where_trains_pass_on_one_side_or_passed_before_is_not_stuck() {
    let plan = soon_stuck();
    check(
        &plan,
        "0.0 all off; d-p3 on
         10.0 d-p1 on
         20.0 d-p2 on
         22.0 d-p1 off
         30.0 d-p1 on
         32.0 d-p2 off
         40.0 d-p2 on
         42.0 d-p1 off
         50.0 d-p1 on
         52.0 d-p2 off
         500.0",
        "never detector d-p3 stuck",
    );
    // On both sides, before it said on.
    check(
        &plan,
        &format!("0.0 all off\n {ON_BOTH_SIDES}\n 100.0 d-p3 on\n 600.0"),
        "never detector d-p3 stuck",
    );
}

#[test]
fn health_coupled_with_a_place_that_is_no_neighbour() {
    let mut story = String::from("0.0 all off\n");
    for n in 0..6 {
        let at = 100 + n * 50;
        story += &format!(
            "{at}.0 d-p1 on\n {at}.1 d-p5 on\n {}.0 d-p1 off; d-p5 off\n",
            at + 20
        );
    }
    check(
        &line(5, ""),
        &(story + "500.0"),
        "between 290 and 500: detector * coupled
         between 0 and 250: no detector * coupled",
    );
}

#[test]
fn evidence_sequential_follows_a_vacant_level_that_wanders() {
    // Four hours, from 0.3 mA to 1.2 mA: more than half way to a train, but never a step.
    let sequential = with(
        "kind = \"current\"\nunit = \"mA\"\nmax_silence_s = 10\ndecide = \"sequential\"\n\
         vacant = { mean = 0.3, sd = 0.25 }\noccupied = { mean = 1.7, sd = 0.4 }\n\
         false_alarm_every_h = 720\nsample_hz = 1",
    );
    let mut story = String::new();
    for second in 0..14_400 {
        let level = 0.3 + 0.9 * f64::from(second) / 14_400.0;
        story += &format!("{second}.0 d {level:.4} mA\n");
    }
    check(
        &sequential,
        &story,
        "never block p1 occupied
         end block p1 vacant",
    );
}

#[test]
fn evidence_of_light_that_steps_everywhere_frees_no_train() {
    check(
        &under_one_lamp(),
        "keep 0.1
         0.0 o1 50 %; o2 50 %; o3 50 %; o4 50 %; o5 50 %
         20.0 o1 10 %
         90.0 o1 6 %; o2 28 %; o3 28 %
         90.1 o4 28 %; o5 28 %
         150.0",
        "20.0 block p1 occupied
         never block p1 vacant was=occupied
         between 90 and 150: no block p1 vacant
         never train t1 gone
         end block p1 trains=t1
         end trains 1",
    );
}

#[test]
fn health_implausible_is_raised_and_ended() {
    let current =
        with("kind = \"current\"\nunit = \"mA\"\non = 3.0\noff = 1.5\nmax_silence_s = 0\n");
    check(
        &current,
        "0.0 d 0.2 mA
         5.0 d -25 mA
         6.0 d -30 mA
         9.0 d 0.2 mA
         20.0",
        "5.0 detector d implausible was=ok
         9.0 detector d ok was=implausible",
    );
}

#[test]
fn health_silent_and_out_of_service_are_raised_and_ended() {
    check(
        &with("kind = \"current\"\nunit = \"mA\"\non = 3.0\noff = 1.5\n"),
        "0.0 d 0.2 mA
         30.0 raw lane/detector/d [{\"n\":\"current\",\"u\":\"mA\",\"v\":0.2}]
         35.0 do out-of-service d {}
         38.0 do in-service d {}
         39.0",
        "10.0 detector d silent
         30.0 detector d ok
         35.0 detector d out-of-service
         38.0 detector d ok",
    );
}

#[test]
fn health_noisy_ends_after_a_quiet_hour() {
    let body = block("p1", "").replace(
        "max_silence_s = 0\n",
        "max_silence_s = 0\nnoisy_per_h = 5\n",
    );
    check(
        &plan(&(body + &block("p2", "") + &row(&["p1", "p2"]))),
        "0.0 all off
         every 10 from 100 to 200: d-p1 on
         every 10 from 105 to 195: d-p1 off
         every 10 from 106 to 196: d-p1 on
         12000.0",
        "between 150 and 210: detector d-p1 noisy
         between 3600 and 11000: detector d-p1 ok was=noisy
         end detector d-p1 health=ok dropouts=10 passes=1",
    );
}

#[test]
fn health_on_together_with_a_neighbour_or_twice_is_not_coupled() {
    for again in ["{at}.1 d-p2 on", "{at}.03 d-p1 off\n {at}.06 d-p1 on"] {
        let mut story = String::from("0.0 all off\n");
        for at in (100..=400).step_by(50) {
            let again = again.replace("{at}", &at.to_string());
            let end = at + 20;
            story += &format!("{at}.0 d-p1 on\n {again}\n {end}.0 d-p1 off; d-p2 off\n");
        }
        check(&line(5, ""), &(story + "500.0"), "never detector * coupled");
    }
}

#[test]
fn health_coupled_ends_when_it_goes_on_alone() {
    let mut story = String::from("0.0 all off\n");
    for n in 0..6 {
        let at = 100 + n * 50;
        story += &format!(
            "{at}.0 d-p1 on\n {at}.1 d-p5 on\n {}.0 d-p1 off; d-p5 off\n",
            at + 20
        );
    }
    check(
        &line(5, ""),
        // The first time alone the other might still follow; the second time it plainly has not.
        &(story + "500.0 d-p1 on\n 520.0 d-p1 off\n 550.0 d-p1 on\n 600.0"),
        "between 290 and 400: detector d-p1 coupled
         550.0 detector d-p1 ok was=coupled",
    );
}

/// Two detectors that both watch all of `p1`, of the kinds given.
fn watched_twice(settings: &str, kinds: [&str; 2]) -> String {
    let two = ["one", "two"].iter().zip(kinds).map(|(id, kind)| {
        let levels = if kind == "optical" {
            "unit = \"%\"\non = 30\noff = 60\nwatches = \"whole\"\n"
        } else {
            "unit = \"mA\"\non = 3\noff = 1.5\n"
        };
        format!(
            "[[detector]]\nid = \"{id}\"\nkind = \"{kind}\"\nblock = \"p1\"\n\
             max_silence_s = 0\n{levels}"
        )
    });
    let two: String = two.collect();
    let body = bare("p1", "") + &two + &block("p2", "") + &row(&["p1", "p2"]);
    plan(&(settings.to_owned() + &body))
}

#[test]
fn health_disagreeing_where_two_contradict_each_other_for_long() {
    let plan = watched_twice("", ["current", "current"]);
    check(
        &plan,
        "0.0 one 0.1 mA; two 0.1 mA
         20.0 one 9 mA
         29.0 two 9 mA
         40.0 two 0.1 mA
         60.0 one 0.1 mA
         70.0",
        "between 0 and 49.9: no detector * disagreeing
         50.0 detector one disagreeing
         50.0 detector two disagreeing
         60.0 detector one ok
         60.0 detector two ok
         between 20 and 61: no block p1 vacant",
    );
}

#[test]
fn health_disagreeing_is_not_a_car_that_draws_no_current() {
    let story = "0.0 one 90 %; two 0.1 mA
         20.0 one 5 %
         60.0 one 90 %
         70.0";
    check(
        &watched_twice("", ["optical", "current"]),
        story,
        "never detector * disagreeing
         20.0 block p1 occupied",
    );
    // Where every car draws current, it is a contradiction.
    check(
        &watched_twice("[trains]\nequipped = \"all\"\n", ["optical", "current"]),
        story,
        "30.0 detector one disagreeing
         30.0 detector two disagreeing
         60.0 detector two ok",
    );
    // The other way round it always is.
    check(
        &watched_twice("", ["current", "optical"]),
        "0.0 one 0.1 mA; two 90 %
         20.0 one 9 mA
         60.0",
        "30.0 detector one disagreeing",
    );
}

const WANDERS: &str = "kind = \"current\"\nunit = \"mA\"\nmax_silence_s = 10\n\
     decide = \"sequential\"\nvacant = { mean = 0.3, sd = 0.25 }\n\
     occupied = { mean = 1.7, sd = 0.4 }\nfalse_alarm_every_h = 720\nsample_hz = 1";

#[test]
fn health_drifting_is_raised_and_ended() {
    // Up by 0.9 mA of a gap of 1.4 in an hour, and down again.
    let mut story = String::new();
    for second in 0..7_200 {
        let away = f64::from(3_600 - (second - 3_600_i32).abs()) / 3_600.0;
        story += &format!("{second}.0 d {:.4} mA\n", 0.3 + 0.9 * away);
    }
    check(
        &with(WANDERS),
        &story,
        "never block p1 occupied
         between 2700 and 3300: detector d drifting
         between 4500 and 6500: detector d ok was=drifting
         end block p1 vacant",
    );
}

#[test]
fn evidence_sequential_follows_nothing_while_a_train_is_near() {
    // The same rise beside an occupied block: it may be a train that creeps in.
    let mut story = String::from("0.0 d-p2 on\n");
    for second in 0..3_600 {
        let level = 0.3 + 0.9 * f64::from(second) / 3_600.0;
        story += &format!("{second}.0 d {level:.4} mA\n");
    }
    check(
        &with(WANDERS),
        &story,
        "between 2800 and 3600: block p1 occupied
         never detector d drifting",
    );
}

#[test]
fn health_counts_passes_and_drop_outs_of_each() {
    let mut story = String::from("0.0 all off\n");
    for pass in 0..6 {
        let at = 100 + pass * 100;
        story += &format!(
            "{at}.0 d-p1 on\n {0}.0 d-p1 off\n {0}.5 d-p1 on\n {1}.0 d-p1 off\n \
             {1}.5 d-p1 on\n {2}.0 d-p2 on\n {3}.0 d-p1 off\n {4}.0 d-p2 off\n",
            at + 5,
            at + 10,
            at + 15,
            at + 20,
            at + 30
        );
    }
    check(
        &line(2, ""),
        &(story + "900.0"),
        "end detector d-p1 passes=6 dropouts=12 dropouts_per_pass=2
         end detector d-p2 passes=6 dropouts=0 dropouts_per_pass=0",
    );
}
