//! The blocks of a line in the order in which a train meets them, and how far along each lies.
//!
//! Input: the layout. Output: blocks with a beginning and an end in millimetres. It walks from end
//! to end over the straight road; what it does not reach comes after, by id.

use std::collections::BTreeMap;

use crate::engine::ids::BlockId;
use crate::engine::layout::{End, Layout, Leg, Side};

/// A block whose length the plan does not say is drawn so long.
const UNKNOWN_MM: f64 = 1_000.0;

/// A line.
#[derive(Debug)]
pub(super) struct Line {
    /// Its blocks in order: id, name, beginning, end.
    pub(super) blocks: Vec<(String, String, f64, f64)>,
    /// All of it.
    pub(super) length_mm: f64,
    /// The plan does not say how long every block is.
    pub(super) guessed: bool,
    index: BTreeMap<String, usize>,
}

impl Line {
    /// The line of this name.
    pub(super) fn new(layout: &Layout, name: &str) -> Self {
        let on_it = |block: usize| layout.blocks[block].line.as_deref() == Some(name);
        let mut left: Vec<usize> = (0..layout.blocks.len()).filter(|b| on_it(*b)).collect();
        let mut line = Self {
            blocks: Vec::new(),
            length_mm: 0.0,
            guessed: false,
            index: BTreeMap::new(),
        };
        while !left.is_empty() {
            let mut at = first(layout, &left);
            let mut out = Side::B;
            loop {
                left.retain(|block| *block != at);
                line.push(layout, at);
                let Some((next, entered)) = onward(layout, at, out) else {
                    break;
                };
                if !left.contains(&next) {
                    break;
                }
                at = next;
                out = other(entered);
            }
        }
        line
    }

    fn push(&mut self, layout: &Layout, block: usize) {
        let block = &layout.blocks[block];
        self.guessed |= block.length_mm.is_none();
        let from = self.length_mm;
        self.length_mm += block.length_mm.unwrap_or(UNKNOWN_MM);
        self.index.insert(block.id.clone(), self.blocks.len());
        let (id, name) = (block.id.clone(), block.name.clone());
        self.blocks.push((id, name, from, self.length_mm));
    }

    /// Where a block is in the line.
    pub(super) fn place(&self, id: &str) -> Option<usize> {
        self.index.get(id).copied()
    }
}

/// A block of these that nothing of them leads to by its `a`, where there is one.
fn first(layout: &Layout, left: &[usize]) -> usize {
    let begins = left.iter().copied().find(|block| {
        onward(layout, *block, Side::A).is_none_or(|(before, _)| !left.contains(&before))
    });
    begins.unwrap_or(left[0])
}

const fn other(side: Side) -> Side {
    match side {
        Side::A => Side::B,
        Side::B => Side::A,
    }
}

/// The block beyond an end over the straight road, and the end by which it is entered.
fn onward(layout: &Layout, block: usize, side: Side) -> Option<(usize, Side)> {
    let mut end = End::Block(BlockId(u32::try_from(block).ok()?), side);
    // As many joins as there are: a road that is longer runs in a circle of points.
    for _ in 0..=layout.joins.len() {
        let meets = layout.joins.iter().find_map(|(a, b)| match (a, b) {
            (a, b) if *a == end => Some(*b),
            (a, b) if *b == end => Some(*a),
            _ => None,
        })?;
        end = match meets {
            End::Block(block, side) => return Some((block.index(), side)),
            End::Turnout(turnout, Leg::Toe) => End::Turnout(turnout, Leg::Normal),
            End::Turnout(turnout, Leg::Normal | Leg::Reverse) => End::Turnout(turnout, Leg::Toe),
            End::Crossing(crossing, track, side) => End::Crossing(crossing, track, other(side)),
        };
    }
    None
}
