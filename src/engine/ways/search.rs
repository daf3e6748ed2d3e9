//! The search for ways: all loop-free ways over the track from one block to another, best first.
//!
//! Inputs: the layout, its track, where points and tables are. Outputs: chains of hops. It knows
//! nothing of trains, occupancy or power: what stands in the way is judged afterwards.
//!
//! Best first with a bound: how much it takes at least from each end to the goal is worked out
//! before, backwards and without regard to loops, so that dead ends are never entered and the first
//! way that arrives is the best. Costs are whole numbers: the same layout gives the same ways.

use alloc::collections::{BTreeMap, BTreeSet, BinaryHeap};
use alloc::vec::Vec;
use core::cmp::Reverse;

use crate::ids::{BlockId, TableId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::{CrossingTrack, End, Layout, Leg, Side};
use crate::track::{Beyond, Points, Track};

use super::Cut;

/// Steps explored at most: what a question may cost the one who answers it.
const STEPS_MAX: usize = 10_000;
/// Micrometres in a millimetre: lengths are added as whole numbers.
const UM: f64 = 1_000.0;

/// What a way takes, the most important first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Cost {
    /// How often the train comes out of a bridge by the end that it went in by.
    reversals: u32,
    /// Points and tables that are not as they must be.
    settings: u32,
    /// Blocks whose length is not known: with them the length says nothing.
    unmeasured: u32,
    length_um: u64,
    places: u32,
}

impl Cost {
    const fn plus(self, more: Self) -> Self {
        Self {
            reversals: self.reversals.saturating_add(more.reversals),
            settings: self.settings.saturating_add(more.settings),
            unmeasured: self.unmeasured.saturating_add(more.unmeasured),
            length_um: self.length_um.saturating_add(more.length_um),
            places: self.places.saturating_add(more.places),
        }
    }
}

/// A stop at which a table must be.
pub(super) type Lined = (TableId, usize);

/// One item of a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Hop {
    /// The end by which it is entered; of the first block the end that the train does not leave by.
    pub(super) by: End,
    /// The table, and its stop, that joins it to the item before.
    pub(super) lined: Option<Lined>,
    /// The end by which the item before is left.
    pub(super) out: Option<End>,
}

/// A way: its hops from the first block to the last.
pub(super) type Course = Vec<Hop>;

/// A hop in the search, and the way to it as a chain.
#[derive(Clone, Copy, Debug)]
struct Node {
    hop: Hop,
    before: Option<usize>,
    cost: Cost,
}

/// The search.
pub(super) struct Search<'a> {
    pub(super) layout: &'a Layout,
    pub(super) track: &'a Track,
    pub(super) points: &'a Points,
    pub(super) from: BlockId,
    pub(super) to: BlockId,
}

/// The position that points must have for a passage between two of their ends.
pub(super) const fn needed(one: Leg, other: Leg) -> Position {
    match (one, other) {
        (Leg::Reverse, _) | (_, Leg::Reverse) => Position::Reverse,
        (Leg::Toe | Leg::Normal, Leg::Toe | Leg::Normal) => Position::Normal,
    }
}

impl Search<'_> {
    /// At most `limit` ways, best first, and what cut the search short.
    pub(super) fn run(&self, limit: usize) -> (Vec<Course>, Option<Cut>) {
        if self.from == self.to || limit == 0 {
            return (Vec::new(), None);
        }
        let least = self.least();
        let mut nodes: Vec<Node> = Vec::new();
        let mut open = BinaryHeap::new();
        for side in [Side::A, Side::B] {
            let hop = Hop {
                by: End::Block(self.from, side),
                lined: None,
                out: None,
            };
            if let Some(rest) = least.get(&hop.by) {
                open.push(Reverse((*rest, Reverse(nodes.len()))));
                nodes.push(Node {
                    hop,
                    before: None,
                    cost: Cost::default(),
                });
            }
        }
        let mut found: Vec<(Cost, Course)> = Vec::new();
        let mut seen = BTreeSet::new();
        let mut cut = None;
        for step in 0.. {
            let Some(Reverse((bound, Reverse(index)))) = open.pop() else {
                break;
            };
            // Those that take as much as the last that fits are looked at too: by id, not by
            // chance.
            let enough = limit.checked_sub(1).and_then(|last| found.get(last));
            if found.len() > limit && enough.is_some_and(|(last, _)| bound > *last) {
                break;
            }
            if step == STEPS_MAX {
                cut = Some(Cut::Steps);
                break;
            }
            if self.is_goal(nodes[index].hop.by) {
                let course = course(&nodes, index);
                // The same track with a bridge the other way round is the same way, dearer.
                if seen.insert(self.over_track(&course)) {
                    found.push((nodes[index].cost, course));
                }
                continue;
            }
            // In reverse, so that of alike ones the first is followed first.
            for node in self.expand(&nodes, index).into_iter().rev() {
                let Some(rest) = least.get(&node.hop.by) else {
                    continue;
                };
                // Of those that take as much, the newest goes first: it is the nearest to the goal.
                open.push(Reverse((node.cost.plus(*rest), Reverse(nodes.len()))));
                nodes.push(node);
            }
        }
        found.sort();
        if found.len() > limit {
            found.truncate(limit);
            cut = Some(Cut::Ways);
        }
        let ways = found.into_iter().map(|(_, course)| course).collect();
        (ways, cut)
    }

    fn is_goal(&self, by: End) -> bool {
        matches!(by, End::Block(block, _) if block == self.to)
    }

    fn bridge(&self, end: End) -> Option<TableId> {
        match end {
            End::Block(block, _) => self.layout.blocks[block.index()].bridge_of,
            End::Turnout(..) | End::Crossing(..) => None,
        }
    }

    /// Where a train that is in a node's item can go next.
    fn expand(&self, nodes: &[Node], index: usize) -> Vec<Node> {
        let node = nodes[index];
        let mut next = Vec::new();
        for (out, to) in self.onward(node.hop.by) {
            if was_here(nodes, index, to.by) || self.is_missing(nodes, &node, out) {
                continue;
            }
            let mut cost = node.cost.plus(self.edge(node.hop.by, out, to.by));
            cost.settings = cost
                .settings
                .saturating_add(u32::from(self.must_move(&node, to.lined)));
            next.push(Node {
                hop: to,
                before: Some(index),
                cost,
            });
        }
        next
    }

    /// The ends by which an item that was entered by `by` is left, and what is entered then.
    fn onward(&self, by: End) -> Vec<(End, Hop)> {
        let mut outs = self.track.onward(by);
        // A table may turn with the train on its bridge; then that comes out as it went in.
        if self.bridge(by).is_some() {
            outs.push(by);
        }
        outs.into_iter()
            .flat_map(|out| self.beyond(out).into_iter().map(move |hop| (out, hop)))
            .collect()
    }

    /// What lies beyond an end, wherever tables stop.
    fn beyond(&self, end: End) -> Vec<Hop> {
        let out = Some(end);
        let bridge = self.bridge(end);
        let mut hops = Vec::new();
        for (index, table) in self.layout.tables.iter().enumerate() {
            let id = TableId(index as u32);
            if bridge.is_some_and(|bridge| bridge != id) {
                continue;
            }
            for (stop, joins) in table.stops.iter().enumerate() {
                for (met, side) in [(joins.a, Side::A), (joins.b, Side::B)] {
                    let here = End::Block(table.bridge, side);
                    let by = match met {
                        Some(met) if here == end => met,
                        Some(met) if met == end => here,
                        Some(_) | None => continue,
                    };
                    let lined = Some((id, stop));
                    hops.push(Hop { by, lined, out });
                }
            }
        }
        if hops.is_empty() && bridge.is_none() {
            let lined = None;
            match self.track.beyond(end, self.points) {
                Beyond::To(by) => hops.push(Hop { by, lined, out }),
                Beyond::Table(_) | Beyond::Nothing => {}
            }
        }
        hops
    }

    /// What it takes from one item into the next, tables aside.
    fn edge(&self, by: End, out: End, to: End) -> Cost {
        let wrong = match (by, out) {
            (End::Turnout(t, one), End::Turnout(_, other)) => {
                self.points.turnouts[t.index()] != needed(one, other)
            }
            (End::Turnout(..) | End::Block(..) | End::Crossing(..), _) => false,
        };
        let length = self.length_mm(to);
        Cost {
            reversals: u32::from(by == out),
            settings: u32::from(wrong),
            unmeasured: u32::from(length.is_none()),
            length_um: libm::round(length.unwrap_or(0.0).max(0.0) * UM) as u64,
            places: u32::from(self.track.place_of(to).is_some()),
        }
    }

    /// The length of an item; of points and crossings it is short, and 0 where it is not known.
    fn length_mm(&self, end: End) -> Option<f64> {
        match end {
            End::Block(b, _) => self.layout.blocks[b.index()].length_mm,
            End::Turnout(t, _) => self.layout.turnouts[t.index()].length_mm.or(Some(0.0)),
            End::Crossing(..) => Some(0.0),
        }
    }

    /// How far it is from leaving the first block to the far end of the last; `None` where a
    /// block's length is not known.
    pub(super) fn length_of(&self, course: &[Hop]) -> Option<f64> {
        course
            .iter()
            .skip(1)
            .map(|hop| self.length_mm(hop.by))
            .sum()
    }

    /// Whether a table must be moved for a hop to be possible.
    fn must_move(&self, node: &Node, wanted: Option<Lined>) -> bool {
        wanted.is_some_and(|(table, stop)| {
            let before = node.hop.lined.filter(|before| before.0 == table);
            let stands = self.points.tables[table.index()];
            before.map_or(stands, |(_, at)| TablePosition::At(at)) != TablePosition::At(stop)
        })
    }

    /// A road that a single slip does not have.
    fn is_missing(&self, nodes: &[Node], node: &Node, out: End) -> bool {
        let before = node.before.map(|before| nodes[before].hop.by);
        match (before, node.hop.by, out) {
            (Some(End::Turnout(one, met)), End::Turnout(other, Leg::Toe), End::Turnout(_, leg)) => {
                self.track.is_forbidden((one, met), (other, leg))
            }
            _ => false,
        }
    }

    /// The track that a way runs over, whichever way round the bridges lie.
    fn over_track(&self, course: &[Hop]) -> Vec<End> {
        let end = |hop: &Hop| match self.bridge(hop.by) {
            Some(table) => End::Block(self.layout.tables[table.index()].bridge, Side::A),
            None => hop.by,
        };
        course.iter().map(end).collect()
    }

    /// From each end by which an item can be entered, what it takes at least to the goal. Ends from
    /// which there is no way are not in it.
    fn least(&self) -> BTreeMap<End, Cost> {
        let mut into: BTreeMap<End, Vec<(End, Cost)>> = BTreeMap::new();
        for by in self.ends().into_iter().filter(|by| !self.is_goal(*by)) {
            for (out, to) in self.onward(by) {
                let cost = self.edge(by, out, to.by);
                into.entry(to.by).or_default().push((by, cost));
            }
        }
        let mut least: BTreeMap<End, Cost> = BTreeMap::new();
        let mut open = BinaryHeap::new();
        for side in [Side::A, Side::B] {
            open.push(Reverse((Cost::default(), End::Block(self.to, side))));
        }
        while let Some(Reverse((cost, end))) = open.pop() {
            if least.contains_key(&end) {
                continue;
            }
            least.insert(end, cost);
            for (before, edge) in into.get(&end).into_iter().flatten() {
                if !least.contains_key(before) {
                    open.push(Reverse((cost.plus(*edge), *before)));
                }
            }
        }
        least
    }

    /// Every end of every item.
    fn ends(&self) -> Vec<End> {
        let mut ends = Vec::new();
        for index in 0..self.layout.blocks.len() as u32 {
            ends.extend([Side::A, Side::B].map(|side| End::Block(BlockId(index), side)));
        }
        for index in 0..self.layout.turnouts.len() as u32 {
            let legs = [Leg::Toe, Leg::Normal, Leg::Reverse];
            ends.extend(legs.map(|leg| End::Turnout(TurnoutId(index), leg)));
        }
        for index in 0..self.layout.crossings.len() as u32 {
            let crossing = crate::ids::CrossingId(index);
            for track in [CrossingTrack::First, CrossingTrack::Second] {
                ends.extend([Side::A, Side::B].map(|side| End::Crossing(crossing, track, side)));
            }
        }
        ends
    }
}

/// Whether a way has passed an item already. A crossing may be passed once on each of its tracks: a
/// figure of eight is no loop.
fn was_here(nodes: &[Node], last: usize, by: End) -> bool {
    let same = |other: End| match (other, by) {
        (End::Block(one, _), End::Block(two, _)) => one == two,
        (End::Turnout(one, _), End::Turnout(two, _)) => one == two,
        (End::Crossing(one, track, _), End::Crossing(two, other, _)) => {
            (one, track) == (two, other)
        }
        (End::Block(..) | End::Turnout(..) | End::Crossing(..), _) => false,
    };
    let mut at = Some(last);
    while let Some(index) = at {
        if same(nodes[index].hop.by) {
            return true;
        }
        at = nodes[index].before;
    }
    false
}

fn course(nodes: &[Node], last: usize) -> Course {
    let mut course = Vec::new();
    let mut at = Some(last);
    while let Some(index) = at {
        course.push(nodes[index].hop);
        at = nodes[index].before;
    }
    course.reverse();
    course
}
