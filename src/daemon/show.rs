//! Records as JSON text, the same for MQTT, the API and the stream: a thin layer over [`wire`] that
//! puts in the labels of time and the names of the plan.
//!
//! [`wire`]: crate::wire

use serde_json::{Value, json};

use super::clock::Clock;
use super::hub::Shot;
use super::packed::Packed;
use crate::engine::change::Item;
use crate::engine::ids::{BlockId, DetectorId, FeedId, TableId, TurnoutId};
use crate::engine::layout::Layout;
use crate::engine::snapshot::Snapshot;
use crate::engine::{Engine, View};
use crate::plan::Finding;
use crate::wire::state_json::{self, Section};

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

    const fn section(self) -> Section {
        match self {
            Self::Blocks => Section::Blocks,
            Self::Turnouts => Section::Turnouts,
            Self::Tables => Section::Tables,
            Self::Feeds => Section::Feeds,
            Self::Detectors => Section::Detectors,
            Self::Trains => Section::Trains,
            Self::Alarms => Section::Alarms,
        }
    }
}

/// The whole snapshot; made once for all who ask for this one.
#[must_use]
pub fn snapshot<'a>(shot: &'a Shot, clock: &Clock) -> &'a Packed {
    let (names, label) = (&shot.names, clock.label());
    shot.json(|| {
        let (snapshot, layout) = (&shot.snapshot, &names.plan.layout);
        // Maps with text keys and plain values always serialize; were it not so, nothing is sent.
        Packed::new(|out| state_json::write_snapshot(out, snapshot, layout, &names.json, label))
            .unwrap_or_default()
    })
}

/// All items of a kind, by id.
#[must_use]
pub fn section(shot: &Shot, kind: Kind, clock: &Clock) -> String {
    let layout = &shot.names.plan.layout;
    state_json::section_json(&shot.snapshot, kind.section(), layout, clock.label())
}

/// One item's record, where there is such an item.
#[must_use]
pub fn item(shot: &Shot, kind: Kind, id: &str, clock: &Clock) -> Option<String> {
    let layout = &shot.names.plan.layout;
    state_json::item_json(&shot.snapshot, kind.section(), id, layout, clock.label())
}

/// One item's record.
#[must_use]
pub fn view(view: &View, layout: &Layout, clock: &Clock) -> String {
    state_json::view_json(view, layout, clock.label())
}

/// The broker's part of a snapshot, as the record of the stream's `broker` event.
#[must_use]
pub fn broker(snapshot: &Snapshot) -> String {
    let waiting = snapshot
        .waiting
        .map(|(heard, of)| json!({"heard": heard, "of": of}));
    let state = if snapshot.broker { "connected" } else { "lost" };
    json!({"state": state, "waiting": waiting}).to_string()
}

/// A plan's findings.
#[must_use]
pub fn findings(findings: &[Finding]) -> Value {
    findings.iter().map(Finding::to_json).collect()
}

/// Every item of the layout that has a record.
pub fn fixed_items(layout: &Layout) -> Vec<Item> {
    fn numbers<T>(items: &[T]) -> impl Iterator<Item = u32> {
        (0..).zip(items).map(|(number, _)| number)
    }
    let mut items: Vec<Item> = Vec::new();
    items.extend(numbers(&layout.feeds).map(|n| Item::Feed(FeedId(n))));
    items.extend(numbers(&layout.detectors).map(|n| Item::Detector(DetectorId(n))));
    items.extend(numbers(&layout.blocks).map(|n| Item::Block(BlockId(n))));
    items.extend(numbers(&layout.turnouts).map(|n| Item::Turnout(TurnoutId(n))));
    items.extend(numbers(&layout.tables).map(|n| Item::Table(TableId(n))));
    items
}

/// The kind and the written id of an item; `None` for one that has no record.
#[must_use]
pub fn name(engine: &Engine, item: &Item) -> Option<(Kind, String)> {
    let layout = engine.layout();
    Some(match item {
        Item::Feed(feed) => (Kind::Feeds, layout.feeds.get(feed.index())?.id.clone()),
        Item::Detector(detector) => (
            Kind::Detectors,
            layout.detectors.get(detector.index())?.id.clone(),
        ),
        Item::Block(block) => (Kind::Blocks, layout.blocks.get(block.index())?.id.clone()),
        Item::Turnout(turnout) => (
            Kind::Turnouts,
            layout.turnouts.get(turnout.index())?.id.clone(),
        ),
        Item::Table(table) => (Kind::Tables, layout.tables.get(table.index())?.id.clone()),
        Item::Train(train) => (Kind::Trains, engine.train_name(*train)),
        Item::Alarm(id) => (Kind::Alarms, id.clone()),
        Item::Crossing(_) => return None,
    })
}
