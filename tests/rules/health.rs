//! Section 1 of behaviour.md, its last two points: light that changes everywhere, and how a
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

#[test]
fn health_stuck_where_nothing_stands() {
    // p3 says on from the beginning; one train comes and goes on its left, another on its right.
    let plan = line(5, "").replace(
        "block = \"p3\"\nmax_silence_s = 0\n",
        "block = \"p3\"\nmax_silence_s = 0\nstuck_h = 0.1\n",
    );
    check(
        &plan,
        "0.0 all off; d-p3 on
         10.0 d-p1 on
         20.0 d-p2 on
         22.0 d-p1 off
         30.0 d-p1 on
         32.0 d-p2 off
         50.0 d-p5 on
         60.0 d-p4 on
         62.0 d-p5 off
         70.0 d-p5 on
         72.0 d-p4 off
         500.0",
        "between 0 and 359.9: no detector d-p3 stuck
         between 360 and 500: detector d-p3 stuck",
    );
}

#[test]
fn health_on_for_long_under_a_standing_train_is_not_stuck() {
    let plan = line(5, "").replace(
        "block = \"p3\"\nmax_silence_s = 0\n",
        "block = \"p3\"\nmax_silence_s = 0\nstuck_h = 0.1\n",
    );
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
