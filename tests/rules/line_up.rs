//! Section 8 of DEVELOPERS.md: what keeps the layout from being ready.

use crate::plans::{Watch, bare, block, crossover, feed, junction, line, plan, row};
use crate::story::{check, check_power_cut};

#[test]
fn line_up_is_ready_when_all_is_proven() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         20.0",
        "end ready true
         end no exception w1
         end no exception west",
    );
}

#[test]
fn line_up_points_diverging_or_unknown_stop() {
    let plan = junction(Watch::Section, "", "");
    check(
        &plan,
        "0.0 all off; w1 reverse\n 20.0",
        "end ready false\n end exception w1 stops",
    );
    check(
        &plan,
        "0.0 all off\n 20.0",
        "end ready false\n end exception w1 stops",
    );
}

#[test]
fn line_up_yard_points_do_not_stop() {
    check(
        &junction(Watch::Section, "", "rest = \"none\""),
        "0.0 all off; w1 reverse\n 20.0",
        "end ready true\n end no exception w1 stops",
    );
}

#[test]
fn line_up_unknown_though_watched_stops() {
    check(
        &line(3, ""),
        "0.0 d-p1 off; d-p2 off\n 20.0",
        "end ready false\n end exception p3 stops",
    );
}

#[test]
fn line_up_a_lost_train_stops() {
    check(
        &line(3, ""),
        "0.0 all off\n 5.0 d-p2 on\n 6.0 d-p2 off\n 9.0",
        "end ready false\n end exception p2 stops",
    );
}

#[test]
fn line_up_what_is_only_remembered_stops() {
    check_power_cut(
        &line(3, ""),
        "0.0 all off\n 5.0 d-p2 on\n 20.0",
        "0.0 d-p1 off; d-p3 off\n 20.0",
        "end ready false\n end exception p2 stops",
    );
}

#[test]
fn line_up_a_feed_not_at_rest_is_a_note() {
    let body = block("p1", "") + &block("p2", "use = \"siding\"") + &row(&["p1", "p2"]);
    check(
        &plan(
            &(body
                + &feed("f2", "[\"p2\"]", "rest = \"off\"")
                + &feed("lights", "[]", "rest = \"off\"")),
        ),
        "0.0 all off; f2 on; lights on\n 20.0",
        "end exception f2 note\n end exception lights note\n end ready true",
    );
}

#[test]
fn line_up_a_dark_siding_of_unknown_content_is_a_note() {
    let body = block("p1", "") + &block("p2", "use = \"siding\"") + &row(&["p1", "p2"]);
    check(
        &plan(&(body + &feed("f2", "[\"p2\"]", "rest = \"off\""))),
        "0.0 all off; f2 off\n 20.0",
        "end exception p2 note\n end ready true",
    );
}

#[test]
fn line_up_a_split_crossover_and_high_alarms_stop() {
    check(
        &crossover(""),
        "0.0 all off; w3 normal; w4 reverse\n 20.0",
        "end ready false\n end exception x1 stops",
    );
}

#[test]
fn line_up_what_nothing_watches_is_to_be_looked_at_and_does_not_stop() {
    let plan =
        plan(&(block("p1", "") + &bare("p2", "") + &bare("p3", "") + &row(&["p1", "p2", "p3"])));
    check(
        &plan,
        "0.0 all off\n 20.0",
        "end ready true
         end exception unwatched
         end no exception unwatched stops",
    );
    check(
        &line(3, ""),
        "0.0 all off\n 20.0",
        "end ready true\n end no exception unwatched",
    );
}
