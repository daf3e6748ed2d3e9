//! States as JSON: the retained topics, the API, the page and the end of a replay (contract,
//! sections 4 to 6).
//!
//! Inputs: the engine's views, the layout for names, and a label for times. Outputs: JSON text
//! with keys in a fixed order, null where something is not known. It does not know who reads it.

use std::io::{self, Write};

use serde::{Serialize, Serializer};
use serde_json::value::RawValue;

use super::records::{LineUpRecord, alarm, block, detector, feed, line_up, table, train, turnout};
use super::stamp::{Label, Stamp};
use crate::engine::View;
use crate::engine::layout::Layout;
use crate::engine::snapshot::{
    AlarmView, BlockView, DetectorView, FeedView, LineUp, Snapshot, TableView, TrainView,
    TurnoutView,
};

/// The parts of a snapshot that have a list of their own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Section {
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
    /// Alarms that are not normal.
    Alarms,
}

impl Section {
    /// The section of this name in a snapshot and in a path.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "blocks" => Self::Blocks,
            "turnouts" => Self::Turnouts,
            "tables" => Self::Tables,
            "feeds" => Self::Feeds,
            "detectors" => Self::Detectors,
            "trains" => Self::Trains,
            "alarms" => Self::Alarms,
            _ => return None,
        })
    }
}

/// Everything. `layout_json` is the text of [`super::layout_json::layout_json`].
#[must_use]
pub fn snapshot_json(
    snapshot: &Snapshot,
    layout: &Layout,
    layout_json: &str,
    label: Label,
) -> String {
    text(&whole(snapshot, layout, layout_json, label))
}

/// The same, written as it is made: it is long.
///
/// # Errors
/// What `out` says.
pub fn write_snapshot(
    out: impl Write,
    snapshot: &Snapshot,
    layout: &Layout,
    layout_json: &str,
    label: Label,
) -> io::Result<()> {
    let whole = whole(snapshot, layout, layout_json, label);
    serde_json::to_writer(out, &whole).map_err(io::Error::from)
}

fn whole<'a>(
    snapshot: &'a Snapshot,
    layout: &'a Layout,
    layout_json: &'a str,
    label: Label,
) -> Whole<'a> {
    let part = |section| Part {
        snapshot,
        section,
        layout,
        label,
    };
    Whole {
        at: label.stamp(snapshot.at),
        layout: serde_json::from_str(layout_json).ok(),
        broker: if snapshot.broker { "connected" } else { "lost" },
        waiting: snapshot.waiting.map(|(heard, of)| Waiting { heard, of }),
        blocks: part(Section::Blocks),
        turnouts: part(Section::Turnouts),
        tables: part(Section::Tables),
        feeds: part(Section::Feeds),
        detectors: part(Section::Detectors),
        trains: part(Section::Trains),
        alarms: part(Section::Alarms),
        line_up: line_up(&snapshot.line_up),
    }
}

/// A snapshot's shape.
#[derive(Serialize)]
struct Whole<'a> {
    at: Stamp,
    layout: Option<&'a RawValue>,
    broker: &'static str,
    waiting: Option<Waiting>,
    blocks: Part<'a>,
    turnouts: Part<'a>,
    tables: Part<'a>,
    feeds: Part<'a>,
    detectors: Part<'a>,
    trains: Part<'a>,
    alarms: Part<'a>,
    line_up: LineUpRecord<'a>,
}

/// Nodes heard from, of all, while silence raises nothing.
#[derive(Serialize)]
struct Waiting {
    heard: usize,
    of: usize,
}

/// One section of a snapshot: an object of id and record.
#[must_use]
pub fn section_json(
    snapshot: &Snapshot,
    section: Section,
    layout: &Layout,
    label: Label,
) -> String {
    text(&Part {
        snapshot,
        section,
        layout,
        label,
    })
}

/// A section of a snapshot on its way into text: never a text of its own beside the whole.
struct Part<'a> {
    snapshot: &'a Snapshot,
    section: Section,
    layout: &'a Layout,
    label: Label,
}

impl Serialize for Part<'_> {
    fn serialize<Z: Serializer>(&self, serializer: Z) -> Result<Z::Ok, Z::Error> {
        let Self {
            snapshot,
            layout,
            label,
            ..
        } = *self;
        match self.section {
            Section::Blocks => by_id(&snapshot.blocks, serializer, |view| {
                (&view.id, block(view, layout, label))
            }),
            Section::Turnouts => by_id(&snapshot.turnouts, serializer, |view| {
                (&view.id, turnout(view, layout, label))
            }),
            Section::Tables => by_id(&snapshot.tables, serializer, |view| {
                (&view.id, table(view, layout, label))
            }),
            Section::Feeds => by_id(&snapshot.feeds, serializer, |view| {
                (&view.id, feed(view, layout, label))
            }),
            Section::Detectors => by_id(&snapshot.detectors, serializer, |view| {
                (&view.id, detector(view, layout, label))
            }),
            Section::Trains => by_id(&snapshot.trains, serializer, |view| {
                (&view.id, train(view, label))
            }),
            Section::Alarms => by_id(&snapshot.alarms, serializer, |view| {
                (&view.id, alarm(view, label))
            }),
        }
    }
}

/// A list of views as an object of id and record, in the list's order.
fn by_id<'a, T, S: Serialize, Z: Serializer>(
    views: &'a [T],
    serializer: Z,
    shape: impl Fn(&'a T) -> (&'a String, S),
) -> Result<Z::Ok, Z::Error> {
    serializer.collect_map(views.iter().map(shape))
}

/// One item's record of a snapshot; `None` where the section has no such id.
#[must_use]
pub fn item_json(
    snapshot: &Snapshot,
    section: Section,
    id: &str,
    layout: &Layout,
    label: Label,
) -> Option<String> {
    fn of<'a, T>(views: &'a [T], id: &str, of: impl Fn(&T) -> &String) -> Option<&'a T> {
        views.iter().find(|view| of(view) == id)
    }
    match section {
        Section::Blocks => {
            of(&snapshot.blocks, id, |v| &v.id).map(|v| block_json(v, layout, label))
        }
        Section::Turnouts => {
            of(&snapshot.turnouts, id, |v| &v.id).map(|v| turnout_json(v, layout, label))
        }
        Section::Tables => {
            of(&snapshot.tables, id, |v| &v.id).map(|v| table_json(v, layout, label))
        }
        Section::Feeds => of(&snapshot.feeds, id, |v| &v.id).map(|v| feed_json(v, layout, label)),
        Section::Detectors => {
            of(&snapshot.detectors, id, |v| &v.id).map(|v| detector_json(v, layout, label))
        }
        Section::Trains => of(&snapshot.trains, id, |v| &v.id).map(|v| train_json(v, label)),
        Section::Alarms => of(&snapshot.alarms, id, |v| &v.id).map(|v| alarm_json(v, label)),
    }
}

/// One item's record.
#[must_use]
pub fn view_json(view: &View, layout: &Layout, label: Label) -> String {
    match view {
        View::Block(view) => block_json(view, layout, label),
        View::Turnout(view) => turnout_json(view, layout, label),
        View::Table(view) => table_json(view, layout, label),
        View::Feed(view) => feed_json(view, layout, label),
        View::Detector(view) => detector_json(view, layout, label),
        View::Train(view) => train_json(view, label),
        View::Alarm(view) => alarm_json(view, label),
    }
}

/// A block's or bridge's record.
#[must_use]
pub fn block_json(view: &BlockView, layout: &Layout, label: Label) -> String {
    text(&block(view, layout, label))
}

/// A turnout's record.
#[must_use]
pub fn turnout_json(view: &TurnoutView, layout: &Layout, label: Label) -> String {
    text(&turnout(view, layout, label))
}

/// A table's record.
#[must_use]
pub fn table_json(view: &TableView, layout: &Layout, label: Label) -> String {
    text(&table(view, layout, label))
}

/// A feed's record.
#[must_use]
pub fn feed_json(view: &FeedView, layout: &Layout, label: Label) -> String {
    text(&feed(view, layout, label))
}

/// A detector's record.
#[must_use]
pub fn detector_json(view: &DetectorView, layout: &Layout, label: Label) -> String {
    text(&detector(view, layout, label))
}

/// A train's record.
#[must_use]
pub fn train_json(view: &TrainView, label: Label) -> String {
    text(&train(view, label))
}

/// An alarm's record.
#[must_use]
pub fn alarm_json(view: &AlarmView, label: Label) -> String {
    text(&alarm(view, label))
}

/// The exceptions to 'ready to run'.
#[must_use]
pub fn line_up_json(view: &LineUp) -> String {
    text(&line_up(view))
}

/// Plain text, numbers and maps with text keys always serialize; were it not so, null says that
/// nothing is known.
fn text(shape: &impl Serialize) -> String {
    serde_json::to_string(shape).unwrap_or_else(|_| "null".to_owned())
}
