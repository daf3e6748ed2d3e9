//! When a reading that changes no decision is worth showing.
//!
//! A detector's record is published when its evidence or health changes. Its reading alone moves
//! all the time; it is shown at most once a second, and only when it differs from the shown one by
//! more than noise: a fifth of the distance between the two thresholds (one standard deviation of
//! the vacant level where the test is sequential), or a twentieth of the reading, whichever is
//! more. Common practice, no source; it decides nothing but what is shown.

use crate::engine::layout::Decide;

/// Whether `new` is worth showing where `shown` is shown.
#[must_use]
pub fn is_noticeable(decide: &Decide, shown: Option<f64>, new: Option<f64>) -> bool {
    match (shown, new) {
        (None, None) => false,
        (None, Some(_)) | (Some(_), None) => true,
        (Some(shown), Some(new)) => {
            let step = match decide {
                Decide::Threshold { on, off } => (on - off).abs() / 5.0,
                Decide::Sequential(test) => test.vacant_sd,
                Decide::Boolean => 0.0,
            };
            (new - shown).abs() > step.max(shown.abs() / 20.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_not_shown_and_trains_are() {
        let decide = Decide::Threshold { on: 3.0, off: 1.5 };
        assert!(is_noticeable(&decide, None, Some(0.2)));
        assert!(!is_noticeable(&decide, Some(0.2), Some(0.4)));
        assert!(is_noticeable(&decide, Some(0.2), Some(0.6)));
        assert!(!is_noticeable(&decide, Some(120.0), Some(125.0)));
        assert!(is_noticeable(&decide, Some(120.0), Some(127.0)));
        assert!(!is_noticeable(&Decide::Boolean, Some(1.0), Some(1.0)));
    }
}
