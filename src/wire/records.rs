//! The record of each kind of item: the mirror of the engine's views.
//!
//! Inputs: one view, the layout for names, a label for times. Outputs: a serializable record. Key
//! order is that of the fields: the contract's keys first, then what was added in its spirit.

use std::collections::BTreeMap;

use serde::Serialize;

use super::stamp::{Label, Rounded, Stamp, rounded, seconds_range};
use super::words::Worded;
use crate::engine::change::PositionFrom;
use crate::engine::layout::Layout;
use crate::engine::snapshot::{
    Ahead, AlarmView, BlockView, DetectorView, FeedView, LineUp, Quiet, TableView, TrainView,
    TurnoutView,
};

#[derive(Serialize)]
pub(super) struct BlockRecord<'a> {
    state: &'static str,
    since: Stamp,
    trains: &'a [String],
    kept: Option<&'static str>,
    remembered: bool,
    told: bool,
    why: &'a str,
    name: Option<&'a str>,
    line: Option<&'a str>,
}

#[derive(Serialize)]
pub(super) struct TurnoutRecord<'a> {
    position: &'static str,
    from: Option<&'static str>,
    assumed: bool,
    state: &'static str,
    since: Stamp,
    why: &'a str,
    remembered: bool,
    in_charge: Option<InCharge<'a>>,
    movements: u64,
    name: Option<&'a str>,
}

#[derive(Serialize)]
struct InCharge<'a> {
    who: &'a str,
    until: Stamp,
}

#[derive(Serialize)]
pub(super) struct TableRecord<'a> {
    position: &'a str,
    state: &'static str,
    since: Stamp,
    why: &'a str,
    name: Option<&'a str>,
}

#[derive(Serialize)]
pub(super) struct FeedRecord<'a> {
    on: Option<bool>,
    live: bool,
    failed: bool,
    volts: Option<Rounded>,
    since: Stamp,
    name: Option<&'a str>,
}

#[derive(Serialize)]
pub(super) struct DetectorRecord<'a> {
    evidence: &'static str,
    health: &'static str,
    reading: Option<Rounded>,
    unit: Option<&'a str>,
    since: Stamp,
    heard: Option<Stamp>,
    dropouts: u64,
    passes: u64,
    dropouts_per_pass: Option<Rounded>,
    advice: Option<&'static str>,
    late: u64,
    implausible: u64,
    clock_steps: u64,
    name: Option<&'a str>,
}

#[derive(Serialize)]
pub(super) struct TrainRecord<'a> {
    name: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    identity: Option<&'a str>,
    blocks: &'a [String],
    heading: Option<&'a str>,
    stopped: bool,
    speed_mm_s: Option<Rounded>,
    scale_kmh: Option<Rounded>,
    length_mm: Option<Rounded>,
    sure: bool,
    or: &'a [String],
    /// Only while it is not sure: how likely each story is, together 1.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    weights: BTreeMap<&'a str, Rounded>,
    ahead: Option<AheadRecord<'a>>,
    length_sd_mm: Option<Rounded>,
    lost: bool,
    unconfirmed: bool,
    parent: Option<&'a str>,
    remembered: bool,
    since: Stamp,
}

#[derive(Serialize)]
struct AheadRecord<'a> {
    what: &'static str,
    at: &'a str,
    seconds: Option<[Rounded; 2]>,
}

#[derive(Serialize)]
pub(super) struct AlarmRecord<'a> {
    id: &'a str,
    #[serde(rename = "type")]
    kind: &'static str,
    subject: &'a str,
    priority: &'static str,
    state: &'static str,
    active: bool,
    since: Stamp,
    text: &'a str,
    #[serde(rename = "do")]
    to_do: &'static str,
    seconds: Option<[Rounded; 2]>,
    by: Option<&'a str>,
    reason: Option<&'a str>,
    until: Option<Stamp>,
    quiet: Option<&'static str>,
}

#[derive(Serialize)]
pub(super) struct LineUpRecord<'a> {
    ready: bool,
    exceptions: Vec<ExceptionRecord<'a>>,
}

#[derive(Serialize)]
struct ExceptionRecord<'a> {
    id: &'a str,
    level: &'static str,
    text: &'a str,
    #[serde(rename = "do")]
    to_do: &'a str,
}

/// The item of this written id in one of the layout's lists, which are sorted by it.
fn find<'a, T>(items: &'a [T], id: &str, of: impl Fn(&T) -> &str) -> Option<&'a T> {
    items
        .binary_search_by(|item| of(item).cmp(id))
        .ok()
        .and_then(|index| items.get(index))
}

pub(super) fn block<'a>(view: &'a BlockView, layout: &'a Layout, label: Label) -> BlockRecord<'a> {
    let item = find(&layout.blocks, &view.id, |item| &item.id);
    BlockRecord {
        state: view.state.word(),
        since: label.stamp(view.since),
        trains: &view.trains,
        kept: view.kept.map(Worded::word),
        remembered: view.remembered,
        told: view.told,
        why: &view.why,
        name: item.map(|item| item.name.as_str()),
        line: item.and_then(|item| item.line.as_deref()),
    }
}

pub(super) fn turnout<'a>(
    view: &'a TurnoutView,
    layout: &'a Layout,
    label: Label,
) -> TurnoutRecord<'a> {
    let from = Some(view.from).filter(|from| *from != PositionFrom::Nowhere);
    let in_charge = view.in_charge.as_ref();
    TurnoutRecord {
        position: view.position.word(),
        from: from.map(Worded::word),
        assumed: view.assumed,
        state: view.state.word(),
        since: label.stamp(view.since),
        why: &view.why,
        remembered: view.remembered,
        in_charge: in_charge.map(|(who, until)| InCharge {
            who,
            until: label.stamp(*until),
        }),
        movements: view.movements,
        name: find(&layout.turnouts, &view.id, |item| &item.id).map(|item| item.name.as_str()),
    }
}

pub(super) fn table<'a>(view: &'a TableView, layout: &'a Layout, label: Label) -> TableRecord<'a> {
    TableRecord {
        position: &view.position,
        state: view.state.word(),
        since: label.stamp(view.since),
        why: &view.why,
        name: find(&layout.tables, &view.id, |item| &item.id).map(|item| item.name.as_str()),
    }
}

pub(super) fn feed<'a>(view: &'a FeedView, layout: &'a Layout, label: Label) -> FeedRecord<'a> {
    FeedRecord {
        on: view.on,
        live: view.live,
        failed: view.failed,
        volts: rounded(view.volts, 2),
        since: label.stamp(view.since),
        name: find(&layout.feeds, &view.id, |item| &item.id).map(|item| item.name.as_str()),
    }
}

/// From so many passes on, so many drop-outs in each on the average mean dirty track (common
/// practice, no source).
const DIRTY_AFTER_PASSES: u64 = 5;
const DIRTY_PER_PASS: f64 = 1.0;

pub(super) fn detector<'a>(
    view: &'a DetectorView,
    layout: &'a Layout,
    label: Label,
) -> DetectorRecord<'a> {
    let (late, implausible) = view.dropped;
    let per_pass = (view.passes > 0).then(|| view.dropouts as f64 / view.passes as f64);
    DetectorRecord {
        evidence: view.evidence.word(),
        health: view.health.word(),
        reading: rounded(view.reading, 4),
        unit: Some(view.unit).filter(|unit| !unit.is_empty()),
        since: label.stamp(view.since),
        heard: view.heard.map(|at| label.stamp(at)),
        dropouts: view.dropouts,
        passes: view.passes,
        dropouts_per_pass: rounded(per_pass, 2),
        advice: per_pass
            .filter(|ratio| view.passes >= DIRTY_AFTER_PASSES && *ratio >= DIRTY_PER_PASS)
            .map(|_| "clean this track"),
        late,
        implausible,
        clock_steps: view.clock_steps,
        name: find(&layout.detectors, &view.id, |item| &item.id).map(|item| item.name.as_str()),
    }
}

pub(super) fn train(view: &TrainView, label: Label) -> TrainRecord<'_> {
    let ahead = view
        .ahead
        .as_ref()
        .map(|Ahead { what, at, seconds }| AheadRecord {
            what: what.word(),
            at,
            seconds: seconds_range(*seconds),
        });
    TrainRecord {
        name: view.name.as_deref(),
        identity: view.identity.as_deref(),
        blocks: &view.blocks,
        heading: view.heading.as_deref(),
        stopped: view.stopped,
        speed_mm_s: rounded(view.speed_mm_s, 1),
        scale_kmh: rounded(view.scale_kmh, 1),
        length_mm: rounded(view.length_mm, 1),
        sure: view.sure,
        or: &view.or,
        weights: view
            .weights
            .iter()
            .filter_map(|(id, weight)| Some((id.as_str(), rounded(Some(*weight), 2)?)))
            .collect(),
        ahead,
        length_sd_mm: rounded(view.length_sd_mm, 1),
        lost: view.lost,
        unconfirmed: view.unconfirmed,
        parent: view.parent.as_deref(),
        remembered: view.remembered,
        since: label.stamp(view.since),
    }
}

pub(super) fn alarm(view: &AlarmView, label: Label) -> AlarmRecord<'_> {
    AlarmRecord {
        id: &view.id,
        kind: view.kind.word(),
        subject: &view.subject,
        priority: view.priority.word(),
        state: view.state.word(),
        active: view.active,
        since: label.stamp(view.since),
        text: &view.text,
        to_do: view.to_do,
        seconds: seconds_range(view.seconds),
        by: view.by.as_deref(),
        reason: view.reason.as_deref(),
        until: view.until.map(|at| label.stamp(at)),
        quiet: view.quiet.map(Quiet::word),
    }
}

pub(super) fn line_up(view: &LineUp) -> LineUpRecord<'_> {
    let exceptions = view.exceptions.iter().map(|exception| ExceptionRecord {
        id: &exception.id,
        level: if exception.stops { "stops" } else { "note" },
        text: &exception.text,
        to_do: &exception.to_do,
    });
    LineUpRecord {
        ready: view.ready,
        exceptions: exceptions.collect(),
    }
}
