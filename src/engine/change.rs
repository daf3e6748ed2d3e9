//! What goes out: one [`Change`] for everything that a recording's replay prints, and one [`Item`]
//! for everything whose published record is no longer the same.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::kinds::{AlarmKind, Priority};
use crate::alarm::lifecycle::AlarmState;
use crate::ids::{BlockId, CrossingId, DetectorId, FeedId, PlaceId, TableId, TrainId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::time::Instant;

/// A place's state (DEVELOPERS.md, section 2).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Occupancy {
    /// Nothing is proven.
    #[default]
    Unknown,
    /// Proven empty.
    Vacant,
    /// A vehicle is there.
    Occupied,
    /// The power is off: see what is kept.
    Dark,
    /// A train was here and was not seen to leave.
    Lost,
}

/// What an unknown or dark place is remembered to hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kept {
    /// A vehicle.
    Occupied,
    /// Nothing.
    Vacant,
    /// A train that was not seen to leave.
    Lost,
}

/// A turnout's clearance (DEVELOPERS.md, section 3).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Clearance {
    /// Set straight, nothing near.
    Free,
    /// Set diverging, no train since.
    Awaiting,
    /// The whole train has passed.
    Cleared,
    /// Not set back in time.
    LeftDiverging,
    /// A vehicle is on it or within its clearance points.
    Fouled,
    /// Not proven.
    #[default]
    Unknown,
}

/// A table's state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum TableState {
    /// Nothing across its edges.
    Free,
    /// A train across an edge.
    Fouled,
    /// Not proven.
    #[default]
    Unknown,
}

/// What one detector says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Evidence {
    /// A vehicle.
    On,
    /// None.
    Off,
    /// Cannot tell.
    #[default]
    None,
}

/// A detector's health.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Health {
    /// Nothing wrong.
    #[default]
    Ok,
    /// Not heard for longer than it promised.
    Silent,
    /// Reads what cannot be.
    Implausible,
    /// On without a change while trains came and went.
    Stuck,
    /// Too many drop-outs.
    Noisy,
    /// Its vacant level wanders.
    Drifting,
    /// Contradicts another detector of the same place.
    Disagreeing,
    /// Goes on together with a place that is no neighbour.
    Coupled,
    /// The operator said so.
    OutOfService,
}

impl Health {
    /// Every one.
    pub const ALL: [Self; 9] = [
        Self::Ok,
        Self::Silent,
        Self::Implausible,
        Self::Stuck,
        Self::Noisy,
        Self::Drifting,
        Self::Disagreeing,
        Self::Coupled,
        Self::OutOfService,
    ];
}

/// Where a position comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PositionFrom {
    /// Not known.
    #[default]
    Nowhere,
    /// A message.
    Message,
    /// Two contacts.
    Contacts,
    /// What was asked, taken as done.
    Told,
    /// A train ran through.
    Passage,
    /// The operator saw it.
    Operator,
}

/// What happened to a train.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TrainEvent {
    /// First seen.
    New,
    /// Moved into a place.
    Entered,
    /// Left a place.
    Vacated,
    /// Changed its direction.
    TurnedBack,
    /// Came up to another train.
    Coupled,
    /// Lost a portion.
    Parted,
    /// Not seen any more.
    Lost,
    /// Seen again.
    Found,
    /// No longer on the layout.
    Gone,
}

/// One change, as a replay prints it.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// When.
    pub at: Instant,
    /// What.
    pub what: What,
}

/// What changed.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A block or bridge.
    Block {
        /// Which.
        block: BlockId,
        /// Before.
        was: Occupancy,
        /// Now.
        state: Occupancy,
        /// What is remembered.
        kept: Option<Kept>,
        /// The cause, in words.
        why: String,
    },
    /// A turnout, also when only its position changed.
    Turnout {
        /// Which.
        turnout: TurnoutId,
        /// Where its points are.
        position: Position,
        /// Before.
        was: Clearance,
        /// Now.
        state: Clearance,
        /// The cause, in words.
        why: String,
    },
    /// A table, also when only its position changed.
    Table {
        /// Which.
        table: TableId,
        /// Where it is.
        position: TablePosition,
        /// Before.
        was: TableState,
        /// Now.
        state: TableState,
    },
    /// A feed.
    Feed {
        /// Which.
        feed: FeedId,
        /// Its switch, where known.
        on: Option<bool>,
        /// Whether it proves anything.
        live: bool,
        /// Tripped or fallen away.
        failed: bool,
    },
    /// A detector's health.
    Detector {
        /// Which.
        detector: DetectorId,
        /// Before.
        was: Health,
        /// Now.
        health: Health,
    },
    /// A train.
    Train {
        /// Which.
        train: TrainId,
        /// What happened.
        event: TrainEvent,
        /// Where.
        place: Option<PlaceId>,
        /// What it holds now, tail to head.
        places: Vec<PlaceId>,
    },
    /// An alarm.
    Alarm {
        /// `type:subject`.
        id: String,
        /// Its type.
        kind: AlarmKind,
        /// Its subject's written id.
        subject: String,
        /// Its priority now.
        priority: Priority,
        /// Before.
        was: AlarmState,
        /// Now.
        state: AlarmState,
        /// One sentence.
        text: String,
    },
}

/// Something whose published record changed.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Item {
    /// A feed.
    Feed(FeedId),
    /// A detector.
    Detector(DetectorId),
    /// A block or bridge.
    Block(BlockId),
    /// A turnout.
    Turnout(TurnoutId),
    /// A table.
    Table(TableId),
    /// A crossing.
    Crossing(CrossingId),
    /// A train; gone when it has no view any more.
    Train(TrainId),
    /// An alarm, by id; normal again when it has no view any more.
    Alarm(String),
}
