//! Chance that is the same in every run and on every machine.

/// Numbers that look random and are the same every day (a linear congruence; constants of Knuth's
/// MMIX, from memory).
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, limit: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % limit
    }
}
