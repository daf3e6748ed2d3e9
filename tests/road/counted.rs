//! Random layouts: the search against a count that shares nothing with it.
//!
//! The count tries every setting of all points and follows the track from both ends of the first
//! block, as a train would: what arrives at the last block without passing anything twice is a way.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use taillamp::engine::Engine;
use taillamp::engine::ids::{BlockId, CrossingId, TurnoutId};
use taillamp::engine::input::{Input, Position};
use taillamp::engine::layout::{
    Block, Crossing, CrossingTrack, End, Layout, Leg, PointsRest, PositionSource, Side, Turnout,
    Usage,
};
use taillamp::engine::time::{Instant, Span};
use taillamp::engine::ways::{Pass, Setting, Way};

/// More than any of these layouts has.
const LIMIT: usize = 1_000;

fn a_block(number: u32, length_mm: Option<f64>) -> Block {
    Block {
        id: format!("b{number:02}"),
        name: format!("B{number}"),
        line: None,
        length_mm,
        usage: Usage::Running,
        fiddle: false,
        release: Span::from_millis(1_500),
        lost: Span::from_secs(5),
        fiddle_time: Span::from_secs(30),
        bridge_of: None,
        beyond: None,
    }
}

fn a_turnout(number: u32) -> Turnout {
    Turnout {
        id: format!("w{number:02}"),
        name: format!("{number}"),
        covered_by: None,
        rest: PointsRest::Normal,
        position: PositionSource::Detected,
        length_mm: None,
        clear: Span::from_secs(5),
        restore: Span::from_secs(10),
        awaiting: Span::from_secs(120),
        move_time: Span::from_secs(4),
        position_confirm: Span::ZERO,
        release: Span::from_millis(1_500),
        lost: Span::from_secs(5),
        node: None,
    }
}

fn a_crossing(number: u32) -> Crossing {
    Crossing {
        id: format!("k{number:02}"),
        name: format!("K{number}"),
        release: Span::from_millis(1_500),
        lost: Span::from_secs(5),
    }
}

fn ends(blocks: u32, turnouts: u32, crossings: u32) -> Vec<End> {
    let mut ends = Vec::new();
    for b in 0..blocks {
        ends.extend([Side::A, Side::B].map(|side| End::Block(BlockId(b), side)));
    }
    for t in 0..turnouts {
        let legs = [Leg::Toe, Leg::Normal, Leg::Reverse];
        ends.extend(legs.map(|leg| End::Turnout(TurnoutId(t), leg)));
    }
    for k in 0..crossings {
        for track in [CrossingTrack::First, CrossingTrack::Second] {
            let at = |side| End::Crossing(CrossingId(k), track, side);
            ends.extend([Side::A, Side::B].map(at));
        }
    }
    ends
}

/// Any joins of any items; some ends are left over: the end of the track.
fn layouts(blocks: u32, turnouts: u32, crossings: u32) -> impl Strategy<Value = Layout> {
    (2..=blocks, 0..=turnouts, 0..=crossings).prop_flat_map(|(blocks, turnouts, crossings)| {
        let all = ends(blocks, turnouts, crossings);
        let most = all.len() / 2;
        let lengths = prop::collection::vec(
            prop::option::weighted(0.8, (1_u32..40).prop_map(|dm| f64::from(dm) * 100.0)),
            blocks as usize,
        );
        (Just(all).prop_shuffle(), most / 2..=most, lengths).prop_map(
            move |(ends, joins, lengths)| Layout {
                blocks: (0..)
                    .zip(lengths)
                    .map(|(n, length)| a_block(n, length))
                    .collect(),
                turnouts: (0..turnouts).map(a_turnout).collect(),
                crossings: (0..crossings).map(a_crossing).collect(),
                joins: ends
                    .chunks_exact(2)
                    .take(joins)
                    .map(|pair| (pair[0], pair[1]))
                    .collect(),
                ..Layout::default()
            },
        )
    })
}

fn partners(layout: &Layout) -> BTreeMap<End, End> {
    let both = |(a, b): &(End, End)| [(*a, *b), (*b, *a)];
    layout.joins.iter().flat_map(both).collect()
}

/// Follows the track from an end of the first block with the points set so. What it passed, where
/// it arrived; `None` at the end of the track, at points set against it, or where it was before.
fn follow(
    partners: &BTreeMap<End, End>,
    leaving: End,
    to: BlockId,
    set: &BTreeMap<TurnoutId, Position>,
) -> Option<(Vec<Pass>, End)> {
    let End::Block(first, _) = leaving else {
        return None;
    };
    let mut passed = vec![Pass::Block(first)];
    let mut rails: BTreeSet<(CrossingId, CrossingTrack)> = BTreeSet::new();
    let mut at = leaving;
    loop {
        let by = *partners.get(&at)?;
        let pass = match by {
            End::Block(block, side) => {
                at = End::Block(block, if side == Side::A { Side::B } else { Side::A });
                Pass::Block(block)
            }
            End::Turnout(turnout, met) => {
                let position = *set.get(&turnout)?;
                let leg = if position == Position::Reverse {
                    Leg::Reverse
                } else {
                    Leg::Normal
                };
                let out = if met == Leg::Toe { leg } else { Leg::Toe };
                if met != Leg::Toe && met != leg {
                    return None;
                }
                at = End::Turnout(turnout, out);
                Pass::Turnout(turnout, position)
            }
            End::Crossing(crossing, track, side) => {
                let other = if side == Side::A { Side::B } else { Side::A };
                at = End::Crossing(crossing, track, other);
                if !rails.insert((crossing, track)) {
                    return None;
                }
                passed.push(Pass::Crossing(crossing));
                continue;
            }
        };
        if passed.contains(&pass) {
            return None;
        }
        passed.push(pass);
        if matches!(by, End::Block(block, _) if block == to) {
            return Some((passed, by));
        }
    }
}

/// A way as it can be compared: the end that it leaves by, what it passes, the end that it comes
/// to.
type Counted = (End, String, End);

fn count(layout: &Layout, from: BlockId, to: BlockId) -> BTreeSet<Counted> {
    let partners = partners(layout);
    let mut found = BTreeSet::new();
    for bits in 0_u32..1 << layout.turnouts.len() {
        let position = |t: u32| match bits >> t & 1 {
            0 => Position::Normal,
            _ => Position::Reverse,
        };
        let turnouts = (0..).zip(&layout.turnouts).map(|(t, _)| t);
        let set = turnouts.map(|t| (TurnoutId(t), position(t))).collect();
        for side in [Side::A, Side::B] {
            let leaving = End::Block(from, side);
            if let Some((passed, by)) = follow(&partners, leaving, to, &set) {
                found.insert((leaving, format!("{passed:?}"), by));
            }
        }
    }
    found
}

fn counted(way: &Way) -> Counted {
    (way.leaving_by, format!("{:?}", way.passes), way.entering_by)
}

/// What a way takes, as the order of the list has it.
fn takes(way: &Way, layout: &Layout) -> (usize, usize, u64, usize) {
    let points = way
        .settings
        .iter()
        .filter(|s| matches!(s, Setting::Turnout(..)))
        .count();
    let lengths = way.passes.iter().skip(1).filter_map(|pass| match pass {
        Pass::Block(block) => Some(layout.blocks[block.index()].length_mm),
        Pass::Turnout(..) | Pass::Crossing(_) | Pass::Table(..) => None,
    });
    let unknown = lengths.clone().filter(Option::is_none).count();
    let known: f64 = lengths.flatten().sum();
    (points, unknown, known.round() as u64, way.places.len())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// No way is missing and none is invented, whatever is joined to what and however points lie.
    #[test]
    fn every_way_and_nothing_else(
        layout in layouts(6, 7, 2),
        set in prop::collection::vec(prop::option::of(any::<bool>()), 7),
    ) {
        let mut engine = Engine::new(layout.clone(), Instant(0));
        for (t, (_, set)) in (0..).zip(layout.turnouts.iter().zip(set)) {
            if let Some(reverse) = set {
                let position = if reverse { Position::Reverse } else { Position::Normal };
                engine.handle(Instant(0), Input::Position(TurnoutId(t), position));
            }
        }
        let numbers = 0..layout.blocks.len() as u32;
        for (from, to) in numbers.clone().flat_map(|a| numbers.clone().map(move |b| (a, b))) {
            let (from, to) = (BlockId(from), BlockId(to));
            let answer = engine.ways(from, to, LIMIT);
            prop_assert_eq!(answer.cut, None);
            let ways: Vec<Counted> = answer.ways.iter().map(counted).collect();
            let set: BTreeSet<Counted> = ways.iter().cloned().collect();
            prop_assert_eq!(set.len(), ways.len(), "each way once");
            let counted = if from == to { BTreeSet::new() } else { count(&layout, from, to) };
            prop_assert_eq!(set, counted);
            let takes: Vec<_> = answer.ways.iter().map(|way| takes(way, &layout)).collect();
            prop_assert!(takes.is_sorted(), "best first: {:?}", takes);
        }
    }

    /// Larger layouts: every way, with its points set as it says and all others the wrong way,
    /// leads a train from the first block to the last.
    #[test]
    fn every_way_leads_there_when_its_points_are_set(layout in layouts(20, 25, 4)) {
        let engine = Engine::new(layout.clone(), Instant(0));
        let partners = partners(&layout);
        for to in 1..layout.blocks.len() as u32 {
            for way in engine.ways(BlockId(0), BlockId(to), 8).ways {
                let set: BTreeMap<TurnoutId, Position> = way
                    .passes
                    .iter()
                    .filter_map(|pass| match pass {
                        Pass::Turnout(turnout, position) => Some((*turnout, *position)),
                        Pass::Block(_) | Pass::Crossing(_) | Pass::Table(..) => None,
                    })
                    .collect();
                let there = follow(&partners, way.leaving_by, BlockId(to), &set);
                prop_assert_eq!(there, Some((way.passes.clone(), way.entering_by)));
                prop_assert_eq!(way.settings.len(), set.len(), "all are to be set");
                prop_assert!(!way.ready);
            }
        }
    }
}
