//! One evening on a made layout: its messages through the engine, and what is counted.

use std::collections::{BTreeMap, BTreeSet};

use taillamp::engine::Engine;
use taillamp::engine::change::{Occupancy, TrainEvent, What};
use taillamp::engine::ids::{BlockId, DetectorId, FeedId, NodeId};
use taillamp::engine::input::{Command, Input, Reading, Word};
use taillamp::engine::layout::{Decide, FeedRest, Leg, Subject, Supply};
use taillamp::engine::snapshot::Snapshot;
use taillamp::engine::time::{Instant, Span};
use taillamp::wire::payload;
use taillamp::wire::topics::TopicTable;
use taillamp_simulator::chance::Chance;
use taillamp_simulator::detectors::{Fault as Broken, Reporting};
use taillamp_simulator::layouts::{Kind, Made, make};
use taillamp_simulator::network::Message;
use taillamp_simulator::traffic::{Slips, Traffic, put_trains};
use taillamp_simulator::world::load::Dirt;
use taillamp_simulator::world::track::{Piece, Zone};
use taillamp_simulator::world::{Settings, World};

use crate::account::Account;
use crate::hazards::Watch;
use crate::mot::{Frame, Mot, Places, score};
use crate::oracle::Oracle;
use crate::reader::Reader;

/// How often the engine's claims are compared with the truth.
const LOOK: Span = Span::from_millis(100);
/// Looks between two frames of the tracks' score.
const FRAME_LOOKS: u64 = 5;
/// Looks between two looks of those who run trains.
const HANDS_LOOKS: u64 = 2;
/// Nothing is counted before: trains are unknown at the start.
const BEGINS: Instant = Instant(20_000_000);
/// The line-up has asked what stands in dark track, and is told.
const ASKED_AT: Instant = Instant(5_000_000);
/// What goes wrong, goes wrong at this time.
const FAULT_AT: Instant = Instant(60_000_000);

/// How dirty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    Clean,
    Usual,
    Dirty,
}

impl Grade {
    pub const ALL: [Self; 3] = [Self::Clean, Self::Usual, Self::Dirty];

    pub const fn word(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Usual => "usual",
            Self::Dirty => "dirty",
        }
    }

    /// IDF1 relative to the oracle has to be at least this.
    pub const fn bar(self) -> f64 {
        match self {
            Self::Clean => 0.99,
            Self::Usual => 0.98,
            Self::Dirty => 0.95,
        }
    }

    fn settings(self, seed: u64) -> Settings {
        let mut settings = Settings::usual(seed);
        let (dirt, noise_ma) = match self {
            Self::Clean => (Dirt::CLEAN, 0.1),
            Self::Usual => (Dirt::USUAL, 0.3),
            Self::Dirty => (Dirt::DIRTY, 0.6),
        };
        settings.dirt = dirt;
        settings.detectors.noise_ma = noise_ma;
        settings.detectors.leakage_ma = 1.0;
        settings.detectors.every = Span::from_millis(100);
        settings.detectors.reporting = Reporting::Always;
        settings
    }

    /// How many cars draw nothing, and the plan's word for it.
    const fn unequipped(self) -> (f64, &'static str) {
        match self {
            Self::Usual => (0.3, "none"),
            Self::Clean | Self::Dirty => (0.0, "all"),
        }
    }
}

/// What goes wrong once in an evening.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    Nothing,
    DeadDetector,
    FeedOff,
    BrokerGone,
    BoosterTrip,
    NodeReboot,
}

impl Fault {
    pub const ALL: [Self; 6] = [
        Self::Nothing,
        Self::DeadDetector,
        Self::FeedOff,
        Self::BrokerGone,
        Self::BoosterTrip,
        Self::NodeReboot,
    ];
}

/// One evening.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    pub kind: Kind,
    pub grade: Grade,
    pub trains: usize,
    pub fault: Fault,
    pub seed: u64,
    pub seconds: u64,
    pub slips: Slips,
}

/// What came of it.
pub struct Played {
    pub case: Case,
    pub trains: usize,
    pub frames: Vec<Frame>,
    oracle_frames: Vec<Frame>,
    pub engine: Mot,
    pub oracle: Mot,
    pub watch: Watch,
    pub violations: Vec<String>,
    /// Seconds that a place was vacant with a vehicle in it that clean track would show.
    pub vacant_s: f64,
    /// The same while its device or the broker was gone and that could not be noticed yet.
    pub unheard_s: f64,
    pub travelled_m: f64,
    pub story: Vec<String>,
    pub account: Account,
}

/// What the detectors show, from the messages alone.
struct Shown {
    last_on: Vec<Option<Instant>>,
    is_on: Vec<bool>,
}

struct Evening {
    case: Case,
    made: Made,
    world: World,
    traffic: Traffic,
    engine: Engine,
    table: TopicTable,
    oracle: Oracle,
    reader: Reader,
    shown: Shown,
    numbers: BTreeMap<String, u16>,
    kept: BTreeMap<String, String>,
    broker_gone: bool,
    chance: Chance,
    dead: Option<DetectorId>,
    off: Option<FeedId>,
    tells_all: bool,
    played: Played,
}

/// Plays one evening.
pub fn play(case: Case) -> Played {
    let mut evening = Evening::new(case);
    let end = Instant(case.seconds * 1_000_000);
    let mut looks = 0;
    while evening.world.now() < end {
        if looks % HANDS_LOOKS == 0 {
            evening
                .traffic
                .step(&mut evening.world, Span(LOOK.0 * HANDS_LOOKS));
            evening.go_wrong();
        }
        evening.look();
        if evening.world.now() == ASKED_AT {
            evening.answer_for_dark_blocks();
        }
        looks += 1;
        let counted = evening.world.now() >= BEGINS;
        if counted {
            let claims = evening.engine.snapshot();
            evening.compare(&claims);
            if looks % FRAME_LOOKS == 0 {
                evening.frame(&claims);
            }
        }
        let published = evening.reader.read(&mut evening.engine);
        evening.played.account.add(&evening.engine, &published);
        if looks % FRAME_LOOKS == 0 {
            evening.reader.compare(&evening.engine);
        }
    }
    let mut played = evening.played;
    played.violations = evening.oracle.violations();
    played.violations.extend(evening.reader.stale);
    played.count();
    played
}

impl Evening {
    fn new(case: Case) -> Self {
        let (unequipped, word) = case.grade.unequipped();
        let made = make(case.kind, word).unwrap_or_else(|why| panic!("{why}"));
        let layout = &made.plan.layout;
        let mut world = World::new(
            layout,
            &made.plan.topic_prefix,
            case.grade.settings(case.seed),
        );
        let trains = put_trains(&mut world, &made, case.trains, unequipped, case.seed);
        let ids = layout.blocks.iter().map(|block| &block.id);
        let ids = ids.chain(layout.turnouts.iter().map(|turnout| &turnout.id));
        let ids = ids.chain(layout.crossings.iter().map(|crossing| &crossing.id));
        let engine = Engine::new(layout.clone(), Instant(0));
        Self {
            traffic: Traffic::new(&made, &world, case.seed, case.slips),
            reader: Reader::new(layout, &engine),
            engine,
            table: TopicTable::new(&made.plan),
            oracle: Oracle::new(layout),
            shown: Shown {
                last_on: vec![None; layout.detectors.len()],
                is_on: vec![false; layout.detectors.len()],
            },
            numbers: (0..).zip(ids).map(|(n, id)| (id.clone(), n)).collect(),
            kept: BTreeMap::new(),
            broker_gone: false,
            chance: Chance::new(case.seed, "scoring"),
            dead: None,
            off: None,
            tells_all: std::env::var("SCORING_TELL").is_ok_and(|word| word == "all"),
            played: Played {
                case,
                trains,
                frames: Vec::new(),
                oracle_frames: Vec::new(),
                engine: Mot::default(),
                oracle: Mot::default(),
                watch: Watch::default(),
                violations: Vec::new(),
                vacant_s: 0.0,
                unheard_s: 0.0,
                travelled_m: 0.0,
                story: Vec::new(),
                account: Account::default(),
            },
            case,
            made,
            world,
        }
    }

    fn look(&mut self) {
        let next = self.world.now().plus(LOOK);
        self.world.run_to(next);
        for message in self.world.drain() {
            if message.retain {
                self.kept
                    .insert(message.topic.clone(), message.payload.clone());
            }
            if !self.broker_gone {
                self.deliver(&message, false);
            }
        }
        self.engine.advance(next);
        self.tell_changes();
        let moved: f64 = self
            .world
            .trains()
            .iter()
            .map(|train| train.speed_mm_s)
            .sum();
        self.played.travelled_m += moved * LOOK.as_secs_f64() / 1000.0;
    }

    /// What the follower said, for those who look for a fault.
    fn tell_changes(&mut self) {
        for change in self.engine.drain() {
            let What::Train {
                train,
                event,
                place,
                places,
            } = change.what
            else {
                if self.tells_all {
                    let line = format!("{} {:?}", change.at, change.what);
                    self.played.story.push(line);
                }
                continue;
            };
            if matches!(event, TrainEvent::Entered | TrainEvent::Vacated) && !self.tells_all {
                continue;
            }
            let name = |place| self.engine.place_name(place).to_owned();
            let held: Vec<String> = places.into_iter().map(name).collect();
            let at = place.map(name).unwrap_or_default();
            let line = format!("{} t{} {event:?} {at} {held:?}", change.at, train.0);
            self.played.story.push(line);
        }
        let every_s = if self.tells_all { 1 } else { 20 };
        if self.world.now().0.is_multiple_of(every_s * 1_000_000) {
            let line = self.traffic.told(&self.world);
            self.played.story.push(line);
        }
    }

    fn deliver(&mut self, message: &Message, retained: bool) {
        let mut inputs = Vec::new();
        payload::decode(
            &self.table,
            &self.made.plan.layout,
            &message.topic,
            message.payload.as_bytes(),
            retained,
            &mut inputs,
        )
        .unwrap_or_else(|refusal| panic!("{}: {refusal}", message.topic));
        for input in inputs {
            self.note_shown(message.at, &input);
            self.engine.handle(message.at, input);
        }
    }

    fn note_shown(&mut self, at: Instant, input: &Input) {
        let Input::Reading(sample) = input else {
            return;
        };
        let index = sample.detector.index();
        let is_on = match (
            sample.reading,
            self.made.plan.layout.detectors[index].decide,
        ) {
            (Reading::Level(level), Decide::Threshold { on, off }) => {
                let (level, up) = (level.abs(), on > off);
                let beyond = |limit: f64| if up { level >= limit } else { level <= limit };
                let short = |limit: f64| if up { level <= limit } else { level >= limit };
                beyond(on) || (self.shown.is_on[index] && !short(off))
            }
            (Reading::Seen(seen), _) => seen,
            (Reading::Level(_), _) => false,
        };
        self.shown.is_on[index] = is_on;
        if is_on {
            self.shown.last_on[index] = Some(at);
        }
    }

    fn answer_for_dark_blocks(&mut self) {
        let claims = self.engine.snapshot();
        let now = self.world.now();
        for (index, view) in claims.blocks.iter().enumerate() {
            let block = BlockId(index as u32);
            if view.state == Occupancy::Dark && view.kept.is_none() {
                let command = if self.world.block_is_taken(block) {
                    Command::StandsHere(block.into(), None)
                } else {
                    Command::Empty(block.into())
                };
                let word = Word {
                    who: "tester".to_owned(),
                    why: "looked".to_owned(),
                };
                self.engine.handle(now, Input::Command(command, word));
            }
        }
    }

    /// The evening's fault comes and goes.
    fn go_wrong(&mut self) {
        let now = self.world.now();
        let since = now.0.checked_sub(FAULT_AT.0).map(Span);
        let Some(since) = since else { return };
        let begins = since < Span(LOOK.0 * HANDS_LOOKS);
        let layout = self.world.layout();
        match self.case.fault {
            Fault::Nothing => {}
            Fault::DeadDetector if begins => {
                let blocks: Vec<usize> = (0..layout.detectors.len())
                    .filter(|at| matches!(layout.detectors[*at].subject, Subject::Block(..)))
                    .collect();
                let dead = DetectorId(blocks[self.chance.pick(blocks.len())] as u32);
                self.world.set_fault(dead, Broken::Dead);
                self.dead = Some(dead);
            }
            Fault::FeedOff | Fault::BoosterTrip if begins => {
                let feeds: Vec<usize> = (0..layout.feeds.len())
                    .filter(|at| {
                        let feed = &layout.feeds[*at];
                        feed.rest == FeedRest::On && feed.supply == Supply::Steady
                    })
                    .collect();
                let feed = FeedId(feeds[self.chance.pick(feeds.len())] as u32);
                if self.case.fault == Fault::FeedOff {
                    self.world.switch(feed, false);
                    self.off = Some(feed);
                } else {
                    self.world.trip(feed, Span::from_secs(5));
                }
            }
            Fault::NodeReboot if begins => {
                let node = NodeId(self.chance.pick(layout.nodes.len()) as u32);
                self.world.reboot(node, Span::from_secs(5));
            }
            Fault::BrokerGone => self.work_the_broker(since),
            Fault::FeedOff | Fault::BoosterTrip | Fault::NodeReboot | Fault::DeadDetector => {}
        }
        if since >= Span::from_secs(20)
            && let Some(feed) = self.off.take()
        {
            self.world.switch(feed, true);
        }
        if since >= Span::from_secs(60)
            && let Some(dead) = self.dead.take()
        {
            self.world.set_fault(dead, Broken::None);
        }
    }

    fn work_the_broker(&mut self, since: Span) {
        let now = self.world.now();
        let gone = since < Span::from_secs(10);
        if gone == self.broker_gone {
            return;
        }
        self.broker_gone = gone;
        self.engine.handle(now, Input::Broker(!gone));
        if !gone {
            for (topic, payload) in self.kept.clone() {
                let message = Message {
                    at: now,
                    topic,
                    payload,
                    retain: true,
                };
                self.deliver(&message, true);
            }
            self.world.tell_everything();
        }
    }

    fn compare(&mut self, claims: &Snapshot) {
        let truth = self.world.truth();
        if !self.broker_gone {
            self.oracle.compare(&truth, &self.world, claims);
        }
        for (index, (view, real)) in claims.blocks.iter().zip(&truth.blocks).enumerate() {
            let inside = real
                .detectable_since
                .is_some_and(|since| truth.at.since(since) >= Span::from_millis(1_000));
            if view.state == Occupancy::Vacant && real.live && inside {
                if self.is_heard(BlockId(index as u32)) {
                    self.played.vacant_s += LOOK.as_secs_f64();
                } else {
                    self.played.unheard_s += LOOK.as_secs_f64();
                }
                let text = format!("{} {} vacant: {}", truth.at, view.id, view.why);
                self.played.story.push(text);
            }
        }
        self.played.watch.look(&self.world, claims);
    }

    /// The detectors of a block can make themselves heard, and could a moment ago.
    fn is_heard(&self, block: BlockId) -> bool {
        let detectors = self.world.layout().detectors.iter().enumerate();
        let mut of_block = detectors
            .filter(|(_, detector)| matches!(detector.subject, Subject::Block(b, _) if b == block));
        !self.broker_gone
            && of_block.all(|(index, detector)| {
                let fault = self.world.fault(DetectorId(index as u32));
                fault == Broken::None && self.world.node_speaks(detector.node)
            })
    }

    fn place(&self, piece: Piece) -> Option<u16> {
        let layout = self.world.layout();
        let watched = |subject: Subject| {
            layout
                .detectors
                .iter()
                .any(|detector| detector.subject == subject)
        };
        let id = match piece {
            Piece::Block(block) => &layout.blocks[block.index()].id,
            Piece::Turnout(turnout, _) => {
                let beams = [Leg::Toe, Leg::Normal, Leg::Reverse];
                let own = watched(Subject::Section(turnout))
                    || beams
                        .iter()
                        .all(|leg| watched(Subject::Beam(turnout, *leg)));
                if own {
                    &layout.turnouts[turnout.index()].id
                } else {
                    let Zone::Block(block) = self.world.track().turnout_zone(turnout) else {
                        return None;
                    };
                    &layout.blocks[block.index()].id
                }
            }
            Piece::Crossing(crossing, _) if watched(Subject::Crossing(crossing)) => {
                &layout.crossings[crossing.index()].id
            }
            Piece::Crossing(..) => return None,
        };
        self.numbers.get(id).copied()
    }

    /// Places that detectors show, or showed within their release time.
    fn shown_places(&self) -> Places {
        let layout = self.world.layout();
        let now = self.world.now();
        let mut places = BTreeSet::new();
        for (index, detector) in layout.detectors.iter().enumerate() {
            let (id, release) = match detector.subject {
                Subject::Block(block, _) => {
                    let block = &layout.blocks[block.index()];
                    (&block.id, block.release)
                }
                Subject::Section(turnout) | Subject::Beam(turnout, _) => (
                    &layout.turnouts[turnout.index()].id,
                    Span::from_millis(1_500),
                ),
                Subject::Crossing(crossing) => (
                    &layout.crossings[crossing.index()].id,
                    Span::from_millis(1_500),
                ),
                Subject::Edge(_) | Subject::Points(..) => continue,
            };
            let lately = self.shown.last_on[index].is_some_and(|at| now.since(at) <= release);
            if lately && let Some(number) = self.numbers.get(id) {
                places.insert(*number);
            }
        }
        places
    }

    fn frame(&mut self, claims: &Snapshot) {
        let trains = self.world.trains().iter().enumerate();
        let truth: Vec<(u32, Places)> = trains
            .filter(|(_, train)| !train.vehicles.is_empty())
            .map(|(index, train)| {
                let stretches = train.stretches();
                let places = stretches.iter().filter_map(|at| self.place(at.piece));
                (index as u32, places.collect())
            })
            .collect();
        let tracks = claims
            .trains
            .iter()
            .map(|view| {
                let number: u32 = view.id[1..].parse().expect("a train is t and a number");
                let places = view.blocks.iter().filter_map(|id| self.numbers.get(id));
                (number, places.copied().collect())
            })
            .collect();
        self.played.frames.push(Frame { truth, tracks });
        self.played.oracle_frame(&self.shown_places());
    }
}

impl Played {
    /// The oracle knows who is who, and sees what the detectors show.
    fn oracle_frame(&mut self, shown: &Places) {
        let Some(frame) = self.frames.last() else {
            return;
        };
        let seen = frame.truth.iter().filter_map(|(id, places)| {
            let seen: Places = places.intersection(shown).copied().collect();
            (!seen.is_empty()).then_some((*id, seen))
        });
        let frame = Frame {
            truth: frame.truth.clone(),
            tracks: seen.collect(),
        };
        self.oracle_frames.push(frame);
    }

    /// Counts what was collected.
    fn count(&mut self) {
        self.engine = score(&self.frames);
        self.oracle = score(&self.oracle_frames);
    }
}
