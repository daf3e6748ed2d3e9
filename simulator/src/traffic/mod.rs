//! Traffic on any layout: drivers and one operator who gives trains their way, block by block.
//!
//! Inputs: the world, what is customary on the layout, a seed, how likely each slip is. Outputs:
//! levers pulled. Nobody here looks at the engine's page. A train's way is reserved before it is
//! given, so that trains meet only where somebody slips: a driver who sleeps, points forgotten.

mod hands;
mod stock;
mod way;

use std::collections::BTreeMap;

use taillamp::engine::ids::{BlockId, FeedId, TurnoutId};
use taillamp::engine::layout::{Layout, Leg as TurnoutLeg, Usage};
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;
use crate::layouts::{Custom, Made};
use crate::world::World;
use crate::world::driver::{Order, StopAt};
use crate::world::track::{Piece, Zone};

pub use stock::put_trains;
use way::{Item, Leg};

/// Where trains run fast, mm/s, at least and at most: 41 to 56 km/h at HO scale. A timetable lets
/// nobody run much faster than the one before.
const LINE_MM_S: (f64, f64) = (130.0, 180.0);
/// A train is let into a block when the road beyond it is clear of others for so long at its speed,
/// seconds, and for one block at least (block working: one train in a block, a clear one between).
const HEADWAY_S: f64 = 16.0;
/// A train that has stood for so long is let go on as far as one block is free.
const LET_UP: Span = Span::from_secs(30);
/// A train stands so far before the end of its block, where that is long enough, mm: 26 m at HO.
const STANDS_MM: f64 = 300.0;
/// Where they do not.
const YARD_MM_S: f64 = 120.0;
/// A train that stands for so long with nowhere to go is pushed back.
const STUCK: Span = Span::from_secs(120);
/// A driver sleeps for so long.
const SLEEP: Span = Span::from_secs(30);

/// How likely slips and shunting are, times an hour; points: a probability.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Slips {
    /// Points stay reversed behind a train.
    pub forgotten_points: f64,
    /// A driver does not look where the train goes.
    pub asleep_per_h: f64,
    /// A train is called up behind another that stands.
    pub called_on_per_h: f64,
}

/// One train and its way.
#[derive(Clone, Debug)]
struct Run {
    train: usize,
    /// What is reserved ahead of its leading end.
    way: Vec<Leg>,
    speed_mm_s: f64,
    called_on: bool,
    /// Pushed back without regard to the customary way.
    backing: bool,
    waits_until: Instant,
    asleep_until: Option<Instant>,
    /// What its leading end was in at the last look.
    leads_in: Option<Item>,
    stands_since: Option<Instant>,
    told: Option<Order>,
}

/// Everybody who runs trains.
#[derive(Clone, Debug)]
pub struct Traffic {
    no_stop: Vec<bool>,
    one_way: Vec<Option<bool>>,
    back_onto: Vec<bool>,
    engine_only: Vec<bool>,
    waits: Vec<bool>,
    running: Vec<bool>,
    switched: Vec<FeedId>,
    shuttle: Option<[BlockId; 3]>,
    shuttle_train: Option<usize>,
    shuttle_until: Instant,
    runs: Vec<Run>,
    slips: Slips,
    chance: Chance,
    taken: BTreeMap<Item, usize>,
    fouled: Vec<Option<Instant>>,
    /// By turnout: when it was last on the move.
    moved: Vec<Option<Instant>>,
    /// By turnout: a train has been over it since it was set.
    used: Vec<bool>,
    forgotten: Vec<Option<Instant>>,
    released: Vec<bool>,
    switch_off_at: Vec<Option<Instant>>,
}

fn marks(layout: &Layout, ids: &[String]) -> Vec<bool> {
    let blocks = layout.blocks.iter();
    blocks.map(|block| ids.contains(&block.id)).collect()
}

impl Traffic {
    /// Begins with the trains that [`put_trains`] has put on the track; the last of them is the
    /// shuttle where the layout has one.
    #[must_use]
    pub fn new(made: &Made, world: &World, seed: u64, slips: Slips) -> Self {
        let layout = &made.plan.layout;
        let custom: &Custom = &made.custom;
        let find = |id: &String| layout.blocks.iter().position(|block| &block.id == id);
        let mut one_way = vec![None; layout.blocks.len()];
        for (id, up) in &custom.one_way {
            if let Some(at) = find(id) {
                one_way[at] = Some(*up);
            }
        }
        let shuttle = custom.shuttle.as_ref().map(|ids| {
            ids.clone()
                .map(|id| BlockId(find(&id).unwrap_or_default() as u32))
        });
        let mut chance = Chance::new(seed, "traffic");
        let count = world.trains().len() - usize::from(shuttle.is_some());
        let runs = (0..count)
            .map(|train| Run {
                train,
                way: Vec::new(),
                speed_mm_s: chance.between(LINE_MM_S.0, LINE_MM_S.1),
                called_on: false,
                backing: false,
                waits_until: Instant::from_secs_f64(chance.between(1.0, 8.0)),
                asleep_until: None,
                leads_in: None,
                stands_since: None,
                told: None,
            })
            .collect();
        Self {
            no_stop: marks(layout, &custom.no_stop),
            back_onto: marks(layout, &custom.back_onto),
            engine_only: marks(layout, &custom.engine_only),
            waits: marks(layout, &custom.stations),
            running: layout
                .blocks
                .iter()
                .map(|block| block.usage == Usage::Running && !block.fiddle)
                .collect(),
            one_way,
            switched: hands::switched_feeds(layout),
            shuttle_train: shuttle.map(|_| count),
            shuttle,
            shuttle_until: Instant(4_000_000),
            runs,
            slips,
            chance,
            taken: BTreeMap::new(),
            fouled: vec![None; layout.turnouts.len()],
            moved: vec![None; layout.turnouts.len()],
            used: vec![false; layout.turnouts.len()],
            forgotten: vec![None; layout.turnouts.len()],
            released: vec![true; layout.turnouts.len()],
            switch_off_at: vec![None; layout.feeds.len()],
        }
    }

    /// Looks at the world and does what is due. To be called a few times a second; `since` is the
    /// time since the last call.
    pub fn step(&mut self, world: &mut World, since: Span) {
        self.look_at_points(world);
        for at in 0..self.runs.len() {
            self.follow(at, world);
        }
        self.take_stock(world);
        for at in 0..self.runs.len() {
            self.slip(at, world, since);
            self.extend(at, world);
        }
        self.work_points(world);
        self.tidy_points(world);
        self.work_power(world);
        for at in 0..self.runs.len() {
            self.tell(at, world);
        }
        self.work_the_shuttle(world);
    }

    /// Items that a train stands on or was given.
    fn take_stock(&mut self, world: &World) {
        self.taken.clear();
        for (train, item) in world.trains().iter().enumerate() {
            for stretch in item.stretches() {
                self.taken.insert(Item::of(stretch.piece), train);
            }
        }
        for run in &self.runs {
            for step in run.way.iter().flat_map(|leg| &leg.steps) {
                self.taken.entry(Item::of(step.piece)).or_insert(run.train);
            }
        }
    }

    /// Drops what lies behind the leading end; wakes a driver who has gone too far.
    fn follow(&mut self, at: usize, world: &mut World) {
        let now = world.now();
        let train = &world.trains()[self.runs[at].train];
        let Some((step, _)) = train.leading() else {
            return;
        };
        let on_the_move = train.speed_mm_s > 0.0;
        let reached = self.runs[at].way.iter().position(|leg| {
            leg.steps
                .last()
                .is_some_and(|last| last.piece == step.piece)
        });
        if let Some(reached) = reached {
            let block = self.runs[at].way[reached].block;
            self.runs[at].way.drain(..=reached);
            if self.runs[at].way.is_empty() {
                self.plan_to_wait(at, block, now);
            }
        }
        let run = &mut self.runs[at];
        run.stands_since = match run.stands_since {
            _ if on_the_move => None,
            None => Some(now),
            since => since,
        };
        let item = Item::of(step.piece);
        let new = run.leads_in != Some(item);
        run.leads_in = Some(item);
        let Some(until) = run.asleep_until else {
            return;
        };
        // Into what another train was given, or stands on.
        let owner = self.taken.get(&item);
        let too_far = new && owner.is_some_and(|owner| *owner != run.train);
        if !(now >= until || too_far || (!on_the_move && run.told.is_some())) {
            return;
        }
        run.asleep_until = None;
        run.told = None;
        if too_far || run.way.is_empty() {
            run.way.clear();
            run.waits_until = now.plus(Span::from_secs(8));
            let mut order = Order::stand();
            order.forward = world.trains()[run.train].order.forward;
            let train = run.train;
            world.tell(train, order);
        }
    }

    fn plan_to_wait(&mut self, at: usize, block: BlockId, now: Instant) {
        let seconds = if !self.running[block.index()] {
            self.chance.between(8.0, 25.0)
        } else if self.waits[block.index()] && self.chance.happens(0.3) {
            self.chance.between(5.0, 18.0)
        } else {
            return;
        };
        self.runs[at].waits_until = now.plus(Span::from_secs_f64(seconds));
    }

    /// A driver falls asleep; a train is called up behind another.
    fn slip(&mut self, at: usize, world: &World, since: Span) {
        let now = world.now();
        let hours = since.as_secs_f64() / 3600.0;
        let train = &world.trains()[self.runs[at].train];
        let runs = train.speed_mm_s > 0.0 && train.order.forward && !train.stalled;
        if self.chance.happens(self.slips.asleep_per_h * hours) && runs {
            let run = &mut self.runs[at];
            run.asleep_until = Some(now.plus(SLEEP));
            run.told = None;
        }
        if self.chance.happens(self.slips.called_on_per_h * hours) {
            self.call_on(at, world);
        }
    }

    /// Tells the driver where the way ends, where that has changed.
    fn tell(&mut self, at: usize, world: &mut World) {
        let run = &self.runs[at];
        let train = &world.trains()[run.train];
        if train.vehicles.is_empty() {
            return;
        }
        let slow = run.way.iter().any(|leg| !self.running[leg.block.index()]);
        let speed_mm_s = if slow { YARD_MM_S } else { run.speed_mm_s };
        let mut order = Order::run(speed_mm_s);
        order.forward = train.order.forward;
        if run.asleep_until.is_some() {
            order.cautious = false;
        } else {
            let Some(last) = self.may_run_to(run, world) else {
                return;
            };
            let block_mm = world.track().length_mm(Piece::Block(last));
            let short_mm = ((block_mm - train.length_mm()) / 2.0).clamp(20.0, STANDS_MM);
            order.stop = Some(StopAt::InBlock {
                block: last,
                short_mm,
            });
            order.called_on = run.called_on;
        }
        order.diverge_at = run.way.iter().flat_map(Leg::diverging).collect();
        if run.told.as_ref() != Some(&order) {
            world.tell(run.train, order.clone());
            self.runs[at].told = Some(order);
        }
    }

    /// The block in which a train has to stop: the last of its way, or before a block through which
    /// points are watched that do not lie right yet, on its way in or out. With a train in it they
    /// could not be set, and whoever lets a train out of a yard has set its road.
    fn may_run_to(&self, run: &Run, world: &World) -> Option<BlockId> {
        let amiss = |(turnout, wanted): &(TurnoutId, TurnoutLeg), through: BlockId| {
            let position = world.lie().points[turnout.index()];
            let zone = world.track().turnout_zone(*turnout);
            zone == Zone::Block(through) && !hands::lies(position, *wanted)
        };
        let first = run.way.iter().enumerate().find(|(at, leg)| {
            let out = run
                .way
                .get(at + 1)
                .into_iter()
                .flat_map(|next| &next.points);
            let mut points = leg.points.iter().chain(out);
            points.any(|points| amiss(points, leg.block))
        });
        match first {
            None => run.way.last().map(|leg| leg.block),
            Some((0, _)) => match world.trains()[run.train].leading()?.0.piece {
                Piece::Block(block) => Some(block),
                Piece::Turnout(..) | Piece::Crossing(..) => None,
            },
            Some((at, _)) => Some(run.way[at - 1].block),
        }
    }

    /// Where every train is and what it was given, in one line: for those who look for a fault.
    #[must_use]
    pub fn told(&self, world: &World) -> String {
        let layout = world.layout();
        let name = |block: BlockId| layout.blocks[block.index()].id.as_str();
        let mut line = format!("{} world:", world.now());
        for run in &self.runs {
            let train = &world.trains()[run.train];
            let over = train.stretches();
            let over = over.iter().map(|at| match at.piece {
                Piece::Block(block) => name(block).to_owned(),
                Piece::Turnout(turnout, _) => layout.turnouts[turnout.index()].id.clone(),
                Piece::Crossing(crossing, _) => layout.crossings[crossing.index()].id.clone(),
            });
            let way: Vec<&str> = run.way.iter().map(|leg| name(leg.block)).collect();
            let over: Vec<String> = over.collect();
            let asleep = if run.asleep_until.is_some() {
                " asleep"
            } else {
                ""
            };
            line.push_str(&format!(
                " {}[{} {:.0} mm/s{asleep} -> {}]",
                train.name,
                over.join(" "),
                train.speed_mm_s,
                way.join(" ")
            ));
        }
        line
    }

    fn points_ready(&self, turnout: TurnoutId, now: Instant) -> bool {
        let longer = |at: Option<Instant>, span| at.is_none_or(|at| now.since(at) >= span);
        let at = turnout.index();
        longer(self.fouled[at], hands::SETTLED) && longer(self.moved[at], hands::LEFT_ALONE)
    }
}
