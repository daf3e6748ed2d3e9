//! The only place that reads a clock.
//!
//! Timers run on monotonic time, counted from the daemon's start ([`Clock::now`]). Wall time is a
//! label for people and for JSON ([`Clock::label`]); where the computer's clock steps (there is no
//! battery-backed clock under many a layout) the labels follow, and no timer does. It knows nothing
//! of what the times are for.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

use crate::engine::time::Instant;
use crate::wire::stamp::Label;

/// A difference between wall and monotonic time larger than this is a step of the wall clock; a
/// smaller one is drift, and labels that were already given stay what they are.
const STEP_US: i64 = 500_000;

/// Monotonic time since the daemon's start, and the wall time that belongs to it.
#[derive(Clone, Debug)]
pub struct Clock {
    start: std::time::Instant,
    /// Wall time at the start, microseconds since 1970.
    wall_at_start: Arc<AtomicI64>,
    /// Somebody has said what time it is: network time, a battery-backed clock, a hand.
    trusted: Arc<AtomicBool>,
}

impl Clock {
    /// A clock whose zero is now.
    #[must_use]
    pub fn start() -> Self {
        Self {
            start: std::time::Instant::now(),
            wall_at_start: Arc::new(AtomicI64::new(wall_now_us())),
            trusted: Arc::new(AtomicBool::new(is_vouched_for())),
        }
    }

    /// Now, as the engine counts time.
    #[must_use]
    pub fn now(&self) -> Instant {
        Instant(u64::try_from(self.start.elapsed().as_micros()).unwrap_or(u64::MAX))
    }

    /// The moment at which a timer due at `at` fires, for the runtime's sleep.
    #[must_use]
    pub fn sleep_until(&self, at: Instant) -> tokio::time::Instant {
        // A deadline beyond what the platform can express is as good as none: look again in a day.
        let span = std::time::Duration::from_micros(at.0);
        let day = std::time::Duration::from_secs(86_400);
        let due = self
            .start
            .checked_add(span)
            .unwrap_or_else(|| std::time::Instant::now() + day);
        tokio::time::Instant::from_std(due)
    }

    /// How moments are written from now on.
    #[must_use]
    pub fn label(&self) -> Label {
        Label::Wall {
            origin_us: self.wall_at_start.load(Ordering::Relaxed),
        }
    }

    /// A moment as the computer's clock has it, microseconds since 1970.
    #[must_use]
    pub fn wall_us(&self, at: Instant) -> i64 {
        let since = i64::try_from(at.0).unwrap_or(i64::MAX);
        self.wall_at_start
            .load(Ordering::Relaxed)
            .saturating_add(since)
    }

    /// Compares the computer's clock with the labels. `true` when it was stepped: labels given from
    /// now on follow the new time, and everything shown must be shown again.
    pub fn follow_steps(&self) -> bool {
        let elapsed = i64::try_from(self.now().0).unwrap_or(i64::MAX);
        let start = wall_now_us().saturating_sub(elapsed);
        let old = self.wall_at_start.load(Ordering::Relaxed);
        let stepped = start.saturating_sub(old).saturating_abs() > STEP_US;
        if stepped {
            self.wall_at_start.store(start, Ordering::Relaxed);
            self.trusted.store(true, Ordering::Relaxed);
        }
        stepped
    }

    /// Whether the wall clock is more than a guess. Without a battery under the layout it is one
    /// until network time or a hand has set it.
    #[must_use]
    pub fn is_trusted(&self) -> bool {
        self.trusted.load(Ordering::Relaxed)
    }

    /// Looks whether the wall clock is trusted by now; `true` once, when it has come to be.
    pub fn comes_to_be_trusted(&self) -> bool {
        let now = !self.is_trusted() && is_vouched_for();
        if now {
            self.trusted.store(true, Ordering::Relaxed);
        }
        now
    }

    /// The wall clock, microseconds since 1970.
    #[must_use]
    pub fn wall_now_us(&self) -> i64 {
        wall_now_us()
    }
}

/// What says that the wall clock is right: a battery-backed clock, or the system's own mark that
/// network time has been reached.
fn is_vouched_for() -> bool {
    const MARKS: [&str; 2] = ["/sys/class/rtc/rtc0", "/run/systemd/timesync/synchronized"];
    MARKS.iter().any(|mark| Path::new(mark).exists())
}

/// The computer's clock, microseconds since 1970: a label, never a timer.
#[must_use]
pub fn wall_now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// The minute of the day by the clock on the wall, in the computer's time zone.
#[must_use]
pub fn minute_of_day() -> u16 {
    let now = jiff::Zoned::now();
    let minutes = i32::from(now.hour()) * 60 + i32::from(now.minute());
    u16::try_from(minutes).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::time::Span;

    #[test]
    fn a_step_of_the_wall_clock_moves_labels_and_not_time() {
        let clock = Clock::start();
        assert!(!clock.follow_steps(), "no step has happened");
        let before = clock.now();
        clock
            .wall_at_start
            .fetch_sub(3_600_000_000, Ordering::Relaxed);
        assert!(clock.follow_steps());
        assert!(!clock.follow_steps(), "a step is reported once");
        assert!(clock.now().since(before) < Span::from_secs(60));
        let Label::Wall { origin_us } = clock.label() else {
            panic!("live, times are wall times")
        };
        let now = origin_us + i64::try_from(clock.now().0).expect("a short test");
        let off = now - wall_now_us();
        assert!(off.abs() < STEP_US, "the label is {off} us off");
    }
}
