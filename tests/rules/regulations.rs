//! Checks against published rules: 49 CFR Parts 218 and 236 (2015 edition).

use crate::plans::{Watch, block, feed, junction, plan, row};
use crate::story::check;

/// A train stands at 20.0 across the section of points set diverging; its detection is lost at
/// 30.000 and comes back at `back`.
fn loss_of_shunt(watch: Watch, back: &str) -> String {
    let under = match watch {
        Watch::Section => "d-w1",
        Watch::Beams | Watch::Covered => "d-west",
    };
    format!(
        "0.0 all off; w1 reverse
         10.0 d-far on
         20.0 d-west on
         21.0 d-w1 on
         30.0 {under} off
         {back} {under} on
         60.0"
    )
    .replace(
        "21.0 d-w1 on",
        if watch == Watch::Section {
            "21.0 d-w1 on"
        } else {
            "21.0"
        },
    )
}

/// 49 CFR 236.309(a), (b): a loss of shunt of 5 seconds or less shall not permit a release.
#[test]
fn t1_a_loss_of_shunt_of_five_seconds_or_less_never_clears() {
    for (watch, name) in [(Watch::Section, "section"), (Watch::Covered, "covered")] {
        for back in ["30.500", "32.000", "34.990", "35.000"] {
            println!("{name}, back at {back}");
            check(
                &junction(watch, "", ""),
                &loss_of_shunt(watch, back),
                "between 20 and 60: no turnout w1 cleared
                 between 20 and 60: no turnout w1 awaiting
                 between 20 and 60: no turnout w1 free
                 never alarm left-diverging:w1
                 end turnout w1 fouled",
            );
        }
    }
}

/// 49 CFR 236.309(a), (b), the other side of the table: longer than 5 seconds may release.
#[test]
fn t1_a_loss_of_shunt_of_more_than_five_seconds_clears() {
    check(
        &junction(Watch::Section, "", ""),
        &loss_of_shunt(Watch::Section, "35.010"),
        "35.001..35.009 turnout w1 cleared was=fouled
         35.01 turnout w1 fouled was=cleared",
    );
}

/// 49 CFR 236.309: a second loss does not add to the first.
#[test]
fn t1_two_losses_of_four_seconds_are_not_one_of_eight() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 reverse
         20.0 d-west on
         21.0 d-w1 on
         30.0 d-w1 off
         34.0 d-w1 on
         34.2 d-w1 off
         38.2 d-w1 on
         60.0",
        "21.0 turnout w1 fouled
         between 21.1 and 60: no turnout w1 *",
    );
}

/// 49 CFR 218.93 'foul', 218.103(d), 236.799: not cleared until the whole train is past the
/// clearance point. One row: where the train's end is, and whether the turnout is cleared.
#[test]
fn t2_cleared_only_when_the_whole_train_is_past_the_clearance_point() {
    let rows = [
        ("the head on the points", "d-west on; d-w1 on", false),
        (
            "across points and side",
            "d-west on; d-w1 on; d-side on",
            false,
        ),
        (
            "the tail between points and clearance point",
            "d-w1 on; d-side on",
            false,
        ),
        ("wholly in the side", "d-side on", true),
        ("wholly in the spur", "d-spur on", true),
    ];
    for (number, (name, where_it_stands, cleared)) in rows.iter().enumerate() {
        // The same way in each time; the train stops where the row says, at 40.0 at the latest.
        let steps = [
            "15.0 d-west on",
            "20.0 d-w1 on",
            "25.0 d-side on",
            "28.0 d-west off",
            "30.0 d-w1 off",
            "35.0 d-spur on",
            "38.0 d-side off",
        ];
        let taken = [2, 3, 4, 5, 7][number];
        let story = format!(
            "0.0 all off; w1 reverse\n {}\n 120.0",
            steps[..taken].join("\n")
        );
        println!("{name} ({where_it_stands})");
        let expected = if *cleared {
            "35.001..35.01 turnout w1 cleared was=fouled\n 45.001..45.02 turnout w1 left-diverging"
        } else {
            "never turnout w1 cleared\n never alarm left-diverging:w1\n end turnout w1 fouled"
        };
        check(&junction(Watch::Section, "", ""), &story, expected);
    }
}

const GONE_INTO_THE_SIDE: &str = "0.0 all off; w1 normal
    10.0 w1 reverse
    15.0 d-west on
    20.0 d-w1 on
    25.0 d-side on
    28.0 d-west off
    30.0 d-w1 off";

/// 49 CFR 218.105(b): lined in its designated normal position when not in use ...
#[test]
fn t2_left_diverging_when_not_in_use() {
    check(
        &junction(Watch::Section, "", ""),
        &format!("{GONE_INTO_THE_SIDE}\n 120.0"),
        "45.001..45.02 alarm left-diverging:w1 unacknowledged",
    );
}

/// 218.105(b)(2): ... except while somebody is in charge of it.
#[test]
fn t2_not_left_diverging_while_in_somebodys_charge() {
    check(
        &junction(Watch::Section, "", ""),
        &format!("{GONE_INTO_THE_SIDE}\n 32.0 do in-charge w1 {{\"who\":\"Ann\"}}\n 120.0"),
        "35.001..35.01 turnout w1 cleared
         never alarm left-diverging:w1 unacknowledged",
    );
}

/// 218.105(b): the *designated* position; yard points have none.
#[test]
fn t2_not_left_diverging_where_no_position_is_designated() {
    check(
        &junction(Watch::Section, "", "rest = \"none\""),
        &format!("{GONE_INTO_THE_SIDE}\n 120.0"),
        "35.001..35.01 turnout w1 cleared
         never alarm left-diverging:w1",
    );
}

/// 218.101(b)(2): equipment may foul the switch that is lined for the siding it stands on: the
/// points are in use as long as it does.
#[test]
fn t2_not_left_diverging_while_equipment_stands_within_the_clearance_point() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 w1 reverse
         15.0 d-west on
         20.0 d-w1 on
         25.0 d-side on
         28.0 d-west off
         1200.0",
        "never alarm left-diverging:w1
         end turnout w1 fouled",
    );
}

/// 218.103(b)(7): not operated while equipment is fouling it, or standing or moving over it. Rows:
/// when the points are thrown, and the priority of what is said about it (none: it is allowed).
#[test]
fn t4_operated_under_equipment() {
    let rows = [
        ("18.0", None),
        ("22.0", Some("high")),
        ("29.0", Some("high")),
        ("32.0", Some("medium")),
        ("34.5", Some("medium")),
        ("36.0", None),
    ];
    for (thrown, priority) in rows {
        println!("thrown at {thrown}");
        let story = format!("{GONE_INTO_THE_SIDE}\n {thrown} w1 normal\n 120.0");
        let alarm = "moved-under-train:w1";
        let expected = match priority {
            Some(priority) => {
                format!("between 0 and 120: alarm {alarm} unacknowledged {priority}")
            }
            None => format!("never alarm {alarm}"),
        };
        check(&junction(Watch::Section, "", ""), &story, &expected);
    }
}

/// 236.51(b): a track circuit is in its most restrictive state while any part is occupied, the
/// fouling section of a turnout included.
#[test]
fn b2_a_section_or_a_block_occupied_in_part_is_occupied() {
    check(
        &junction(Watch::Section, "", ""),
        "0.0 all off; w1 normal
         10.0 d-w1 on
         20.0",
        "10.0 turnout w1 fouled",
    );
}

/// Joint hopping (GK/RC0752 B3): a short vehicle that has left one block
/// and is not yet seen in the next must not vanish: the delay to release exceeds the delay to see.
#[test]
fn b3_a_short_vehicle_between_two_blocks_does_not_vanish() {
    let slow = block("p2", "").replace(
        "max_silence_s = 0\n",
        "max_silence_s = 0\nconfirm_ms = 100\n",
    );
    check(
        &plan(&(block("p1", "") + &slow + &block("p3", "") + &row(&["p1", "p2", "p3"]))),
        "0.0 all off
         5.0 d-p1 on
         10.000 d-p1 off
         10.050 d-p2 on
         20.0",
        "10.15 block p2 occupied
         11.5 block p1 vacant
         never block p1 lost
         end train t1 blocks=p2
         end trains 1",
    );
}

/// 236.205(d): with the circuit's energy gone the signal is at its most restrictive: dead track is
/// not clear.
#[test]
fn b6_dead_track_is_not_clear() {
    check(
        &(junction(Watch::Covered, "", "") + &feed("f", "[\"west\"]", "")),
        "0.0 all off; f on; w1 normal
         20.0 f off
         60.0",
        "20.0 block west dark
         end turnout w1 state!=free",
    );
}
