//! Settings that follow from two measured levels, and what they promise.
//!
//! Inputs: the fits of a vacant and an occupied stretch, the sample rate, how long a sample must
//! stay. Outputs: thresholds, the sequential test's behaviour, how often each will say 'occupied'
//! wrongly and how late it says it rightly. The promises hold for independent normal samples; where
//! the measured ones are not so, a caution says it.

use super::calibration::Fit;
use super::run_length::{normal_above, normal_below, threshold};
use crate::engine::layout::Sequential;
use crate::engine::{promise, until_on};

/// Longer than this between two false occupancies is the same as never: a hundred thousand years.
pub const NEVER_H: f64 = 1e9;
/// The part of the way from vacant to `on` at which `off` lies: half, so that evidence that was
/// reached does not chatter.
const OFF_PART: f64 = 0.5;
/// With less than this many spreads on either side the levels overlap and nothing can be decided.
const MARGIN_SD_MIN: f64 = 1.0;
/// More often than once in so many hours is worth a caution.
const SELDOM_H: f64 = 100.0;
/// Steps that are larger than this part of the spread are coarse.
const COARSE_SD: f64 = 0.7;
/// Samples that are more like the one before than this are not independent.
const LINGERS_MOST: f64 = 0.3;

/// What is known about the detector besides its samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// A current: vehicles raise it, and only that.
    pub is_current: bool,
    /// Samples a second.
    pub sample_hz: f64,
    /// How long a sample must stay at or beyond `on`, seconds.
    pub confirm_s: f64,
    /// The wanted mean time between false occupancies of the sequential test, hours.
    pub wanted_every_h: f64,
    /// A single sample may be anything, and decides nothing.
    pub spikes: bool,
}

/// What follows.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// At or beyond this a vehicle.
    pub on: f64,
    /// At or beyond this none.
    pub off: f64,
    /// How many spreads of its own either level is away from `on`; the smaller of the two.
    pub margin_sd: f64,
    /// What the thresholds promise.
    pub thresholds: Promised,
    /// What the sequential test promises with the same levels.
    pub sequential: Promised,
    /// The sequential test's settings.
    pub settings: Sequential,
    /// What keeps the promises from being kept.
    pub cautions: Vec<String>,
}

/// How often a way of deciding is wrong, and how late it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Promised {
    /// Mean time between false occupancies, hours; [`NEVER_H`] at most.
    pub false_alarm_every_h: f64,
    /// Mean time from a vehicle's coming to `on`, seconds.
    pub delay_s: f64,
}

/// Why nothing can be proposed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ProposalError {
    /// The stretches were exchanged, or the vehicle draws nothing.
    #[error(
        "the occupied level {occupied:.3} is not above the vacant level {vacant:.3}: were the two \
         stretches exchanged? A car without resistor wheelsets or lights draws nothing"
    )]
    NotAbove {
        /// Measured with a vehicle.
        occupied: f64,
        /// Measured without.
        vacant: f64,
    },
    /// Too near.
    #[error(
        "the levels {vacant:.3} and {occupied:.3} overlap: only {margin_sd:.2} spreads to a \
         threshold between them; put more resistor axles on, clean the track, or use another \
         detector"
    )]
    Overlap {
        /// Measured without a vehicle.
        vacant: f64,
        /// Measured with one.
        occupied: f64,
        /// What there is.
        margin_sd: f64,
    },
}

/// Proposes settings.
///
/// # Errors
/// The two levels cannot be told apart.
pub fn propose(
    vacant: &Fit,
    occupied: &Fit,
    question: &Question,
) -> Result<Proposal, ProposalError> {
    let gap = occupied.mean - vacant.mean;
    if question.is_current && gap <= 0.0 {
        return Err(ProposalError::NotAbove {
            occupied: occupied.mean,
            vacant: vacant.mean,
        });
    }
    let margin_sd = gap.abs() / (vacant.sd + occupied.sd);
    if margin_sd < MARGIN_SD_MIN {
        return Err(ProposalError::Overlap {
            vacant: vacant.mean,
            occupied: occupied.mean,
            margin_sd,
        });
    }
    // As many spreads from either level; to as many digits as the gap deserves.
    let exact = vacant.mean + gap.signum() * margin_sd * vacant.sd;
    let digits = (-(gap.abs() / 50.0).log10().floor()).clamp(0.0, 9.0);
    let round = |level: f64| (level * 10_f64.powf(digits)).round() / 10_f64.powf(digits);
    let on = round(exact);
    let off = round(vacant.mean + OFF_PART * (exact - vacant.mean));
    let margins = [
        (on - vacant.mean).abs() / vacant.sd,
        (occupied.mean - on).abs() / occupied.sd,
    ];
    let settings = Sequential {
        vacant_mean: vacant.mean,
        vacant_sd: with_steps(vacant),
        occupied_mean: occupied.mean,
        occupied_sd: with_steps(occupied),
        false_alarm_every_h: question.wanted_every_h,
        sample_hz: question.sample_hz,
        spikes: question.spikes,
    };
    let mut proposal = Proposal {
        on,
        off,
        margin_sd: margins[0].min(margins[1]),
        thresholds: plain(margins, question),
        sequential: sequential(settings),
        settings,
        cautions: Vec::new(),
    };
    cautions(&mut proposal, vacant, occupied);
    Ok(proposal)
}

/// When a vehicle that was not measured would be seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Delay {
    /// What it is.
    pub vehicle: &'static str,
    /// What it draws, mA.
    pub draws_ma: f64,
    /// Mean time until the thresholds say `on`, seconds; `None`: not within [`SEEN_WITHIN_S`].
    pub threshold_s: Option<f64>,
    /// The same of the sequential test.
    pub sequential_s: Option<f64>,
}

/// What takes longer than this on the average counts as not seen, seconds: a train has gone by.
pub const SEEN_WITHIN_S: f64 = 60.0;

/// Predicts when a vehicle would be seen that adds `draws_ma` to the vacant level of a current
/// detector and spreads as the measured one does.
#[must_use]
pub fn delay(
    proposal: &Proposal,
    question: &Question,
    vehicle: &'static str,
    draws_ma: f64,
) -> Delay {
    let settings = proposal.settings;
    let (mean, sd) = (settings.vacant_mean + draws_ma, settings.occupied_sd);
    let beyond = normal_below((mean - proposal.on) / sd);
    let seen = |samples: f64| {
        let seconds = samples / question.sample_hz;
        (seconds <= SEEN_WITHIN_S).then_some(seconds)
    };
    Delay {
        vehicle,
        draws_ma,
        threshold_s: seen(threshold(beyond, in_a_row(question))),
        sequential_s: seen(until_on(settings, mean, sd)),
    }
}

/// The spread that a sequential test is to count with. Readings in coarse steps leave its sum in
/// larger steps than normal ones, so that it passes its limit sooner. Twice the variance that
/// rounding adds (a twelfth of the step's square, Sheppard 1897) on top of what was measured keeps
/// the rate that was asked for, whatever the step and wherever the level lies between two of them:
/// common practice knows no rule, `tests/setting_out/coarse.rs` tries it out.
fn with_steps(fit: &Fit) -> f64 {
    fit.sd.hypot(fit.step * (2.0_f64 / 12.0).sqrt())
}

/// The sample that reaches the threshold, and those until the confirming time is over.
fn in_a_row(question: &Question) -> u32 {
    (1.0 + (question.confirm_s * question.sample_hz).ceil()).min(1e6) as u32
}

/// The plain threshold: each sample is beyond it by chance, and so many in a row must be.
fn plain(margins: [f64; 2], question: &Question) -> Promised {
    let in_a_row = in_a_row(question);
    let wrong = threshold(normal_above(margins[0]), in_a_row);
    let right = threshold(normal_below(margins[1]), in_a_row);
    Promised {
        false_alarm_every_h: hours(wrong, question.sample_hz),
        delay_s: right / question.sample_hz,
    }
}

fn sequential(settings: Sequential) -> Promised {
    let samples = promise(settings);
    Promised {
        false_alarm_every_h: hours(samples.between_false_occupancies, settings.sample_hz),
        delay_s: samples.until_occupied / settings.sample_hz,
    }
}

/// Samples as hours; beyond [`NEVER_H`], infinite ones included, that.
fn hours(samples: f64, sample_hz: f64) -> f64 {
    (samples / sample_hz / 3_600.0).min(NEVER_H)
}

fn cautions(proposal: &mut Proposal, vacant: &Fit, occupied: &Fit) {
    let mut say = |text: String| proposal.cautions.push(text);
    for (name, fit) in [("vacant", vacant), ("occupied", occupied)] {
        if fit.lingers > LINGERS_MOST {
            say(format!(
                "{name}: each sample is like the one before (correlation {:.2}), so the intervals \
                 promised are too long: measure over a longer time",
                fit.lingers
            ));
        }
        if fit.step > COARSE_SD * fit.sd {
            say(format!(
                "{name}: readings come in steps of {:.3}, as coarse as their spread; the \
                 sequential test allows for it and sees a vehicle later, the thresholds may be \
                 wrong three times as often: use a finer range of the detector",
                fit.step
            ));
        }
        if fit.far > 0 {
            say(format!(
                "{name}: {} of {} samples lie more than six spreads off ({:.3} to {:.3}): look for \
                 bad contacts, or for something that moved",
                fit.far, fit.samples, fit.least, fit.most
            ));
        }
    }
    if !proposal.settings.spikes && vacant.far > 0 {
        say(String::from(
            "the plan says that there are no spikes, and there were some: take `spikes = false` \
             out, or the sequential test takes them for trains",
        ));
    }
    let every_h = proposal.thresholds.false_alarm_every_h;
    if every_h < SELDOM_H {
        say(format!(
            "the thresholds say 'occupied' wrongly every {} on the average; use decide = \
             \"sequential\", or make the levels differ more",
            in_words(every_h)
        ));
    }
}

/// A length of time in hours, for people.
#[must_use]
pub fn in_words(hours: f64) -> String {
    let (value, unit) = match hours {
        never if never >= NEVER_H => return "more than 100 000 years".to_owned(),
        years if years > 17_532.0 => (years / 8_766.0, "years"),
        days if days > 96.0 => (days / 24.0, "days"),
        hours if hours >= 1.5 => (hours, "hours"),
        minutes if minutes * 60.0 >= 1.5 => (minutes * 60.0, "minutes"),
        seconds => (seconds * 3_600.0, "seconds"),
    };
    if value < 10.0 {
        format!("{value:.1} {unit}")
    } else {
        format!("{value:.0} {unit}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(mean: f64, sd: f64) -> Fit {
        Fit {
            mean,
            sd,
            samples: 600,
            least: mean - 3.0 * sd,
            most: mean + 3.0 * sd,
            far: 0,
            step: 0.0,
            lingers: 0.0,
        }
    }

    const QUESTION: Question = Question {
        is_current: true,
        sample_hz: 10.0,
        confirm_s: 0.0,
        wanted_every_h: 720.0,
        spikes: true,
    };

    /// A normal number is beyond three spreads once in 740.8 samples (twice the 370.4 of a limit on
    /// both sides; check-values 4.3).
    #[test]
    fn threshold_is_wrong_as_often_as_a_normal_number_is_that_far() {
        let proposal = propose(&level(1.0, 0.5), &level(4.0, 0.5), &QUESTION);
        let proposal = proposal.expect("three spreads on either side");
        assert_eq!((proposal.on, proposal.off), (2.5, 1.75));
        assert!((proposal.margin_sd - 3.0).abs() < 1e-9);
        let samples = proposal.thresholds.false_alarm_every_h * 36_000.0;
        assert!((samples - 740.8).abs() < 0.1, "{samples}");
        assert!((proposal.thresholds.delay_s - 0.1).abs() < 0.001);
        assert_eq!(proposal.cautions.len(), 1, "{:?}", proposal.cautions);
        // The sequential test keeps what it was asked for, at a small delay.
        assert!(proposal.sequential.false_alarm_every_h >= 700.0);
        assert!(proposal.sequential.delay_s < 1.0);
    }

    #[test]
    fn confirmation_makes_false_occupancies_rarer_and_the_delay_longer() {
        let confirmed = Question {
            confirm_s: 0.2,
            ..QUESTION
        };
        let plain = propose(&level(1.0, 0.5), &level(4.0, 0.5), &QUESTION);
        let confirmed = propose(&level(1.0, 0.5), &level(4.0, 0.5), &confirmed);
        let (Ok(plain), Ok(confirmed)) = (plain, confirmed) else {
            panic!("both can be proposed");
        };
        let (plain, confirmed) = (plain.thresholds, confirmed.thresholds);
        assert!(confirmed.false_alarm_every_h > 1e4 * plain.false_alarm_every_h);
        assert!(confirmed.delay_s > 0.3 && plain.delay_s < 0.11);
    }

    #[test]
    fn light_through_a_beam_falls() {
        let beam = Question {
            is_current: false,
            ..QUESTION
        };
        let proposal = propose(&level(0.9, 0.01), &level(0.1, 0.01), &beam);
        assert!(proposal.is_ok_and(|found| found.on < found.off && found.off < 0.9));
    }

    #[test]
    fn spikes_where_the_plan_says_that_there_are_none_are_a_caution() {
        let none = Question {
            spikes: false,
            ..QUESTION
        };
        let clean = level(1.0, 0.1);
        let wild = Fit { far: 2, ..clean };
        let said = |vacant: &Fit, question: &Question| {
            let proposal = propose(vacant, &level(4.0, 0.5), question);
            let cautions = proposal.map(|found| found.cautions).unwrap_or_default();
            cautions.iter().any(|text| text.contains("no spikes"))
        };
        assert!(said(&wild, &none));
        assert!(!said(&clean, &none) && !said(&wild, &QUESTION));
    }

    #[test]
    fn levels_that_cannot_be_told_apart_are_refused() {
        let swapped = propose(&level(4.0, 0.5), &level(1.0, 0.5), &QUESTION);
        assert!(matches!(swapped, Err(ProposalError::NotAbove { .. })));
        let near = propose(&level(1.0, 0.5), &level(1.9, 0.5), &QUESTION);
        assert!(matches!(near, Err(ProposalError::Overlap { .. })));
    }

    #[test]
    fn times_are_said_in_their_unit() {
        assert_eq!(in_words(0.001), "3.6 seconds");
        assert_eq!(in_words(720.0), "30 days");
        assert_eq!(in_words(NEVER_H), "more than 100 000 years");
    }
}
