//! How long what was told may wait for more, so that both are one write.
//!
//! Input: how long writes took. Output: a time. Every write that is on the disk costs whole pages,
//! and a memory card wears out by them; so what changes is waited for as long as the promise
//! allows: the slower the disk was of late, the shorter. It knows no file and no clock.

use std::time::Duration;

use super::PROMISE;

/// The longest that a change waits for others; most of what follows from one event comes within.
const LONGEST: Duration = Duration::from_millis(150);
/// The shortest: a disk whose writes take half the promise does not keep it by writing more often.
const SHORTEST: Duration = Duration::from_millis(100);
/// Kept free for the way to the writer and for a machine that has other work.
const SPARE: Duration = Duration::from_millis(20);
/// See [`Window::drain`].
const DRAIN: Duration = Duration::from_millis(10);
/// What nobody was told as a change: readings, speeds, estimates. They are written with the next
/// change; were they lost, the past would show them as they were some seconds before.
const LATER: Duration = Duration::from_secs(5);

/// How soon something must be on the disk; the greater the sooner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Haste {
    /// With the next change.
    Later,
    /// Within the promise.
    Soon,
    /// Somebody waits.
    Now,
    /// Nothing comes after it.
    Last,
}

/// What is known of the disk.
#[derive(Debug, Default)]
pub(super) struct Window {
    /// The last write.
    last: Duration,
    /// The slowest write of late: it fades by a fiftieth with each that is quicker.
    slow: Duration,
}

impl Window {
    /// A write took so long.
    pub(super) fn wrote(&mut self, took: Duration) {
        self.last = took;
        self.slow = took.max(self.slow * 49 / 50);
    }

    /// For how long beyond its time what waits already may be taken along: as long as a write
    /// takes, so that half of the time at least goes into taking.
    pub(super) fn drain(&self) -> Duration {
        self.last.max(DRAIN)
    }

    /// How much longer something may wait that was told `waited` ago.
    pub(super) fn rest(&self, haste: Haste, waited: Duration) -> Duration {
        let most = match haste {
            Haste::Later => LATER,
            Haste::Soon => self.soon(),
            Haste::Now | Haste::Last => Duration::ZERO,
        };
        most.saturating_sub(waited)
    }

    fn soon(&self) -> Duration {
        let promise = Duration::from_micros(PROMISE.0);
        promise
            .saturating_sub(SPARE + self.slow * 2)
            .clamp(SHORTEST, LONGEST)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    #[test]
    fn a_slow_disk_is_waited_for_less_and_forgiven_slowly() {
        let mut window = Window::default();
        let soon = |window: &Window| window.rest(Haste::Soon, Duration::ZERO);
        assert_eq!(soon(&window), 150 * MS);
        window.wrote(5 * MS);
        assert_eq!(soon(&window), 150 * MS);
        // Two writes as slow as this one and the window are within the promise.
        window.wrote(30 * MS);
        assert_eq!(soon(&window), 120 * MS);
        window.wrote(10 * MS);
        assert_eq!(soon(&window), 121_200 * Duration::from_micros(1));
        for _ in 0..200 {
            window.wrote(MS);
        }
        assert_eq!(soon(&window), 150 * MS);
        assert_eq!(window.drain(), 10 * MS);
        window.wrote(900 * MS);
        assert_eq!(soon(&window), 100 * MS);
        assert_eq!(window.drain(), 900 * MS);
    }

    #[test]
    fn what_waited_already_waits_less_and_who_waits_waits_for_nothing() {
        let window = Window::default();
        assert_eq!(window.rest(Haste::Soon, 100 * MS), 50 * MS);
        assert_eq!(window.rest(Haste::Soon, 300 * MS), Duration::ZERO);
        assert_eq!(window.rest(Haste::Later, 100 * MS), 4_900 * MS);
        assert_eq!(window.rest(Haste::Now, Duration::ZERO), Duration::ZERO);
        assert!(Haste::Last > Haste::Now && Haste::Now > Haste::Soon && Haste::Soon > Haste::Later);
    }
}
