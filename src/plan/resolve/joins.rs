//! What is joined to what: each end to one other for good, or to a table's bridge at some stops.
//!
//! Input: pairs of ends as the sections give them. Output: the pairs, each end once; findings about
//! ends that are joined twice. It does not know which end *ought* to be joined.

use std::collections::{BTreeMap, BTreeSet};

use super::Context;
use crate::engine::ids::{BlockId, TableId};
use crate::engine::layout::{CrossingTrack, End, Leg, Side};

/// The joins of a layout.
#[derive(Clone, Debug, Default)]
pub struct Joins {
    pairs: BTreeMap<End, End>,
    /// Ends whose other end could not be made out: already reported.
    tried: BTreeSet<End>,
    /// Ends that tables' stops join.
    stops: BTreeMap<End, TableId>,
}

impl Joins {
    /// Joins two ends. `at` is where the plan says so, for findings.
    pub fn add(&mut self, context: &mut Context<'_>, a: Option<End>, b: Option<End>, at: usize) {
        let (a, b) = match (a, b) {
            (Some(a), Some(b)) => (a, b),
            (Some(known), None) | (None, Some(known)) => {
                self.tried.insert(known);
                return;
            }
            (None, None) => return,
        };
        if a == b {
            let message = format!("`{}` is joined to itself", context.written(a));
            context
                .report
                .error(at, "end-twice", message, "name two different ends");
            return;
        }
        // The same join said twice, once from each side, is no contradiction.
        if self.pairs.get(&a) == Some(&b) {
            return;
        }
        for (end, wanted) in [(a, b), (b, a)] {
            if let Some(other) = self.pairs.get(&end) {
                let end = context.written(end);
                let (other, wanted) = (context.written(*other), context.written(wanted));
                let message = format!("`{end}` is joined to `{wanted}` and to `{other}`");
                let cure = "an end meets one other end: take one of the two away, or put a \
                            turnout there";
                context.report.error(at, "end-twice", message, cure);
                return;
            }
        }
        self.pairs.insert(a, b);
        self.pairs.insert(b, a);
    }

    /// Marks an end as one that a table's stops join.
    pub fn add_stop(&mut self, context: &mut Context<'_>, end: End, table: TableId, at: usize) {
        let written = context.written(end);
        if let Some(other) = self.pairs.get(&end) {
            let message = format!(
                "`{written}` is joined to `{}` and to a table",
                context.written(*other)
            );
            let cure = "take the join away: the table's stops join this end";
            context.report.error(at, "end-twice", message, cure);
        }
        if self
            .stops
            .insert(end, table)
            .is_some_and(|other| other != table)
        {
            let message = format!("`{written}` is joined to two tables");
            context
                .report
                .error(at, "end-twice", message, "an end meets one table");
        }
    }

    /// The end that this one meets for good.
    #[must_use]
    pub fn partner(&self, end: End) -> Option<End> {
        self.pairs.get(&end).copied()
    }

    /// Whether the plan joins this end to anything, if only by intention.
    #[must_use]
    pub fn joined(&self, end: End) -> bool {
        self.pairs.contains_key(&end) || self.tried.contains(&end) || self.stops.contains_key(&end)
    }

    /// The pairs, each once, in order.
    #[must_use]
    pub fn list(&self) -> Vec<(End, End)> {
        self.pairs
            .iter()
            .filter(|(a, b)| a < b)
            .map(|(a, b)| (*a, *b))
            .collect()
    }

    /// The first block along the track from this end outwards, straight on over turnouts and
    /// crossings.
    #[must_use]
    pub fn first_block(&self, from: End) -> Option<BlockId> {
        let mut from = from;
        // Each step crosses one pair; going on for longer than there are pairs is going in a ring.
        for _ in 0..=self.pairs.len() {
            from = match self.partner(from)? {
                End::Block(block, _) => return Some(block),
                End::Turnout(turnout, Leg::Toe) => End::Turnout(turnout, Leg::Normal),
                End::Turnout(turnout, Leg::Normal | Leg::Reverse) => {
                    End::Turnout(turnout, Leg::Toe)
                }
                End::Crossing(crossing, track, side) => End::Crossing(crossing, track, other(side)),
            };
        }
        None
    }

    /// All blocks that a train can reach next from this end outwards, whichever way points are set.
    #[must_use]
    pub fn next_blocks(&self, from: End) -> BTreeSet<BlockId> {
        let mut found = BTreeSet::new();
        let mut seen = BTreeSet::new();
        let mut open = vec![from];
        while let Some(from) = open.pop() {
            if !seen.insert(from) {
                continue;
            }
            match self.partner(from) {
                Some(End::Block(block, _)) => {
                    found.insert(block);
                }
                Some(End::Turnout(turnout, Leg::Toe)) => {
                    open.push(End::Turnout(turnout, Leg::Normal));
                    open.push(End::Turnout(turnout, Leg::Reverse));
                }
                Some(End::Turnout(turnout, Leg::Normal | Leg::Reverse)) => {
                    open.push(End::Turnout(turnout, Leg::Toe));
                }
                Some(End::Crossing(crossing, track, side)) => {
                    open.push(End::Crossing(crossing, track, other(side)));
                }
                None => {}
            }
        }
        found
    }
}

/// The other side.
#[must_use]
pub const fn other(side: Side) -> Side {
    match side {
        Side::A => Side::B,
        Side::B => Side::A,
    }
}

/// The end of a crossing's track.
#[must_use]
pub const fn crossing(id: crate::engine::ids::CrossingId, track: CrossingTrack, side: Side) -> End {
    End::Crossing(id, track, side)
}
