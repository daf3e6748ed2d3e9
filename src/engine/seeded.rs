//! Faults that can be put into the engine, so that a test can see the model checker find them.
//!
//! Only with the feature `model`, which no program is built with: elsewhere the question is
//! answered `false` at compile time, and nothing of it is left.

use crate::Engine;

/// A fault, named by what the engine then does wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seeded {
    /// B4: a place whose train is nowhere else is released.
    ForgetsTrains,
    /// B6: `off` in dead track proves.
    DarkProves,
    /// B5: a detector that cannot tell counts as off.
    SilenceIsOff,
    /// T1: clearance without waiting for `clear_s`.
    ClearsAtOnce,
    /// T2: points that were not set back are not told.
    NeverLeftDiverging,
    /// T2: points are told that no train has used.
    TellsTooSoon,
    /// The alarm of T2 never returns.
    AlarmStays,
    /// T8: a crossover whose ends differ is not told.
    NeverSplit,
    /// A table never sees a train across its edge.
    NeverAcross,
}

impl Engine {
    /// Puts a fault in.
    #[cfg(feature = "model")]
    pub const fn seed(&mut self, fault: Option<Seeded>) {
        self.seeded = fault;
    }

    #[cfg(feature = "model")]
    pub(crate) fn seeded(&self, fault: Seeded) -> bool {
        self.seeded == Some(fault)
    }

    #[cfg(not(feature = "model"))]
    #[expect(clippy::unused_self, reason = "as with the feature")]
    pub(crate) const fn seeded(&self, _: Seeded) -> bool {
        false
    }
}
