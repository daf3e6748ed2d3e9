//! What goes wrong: how likely each mishap is, and those that come by themselves.
//!
//! Inputs: rates and a seed. Outputs: levers pulled on the world, and pulled back after a while,
//! and the log. Slips of the operator's hands (forgotten points, a switch left on) are told to the
//! operator as probabilities; here are the rest: stalled trains, cars left behind, dead detectors,
//! devices that start again or hang, boosters that trip, the room's light.

use taillamp::engine::ids::{DetectorId, FeedId, NodeId};
use taillamp::engine::layout::{FeedRest, Supply};
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;
use crate::detectors::Fault;
use crate::operator::act::{Entry, What};
use crate::world::World;

/// How likely everything is: probabilities for slips, times an hour for the rest.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Rates {
    /// Points left diverging behind a train.
    pub forgotten_points: f64,
    /// Points set back under the last car.
    pub points_too_early: f64,
    /// A siding's switch left on.
    pub feed_left_on: f64,
    /// A moving train stalls.
    pub stall_per_h: f64,
    /// A moving train loses its last cars.
    pub cars_left_behind_per_h: f64,
    /// A detector says nothing for a while.
    pub dead_detector_per_h: f64,
    /// A device starts again.
    pub node_reboot_per_h: f64,
    /// A device hangs.
    pub node_hang_per_h: f64,
    /// A booster trips.
    pub booster_trip_per_h: f64,
    /// Somebody switches the room's light.
    pub room_light_per_h: f64,
}

impl Rates {
    /// Nothing goes wrong.
    pub const OFF: Self = Self {
        forgotten_points: 0.0,
        points_too_early: 0.0,
        feed_left_on: 0.0,
        stall_per_h: 0.0,
        cars_left_behind_per_h: 0.0,
        dead_detector_per_h: 0.0,
        node_reboot_per_h: 0.0,
        node_hang_per_h: 0.0,
        booster_trip_per_h: 0.0,
        room_light_per_h: 0.0,
    };

    /// Only the operator's memory for points fails.
    pub const FORGETFUL: Self = Self {
        forgotten_points: 0.5,
        ..Self::OFF
    };

    /// An evening that is worth watching.
    pub const DEMO: Self = Self {
        forgotten_points: 0.45,
        points_too_early: 0.06,
        feed_left_on: 0.3,
        stall_per_h: 10.0,
        cars_left_behind_per_h: 2.0,
        dead_detector_per_h: 4.0,
        node_reboot_per_h: 6.0,
        node_hang_per_h: 2.0,
        booster_trip_per_h: 4.0,
        room_light_per_h: 3.0,
    };

    /// Everything goes wrong.
    pub const ROUGH: Self = Self {
        forgotten_points: 0.5,
        points_too_early: 0.15,
        feed_left_on: 0.4,
        stall_per_h: 40.0,
        cars_left_behind_per_h: 12.0,
        dead_detector_per_h: 20.0,
        node_reboot_per_h: 20.0,
        node_hang_per_h: 12.0,
        booster_trip_per_h: 20.0,
        room_light_per_h: 15.0,
    };
}

/// Every kind of mishap that comes by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Stall,
    CarsLeftBehind,
    DeadDetector,
    NodeReboot,
    NodeHang,
    BoosterTrip,
    RoomLight,
}

impl Kind {
    const ALL: [Self; 7] = [
        Self::Stall,
        Self::CarsLeftBehind,
        Self::DeadDetector,
        Self::NodeReboot,
        Self::NodeHang,
        Self::BoosterTrip,
        Self::RoomLight,
    ];

    const fn per_h(self, rates: &Rates) -> f64 {
        match self {
            Self::Stall => rates.stall_per_h,
            Self::CarsLeftBehind => rates.cars_left_behind_per_h,
            Self::DeadDetector => rates.dead_detector_per_h,
            Self::NodeReboot => rates.node_reboot_per_h,
            Self::NodeHang => rates.node_hang_per_h,
            Self::BoosterTrip => rates.booster_trip_per_h,
            Self::RoomLight => rates.room_light_per_h,
        }
    }
}

/// How a mishap is put right.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Cure {
    Push(usize),
    Couple(usize, usize),
    Replace(DetectorId),
    Light,
}

/// Mishaps that come by themselves.
#[derive(Clone, Debug)]
pub struct Mishaps {
    rates: Rates,
    chance: Chance,
    next: [Option<Instant>; 7],
    cures: Vec<(Instant, Cure)>,
    quiet_until: Instant,
}

impl Mishaps {
    /// None before `quiet_until`.
    #[must_use]
    pub fn new(seed: u64, rates: Rates, quiet_until: Instant) -> Self {
        let chance = Chance::new(seed, "mishaps");
        Self {
            rates,
            chance,
            next: [None; 7],
            cures: Vec::new(),
            quiet_until,
        }
    }

    /// How likely each is from here on.
    pub const fn set_rates(&mut self, rates: Rates) {
        self.rates = rates;
        self.next = [None; 7];
    }

    /// Everything that went wrong has been put right.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.cures.is_empty()
    }

    /// Lets come what is due.
    pub fn step(&mut self, world: &mut World, log: &mut Vec<Entry>) {
        let now = world.now();
        let mut waiting = Vec::new();
        for (at, cure) in std::mem::take(&mut self.cures) {
            if at > now || !put_right(cure, world) {
                waiting.push((at, cure));
            } else {
                log.push(Entry {
                    at: now,
                    what: What::Mishap(format!("put right: {cure:?}")),
                });
            }
        }
        self.cures = waiting;
        for (slot, kind) in Kind::ALL.into_iter().enumerate() {
            let due = match self.next[slot] {
                Some(at) => at,
                None => self.plan(kind, now),
            };
            self.next[slot] = Some(due);
            if due > now {
                continue;
            }
            if let Some(text) = self.happen(kind, world) {
                log.push(Entry {
                    at: now,
                    what: What::Mishap(text),
                });
            }
            self.next[slot] = Some(self.plan(kind, now));
        }
    }

    fn plan(&mut self, kind: Kind, now: Instant) -> Instant {
        let gap_s = self.chance.gap(kind.per_h(&self.rates) / 3600.0);
        now.max(self.quiet_until).plus(Span::from_secs_f64(gap_s))
    }

    fn happen(&mut self, kind: Kind, world: &mut World) -> Option<String> {
        let now = world.now();
        let in_s = |seconds: f64| now.plus(Span::from_secs_f64(seconds));
        match kind {
            Kind::Stall => {
                let train = self.moving(world, 1)?;
                world.stall(train, true);
                self.cures
                    .push((in_s(self.chance.between(8.0, 20.0)), Cure::Push(train)));
                Some(format!("{} stalls", world.trains()[train].name))
            }
            Kind::CarsLeftBehind => {
                let train = self.moving(world, 3)?;
                let keep = world.trains()[train].vehicles.len() - 1;
                let behind = world.lose_cars(train, keep)?;
                let until = in_s(self.chance.between(20.0, 40.0));
                world.stall(train, true);
                self.cures.push((until, Cure::Couple(train, behind)));
                Some(format!("{} loses its last car", world.trains()[train].name))
            }
            Kind::DeadDetector => {
                let detector = DetectorId(self.chance.pick(world.layout().detectors.len()) as u32);
                world.set_fault(detector, Fault::Dead);
                let until = in_s(self.chance.between(20.0, 60.0));
                self.cures.push((until, Cure::Replace(detector)));
                Some(format!(
                    "{} is dead",
                    world.layout().detectors[detector.index()].id
                ))
            }
            Kind::NodeReboot | Kind::NodeHang => {
                let node = NodeId(self.chance.pick(world.layout().nodes.len()) as u32);
                let word = if kind == Kind::NodeReboot {
                    world.reboot(node, Span::from_secs_f64(self.chance.between(3.0, 8.0)));
                    "starts again"
                } else {
                    world.hang(node, Span::from_secs_f64(self.chance.between(12.0, 25.0)));
                    "hangs"
                };
                Some(format!("{} {word}", world.layout().nodes[node.index()].id))
            }
            Kind::BoosterTrip => {
                let feed = self.district(world)?;
                world.trip(feed, Span::from_secs_f64(self.chance.between(3.0, 6.0)));
                Some(format!("{} trips", world.layout().feeds[feed.index()].id))
            }
            Kind::RoomLight => {
                world.set_room_light(self.chance.between(1.4, 2.0));
                self.cures
                    .push((in_s(self.chance.between(10.0, 30.0)), Cure::Light));
                Some("the room's light goes on".to_owned())
            }
        }
    }

    /// A train that moves and has at least so many vehicles.
    fn moving(&mut self, world: &World, vehicles: usize) -> Option<usize> {
        let trains = world.trains().iter().enumerate();
        let moving: Vec<usize> = trains
            .filter(|(_, train)| train.speed_mm_s > 0.0 && !train.stalled)
            .filter(|(_, train)| train.vehicles.len() >= vehicles)
            .map(|(index, _)| index)
            .collect();
        let chosen = self.chance.pick(moving.len());
        moving.get(chosen).copied()
    }

    /// A booster: a steady feed that rests on and supplies more than one block.
    fn district(&mut self, world: &World) -> Option<FeedId> {
        let feeds = world.layout().feeds.iter().enumerate();
        let districts: Vec<usize> = feeds
            .filter(|(_, feed)| feed.rest == FeedRest::On && feed.supply == Supply::Steady)
            .filter(|(_, feed)| feed.blocks.len() > 1)
            .map(|(index, _)| index)
            .collect();
        let chosen = self.chance.pick(districts.len());
        districts.get(chosen).map(|index| FeedId(*index as u32))
    }
}

/// False where it cannot be put right yet.
fn put_right(cure: Cure, world: &mut World) -> bool {
    match cure {
        Cure::Push(train) => world.stall(train, false),
        Cure::Couple(train, behind) => {
            if !world.couple(train, behind) {
                return false;
            }
            world.stall(train, false);
        }
        Cure::Replace(detector) => world.set_fault(detector, Fault::None),
        Cure::Light => world.set_room_light(1.0),
    }
    true
}
