//! What a stranger can trigger is logged at most once a minute and cause.
//!
//! Input: a cause and the present. Output: whether to log now, and how often the cause came since
//! it was last logged. The counters of the metrics count every one; this only spares the log.

use std::collections::BTreeMap;

use crate::engine::time::{Instant, Span};

/// The least time between two lines of one cause.
const QUIET: Span = Span::from_secs(60);

/// When each cause was last logged.
#[derive(Debug, Default)]
pub struct LogLimit {
    causes: BTreeMap<&'static str, Cause>,
}

#[derive(Debug)]
struct Cause {
    logged: Instant,
    unlogged: u64,
}

impl LogLimit {
    /// `Some(n)`: log it, and say that it also came `n` times unlogged since the last line.
    pub fn should_log(&mut self, cause: &'static str, now: Instant) -> Option<u64> {
        let Some(seen) = self.causes.get_mut(cause) else {
            self.causes.insert(
                cause,
                Cause {
                    logged: now,
                    unlogged: 0,
                },
            );
            return Some(0);
        };
        if now.since(seen.logged) < QUIET {
            seen.unlogged = seen.unlogged.saturating_add(1);
            return None;
        }
        let unlogged = std::mem::take(&mut seen.unlogged);
        seen.logged = now;
        Some(unlogged)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_logged_once_a_minute_and_others_are_not_held_up() {
        let mut limit = LogLimit::default();
        let at = |s| Instant::from_secs_f64(s);
        assert_eq!(limit.should_log("malformed", at(1.0)), Some(0));
        assert_eq!(limit.should_log("malformed", at(2.0)), None);
        assert_eq!(limit.should_log("unknown_topic", at(2.0)), Some(0));
        assert_eq!(limit.should_log("malformed", at(60.9)), None);
        assert_eq!(limit.should_log("malformed", at(61.0)), Some(2));
        assert_eq!(limit.should_log("malformed", at(61.1)), None);
    }
}
