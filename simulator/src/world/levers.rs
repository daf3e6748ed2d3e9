//! What hands do to the world: stock put on the track, orders to drivers, points, switches,
//! faults.
//!
//! Every lever does what it says at once, however unwise. Ids are the layout's dense numbers.

use taillamp::engine::ids::{BlockId, DetectorId, FeedId, NodeId, TableId, TurnoutId};
use taillamp::engine::input::TablePosition;
use taillamp::engine::layout::{End, Leg, PositionSource, Side, Subject};
use taillamp::engine::time::Span;

use super::World;
use super::driver::{self, Order, StopAt};
use super::node::NodeState;
use super::supply::Supply;
use super::track::{Piece, Step, Zone};
use super::train::{Stretch, Train};
use super::vehicle::Vehicle;
use crate::detectors::Fault;

/// What the name of cars left behind ends with.
pub const LEFT_BEHIND: &str = "(left behind)";

/// Volts at which a train on a throttle line just starts to move (common practice, no source).
const START_VOLTS: f64 = 3.0;

impl World {
    /// Puts a train on the track, vehicles from tail to head, its head `gap_mm` short of this end
    /// of the block. Returns its index.
    pub fn put(
        &mut self,
        name: &str,
        stock: Vec<Vehicle>,
        at: (BlockId, Side),
        gap_mm: f64,
    ) -> usize {
        let step = Step {
            piece: Piece::Block(at.0),
            up: at.1 == Side::B,
        };
        let way = (&self.track, self.motors.lie());
        self.trains.push(Train::new(name, stock, step, gap_mm, way));
        self.trains.len() - 1
    }

    /// Lifts a train off the track; the others keep their indices.
    pub fn lift_off(&mut self, train: usize) {
        let train = &mut self.trains[train];
        train.vehicles.clear();
        train.order = Order::stand();
    }

    /// Tells a driver what to do.
    pub fn tell(&mut self, train: usize, order: Order) {
        let train = &mut self.trains[train];
        if order.forward != train.order.forward {
            train.speed_mm_s = 0.0;
        }
        train.to_clear_mm = match order.stop {
            Some(StopAt::ClearOf { turnout, .. }) => train.until_clear_mm(turnout),
            Some(StopAt::InBlock { .. }) | None => None,
        };
        train.arrived = false;
        train.order = order;
    }

    /// A driver is held, or goes on as told.
    pub fn stall(&mut self, train: usize, stalled: bool) {
        self.trains[train].stalled = stalled;
    }

    /// The train loses the vehicles behind its last `keep`; the index of what is left behind.
    pub fn lose_cars(&mut self, train: usize, keep: usize) -> Option<usize> {
        let name = format!("{} {LEFT_BEHIND}", self.trains[train].name);
        let behind = self.trains[train].part(keep, &name)?;
        self.trains.push(behind);
        Some(self.trains.len() - 1)
    }

    /// What was left behind is lifted off and coupled to the train's tail again, by hand. False,
    /// and nothing done, where another train stands in the way.
    pub fn couple(&mut self, train: usize, behind: usize) -> bool {
        let way = (&self.track, self.motors.lie());
        let mut whole = self.trains[train].clone();
        whole.couple(self.trains[behind].vehicles.clone(), way);
        let others = self.trains.iter().enumerate();
        let mut others = others.filter(|(index, _)| *index != train && *index != behind);
        let ours = whole.stretches();
        let in_the_way = others.any(|(_, other)| {
            other
                .stretches()
                .iter()
                .any(|there| ours.iter().any(|here| here.meets(there)))
        });
        if in_the_way || !whole.has_room() {
            return false;
        }
        self.trains[train] = whole;
        self.lift_off(behind);
        true
    }

    /// Asks points to move.
    pub fn set_points(&mut self, turnout: TurnoutId, leg: Leg) {
        if self.layout.turnouts[turnout.index()].position != PositionSource::None {
            let word = if leg == Leg::Reverse {
                "reverse"
            } else {
                "normal"
            };
            self.report_asked_points(turnout, word);
        }
        if self.motors.set_points(turnout, leg, self.now) {
            self.report_points(turnout);
        }
    }

    /// Asks a table to move, or lifts a bridge out (`Between`).
    pub fn set_table(&mut self, table: TableId, target: TablePosition) {
        if let TablePosition::At(_) = target {
            self.report_asked_table(table, target);
        }
        if self.motors.set_table(table, target, self.now) {
            self.report_table(table);
        }
    }

    /// Something jams the blades, or is taken out.
    pub fn jam(&mut self, turnout: TurnoutId, jammed: bool) {
        self.motors.jam(turnout, jammed);
    }

    /// Throws a feed's switch.
    pub fn switch(&mut self, feed: FeedId, on: bool) {
        if self.supply.switch(feed, on) {
            self.report_switch(feed);
        }
    }

    /// A short circuit: the booster cuts out for this long.
    pub fn trip(&mut self, feed: FeedId, length: Span) {
        self.supply.trip(feed, self.now.plus(length));
    }

    /// A device starts again.
    pub fn reboot(&mut self, node: NodeId, length: Span) {
        self.nodes[node.index()] = NodeState::rebooting(self.now, length);
    }

    /// A device falls silent and keeps its connection.
    pub fn hang(&mut self, node: NodeId, length: Span) {
        self.nodes[node.index()] = NodeState::hung(self.now, length);
    }

    /// All devices connect anew and say everything they know: the broker is back.
    pub fn tell_everything(&mut self) {
        for sensor in &mut self.sensors {
            sensor.forget();
        }
        self.report_everything();
    }

    /// Whether a device speaks.
    #[must_use]
    pub fn node_speaks(&self, node: Option<NodeId>) -> bool {
        node.is_none_or(|node| self.nodes[node.index()].speaks())
    }

    /// A detector's fault comes or goes.
    pub fn set_fault(&mut self, detector: DetectorId, fault: Fault) {
        self.sensors[detector.index()].fault = fault;
    }

    /// A detector's fault.
    #[must_use]
    pub fn fault(&self, detector: DetectorId) -> Fault {
        self.sensors[detector.index()].fault
    }

    /// The room's light; 1 is as usual.
    pub const fn set_room_light(&mut self, light: f64) {
        self.room_light = light;
    }

    /// Trains are held before they leave by this end, or not any more.
    pub fn hold(&mut self, end: End, held: bool) {
        if held {
            self.holds.insert(end);
        } else {
            self.holds.remove(&end);
        }
    }

    /// A driver on a throttle line turns the knob so that the train goes as it should.
    pub(super) fn turn_throttles(&mut self) {
        for index in 0..self.trains.len() {
            let train = &self.trains[index];
            let Some(&Some((piece, at_mm))) = train.ends().first() else {
                continue;
            };
            let Some(feed) = self.supply.feed_of(self.track.zone(piece, at_mm)) else {
                continue;
            };
            if !self.supply.is_throttle(feed) {
                continue;
            }
            let way_up = train.leading().is_none_or(|(step, _)| step.up);
            let moves = train.order.speed_mm_s > 0.0 && !train.arrived && !train.stalled;
            let volts = if moves {
                knob(train.order.speed_mm_s, &self.supply)
            } else {
                0.0
            };
            self.supply
                .turn_knob(feed, if way_up { volts } else { -volts });
        }
    }

    /// How far it is from a train's leading end to the far end of a block ahead, mm; `None` where
    /// another train is before it, or the road does not lead there within a few pieces.
    #[must_use]
    pub fn free_to_end_of(&self, train: usize, block: BlockId) -> Option<f64> {
        let others = self
            .trains
            .iter()
            .enumerate()
            .filter(|(index, _)| *index != train);
        let others: Vec<Stretch> = others.flat_map(|(_, other)| other.stretches()).collect();
        driver::free_to_end_of(
            &self.trains[train],
            block,
            &others,
            (&self.track, self.lie()),
        )
    }

    /// Whether any train lies over this piece's item.
    #[must_use]
    pub fn is_taken(&self, taken: impl Fn(Piece) -> bool) -> bool {
        self.trains
            .iter()
            .flat_map(Train::stretches)
            .any(|stretch| taken(stretch.piece))
    }

    /// Whether any train lies over a block.
    #[must_use]
    pub fn block_is_taken(&self, block: BlockId) -> bool {
        self.is_taken(|piece| piece == Piece::Block(block))
    }

    /// Whether any train lies over a turnout.
    #[must_use]
    pub fn turnout_is_taken(&self, turnout: TurnoutId) -> bool {
        self.is_taken(|piece| matches!(piece, Piece::Turnout(id, _) if id == turnout))
    }

    /// Whether a careful operator who knows the plan would call these points clear: nothing on
    /// them, and nothing in the block that stands for them where they have no detector of their
    /// own.
    #[must_use]
    pub fn looks_clear(&self, turnout: TurnoutId) -> bool {
        let covered = match self.track.turnout_zone(turnout) {
            Zone::Block(block) => !self.has_beams(turnout) && self.block_is_taken(block),
            Zone::Section(_) | Zone::Crossing(_) => false,
        };
        !covered && !self.turnout_is_taken(turnout)
    }

    fn has_beams(&self, turnout: TurnoutId) -> bool {
        self.layout
            .detectors
            .iter()
            .any(|detector| matches!(detector.subject, Subject::Beam(id, _) if id == turnout))
    }
}

/// The voltage at which a train runs at this speed: from `START_VOLTS` at a standstill to the
/// whole voltage at full speed.
fn knob(speed_mm_s: f64, supply: &Supply) -> f64 {
    let share = (speed_mm_s / super::vehicle::FULL_SPEED_MM_S).min(1.0);
    START_VOLTS + (supply.steady_volts() - START_VOLTS) * share
}
