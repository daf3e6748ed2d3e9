//! Section 6 of DEVELOPERS.md: an alarm of a known item can be put aside before it is up, and one
//! of anything else cannot.

use crate::plans::{bare, block, crossover, feed, join, plan};
use crate::story::check;

/// Each alarm is shelved, one a second, and whether that was done is told.
#[track_caller]
fn check_shelved(plan: &str, known: &[&str], unknown: &[&str]) {
    let mut story = String::from("0.0 all off\n");
    let mut expected = String::new();
    for (at, id) in (1..).zip(known.iter().chain(unknown)) {
        story += &format!("{at}.0 do shelve {id} {{\"who\":\"Ann\",\"minutes\":5}}\n");
    }
    story += "60.0";
    for (at, id) in (1..).zip(known) {
        expected += &format!("{at}.0 alarm {id} shelved was=normal\n");
    }
    for id in unknown {
        expected += &format!("never alarm {id} shelved\n");
    }
    check(plan, &story, &expected);
}

#[test]
fn alarm_of_points_and_what_belongs_to_them_can_be_shelved_before_it_is_up() {
    let plan = crossover("") + &feed("f1", "[\"up-1\"]", "");
    check_shelved(
        &plan,
        &[
            "left-diverging:w3",
            "moved-under-train:w4",
            "crossover-split:x1",
            "no-road:w3",
            "no-road:up-1",
            "train-lost:up-2",
            "train-lost:w3",
            "power-lost:f1",
            "detector-fault:d-w3",
            "broker-lost:broker",
            "journal-behind:journal",
        ],
        &[
            "left-diverging:up-1",
            "left-diverging:x1",
            "moved-under-train:f1",
            "crossover-split:w3",
            "no-road:x1",
            "train-lost:f1",
            "power-lost:up-1",
            "detector-fault:w3",
            "not-at-rest:w3",
            "opposing:nobody",
            "broker-lost:w3",
            "broker-lost:",
            "journal-behind:broker",
            "left-divergin:w3",
            "left-diverging",
            ":w3",
        ],
    );
}

#[test]
fn alarm_of_a_table_or_a_device_can_be_shelved_before_it_is_up() {
    let plan = plan(
        &("[[node]]\nid = \"n1\"\n".to_owned()
            + &block("lead", "")
            + &bare("bridge", "")
            + &block("s1", "use = \"stub\"")
            + &block("s2", "use = \"stub\"")
            + "[[table]]\nid = \"tt\"\nbridge = \"bridge\"\n\
               [[table.stop]]\nat = \"1\"\na = \"lead.b\"\nb = \"s1.a\"\n\
               [[table.stop]]\nat = \"2\"\nb = \"s2.a\"\n"),
    );
    check_shelved(
        &plan,
        &[
            "not-at-rest:tt",
            "moved-under-train:tt",
            "no-correspondence:tt",
            "no-road:tt",
            "detector-fault:n1",
            "train-lost:bridge",
        ],
        &[
            "not-at-rest:bridge",
            "left-diverging:tt",
            "no-road:n1",
            "train-lost:tt",
            "detector-fault:tt",
        ],
    );
}

#[test]
fn alarm_of_a_train_can_be_shelved_as_long_as_there_is_such_a_train() {
    let plan = plan(&(block("p1", "") + &block("p2", "") + &join("p1.b", "p2.a")));
    check_shelved(&plan, &[], &["opposing:t1"]);
    check(
        &plan,
        "0.0 all off
         5.0 d-p1 on
         10.0 do shelve opposing:t1 {\"who\":\"Ann\",\"minutes\":5}
         10.5 do shelve opposing:t2 {\"who\":\"Ann\",\"minutes\":5}
         20.0",
        "10.0 alarm opposing:t1 shelved was=normal
         never alarm opposing:t2 shelved",
    );
}
