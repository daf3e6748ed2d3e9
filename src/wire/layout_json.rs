//! The layout as the page and other programs see it.
//!
//! Inputs: the resolved plan. Output: one JSON object, the same for as long as the plan is: names,
//! topology and thresholds, nothing that changes. It does not know states.

use std::collections::BTreeMap;

use serde::Serialize;

use super::stamp::{Rounded, rounded};
use super::words::Worded;
use crate::engine::ids::TurnoutId;
use crate::engine::layout::{
    CrossingTrack, Decide, Detector, End, Layout, PositionSource, Subject,
};
use crate::plan::Plan;

/// The layout as JSON text.
#[must_use]
pub fn layout_json(plan: &Plan) -> String {
    let layout = &plan.layout;
    let shape = Shape {
        name: &layout.name,
        scale: &plan.scale,
        scale_ratio: Rounded {
            value: layout.scale_ratio,
            decimals: 4,
        },
        equipped: layout.equipped.word(),
        lines: &plan.drawing.lines,
        left: plan
            .drawing
            .left
            .iter()
            .map(|(block, side)| end(layout, End::Block(*block, *side)))
            .collect(),
        blocks: blocks(layout),
        turnouts: turnouts(layout),
        tables: tables(layout),
        crossovers: crossovers(layout),
        crossings: map(&layout.crossings, |item| {
            (&item.id, Named { name: &item.name })
        }),
        feeds: feeds(layout),
        detectors: map(&layout.detectors, |item| (&item.id, detector(layout, item))),
        nodes: map(&layout.nodes, |item| (&item.id, Named { name: &item.name })),
        joins: layout
            .joins
            .iter()
            .map(|(a, b)| [end(layout, *a), end(layout, *b)])
            .collect(),
    };
    // Plain text and numbers always serialize; were it not so, an empty layout shows nothing.
    serde_json::to_string(&shape).unwrap_or_else(|_| "{}".to_owned())
}

/// An end as the plan writes it: `loop-east.b`, `w1.toe`; a crossing's is `k1.first.a`.
#[must_use]
pub fn end(layout: &Layout, end: End) -> String {
    match end {
        End::Block(block, side) => format!("{}.{}", layout.blocks[block.index()].id, side.word()),
        End::Turnout(turnout, leg) => {
            format!("{}.{}", layout.turnouts[turnout.index()].id, leg.word())
        }
        End::Crossing(crossing, track, side) => {
            let track = match track {
                CrossingTrack::First => "first",
                CrossingTrack::Second => "second",
            };
            format!(
                "{}.{track}.{}",
                layout.crossings[crossing.index()].id,
                side.word()
            )
        }
    }
}

#[derive(Serialize)]
struct Shape<'a> {
    name: &'a str,
    scale: &'a str,
    scale_ratio: Rounded,
    equipped: &'static str,
    // Hints for drawing; most plans have none.
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    lines: &'a [String],
    #[serde(skip_serializing_if = "Vec::is_empty")]
    left: Vec<String>,
    blocks: BTreeMap<&'a str, Block<'a>>,
    turnouts: BTreeMap<&'a str, Turnout<'a>>,
    tables: BTreeMap<&'a str, Table<'a>>,
    crossovers: BTreeMap<&'a str, Crossover<'a>>,
    crossings: BTreeMap<&'a str, Named<'a>>,
    feeds: BTreeMap<&'a str, Feed<'a>>,
    detectors: BTreeMap<&'a str, DetectorShape<'a>>,
    nodes: BTreeMap<&'a str, Named<'a>>,
    joins: Vec<[String; 2]>,
}

#[derive(Serialize)]
struct Named<'a> {
    name: &'a str,
}

#[derive(Serialize)]
struct Block<'a> {
    name: &'a str,
    line: Option<&'a str>,
    length_mm: Option<Rounded>,
    #[serde(rename = "use")]
    usage: &'static str,
    fiddle: bool,
    bridge_of: Option<&'a str>,
}

#[derive(Serialize)]
struct Turnout<'a> {
    name: &'a str,
    rest: &'static str,
    covered_by: Option<&'a str>,
    position: &'static str,
}

#[derive(Serialize)]
struct Table<'a> {
    name: &'a str,
    bridge: &'a str,
    rest: Option<&'a str>,
    stops: Vec<Stop<'a>>,
}

#[derive(Serialize)]
struct Stop<'a> {
    at: &'a str,
    a: Option<String>,
    b: Option<String>,
}

#[derive(Serialize)]
struct Crossover<'a> {
    name: &'a str,
    turnouts: [&'a str; 2],
}

#[derive(Serialize)]
struct Feed<'a> {
    name: &'a str,
    blocks: Vec<&'a str>,
    rest: &'static str,
}

#[derive(Serialize)]
struct DetectorShape<'a> {
    name: &'a str,
    kind: &'static str,
    subject: String,
    on: Option<Rounded>,
    off: Option<Rounded>,
    unit: Option<&'a str>,
    node: Option<&'a str>,
}

fn map<'a, T, S>(
    items: &'a [T],
    shape_of: impl Fn(&'a T) -> (&'a String, S),
) -> BTreeMap<&'a str, S> {
    items
        .iter()
        .map(shape_of)
        .map(|(id, shape)| (id.as_str(), shape))
        .collect()
}

fn blocks(layout: &Layout) -> BTreeMap<&str, Block<'_>> {
    map(&layout.blocks, |item| {
        let bridge_of = item
            .bridge_of
            .map(|table| layout.tables[table.index()].id.as_str());
        let shape = Block {
            name: &item.name,
            line: item.line.as_deref(),
            length_mm: rounded(item.length_mm, 1),
            usage: item.usage.word(),
            fiddle: item.fiddle,
            bridge_of,
        };
        (&item.id, shape)
    })
}

fn turnouts(layout: &Layout) -> BTreeMap<&str, Turnout<'_>> {
    map(&layout.turnouts, |item| {
        let position = match item.position {
            PositionSource::Detected => "detected",
            PositionSource::Contacts { .. } => "contacts",
            PositionSource::Told => "told",
            PositionSource::None => "none",
        };
        let covered_by = item
            .covered_by
            .map(|block| layout.blocks[block.index()].id.as_str());
        (
            &item.id,
            Turnout {
                name: &item.name,
                rest: item.rest.word(),
                covered_by,
                position,
            },
        )
    })
}

fn tables(layout: &Layout) -> BTreeMap<&str, Table<'_>> {
    map(&layout.tables, |item| {
        let stops = item.stops.iter().map(|stop| Stop {
            at: &stop.at,
            a: stop.a.map(|joined| end(layout, joined)),
            b: stop.b.map(|joined| end(layout, joined)),
        });
        let shape = Table {
            name: &item.name,
            bridge: &layout.blocks[item.bridge.index()].id,
            rest: item
                .rest
                .and_then(|index| item.stops.get(index))
                .map(|stop| stop.at.as_str()),
            stops: stops.collect(),
        };
        (&item.id, shape)
    })
}

fn crossovers(layout: &Layout) -> BTreeMap<&str, Crossover<'_>> {
    map(&layout.crossovers, |item| {
        let turnouts = item
            .turnouts
            .map(|turnout| layout.turnouts[turnout.index()].id.as_str());
        (
            &item.id,
            Crossover {
                name: &item.name,
                turnouts,
            },
        )
    })
}

fn feeds(layout: &Layout) -> BTreeMap<&str, Feed<'_>> {
    map(&layout.feeds, |item| {
        let blocks = item
            .blocks
            .iter()
            .map(|block| layout.blocks[block.index()].id.as_str());
        (
            &item.id,
            Feed {
                name: &item.name,
                blocks: blocks.collect(),
                rest: item.rest.word(),
            },
        )
    })
}

fn detector<'a>(layout: &'a Layout, item: &'a Detector) -> DetectorShape<'a> {
    let (on, off) = match item.decide {
        Decide::Threshold { on, off } => (Some(on), Some(off)),
        Decide::Boolean | Decide::Sequential(_) => (None, None),
    };
    let turnout = |id: TurnoutId| &layout.turnouts[id.index()].id;
    let subject = match item.subject {
        Subject::Block(block, _) => format!("block:{}", layout.blocks[block.index()].id),
        Subject::Section(id) => format!("turnout:{}", turnout(id)),
        Subject::Beam(id, leg) => format!("beam:{}.{}", turnout(id), leg.word()),
        Subject::Edge(table) => format!("table:{}", layout.tables[table.index()].id),
        Subject::Crossing(id) => format!("crossing:{}", layout.crossings[id.index()].id),
        Subject::Points(id, leg) => format!("points:{}.{}", turnout(id), leg.word()),
    };
    DetectorShape {
        name: &item.name,
        kind: item.kind.word(),
        subject,
        on: rounded(on, 4),
        off: rounded(off, 4),
        unit: Some(item.unit).filter(|unit| !unit.is_empty()),
        node: item.node.map(|node| layout.nodes[node.index()].id.as_str()),
    }
}
