//! Records as JSON, the same for MQTT, the API and the stream: a thin layer over [`wire`] that puts
//! in the labels of time and the names of the plan.
//!
//! [`wire`]: crate::wire

use std::sync::Arc;

use serde_json::Value;

use super::clock::Clock;
use super::hub::{LayoutNames, Shot};
use crate::engine::View;
use crate::engine::change::Item;
use crate::engine::layout::Layout;
use crate::engine::snapshot::LineUp;
use crate::plan::{Finding, Plan};

/// The kinds of items that have a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Blocks and bridges.
    Blocks,
    /// Turnouts.
    Turnouts,
    /// Tables.
    Tables,
    /// Feeds.
    Feeds,
    /// Detectors.
    Detectors,
    /// Trains.
    Trains,
    /// Alarms.
    Alarms,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Blocks,
        Self::Turnouts,
        Self::Tables,
        Self::Feeds,
        Self::Detectors,
        Self::Trains,
        Self::Alarms,
    ];

    /// The word in topics and in the stream's events.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Blocks => "block",
            Self::Turnouts => "turnout",
            Self::Tables => "table",
            Self::Feeds => "feed",
            Self::Detectors => "detector",
            Self::Trains => "train",
            Self::Alarms => "alarm",
        }
    }

    /// The word in paths and in the snapshot.
    #[must_use]
    pub const fn plural(self) -> &'static str {
        match self {
            Self::Blocks => "blocks",
            Self::Turnouts => "turnouts",
            Self::Tables => "tables",
            Self::Feeds => "feeds",
            Self::Detectors => "detectors",
            Self::Trains => "trains",
            Self::Alarms => "alarms",
        }
    }
}
