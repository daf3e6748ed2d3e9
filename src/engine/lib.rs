//! The decisions of taillamp: time and messages in, changes out.
//!
//! `no_std`: a clock, a socket, a file or a randomly ordered map cannot be named here. The shell calls
//! [`Engine::handle`] for every input and [`Engine::advance`] when the deadline of
//! [`Engine::next_deadline`] has come, and drains what changed after each. The same inputs at the same
//! times give the same changes, byte for byte.
#![no_std]

extern crate alloc;

pub mod alarm;
pub mod change;
pub mod ids;
pub mod input;
pub mod layout;
pub mod memory;
pub mod snapshot;
pub mod time;

use alloc::string::String;
use alloc::vec::Vec;

use change::{Change, Item};
use ids::{PlaceId, TrainId};
use input::{Input, Outcome};
use layout::Layout;
use memory::Memory;
use snapshot::{
    AlarmView, BlockView, DetectorView, FeedView, LineUp, Snapshot, TableView, TrainView,
    TurnoutView,
};
use time::Instant;

/// The engine: one layout, one owner, one order of events.
#[derive(Debug)]
pub struct Engine {
    layout: Layout,
    now: Instant,
}

impl Engine {
    /// A fresh engine: everything is unknown at `at`.
    #[must_use]
    pub fn new(layout: Layout, at: Instant) -> Self {
        Self { layout, now: at }
    }

    /// An engine that remembers (B8). Items of the memory that the layout does not know are ignored.
    #[must_use]
    pub fn recall(layout: Layout, at: Instant, _memory: &Memory) -> Self {
        Self::new(layout, at)
    }

    /// Lets time run to `at` (due timers fire first, each at its own time), then takes one input.
    /// A time that goes back is taken as the present.
    pub fn handle(&mut self, at: Instant, _input: Input) -> Outcome {
        self.advance(at);
        Outcome::Taken
    }

    /// Lets time run to `to`: every timer due at or before it fires, each at its own time.
    pub fn advance(&mut self, to: Instant) {
        self.now = self.now.max(to);
    }

    /// When the next timer is due and what for; `None` when nothing is waiting.
    #[must_use]
    pub fn next_deadline(&self) -> Option<(Instant, &'static str)> {
        None
    }

    /// The changes since the last call, in order: what a replay prints.
    pub fn drain(&mut self) -> Vec<Change> {
        Vec::new()
    }

    /// The items whose published record may have changed since the last call, each once, sorted.
    /// Readings alone (no change of evidence or health) are not listed.
    pub fn touched(&mut self) -> Vec<Item> {
        Vec::new()
    }

    /// The present.
    #[must_use]
    pub fn now(&self) -> Instant {
        self.now
    }

    /// The layout.
    #[must_use]
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// Everything, now.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        Snapshot {
            at: self.now,
            broker: true,
            waiting: None,
            blocks: Vec::new(),
            turnouts: Vec::new(),
            tables: Vec::new(),
            feeds: Vec::new(),
            detectors: Vec::new(),
            trains: Vec::new(),
            alarms: Vec::new(),
            line_up: LineUp::default(),
        }
    }

    /// One block, turnout, table, feed, detector, train or alarm, now. `None` for a train that is
    /// gone and for an alarm that is normal.
    #[must_use]
    pub fn view(&self, _item: &Item) -> Option<View> {
        None
    }

    /// The exceptions to 'ready to run'.
    #[must_use]
    pub fn line_up(&self) -> LineUp {
        LineUp::default()
    }

    /// What must survive a restart (B8).
    #[must_use]
    pub fn memory(&self) -> Memory {
        Memory::default()
    }

    /// The written id of a place.
    #[must_use]
    pub fn place_name(&self, _place: PlaceId) -> &str {
        ""
    }

    /// The train that goes by this written id (`t1`).
    #[must_use]
    pub fn train_by_name(&self, _id: &str) -> Option<TrainId> {
        None
    }

    /// A train's written id.
    #[must_use]
    pub fn train_name(&self, train: TrainId) -> String {
        alloc::format!("t{}", train.0)
    }
}

/// One item's record.
#[derive(Clone, Debug, PartialEq)]
pub enum View {
    /// A block or bridge.
    Block(BlockView),
    /// A turnout.
    Turnout(TurnoutView),
    /// A table.
    Table(TableView),
    /// A feed.
    Feed(FeedView),
    /// A detector.
    Detector(DetectorView),
    /// A train.
    Train(TrainView),
    /// An alarm.
    Alarm(AlarmView),
}
