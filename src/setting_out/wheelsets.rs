//! Resistor wheelsets: what one axle draws, and how many a threshold needs.
//!
//! Inputs: track voltage, resistance across one axle, detector threshold. Outputs: current and
//! heat of an axle, axles that it takes. Ohm's law and nothing more: leakage along the track, dirty
//! wheels and the detector's own accuracy are not known here.

/// The largest voltage that is taken for a model's track.
const VOLTS_MAX: f64 = 60.0;
/// The largest resistance that is taken for a wheelset's.
const OHMS_MAX: f64 = 10_000_000.0;
/// The largest threshold that is taken for a detector's, mA.
const THRESHOLD_MA_MAX: f64 = 20_000.0;
/// Below this part of an axle, a current that misses the threshold is a rounding of the quotient.
const ROUNDING: f64 = 1e-9;

/// What a threshold asks of the wheelsets.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Budget {
    /// Current through one axle, mA.
    pub axle_ma: f64,
    /// Axles in the block until the current reaches the threshold.
    pub axles_needed: u32,
    /// Heat in one axle's resistor, W.
    pub watts_per_axle: f64,
}

/// A number that is not one of a track.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} {given}: give more than 0 and up to {most}, as {example}")]
pub struct BudgetError {
    what: &'static str,
    given: f64,
    most: f64,
    example: &'static str,
}

/// Works out the budget.
///
/// # Errors
/// A number is not above zero, too large, or no number.
pub fn budget(volts: f64, ohms: f64, threshold_ma: f64) -> Result<Budget, BudgetError> {
    for (what, given, most, example) in [
        ("track voltage", volts, VOLTS_MAX, "--volts 12"),
        ("resistance", ohms, OHMS_MAX, "--ohms 10000"),
        (
            "threshold",
            threshold_ma,
            THRESHOLD_MA_MAX,
            "--threshold 3.0",
        ),
    ] {
        if !(given > 0.0 && given <= most) {
            return Err(BudgetError {
                what,
                given,
                most,
                example,
            });
        }
    }
    let axle_ma = volts / ohms * 1_000.0;
    let axles = (threshold_ma / axle_ma * (1.0 - ROUNDING)).ceil();
    Ok(Budget {
        axle_ma,
        // A float-to-integer cast saturates: beyond any train is beyond any train.
        axles_needed: axles as u32,
        watts_per_axle: volts * volts / ohms,
    })
}

/// Whether one car is too little for a threshold: the caution in words, or `None` where it is seen.
///
/// `axles_per_car`: how many of its axles carry resistors; one or two is common practice.
#[must_use]
pub fn blind_to_one_car(budget: &Budget, axles_per_car: u32) -> Option<String> {
    let needed = budget.axles_needed;
    (needed > axles_per_car).then(|| {
        format!(
            "one car with {axles_per_car} resistor axle{} draws {:.2} mA and is not seen: it takes \
             {needed} axles",
            if axles_per_car == 1 { "" } else { "s" },
            budget.axle_ma * f64::from(axles_per_car),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_threshold_that_is_met_exactly_is_met() {
        // 12 V over 10 kOhm is 1.2 mA; 3 x 1.2 is a hair under 3.6 in binary.
        assert!(budget(12.0, 10_000.0, 3.6).is_ok_and(|budget| budget.axles_needed == 3));
        assert!(budget(12.0, 10_000.0, 3.601).is_ok_and(|budget| budget.axles_needed == 4));
    }

    #[test]
    fn a_car_below_the_threshold_is_named() {
        let seen = budget(12.0, 10_000.0, 2.4).map(|budget| blind_to_one_car(&budget, 2));
        assert_eq!(seen, Ok(None));
        let blind = budget(12.0, 10_000.0, 3.0).map(|budget| blind_to_one_car(&budget, 2));
        assert!(matches!(blind, Ok(Some(text)) if text.contains("2.40 mA")));
    }

    #[test]
    fn what_is_no_track_is_refused() {
        for (volts, ohms, threshold) in [
            (0.0, 1.0, 1.0),
            (12.0, -1.0, 1.0),
            (12.0, 1e4, f64::NAN),
            (f64::INFINITY, 1e4, 3.0),
        ] {
            assert!(budget(volts, ohms, threshold).is_err());
        }
    }
}
