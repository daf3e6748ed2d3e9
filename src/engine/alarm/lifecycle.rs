//! The life of one alarm: the state model of ANSI/ISA-18.2 and IEC 62682 (check-values, section
//! 3.1).
//!
//! Its machine is in `machine`; here are its states and events.

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

impl AlarmState {
    /// The word in JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::LatchedUnacknowledged => "latched-unacknowledged",
            Self::LatchedAcknowledged => "latched-acknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed",
            Self::OutOfService => "out-of-service",
        }
    }
}

/// What happens to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmEvent {
    /// The condition has come, on-delay included.
    Raise,
    /// The condition has gone, off-delay included.
    Return,
    /// The priority rose while the condition lasted.
    Worsen,
    /// The operator has seen it.
    Acknowledge,
    /// The operator is done with a latched one.
    Reset,
    /// The operator puts it aside for a time.
    Shelve,
    /// Its cause has an alarm of its own.
    Suppress,
    /// Maintenance puts it aside.
    TakeOut,
    /// Shelving ends: its time is up, or the operator says so.
    Unshelve,
    /// Its cause's own alarm has gone.
    Unsuppress,
    /// Maintenance is done.
    PutBack,
    /// A memory (B8).
    Put(AlarmState),
}
