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
