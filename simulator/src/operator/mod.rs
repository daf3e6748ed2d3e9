//! The operator: works the timetable of the demo layout, one job after the other, with two hands.
//!
//! Inputs: the world, and how likely each slip is. Outputs: levers pulled, and a log of what was
//! done and forgotten. The operator looks at the layout and not at the engine's page.

pub mod act;
pub mod demo;
pub mod hand;
mod jobs;
mod timetable;

use std::collections::VecDeque;

use taillamp::engine::ids::{FeedId, TurnoutId};
use taillamp::engine::layout::Leg;
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;
use crate::mishaps::Rates;
use crate::world::World;
use crate::world::driver::{Order, StopAt};
use act::{Act, Entry, Until, What};
use demo::{Missing, Places, Trains};
use hand::{Hand, Manner};

/// A turnout that a train stands on is not set; after this the operator goes on without.
const POINTS_PATIENCE: Span = Span::from_secs(60);

/// Points that nothing has been on for so long may be set without anybody's doubt.
const SETTLED: Span = Span::from_millis(7_000);

/// The operator.
#[derive(Clone, Debug)]
pub struct Operator {
    places: Places,
    trains: Trains,
    rates: Rates,
    chance: Chance,
    job: &'static str,
    tidy: Vec<Act>,
    acts: VecDeque<Act>,
    since: Instant,
    hands: Vec<Hand>,
    left_on: Vec<(FeedId, Instant)>,
    tram_until: Instant,
    /// By turnout: when it last did not look clear.
    taken: Vec<Option<Instant>>,
    log: Vec<Entry>,
}

impl Operator {
    /// An operator who has put the demo's trains on the track and begins.
    ///
    /// # Errors
    /// The first id that the layout lacks.
    pub fn new(world: &mut World, seed: u64, rates: Rates) -> Result<Self, Missing> {
        let places = Places::of(world.layout())?;
        let trains = demo::put_trains(world, &places);
        for train in [trains.passenger, trains.local] {
            world.tell(train, Order::run(jobs::LINE_MM_S));
        }
        let opening = jobs::opening(&places, &trains);
        Ok(Self {
            acts: opening.acts.into(),
            job: opening.name,
            tidy: opening.tidy,
            places,
            trains,
            rates,
            chance: Chance::new(seed, "operator"),
            since: world.now(),
            hands: Vec::new(),
            left_on: Vec::new(),
            tram_until: Instant(4_000_000),
            taken: vec![None; world.layout().turnouts.len()],
            log: Vec::new(),
        })
    }

    /// What was done and forgotten so far.
    #[must_use]
    pub fn log(&self) -> &[Entry] {
        &self.log
    }

    /// The demo's trains.
    #[must_use]
    pub const fn trains(&self) -> Trains {
        self.trains
    }

    /// How likely each slip is from here on.
    pub const fn set_rates(&mut self, rates: Rates) {
        self.rates = rates;
    }

    /// Points that are still to be set back.
    pub fn pending(&self) -> impl Iterator<Item = TurnoutId> + '_ {
        self.hands.iter().map(Hand::turnout)
    }

    /// No job is being done and nothing is left to be set back or switched off.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.acts.is_empty() && self.hands.is_empty() && self.left_on.is_empty()
    }

    /// Looks at the world and does what is due. `new_jobs`: whether to begin another.
    pub fn step(&mut self, world: &mut World, new_jobs: bool) {
        self.look_at_points(world);
        for hand in &mut self.hands {
            hand.step(world, &mut self.log);
        }
        self.hands.retain(|hand| !hand.is_done());
        self.remember_switches(world);
        self.work_the_tram(world);
        while let Some(act) = self.acts.front().cloned() {
            if !self.carry_out(&act, world) {
                return;
            }
            self.acts.pop_front();
            self.since = world.now();
        }
        if new_jobs {
            self.begin(world);
        }
    }

    fn begin(&mut self, world: &World) {
        let busy: Vec<TurnoutId> = self.pending().collect();
        let mut possible = timetable::possible(world, &self.places, &self.trains);
        possible.retain(|job| !job.turnouts.iter().any(|turnout| busy.contains(turnout)));
        let pause_s = self.chance.between(3.0, 8.0);
        self.since = world.now();
        self.acts
            .push_back(Act::Pause(Span::from_secs_f64(pause_s)));
        if possible.is_empty() {
            return;
        }
        let job = possible.swap_remove(self.chance.pick(possible.len()));
        self.note(world, What::Job(job.name));
        self.job = job.name;
        self.tidy = job.tidy;
        self.acts.extend(job.acts);
    }

    /// One act; false while it still waits.
    fn carry_out(&mut self, act: &Act, world: &mut World) -> bool {
        let waited = world.now().since(self.since);
        match act {
            Act::Points(turnout, leg) => return self.set(*turnout, *leg, waited, world),
            Act::Table(table, target) => world.set_table(*table, *target),
            Act::Switch(feed, on) => {
                self.left_on.retain(|(left, _)| left != feed);
                world.switch(*feed, *on);
            }
            Act::SwitchOff(feed) => self.switch_off(*feed, world),
            Act::Tell(train, order) => world.tell(*train, order.clone()),
            Act::Hold(end, held) => world.hold(*end, *held),
            Act::Pause(length) => return waited >= *length,
            Act::Await(until, patience) => return self.has_come(until, waited, *patience, world),
            Act::SetBackBehind {
                train,
                turnouts,
                forgotten,
            } => {
                return self.set_back_behind(*train, turnouts, *forgotten, waited, world);
            }
        }
        true
    }

    fn set(&mut self, turnout: TurnoutId, leg: Leg, waited: Span, world: &mut World) -> bool {
        let settled = world.looks_clear(turnout)
            && self.taken[turnout.index()].is_none_or(|at| world.now().since(at) >= SETTLED);
        if !settled && waited < POINTS_PATIENCE && !Until::Lies(turnout, leg).is_so(world) {
            return false;
        }
        if world.turnout_is_taken(turnout) {
            self.note(world, What::GaveUp(self.job));
        } else if !Until::Lies(turnout, leg).is_so(world) {
            world.set_points(turnout, leg);
        }
        true
    }

    fn look_at_points(&mut self, world: &World) {
        for (index, taken) in self.taken.iter_mut().enumerate() {
            if !world.looks_clear(TurnoutId(index as u32)) {
                *taken = Some(world.now());
            }
        }
    }

    fn has_come(&mut self, until: &Until, waited: Span, patience: Span, world: &World) -> bool {
        if until.is_so(world) {
            return true;
        }
        if waited < patience {
            return false;
        }
        if matches!(until, Until::FirstTo(..)) {
            // Nothing was moved for the train yet: the job is put off.
            self.note(world, What::PutOff(self.job));
            self.acts = std::mem::take(&mut self.tidy).into();
            self.acts.push_front(Act::Pause(Span::ZERO));
            return true;
        }
        self.note(world, What::GaveUp(self.job));
        true
    }

    fn set_back_behind(
        &mut self,
        train: usize,
        turnouts: &[TurnoutId],
        forgotten: bool,
        waited: Span,
        world: &World,
    ) -> bool {
        let ours = |hand: &Hand| turnouts.contains(&hand.turnout());
        if waited == Span::ZERO && !self.hands.iter().any(ours) {
            let manner = self.manner(forgotten);
            let hand = |turnout: &TurnoutId| Hand::new(*turnout, train, manner, world.now());
            self.hands.extend(turnouts.iter().map(hand));
            return false;
        }
        // The next thing is done once the train is off the points, set back or not.
        let free = !turnouts
            .iter()
            .any(|turnout| world.turnout_is_taken(*turnout));
        let passed = self
            .hands
            .iter()
            .filter(|hand| ours(hand))
            .all(Hand::is_passed);
        if waited.0 >= 2 * POINTS_PATIENCE.0 {
            self.note(world, What::GaveUp(self.job));
            return true;
        }
        passed
            || (free
                && self
                    .hands
                    .iter()
                    .filter(|hand| ours(hand))
                    .all(Hand::has_begun))
    }

    fn manner(&mut self, forgotten: bool) -> Manner {
        let moment = Span::from_secs_f64(self.chance.between(0.5, 2.5));
        let long = Span::from_secs_f64(self.chance.between(30.0, 75.0));
        if forgotten || self.chance.happens(self.rates.forgotten_points) {
            Manner::Forgotten(long)
        } else if self.chance.happens(self.rates.points_too_early) {
            Manner::TooEarly
        } else {
            Manner::InTime(moment)
        }
    }

    fn switch_off(&mut self, feed: FeedId, world: &mut World) {
        if self.chance.happens(self.rates.feed_left_on) {
            let length = Span::from_secs_f64(self.chance.between(60.0, 420.0));
            self.left_on.push((feed, world.now().plus(length)));
            self.note(world, What::LeftOn(feed));
        } else {
            world.switch(feed, false);
        }
    }

    fn remember_switches(&mut self, world: &mut World) {
        let now = world.now();
        self.left_on.retain(|(feed, until)| {
            if *until <= now {
                world.switch(*feed, false);
            }
            *until > now
        });
    }

    /// The tram goes up and down by itself, with a stop at each end.
    fn work_the_tram(&mut self, world: &mut World) {
        let now = world.now();
        let train = &world.trains()[self.trains.tram];
        if !train.arrived || train.vehicles.is_empty() {
            self.tram_until = self.tram_until.max(now.plus(Span::from_secs(6)));
            return;
        }
        if now < self.tram_until {
            return;
        }
        let [first, _, last] = self.places.tram;
        let out = act::leads_in(world, self.trains.tram, first);
        let order = if out {
            Order::run(200.0).until(StopAt::InBlock {
                block: last,
                short_mm: 120.0,
            })
        } else {
            let stop = StopAt::InBlock {
                block: first,
                short_mm: 120.0,
            };
            Order::run(200.0).backwards().until(stop)
        };
        world.tell(self.trains.tram, order);
    }

    fn note(&mut self, world: &World, what: What) {
        self.log.push(Entry {
            at: world.now(),
            what,
        });
    }
}
