//! A session: the world, its operator and its mishaps, stepped together.
//!
//! Inputs: a layout, a seed, settings and rates. Outputs: messages in order of arrival, the log of
//! what was done and what went wrong, the truth. It reads no clock.

use taillamp::engine::layout::Layout;
use taillamp::engine::time::{Instant, Span};

use crate::mishaps::{Mishaps, Rates};
use crate::network::Message;
use crate::operator::Operator;
use crate::operator::act::Entry;
use crate::operator::demo::Missing;
use crate::truth::Truth;
use crate::world::{STEP, Settings, World};

/// The operator looks around this often.
const LOOK: Span = Span::from_millis(50);
/// Nothing goes wrong by itself before this: the opening of the demo is certain.
const QUIET: Instant = Instant(45_000_000);

/// A session on the demo's layout.
#[derive(Clone, Debug)]
pub struct Session {
    world: World,
    operator: Operator,
    mishaps: Mishaps,
    mishap_log: Vec<Entry>,
    new_jobs: bool,
    looked: Instant,
}

impl Session {
    /// Trains on the track, power on, points normal, time zero.
    ///
    /// # Errors
    /// The first id of the demo's plan that this layout lacks.
    pub fn new(
        layout: &Layout,
        prefix: &str,
        settings: Settings,
        rates: Rates,
    ) -> Result<Self, Missing> {
        let mut world = World::new(layout, prefix, settings);
        let operator = Operator::new(&mut world, settings.seed, rates)?;
        Ok(Self {
            mishaps: Mishaps::new(settings.seed, rates, QUIET),
            mishap_log: Vec::new(),
            new_jobs: true,
            looked: Instant(0),
            world,
            operator,
        })
    }

    /// Lets one step of the world pass.
    pub fn step(&mut self) {
        if self.world.now().since(self.looked) >= LOOK {
            self.looked = self.world.now();
            self.operator.step(&mut self.world, self.new_jobs);
            self.mishaps.step(&mut self.world, &mut self.mishap_log);
        }
        self.world.step();
    }

    /// Lets time pass until `to`; the messages that arrived.
    pub fn run_to(&mut self, to: Instant) -> Vec<Message> {
        while self.world.now().plus(STEP) <= to {
            self.step();
        }
        self.world.drain()
    }

    /// Nothing more goes wrong; what is wrong is put right in its time.
    pub fn no_more_mishaps(&mut self) {
        self.mishaps.set_rates(Rates::OFF);
        self.operator.set_rates(Rates::OFF);
    }

    /// The operator ends the present job and begins no other; trains on the lines run on.
    pub const fn no_more_jobs(&mut self) {
        self.new_jobs = false;
    }

    /// No job is under way and everything that went wrong has been put right.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        self.operator.is_idle() && self.mishaps.is_over()
    }

    /// The world.
    #[must_use]
    pub const fn world(&self) -> &World {
        &self.world
    }

    /// The world, for hands other than the operator's.
    pub const fn world_mut(&mut self) -> &mut World {
        &mut self.world
    }

    /// The operator.
    #[must_use]
    pub const fn operator(&self) -> &Operator {
        &self.operator
    }

    /// What was done, forgotten, and went wrong so far, in order of time.
    #[must_use]
    pub fn log(&self) -> Vec<Entry> {
        let mut log: Vec<Entry> = self
            .operator
            .log()
            .iter()
            .chain(&self.mishap_log)
            .cloned()
            .collect();
        log.sort_by_key(|entry| entry.at);
        log
    }

    /// What is really the case: for tests only.
    #[must_use]
    pub fn truth(&self) -> Truth {
        self.world.truth()
    }
}
