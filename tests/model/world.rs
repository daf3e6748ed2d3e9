//! What really is, what can happen, and what the engine hears of it.
//!
//! A train is two vehicles that every detector can see, in one spot or across two next to each
//! other. It goes wherever points and tables lead. Every half second of virtual time each detector
//! that can speaks; a misfortune begins at any moment, and ends at any later one.

use std::fmt::Write as _;

use taillamp_model::engine::alarm::kinds::AlarmKind;
use taillamp_model::engine::change::Clearance;
use taillamp_model::engine::ids::{FeedId, NodeId, TableId, TurnoutId};
use taillamp_model::engine::input::{Input, Position, Reading, Sample, TablePosition};
use taillamp_model::engine::snapshot::Snapshot;
use taillamp_model::engine::time::{Instant, Span};
use taillamp_model::engine::{Engine, Seeded};

use crate::site::{Gate, Kind, Site};

/// One thing that happens, and half a second after it. Spots, trains, points by number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Act {
    /// A train's leading vehicle goes on into a spot.
    Reach(usize, usize),
    /// A train across two spots is wholly in one of them.
    Gather(usize, usize),
    /// The operator throws points.
    Throw(usize),
    /// The table goes to a stop; the number of stops: it stands between.
    Turn(usize),
    /// A feed is switched, or its throttle is put to nothing or up.
    Switch(usize),
    /// A feed trips, or comes back; nobody tells.
    Trip(usize),
    /// A detector loses what stands there, or has it again.
    DropOut(usize),
    /// A detector sees what is not there, or no more.
    Ghost(usize),
    /// A detector falls silent, or speaks again.
    Mute(usize),
    /// The device goes, or comes back.
    Node,
    /// The daemon is started again, with its memory.
    Restart,
    /// Nothing, for so many half seconds.
    Wait(usize),
}

/// Half a second: how often detectors speak.
pub const TICK: Span = Span::from_millis(500);

/// Two vehicles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Train {
    pub at: [usize; 2],
    /// The spot it came from into the one it is in.
    pub from: Option<usize>,
}

impl Train {
    pub fn is_in(&self, spot: usize) -> bool {
        self.at.contains(&spot)
    }
}

/// What the world knows of one spot.
#[derive(Clone, Copy, Debug, Default)]
pub struct Eye {
    pub dropped: Option<Instant>,
    pub ghost: bool,
    pub muted: Option<Instant>,
    /// It has been unseen for longer than the place's release time, and not seen since, or nobody
    /// ever saw what is there: what the place is called meanwhile is the detector's fault.
    pub excuse_place: bool,
    /// Likewise for the points' time.
    pub excuse_points: bool,
    /// Since when something has been there, seen or not.
    pub held_since: Option<Instant>,
    /// When something was last there for the detector to see.
    pub last_on: Option<Instant>,
}

/// What the world knows of one pair of points.
#[derive(Clone, Copy, Debug)]
pub struct Blades {
    pub position: Position,
    /// A train was seen on them since they were set.
    pub used: bool,
    /// Nothing has gone wrong since they were set.
    pub clean: bool,
    /// Diverging, used, clean, and nothing on them, since then.
    pub left_since: Option<Instant>,
    /// They moved with something on them or before it was proven clear.
    pub moved_under: bool,
    /// The alarm of T2 was up.
    pub was_told: bool,
}

/// The truth.
#[derive(Clone, Debug)]
pub struct World {
    pub trains: Vec<Train>,
    pub eyes: Vec<Eye>,
    pub blades: Vec<Blades>,
    pub table: TablePosition,
    pub table_moved_under: bool,
    pub split_since: Option<Instant>,
    pub feeds: Vec<Feed>,
    pub node_down: bool,
    /// How many misfortunes there have been.
    pub misfortunes: u8,
    pub ghost_ever: bool,
    /// Anything but trains that run and points that are thrown with nobody near.
    pub disturbed: bool,
}

#[derive(Clone, Copy, Debug)]
pub struct Feed {
    pub on: bool,
    pub tripped: bool,
    /// When it last went, or came on or back.
    pub since: Instant,
    /// Two of its places or more lost their current when it tripped: B10 can tell.
    pub tells: bool,
}

/// The engine in its world.
#[derive(Clone)]
pub struct Play {
    pub engine: Engine,
    pub world: World,
    pub now: Instant,
    /// Which promises are broken.
    pub broken: u32,
    /// What was come across in the last act.
    pub seen: u32,
    /// Everything that happened, for people, where that is asked for.
    pub log: Option<String>,
}

impl World {
    fn new(site: &Site) -> Self {
        let train = |spot: &usize| Train {
            at: [*spot, *spot],
            from: None,
        };
        let blades = Blades {
            position: Position::Normal,
            used: false,
            clean: true,
            left_since: None,
            moved_under: false,
            was_told: false,
        };
        let feed = Feed {
            on: true,
            tripped: false,
            since: Instant(0),
            tells: false,
        };
        Self {
            trains: site.trains.iter().map(train).collect(),
            eyes: vec![Eye::default(); site.spots.len()],
            blades: vec![blades; site.layout.turnouts.len()],
            table: TablePosition::At(0),
            table_moved_under: false,
            split_since: None,
            feeds: vec![feed; site.layout.feeds.len()],
            node_down: false,
            misfortunes: 0,
            ghost_ever: false,
            disturbed: false,
        }
    }

    pub fn holds_vehicle(&self, spot: usize) -> bool {
        self.trains.iter().any(|train| train.is_in(spot))
    }

    pub fn is_powered(&self, site: &Site, spot: usize) -> bool {
        site.spots[spot]
            .feed
            .is_none_or(|feed| self.feeds[feed].on && !self.feeds[feed].tripped)
    }

    /// The detector speaks at all.
    pub fn speaks(&self, site: &Site, spot: usize) -> bool {
        self.eyes[spot].muted.is_none() && !(self.node_down && site.spots[spot].on_node)
    }

    /// What the detector reads, in milliampere.
    fn reads(&self, site: &Site, spot: usize) -> f64 {
        let eye = &self.eyes[spot];
        let there = self.holds_vehicle(spot) && eye.dropped.is_none();
        match (self.is_powered(site, spot), there || eye.ghost) {
            (true, true) => 12.0,
            (true, false) => 0.2,
            // A ghost is a bridged gap: it does not ask for the feed.
            (false, _) if eye.ghost => 12.0,
            (false, _) => 0.0,
        }
    }

    pub fn sees(&self, site: &Site, spot: usize) -> bool {
        self.reads(site, spot) > 3.0
    }

    fn is_open(&self, gate: Gate) -> bool {
        match gate {
            Gate::Open => true,
            Gate::Points(points, position) => self.blades[points].position == position,
            Gate::Both(one, other) => [one, other]
                .iter()
                .all(|points| self.blades[*points].position == Position::Reverse),
            Gate::Stop(stop) => self.table == TablePosition::At(stop),
        }
    }

    /// Whether a train wholly in `at` can go on into `to`.
    pub fn can_reach(&self, site: &Site, train: &Train, at: usize, to: usize) -> bool {
        let Some(way) = site.way(at, to) else {
            return false;
        };
        if !self.is_open(way.gate) || !self.is_powered(site, at) {
            return false;
        }
        // Through points it is toe to leg or leg to toe, never leg to leg.
        let is_points = matches!(site.spots[at].kind, Kind::Points(_));
        let came_by_toe = train
            .from
            .and_then(|from| site.way(from, at))
            .is_none_or(|way| way.gate == Gate::Open);
        !is_points || way.gate == Gate::Open || came_by_toe || train.from == Some(to)
    }

    /// Everything that can happen now.
    pub fn acts(&self, site: &Site, most: u8) -> Vec<Act> {
        let mut acts = vec![Act::Wait(4), Act::Wait(22)];
        for (number, train) in self.trains.iter().enumerate() {
            let [one, other] = train.at;
            if one == other {
                let near = site.next_to(one);
                let reach = near.filter(|to| self.can_reach(site, train, one, *to));
                acts.extend(reach.map(|to| Act::Reach(number, to)));
            } else if site
                .way(one, other)
                .is_some_and(|way| self.is_open(way.gate))
                && (self.is_powered(site, one) || self.is_powered(site, other))
            {
                acts.extend([Act::Gather(number, one), Act::Gather(number, other)]);
            }
        }
        acts.extend((0..self.blades.len()).map(Act::Throw));
        if let Some((_, stops)) = site.table {
            let here = match self.table {
                TablePosition::At(stop) => stop,
                TablePosition::Between | TablePosition::Unknown => stops,
            };
            acts.extend((0..=stops).filter(|stop| *stop != here).map(Act::Turn));
        }
        self.misfortunes(site, most, &mut acts);
        acts
    }

    fn misfortunes(&self, site: &Site, most: u8, acts: &mut Vec<Act>) {
        let may = self.misfortunes < most;
        for (number, feed) in self.feeds.iter().enumerate() {
            if may || !feed.on {
                acts.push(Act::Switch(number));
            }
            if feed.on && (may || feed.tripped) {
                acts.push(Act::Trip(number));
            }
        }
        for (spot, eye) in self.eyes.iter().enumerate() {
            if eye.dropped.is_some() || (may && self.sees(site, spot) && !eye.ghost) {
                acts.push(Act::DropOut(spot));
            }
            if eye.ghost || (may && !self.holds_vehicle(spot)) {
                acts.push(Act::Ghost(spot));
            }
            if eye.muted.is_some() || may {
                acts.push(Act::Mute(spot));
            }
        }
        if may || self.node_down {
            acts.push(Act::Node);
        }
        if may {
            acts.push(Act::Restart);
        }
    }

    /// Something goes wrong, or a misfortune ends.
    fn begin(&mut self, begins: bool) {
        self.misfortunes += u8::from(begins);
        self.upset();
    }

    fn upset(&mut self) {
        self.disturbed = true;
        for blades in &mut self.blades {
            blades.clean = false;
        }
    }
}

impl Play {
    /// The start: everything was told once, and the layout has come to rest.
    pub fn new(site: &Site, seeded: Option<Seeded>) -> Self {
        let mut engine = Engine::new(site.layout.clone(), Instant(0));
        engine.seed(seeded);
        let mut play = Self {
            engine,
            world: World::new(site),
            now: Instant(0),
            broken: 0,
            seen: 0,
            log: None,
        };
        play.tell_everything(site);
        // T3's time is left out of the beginning: sixty seconds see every new train off the list.
        play.pass(site, 140);
        play.watch(site);
        play.engine.drain();
        play
    }

    /// What a broker keeps, told again after a start.
    pub fn tell_everything(&mut self, site: &Site) {
        self.engine
            .handle(self.now, Input::Node(NodeId(0), !self.world.node_down));
        for feed in 0..self.world.feeds.len() {
            self.tell_feed(site, feed);
        }
        for points in 0..self.world.blades.len() {
            let position = self.world.blades[points].position;
            let id = TurnoutId(points as u32);
            self.engine.handle(self.now, Input::Position(id, position));
        }
        if site.table.is_some() {
            let table = Input::TablePosition(TableId(0), self.world.table);
            self.engine.handle(self.now, table);
        }
    }

    fn tell_feed(&mut self, site: &Site, feed: usize) {
        let on = self.world.feeds[feed].on;
        let id = FeedId(feed as u32);
        let input = if site.throttle == Some(feed) {
            Input::FeedVoltage(id, if on { 11.0 } else { 0.0 })
        } else {
            Input::FeedSwitch(id, on)
        };
        self.engine.handle(self.now, input);
    }

    /// Lets time pass; every detector that can speaks each half second.
    pub fn pass(&mut self, site: &Site, ticks: usize) {
        for _ in 0..ticks {
            self.speak(site);
            self.now = self.now.plus(TICK);
            self.engine.advance(self.now);
        }
        self.engine.touched();
    }

    pub fn speak(&mut self, site: &Site) {
        for spot in 0..site.spots.len() {
            if !self.world.speaks(site, spot) {
                continue;
            }
            let sample = Sample {
                detector: site.spots[spot].detector,
                reading: Reading::Level(self.world.reads(site, spot)),
                own_time: None,
                update_within: None,
                retained: false,
            };
            self.engine.handle(self.now, Input::Reading(sample));
        }
    }

    /// One act and what follows.
    pub fn act(&mut self, site: &Site, act: Act, seeded: Option<Seeded>) {
        let before = self.engine.snapshot();
        self.seen = 0;
        if let Some(log) = &mut self.log {
            let _ = writeln!(log, "  {} {act:?}", self.now);
        }
        let mut ticks = 1;
        match act {
            Act::Reach(train, to) => {
                let train = &mut self.world.trains[train];
                train.from = None;
                train.at[1] = to;
            }
            Act::Gather(train, to) => {
                let train = &mut self.world.trains[train];
                let left = train.at[usize::from(train.at[0] == to)];
                *train = Train {
                    at: [to, to],
                    from: Some(left),
                };
            }
            Act::Throw(points) => self.throw(site, points, &before),
            Act::Turn(to) => self.turn(site, to),
            Act::Wait(long) => ticks = long,
            Act::Restart => {
                self.world.begin(true);
                // What was waited for is waited for anew.
                let told = before
                    .alarms
                    .iter()
                    .any(|it| it.kind == AlarmKind::CrossoverSplit);
                let now = self.now;
                let split = &mut self.world.split_since;
                *split = split.map(|since| if told { since } else { now });
                let memory = self.engine.memory();
                self.engine = Engine::recall(site.layout.clone(), self.now, &memory);
                self.engine.seed(seeded);
                self.tell_everything(site);
            }
            Act::Node => {
                self.world.begin(!self.world.node_down);
                self.world.node_down = !self.world.node_down;
                let online = !self.world.node_down;
                self.engine.handle(self.now, Input::Node(NodeId(0), online));
            }
            Act::Switch(_) | Act::Trip(_) | Act::DropOut(_) | Act::Ghost(_) | Act::Mute(_) => {
                self.misfortune(site, act);
            }
        }
        for left in (0..ticks).rev() {
            self.pass(site, 1);
            self.watch(site);
            let changes = self.engine.drain();
            if let Some(log) = &mut self.log {
                for change in &changes {
                    let _ = writeln!(log, "    {} {:?}", change.at, change.what);
                }
            }
            if !changes.is_empty() || left == 0 {
                self.judge(site);
            }
        }
    }

    fn misfortune(&mut self, site: &Site, act: Act) {
        let now = self.now;
        let tells = matches!(act, Act::Trip(feed) if self.trip_tells(site, feed));
        let world = &mut self.world;
        world.begin(match act {
            Act::Switch(feed) => world.feeds[feed].on,
            Act::Trip(feed) => !world.feeds[feed].tripped,
            Act::DropOut(spot) => world.eyes[spot].dropped.is_none(),
            Act::Ghost(spot) => !world.eyes[spot].ghost,
            _ => matches!(act, Act::Mute(spot) if world.eyes[spot].muted.is_none()),
        });
        let toggle = |since: &mut Option<Instant>| *since = since.is_none().then_some(now);
        match act {
            Act::Switch(feed) => {
                world.feeds[feed].on = !world.feeds[feed].on;
                world.feeds[feed].tripped = false;
                world.feeds[feed].since = now;
                self.tell_feed(site, feed);
            }
            Act::Trip(feed) => {
                world.feeds[feed].tripped = !world.feeds[feed].tripped;
                world.feeds[feed].since = now;
                world.feeds[feed].tells = tells;
            }
            Act::DropOut(spot) => toggle(&mut world.eyes[spot].dropped),
            Act::Ghost(spot) => {
                world.eyes[spot].ghost = !world.eyes[spot].ghost;
                world.ghost_ever = true;
            }
            Act::Mute(spot) => toggle(&mut world.eyes[spot].muted),
            _ => {}
        }
    }

    /// B10 can tell a trip now: two places or more lose their current, and nothing that was on a
    /// moment ago stays on, fell silent or went off before. Where the feed has only just come on
    /// no place is occupied yet: what was heard while it settles decides nothing (B7).
    fn trip_tells(&self, site: &Site, feed: usize) -> bool {
        let lately = |spot: &usize| {
            let on = self.world.eyes[*spot].last_on;
            on.is_some_and(|at| self.now.since(at) <= Span::from_millis(4_500))
        };
        let supplied = |spot: &usize| site.spots[*spot].feed == Some(feed);
        let lit: Vec<usize> = (0..site.spots.len())
            .filter(supplied)
            .filter(lately)
            .collect();
        let goes = |spot: &usize| {
            self.world.sees(site, *spot)
                && self.world.speaks(site, *spot)
                && !self.world.eyes[*spot].ghost
        };
        let settles = self.now.since(self.world.feeds[feed].since) <= TICK;
        !settles && lit.len() > 1 && lit.iter().all(goes)
    }

    /// Points are thrown, whatever stands on them: that is a cause of T4's alarm.
    fn throw(&mut self, site: &Site, points: usize, before: &Snapshot) {
        let spot = site.points_spot(points);
        let clear = site.layout.turnouts[points].clear.plus_tick();
        let lately = self.world.eyes[spot]
            .last_on
            .is_some_and(|at| self.now.since(at) <= clear);
        let unsure = before.turnouts[points].state == Clearance::Fouled;
        let near = self.world.holds_vehicle(spot) || lately || unsure;
        let blades = &mut self.world.blades[points];
        blades.position = if blades.position == Position::Normal {
            Position::Reverse
        } else {
            Position::Normal
        };
        blades.moved_under |= near;
        blades.used = false;
        blades.left_since = None;
        blades.clean = !self.world.disturbed;
        let position = blades.position;
        if near {
            self.world.upset();
        }
        let id = TurnoutId(points as u32);
        self.engine.handle(self.now, Input::Position(id, position));
    }

    /// The table is turned, whatever stands across its edge.
    fn turn(&mut self, site: &Site, to: usize) {
        let Some((bridge, stops)) = site.table else {
            return;
        };
        self.world.table = if to < stops {
            TablePosition::At(to)
        } else {
            TablePosition::Between
        };
        let across = |train: &Train| train.is_in(bridge) && train.at[0] != train.at[1];
        if self.world.trains.iter().any(across) {
            self.world.upset();
            self.world.table_moved_under = true;
        }
        // A train that the engine believes to be across it, for a while longer.
        let lately = |spot: usize| {
            self.world.eyes[spot]
                .last_on
                .is_some_and(|at| self.now.since(at) <= Span::from_secs(3))
        };
        if lately(bridge) && site.next_to(bridge).any(lately) {
            self.world.table_moved_under = true;
        }
        let table = Input::TablePosition(TableId(0), self.world.table);
        self.engine.handle(self.now, table);
    }
}

/// A little longer than the plan's time: what half seconds cannot tell apart.
trait PlusTick {
    fn plus_tick(self) -> Self;
}

impl PlusTick for Span {
    fn plus_tick(self) -> Self {
        Self(self.0 + 2 * TICK.0)
    }
}
