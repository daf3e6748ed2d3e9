//! Everything that what the engine does next depends on, as text: what a model checker tells states
//! apart by.
//!
//! Left out: the layout, which does not change; numbers that are only counted for people; the queue
//! of wake-ups beside what is noted for each subject. Whoever reads it sees to it that moments,
//! written `Instant(n)`, become distances from the present.

use core::fmt::{self, Write};

use crate::Engine;

impl Engine {
    /// Writes the state down.
    ///
    /// # Errors
    /// Only what `out` answers.
    pub fn fingerprint(&self, out: &mut dyn Write) -> fmt::Result {
        let mut of = self.clone();
        for turnout in &mut of.turnouts {
            turnout.movements = 0;
        }
        of.desk.forget_measures();
        for detector in &mut of.detectors {
            detector.dropouts = 0;
            detector.late = 0;
            detector.implausible = 0;
        }
        write!(out, "{:?}", (of.start, of.broker, of.broker_lost_at))?;
        write!(out, "{:?}", (of.quiet_until, &of.points, of.timers.noted()))?;
        write!(out, "{:?}", (&of.nodes, &of.feeds, &of.detectors))?;
        write!(out, "{:?}", (&of.places, &of.turnouts, &of.crossovers))?;
        write!(out, "{:?}", (&of.tables, &of.trains, &of.desk))?;
        write!(
            out,
            "{:?}",
            (&of.shown_health, of.ambient, &of.recent_losses)
        )?;
        write!(out, "{:?}", (&of.claims, &of.lit_lately, &of.shown))?;
        write!(out, "{:?}", (&of.unannounced, &of.parted, &of.lookouts))?;
        write!(
            out,
            "{:?}",
            (&of.warnings, &of.outlooks, of.found_elsewhere)
        )
    }
}
