//! Seeded randomness: one stream for each cause, so that a new cause does not change the others.
//!
//! Inputs: a seed and the cause's name. Outputs: draws from the few distributions that the world
//! needs. It does not know what they are used for.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp, LogNormal, Normal};

/// One stream of chance.
#[derive(Clone, Debug)]
pub struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream of `cause` under `seed`. Streams of different causes do not depend on each
    /// other.
    #[must_use]
    pub fn new(seed: u64, cause: &str) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(fnv1a(cause.as_bytes()));
        Self(rng)
    }

    /// Evenly between `low` and `high`; `low` where the range is empty.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        let u: f64 = self.0.random();
        low + u * (high - low).max(0.0)
    }

    /// True with this probability.
    pub fn happens(&mut self, probability: f64) -> bool {
        let u: f64 = self.0.random();
        u < probability
    }

    /// One of `0..count`; zero where there is nothing to choose from.
    pub fn pick(&mut self, count: usize) -> usize {
        if count < 2 {
            0
        } else {
            self.0.random_range(0..count)
        }
    }

    /// Normal with mean zero; zero where the spread is not a positive number.
    pub fn normal(&mut self, sd: f64) -> f64 {
        match Normal::new(0.0, sd) {
            Ok(normal) if sd > 0.0 => normal.sample(&mut self.0),
            _ => 0.0,
        }
    }

    /// Log-normal with this median and this spread of the logarithm.
    pub fn log_normal(&mut self, median: f64, log_sd: f64) -> f64 {
        match LogNormal::new(median.ln(), log_sd) {
            Ok(distribution) => distribution.sample(&mut self.0),
            Err(_) => median,
        }
    }

    /// The way to the next event of a Poisson process; infinite where it never happens.
    pub fn gap(&mut self, rate: f64) -> f64 {
        match Exp::new(rate) {
            Ok(distribution) if rate > 0.0 => distribution.sample(&mut self.0),
            _ => f64::INFINITY,
        }
    }
}

/// The 64-bit FNV-1a hash: a fixed number for a name, the same on every machine.
/// Source: draft-eastlake-fnv, section 6 (offset basis and prime).
const fn fnv1a(bytes: &[u8]) -> u64 {
    let mut hash = 0xcbf2_9ce4_8422_2325_u64;
    let mut at = 0;
    while at < bytes.len() {
        hash ^= bytes[at] as u64;
        hash = hash.wrapping_mul(0x0000_0100_0000_01b3);
        at += 1;
    }
    hash
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_is_the_published_one() {
        // Source: draft-eastlake-fnv, appendix C, 64-bit FNV-1a of "" and "a" (from memory).
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"a"), 0xaf63_dc4c_8601_ec8c);
    }

    #[test]
    fn the_same_seed_and_cause_give_the_same_draws_and_others_do_not() {
        let draws = |seed, cause| {
            let mut chance = Chance::new(seed, cause);
            [
                chance.between(0.0, 1.0),
                chance.normal(1.0),
                chance.gap(2.0),
            ]
        };
        assert_eq!(draws(1, "dirt"), draws(1, "dirt"));
        assert_ne!(draws(1, "dirt"), draws(1, "noise"));
        assert_ne!(draws(1, "dirt"), draws(2, "dirt"));
    }

    #[test]
    fn never_is_never() {
        let mut chance = Chance::new(3, "never");
        assert!(chance.gap(0.0).is_infinite());
        assert!(!chance.happens(0.0));
        assert_eq!(chance.normal(0.0), 0.0);
    }
}
