//! The words of the contract for the engine's enums, both ways.
//!
//! Inputs: an enum value or a word. Outputs: the other. One table, so that what is written can be
//! read back. It does not know JSON.

use crate::engine::alarm::kinds::AlarmKind;
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::change::{
    Clearance, Evidence, Health, Kept, Occupancy, PositionFrom, TableState, TrainEvent,
};
use crate::engine::input::Position;
use crate::engine::layout::{DetectorKind, Equipped, FeedRest, Leg, PointsRest, Side, Usage};

/// An enum whose values have words.
pub trait Worded: Copy + 'static {
    /// Every value with its word.
    const WORDS: &'static [(Self, &'static str)];

    /// The value's word.
    fn word(self) -> &'static str;

    /// The value that goes by this word.
    #[must_use]
    fn from_word(word: &str) -> Option<Self> {
        Self::WORDS
            .iter()
            .find(|(_, known)| *known == word)
            .map(|(value, _)| *value)
    }
}

macro_rules! words {
    ($($name:ident { $($variant:ident $word:literal),* $(,)? })*) => {$(
        impl Worded for $name {
            const WORDS: &'static [(Self, &'static str)] = &[$((Self::$variant, $word)),*];

            fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }
        }
    )*};
}

words! {
    Occupancy {
        Unknown "unknown", Vacant "vacant", Occupied "occupied", Dark "dark", Lost "lost",
    }
    Kept { Occupied "occupied", Vacant "vacant", Lost "lost" }
    Clearance {
        Free "free", Awaiting "awaiting", Cleared "cleared", LeftDiverging "left-diverging",
        Fouled "fouled", Unknown "unknown",
    }
    TableState { Free "free", Fouled "fouled", Unknown "unknown" }
    Evidence { On "on", Off "off", None "none" }
    Health {
        Ok "ok", Silent "silent", Implausible "implausible", Stuck "stuck", Noisy "noisy",
        Drifting "drifting", Disagreeing "disagreeing", Coupled "coupled",
        OutOfService "out-of-service",
    }
    PositionFrom {
        Nowhere "nowhere", Message "message", Contacts "contacts", Told "told",
        Passage "passage", Operator "operator",
    }
    TrainEvent {
        New "new", Entered "entered", Vacated "vacated", TurnedBack "turned-back",
        Coupled "coupled", Parted "parted", Lost "lost", Found "found", Gone "gone",
    }
    Position { Normal "normal", Reverse "reverse", Moving "moving", Unknown "unknown" }
    AlarmState {
        Normal "normal", Unacknowledged "unacknowledged", Acknowledged "acknowledged",
        ReturnedUnacknowledged "returned-unacknowledged",
        LatchedUnacknowledged "latched-unacknowledged",
        LatchedAcknowledged "latched-acknowledged", Shelved "shelved",
        Suppressed "suppressed", OutOfService "out-of-service",
    }
    DetectorKind { Current "current", Optical "optical", Contact "contact" }
    Equipped { None "none", Ends "ends", All "all" }
    FeedRest { Off "off", On "on", Any "any" }
    PointsRest { Normal "normal", None "none" }
    Usage { Running "running", Siding "siding", Stub "stub", Yard "yard" }
    Leg { Toe "toe", Normal "normal", Reverse "reverse" }
    Side { A "a", B "b" }
}

/// The alarm type that goes by this word.
#[must_use]
pub fn alarm_kind(word: &str) -> Option<AlarmKind> {
    AlarmKind::ALL
        .iter()
        .copied()
        .find(|kind| kind.word() == word)
}
