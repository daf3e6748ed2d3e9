//! The sequential test over many runs of normal samples from a fixed seed: what it promises is what
//! happens.

use super::*;

extern crate std;

/// At one sample a second: fewer than 3 600 samples are less than an hour.
fn settings(gap: f64, samples: f64) -> layout::Sequential {
    layout::Sequential {
        vacant_mean: 0.0,
        vacant_sd: 1.0,
        occupied_mean: gap,
        occupied_sd: 1.0,
        false_alarm_every_h: samples / 3_600.0,
        sample_hz: 1.0,
        spikes: true,
    }
}

/// Normal numbers from a fixed seed: SplitMix64 (Steele, Lea & Flood 2014) and the transformation
/// of Box & Muller (1958).
struct Normal(u64);

impl Normal {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^= bits >> 31;
        ((bits >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    fn next(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(self.uniform()));
        radius * libm::cos(core::f64::consts::TAU * self.uniform())
    }
}

/// The limits that a rate of hours has, with a rate that can be measured: no single sample decides.
fn never_of_one(settings: layout::Sequential) -> Sequential {
    let samples = settings.false_alarm_every_h * 3_600.0 * settings.sample_hz;
    let k = (settings.occupied_mean - settings.vacant_mean) / (2.0 * settings.vacant_sd);
    let limit = limit_for(samples, k, false);
    Sequential {
        on: limit,
        off: limit,
        ..Sequential::new(settings)
    }
}

/// Whatever the gap, and however rare false occupancies are to be.
#[test]
fn one_wild_sample_does_not_decide() {
    for gap in [0.5, 1.0, 2.0, 4.0, 8.0, 20.0] {
        for hours in [1.0, 24.0, 720.0, 1e6] {
            for wild in [2.0 * gap, 1e3, f64::MAX] {
                let mut test = Sequential::new(layout::Sequential {
                    false_alarm_every_h: hours,
                    ..settings(gap, 0.0)
                });
                assert_ne!(
                    test.take(wild, 1.0, false),
                    Some(true),
                    "{gap} {hours} {wild}"
                );
                assert_ne!(
                    test.take(0.0, 1.0, false),
                    Some(true),
                    "{gap} {hours} {wild}"
                );
            }
        }
    }
    // Who takes a false occupancy within the hour takes that one; who knows of no spikes, too.
    let without = layout::Sequential {
        spikes: false,
        ..settings(8.0, USUAL)
    };
    for settings in [settings(4.0, 500.0), without] {
        assert_eq!(Sequential::new(settings).take(8.0, 1.0, false), Some(true));
    }
}

#[test]
fn a_step_is_decided_and_one_wild_sample_is_not() {
    let mut test = Sequential::new(layout::Sequential {
        vacant_mean: 0.3,
        vacant_sd: 0.25,
        occupied_mean: 1.7,
        occupied_sd: 0.4,
        false_alarm_every_h: 720.0,
        sample_hz: 10.0,
        spikes: true,
    });
    for _ in 0..20 {
        test.take(0.3, 1.0, false);
    }
    assert_ne!(test.take(5_000.0, 1.0, false), Some(true));
    test.take(0.3, 1.0, false);
    let decided = (0..20).find(|_| test.take(1.7, 1.0, false) == Some(true));
    assert!(decided.is_some_and(|samples| samples < 10));
}

const RUNS: u32 = 10_000;

/// Mean number of samples until `says`, over many runs from a fresh start at a level.
fn mean_run(normal: &mut Normal, fresh: Sequential, says: bool, level: f64, sd: f64) -> f64 {
    let mut taken = 0_u64;
    for _ in 0..RUNS {
        let mut test = fresh;
        loop {
            taken += 1;
            if test.take(level + sd * normal.next(), 1.0, false) == Some(says) {
                break;
            }
        }
    }
    taken as f64 / f64::from(RUNS)
}

/// Longer runs are not simulated, samples.
const MEASURABLE: f64 = 1e5;

/// 720 hours at 10 Hz: what a plan has that says nothing else.
const USUAL: f64 = 720.0 * 3_600.0 * 10.0;

/// A false occupancy a day at 10 Hz.
const DAILY: f64 = 24.0 * 3_600.0 * 10.0;

/// One row of the comparison: mean samples until a vehicle is seen, at the same mean run length.
struct Row {
    gap: f64,
    asked: f64,
    spikes: bool,
    measured: f64,
    delay: f64,
    optimum: f64,
    naive: f64,
}

fn compare(normal: &mut Normal, gap: f64, asked: f64, spikes: bool) -> Row {
    let fresh = Sequential::new(layout::Sequential {
        spikes,
        ..settings(gap, asked)
    });
    // A run length of months cannot be measured; there the promise stands for it, which other tests
    // compare with published tables and with what was measured.
    let measured = if asked > MEASURABLE {
        asked
    } else {
        mean_run(normal, fresh, true, 0.0, 1.0)
    };
    // The optimum and the naive threshold get the run length that was measured here.
    let mut plain = fresh;
    let (mut low, mut high) = (0.05, 40.0);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if run_length::run_length::<100>(middle, gap / 2.0, f64::INFINITY) < measured {
            low = middle;
        } else {
            high = middle;
        }
    }
    plain.on.at = high;
    let mut taken = 0_u64;
    for _ in 0..RUNS {
        let mut sum = 0.0_f64;
        while sum < plain.on.at {
            taken += 1;
            sum = (sum + gap + normal.next() - gap / 2.0).max(0.0);
        }
    }
    let beyond = |level: f64| 0.5 * libm::erfc(level * core::f64::consts::FRAC_1_SQRT_2);
    let (mut low, mut high) = (0.0, 8.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if 1.0 / beyond(middle) < measured {
            low = middle;
        } else {
            high = middle;
        }
    }
    // A threshold waits for one sample beyond it: the mean of a geometric distribution.
    let naive = 1.0 / beyond(high - gap);
    Row {
        gap,
        asked,
        spikes,
        measured,
        delay: mean_run(normal, fresh, true, gap, 1.0),
        optimum: taken as f64 / f64::from(RUNS),
        naive,
    }
}

/// The cumulative sum is optimal for a known shift (Moustakides 1986); its run length for k = 1/2
/// and h = 5 is 930.9 without a shift and 10.38 with one of a spread (check-values 4.3; Montgomery
/// gives 10.4). Ten thousand runs for every number, the same false-alarm rate for all three.
///
/// Ours is within a tenth of it at every gap and rate where the noise is normal, as the optimum has
/// it, and the plan says so (`spikes = false`). Where a single sample may be anything, none decides
/// and ours takes two: then it is within a tenth wherever the optimum takes more than two itself.
#[test]
fn delay_is_within_a_tenth_of_the_optimum_at_the_same_false_alarm_rate() {
    let mut normal = Normal(7);
    std::println!("  gap     asked  spikes    measured   ours  optimum  ratio  plain threshold");
    for (gap, asked) in [
        (0.5, 930.9),
        (1.0, 930.9),
        (1.5, 930.9),
        (2.0, 930.9),
        (3.0, 930.9),
        (2.0, DAILY),
        (3.0, DAILY),
        (4.0, DAILY),
        (1.0, USUAL),
        (2.0, USUAL),
        (3.0, USUAL),
        (4.0, USUAL),
        (5.0, USUAL),
    ] {
        for spikes in [false, true] {
            check_delay(&compare(&mut normal, gap, asked, spikes));
        }
    }
}

fn check_delay(row: &Row) {
    let (gap, ratio) = (row.gap, row.delay / row.optimum);
    std::println!(
        "{gap:5.1} {:9.0} {:7} {:11.1} {:6.2} {:8.2} {ratio:6.3} {:16.1}",
        row.asked,
        row.spikes,
        row.measured,
        row.delay,
        row.optimum,
        row.naive
    );
    // Four standard errors of a mean of nearly exponential numbers, and what the chain is off.
    let kept = row.measured / row.asked;
    assert!((0.94..1.2).contains(&kept), "gap {gap}: {}", row.measured);
    if !row.spikes || row.asked < 3_600.0 || row.optimum > 2.2 {
        assert!(ratio < 1.10, "gap {gap}: {ratio}");
    }
    assert!(row.delay < row.optimum + 0.5, "gap {gap}: {ratio}");
    if gap <= 1.0 {
        assert!(row.naive > 3.0 * row.delay, "gap {gap}: {}", row.naive);
    }
}

/// No more samples than these: where nothing is decided in so many, that is long enough.
const SAMPLES_MOST: u32 = 2_000_000;

/// Mean seconds from a fresh start to `on`, with noise and moments of its own: the time of all runs
/// over their number, the last one broken off after [`SAMPLES_MOST`].
fn mean_seconds(
    fresh: Sequential,
    mut noise: impl FnMut() -> f64,
    mut elapsed: impl FnMut() -> f64,
) -> f64 {
    // What may come at once is used up when counting begins.
    let fresh = Sequential {
        credit: 0.0,
        ..fresh
    };
    let (mut seconds, mut decided, mut test) = (0.0, 0_u32, fresh);
    for _ in 0..SAMPLES_MOST {
        let since = elapsed();
        seconds += since;
        if test.take(noise(), since, false) == Some(true) {
            decided += 1;
            test = fresh;
            if decided == RUNS / 5 {
                break;
            }
        }
    }
    seconds / f64::from(decided.max(1))
}

fn at_ten_hz(gap: f64, seconds: f64) -> Sequential {
    never_of_one(layout::Sequential {
        sample_hz: 10.0,
        spikes: true,
        false_alarm_every_h: seconds / 3_600.0,
        ..settings(gap, 0.0)
    })
}

/// A detector that speaks faster, slower, unevenly or in packs is not wrong more often than was
/// asked for: 50 s on the average, in limits made for 10 samples a second.
#[test]
fn the_rate_holds_at_any_pace() {
    let mut normal = Normal(19);
    let mut chance = Normal(23);
    let fresh = at_ten_hz(1.0, 50.0);
    std::println!("  Hz      s between false occupancies, 50 asked for");
    for hz in [1.0, 3.0, 10.0, 30.0, 100.0] {
        let seconds = mean_seconds(fresh, || normal.next(), || 1.0 / hz);
        std::println!("{hz:4.0} {seconds:8.1}");
        assert!(seconds > 47.0, "{hz} Hz: {seconds}");
        assert!((hz - 10.0).abs() > 0.1 || seconds < 58.0, "{seconds}");
    }
    // Exponential intervals, 10 a second on the average.
    let uneven = mean_seconds(
        fresh,
        || normal.next(),
        || -0.1 * libm::log(chance.uniform()),
    );
    let mut place = 0_u32;
    let packs = mean_seconds(
        fresh,
        || normal.next(),
        || {
            place += 1;
            if place.is_multiple_of(10) { 1.0 } else { 0.0 }
        },
    );
    std::println!("uneven {uneven:.1}, packs of ten {packs:.1}");
    assert!(uneven > 47.0 && packs > 47.0, "{uneven} {packs}");
}

/// However fast it speaks, a vehicle is seen in the time for which the limits are made; slower,
/// after as many samples.
#[test]
fn a_vehicle_is_seen_at_any_pace() {
    let mut normal = Normal(29);
    let fresh = at_ten_hz(2.0, 3_600.0);
    for (hz, most_s) in [(1.0, 7.5), (10.0, 0.75), (100.0, 0.75)] {
        let seconds = mean_seconds(fresh, || 2.0 + normal.next(), || 1.0 / hz);
        assert!(seconds < most_s, "{hz} Hz: {seconds}");
    }
}

/// Noise that is not normal: heavy tails (Student's t with 3 degrees of freedom, Laplace) and
/// coarse steps of a converter, all with a spread of one. Asked for 500 samples.
#[test]
fn noise_that_is_not_normal_does_not_break_it() {
    let mut normal = Normal(31);
    let fresh = at_ten_hz(2.0, 50.0);
    let mut heavy = Normal(37);
    let mut student = move || {
        let square = |x: f64| x * x;
        let chi = square(heavy.next()) + square(heavy.next()) + square(heavy.next());
        // The variance of t with 3 degrees of freedom is 3.
        heavy.next() / libm::sqrt(chi / 3.0) / libm::sqrt(3.0)
    };
    let mut sides = Normal(41);
    let mut laplace = move || {
        let part = sides.uniform() - 0.5;
        -libm::copysign(libm::log(1.0 - 2.0 * libm::fabs(part)), part) / core::f64::consts::SQRT_2
    };
    let kinds: [(&str, &mut dyn FnMut() -> f64, f64); 4] = [
        ("normal", &mut || normal.next(), 0.95),
        ("Student's t, 3", &mut student, 0.25),
        ("Laplace", &mut laplace, 0.25),
        (
            "steps of one spread",
            &mut {
                let mut coarse = Normal(43);
                // Rounding adds a twelfth to the variance.
                move || libm::round(coarse.next()) / libm::sqrt(13.0 / 12.0)
            },
            0.3,
        ),
    ];
    for (name, noise, least) in kinds {
        let seconds = mean_seconds(fresh, &mut *noise, || 0.1);
        let part = seconds / 50.0;
        // A sum without the bound, for comparison.
        let mut taken = 0_u64;
        for _ in 0..RUNS / 5 {
            let mut sum = 0.0_f64;
            while sum < fresh.on.at {
                taken += 1;
                sum = (sum + noise() - 1.0).max(0.0);
            }
        }
        let unbounded = taken as f64 / f64::from(RUNS / 5) / 500.0;
        std::println!(
            "{name:20} {part:5.2} of what was asked for; without the bound {unbounded:.2}"
        );
        assert!(part > least, "{name}: {part}");
        assert!(part > 0.9 * unbounded, "{name}: {part} {unbounded}");
    }
}

/// The level of a quiet place is followed by time, not by samples, and no further than it may.
#[test]
fn the_vacant_level_is_followed_within_its_bound() {
    let fresh = at_ten_hz(4.0, 3_600_000.0);
    for hz in [1.0, 10.0, 100.0] {
        let mut test = fresh;
        // One spread up in ten minutes; then at rest for ten.
        let samples = (1_200.0 * hz) as u32;
        for step in 0..samples {
            let level = (f64::from(step) / (600.0 * hz)).min(1.0);
            assert_ne!(test.take(level, 1.0 / hz, true), Some(true), "{hz} Hz");
        }
        assert!((test.shift - 1.0).abs() < 0.01, "{hz} Hz: {}", test.shift);
        assert!(!test.has_drifted());
        // Further up: it says so, and stops following.
        for step in 0..samples {
            let level = 1.0 + 2.2 * (f64::from(step) / (600.0 * hz)).min(1.0);
            test.take(level, 1.0 / hz, true);
        }
        assert!(test.has_drifted());
        assert!(test.shift <= FOLLOW_PART * 4.0 + 1e-9, "{}", test.shift);
        // And back.
        for _ in 0..samples {
            test.take(0.0, 1.0 / hz, true);
        }
        assert!(!test.has_drifted(), "{hz} Hz: {}", test.shift);
    }
    // Where a train is near, nothing is followed.
    let mut test = fresh;
    for _ in 0..10_000 {
        test.take(1.0, 0.1, false);
    }
    assert!(test.shift.abs() < f64::EPSILON);
}

/// With the bound on one sample's weight the limit is lower, and the rate still as promised.
#[test]
fn the_rate_holds_with_the_bound_on_one_sample() {
    let mut normal = Normal(11);
    for gap in [2.0, 2.4] {
        let fresh = never_of_one(settings(gap, 500.0));
        let between_false = mean_run(&mut normal, fresh, true, 0.0, 1.0);
        assert!(
            (0.95..1.2).contains(&(between_false / 500.0)),
            "{between_false}"
        );
    }
}

/// An occupied level that spreads twice as wide does not make false vacancies more frequent.
#[test]
fn a_wide_occupied_level_makes_no_false_vacancies() {
    let mut normal = Normal(13);
    let mut wide = settings(3.0, 500.0);
    wide.occupied_sd = 2.0;
    let fresh = Sequential::new(wide);
    let between_false = mean_run(&mut normal, fresh, false, 3.0, 2.0);
    assert!(between_false > 0.95 * 500.0, "{between_false}");
    let mut narrow = fresh;
    narrow.off = narrow.on;
    let with_one_limit = mean_run(&mut normal, narrow, false, 3.0, 2.0);
    assert!(with_one_limit < 250.0, "{with_one_limit}");
}

/// What is promised is what happens.
#[test]
fn the_promise_is_kept() {
    let mut normal = Normal(17);
    let mut wide = settings(2.0, 500.0);
    wide.occupied_sd = 1.5;
    let promised = promise(wide);
    let fresh = Sequential::new(wide);
    for (what, says, level, sd, samples) in [
        (
            "false occupancy",
            true,
            0.0,
            1.0,
            promised.between_false_occupancies,
        ),
        (
            "false vacancy",
            false,
            2.0,
            1.5,
            promised.between_false_vacancies,
        ),
        ("occupied", true, 2.0, 1.5, promised.until_occupied),
        ("vacant", false, 0.0, 1.0, promised.until_vacant),
    ] {
        let mean = mean_run(&mut normal, fresh, says, level, sd);
        assert!(
            (mean / samples - 1.0).abs() < 0.08,
            "{what}: {mean} {samples}"
        );
    }
}

/// In units of half a spread, and where a vehicle lowers the level: as many samples as before.
#[test]
fn a_promise_does_not_depend_on_the_unit() {
    let mut plain = settings(2.0, 500.0);
    plain.occupied_sd = 1.5;
    let promised = promise(plain);
    for unit in [0.5, -0.5, 40.0] {
        let scaled = layout::Sequential {
            vacant_mean: 7.0,
            vacant_sd: f64::abs(unit),
            occupied_mean: 7.0 + unit * 2.0,
            occupied_sd: 1.5 * f64::abs(unit),
            ..plain
        };
        let again = promise(scaled);
        for (one, other) in [
            (
                promised.between_false_occupancies,
                again.between_false_occupancies,
            ),
            (
                promised.between_false_vacancies,
                again.between_false_vacancies,
            ),
            (promised.until_occupied, again.until_occupied),
            (promised.until_vacant, again.until_vacant),
        ] {
            assert!((one / other - 1.0).abs() < 1e-6, "{unit}: {one} {other}");
        }
        // The kind that was measured, and one of half the current that is steadier.
        let measured = until_on(scaled, scaled.occupied_mean, scaled.occupied_sd);
        assert!(
            (measured / promised.until_occupied - 1.0).abs() < 1e-6,
            "{unit}: {measured}"
        );
        let (mean, sd) = (7.0 + unit * 1.4, 0.7 * f64::abs(unit));
        let promised = until_on(scaled, mean, sd);
        let seen = mean_run(&mut Normal(19), Sequential::new(scaled), true, mean, sd);
        assert!(
            (seen / promised - 1.0).abs() < 0.04,
            "{unit}: {seen} {promised}"
        );
    }
}

#[test]
fn the_vacant_level_follows_by_a_hundred_and_twentieth_a_second() {
    let mut test = at_ten_hz(4.0, 3_600_000.0);
    test.take(1.2, 1.0, true);
    assert!((test.shift - 0.01).abs() < 1e-12, "{}", test.shift);
    // After a silence as after ten seconds, and no further than three quarters of the gap at once.
    test.take(100.0, 1_000.0, true);
    assert!((test.shift - 0.26).abs() < 1e-12, "{}", test.shift);
}

#[test]
fn it_drifts_beyond_half_of_the_gap_until_it_is_back_below_two_fifths() {
    let mut test = at_ten_hz(4.0, 3_600_000.0);
    // Where it was, and with the level there: nothing moves.
    let mut drifts_at = |shift: f64| {
        test.shift = shift;
        test.take(test.vacant + shift, 1.0, true);
        test.has_drifted()
    };
    let said = [1.7, 2.0, 2.1, 1.7, 1.5, 1.7, -2.1, -1.7, -1.5].map(&mut drifts_at);
    assert_eq!(
        said,
        [false, false, true, true, false, false, true, true, false]
    );
}

/// Where one sample decides nothing, both ways of asking count it alike, and it is what happens.
#[test]
fn a_promise_counts_the_bound_on_one_sample() {
    let mut wide = settings(2.0, 20_000.0);
    wide.occupied_sd = 1.5;
    let promised = promise(wide).until_occupied;
    let measured = until_on(wide, wide.occupied_mean, wide.occupied_sd);
    assert!((measured / promised - 1.0).abs() < 1e-9, "{measured}");
    let seen = mean_run(&mut Normal(23), Sequential::new(wide), true, 2.0, 1.5);
    assert!((seen / promised - 1.0).abs() < 0.04, "{seen} {promised}");
}

#[test]
fn samples_that_come_at_once_count_for_a_while_of_them_and_for_one_at_least() {
    for (hz, samples) in [(0.1, 1.0), (50.0, 50.0 * BURST_S), (400.0, 400.0 * BURST_S)] {
        assert!((burst(hz) - samples).abs() < 1e-12, "{hz} Hz");
    }
}
