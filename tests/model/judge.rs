//! What must hold in every state, said of the truth and of what the engine tells.
//!
//! The promises are those of behaviour.md's rules, not their code: nothing here knows how the engine
//! decides. What cannot be promised is named in [`Play::watch`]: a detector that loses a vehicle for
//! longer than the time that the plan gives it, or that does not speak and was not missed yet.

use taillamp_model::engine::alarm::kinds::AlarmKind;
use taillamp_model::engine::change::{Clearance, Kept, Occupancy, TableState};
use taillamp_model::engine::ids::TurnoutId;
use taillamp_model::engine::input::{Command, Input, Position, TablePosition, Word};
use taillamp_model::engine::snapshot::{BlockView, Snapshot};
use taillamp_model::engine::time::{Instant, Span};

use crate::site::{Kind, Site};
use crate::world::{Play, TICK, Train};

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
    let dark = |block: &BlockView| {
        block.state == Occupancy::Dark && block.kept == Some(Kept::Occupied)
    };
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
        for spot in 0..site.spots.len() {
            let seen = self.world.sees(site, spot) && self.world.speaks(site, spot);
            let feed = site.spots[spot].feed.map(|feed| self.world.feeds[feed]);
            // A trip that one place alone feels looks like the loss of one vehicle.
            let tripped = feed.filter(|feed| feed.tripped && !feed.tells);
            let eye = &mut self.world.eyes[spot];
            let lost = [eye.dropped, tripped.map(|feed| feed.since)];
            let lost_for = lost
                .into_iter()
                .flatten()
                .map(|since| now.since(since))
                .max();
            // A place may be released at its time, points only after it.
            eye.excuse_place |= lost_for.is_some_and(|long| long >= release(site, spot));
            eye.excuse_points |= lost_for.is_some_and(|long| long > Span::from_secs(5));
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
                Kind::Points(_) => {
                    promise(NOT_CLEAR, !(held && clear && missed) || eye.excuse_points);
                }
            }
        }
        for train in &self.world.trains {
            let here = train.at.iter().copied();
            let mut near = here.flat_map(|spot| site.next_to(spot).chain([spot]));
            promise(NOT_FORGOTTEN, near.any(|spot| !is_clear(site, &told, spot)));
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
        let across = |train: &Train| train.is_in(bridge) && train.at[0] != train.at[1];
        // A second train that puts its nose onto an occupied bridge is not to be seen.
        let trains = || self.world.trains.iter();
        let alone = trains().filter(|train| train.is_in(bridge)).count() == 1;
        self.world.disturbed
            || !alone
            || !trains().any(across)
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

    /// Whether every alarm returns once everything is put right, and what is told is then the truth.
    pub fn returns(&self, site: &Site) -> Result<(), String> {
        let mut play = self.clone();
        play.put_right(site);
        play.rest(site, 100);
        let told = play.engine.snapshot();
        for spot in 0..site.spots.len() {
            if let Kind::Block(block) = site.spots[spot].kind
                && !play.world.holds_vehicle(spot)
                && told.blocks[block.index()].state != Occupancy::Vacant
            {
                let word = Input::Command(Command::Empty(block), Word::default());
                play.engine.handle(play.now, word);
            }
        }
        for alarm in &told.alarms {
            let word = Input::Command(Command::Reset(alarm.id.clone()), Word::default());
            play.engine.handle(play.now, word);
        }
        play.rest(site, 20);
        play.is_at_rest(site)
    }

    /// Every misfortune ends, trains stand in blocks, points with nobody on them are normal.
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
        for train in 0..self.world.trains.len() {
            let at = self.world.trains[train].at;
            let block = |spot: &&usize| matches!(site.spots[**spot].kind, Kind::Block(_));
            let whole = at.iter().find(block).copied().unwrap_or(at[0]);
            self.world.trains[train].at = [whole, whole];
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
            let turnout = site
                .layout
                .turnouts
                .iter()
                .position(|t| t.id == alarm.subject);
            let still_on_it = turnout.is_some_and(|turnout| {
                let kind = Kind::Points(TurnoutId(turnout as u32));
                let spot = site.spots.iter().position(|spot| spot.kind == kind);
                spot.is_some_and(|spot| self.world.holds_vehicle(spot))
            });
            // Points have no operator's word for 'empty': the next train through ends it.
            let lost_on_points = turnout.is_some() && alarm.kind == AlarmKind::TrainLost;
            if !still_on_it && !lost_on_points {
                return Err(format!("{} does not return: {}", alarm.id, alarm.text));
            }
        }
        for (spot, of) in site.spots.iter().enumerate() {
            let held = self.world.holds_vehicle(spot);
            if let Kind::Block(block) = of.kind {
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
        }
        Ok(())
    }
}
