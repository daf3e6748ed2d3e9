//! A sample's own time orders the samples of one detector, and nothing else.
//!
//! An older one is dropped. A node that woke with a wrong clock must not be deaf all evening: three
//! in a row that are more than five seconds off against arrival start a new order.

use crate::time::Instant;

const OFF_LIMIT_S: f64 = 5.0;
const OFF_RUN: u8 = 3;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    InOrder,
    Late,
}

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Order {
    newest: Option<f64>,
    /// Own time less arrival, of the sample that started this order.
    offset: f64,
    off_run: u8,
    pub(crate) steps: u64,
}

impl Order {
    pub(crate) fn take(&mut self, own: f64, arrival: Instant) -> Verdict {
        if !own.is_finite() {
            return Verdict::Late;
        }
        let offset = own - arrival.as_secs_f64();
        let Some(newest) = self.newest else {
            self.newest = Some(own);
            self.offset = offset;
            return Verdict::InOrder;
        };
        if libm::fabs(offset - self.offset) > OFF_LIMIT_S {
            self.off_run += 1;
            if self.off_run >= OFF_RUN {
                self.newest = Some(own);
                self.offset = offset;
                self.off_run = 0;
                self.steps += 1;
                return Verdict::InOrder;
            }
            // One wild clock must not make every later sample look old: it does not move the order.
            return if own < newest {
                Verdict::Late
            } else {
                Verdict::InOrder
            };
        }
        self.off_run = 0;
        if own < newest {
            return Verdict::Late;
        }
        self.newest = Some(own);
        Verdict::InOrder
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::borrow::ToOwned;
    use alloc::string::String;
    use alloc::vec::Vec;

    /// Takes samples of own time and arrival; what became of each.
    fn verdicts(samples: &[(f64, f64)]) -> (String, u64) {
        let mut order = Order::default();
        let words = samples.iter().map(|(own, arrival)| {
            match order.take(*own, Instant::from_secs_f64(*arrival)) {
                Verdict::InOrder => 'o',
                Verdict::Late => 'l',
            }
        });
        (words.collect(), order.steps)
    }

    #[test]
    fn what_is_older_is_late_and_what_is_as_old_is_not() {
        let told = verdicts(&[(10.0, 0.0), (10.0, 0.1), (9.999, 0.2), (10.2, 0.3)]);
        assert_eq!(told, ("oolo".into(), 0));
        assert_eq!(
            verdicts(&[(f64::NAN, 0.0), (f64::INFINITY, 0.1)]),
            ("ll".into(), 0)
        );
    }

    #[test]
    fn five_seconds_off_is_no_other_clock_and_more_does_not_move_the_order() {
        // 5 s ahead: it counts, and what is older than it is late.
        let told = verdicts(&[(100.0, 0.0), (106.0, 1.0), (101.5, 1.5)]);
        assert_eq!(told, ("ool".into(), 0));
        // More than that: a wild clock; what comes in the old order is in order.
        let told = verdicts(&[(100.0, 0.0), (106.1, 1.0), (101.5, 1.5), (101.4, 1.6)]);
        assert_eq!(told, ("oool".into(), 0));
        // As new as the newest, and wild.
        assert_eq!(
            verdicts(&[(100.0, 0.0), (100.0, 9.0), (99.9, 9.1)]),
            ("ool".into(), 0)
        );
        // 5 s behind, and more.
        assert_eq!(
            verdicts(&[(100.0, 0.0), (100.0, 5.0), (100.0, 5.1)]),
            ("ooo".into(), 0)
        );
    }

    #[test]
    fn three_running_start_a_new_order_and_two_do_not() {
        let old = [(100.0, 0.0), (101.0, 1.0)];
        let wild = |n: usize| (0..n).map(|at| (10.0 + at as f64, 2.0 + at as f64));
        let told = |n: usize, after: &[(f64, f64)]| {
            let samples: Vec<_> = old.iter().copied().chain(wild(n)).collect();
            verdicts(&[&samples, after].concat())
        };
        assert_eq!(told(2, &[(110.0, 10.0)]), ("oollo".into(), 0));
        assert_eq!(
            told(3, &[(18.0, 10.0), (17.0, 10.1)]),
            ("oolloo".to_owned() + "l", 1)
        );
        // One in order between: the count begins anew.
        let told = told(
            2,
            &[(110.0, 10.0), (20.0, 11.0), (21.0, 12.0), (22.0, 13.0)],
        );
        assert_eq!(told, ("oollo".to_owned() + "llo", 1));
    }
}
