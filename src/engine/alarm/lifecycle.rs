//! The life of one alarm: the state model of ANSI/ISA-18.2 and IEC 62682.

/// Where in its life an alarm is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum AlarmState {
    /// No condition.
    #[default]
    Normal,
    /// Raised, nobody has said that it was seen.
    Unacknowledged,
    /// Raised and seen.
    Acknowledged,
    /// Gone before anybody said that it was seen.
    ReturnedUnacknowledged,
    /// Gone, latched, not seen.
    LatchedUnacknowledged,
    /// Gone, latched, seen.
    LatchedAcknowledged,
    /// Put aside by the operator, for a time.
    Shelved,
    /// Put aside by logic: its cause has an alarm of its own.
    Suppressed,
    /// Put aside by maintenance.
    OutOfService,
}
