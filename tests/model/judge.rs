//! What must hold in every state, said of the truth and of what the engine tells.
//!
//! The promises are those of behaviour.md's rules, not their code: nothing here knows how the
//! engine decides. What cannot be promised is named in [`Play::watch`]: a detector that loses a
//! vehicle for longer than the time that the plan gives it, or that does not speak and was not
//! missed yet.

use taillamp_model::engine::alarm::kinds::AlarmKind;
use taillamp_model::engine::change::{Clearance, Kept, Occupancy, TableState};
use taillamp_model::engine::input::{Command, Input, Position, Spot, TablePosition, Word};
use taillamp_model::engine::snapshot::{AlarmView, BlockView, Snapshot};
use taillamp_model::engine::time::{Instant, Span};

use crate::site::{self, Kind, Site};
use crate::world::{Act, Play, TICK, Train};

/// What must hold, by number: bits of [`Play::broken`].
pub const PROMISES: [&str; 9] = [
    "a place that holds a vehicle is never vacant",
    "points with a vehicle on them are never free, awaiting, cleared or left diverging",
    "no train is forgotten",
    "points left diverging are told, and missing data does not end it",
    "no alarm without cause",
    "every alarm returns",
    "undisturbed trains are neither lost nor made",
    "a split crossover is told",
    "a table with a train across its edge is not free",
];

/// What a search has to come across, by number: bits of [`Play::seen`].
pub const SIGHTS: [&str; 7] = [
    "a train is lost",
    "dark track keeps what it held",
    "points are left diverging",
    "a feed has failed",
    "points have moved under a train",
    "a detector is missed",
    "a crossover is split",
];

const NOT_VACANT: u32 = 0;
const NOT_CLEAR: u32 = 1;
const NOT_FORGOTTEN: u32 = 2;
const LEFT_IS_TOLD: u32 = 3;
const HAS_CAUSE: u32 = 4;
pub const RETURNS: u32 = 5;
const COUNTED: u32 = 6;
const SPLIT_IS_TOLD: u32 = 7;
const TABLE_NOT_FREE: u32 = 8;

fn release(site: &Site, spot: usize) -> Span {
    match site.spots[spot].kind {
        Kind::Block(block) => site.layout.blocks[block.index()].release,
        Kind::Points(turnout) => site.layout.turnouts[turnout.index()].release,
    }
}

/// Nothing says that something is there, or may be.
fn is_clear(site: &Site, told: &Snapshot, spot: usize) -> bool {
    match site.spots[spot].kind {
        Kind::Block(block) => told.blocks[block.index()].state == Occupancy::Vacant,
        Kind::Points(turnout) => !matches!(
            told.turnouts[turnout.index()].state,
            Clearance::Fouled | Clearance::Unknown
        ),
    }
}

fn is_up(told: &Snapshot, kind: AlarmKind, subject: &str) -> bool {
    told.alarms
        .iter()
        .any(|alarm| alarm.active && alarm.kind == kind && alarm.subject == subject)
}

/// What is come across, as [`SIGHTS`] has it.
fn sights(told: &Snapshot) -> u32 {
    let any = |kind: AlarmKind| told.alarms.iter().any(|it| it.active && it.kind == kind);
    let dark =
        |block: &BlockView| block.state == Occupancy::Dark && block.kept == Some(Kept::Occupied);
    let sights = [
        any(AlarmKind::TrainLost),
        told.blocks.iter().any(dark),
        any(AlarmKind::LeftDiverging),
        any(AlarmKind::PowerLost),
        any(AlarmKind::MovedUnderTrain),
        any(AlarmKind::DetectorFault),
        any(AlarmKind::CrossoverSplit),
    ];
    let bit = |(number, seen): (usize, &bool)| u32::from(*seen) << number;
    sights.iter().enumerate().map(bit).sum()
}

impl Play {
    /// Notes what the world will be asked for later.
    pub fn watch(&mut self, site: &Site) {
        let now = self.now;
        for (spot, of) in site.spots.iter().enumerate() {
            if let (true, Some(feed)) = (self.world.eyes[spot].ghost, of.feed) {
                self.world.feeds[feed].tells = false;
            }
        }
        for spot in 0..site.spots.len() {
            let seen = self.world.sees(site, spot) && self.world.speaks(site, spot);
            let held = self.world.holds_vehicle(spot);
            let feed = site.spots[spot].feed.map(|feed| self.world.feeds[feed]);
            // A trip that one place alone feels looks like the loss of one vehicle; and where a
            // current comes from elsewhere, the power seems to be back.
            let tripped = feed.filter(|feed| feed.tripped && !feed.tells);
            let eye = &mut self.world.eyes[spot];
            eye.held_since = held.then(|| eye.held_since.unwrap_or(now));
            let is_lost = eye.dropped.is_some() || tripped.is_some();
            let lost_for = is_lost.then(|| now.since(eye.last_on.unwrap_or(now)));
            // A place may be released at its time, points only after it.
            eye.excuse_place |= lost_for.is_some_and(|long| long >= release(site, spot));
            eye.excuse_points |= lost_for.is_some_and(|long| long > Span::from_secs(5));
            let never_seen = lost_for.is_some() && eye.held_since > eye.last_on;
            eye.excuse_place |= never_seen;
            eye.excuse_points |= never_seen;
            if seen {
                eye.excuse_place = false;
                eye.excuse_points = false;
                eye.last_on = Some(now);
            }
        }
        for points in 0..self.world.blades.len() {
            let spot = site.points_spot(points);
            let lit = self.world.eyes[spot].last_on == Some(now);
            let held = self.world.holds_vehicle(spot);
            let blades = &mut self.world.blades[points];
            blades.used |= lit;
            let left = blades.position == Position::Reverse && blades.used && blades.clean;
            if left && !lit && !held {
                blades.left_since.get_or_insert(now);
            } else {
                blades.left_since = None;
            }
        }
        let differ = self
            .world
            .blades
            .windows(2)
            .any(|pair| pair[0].position != pair[1].position);
        if differ {
            self.world.split_since.get_or_insert(now);
        } else {
            self.world.split_since = None;
        }
    }

    /// The detector does not speak, and is not missed yet.
    fn is_not_missed(&self, spot: usize) -> bool {
        self.world.eyes[spot]
            .muted
            .is_some_and(|since| self.now.since(since) <= Span::from_millis(4_500))
    }

    pub fn judge(&mut self, site: &Site) {
        let told = self.engine.snapshot();
        let mut broken = 0_u32;
        let mut promise = |number: u32, kept: bool| broken |= u32::from(!kept) << number;
        for (spot, eye) in self.world.eyes.iter().enumerate() {
            let held = self.world.holds_vehicle(spot);
            let clear = is_clear(site, &told, spot);
            let missed = !self.is_not_missed(spot);
            match site.spots[spot].kind {
                Kind::Block(_) => {
                    promise(NOT_VACANT, !(held && clear && missed) || eye.excuse_place);
                }
                Kind::Points(turnout) => {
                    // What is said to be remembered is no word of now, and silence alone does not
                    // wipe it (B8).
                    let now = !told.turnouts[turnout.index()].remembered;
                    let wrong = held && clear && missed && now;
                    promise(NOT_CLEAR, !wrong || eye.excuse_points);
                }
            }
        }
        for train in &self.world.trains {
            let here = train.at.iter().copied();
            let mut near = here.flat_map(|spot| site.next_to(spot).chain([spot]));
            // Two that came together where a detector lost one may both be held to be in one place.
            let all_known = told.trains.len() >= self.world.trains.len();
            let near = near.any(|spot| !is_clear(site, &told, spot));
            promise(NOT_FORGOTTEN, near || all_known);
        }
        promise(LEFT_IS_TOLD, self.left_is_told(site, &told));
        promise(HAS_CAUSE, self.all_have_a_cause(site, &told));
        let counted = told.trains.len() == self.world.trains.len();
        promise(COUNTED, self.world.disturbed || counted);
        promise(SPLIT_IS_TOLD, self.split_is_told(site, &told));
        promise(TABLE_NOT_FREE, self.table_is_not_free(site, &told));
        self.broken |= broken;
        self.seen |= sights(&told);
        for points in 0..self.world.blades.len() {
            let id = &site.layout.turnouts[points].id;
            self.world.blades[points].was_told = is_up(&told, AlarmKind::LeftDiverging, id);
        }
    }

    /// T2: it comes when the condition has lasted, and missing data never ends it.
    fn left_is_told(&self, site: &Site, told: &Snapshot) -> bool {
        self.world
            .blades
            .iter()
            .enumerate()
            .all(|(points, blades)| {
                let turnout = &site.layout.turnouts[points];
                let up = is_up(told, AlarmKind::LeftDiverging, &turnout.id);
                let due = Span(turnout.clear.0 + turnout.restore.0 + 2 * TICK.0);
                let overdue = |since: Instant| self.now.since(since) > due;
                let ended = told.turnouts[points].state == Clearance::Fouled
                    || blades.position == Position::Normal;
                up || (!blades.left_since.is_some_and(overdue) && (!blades.was_told || ended))
            })
    }

    /// T8.
    fn split_is_told(&self, site: &Site, told: &Snapshot) -> bool {
        let long = |since: Instant| self.now.since(since) > Span::from_secs(4);
        site.layout.crossovers.iter().all(|crossover| {
            !self.world.split_since.is_some_and(long)
                || is_up(told, AlarmKind::CrossoverSplit, &crossover.id)
        })
    }

    /// A table with a train across its edge, as long as nothing else went wrong.
    fn table_is_not_free(&self, site: &Site, told: &Snapshot) -> bool {
        let Some((bridge, _)) = site.table else {
            return true;
        };
        // A train that puts its nose where another stands is not to be seen.
        let alone = |spot: usize| {
            let in_it = |train: &&Train| train.is_in(spot);
            self.world.trains.iter().filter(in_it).count() == 1
        };
        let across = |train: &Train| {
            train.is_in(bridge) && train.at[0] != train.at[1] && train.at.into_iter().all(alone)
        };
        self.world.disturbed
            || !self.world.trains.iter().any(across)
            || told.tables[0].state != TableState::Free
    }

    fn all_have_a_cause(&self, site: &Site, told: &Snapshot) -> bool {
        told.alarms
            .iter()
            .filter(|alarm| alarm.active)
            .all(|alarm| self.has_cause(site, alarm.kind, &alarm.subject))
    }

    /// Something in the world that the alarm can be about.
    fn has_cause(&self, site: &Site, kind: AlarmKind, subject: &str) -> bool {
        let world = &self.world;
        let points = || {
            let number = site.layout.turnouts.iter().position(|t| t.id == subject);
            number.map(|number| &world.blades[number])
        };
        let is_reverse = || points().is_some_and(|b| b.position == Position::Reverse);
        match kind {
            AlarmKind::LeftDiverging => {
                is_reverse() && (world.disturbed || points().is_some_and(|blades| blades.used))
            }
            AlarmKind::BoundForDiverging | AlarmKind::SetNoTrain => is_reverse(),
            AlarmKind::MovedUnderTrain => {
                let table = world.table_moved_under || world.disturbed;
                points().map_or(table, |blades| blades.moved_under)
            }
            AlarmKind::CrossoverSplit => world.split_since.is_some(),
            AlarmKind::TrainLost | AlarmKind::TrainParted | AlarmKind::DetectorFault => {
                world.disturbed
            }
            AlarmKind::PowerLost => world.misfortunes > 0,
            AlarmKind::PowerWhereOff => world.ghost_ever,
            AlarmKind::DarkAhead => world.disturbed,
            AlarmKind::OccupiedAhead | AlarmKind::Opposing | AlarmKind::FouledAhead => {
                world.trains.len() > 1 || world.disturbed
            }
            // Neither short circuits nor contacts nor rest-off feeds are in these layouts, and the
            // broker is always there.
            AlarmKind::Short
            | AlarmKind::BrokerLost
            | AlarmKind::FeedLeftOn
            | AlarmKind::NoCorrespondence
            | AlarmKind::NotAtRest => false,
            _ => true,
        }
    }

    /// Whether every alarm returns once everything is put right, and what is told is then the
    /// truth.
    ///
    /// # Errors
    /// What does not.
    pub fn returns(&self, site: &Site) -> Result<(), String> {
        let mut play = self.clone();
        play.log = None;
        play.put_right(site);
        play.rest(site, 100);
        play.say_what_is_so(site);
        play.rest(site, 20);
        // A train that has parted in the engine's eyes is two until they join or one is gone.
        let parted = |alarm: &AlarmView| alarm.kind == AlarmKind::TrainParted;
        if play.engine.snapshot().alarms.iter().any(parted) {
            // One after the other: all at once would be the power that goes (B10).
            while play.world.trains.pop().is_some() {
                play.rest(site, 10);
            }
            play.say_what_is_so(site);
            play.rest(site, 20);
            play.say_what_is_so(site);
        }
        play.is_at_rest(site)
    }

    /// The operator says where nothing stands that is not known to be empty, and resets what
    /// latches.
    fn say_what_is_so(&mut self, site: &Site) {
        let told = self.engine.snapshot();
        for spot in 0..site.spots.len() {
            if !self.world.holds_vehicle(spot) && !is_clear(site, &told, spot) {
                let place = match site.spots[spot].kind {
                    Kind::Block(block) => Spot::Block(block),
                    Kind::Points(turnout) => Spot::Turnout(turnout),
                };
                let word = Input::Command(Command::Empty(place), Word::default());
                self.engine.handle(self.now, word);
            }
        }
        for alarm in &told.alarms {
            let word = Input::Command(Command::Reset(alarm.id.clone()), Word::default());
            self.engine.handle(self.now, word);
        }
    }

    /// Every misfortune ends, trains run into blocks, points with nobody on them are set normal,
    /// and the table to its first stop.
    fn put_right(&mut self, site: &Site) {
        for eye in &mut self.world.eyes {
            eye.dropped = None;
            eye.ghost = false;
            eye.muted = None;
        }
        for feed in &mut self.world.feeds {
            feed.on = true;
            feed.tripped = false;
        }
        self.world.node_down = false;
        self.tell_everything(site);
        self.pass(site, 12);
        let is_block = |spot: &usize| matches!(site.spots[*spot].kind, Kind::Block(_));
        for number in 0..self.world.trains.len() {
            let at = self.world.trains[number].at;
            let whole = at.iter().copied().find(is_block).unwrap_or(at[0]);
            self.act(site, Act::Gather(number, whole), None);
            self.pass(site, 6);
            let train = self.world.trains[number];
            let mut near = site.next_to(whole).filter(is_block);
            let to = near.find(|to| self.world.can_reach(site, &train, whole, *to));
            if !is_block(&whole)
                && let Some(to) = to
            {
                self.act(site, Act::Reach(number, to), None);
                self.pass(site, 6);
                self.act(site, Act::Gather(number, to), None);
                self.pass(site, 6);
            }
        }
        for points in 0..self.world.blades.len() {
            if !self.world.holds_vehicle(site.points_spot(points)) {
                self.world.blades[points].position = Position::Normal;
            }
        }
        if site.table.is_some() {
            self.world.table = TablePosition::At(0);
        }
        self.tell_everything(site);
        if let Some((bridge, _)) = site.table {
            self.clear_bridge(site, bridge);
        }
    }

    /// What stands on the bridge runs on, where it can.
    fn clear_bridge(&mut self, site: &Site, bridge: usize) {
        for number in 0..self.world.trains.len() {
            let train = self.world.trains[number];
            let mut near = site.next_to(bridge);
            let to = near.find(|to| self.world.can_reach(site, &train, bridge, *to));
            if let Some(to) = to
                && train.at == [bridge, bridge]
            {
                self.pass(site, 6);
                self.act(site, Act::Reach(number, to), None);
                self.pass(site, 6);
                self.act(site, Act::Gather(number, to), None);
            }
        }
    }

    /// Time passes; detectors speak every two seconds.
    fn rest(&mut self, site: &Site, seconds: u64) {
        for _ in 0..seconds / 2 {
            self.speak(site);
            self.now = self.now.plus(Span::from_secs(2));
            self.engine.advance(self.now);
        }
        self.engine.drain();
    }

    fn is_at_rest(&self, site: &Site) -> Result<(), String> {
        let told = self.engine.snapshot();
        for alarm in told.alarms.iter().filter(|alarm| alarm.active) {
            // A train that was left on points is a cause that stays.
            let is_it = |spot: &&site::Spot| {
                matches!(spot.kind, Kind::Points(_)) && spot.id == alarm.subject
            };
            let held = site.spots.iter().position(|spot| is_it(&spot));
            if !held.is_some_and(|spot| self.world.holds_vehicle(spot)) {
                return Err(format!("{} does not return: {}", alarm.id, alarm.text));
            }
        }
        for (spot, of) in site.spots.iter().enumerate() {
            let held = self.world.holds_vehicle(spot);
            match of.kind {
                Kind::Block(block) => {
                    let state = told.blocks[block.index()].state;
                    let wanted = if held {
                        Occupancy::Occupied
                    } else {
                        Occupancy::Vacant
                    };
                    if state != wanted {
                        return Err(format!("{} is {state:?}, not {wanted:?}", of.id));
                    }
                }
                Kind::Points(turnout) => {
                    let state = told.turnouts[turnout.index()].state;
                    let wanted = if held {
                        Clearance::Fouled
                    } else {
                        Clearance::Free
                    };
                    if state != wanted {
                        return Err(format!("{} is {state:?}, not {wanted:?}", of.id));
                    }
                }
            }
        }
        Ok(())
    }
}
