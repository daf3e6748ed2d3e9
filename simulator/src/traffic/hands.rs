//! The operator's hands: points set for a train and back behind it, switched tracks, a throttle.

use taillamp::engine::ids::{FeedId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{FeedRest, Layout, Leg, PointsRest};
use taillamp::engine::time::{Instant, Span};

use super::Traffic;
use super::way::Item;
use crate::world::World;
use crate::world::driver::{Order, StopAt};
use crate::world::track::Piece;

/// Points that nothing has been on for so long may be set without anybody's doubt.
pub const SETTLED: Span = Span::from_millis(7_000);
/// Whoever has moved points looks how they lie before moving them again.
pub const LEFT_ALONE: Span = Span::from_millis(1_000);
/// A train stands before forgotten points for so long until they are seen to.
const NOTICED: Span = Span::from_secs(6);
/// A switched track is switched off so long after its train has come to stand.
const OFF_AFTER: Span = Span::from_secs(4);

/// Feeds that are off at rest.
pub fn switched_feeds(layout: &Layout) -> Vec<FeedId> {
    let feeds = layout.feeds.iter().enumerate();
    feeds
        .filter(|(_, feed)| feed.rest == FeedRest::Off)
        .map(|(index, _)| FeedId(index as u32))
        .collect()
}

pub(super) const fn lies(position: Position, leg: Leg) -> bool {
    matches!(
        (position, leg),
        (Position::Normal, Leg::Normal) | (Position::Reverse, Leg::Reverse)
    )
}

impl Traffic {
    pub(super) fn look_at_points(&mut self, world: &World) {
        for (index, fouled) in self.fouled.iter_mut().enumerate() {
            let turnout = TurnoutId(index as u32);
            if !world.looks_clear(turnout) {
                *fouled = Some(world.now());
            }
            if world.lie().points[index] == Position::Moving {
                self.moved[index] = Some(world.now());
            }
            self.used[index] |= world.turnout_is_taken(turnout);
        }
    }

    /// Sets points and tables for the ways that were given.
    pub(super) fn work_points(&mut self, world: &mut World) {
        let now = world.now();
        for at in 0..self.runs.len() {
            let run = &self.runs[at];
            let stands = run.stands_since.is_some_and(|at| now.since(at) >= NOTICED);
            let train = run.train;
            let legs = run.way.clone();
            for leg in legs {
                for (turnout, wanted) in leg.points {
                    let position = world.lie().points[turnout.index()];
                    if lies(position, wanted) || position == Position::Moving {
                        continue;
                    }
                    let forgotten = self.forgotten[turnout.index()].is_some() && !stands;
                    if !forgotten && self.points_ready(turnout, now) {
                        self.forgotten[turnout.index()] = None;
                        self.used[turnout.index()] = false;
                        world.set_points(turnout, wanted);
                    }
                }
                let Some((table, stop)) = leg.table else {
                    continue;
                };
                let elsewhere = matches!(
                    world.lie().tables[table.index()],
                    TablePosition::At(at) if at != stop
                );
                if elsewhere && Self::may_turn(train, table.index(), world) {
                    world.set_table(table, TablePosition::At(stop));
                }
            }
        }
    }

    /// Nothing is on the bridge, or this train alone and whole.
    fn may_turn(train: usize, table: usize, world: &World) -> bool {
        let bridge = Piece::Block(world.layout().tables[table].bridge);
        let trains = world.trains().iter().enumerate();
        let mut on = trains.filter(|(_, other)| {
            let stretches = other.stretches();
            stretches.iter().any(|stretch| stretch.piece == bridge)
        });
        on.all(|(index, other)| {
            let whole = other.stretches().iter().all(|at| at.piece == bridge);
            index == train && whole && other.speed_mm_s == 0.0
        })
    }

    /// Sets points back behind trains; now and then that is forgotten.
    pub(super) fn tidy_points(&mut self, world: &mut World) {
        let now = world.now();
        for index in 0..self.fouled.len() {
            let turnout = TurnoutId(index as u32);
            // Set back behind every train, and set anew for the next that is to diverge.
            let used = self.used[index];
            let taken = self.taken.contains_key(&Item::Turnout(turnout)) && !used
                || world.turnout_is_taken(turnout);
            let reverse = world.lie().points[index] == Position::Reverse;
            if taken || !reverse {
                self.released[index] = false;
                continue;
            }
            let rests = world.layout().turnouts[index].rest == PointsRest::Normal;
            if !(rests || used) || !self.points_ready(turnout, now) {
                continue;
            }
            if !self.released[index] {
                self.released[index] = true;
                let waited_for = self.taken.contains_key(&Item::Turnout(turnout));
                if rests && !waited_for && self.chance.happens(self.slips.forgotten_points) {
                    let seconds = self.chance.between(45.0, 90.0);
                    self.forgotten[index] = Some(now.plus(Span::from_secs_f64(seconds)));
                }
            }
            if self.forgotten[index].is_none_or(|until| now >= until) {
                self.forgotten[index] = None;
                self.used[index] = false;
                world.set_points(turnout, Leg::Normal);
            }
        }
    }

    /// Switched tracks have power while a train is to move there.
    pub(super) fn work_power(&mut self, world: &mut World) {
        let now = world.now();
        for feed in self.switched.clone() {
            let blocks = &world.layout().feeds[feed.index()].blocks;
            let needed = self.runs.iter().any(|run| {
                let given = run.way.iter().any(|leg| blocks.contains(&leg.block));
                let over = || {
                    let train = &world.trains()[run.train];
                    let on = train.stretches().iter().any(
                        |at| matches!(at.piece, Piece::Block(block) if blocks.contains(&block)),
                    );
                    on && (train.speed_mm_s > 0.0 || !run.way.is_empty())
                };
                given || over()
            });
            if needed {
                self.switch_off_at[feed.index()] = None;
                world.switch(feed, true);
            } else if world.supply().is_switched_on(feed) {
                let at = *self.switch_off_at[feed.index()].get_or_insert(now.plus(OFF_AFTER));
                if now >= at {
                    world.switch(feed, false);
                }
            }
        }
    }

    /// The shuttle goes from end to end by itself, with a stop at each.
    pub(super) fn work_the_shuttle(&mut self, world: &mut World) {
        let (Some(blocks), Some(train)) = (self.shuttle, self.shuttle_train) else {
            return;
        };
        let now = world.now();
        let state = &world.trains()[train];
        if !state.arrived || state.vehicles.is_empty() {
            self.shuttle_until = self.shuttle_until.max(now.plus(Span::from_secs(7)));
            return;
        }
        if now < self.shuttle_until {
            return;
        }
        let leads_in = |block| {
            let leading = state.leading();
            leading.is_some_and(|(step, _)| step.piece == Piece::Block(block))
        };
        let stop = |block| StopAt::InBlock {
            block,
            short_mm: 120.0,
        };
        let order = if leads_in(blocks[0]) {
            Order::run(180.0).until(stop(blocks[2]))
        } else {
            Order::run(180.0).backwards().until(stop(blocks[0]))
        };
        self.shuttle_until = Instant(now.0 + 1);
        world.tell(train, order);
    }
}
