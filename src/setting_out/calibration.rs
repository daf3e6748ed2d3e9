//! What a detector reads while nothing, or one vehicle, stands in its place: level and spread.
//!
//! Inputs: the samples of one stretch of time, in order. Outputs: a fit that single wild samples do
//! not move, or why the stretch is no good: too short, constant, drifting, on two levels. It does
//! not know thresholds, and cannot know whether the place really was as it is said to have been.

/// Fewer samples say too little about a spread.
pub const SAMPLES_MIN: usize = 30;
/// The spread of a normal distribution is so many median absolute deviations.
const SD_PER_MAD: f64 = 1.482_6;
/// Samples further off than this many spreads do not count towards level and spread ...
const KEPT_SD: f64 = 3.0;
/// ... which makes the spread of normal samples smaller by this factor.
const KEPT_SHRINKS: f64 = 0.986_6;
/// A side of the samples that reaches this much further than the whole counts as the spread: the
/// sign of a current is dropped, which folds one tail away and leaves the other.
const SKEWED: f64 = 1.15;
/// Samples further off than this are counted: a normal distribution has two in a thousand million.
const FAR_SD: f64 = 6.0;
/// From the first third to the last a steady level moves by no more than this many spreads.
const DRIFT_SD: f64 = 1.0;
/// Two halves of one normal distribution are 2.65 of their own spreads apart, those of an even one
/// 3.46; beyond this there are two levels.
const APART_SD: f64 = 4.5;
/// A second level holds at least this part of the samples; fewer are wild samples.
const SECOND_PART: f64 = 0.05;

/// Level and spread of one stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The level.
    pub mean: f64,
    /// The spread.
    pub sd: f64,
    /// How many samples there were.
    pub samples: usize,
    /// The lowest of them.
    pub least: f64,
    /// The highest.
    pub most: f64,
    /// How many lie further off than six spreads.
    pub far: usize,
    /// The smallest step between two samples.
    pub step: f64,
    /// Correlation of each sample with the one before, -1 to 1: 0 for independent samples.
    pub lingers: f64,
}

/// Why a stretch is no good.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Too short.
    #[error("only {0} samples; at least {SAMPLES_MIN} are needed: give a longer stretch")]
    TooFew(usize),
    /// Not a number.
    #[error("{0} samples are not numbers; look at the detector, and record again")]
    NotNumbers(usize),
    /// No spread at all.
    #[error(
        "every sample is {0}: a level without any spread is a detector that is stuck or reports \
         too coarsely; give a stretch that shows its noise"
    )]
    Constant(f64),
    /// Not steady.
    #[error(
        "the level drifts from {from:.3} to {to:.3}, {sds:.1} times its spread; wait until it is \
         steady, and give a stretch where it is"
    )]
    Drifts {
        /// In the first third.
        from: f64,
        /// In the last.
        to: f64,
        /// The difference, in spreads.
        sds: f64,
    },
    /// Something came or went.
    #[error(
        "there are two levels, near {low:.3} and {high:.3}: something came or went; give a \
         stretch with only one"
    )]
    TwoLevels {
        /// The lower.
        low: f64,
        /// The higher.
        high: f64,
    },
}

/// Fits one stretch.
///
/// # Errors
/// The stretch is no good.
pub fn fit(levels: &[f64]) -> Result<Fit, FitError> {
    if levels.len() < SAMPLES_MIN {
        return Err(FitError::TooFew(levels.len()));
    }
    let odd = levels.iter().filter(|level| !level.is_finite()).count();
    if odd > 0 {
        return Err(FitError::NotNumbers(odd));
    }
    let mut sorted = levels.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (least, most) = (sorted[0], sorted[sorted.len() - 1]);
    if least >= most {
        return Err(FitError::Constant(least));
    }
    let resolution = resolution(&sorted);
    two_levels(&sorted, resolution)?;
    let (mean, sd) = centre(&sorted, resolution);
    drift(levels, sd, resolution)?;
    Ok(Fit {
        mean,
        sd,
        samples: levels.len(),
        least,
        most,
        far: levels
            .iter()
            .filter(|level| (*level - mean).abs() > FAR_SD * sd)
            .count(),
        step: resolution,
        lingers: lingers(levels, mean, sd),
    })
}

/// Samples a second, from the times of samples in order: by the middle interval, so that a gap
/// does not count, or over the whole where packs bring several at once.
#[must_use]
pub fn sample_hz(times_s: &[f64]) -> Option<f64> {
    let (first, last) = (times_s.first()?, times_s.last()?);
    let mut intervals: Vec<f64> = times_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    intervals.sort_by(f64::total_cmp);
    let middle = median(&intervals)?;
    let hz = if middle > 0.0 {
        1.0 / middle
    } else {
        intervals.len() as f64 / (last - first)
    };
    (hz.is_finite() && hz > 0.0).then_some(hz)
}

fn median(sorted: &[f64]) -> Option<f64> {
    let upper = *sorted.get(sorted.len() / 2)?;
    let lower = sorted[(sorted.len() - 1) / 2];
    Some(f64::midpoint(lower, upper))
}

/// The smallest step between two different samples: no detector is finer than that.
fn resolution(sorted: &[f64]) -> f64 {
    sorted
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| *step > 0.0)
        .fold(f64::INFINITY, f64::min)
}

/// Mean and spread of the samples that are not wild, as seen from the median.
fn centre(sorted: &[f64], resolution: f64) -> (f64, f64) {
    let even = over_their_steps(sorted, resolution);
    let middle = median(&even).unwrap_or_default();
    let mut off: Vec<f64> = even.iter().map(|level| (level - middle).abs()).collect();
    off.sort_by(f64::total_cmp);
    // Rounding alone spreads by a step over the root of twelve.
    let least_sd = resolution / 12.0_f64.sqrt();
    let robust = (SD_PER_MAD * median(&off).unwrap_or_default()).max(least_sd);
    // The next step of a coarse converter is nothing wild.
    let bound = (KEPT_SD * robust).max(1.5 * resolution);
    let kept: Vec<f64> = sorted
        .iter()
        .copied()
        .filter(|level| (level - middle).abs() <= bound)
        .collect();
    let count = kept.len() as f64;
    let mean = kept.iter().sum::<f64>() / count;
    let squares: f64 = kept.iter().map(|level| (level - mean).powi(2)).sum();
    let sd = (squares / (count - 1.0).max(1.0)).sqrt() / KEPT_SHRINKS;
    let side = wider_side(&even, middle);
    let sd = if side > SKEWED * sd { side } else { sd };
    (mean, sd.max(least_sd))
}

/// Readings in steps, each spread evenly over its step, as quantiles of grouped data are taken (a
/// textbook rule, from memory): the median of steps would be a step, not the level between two.
fn over_their_steps(sorted: &[f64], step: f64) -> Vec<f64> {
    sorted
        .chunk_by(|one, next| one == next)
        .flat_map(|same| {
            let count = same.len() as f64;
            same.iter()
                .enumerate()
                .map(move |(index, level)| level + step * ((index as f64 + 0.5) / count - 0.5))
        })
        .collect()
}

/// The spread as the wider half of the samples has it.
fn wider_side(sorted: &[f64], middle: f64) -> f64 {
    let quartile = |part: f64| {
        // A float-to-integer cast saturates; the index is within the samples.
        let index = (part * sorted.len() as f64) as usize;
        sorted[index.min(sorted.len() - 1)]
    };
    SD_PER_MAD * (quartile(0.75) - middle).max(middle - quartile(0.25))
}

/// Whether first and last third lie apart by more than their spread and more than chance.
fn drift(levels: &[f64], sd: f64, resolution: f64) -> Result<(), FitError> {
    let third = levels.len() / 3;
    let middle = |part: &[f64]| {
        let mut sorted = part.to_vec();
        sorted.sort_by(f64::total_cmp);
        median(&over_their_steps(&sorted, resolution)).unwrap_or_default()
    };
    let from = middle(&levels[..third]);
    let to = middle(&levels[levels.len() - third..]);
    // Four standard errors of the difference of two medians.
    let chance = 4.0 * 1.253 * (2.0 / third as f64).sqrt();
    let sds = (to - from).abs() / sd;
    if sds > DRIFT_SD.max(chance) {
        return Err(FitError::Drifts { from, to, sds });
    }
    Ok(())
}

/// Splits the samples where the two parts are the most different (Otsu 1979) and tells whether
/// they are two levels.
fn two_levels(sorted: &[f64], resolution: f64) -> Result<(), FitError> {
    let count = sorted.len() as f64;
    let middle = median(sorted).unwrap_or_default();
    // From the median, so that large levels with a small spread lose no digits.
    let total: f64 = sorted.iter().map(|level| level - middle).sum();
    let squares: f64 = sorted.iter().map(|level| (level - middle).powi(2)).sum();
    let (mut below, mut best) = (0.0, (0.0, 0.0, 0.0, 0.0));
    for (index, level) in sorted.iter().enumerate().take(sorted.len() - 1) {
        below += level - middle;
        let lower = index as f64 + 1.0;
        let upper = count - lower;
        let (low, high) = (below / lower, (total - below) / upper);
        let between = lower * upper * (high - low).powi(2);
        if between > best.0 {
            best = (between, low, high, lower.min(upper) / count);
        }
    }
    let (between, low, high, smaller) = best;
    let within = (squares - total * total / count - between / count).max(0.0) / count;
    let apart = high - low;
    let coarse = apart < 2.5 * resolution;
    if smaller >= SECOND_PART && !coarse && apart > APART_SD * within.sqrt() {
        return Err(FitError::TwoLevels {
            low: low + middle,
            high: high + middle,
        });
    }
    Ok(())
}

fn lingers(levels: &[f64], mean: f64, sd: f64) -> f64 {
    let bounded = |level: &f64| ((level - mean) / sd).clamp(-KEPT_SD, KEPT_SD);
    let products: f64 = levels
        .windows(2)
        .map(|pair| bounded(&pair[0]) * bounded(&pair[1]))
        .sum();
    let squares: f64 = levels.iter().map(|level| bounded(level).powi(2)).sum();
    if squares > 0.0 {
        products / squares
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting_out::run_length::normal_below;

    /// Normal numbers without chance: quantiles in an order that neither drifts nor lingers.
    fn normal(count: usize, mean: f64, sd: f64) -> Vec<f64> {
        let quantile = |part: f64| {
            let (mut low, mut high) = (-9.0, 9.0);
            for _ in 0..60 {
                let middle = f64::midpoint(low, high);
                if normal_below(middle) < part {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            high
        };
        (0..count)
            // Steps of the golden section visit the parts evenly.
            .map(|index| (0.5 + index as f64 * 0.618_033_988_749_895).fract())
            .map(|part| mean + sd * quantile(part.clamp(1e-6, 1.0 - 1e-6)))
            .collect()
    }

    #[test]
    fn level_and_spread_come_back_and_wild_samples_do_not_count() {
        let mut levels = normal(2_000, 12.0, 0.5);
        let clean = fit(&levels).expect("it is steady");
        assert!(
            (clean.mean - 12.0).abs() < 0.01 && (clean.sd - 0.5).abs() < 0.01,
            "{clean:?}"
        );
        for index in (0..2_000).step_by(100) {
            levels[index] = 900.0;
        }
        let wild = fit(&levels).expect("one in a hundred is wild");
        assert!(
            (wild.mean - 12.0).abs() < 0.02 && (wild.sd - 0.5).abs() < 0.02,
            "{wild:?}"
        );
        assert_eq!((wild.far, wild.most), (20, 900.0));
    }

    #[test]
    fn a_level_folded_at_zero_has_the_spread_of_the_tail_that_is_left() {
        let folded: Vec<f64> = normal(2_000, 0.3, 0.25)
            .iter()
            .map(|level| level.abs())
            .collect();
        let fit = fit(&folded).expect("it is steady");
        assert!((0.23..0.27).contains(&fit.sd), "{fit:?}");
    }

    #[test]
    fn a_coarse_detector_has_a_spread() {
        let levels: Vec<f64> = normal(600, 3.0, 0.4)
            .iter()
            .map(|level| level.round())
            .collect();
        let fit = fit(&levels).expect("it is steady");
        assert!((fit.mean - 3.0).abs() < 0.05 && fit.sd > 0.28, "{fit:?}");
    }

    #[test]
    fn what_is_no_good_is_refused() {
        let steady = normal(300, 1.0, 0.1);
        assert_eq!(fit(&steady[..29]), Err(FitError::TooFew(29)));
        assert_eq!(fit(&[2.0; 50]), Err(FitError::Constant(2.0)));
        let mut odd = steady.clone();
        odd[7] = f64::NAN;
        assert_eq!(fit(&odd), Err(FitError::NotNumbers(1)));
        let drifting: Vec<f64> = steady
            .iter()
            .enumerate()
            .map(|(index, level)| level + index as f64 * 0.002)
            .collect();
        assert!(matches!(fit(&drifting), Err(FitError::Drifts { .. })));
        let mut two = steady;
        two[100..130].iter_mut().for_each(|level| *level += 1.5);
        assert!(matches!(fit(&two), Err(FitError::TwoLevels { .. })));
    }

    #[test]
    fn noise_that_lingers_is_measured() {
        let independent = fit(&normal(500, 0.0, 1.0)).expect("steady").lingers;
        let mut sum = 0.0;
        let smooth: Vec<f64> = (0..500_u32)
            .map(|index| {
                // A multiplicative hash of the index, twice: no step is like the one before.
                let mixed = index.wrapping_mul(2_654_435_761);
                let mixed = (mixed ^ (mixed >> 15)).wrapping_mul(2_246_822_519);
                let bits = (mixed ^ (mixed >> 13)) >> 8;
                sum = 0.8 * sum + f64::from(bits) / f64::from(1_u32 << 24) - 0.5;
                sum
            })
            .collect();
        let lingering = fit(&smooth).map(|fit| fit.lingers);
        assert!(
            independent < 0.3 && lingering.is_ok_and(|lag| lag > 0.5),
            "{lingering:?}"
        );
    }

    #[test]
    fn the_rate_is_that_between_gaps() {
        let mut times: Vec<f64> = (0..100).map(|index| f64::from(index) * 0.1).collect();
        times.push(500.0);
        assert!(sample_hz(&times).is_some_and(|hz| (hz - 10.0).abs() < 1e-6));
        assert_eq!(sample_hz(&[1.0]), None);
    }
}
