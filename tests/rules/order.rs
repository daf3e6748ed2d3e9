//! Section 7 of DEVELOPERS.md: time comes with the input, the order is that of arrival, and the
//! same recording gives the same bytes.

use crate::plans::{Watch, junction, line};
use crate::story::{bytes, check, check_until};

#[test]
fn order_inputs_of_one_moment_are_taken_as_they_come() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on; d-p1 off; d-p1 on
         8.0",
        "once block p1 occupied
         never block p1 lost
         end block p1 occupied",
    );
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p1 on; d-p1 off
         6.4",
        "5.0 block p1 occupied
         end block p1 occupied",
    );
}

#[test]
fn order_which_of_two_came_first_decides_who_entered_where() {
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p2 on; d-p1 off
         20.0",
        "11.5 block p1 vacant
         end train t1 blocks=p2 heading=p2.b",
    );
    // The other way about p1 is still within its release when p2 is entered: nothing else comes of
    // it.
    check(
        &line(4, ""),
        "0.0 all off
         5.0 d-p1 on
         10.0 d-p1 off; d-p2 on
         20.0",
        "11.5 block p1 vacant
         end train t1 blocks=p2 heading=p2.b",
    );
}

#[test]
fn order_timers_fire_between_the_lines_at_their_own_time() {
    check(
        &line(3, ""),
        "0.0 all off
         5.0 d-p2 on
         10.0 d-p2 off
         1000.0",
        "1.5 block p1 vacant
         11.5 block p2 lost
         16.5 alarm train-lost:p2 unacknowledged",
    );
}

#[test]
fn order_time_runs_on_to_until() {
    let story = "0.0 all off\n 5.0 d-p2 on\n 10.0 d-p2 off";
    check_until(
        &line(3, ""),
        story,
        "11.4",
        "never block p2 lost\n end block p2 occupied",
    );
    check_until(
        &line(3, ""),
        story,
        "11.5",
        "11.5 block p2 lost\n end block p2 lost",
    );
}

#[test]
fn order_starts_at_the_first_line() {
    check(
        &line(3, ""),
        "1000.0 all off
         1005.0",
        "1001.5 block p1 vacant
         end block p1 since=1001.5",
    );
}

#[test]
fn order_many_releases_of_one_deadline_come_by_id() {
    check(
        &line(3, ""),
        "0.0 d-p3 off; d-p1 off; d-p2 off\n 5.0",
        "1.5 block p1 vacant\n 1.5 block p2 vacant\n 1.5 block p3 vacant",
    );
    let text = String::from_utf8(bytes(
        &line(3, ""),
        "0.0 d-p3 off; d-p1 off; d-p2 off\n 5.0",
    ));
    let text = text.expect("the output is text");
    let ids: Vec<&str> = text
        .lines()
        .filter(|line| line.contains("\"vacant\"") && line.contains("\"kind\":\"block\""))
        .filter_map(|line| {
            ["p1", "p2", "p3"]
                .into_iter()
                .find(|id| line.contains(&format!("\"{id}\"")))
        })
        .collect();
    assert_eq!(ids, ["p1", "p2", "p3"], "{text}");
}

#[test]
fn order_the_same_recording_gives_the_same_bytes() {
    let plan = junction(Watch::Section, "", "");
    let story = "0.0 all off; w1 normal
        10.0 d-far on
        15.0 d-west on
        17.0 d-far off
        20.0 w1 reverse
        30.0 d-w1 on
        33.0 d-side on
        36.0 d-west off
        40.0 d-w1 off
        100.0";
    let first = bytes(&plan, story);
    let text = String::from_utf8_lossy(&first);
    assert!(
        text.contains("\"id\":\"left-diverging:w1\""),
        "the story says something"
    );
    assert_eq!(first, bytes(&plan, story));
}

#[test]
fn order_a_bad_line_is_named_skipped_and_remembered_in_the_exit_code() {
    check(
        &line(3, ""),
        "0.0 d-p1 off
         1.0 line this is no recording
         1.5
         2.0 line {\"t\":1.0,\"topic\":\"lane/detector/d-p1\",\
         \"payload\":[{\"n\":\"seen\",\"vb\":true}]}
         5.0 d-p1 on
         8.0",
        "5.0 block p1 occupied
         never block p1 occupied t=1.0
         exit 1
         stderr 2
         stderr 4",
    );
}

#[test]
fn order_what_the_plan_does_not_know_is_no_bad_line() {
    check(
        &line(3, ""),
        "0.0 d-p1 off
         1.0 raw lane/detector/nobody [{\"n\":\"seen\",\"vb\":true}]
         1.0 raw elsewhere/altogether 17
         1.0 raw lane/detector/d-p1 [{\"n\":\"seen\"}]
         8.0",
        "1.5 block p1 vacant
         exit 0",
    );
}

#[test]
fn order_a_sample_that_changes_nothing_says_nothing() {
    check(
        &line(3, ""),
        "keep 0.1
         0.0 all off
         5.0 d-p1 on
         60.0",
        "once block p1 occupied
         once block p2 vacant
         once train t1 new",
    );
}
