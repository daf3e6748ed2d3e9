//! Every pair of blocks of every good plan against networkx, a general-purpose graph library (PyPI
//! `networkx`, `all_simple_paths`).
//!
//! It must be installed, so this runs only where the environment says `TAILLAMP_FOREIGN=1`, and
//! says so where it does not. `TAILLAMP_PYTHON` names a Python that has networkx (`python3`).

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use taillamp::engine::Engine;
use taillamp::engine::ids::{BlockId, CrossingId, TurnoutId};
use taillamp::engine::layout::{CrossingTrack, End, Layout, Leg, Side};
use taillamp::engine::ways::{Pass, Way};

use crate::world::{layout, silent, text};

const PLANS: [&str; 6] = [
    "four-blocks",
    "ladder-yard",
    "double-crossover",
    "slip-and-crossing",
    "tables",
    "reversing-loop",
];

/// The layout as the script reads it, from the resolved plan.
fn exported(engine: &Engine) -> Value {
    let layout = engine.layout();
    let named = |end: End| engine.end_name(end);
    let mut blocks = BTreeMap::new();
    for (number, block) in (0..).zip(&layout.blocks) {
        let ends = [Side::A, Side::B].map(|side| named(End::Block(BlockId(number), side)));
        blocks.insert(block.id.clone(), ends);
    }
    let mut turnouts = BTreeMap::new();
    for (number, turnout) in (0..).zip(&layout.turnouts) {
        let legs = [Leg::Toe, Leg::Normal, Leg::Reverse];
        let ends = legs.map(|leg| named(End::Turnout(TurnoutId(number), leg)));
        turnouts.insert(turnout.id.clone(), ends);
    }
    let mut tracks = BTreeMap::new();
    for (number, crossing) in (0..).zip(&layout.crossings) {
        for track in [CrossingTrack::First, CrossingTrack::Second] {
            let end = |side| named(End::Crossing(CrossingId(number), track, side));
            tracks.insert(
                format!("{}/{track:?}", crossing.id),
                [Side::A, Side::B].map(end),
            );
        }
    }
    let mut stops = Vec::new();
    for table in &layout.tables {
        for stop in &table.stops {
            for (met, side) in [(stop.a, Side::A), (stop.b, Side::B)] {
                stops.extend(met.map(|met| [named(met), named(End::Block(table.bridge, side))]));
            }
        }
    }
    let joins = layout.joins.iter().map(|(a, b)| [named(*a), named(*b)]);
    let leg = |(t, leg)| named(End::Turnout(t, leg));
    let forbidden = layout
        .forbidden
        .iter()
        .map(|road| [leg(road.from), leg(road.to)]);
    let bridges = layout
        .tables
        .iter()
        .map(|table| &layout.blocks[table.bridge.index()].id);
    json!({
        "blocks": blocks,
        "turnouts": turnouts,
        "tracks": tracks,
        "stops": stops,
        "joins": joins.collect::<Vec<_>>(),
        "forbidden": forbidden.collect::<Vec<_>>(),
        "bridges": bridges.collect::<Vec<_>>(),
    })
}

/// A way as the script writes it: the ends by which its items are entered, of the first block the
/// end that it does not leave by, of a bridge its name.
fn entered(engine: &Engine, way: &Way) -> String {
    let layout = engine.layout();
    let mut at = way.leaving_by;
    let mut words = vec![shown(engine, opposite(at))];
    for (index, pass) in way.passes.iter().enumerate().skip(1) {
        let by = match *pass {
            Pass::Table(..) => continue,
            Pass::Block(b) if layout.blocks[b.index()].bridge_of.is_some() => {
                at = End::Block(b, Side::A);
                words.push(shown(engine, at));
                continue;
            }
            Pass::Block(_) | Pass::Turnout(..) | Pass::Crossing(_) => met(layout, at, way, index),
        };
        words.push(shown(engine, by));
        at = match (by, *pass) {
            (End::Turnout(t, Leg::Toe), Pass::Turnout(_, position)) => {
                let reverse = position == taillamp::engine::input::Position::Reverse;
                End::Turnout(t, if reverse { Leg::Reverse } else { Leg::Normal })
            }
            (End::Turnout(t, _), _) => End::Turnout(t, Leg::Toe),
            _ => opposite(by),
        };
    }
    words.join(" ")
}

/// The end that is met beyond `at`: over a join, or from a bridge what one of its stops names.
fn met(layout: &Layout, at: End, way: &Way, index: usize) -> End {
    let bridge = match at {
        End::Block(b, _) => layout.blocks[b.index()].bridge_of,
        End::Turnout(..) | End::Crossing(..) => None,
    };
    if let Some(table) = bridge {
        let before = &way.passes[..index];
        let stop = before.iter().rev().find_map(|pass| match *pass {
            Pass::Table(t, stop) if t == table => Some(stop),
            _ => None,
        });
        let stop = &layout.tables[table.index()].stops[stop.expect("it was lined up")];
        let fits = |end: &End| match (*end, way.passes[index]) {
            (End::Block(one, _), Pass::Block(other)) => one == other,
            (End::Turnout(one, _), Pass::Turnout(other, _)) => one == other,
            (End::Crossing(one, ..), Pass::Crossing(other)) => one == other,
            _ => false,
        };
        let ends = [stop.a, stop.b].into_iter().flatten();
        return ends.into_iter().find(fits).expect("the stop joins it");
    }
    let both = layout.joins.iter().flat_map(|(a, b)| [(*a, *b), (*b, *a)]);
    both.into_iter()
        .find(|(from, _)| *from == at)
        .expect("it is joined")
        .1
}

fn opposite(end: End) -> End {
    let other = |side| if side == Side::A { Side::B } else { Side::A };
    match end {
        End::Block(b, side) => End::Block(b, other(side)),
        End::Crossing(k, track, side) => End::Crossing(k, track, other(side)),
        End::Turnout(..) => end,
    }
}

fn shown(engine: &Engine, end: End) -> String {
    match end {
        End::Block(b, _) if engine.layout().blocks[b.index()].bridge_of.is_some() => {
            engine.layout().blocks[b.index()].id.clone()
        }
        _ => engine.end_name(end),
    }
}

#[test]
fn networkx_finds_the_same_ways() {
    if std::env::var("TAILLAMP_FOREIGN").is_ok_and(|value| value == "1") {
        for plan in PLANS {
            compare(plan);
        }
    } else {
        // Straight to standard error: the harness hides what a passing test prints.
        let line = b"networkx_finds_the_same_ways: not asked for (set TAILLAMP_FOREIGN=1)\n";
        std::io::stderr()
            .write_all(line)
            .expect("standard error is there");
    }
}

fn compare(plan: &str) {
    let engine = silent(layout(&text(plan)));
    let python = std::env::var("TAILLAMP_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/road/simple_paths.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("a Python that has networkx");
    let mut input = child.stdin.take().expect("it was asked for");
    input
        .write_all(exported(&engine).to_string().as_bytes())
        .expect("the script reads");
    drop(input);
    let output = child.wait_with_output().expect("the script ends");
    assert!(output.status.success(), "{plan}: the script failed");
    let theirs: BTreeMap<String, Vec<String>> =
        serde_json::from_slice(&output.stdout).expect("the script writes JSON");
    let blocks = &engine.layout().blocks;
    assert_eq!(
        theirs.len(),
        blocks.len() * (blocks.len() - 1),
        "{plan}: every pair"
    );
    assert!(
        theirs.values().any(|ways| !ways.is_empty()),
        "{plan}: some ways"
    );
    for (pair, theirs) in theirs {
        let (from, to) = pair.split_once(' ').expect("two ids");
        let id = |id| crate::world::block(engine.layout(), id);
        let answer = engine.ways(id(from), id(to), 1_000);
        assert_eq!(answer.cut, None);
        let mut ours: Vec<String> = answer
            .ways
            .iter()
            .map(|way| entered(&engine, way))
            .collect();
        ours.sort();
        assert_eq!(ours, theirs, "{plan}: {pair}");
    }
}
