//! Finding a way: the legs that a train could be given next, and which of them are free.

use taillamp::engine::ids::{BlockId, CrossingId, TableId, TurnoutId};
use taillamp::engine::layout::Leg as TurnoutLeg;
use taillamp::engine::time::Instant;

use super::{HEADWAY_S, LET_UP, Run, STUCK, Traffic};
use crate::world::World;
use crate::world::driver::Order;
use crate::world::track::{Piece, Step, Track};

/// Points between two blocks at most.
const POINTS_MAX: usize = 8;
/// Blocks that are given at once at most.
const LEGS_MAX: usize = 7;
/// How often a way into a yard is taken where there is another, as a weight.
const YARD_WEIGHT: f64 = 0.35;

/// An item of track, however it is run over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Item {
    Block(BlockId),
    Turnout(TurnoutId),
    Crossing(CrossingId),
}

impl Item {
    pub const fn of(piece: Piece) -> Self {
        match piece {
            Piece::Block(block) => Self::Block(block),
            Piece::Turnout(turnout, _) => Self::Turnout(turnout),
            Piece::Crossing(crossing, _) => Self::Crossing(crossing),
        }
    }
}

/// From the end of one block to the end of the next.
#[derive(Clone, Debug, PartialEq)]
pub struct Leg {
    /// Points and crossings, then the block.
    pub steps: Vec<Step>,
    /// How points have to lie.
    pub points: Vec<(TurnoutId, TurnoutLeg)>,
    /// Where a table has to be.
    pub table: Option<(TableId, usize)>,
    /// The block.
    pub block: BlockId,
}

impl Leg {
    /// Points that are met at the toe and taken to the reverse leg.
    pub fn diverging(&self) -> impl Iterator<Item = TurnoutId> + '_ {
        self.steps.iter().filter_map(|step| match step.piece {
            Piece::Turnout(turnout, TurnoutLeg::Reverse) if step.up => Some(turnout),
            _ => None,
        })
    }
}

/// Every leg that begins at the end of this step.
pub fn legs_from(track: &Track, from: Step) -> Vec<Leg> {
    let empty = Leg {
        steps: Vec::new(),
        points: Vec::new(),
        table: None,
        block: BlockId(0),
    };
    let mut open = vec![(from, empty)];
    let mut legs = Vec::new();
    while let Some((at, leg)) = open.pop() {
        if leg.steps.len() > POINTS_MAX {
            continue;
        }
        for way in track.ways(at) {
            let mut leg = leg.clone();
            leg.steps.push(way.step);
            leg.points.extend(way.points);
            leg.table = leg.table.or(way.table);
            if let Piece::Block(block) = way.step.piece {
                leg.block = block;
                legs.push(leg);
            } else {
                open.push((way.step, leg));
            }
        }
    }
    legs
}

impl Traffic {
    /// Gives a train more of its way, up to a block where it may stop; turns it where it ends.
    pub(super) fn extend(&mut self, at: usize, world: &mut World) {
        let now = world.now();
        let run = &self.runs[at];
        let train = &world.trains()[run.train];
        if run.way.len() > 1 || run.asleep_until.is_some() || train.vehicles.is_empty() {
            return;
        }
        // What lies beyond the train that it is called up to is for that one.
        if run.called_on && !run.way.is_empty() {
            return;
        }
        if run.way.is_empty() && now < run.waits_until {
            return;
        }
        let Some((leading, _)) = train.leading() else {
            return;
        };
        let stands = train.speed_mm_s == 0.0;
        let from = run.way.last().and_then(|leg| leg.steps.last().copied());
        if from.is_none() && stands && self.wrong_way(leading) && !run.backing {
            self.turn(at, world);
            return;
        }
        let ways = if self.another_before(run.train, world) {
            Vec::new()
        } else {
            self.free_ways(run, from.unwrap_or(leading), world)
        };
        if ways.is_empty() {
            let ends = legs_from(world.track(), from.unwrap_or(leading)).is_empty();
            let stuck = run.stands_since.is_some_and(|at| now.since(at) >= STUCK);
            if from.is_none() && stands && (ends || (stuck && self.chance.happens(0.02))) {
                self.turn(at, world);
                self.runs[at].backing = !ends;
            }
            return;
        }
        let chosen = self.choose(&ways);
        let run = &mut self.runs[at];
        run.called_on = false;
        if run.backing {
            // One block back is enough.
            run.backing = false;
        }
        let train = run.train;
        for step in chosen.iter().flat_map(|leg| &leg.steps) {
            self.taken.entry(Item::of(step.piece)).or_insert(train);
        }
        self.runs[at].way.extend(chosen);
    }

    /// Against the customary way of the block that the leading end is in.
    fn wrong_way(&self, leading: Step) -> bool {
        let Piece::Block(block) = leading.piece else {
            return false;
        };
        self.one_way[block.index()].is_some_and(|up| up != leading.up)
    }

    fn turn(&self, at: usize, world: &mut World) {
        let train = self.runs[at].train;
        let mut order = Order::stand();
        order.forward = !world.trains()[train].order.forward;
        world.tell(train, order);
    }

    /// Another train stands before the leading end in its own block.
    fn another_before(&self, train: usize, world: &World) -> bool {
        let Some((leading, left_mm)) = world.trains()[train].leading() else {
            return true;
        };
        let length_mm = world.track().length_mm(leading.piece);
        let at_mm = if leading.up {
            length_mm - left_mm
        } else {
            left_mm
        };
        let others = world.trains().iter().enumerate();
        others
            .filter(|(index, _)| *index != train)
            .flat_map(|(_, other)| other.stretches())
            .any(|there| {
                there.piece == leading.piece
                    && if leading.up {
                        there.to_mm > at_mm
                    } else {
                        there.from_mm < at_mm
                    }
            })
    }

    fn free_ways(&self, run: &Run, from: Step, world: &World) -> Vec<Vec<Leg>> {
        let mut open: Vec<(Step, Vec<Leg>)> = vec![(from, Vec::new())];
        let mut found = Vec::new();
        while let Some((at, path)) = open.pop() {
            if path.len() >= LEGS_MAX {
                continue;
            }
            for leg in legs_from(world.track(), at) {
                let Some(&last) = leg.steps.last() else {
                    continue;
                };
                if !self.may_go(run, &leg, last, world) {
                    continue;
                }
                let block = leg.block;
                let mut path = path.clone();
                path.push(leg);
                if self.no_stop[block.index()] || !self.fits(run, block, world) {
                    open.push((last, path));
                } else if self.has_room_beyond(run, last, world) {
                    found.push(path);
                }
            }
        }
        found
    }

    /// Block working: beyond the block that a train is let into, the road is clear of others.
    fn has_room_beyond(&self, run: &Run, last: Step, world: &World) -> bool {
        let now = world.now();
        let stood = run.stands_since.is_some_and(|at| now.since(at) >= LET_UP);
        let off_the_line = matches!(last.piece, Piece::Block(at) if !self.running[at.index()]);
        if stood || off_the_line || run.backing {
            return true;
        }
        let others: Vec<Item> = world
            .trains()
            .iter()
            .enumerate()
            .filter(|(index, _)| *index != run.train)
            .flat_map(|(_, other)| other.stretches())
            .map(|stretch| Item::of(stretch.piece))
            .collect();
        let room_mm = run.speed_mm_s * HEADWAY_S;
        // Pushed back onto the line, against its way: the trains that come are what counts.
        let against = self.wrong_way(last);
        let mut open = vec![(last, 0.0)];
        while let Some((at, clear_mm)) = open.pop() {
            let mut legs = legs_from(world.track(), at);
            legs.retain(|leg| {
                let up = leg.steps.last().is_some_and(|step| step.up);
                self.one_way[leg.block.index()].is_none_or(|way| (way == up) != against)
            });
            if legs.is_empty() {
                return true;
            }
            for leg in legs {
                let taken = |step: &Step| others.contains(&Item::of(step.piece));
                if leg.steps.iter().any(taken) {
                    continue;
                }
                let mm: f64 = leg
                    .steps
                    .iter()
                    .map(|s| world.track().length_mm(s.piece))
                    .sum();
                let clear_mm = clear_mm + mm;
                let siding = !self.running[leg.block.index()];
                if clear_mm >= room_mm || siding {
                    return true;
                }
                open.extend(leg.steps.last().map(|step| (*step, clear_mm)));
            }
        }
        false
    }

    fn may_go(&self, run: &Run, leg: &Leg, last: Step, world: &World) -> bool {
        let block = leg.block.index();
        let free = leg.steps.iter().all(|step| {
            let owner = self.taken.get(&Item::of(step.piece));
            owner.is_none_or(|owner| *owner == run.train && !self.is_under(run.train, *step, world))
        });
        let customary = self.one_way[block].is_none_or(|up| up == last.up);
        let allowed = customary || self.back_onto[block] || run.backing;
        let alone = world.trains()[run.train].vehicles.len() == 1;
        free && allowed && (alone || !self.engine_only[block])
    }

    /// The train itself stands there: a way that closes on it is no way.
    fn is_under(&self, train: usize, step: Step, world: &World) -> bool {
        let item = Item::of(step.piece);
        world.trains()[train]
            .stretches()
            .iter()
            .any(|stretch| Item::of(stretch.piece) == item)
    }

    fn fits(&self, run: &Run, block: BlockId, world: &World) -> bool {
        let length_mm = world.trains()[run.train].length_mm();
        world.track().length_mm(Piece::Block(block)) >= length_mm + 60.0
    }

    fn choose(&mut self, ways: &[Vec<Leg>]) -> Vec<Leg> {
        let weight = |way: &Vec<Leg>| {
            let plain = way.iter().all(|leg| self.running[leg.block.index()]);
            if plain { 1.0 } else { YARD_WEIGHT }
        };
        let weights: Vec<f64> = ways.iter().map(weight).collect();
        let mut left = self.chance.between(0.0, weights.iter().sum());
        for (way, weight) in ways.iter().zip(weights) {
            left -= weight;
            if left < 0.0 {
                return way.clone();
            }
        }
        ways[ways.len() - 1].clone()
    }

    /// Calls a standing train up behind another that stands in the next block.
    pub(super) fn call_on(&mut self, at: usize, world: &World) {
        let now = world.now();
        let run = &self.runs[at];
        let train = &world.trains()[run.train];
        let Some((leading, _)) = train.leading() else {
            return;
        };
        if !run.way.is_empty() || !train.order.forward || self.another_before(run.train, world) {
            return;
        }
        for leg in legs_from(world.track(), leading) {
            let (block, up) = (leg.block.index(), leg.steps.last().is_some_and(|s| s.up));
            let Some(&owner) = self.taken.get(&Item::Block(leg.block)) else {
                continue;
            };
            let points_free = leg
                .steps
                .iter()
                .all(|step| matches!(step.piece, Piece::Block(_)) || self.is_mine(run, *step));
            let other = &world.trains()[owner];
            let inside = other
                .stretches()
                .iter()
                .all(|stretch| stretch.piece == Piece::Block(leg.block));
            let room_mm = world.track().length_mm(Piece::Block(leg.block));
            let fits = room_mm > train.length_mm() + other.length_mm() + 300.0;
            let waits = self
                .runs
                .iter()
                .position(|run| run.train == owner && run.way.is_empty());
            let customary = self.one_way[block].is_none_or(|way| way == up);
            if let Some(first) = waits
                && owner != run.train
                && points_free
                && inside
                && fits
                && customary
                && self.running[block]
            {
                self.runs[first].waits_until =
                    now.plus(taillamp::engine::time::Span::from_secs(25));
                self.runs[at].called_on = true;
                self.runs[at].waits_until = Instant(0);
                self.runs[at].way.push(leg);
                return;
            }
        }
    }

    fn is_mine(&self, run: &Run, step: Step) -> bool {
        let owner = self.taken.get(&Item::of(step.piece));
        owner.is_none_or(|owner| *owner == run.train)
    }
}
