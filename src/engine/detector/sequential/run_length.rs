//! The mean run length of a cumulative-sum test, and the limit that gives a wanted one.
//!
//! Inputs: limit, reference value, the bound on one sample's weight; or the wanted run length in
//! samples. Outputs: the run length; the limit. Samples are taken for independent and normal; it
//! knows nothing of levels and units.
//!
//! The run length is that of a Markov chain over the values of the sum (Brook & Evans 1972): the
//! values from 0 to the limit are cut into states, the last of them half a step below the limit.
//! The mean number of steps to the limit follows by eliminating one state after the other without
//! a subtraction, so that run lengths of many hours lose no digits.

/// States of the chain: the error against the exact value is 0.1 % at a limit of 3 spreads.
const STATES: usize = 30;

/// Siegmund's correction for the overshoot (Siegmund 1985).
const OVERSHOOT: f64 = 1.166;

/// Above this limit the states of the chain are coarse (4 % off at 8 spreads), no single sample
/// matters any more, and Siegmund's approximation (1 to 3 % off) is the better one.
const CHAIN_LIMIT_MAX: f64 = 8.0;

/// No limit is smaller: with a gap of many spreads between the levels any would do.
const LIMIT_MIN: f64 = 1.0;

/// Reference values outside these bounds act like the bounds.
const REFERENCE: (f64, f64) = (1e-3, 1e3);

/// Steps towards the limit, at most; five or six are enough.
const STEPS_MAX: u32 = 40;

/// The run length is met to this part of it.
const EXACT: f64 = 1e-4;

/// One sample weighs at most this part of the limit ...
const PART_MOST: f64 = 0.5;
/// ... or, where the levels lie so far apart that a vehicle's own samples weigh more, this part.
const PART_MOST_FAR: f64 = 0.75;
/// How far above its level a vehicle's sample still weighs in full then, in spreads.
const ORDINARY: f64 = 2.0;

/// The limit of a sum, and what one sample may weigh at most; in spreads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Limit {
    pub(super) at: f64,
    pub(super) most: f64,
}

impl Limit {
    /// A sample's weight, within its bound.
    pub(super) fn bounded(self, step: f64) -> f64 {
        step.clamp(-self.most, self.most)
    }

    /// In spreads of another size.
    pub(super) fn times(self, ratio: f64) -> Self {
        Self {
            at: ratio * self.at,
            most: ratio * self.most,
        }
    }
}

/// The limit at which the mean run length without a change is `samples`. `k` is the distance of the
/// level from the reference value, in spreads. `alone`: one sample may decide; otherwise it takes
/// two at least, so that one wild sample does not.
pub(super) fn limit_for(samples: f64, k: f64, alone: bool) -> Limit {
    let most = |at: f64| {
        if alone {
            f64::INFINITY
        } else {
            (k + ORDINARY).clamp(PART_MOST * at, PART_MOST_FAR * at)
        }
    };
    let at = limit_with(samples, k, most);
    Limit { at, most: most(at) }
}

/// [`limit_for`] with any bound on one sample's weight.
fn limit_with(samples: f64, k: f64, bound: impl Fn(f64) -> f64) -> f64 {
    let k = k.clamp(REFERENCE.0, REFERENCE.1);
    let guess = siegmunds_limit(samples, k);
    if guess > CHAIN_LIMIT_MAX {
        return guess;
    }
    let run_length = |h: f64| mean_samples(h, k, bound(h));
    let (mut low, mut high) = (LIMIT_MIN, LIMIT_MIN.max(guess));
    while run_length(high) < samples && high < CHAIN_LIMIT_MAX {
        high *= 1.5;
    }
    // The logarithm of the run length is nearly a straight line: the false position, with the end
    // that stays halved (the Illinois method), is there in a few steps.
    let off = |h: f64| libm::log(run_length(h)) - libm::log(samples);
    let (mut off_low, mut off_high) = (off(low), off(high));
    if off_low >= 0.0 {
        return low;
    }
    if off_high < 0.0 {
        return high;
    }
    // Which end moved last.
    let mut moved_low = None;
    for _ in 0..STEPS_MAX {
        let part = off_low / (off_low - off_high);
        let middle = if part > 0.0 && part < 1.0 {
            low + part * (high - low)
        } else {
            f64::midpoint(low, high)
        };
        let found = off(middle);
        if found < 0.0 {
            (low, off_low) = (middle, found);
            if moved_low == Some(true) {
                off_high /= 2.0;
            }
            moved_low = Some(true);
        } else {
            (high, off_high) = (middle, found);
            if moved_low == Some(false) {
                off_low /= 2.0;
            }
            moved_low = Some(false);
            // Never less than what was asked for, and hardly more.
            if found < EXACT {
                break;
            }
        }
    }
    high
}

/// The mean number of samples until a sum that starts at zero reaches `h`: each sample adds a
/// normal number of mean `-k` and spread 1, cut off at `bound` on both sides, and the sum is never
/// below zero. `T` states.
pub(super) fn run_length<const T: usize>(h: f64, k: f64, bound: f64) -> f64 {
    let width = 2.0 * h / (2.0 * T as f64 - 1.0);
    let below = |x: f64| {
        if x >= bound {
            1.0
        } else if x < -bound {
            0.0
        } else {
            tail(-(x + k))
        }
    };
    let above = |x: f64| if x >= bound { 0.0 } else { tail(x + k) };
    // What a sum in state `from` does: it comes to `to`, or it reaches the limit.
    let mut goes = [[0.0; T]; T];
    let mut ends = [0.0; T];
    for (from, (row, end)) in goes.iter_mut().zip(&mut ends).enumerate() {
        let edge = |to: usize| (to as f64 - from as f64 + 0.5) * width;
        *end = above(edge(T - 1));
        row[0] = below(edge(0));
        for (to, way) in row.iter_mut().enumerate().skip(1) {
            // From whichever side loses fewer digits.
            *way = if to > from {
                above(edge(to - 1)) - above(edge(to))
            } else {
                below(edge(to)) - below(edge(to - 1))
            };
        }
    }
    // Each state that is taken out hands its time and its ways on to those before it.
    let mut time = [1.0; T];
    for out in (1..T).rev() {
        let row = goes[out];
        let leaves: f64 = row[..out].iter().sum::<f64>() + ends[out];
        for before in 0..out {
            let part = goes[before][out] / leaves;
            for (to, way) in row[..out].iter().enumerate() {
                goes[before][to] += part * way;
            }
            ends[before] += part * ends[out];
            time[before] += part * time[out];
        }
    }
    time[0] / ends[0]
}

/// [`run_length`] with the number of states that is used.
pub(super) fn mean_samples(h: f64, k: f64, bound: f64) -> f64 {
    run_length::<STATES>(h, k, bound)
}

/// The part of a standard normal distribution above `x`.
fn tail(x: f64) -> f64 {
    0.5 * libm::erfc(x * core::f64::consts::FRAC_1_SQRT_2)
}

/// Siegmund's approximation of the run length.
fn siegmunds(h: f64, k: f64) -> f64 {
    let b = h + OVERSHOOT;
    let two_kb = 2.0 * k * b;
    (libm::exp(two_kb) - two_kb - 1.0) / (2.0 * k * k)
}

/// The limit by Siegmund's approximation, by bisection.
fn siegmunds_limit(samples: f64, k: f64) -> f64 {
    let (mut low, mut high) = (0.1, 60.0 / k);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if siegmunds(middle, k) < samples {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    const FREE: f64 = f64::INFINITY;

    /// Brook & Evans 1972, section 4.3: k = 1/2, h = 3 gives 117.59; orders 5 to 200 of the chain
    /// as recomputed for check-values 4.3.
    #[test]
    fn run_length_is_brook_and_evans() {
        let by_order = [
            (run_length::<5>(3.0, 0.5, FREE), 113.47),
            (run_length::<10>(3.0, 0.5, FREE), 116.63),
            (run_length::<15>(3.0, 0.5, FREE), 117.18),
            (run_length::<20>(3.0, 0.5, FREE), 117.36),
            (run_length::<50>(3.0, 0.5, FREE), 117.56),
            (run_length::<200>(3.0, 0.5, FREE), 117.59),
        ];
        for (ours, published) in by_order {
            assert!((ours - published).abs() < 0.006, "{ours} {published}");
        }
        // The order that is used: 0.2 % at most.
        let used = run_length::<STATES>(3.0, 0.5, FREE);
        assert!((used / 117.59 - 1.0).abs() < 0.002, "{used}");
        // Brook & Evans 1972: after a shift of 1.5 the run length is 3.75.
        let shifted = run_length::<STATES>(3.0, -1.0, FREE);
        assert!((shifted - 3.75).abs() < 0.01, "{shifted}");
    }

    /// The same chain of 30 states, its equations solved with 60 digits by mpmath 1.4 (a
    /// general-purpose library): cut off or not, and where run lengths are of thousands of hours.
    #[test]
    fn run_length_loses_no_digits() {
        for (h, k, bound, exact) in [
            (4.0, 3.0, FREE, 479_725_143_526.556),
            (4.0, 3.0, 2.5, 2_191_358_999_706.17),
            (3.0, 0.5, 1.0, 292.568_844_613_502),
            (3.0, 0.5, FREE, 117.494_687_279_687),
            (6.0, 1.0, 4.05, 769_979.189_946_185),
            (3.0, -1.0, 1.5, 4.261_715_457_599_66),
        ] {
            let ours = run_length::<30>(h, k, bound);
            assert!((ours / exact - 1.0).abs() < 1e-9, "{h} {k} {bound}: {ours}");
        }
    }

    #[test]
    fn the_limit_is_found_exactly_and_in_a_few_steps() {
        use core::cell::Cell;
        for (samples, k) in [
            (100.0, 0.3),
            (117.59, 0.5),
            (930.9, 0.5),
            (1e4, 1.0),
            (3e5, 0.8),
            (2.592e7, 2.8),
            (1e9, 2.0),
        ] {
            for alone in [false, true] {
                let limit = limit_for(samples, k, alone);
                let found = mean_samples(limit.at, k, limit.most) / samples;
                assert!(
                    (1.0..1.0 + 1.1 * EXACT).contains(&found),
                    "{samples} {k}: {found}"
                );
            }
            let asked = Cell::new(0);
            let bound = |at: f64| {
                asked.set(asked.get() + 1);
                (k + ORDINARY).clamp(PART_MOST * at, PART_MOST_FAR * at)
            };
            limit_with(samples, k, bound);
            assert!(asked.get() <= 12, "{samples} {k}: {}", asked.get());
        }
        // A sample two spreads above its level weighs in full: between a half and three quarters of
        // the limit.
        let ordinary = limit_for(1e5, 1.0, false);
        assert!((ordinary.most - 3.0).abs() < 1e-12, "{ordinary:?}");
        // What any limit gives, and what is above the chain's.
        assert_eq!(limit_for(2.0, 3.0, true).at, LIMIT_MIN);
        assert!((siegmunds(limit_for(1e6, 0.2, true).at, 0.2) / 1e6 - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_limit_in_other_spreads() {
        let limit = Limit { at: 3.0, most: 2.0 };
        assert_eq!(
            limit.times(4.0),
            Limit {
                at: 12.0,
                most: 8.0
            }
        );
    }

    /// Siegmund 1985 as a second opinion: with k = 1/2, h = 5 he gives 938.2, and the exact value
    /// is 930.9 (check-values 4.3).
    #[test]
    fn siegmund_and_the_chain_agree() {
        assert!((siegmunds(5.0, 0.5) - 938.2).abs() < 0.1);
        let chain = run_length::<STATES>(5.0, 0.5, FREE);
        assert!((chain / 930.9 - 1.0).abs() < 0.01, "{chain}");
        for (h, k, within) in [(4.0, 0.25, 0.01), (8.0, 0.5, 0.05), (4.0, 0.75, 0.03)] {
            let ratio = run_length::<STATES>(h, k, FREE) / siegmunds(h, k);
            assert!((ratio - 1.0).abs() < within, "h {h} k {k}: {ratio}");
        }
    }

    #[test]
    fn the_limit_gives_the_run_length_that_was_asked_for() {
        for (samples, k) in [
            (117.59, 0.5),
            (930.9, 0.5),
            (1e4, 1.0),
            (2.592e7, 2.8),
            (1e6, 0.4),
        ] {
            let limit = limit_for(samples, k, false);
            // A chain four times as fine; where the coarse one errs, false decisions are rarer.
            let fine = run_length::<120>(limit.at, k, limit.most) / samples;
            assert!(
                (0.96..1.12).contains(&fine),
                "{samples} {k}: {limit:?} {fine}"
            );
        }
        // Without the bound: Brook & Evans 1972 and the integral equation, as above.
        assert!((limit_with(117.59, 0.5, |_| FREE) - 3.0).abs() < 0.01);
        assert!((limit_with(930.9, 0.5, |_| FREE) - 5.0).abs() < 0.01);
        // With it a little less is enough.
        assert!((2.6..3.0).contains(&limit_for(117.59, 0.5, false).at));
        assert!((4.9..5.0).contains(&limit_for(930.9, 0.5, false).at));
    }

    #[test]
    fn no_setting_gives_a_limit_that_is_none() {
        for samples in [1.0, 36.0, 1e5, 1e12, f64::MAX] {
            for k in [0.0, 1e-9, 0.01, 0.5, 3.0, 50.0, 1e12, f64::INFINITY] {
                for alone in [false, true] {
                    let limit = limit_for(samples, k, alone).at;
                    assert!(
                        limit.is_finite() && limit >= LIMIT_MIN,
                        "{samples} {k}: {limit}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_longer_run_takes_a_higher_limit_on_both_sides_of_the_approximation() {
        for k in [0.3, 0.5, 1.0] {
            let mut before = 0.0;
            for power in 2..30 {
                let limit = limit_for(libm::pow(10.0, f64::from(power) / 2.0), k, false).at;
                assert!(limit >= before, "k {k}, 10^{}/2: {limit} {before}", power);
                before = limit;
            }
        }
    }
}
