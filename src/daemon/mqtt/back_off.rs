//! The pause between two attempts to connect.

use std::time::Duration;

/// How long to wait between attempts: twice as long each time, with a part left to chance, so that
/// clients of one broker do not come back all at once.
#[derive(Debug)]
pub(in crate::daemon) struct BackOff {
    first: Duration,
    longest: Duration,
    next: Duration,
    since: Option<tokio::time::Instant>,
}

impl BackOff {
    pub(in crate::daemon) fn new((first, longest): (Duration, Duration)) -> Self {
        Self {
            first,
            longest: longest.max(first),
            next: first,
            since: None,
        }
    }

    pub(super) fn connected(&mut self) {
        self.since = Some(tokio::time::Instant::now());
    }

    /// A connection that ended as soon as it was made, such as one that a broker throws out, is no
    /// reason to come back quickly.
    pub(super) fn lost(&mut self, stood: bool) {
        let lasted = self.since.take().map(|since| since.elapsed());
        if stood && lasted.is_some_and(|lasted| lasted >= self.longest) {
            self.next = self.first;
        }
    }

    pub(in crate::daemon) fn next(&mut self) -> Duration {
        let whole = self.next;
        self.next = (whole * 2).min(self.longest);
        whole / 2 + (whole / 2).mul_f64(chance())
    }
}

/// Between 0 and 1. The standard library seeds each of its hashers anew: chance enough for a
/// pause.
fn chance() -> f64 {
    use std::hash::{BuildHasher, Hasher};
    let number = std::collections::hash_map::RandomState::new()
        .build_hasher()
        .finish();
    (number >> 32) as f64 / f64::from(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pause_doubles_up_to_the_longest_with_half_of_it_left_to_chance() {
        let mut back_off = BackOff::new((Duration::from_millis(100), Duration::from_secs(1)));
        for whole_ms in [100, 200, 400, 800, 1_000, 1_000] {
            let pause = back_off.next();
            let whole = Duration::from_millis(whole_ms);
            assert!(
                pause >= whole / 2 && pause <= whole,
                "{pause:?} of {whole:?}"
            );
        }
    }

    #[tokio::test(start_paused = true)]
    async fn only_a_connection_that_lasted_shortens_the_pause() {
        let mut back_off = BackOff::new((Duration::from_millis(100), Duration::from_secs(1)));
        for _ in 0..6 {
            back_off.next();
        }
        back_off.connected();
        back_off.lost(true);
        assert!(back_off.next() >= Duration::from_millis(500));
        back_off.connected();
        tokio::time::advance(Duration::from_secs(1)).await;
        back_off.lost(true);
        assert!(back_off.next() <= Duration::from_millis(100));
    }
}
