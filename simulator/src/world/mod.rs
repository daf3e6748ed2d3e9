//! The world: track, trains, power, points and detectors, stepped in virtual time.
//!
//! Inputs: the plan's layout, a seed, habits, and what hands do to it (`levers`). Outputs: the
//! messages of its devices, each with its time, and the [`Truth`]. It reads no clock. It knows
//! nothing of how the engine decides.

pub mod driver;
pub mod levers;
pub mod load;
pub mod motors;
pub mod node;
mod reports;
pub mod supply;
pub mod track;
pub mod train;
pub mod vehicle;

use std::collections::{BTreeSet, VecDeque};

use taillamp::engine::ids::BlockId;
use taillamp::engine::layout::{End, Layout, PointsRest};
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;
use crate::detectors::{Habits as DetectorHabits, Scene, Sensor};
use crate::network::{Habits as NetworkHabits, Message, Network};
use crate::truth::{Shown, Truth};
use driver::{Room, Sight, StopAt};
use load::{Currents, Dirt};
use motors::Motors;
use node::NodeState;
use supply::Supply;
use track::{Piece, Track, Zone};
use train::{Stretch, Train};

/// The world's step: fine enough that a train moves a few millimetres in one.
pub const STEP: Span = Span::from_millis(10);

/// How a world is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Everything that chance decides.
    pub seed: u64,
    /// Steady track voltage, V.
    pub volts: f64,
    /// How dirty the track is.
    pub dirt: Dirt,
    /// How detectors behave.
    pub detectors: DetectorHabits,
    /// How messages travel.
    pub network: NetworkHabits,
    /// How long a block must have been empty before a driver runs into it.
    pub headway: Span,
}

impl Settings {
    /// Clean track, quiet detectors, a perfect network.
    #[must_use]
    pub fn ideal(seed: u64) -> Self {
        Self {
            seed,
            volts: 14.0,
            dirt: Dirt::NONE,
            detectors: DetectorHabits {
                noise_ma: 0.0,
                leakage_ma: 0.0,
                ..Default::default()
            },
            network: NetworkHabits::PERFECT,
            headway: Span::from_millis(2_500),
        }
    }

    /// A layout as it usually is.
    #[must_use]
    pub fn usual(seed: u64) -> Self {
        Self {
            dirt: Dirt::USUAL,
            detectors: DetectorHabits::default(),
            network: NetworkHabits::USUAL,
            ..Self::ideal(seed)
        }
    }
}

/// The world.
#[derive(Clone, Debug)]
pub struct World {
    layout: Layout,
    settings: Settings,
    prefix: String,
    track: Track,
    free_points: Vec<bool>,
    now: Instant,
    motors: Motors,
    supply: Supply,
    trains: Vec<Train>,
    sensors: Vec<Sensor>,
    nodes: Vec<NodeState>,
    holds: BTreeSet<End>,
    /// By block: which train was last over it, and when.
    last_over: Vec<Option<(usize, Instant)>>,
    room_light: f64,
    network: Network,
    dirt_chance: Chance,
    dropouts: u64,
    arrived: VecDeque<Message>,
    shown: Shown,
    volts_sent: Vec<Option<(f64, Instant)>>,
    begun: bool,
}

impl World {
    /// A world at time zero, without trains. `prefix` is the plan's `topic_prefix`.
    #[must_use]
    pub fn new(layout: &Layout, prefix: &str, settings: Settings) -> Self {
        let track = Track::new(layout);
        Self {
            free_points: layout
                .turnouts
                .iter()
                .map(|t| t.rest == PointsRest::None)
                .collect(),
            now: Instant(0),
            motors: Motors::new(layout),
            supply: Supply::new(layout, &track, settings.volts),
            trains: Vec::new(),
            sensors: Sensor::all(layout, settings.seed, &settings.detectors),
            nodes: vec![NodeState::Up; layout.nodes.len()],
            holds: BTreeSet::new(),
            last_over: vec![None; layout.blocks.len()],
            room_light: 1.0,
            network: Network::new(settings.seed, settings.network),
            dirt_chance: Chance::new(settings.seed, "dirt"),
            dropouts: 0,
            arrived: VecDeque::new(),
            shown: Shown::new(layout),
            volts_sent: vec![None; layout.feeds.len()],
            begun: false,
            layout: layout.clone(),
            settings,
            prefix: prefix.to_owned(),
            track,
        }
    }

    /// The present.
    #[must_use]
    pub const fn now(&self) -> Instant {
        self.now
    }

    /// The layout.
    #[must_use]
    pub const fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The track.
    #[must_use]
    pub const fn track(&self) -> &Track {
        &self.track
    }

    /// How points and tables really lie.
    #[must_use]
    pub const fn lie(&self) -> &track::Lie {
        self.motors.lie()
    }

    /// The trains.
    #[must_use]
    pub fn trains(&self) -> &[Train] {
        &self.trains
    }

    /// The power.
    #[must_use]
    pub const fn supply(&self) -> &Supply {
        &self.supply
    }

    /// Wheelsets that lost contact so far.
    #[must_use]
    pub const fn dropouts(&self) -> u64 {
        self.dropouts
    }

    /// Lets one [`STEP`] pass.
    pub fn step(&mut self) {
        if !self.begun {
            self.begun = true;
            self.report_everything();
        }
        self.now = self.now.plus(STEP);
        for moved in self.motors.step(self.now) {
            self.report_moved(moved);
        }
        self.supply.step(self.now, STEP);
        self.turn_throttles();
        self.report_voltages();
        for index in 0..self.trains.len() {
            self.note_blocks_under(index);
            self.drive(index);
        }
        let currents = load::currents(
            &self.trains,
            &self.supply,
            (&self.track, self.motors.lie()),
            self.now,
        );
        self.sample(&currents);
        self.note_what_shows(&currents);
        self.step_nodes();
        let mut arrived = self.network.receive(self.now);
        self.arrived.append(&mut arrived);
    }

    /// Lets time pass until `to`.
    pub fn run_to(&mut self, to: Instant) {
        while self.now < to {
            self.step();
        }
    }

    /// The messages that have arrived since the last call, in order.
    pub fn drain(&mut self) -> Vec<Message> {
        self.arrived.drain(..).collect()
    }

    /// What is really the case: for tests only.
    #[must_use]
    pub fn truth(&self) -> Truth {
        Truth::of(self, &self.shown)
    }

    fn note_blocks_under(&mut self, index: usize) {
        for stretch in self.trains[index].stretches() {
            if let Piece::Block(block) = stretch.piece {
                self.last_over[block.index()] = Some((index, self.now));
            }
        }
    }

    fn drive(&mut self, index: usize) {
        let others: Vec<Stretch> = self
            .trains
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != index)
            .flat_map(|(_, train)| train.stretches())
            .collect();
        let lie = self.motors.lie().clone();
        let supply = &self.supply;
        let dead = |zone: Zone| match supply.feed_of(zone) {
            // A throttle line has no voltage while nothing is to move.
            Some(feed) if supply.is_throttle(feed) => !supply.is_switched_on(feed),
            _ => supply.zone_volts(zone, &lie) == 0.0,
        };
        let left_lately = |block: BlockId| {
            self.last_over[block.index()].is_some_and(|(train, at)| {
                train != index && self.now.since(at) < self.settings.headway
            })
        };
        let sight = Sight {
            track: &self.track,
            lie: &lie,
            others: &others,
            holds: &self.holds,
            free_points: &self.free_points,
            dead: &dead,
            left_lately: &left_lately,
        };
        let train = &mut self.trains[index];
        if let Some(StopAt::ClearOf { turnout, .. }) = train.order.stop
            && let Some(mm) = train.until_clear_mm(turnout)
        {
            train.to_clear_mm = Some(mm);
        }
        let room = driver::room(train, &sight);
        let powered = load::is_powered(train, supply, (&self.track, &lie));
        let contact_mm = driver::contact(train, &sight).unwrap_or(f64::MAX);
        let way = (&self.track, &lie);
        let moved_mm = drive_one(train, (room, contact_mm), powered, way);
        let dirt = self.settings.dirt;
        let lost = load::run_over_dirt(train, moved_mm, dirt, self.now, &mut self.dirt_chance);
        self.dropouts += u64::from(lost);
    }

    fn note_what_shows(&mut self, currents: &Currents) {
        self.shown
            .note(self.now, &self.sensors, &self.track, currents);
    }

    fn sample(&mut self, currents: &Currents) {
        let stretches = |train: &Train| train.stretches();
        let trains: Vec<Stretch> = self.trains.iter().flat_map(stretches).collect();
        let vehicles: Vec<Stretch> = self
            .trains
            .iter()
            .flat_map(|train| {
                train.vehicles.iter().flat_map(|placed| {
                    train.stretches_of(placed.at_mm, placed.at_mm + placed.vehicle.length_mm)
                })
            })
            .collect();
        let lie = self.motors.lie();
        let supply = &self.supply;
        let volts = |zone: Zone| supply.zone_volts(zone, lie);
        let scene = Scene {
            now: self.now,
            currents,
            volts: &volts,
            vehicles: &vehicles,
            trains: &trains,
            lie,
            track: &self.track,
            room_light: self.room_light,
        };
        let habits = self.settings.detectors;
        let mut readings = Vec::new();
        for (index, sensor) in self.sensors.iter_mut().enumerate() {
            if let Some(shown) = sensor.sample(&scene, &habits) {
                readings.push((index, shown));
            }
        }
        for (index, shown) in readings {
            self.report_reading(index, shown);
        }
    }
}

/// One step of one train; what it moved, mm. At another train it comes to a stand at once.
fn drive_one(
    train: &mut Train,
    (room, contact_mm): (Room, f64),
    powered: bool,
    (track, lie): (&Track, &track::Lie),
) -> f64 {
    let step_s = STEP.as_secs_f64();
    let wish_mm_s = if train.stalled {
        0.0
    } else {
        train.order.speed_mm_s
    };
    let target_mm_s = driver::speed_for(room.mm, wish_mm_s);
    if train.stalled {
        train.speed_mm_s = 0.0;
    } else if !powered {
        train.speed_mm_s = (train.speed_mm_s - driver::COASTING_MM_S2 * step_s).max(0.0);
    } else if target_mm_s >= train.speed_mm_s {
        let faster = train.speed_mm_s + driver::ACCELERATION_MM_S2 * step_s;
        train.speed_mm_s = faster.min(target_mm_s);
    } else {
        let slower = train.speed_mm_s - 2.0 * driver::BRAKING_MM_S2 * step_s;
        train.speed_mm_s = slower.max(target_mm_s);
    }
    let mut moved_mm = 0.0;
    if train.speed_mm_s > 0.0 {
        let by_mm = train.speed_mm_s * step_s;
        moved_mm = train.advance(by_mm.min(contact_mm), track, lie);
        if moved_mm + 1e-6 < by_mm {
            train.speed_mm_s = 0.0;
        }
    }
    if room.stop && room.mm < 1.0 && train.speed_mm_s == 0.0 {
        train.arrived = true;
    }
    moved_mm
}
