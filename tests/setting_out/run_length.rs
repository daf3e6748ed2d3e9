//! Run lengths against the tables of those who first printed them.

use taillamp::engine::layout::Sequential;
use taillamp::setting_out::run_length::{Cusum, ewma, normal_above, threshold};

const SHIFTS: [f64; 11] = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0];

/// Whether a value rounds to what was printed with so many decimals, with a tenth of the last
/// digit to spare for values at a half.
fn printed(value: f64, published: f64, decimals: i32) -> bool {
    (value - published).abs() <= 0.51 * 10_f64.powi(-decimals)
}

/// Three significant digits, as the tables of 1982 and 1990 have them.
fn three_digits(value: f64, published: f64) -> bool {
    let decimals = match published {
        large if large >= 100.0 => 0,
        middle if middle >= 10.0 => 1,
        _ => 2,
    };
    printed(value, published, decimals)
}

/// Lucas & Crosier 1982, table 1: two-sided, k = 1/2, h = 4, without and with a head start of
/// half the limit. The printed 1.32 (head start, shift 3) is 1.33 by every recomputation
/// (check-values 4.3): one unit of the last digit is allowed there.
#[test]
fn two_sided_sum_is_lucas_and_crosiers() {
    let test = Cusum { k: 0.5, h: 4.0 };
    let zero = [
        168.0, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31,
    ];
    let head = [
        149.0, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07, 1.01,
    ];
    for ((shift, zero), head) in SHIFTS.into_iter().zip(zero).zip(head) {
        let ours = test.two_sided(shift, 0.0);
        assert!(three_digits(ours, zero), "shift {shift}: {ours} {zero}");
        let ours = test.two_sided(shift, 2.0);
        let misprint = shift == 3.0 && (ours - 1.33).abs() < 0.005;
        assert!(
            three_digits(ours, head) || misprint,
            "shift {shift}: {ours} {head}"
        );
    }
}

/// Two-sided k = 1/2, h = 5: Montgomery, Introduction to Statistical Quality Control (465, 139,
/// 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01; from memory), here with the digits recomputed
/// for check-values 4.3; one-sided 336 and 930 in the NIST e-Handbook 6.3.2.3.1 (from memory).
#[test]
fn limit_five_is_montgomerys() {
    let test = Cusum { k: 0.5, h: 5.0 };
    let published = [
        465.4, 139.5, 38.0, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01, 1.69,
    ];
    for (shift, published) in SHIFTS.into_iter().zip(published) {
        let ours = test.two_sided(shift, 0.0);
        assert!(
            (ours / published - 1.0).abs() < 0.003,
            "shift {shift}: {ours}"
        );
    }
    assert!(printed(test.one_sided(0.0, 0.0), 930.9, 1));
    assert!(printed(
        Cusum { k: 0.5, h: 4.0 }.one_sided(0.0, 0.0),
        335.4,
        1
    ));
}

/// Brook & Evans 1972, section 4.3: 117.59 by their chain of order 200, 3.75 after a shift of
/// 1.5; the integral equation gives 117.60 (check-values 4.3).
#[test]
fn one_sided_sum_is_brook_and_evans() {
    let test = Cusum { k: 0.5, h: 3.0 };
    assert!((test.one_sided(0.0, 0.0) - 117.59).abs() < 0.015);
    assert!(printed(test.one_sided(1.5, 0.0), 3.75, 2));
}

/// Vance 1986 (after Goel & Wu 1971): one-sided, k = 0, h = 10. At -0.25 he has 2071.51 where
/// recomputation gives 2071.57 (check-values 4.3).
#[test]
fn one_sided_sum_is_vances() {
    let test = Cusum { k: 0.0, h: 10.0 };
    for (shift, published) in [
        (-0.25, 2071.51),
        (-0.125, 400.28),
        (0.0, 124.66),
        (0.125, 59.30),
        (0.25, 36.71),
        (0.5, 20.37),
        (0.75, 14.06),
        (1.0, 10.75),
    ] {
        let ours = test.one_sided(shift, 0.0);
        assert!(
            (ours - published).abs() < 0.08,
            "shift {shift}: {ours} {published}"
        );
    }
}

/// SAS/QC 1999: two-sided k = 1/4, h = 8, shift 2.5; without and with a head start of 0.1.
#[test]
fn head_start_is_sas_qcs() {
    let test = Cusum { k: 0.25, h: 8.0 };
    for (start, published) in [(0.0, 4.150_083_622_5), (0.1, 4.106_158_813_1)] {
        let ours = test.two_sided(2.5, start);
        assert!((ours - published).abs() < 2e-7, "start {start}: {ours}");
    }
}

/// Waldmann 1986: one-sided k = 1/2, h = 3.
#[test]
fn one_sided_sum_is_waldmanns() {
    let test = Cusum { k: 0.5, h: 3.0 };
    for (shift, published) in [(-0.5, 1963.0), (0.0, 117.4), (0.5, 17.35)] {
        let ours = test.one_sided(shift, 0.0);
        assert!(
            (ours / published - 1.0).abs() < 0.003,
            "shift {shift}: {ours}"
        );
    }
}

/// Hawkins 1993: limits for a two-sided run length of 370 (from memory); 370.3, 368.6, 370.6,
/// 372.8, 373.5 and 376.3 by the integral equation (check-values 4.3).
#[test]
fn limits_are_hawkins() {
    for (k, h, recomputed) in [
        (0.25, 8.01, 370.3),
        (0.5, 4.77, 368.6),
        (0.75, 3.34, 370.6),
        (1.0, 2.52, 372.8),
        (1.25, 1.99, 373.5),
        (1.5, 1.61, 376.3),
    ] {
        let ours = Cusum { k, h }.two_sided(0.0, 0.0);
        assert!(printed(ours, recomputed, 1), "k {k}: {ours} {recomputed}");
        assert!((ours / 370.0 - 1.0).abs() < 0.02, "k {k}: {ours}");
    }
}

/// Lucas & Saccucci 1990, table 3.
#[test]
fn weighted_mean_is_lucas_and_saccuccis() {
    let half = [
        500.0, 255.0, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.34, 1.07,
    ];
    let slow = [
        500.0, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.11, 2.55,
    ];
    for ((shift, half), slow) in SHIFTS.into_iter().zip(half).zip(slow) {
        let ours = ewma(0.5, 3.071, shift);
        assert!(three_digits(ours, half), "shift {shift}: {ours} {half}");
        let ours = ewma(0.03, 2.437, shift);
        assert!(three_digits(ours, slow), "shift {shift}: {ours} {slow}");
    }
}

/// A plain threshold three spreads up and down (Shewhart): 370.4, 281.2, 155.2, 81.2, 43.9, 14.97,
/// 6.30, 3.24, 2.00, 1.19 (check-values 4.3, from the normal distribution).
#[test]
fn plain_threshold_is_shewharts() {
    let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];
    let published = [
        370.4, 281.2, 155.2, 81.2, 43.9, 14.97, 6.30, 3.24, 2.00, 1.19,
    ];
    for (shift, published) in shifts.into_iter().zip(published) {
        let ours = threshold(normal_above(3.0 - shift) + normal_above(3.0 + shift), 1);
        assert!(
            (ours / published - 1.0).abs() < 0.003,
            "shift {shift}: {ours}"
        );
    }
    // Three heads in a row take 14 throws (Feller, XIII.7).
    assert!((threshold(0.5, 3) - 14.0).abs() < 1e-9);
}

/// Montgomery, Introduction to Statistical Quality Control, tables 9.1 and 9.2: mean 10, spread
/// 1, K = 1/2, H = 5. The upper sum, to 0.005; the first signal is at observation 29.
#[test]
fn upper_sum_is_montgomerys() {
    let data = [
        9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
        10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38,
        11.62, 11.31, 10.52,
    ];
    let published = [
        0.0, 0.0, 0.0, 1.16, 2.82, 2.50, 0.04, 1.00, 0.0, 0.0, 0.0, 0.97, 0.98, 0.0, 0.0, 0.0,
        0.12, 0.0, 0.0, 0.34, 0.74, 0.0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
    ];
    let test = Cusum { k: 0.5, h: 5.0 };
    let sums = test.sums(data.iter().map(|x| x - 10.0), 0.0);
    for (index, (ours, published)) in sums.iter().zip(published).enumerate() {
        assert!(
            (ours - published).abs() <= 0.0051,
            "{}: {ours} {published}",
            index + 1
        );
    }
    assert_eq!(sums.iter().position(|sum| *sum >= test.h), Some(28));
    // The sum has been above zero for seven observations: the change lies between 22 and 23.
    let above = sums[..=28].iter().rev().take_while(|sum| **sum > 0.0);
    assert_eq!(above.count(), 7);
    // The lower sum, as recomputed for check-values 4.1; it ends at zero.
    let lower = [
        0.05, 1.56, 1.77, 0.0, 0.0, 0.0, 1.46, 0.0, 0.30, 0.0, 0.47, 0.0, 0.0, 0.10, 0.0, 0.13,
        0.0, 0.0, 0.98, 0.0, 0.0, 0.17, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
    ];
    let sums = test.sums(data.iter().map(|x| 10.0 - x), 0.0);
    for (index, (ours, recomputed)) in sums.iter().zip(lower).enumerate() {
        assert!(
            (ours - recomputed).abs() <= 0.0051,
            "{}: {ours} {recomputed}",
            index + 1
        );
    }
}

/// Lucas & Crosier 1982, table 5: h = 5, k = 1/2, without and with a head start of 2.5.
#[test]
fn head_start_signals_as_lucas_and_crosiers() {
    let data = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
    let test = Cusum { k: 0.5, h: 5.0 };
    for (start, published, first) in [
        (0.0, [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 7),
        (2.5, [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], 3),
    ] {
        let sums = test.sums(data, start);
        for (ours, published) in sums.iter().zip(published) {
            assert!((ours - published).abs() < 1e-9, "{ours} {published}");
        }
        assert_eq!(sums.iter().position(|sum| *sum >= test.h), Some(first - 1));
    }
}

/// The engine's chain and the integral equation, two methods for one number: with a small gap
/// between the levels the bound on one sample's weight does not matter.
#[test]
fn the_engines_promise_is_the_integral_equations() {
    let promise = taillamp::engine::promise(Sequential {
        vacant_mean: 2.0,
        vacant_sd: 0.5,
        occupied_mean: 2.5,
        occupied_sd: 0.5,
        false_alarm_every_h: 930.9 / 3_600.0,
        sample_hz: 1.0,
        spikes: true,
    });
    let exact = Cusum { k: 0.5, h: 5.0 };
    let (between, until) = (exact.one_sided(0.0, 0.0), exact.one_sided(1.0, 0.0));
    assert!(
        (promise.between_false_occupancies / between - 1.0).abs() < 0.01,
        "{promise:?}"
    );
    assert!(
        (promise.until_occupied / until - 1.0).abs() < 0.01,
        "{promise:?}"
    );
}

/// The delay at the same false-alarm rate, within a tenth of the optimum: the cumulative sum is
/// optimal for a known shift (Moustakides 1986). The engine's own simulation of ten thousand runs
/// gives the same delays; a plain threshold's is printed beside them.
#[test]
fn delay_is_near_the_optimum_and_far_below_a_plain_thresholds() {
    for (gap, optimum) in [
        (1.0, Cusum { k: 0.5, h: 5.0 }),
        (0.5, Cusum { k: 0.25, h: 8.01 }),
    ] {
        let between = optimum.one_sided(0.0, 0.0);
        let best = optimum.one_sided(gap, 0.0);
        let ours = taillamp::engine::promise(Sequential {
            vacant_mean: 0.0,
            vacant_sd: 1.0,
            occupied_mean: gap,
            occupied_sd: 1.0,
            false_alarm_every_h: between / 3_600.0,
            sample_hz: 1.0,
            spikes: true,
        });
        let (mut low, mut high) = (0.0, 8.0);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if threshold(normal_above(middle), 1) < between {
                low = middle;
            } else {
                high = middle;
            }
        }
        let naive = threshold(normal_above(high - gap), 1);
        let delay = ours.until_occupied;
        println!("gap {gap}: {delay:.2} samples, optimum {best:.2}, plain threshold {naive:.1}");
        assert!(
            (delay / best - 1.0).abs() < 0.10,
            "gap {gap}: {delay} {best}"
        );
        assert!(naive > 3.0 * delay, "gap {gap}: {naive} {delay}");
    }
}
