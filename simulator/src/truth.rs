//! What is really the case. Only tests may read it; the daemon never sees more than messages.
//!
//! Inputs: the world, and what its detectors could have shown. Outputs: for each block and turnout
//! whether a vehicle is there, and when its detectors last really saw one. It judges nothing.

use std::collections::BTreeMap;

use taillamp::engine::ids::{BlockId, TurnoutId};
use taillamp::engine::input::Position;
use taillamp::engine::layout::Layout;
use taillamp::engine::time::Instant;

use crate::detectors::Sensor;
use crate::world::World;
use crate::world::load::Currents;
use crate::world::track::{Piece, Track, Zone};

/// A current has to exceed a threshold by this factor to count as one that cannot be missed.
const SURE: f64 = 1.25;

/// When detectors last really saw something, by zone.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    /// Last time that the actual current was surely above the threshold.
    seen: BTreeMap<Zone, Instant>,
    /// Since when the current on clean track has been above it, without a break.
    detectable: BTreeMap<Zone, Instant>,
}

impl Shown {
    /// Nothing yet.
    #[must_use]
    pub fn new(_layout: &Layout) -> Self {
        Self::default()
    }

    /// Takes note of one moment.
    pub fn note(&mut self, now: Instant, sensors: &[Sensor], track: &Track, currents: &Currents) {
        for sensor in sensors {
            let Some(on_ma) = sensor.on_ma() else {
                continue;
            };
            let zone = sensor.spot().zone(track);
            let level = |of: &BTreeMap<Zone, f64>| of.get(&zone).copied().unwrap_or(0.0).abs();
            // Between two samples nothing is seen.
            if sensor.sampled() == Some(now) && level(&currents.actual) >= on_ma * SURE {
                self.seen.insert(zone, now);
            }
            if level(&currents.nominal) >= on_ma * SURE {
                self.detectable.entry(zone).or_insert(now);
            } else {
                self.detectable.remove(&zone);
            }
        }
    }
}

/// One block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockTruth {
    /// Any vehicle, seen or not, is over it.
    pub holds_any: bool,
    /// Last time that its current detector really saw a vehicle.
    pub seen: Option<Instant>,
    /// Since when a vehicle that clean track would show has been in its zone.
    pub detectable_since: Option<Instant>,
    /// There is voltage.
    pub live: bool,
}

/// One turnout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TurnoutTruth {
    /// A vehicle is between its toe and its clearance points.
    pub fouled: bool,
    /// Where its points really are.
    pub position: Position,
    /// Last time that its own section really saw a vehicle.
    pub seen: Option<Instant>,
}

/// One train.
#[derive(Clone, Debug, PartialEq)]
pub struct TrainTruth {
    /// What people call it.
    pub name: String,
    /// Its head: piece, and mm from the piece's start.
    pub head: Option<(Piece, f64)>,
    /// Its tail.
    pub tail: Option<(Piece, f64)>,
    /// Length over all, mm.
    pub length_mm: f64,
    /// Speed, mm/s.
    pub speed_mm_s: f64,
    /// Pieces that it lies over, tail to head.
    pub pieces: Vec<Piece>,
}

/// Everything, at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// When.
    pub at: Instant,
    /// By block.
    pub blocks: Vec<BlockTruth>,
    /// By turnout.
    pub turnouts: Vec<TurnoutTruth>,
    /// Trains with at least one vehicle.
    pub trains: Vec<TrainTruth>,
}

impl Truth {
    /// What is the case in a world.
    #[must_use]
    pub fn of(world: &World, shown: &Shown) -> Self {
        let block = |index: usize| {
            let zone = Zone::Block(BlockId(index as u32));
            BlockTruth {
                holds_any: world.block_is_taken(BlockId(index as u32)),
                seen: shown.seen.get(&zone).copied(),
                detectable_since: shown.detectable.get(&zone).copied(),
                live: world.supply().zone_volts(zone, world.lie()) != 0.0,
            }
        };
        let turnout = |index: usize| {
            let id = TurnoutId(index as u32);
            TurnoutTruth {
                fouled: world.turnout_is_taken(id),
                position: world.lie().points[index],
                seen: shown.seen.get(&Zone::Section(id)).copied(),
            }
        };
        Self {
            at: world.now(),
            blocks: (0..world.layout().blocks.len()).map(block).collect(),
            turnouts: (0..world.layout().turnouts.len()).map(turnout).collect(),
            trains: trains(world),
        }
    }
}

fn trains(world: &World) -> Vec<TrainTruth> {
    let there = world
        .trains()
        .iter()
        .filter(|train| !train.vehicles.is_empty());
    there
        .map(|train| {
            let [head, tail] = train.ends();
            TrainTruth {
                name: train.name.clone(),
                head,
                tail,
                length_mm: train.length_mm(),
                speed_mm_s: train.speed_mm_s,
                pieces: train
                    .stretches()
                    .iter()
                    .map(|stretch| stretch.piece)
                    .collect(),
            }
        })
        .collect()
}
