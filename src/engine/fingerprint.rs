//! Everything that what the engine does next depends on, as text: what a model checker tells states
//! apart by.
//!
//! Left out: the layout, which does not change; numbers that are only counted for people; the
//! number that the next train will get; the queue of wake-ups beside what is noted for each
//! subject. Whoever reads it sees to it that moments, written `Instant(n)`, become distances from
//! the present.

use core::fmt::{self, Write};

use crate::Engine;

impl Engine {
    /// Writes the state down.
    ///
    /// # Errors
    /// Only what `out` answers.
    pub fn fingerprint(&self, out: &mut dyn Write) -> fmt::Result {
        let of = self;
        let (mut turnouts, mut detectors) = (of.turnouts.clone(), of.detectors.clone());
        for turnout in &mut turnouts {
            turnout.movements = 0;
        }
        for detector in &mut detectors {
            detector.more.dropouts = 0;
            detector.more.late = 0;
            detector.more.implausible = 0;
            detector.more.passes = 0;
            // A band that was worked out already changes nothing but the time that a sample takes.
            detector.stir();
        }
        let mut desk = of.desk.clone();
        desk.forget_measures();
        write!(out, "{:?}", (of.start, of.broker, of.broker_lost_at))?;
        write!(out, "{:?}", (of.listening_since, of.quiet_until, of.heard))?;
        write!(out, "{:?}", (&of.points, of.timers.noted()))?;
        write!(out, "{:?}", (&of.nodes, &of.feeds, &detectors))?;
        write!(out, "{:?}", (&of.places, &turnouts, &of.crossovers))?;
        write!(out, "{:?}", (&of.tables, &of.trains, &desk))?;
        write!(out, "{:?}", (&of.shown_health, &of.ambient, &of.claims))?;
        write!(out, "{:?}", (&of.lit_lately, &of.shown, &of.unannounced))?;
        write!(out, "{:?}", (&of.parted, &of.lookouts, &of.warnings))?;
        write!(out, "{:?}", &of.borders)?;
        write!(out, "{:?}", &of.outlooks)
    }
}
