//! The decisions of taillamp: time and messages in, changes out.
//!
//! `no_std`: a clock, a socket, a file or a randomly ordered map cannot be named here. The shell
//! calls [`Engine::handle`] for every input and [`Engine::advance`] when the deadline of
//! [`Engine::next_deadline`] has come, and drains what changed after each. The same inputs at the
//! same times give the same changes, byte for byte.
//!
//! One instant runs through the stages in one order: feed and node, detector, place, turnout and
//! table, train, road ahead, alarm; inside a stage by id (DEVELOPERS.md, section 7).
#![no_std]
// What comes from outside must not end the program.
#![cfg_attr(
    not(test),
    warn(clippy::expect_used, clippy::panic, clippy::unreachable)
)]

extern crate alloc;

mod ahead;
pub mod alarm;
mod border;
pub mod change;
mod command;
mod detector;
mod driven;
mod evidence;
mod feed;
#[cfg(feature = "model")]
mod fingerprint;
pub mod ids;
pub mod input;
pub mod layout;
mod light;
mod line_up;
pub mod memory;
mod place;
mod power;
mod recall;
mod seeded;
pub mod snapshot;
mod table;
pub mod time;
mod timers;
mod track;
mod train;
mod turnout;
mod views;
pub mod ways;
mod wording;

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;

use ahead::{Lookouts, Outlook, Warnings};
use alarm::Desk;
use border::Borders;
use change::{Change, Item, What};
use detector::DetectorState;
pub use detector::{Promise, SequentialTest, promise, until_on};
use evidence::NodeState;
use feed::FeedState;
use ids::{DetectorId, PlaceId, TrainId, TurnoutId};
use input::{Input, Outcome};
use layout::Layout;
use place::{PlaceEvent, PlaceState};
use table::TableMemory;
use time::Instant;
use timers::{Subject, Timers, Worklist};
use track::{Points, Track};
use train::Train;
use train::follow::Claim;
use turnout::{CrossoverState, TurnoutState};

#[cfg(feature = "model")]
pub use seeded::Seeded;
pub use views::View;

/// A round is the stages once through. What the follower tells the places needs a second one,
/// routed power a third, and each place of a long train its own; more is a broken invariant.
const ROUNDS_MAX: usize = 16;

/// The engine: one layout, one owner, one order of events.
#[cfg_attr(feature = "model", derive(Clone))]
pub struct Engine {
    layout: Arc<Layout>,
    track: Track,
    start: Instant,
    now: Instant,
    timers: Timers,
    points: Points,

    broker: bool,
    broker_lost_at: Option<Instant>,
    /// Since when messages can come without a break: silence before that proves nothing.
    listening_since: Instant,
    /// Until then silence raises nothing.
    quiet_until: Instant,
    nodes: Vec<NodeState>,
    borders: Borders,
    feeds: Vec<FeedState>,
    detectors: Vec<DetectorState>,
    places: Vec<PlaceState>,
    turnouts: Vec<TurnoutState>,
    crossovers: Vec<CrossoverState>,
    tables: Vec<TableMemory>,
    trains: BTreeMap<TrainId, Train>,
    next_train: u32,
    desk: Desk,
    /// Whether anybody would hear an announcement; `None`: nobody has told.
    heard: Option<bool>,
    shown_health: Vec<change::Health>,
    /// The last step of the room's light.
    ambient: Option<detector::room_light::Step>,
    /// B10: places whose current went in this pass.
    recent_losses: Vec<PlaceId>,

    /// For each feed the places it supplies; for each place the turnouts that look at it; for each
    /// turnout the places around it.
    feed_places: Vec<Vec<PlaceId>>,
    watchers: Vec<Vec<TurnoutId>>,
    around: Vec<Vec<PlaceId>>,

    /// Whose time has come; empty between two moments, kept for its room.
    due: Vec<Subject>,
    dirty: Dirty,
    place_events: Vec<PlaceEvent>,
    due_trains: Vec<TrainId>,
    found_elsewhere: Vec<(TrainId, PlaceId)>,
    failure_just_ended: bool,
    another_round: bool,
    lookouts: Lookouts,
    outlooks: BTreeMap<TrainId, Outlook>,

    claims: Vec<Claim>,
    /// Places that came on just now (`coupled`).
    lit_lately: Vec<(PlaceId, Instant)>,
    shown: BTreeMap<TrainId, Vec<PlaceId>>,
    unannounced: Vec<(TrainId, PlaceId)>,
    parted: Vec<(TrainId, TrainId)>,
    warnings: Warnings,

    changes: Vec<Change>,
    touched: BTreeSet<Item>,
    /// A fault put in for the model checker to find; no normal build has it.
    #[cfg(feature = "model")]
    seeded: Option<Seeded>,
}

/// What must be looked at in this pass.
#[derive(Clone, Debug, Default)]
struct Dirty {
    feeds: Worklist,
    places: Worklist,
    turnouts: Worklist,
    tables: Worklist,
    crossovers: Worklist,
}

impl Dirty {
    fn new(layout: &Layout, places: usize) -> Self {
        Self {
            feeds: Worklist::new(layout.feeds.len()),
            places: Worklist::new(places),
            turnouts: Worklist::new(layout.turnouts.len()),
            tables: Worklist::new(layout.tables.len()),
            crossovers: Worklist::new(layout.crossovers.len()),
        }
    }

    fn is_empty(&self) -> bool {
        self.feeds.is_empty()
            && self.places.is_empty()
            && self.turnouts.is_empty()
            && self.tables.is_empty()
            && self.crossovers.is_empty()
    }
}

impl Engine {
    /// A fresh engine: everything is unknown at `at` (B1).
    #[must_use]
    pub fn new(layout: impl Into<Arc<Layout>>, at: Instant) -> Self {
        let layout = layout.into();
        let track = Track::new(&layout);
        let places = track.places.len();
        let mut engine = Self {
            start: at,
            now: at,
            timers: Timers::default(),
            points: Points {
                turnouts: alloc::vec![input::Position::Unknown; layout.turnouts.len()],
                tables: alloc::vec![input::TablePosition::Unknown; layout.tables.len()],
            },
            broker: true,
            broker_lost_at: None,
            listening_since: at,
            quiet_until: at.plus(layout.settings.boot),
            borders: Borders::new(&layout),
            nodes: layout.nodes.iter().map(|_| NodeState::default()).collect(),
            feeds: layout.feeds.iter().map(|_| FeedState::new(at)).collect(),
            detectors: layout
                .detectors
                .iter()
                .map(|detector| DetectorState::new(detector, at))
                .collect(),
            places: (0..places).map(|_| PlaceState::new(at)).collect(),
            turnouts: (0..layout.turnouts.len())
                .map(|index| TurnoutState::new(track.turnout(TurnoutId(index as u32)), at))
                .collect(),
            crossovers: alloc::vec![CrossoverState::default(); layout.crossovers.len()],
            tables: alloc::vec![TableMemory::default(); layout.tables.len()],
            trains: BTreeMap::new(),
            next_train: 0,
            desk: Desk::new(at),
            heard: None,
            shown_health: alloc::vec![change::Health::Ok; layout.detectors.len()],
            ambient: None,
            recent_losses: Vec::new(),
            feed_places: Vec::new(),
            watchers: alloc::vec![Vec::new(); places],
            around: Vec::new(),
            due: Vec::new(),
            dirty: Dirty::new(&layout, places),
            place_events: Vec::new(),
            due_trains: Vec::new(),
            found_elsewhere: Vec::new(),
            failure_just_ended: false,
            another_round: false,
            lookouts: Lookouts::new(&layout, places),
            outlooks: BTreeMap::new(),
            claims: Vec::new(),
            lit_lately: Vec::new(),
            shown: BTreeMap::new(),
            unannounced: Vec::new(),
            parted: Vec::new(),
            warnings: Warnings::default(),
            changes: Vec::new(),
            touched: BTreeSet::new(),
            #[cfg(feature = "model")]
            seeded: None,
            layout,
            track,
        };
        engine.wire();
        engine.mark_everything();
        engine.run();
        engine
    }

    /// Ties the items to each other, once.
    fn wire(&mut self) {
        self.wire_turnouts();
        self.wire_places();
        self.wire_tables();
        self.wire_nodes();
        self.wake_detectors();
    }

    fn mark_everything(&mut self) {
        for feed in 0..self.feeds.len() {
            self.dirty.feeds.mark(feed);
        }
        for place in 0..self.places.len() {
            self.dirty.places.mark(place);
        }
        for turnout in 0..self.turnouts.len() {
            self.dirty.turnouts.mark(turnout);
        }
        for table in 0..self.tables.len() {
            self.dirty.tables.mark(table);
        }
    }

    /// Lets time run to `at` (due timers fire first, each at its own time), then takes one input.
    /// A time that goes back is taken as the present.
    pub fn handle(&mut self, at: Instant, input: Input) -> Outcome {
        self.advance(at);
        let outcome = match input {
            Input::Reading(sample) => {
                // The hot path: a sample that moves nothing runs through no stage.
                let (outcome, moved) = self.take_sample(&sample);
                if !moved {
                    return outcome;
                }
                outcome
            }
            Input::Position(turnout, position) => self.hear_position(turnout, position),
            Input::TablePosition(table, position) => {
                self.report_table(table, position);
                Outcome::Taken
            }
            Input::Asked(turnout, position) => self.hear_asked(turnout, position),
            Input::TableAsked(table, position) => {
                self.ask_table(table, position);
                Outcome::Taken
            }
            Input::FeedSwitch(feed, on) => self.hear_switch(feed, on),
            Input::FeedVoltage(feed, volts) => self.hear_voltage(feed, volts),
            Input::Node(node, online) => self.hear_node(node, online),
            Input::Peer(word) => self.hear_peer(*word),
            Input::Broker(back) => self.hear_broker(back),
            Input::Journal(well) => self.hear_journal(well),
            Input::Command(command, word) => self.obey(command, &word),
            Input::Heard(heard) => {
                self.heard = Some(heard);
                return Outcome::Taken;
            }
            Input::Tick => return Outcome::Taken,
        };
        self.run();
        outcome
    }

    /// Lets time run to `to`: every timer due at or before it fires, each at its own time, those of
    /// one deadline in one pass.
    pub fn advance(&mut self, to: Instant) {
        while let Some((due, _)) = self.timers.next() {
            if due > to {
                break;
            }
            self.now = self.now.max(due);
            let mut needed = false;
            let mut subjects = core::mem::take(&mut self.due);
            self.timers.take_at(due, &mut subjects);
            for subject in subjects.drain(..) {
                needed |= self.wake(subject);
            }
            self.due = subjects;
            if needed {
                self.run();
            }
        }
        self.now = self.now.max(to);
    }

    /// Looks at a subject whose time has come; tells whether the stages have to run. A detector
    /// that was heard in the meantime only sets its wake-up anew, and that is nearly all of them.
    fn wake(&mut self, subject: Subject) -> bool {
        match subject {
            Subject::Broker => self.look_at_broker(),
            Subject::Feed(feed) => self.dirty.feeds.mark(feed.index()),
            Subject::Detector(detector) => return self.look_at_detector(detector),
            Subject::Place(place) => {
                self.look_at_bridged(place);
                self.dirty.places.mark(place.index());
            }
            Subject::Turnout(turnout) => self.dirty.turnouts.mark(turnout.index()),
            Subject::Table(table) => self.dirty.tables.mark(table.index()),
            Subject::Train(train) => self.due_trains.push(train),
            Subject::Alarms => {}
        }
        true
    }

    /// All stages, until nothing is left to be looked at.
    fn run(&mut self) {
        for round in 0.. {
            // A train's places may go one after the other, a round each: rubbish makes long trains.
            let rounds_max = ROUNDS_MAX + self.places.len();
            debug_assert!(round < rounds_max, "the stages do not come to rest");
            if round >= rounds_max {
                // What is left is still marked, and looked at with the next input.
                break;
            }
            self.another_round = false;
            self.stage_power();
            self.stage_places();
            self.stage_turnouts();
            self.stage_tables();
            self.stage_crossovers();
            self.stage_trains();
            self.settle_found();
            let at_rest = self.dirty.is_empty()
                && self.place_events.is_empty()
                && self.due_trains.is_empty()
                && !self.another_round;
            if at_rest {
                break;
            }
        }
        self.failure_just_ended = false;
        self.look_at_parted();
        self.stage_ahead();
        self.stage_alarms();
        self.number_word();
    }

    /// When the next timer is due and what for; `None` when nothing is waiting.
    #[must_use]
    pub fn next_deadline(&self) -> Option<(Instant, &'static str)> {
        self.timers.next().map(|(at, subject)| (at, subject.word()))
    }

    /// The changes since the last call, in order: what a replay prints.
    pub fn drain(&mut self) -> Vec<Change> {
        core::mem::take(&mut self.changes)
    }

    /// Whether anything has changed since the last [`Self::drain`].
    #[must_use]
    pub fn has_changes(&self) -> bool {
        !self.changes.is_empty()
    }

    /// The items whose published record may have changed since the last call, each once, sorted.
    /// Readings alone (no change of evidence or health) are not listed.
    pub fn touched(&mut self) -> Vec<Item> {
        core::mem::take(&mut self.touched).into_iter().collect()
    }

    /// The present.
    #[must_use]
    pub fn now(&self) -> Instant {
        self.now
    }

    /// The layout.
    #[must_use]
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// The written id of a place.
    #[must_use]
    pub fn place_name(&self, place: PlaceId) -> &str {
        self.track
            .places
            .get(place.index())
            .map_or("", |place| &place.id)
    }

    /// The train that goes by this written id (`t1`).
    #[must_use]
    pub fn train_by_name(&self, id: &str) -> Option<TrainId> {
        let number: u32 = id.strip_prefix('t')?.parse().ok()?;
        Some(TrainId(number)).filter(|train| self.trains.contains_key(train))
    }

    /// A train's written id.
    #[must_use]
    pub fn train_name(&self, train: TrainId) -> String {
        alloc::format!("t{}", train.0)
    }

    /// What people call a train: its name, or its id.
    fn train_label(&self, train: TrainId) -> String {
        self.train(train)
            .and_then(|train| train.name.clone())
            .unwrap_or_else(|| alloc::format!("Train {}", train.0))
    }

    fn emit(&mut self, what: What) {
        self.changes.push(Change { at: self.now, what });
    }

    /// Samples of a detector that were dropped: late, implausible.
    #[must_use]
    pub fn dropped(&self, detector: DetectorId) -> (u64, u64) {
        let state = &self.detectors[detector.index()];
        (state.more.late, state.more.implausible)
    }
}

/// Only the present: the rest is what [`Engine::snapshot`] is for.
impl core::fmt::Debug for Engine {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Engine")
            .field("now", &self.now)
            .finish_non_exhaustive()
    }
}
