//! What survives a restart (B8), by written id, so that a changed plan recalls what it still has.
//!
//! The shell stores it, a recording's first line may carry it as `"memory"`; its JSON is the
//! snapshot's shape with the keys that are needed, each optional.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::lifecycle::AlarmState;
use crate::change::{Clearance, Kept, Occupancy};
use crate::input::Position;
use crate::time::Span;

/// Everything that is remembered.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Memory {
    /// Blocks, bridges and other places.
    pub places: Vec<PlaceMemory>,
    /// Turnouts.
    pub turnouts: Vec<TurnoutMemory>,
    /// Tables: id and the stop's name.
    pub tables: Vec<(String, String)>,
    /// Feeds: id, switch, failed.
    pub feeds: Vec<(String, Option<bool>, bool)>,
    /// Trains, oldest first.
    pub trains: Vec<TrainMemory>,
    /// Alarms that are not normal.
    pub alarms: Vec<AlarmMemory>,
    /// Detectors that the operator took out of service.
    pub out_of_service: Vec<String>,
    /// The number of the next train.
    pub next_train: u32,
    /// What tells this numbering of trains from one that began anew; empty where nobody gave it.
    pub series: String,
}

/// A place.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceMemory {
    /// The written id.
    pub id: String,
    /// Its state.
    pub state: Occupancy,
    /// What was remembered then.
    pub kept: Option<Kept>,
    /// The operator said that a train stands here, and nothing has spoken since.
    pub told: bool,
    /// The trains in it, end a to end b, by written id.
    pub trains: Vec<String>,
}

/// A turnout.
#[derive(Clone, Debug, PartialEq)]
pub struct TurnoutMemory {
    /// The written id.
    pub id: String,
    /// Where its points were.
    pub position: Position,
    /// Its clearance.
    pub state: Clearance,
    /// A train fouled it since its points were set.
    pub fouled_since_set: bool,
}

/// A train.
#[derive(Clone, Debug, PartialEq)]
pub struct TrainMemory {
    /// `t1`, `t2`...
    pub id: String,
    /// Given by the operator.
    pub name: Option<String>,
    /// Places, tail to head.
    pub blocks: Vec<String>,
    /// The end that its head faced, as `ID.end`.
    pub heading: Option<String>,
    /// Length, where known.
    pub length_mm: Option<f64>,
    /// The train it parted from.
    pub parent: Option<String>,
    /// Who it is for all daemons, where another one saw it first.
    pub identity: Option<String>,
}

/// An alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmMemory {
    /// `type:subject`.
    pub id: String,
    /// Where in its life it was.
    pub state: AlarmState,
    /// The condition lasted.
    pub active: bool,
    /// One sentence.
    pub text: String,
    /// Who acknowledged or shelved it.
    pub by: Option<String>,
    /// Why, where somebody said.
    pub reason: Option<String>,
    /// How long its shelving still lasts.
    pub shelved_for: Option<Span>,
}
