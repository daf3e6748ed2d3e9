//! Section 1 of DEVELOPERS.md: from samples to evidence, one detector at a time.

use crate::plans::{bare, block, plan, row};
use crate::story::check;

/// One block `p1` with the detector `d`, and `p2` beside it with the boolean `d-p2`.
fn with(detector: &str) -> String {
    let detector = format!("[[detector]]\nid = \"d\"\nblock = \"p1\"\n{detector}\n");
    plan(&(bare("p1", "") + &detector + &block("p2", "") + &row(&["p1", "p2"])))
}

fn current(keys: &str) -> String {
    with(&format!(
        "kind = \"current\"\nunit = \"mA\"\non = 3.0\noff = 1.5\n{keys}"
    ))
}

const SPELT_OUT: &str = "max_silence_s = 0";

#[test]
fn evidence_at_the_threshold_counts() {
    check(
        &current(SPELT_OUT),
        "0.0 d 1.5 mA
         5.0 d 2.99 mA
         6.0 d 3.0 mA
         9.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied
         between 1.6 and 5.9: no block p1 *",
    );
}

#[test]
fn evidence_between_the_thresholds_stays_what_it_was() {
    check(
        &current(SPELT_OUT),
        "0.0 d 0.2 mA
         5.0 d 2.9 mA
         6.0 d 3.1 mA
         7.0 d 1.6 mA
         40.0 d 1.4 mA
         60.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied
         between 6.1 and 41.4: no block p1 *
         41.5 block p1 lost",
    );
}

#[test]
fn evidence_between_the_thresholds_at_first_is_none() {
    check(
        &current(SPELT_OUT),
        "0.0 d 2.0 mA
         30.0",
        "never block p1 vacant
         never block p1 occupied
         end block p1 unknown kept=null
         end detector d evidence=none",
    );
}

#[test]
fn evidence_of_current_does_not_know_its_sign() {
    check(
        &current(SPELT_OUT),
        "0.0 d -0.2 mA
         5.0 d -3.0 mA
         9.0",
        "1.5 block p1 vacant
         5.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_current_is_counted_from_zero() {
    check(
        &current("max_silence_s = 0\nzero = 10.0"),
        "0.0 d 10.2 mA
         5.0 d 12.9 mA
         6.0 d 6.9 mA
         9.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_raw_counts_is_scaled() {
    check(
        &current("max_silence_s = 0\nscale = 0.01\nformat = \"number\"\ntopic = \"shed/adc/3\""),
        "0.0 raw shed/adc/3 20
         5.0 raw shed/adc/3 299
         6.0 raw shed/adc/3 300
         9.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied
         between 1.6 and 5.9: no block p1 *
         end detector d reading=3.0 unit=mA",
    );
}

#[test]
fn evidence_of_reflected_light_is_high() {
    check(
        &with(
            "kind = \"optical\"\nunit = \"%\"\non = 60\noff = 40\nwatches = \"whole\"\n\
             max_silence_s = 0",
        ),
        "0.0 d 40 %
         5.0 d 59.9 %
         6.0 d 60 %
         9.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_a_beam_is_low() {
    check(
        &with(
            "kind = \"optical\"\nunit = \"/\"\non = 0.3\noff = 0.6\nwatches = \"whole\"\n\
             max_silence_s = 0",
        ),
        "0.0 d 0.6 /
         5.0 d 0.31 /
         6.0 d 0.3 /
         9.0",
        "1.5 block p1 vacant
         6.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_a_contact_is_on_when_true() {
    check(
        &with("kind = \"contact\"\nwatches = \"whole\"\nmax_silence_s = 0"),
        "0.0 d off
         5.0 d on
         9.0",
        "1.5 block p1 vacant
         5.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_words() {
    check(
        &with(
            "kind = \"current\"\nformat = \"words\"\ntopic = \"shed/one\"\nmax_silence_s = 0\n\
             words = { on = [\"BUSY\"], off = [\"IDLE\"] }",
        ),
        "0.0 raw shed/one IDLE
         5.0 raw shed/one BUSY
         9.0",
        "1.5 block p1 vacant
         5.0 block p1 occupied",
    );
}

#[test]
fn evidence_must_last_for_its_confirming_time() {
    check(
        &current("max_silence_s = 0\nconfirm_ms = 100"),
        "0.0 d 0.2 mA
         5.000 d 9 mA
         5.090 d 0.2 mA
         6.000 d 9 mA
         9.0",
        "between 2 and 6.0: no block p1 occupied
         6.1 block p1 occupied",
    );
}

#[test]
fn evidence_back_between_the_thresholds_starts_the_confirming_time_anew() {
    // 'How long a sample must stay at or beyond `on`': 2 mA is not beyond it.
    check(
        &current("max_silence_s = 0\nconfirm_ms = 100"),
        "0.0 d 0.2 mA
         5.000 d 9 mA
         5.050 d 2 mA
         5.080 d 9 mA
         9.0",
        "5.18 block p1 occupied
         between 2 and 5.17: no block p1 occupied",
    );
}

#[test]
fn evidence_that_was_not_heard_from_is_none() {
    check(
        &current(""),
        "0.0
         30.0",
        "10.0 detector d silent
         end detector d evidence=none health=silent
         end block p1 unknown",
    );
}

#[test]
fn evidence_exactly_at_the_longest_silence_is_still_heard() {
    check(
        &current(""),
        "every 10 from 0 to 100: d 0.2 mA",
        "never detector d silent
         1.5 block p1 vacant
         between 2 and 100: no block p1 *",
    );
}

#[test]
fn evidence_of_a_detector_that_reports_changes_only_never_falls_silent() {
    check(
        &current(SPELT_OUT),
        "0.0 d 0.2 mA
         7200.0",
        "never detector d silent
         end block p1 vacant",
    );
}

#[test]
fn evidence_silence_may_be_promised_by_the_pack() {
    // RFC 8428, section 4.3: `ut`, the longest time before the sensor gives an updated reading.
    check(
        &current(""),
        "0.0 raw lane/detector/d [{\"n\":\"current\",\"u\":\"A\",\"v\":0.0002,\"ut\":30}]
         60.0",
        "30.0 detector d silent
         30.0 block p1 unknown was=vacant",
    );
}

#[test]
fn evidence_own_silence_of_the_plan_outranks_the_pack() {
    check(
        &current("max_silence_s = 5"),
        "0.0 raw lane/detector/d [{\"n\":\"current\",\"u\":\"A\",\"v\":0.0002,\"ut\":30}]
         60.0",
        "5.0 detector d silent",
    );
}

#[test]
fn evidence_of_an_offline_node_is_none_at_once() {
    let node = "[[node]]\nid = \"n1\"\n";
    check(
        &(current("max_silence_s = 0\nnode = \"n1\"") + node),
        "0.0 n1 online
         2.5 d 0.2 mA
         20.0 n1 offline
         40.0",
        "4.0 block p1 vacant
         20.0 block p1 unknown was=vacant kept=vacant
         20.0 detector d silent",
    );
}

#[test]
fn evidence_of_a_node_that_settles_counts_only_as_on() {
    let node = "[[node]]\nid = \"n1\"\n";
    check(
        &(current("max_silence_s = 0\nnode = \"n1\"") + node),
        "0.0 n1 online
         2.5 d 0.2 mA
         20.0 n1 offline
         40.0 n1 online
         40.5 d 0.2 mA
         41.9 d 0.2 mA
         42.5 d 0.2 mA
         60.0",
        "43.5..44.0 block p1 vacant was=unknown
         between 40 and 43.4: no block p1 vacant",
    );
    check(
        &(current("max_silence_s = 0\nnode = \"n1\"") + node),
        "0.0 n1 online
         2.5 d 0.2 mA
         20.0 n1 offline
         40.0 n1 online
         40.5 d 9 mA
         60.0",
        "40.5 block p1 occupied",
    );
}

#[test]
fn evidence_outside_its_range_is_dropped() {
    check(
        &current(SPELT_OUT),
        "0.0 d 0.2 mA
         5.0 d -25 mA
         9.0",
        "1.5 block p1 vacant
         between 2 and 9: no block p1 *",
    );
    check(
        &with(
            "kind = \"optical\"\nunit = \"%\"\non = 60\noff = 40\nwatches = \"whole\"\n\
             max_silence_s = 0",
        ),
        "0.0 d 10 %
         5.0 d 106 %
         9.0 d 104.9 %
         12.0",
        "9.0 block p1 occupied
         between 2 and 8.9: no block p1 *",
    );
}

#[test]
fn evidence_of_more_current_than_there_can_be_is_on() {
    check(
        &current(SPELT_OUT),
        "0.0 d 0.2 mA
         5.0 d 25000 mA
         9.0",
        "5.0 block p1 occupied",
    );
}

#[test]
fn evidence_of_a_short_circuit_alarms() {
    check(
        &current("max_silence_s = 0\nshort_ma = 4000"),
        "0.0 d 0.2 mA
         5.0 d 4000 mA
         10.0 d 4001 mA
         20.0 d 9 mA
         30.0",
        "5.0 block p1 occupied
         between 0 and 9.9: no alarm short:p1
         10.0 alarm short:p1 unacknowledged high
         20.0 alarm short:p1 returned-unacknowledged",
    );
}

#[test]
fn evidence_of_no_number_is_dropped() {
    check(
        &with(
            "kind = \"current\"\nformat = \"number\"\nunit = \"mA\"\non = 3.0\noff = 1.5\n\
             max_silence_s = 0",
        ),
        "0.0 raw lane/detector/d 0.2
         5.0 raw lane/detector/d NaN
         6.0 raw lane/detector/d inf
         9.0",
        "1.5 block p1 vacant
         between 2 and 5.9: no block p1 *",
    );
}

#[test]
fn evidence_older_than_what_is_known_is_dropped() {
    // RFC 8428, section 4.5.3: times of 2^28 and more are absolute.
    let pack = |time: f64, ampere: f64| {
        format!("[{{\"n\":\"current\",\"u\":\"A\",\"t\":{time},\"v\":{ampere}}}]")
    };
    let story = format!(
        "0.0 raw lane/detector/d {}\n 5.0 raw lane/detector/d {}\n\
         5.2 raw lane/detector/d {}\n 9.0",
        pack(1_800_000_000.0, 0.0002),
        pack(1_800_000_005.0, 0.0002),
        pack(1_800_000_004.0, 0.009)
    );
    check(
        &current(SPELT_OUT),
        &story,
        "1.5 block p1 vacant
         never block p1 occupied",
    );
}

#[test]
fn evidence_of_a_node_that_woke_with_a_wrong_clock_is_heard_after_three() {
    let pack = |time: f64, ampere: f64| {
        format!("[{{\"n\":\"current\",\"u\":\"A\",\"t\":{time},\"v\":{ampere}}}]")
    };
    let mut story = format!(
        "0.0 raw lane/detector/d {}\n",
        pack(1_800_000_000.0, 0.0002)
    );
    for n in 0..5 {
        let second = 5 + n;
        story += &format!(
            "{second}.0 raw lane/detector/d {}\n",
            pack(1_700_000_000.0 + f64::from(n), 0.009)
        );
    }
    check(
        &current(SPELT_OUT),
        &(story + "20.0"),
        "between 5 and 8.1: block p1 occupied
         between 0 and 6.9: no block p1 occupied",
    );
}

#[test]
fn evidence_in_one_pack_is_taken_in_order_of_its_times() {
    check(
        &current(SPELT_OUT),
        "0.0 d 0.2 mA
         5.0 raw lane/detector/d [{\"n\":\"current\",\"u\":\"A\",\"t\":-1,\"v\":0.0002},\
         {\"n\":\"current\",\"u\":\"A\",\"t\":-2,\"v\":0.009}]
         9.0",
        "5.0 block p1 occupied
         5.0..6.6 block p1 lost",
    );
}

#[test]
fn evidence_retained_is_old_news() {
    check(
        &current(""),
        "0.0 retained d 9 mA
         9.0",
        "never block p1 occupied
         end detector d evidence=none",
    );
}

#[test]
fn evidence_retained_counts_where_only_changes_are_reported() {
    check(
        &current(SPELT_OUT),
        "0.0 retained d 9 mA
         9.0",
        "0.0 block p1 occupied",
    );
}

#[test]
fn evidence_retained_needs_its_node_online() {
    let node = "[[node]]\nid = \"n1\"\n";
    check(
        &(current("max_silence_s = 0\nnode = \"n1\"") + node),
        "0.0 n1 offline
         1.0 retained d 9 mA
         9.0",
        "never block p1 occupied",
    );
    check(
        &(current("max_silence_s = 0\nnode = \"n1\"") + node),
        "0.0 n1 online
         3.0 retained d 9 mA
         9.0",
        "3.0 block p1 occupied",
    );
}

#[test]
fn evidence_retained_position_feed_and_node_count() {
    let turnout =
        "[[turnout]]\nid = \"w1\"\ntoe = \"p1.b\"\nnormal = \"p2.a\"\nreverse = \"p3.a\"\n";
    let body: String = ["p1", "p2", "p3"].iter().map(|id| block(id, "")).collect();
    check(
        &plan(&(body + turnout + "[[feed]]\nid = \"f2\"\nblocks = [\"p2\"]\n")),
        "0.0 retained w1 normal; retained f2 off
         9.0",
        "0.15 turnout w1 position=normal
         0.0 block p2 dark",
    );
}
