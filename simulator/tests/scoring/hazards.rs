//! What is really ahead of each train, and whether it was warned of.
//!
//! Truth: the road as it really lies is walked from each moving train's leading end. Another train
//! counts where, both running on at their speed, its place is not released (B3) when the train is
//! 250 mm away: a careful driver has then braked to a stop before it. There a hazard is *met*. It
//! could be foreseen from the moment on that the truth has held it without a break.

use std::collections::BTreeMap;

use taillamp::engine::alarm::kinds::{AlarmKind, Priority};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{Leg, PointsRest, Usage};
use taillamp::engine::snapshot::Snapshot;
use taillamp::engine::time::{Instant, Span};
use taillamp_simulator::world::World;
use taillamp_simulator::world::track::{Next, Piece, Step};
use taillamp_simulator::world::train::Train;

/// A hazard is met at this distance, mm.
const MET_MM: f64 = 250.0;
/// The truth is walked so far, seconds at the train's speed.
const FAR_S: f64 = 30.0;
/// And so many pieces.
const PIECES_MAX: usize = 24;
/// Seconds ahead that are asked for.
const WANTED_S: f64 = 8.0;

/// What stops a train.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    Occupied,
    Dark,
    NoRoad,
    Against,
    Diverging,
}

impl What {
    fn is_warned_by(self, kind: AlarmKind) -> bool {
        use AlarmKind::{
            BoundForDiverging, DarkAhead, FouledAhead, NoRoad, OccupiedAhead, Opposing, SetAgainst,
        };
        match self {
            Self::Occupied => matches!(kind, OccupiedAhead | Opposing | FouledAhead),
            Self::Dark => matches!(kind, DarkAhead | OccupiedAhead),
            Self::NoRoad => kind == NoRoad,
            Self::Against => matches!(kind, SetAgainst | NoRoad),
            Self::Diverging => kind == BoundForDiverging,
        }
    }
}

struct Ahead {
    what: What,
    at: String,
    mm: f64,
    seconds: f64,
}

/// A hazard that a train met.
#[derive(Clone, Debug)]
pub struct Met {
    pub at: Instant,
    pub what: What,
    pub place: String,
    pub train: String,
    /// For so long the truth had held it.
    pub foreseen_s: f64,
    /// For so long a detector had shown that the train moves: it had come into a place since it
    /// last stood. What starts in a place is seen by nobody until it leaves that.
    pub shown_s: f64,
    /// Warned so long before, if at all.
    pub lead_s: Option<f64>,
}

impl Met {
    /// The truth gave the time that is asked for.
    pub fn is_predictable(&self) -> bool {
        self.foreseen_s >= WANTED_S
    }

    /// And the detectors did.
    pub fn is_shown(&self) -> bool {
        self.is_predictable() && self.shown_s >= WANTED_S
    }

    pub fn is_in_time(&self) -> bool {
        self.lead_s.is_some_and(|lead| lead >= WANTED_S)
    }
}

/// A warning that was up.
#[derive(Clone, Debug)]
pub struct Up {
    pub since: Instant,
    pub id: String,
    kind: AlarmKind,
    pub priority: Priority,
    pub justified: bool,
    pub until: Option<Instant>,
    pub text: String,
    /// What really was when it came up, for those who look for a fault.
    pub really: String,
}

#[derive(Default)]
struct Held {
    key: Option<(What, String)>,
    since: Instant,
    met: bool,
}

/// Since when detectors show that a train moves, and what its leading end was in.
#[derive(Default)]
struct Shown {
    leads_in: Option<Piece>,
    since: Option<Instant>,
}

#[derive(Default)]
pub struct Watch {
    shown: BTreeMap<usize, Shown>,
    held: BTreeMap<usize, Held>,
    up: BTreeMap<String, Up>,
    pub met: Vec<Met>,
    pub over: Vec<Up>,
}

fn is_of_the_road(kind: AlarmKind) -> bool {
    use AlarmKind::{
        BoundForDiverging, DarkAhead, FouledAhead, NoRoad, OccupiedAhead, Opposing, SetAgainst,
        WillNotFit,
    };
    matches!(
        kind,
        BoundForDiverging
            | DarkAhead
            | FouledAhead
            | NoRoad
            | OccupiedAhead
            | Opposing
            | SetAgainst
            | WillNotFit
    )
}

impl Watch {
    pub fn look(&mut self, world: &World, claims: &Snapshot) {
        let now = world.now();
        self.note_warnings(world, claims);
        for (index, train) in world.trains().iter().enumerate() {
            let shown = self.shown.entry(index).or_default();
            let leads_in = train.leading().map(|(step, _)| step.piece);
            let entered = shown.leads_in.is_some() && shown.leads_in != leads_in;
            shown.leads_in = leads_in;
            shown.since = match shown.since {
                _ if train.speed_mm_s <= 0.0 => None,
                None if entered => Some(now),
                since => since,
            };
            let shown_s = shown.since.map_or(0.0, |at| now.since(at).as_secs_f64());
            let all = if train.speed_mm_s > 0.0 {
                all_ahead(world, index)
            } else {
                Vec::new()
            };
            for ahead in &all {
                self.justify(train, ahead, claims, world);
            }
            let ahead = all.into_iter().next();
            let held = self.held.entry(index).or_default();
            let Some(ahead) = ahead else {
                // A train that has stopped before it has not lost it.
                if train.speed_mm_s > 0.0 || !held.met {
                    *held = Held::default();
                }
                continue;
            };
            let key = Some((ahead.what, ahead.at.clone()));
            if held.key != key {
                *held = Held {
                    key,
                    since: now,
                    met: false,
                };
            }
            if ahead.mm <= MET_MM && !held.met {
                held.met = true;
                let foreseen_s = now.since(held.since).as_secs_f64();
                let lead_s = self.lead(train, &ahead, claims, world);
                self.met.push(Met {
                    at: now,
                    what: ahead.what,
                    place: ahead.at,
                    train: train.name.clone(),
                    foreseen_s,
                    shown_s,
                    lead_s,
                });
            }
        }
    }

    fn note_warnings(&mut self, world: &World, claims: &Snapshot) {
        let now = world.now();
        for alarm in &claims.alarms {
            if !alarm.active || !is_of_the_road(alarm.kind) {
                continue;
            }
            let up = self.up.entry(alarm.id.clone()).or_insert_with(|| Up {
                since: now,
                id: alarm.id.clone(),
                kind: alarm.kind,
                priority: alarm.priority,
                justified: false,
                until: None,
                text: alarm.text.clone(),
                really: really(world, claims, &alarm.text),
            });
            up.priority = up.priority.max(alarm.priority);
        }
        let lasts = |id: &String| claims.alarms.iter().any(|a| a.active && &a.id == id);
        let gone: Vec<String> = self.up.keys().filter(|id| !lasts(id)).cloned().collect();
        for id in gone {
            if let Some(mut up) = self.up.remove(&id) {
                up.until = Some(now);
                self.over.push(up);
            }
        }
    }

    /// Warnings that are up now and speak of this train and this thing.
    fn speaking<'a>(
        &'a self,
        train: &Train,
        ahead: &Ahead,
        claims: &Snapshot,
        world: &World,
    ) -> Vec<&'a Up> {
        let here: Vec<String> = train
            .stretches()
            .iter()
            .filter_map(|stretch| piece_id(stretch.piece, world))
            .collect();
        let ours = |id: &str| {
            let view = claims.trains.iter().find(|view| view.id == id);
            view.is_some_and(|view| view.blocks.iter().any(|at| here.contains(at)))
        };
        self.up
            .values()
            .filter(|up| {
                let subject = up.id.split_once(':').map_or("", |(_, subject)| subject);
                ahead.what.is_warned_by(up.kind) && (subject == ahead.at || ours(subject))
            })
            .collect()
    }

    fn lead(&self, train: &Train, ahead: &Ahead, claims: &Snapshot, world: &World) -> Option<f64> {
        let speaking = self.speaking(train, ahead, claims, world);
        let first = speaking.iter().map(|up| up.since).min()?;
        Some(world.now().since(first).as_secs_f64())
    }

    fn justify(&mut self, train: &Train, ahead: &Ahead, claims: &Snapshot, world: &World) {
        let ids: Vec<String> = self
            .speaking(train, ahead, claims, world)
            .iter()
            .map(|up| up.id.clone())
            .collect();
        for id in ids {
            if let Some(up) = self.up.get_mut(&id)
                && ahead.seconds <= FAR_S
            {
                up.justified = true;
            }
        }
    }

    /// Warnings of medium or high that the truth never bore out.
    pub fn needless(&self) -> Vec<&Up> {
        self.over
            .iter()
            .filter(|up| up.priority >= Priority::Medium && !up.justified)
            .collect()
    }
}

/// The train that a warning's text names: where it and the others are, how fast, what is ahead.
fn really(world: &World, claims: &Snapshot, text: &str) -> String {
    let named = |label: &str| text.split(':').next() == Some(label) || text.contains(label);
    let mut told = String::new();
    for view in &claims.trains {
        let label = format!("Train {}", view.id.trim_start_matches('t'));
        let speed = view.speed_mm_s.unwrap_or(0.0);
        let mark = if named(&label) { "*" } else { "" };
        told += &format!(" {mark}{}{:?}{speed:.0}", view.id, view.blocks);
    }
    told += " |";
    for (index, train) in world.trains().iter().enumerate() {
        let over = train.stretches();
        let over = over.iter().filter_map(|at| piece_id(at.piece, world));
        let over: Vec<String> = over.collect();
        let ahead = all_ahead(world, index).into_iter().next();
        let ahead = ahead
            .filter(|_| train.speed_mm_s > 0.0)
            .map(|a| format!(" {:?} {} {:.1} s", a.what, a.at, a.seconds));
        let ahead = ahead.unwrap_or_default();
        told += &format!(" {}{over:?}{:.0}{ahead};", train.name, train.speed_mm_s);
    }
    told
}

fn piece_id(piece: Piece, world: &World) -> Option<String> {
    match piece {
        Piece::Block(block) => Some(world.layout().blocks[block.index()].id.clone()),
        Piece::Turnout(turnout, _) => Some(world.layout().turnouts[turnout.index()].id.clone()),
        Piece::Crossing(crossing, _) => Some(world.layout().crossings[crossing.index()].id.clone()),
    }
}

/// What this train comes to if everybody runs on as now, up to the first thing that stops it:
/// points left for another lead it astray, and then to what lies there.
fn all_ahead(world: &World, index: usize) -> Vec<Ahead> {
    let mut found = Vec::new();
    let train = &world.trains()[index];
    let Some((mut step, mut mm)) = train.leading() else {
        return found;
    };
    let far_mm = train.speed_mm_s * FAR_S;
    for pieces in 0..PIECES_MAX {
        if mm > far_mm {
            break;
        }
        let at_mm = mm;
        let mut find = |what, at: Option<String>| {
            found.extend(at.map(|at| Ahead {
                what,
                at,
                mm: at_mm,
                seconds: at_mm / train.speed_mm_s,
            }));
        };
        let next = match world.track().next(step, world.lie()) {
            Next::On(next) => next,
            no_way => {
                if let Some((what, at)) = where_it_ends(world, step, no_way, pieces) {
                    find(what, at);
                }
                break;
            }
        };
        if let Some(what) = stands_in(world, index, next, mm) {
            find(what, piece_id(next.piece, world));
            break;
        }
        if let Some(at) = left_for_another(world, train, next) {
            find(What::Diverging, Some(at));
        }
        step = next;
        mm += world.track().length_mm(next.piece);
    }
    found
}

/// The way ends beyond this step: whether that is a hazard, and where.
fn where_it_ends(
    world: &World,
    step: Step,
    no_way: Next,
    pieces: usize,
) -> Option<(What, Option<String>)> {
    match no_way {
        Next::On(_) => None,
        Next::EndOfTrack if is_yard(step.piece, world) => None,
        Next::EndOfTrack => Some((What::NoRoad, piece_id(step.piece, world))),
        Next::Against(turnout) => {
            let moving = world.lie().points[turnout.index()] == Position::Moving;
            let id = world.layout().turnouts[turnout.index()].id.clone();
            (!moving).then_some((What::Against, Some(id)))
        }
        Next::NoBridge(table) => {
            let item = &world.layout().tables[table.index()];
            let on_it = step.piece == Piece::Block(item.bridge);
            let known = world.lie().tables[table.index()] != TablePosition::Unknown;
            let turning = known && pieces == 0 && on_it;
            // A turntable's bridge is a place to stop on, as a siding is.
            let meant = turning || (on_it && is_yard(step.piece, world));
            (!meant).then(|| (What::NoRoad, Some(item.id.clone())))
        }
    }
}

/// Points that belong straight, lie reversed, and are not meant for this train.
fn left_for_another(world: &World, train: &Train, next: Step) -> Option<String> {
    let Piece::Turnout(turnout, Leg::Reverse) = next.piece else {
        return None;
    };
    let item = &world.layout().turnouts[turnout.index()];
    let left =
        next.up && item.rest == PointsRest::Normal && !train.order.diverge_at.contains(&turnout);
    left.then(|| item.id.clone())
}

fn is_yard(piece: Piece, world: &World) -> bool {
    let Piece::Block(block) = piece else {
        return false;
    };
    let block = &world.layout().blocks[block.index()];
    block.usage != Usage::Running || block.fiddle
}

fn stands_in(world: &World, index: usize, next: Step, mm: f64) -> Option<What> {
    let train = &world.trains()[index];
    // Where trains are meant to stand only one that comes towards this train is in the way.
    let in_yard = is_yard(next.piece, world);
    // What is not released yet when a careful driver has to have stopped has stopped that driver.
    let arrives_s = (mm - MET_MM).max(0.0) / train.speed_mm_s - release_s(next.piece, world);
    let others = world.trains().iter().enumerate();
    for (_, other) in others.filter(|(other, _)| *other != index) {
        let stretches = other.stretches();
        let same = |piece: Piece| match (piece, next.piece) {
            (Piece::Turnout(a, _), Piece::Turnout(b, _)) => a == b,
            (Piece::Crossing(a, _), Piece::Crossing(b, _)) => a == b,
            (a, b) => a == b,
        };
        let there = stretches.iter().any(|at| same(at.piece));
        let in_the_way = if in_yard {
            comes_towards(other, next)
        } else {
            !is_gone_by(world, other, next, arrives_s)
        };
        if there && in_the_way {
            return Some(What::Occupied);
        }
    }
    if in_yard {
        return None;
    }
    let Piece::Block(_) = next.piece else {
        return None;
    };
    let zone = world.track().zone(next.piece, 0.0);
    let dead = world.supply().zone_volts(zone, world.lie()) == 0.0;
    let throttle = world
        .supply()
        .feed_of(zone)
        .is_some_and(|feed| world.supply().is_throttle(feed));
    (dead && !throttle).then_some(What::Dark)
}

/// The other's leading end is in this block and runs against who comes in: it leaves it by the end
/// at which the other road comes in, as the points lie.
fn comes_towards(other: &Train, next: Step) -> bool {
    let leading = other.leading().filter(|_| other.speed_mm_s > 0.0);
    leading.is_some_and(|(step, _)| {
        matches!(step.piece, Piece::Block(_)) && step.piece == next.piece && step.up != next.up
    })
}

/// A place is occupied until it has been proven that all have left it (B3).
fn release_s(piece: Piece, world: &World) -> f64 {
    let release = match piece {
        Piece::Block(block) => world.layout().blocks[block.index()].release,
        Piece::Turnout(..) | Piece::Crossing(..) => Span::from_millis(1_500),
    };
    release.as_secs_f64()
}

/// Running on, the other's tail has left the piece by then.
fn is_gone_by(world: &World, other: &Train, next: Step, seconds: f64) -> bool {
    if other.speed_mm_s <= 0.0 || comes_towards(other, next) {
        return false;
    }
    let length_mm = world.track().length_mm(next.piece);
    let along = other
        .stretches()
        .into_iter()
        .find(|stretch| stretch.piece == next.piece);
    let leads_up = other
        .leading()
        .is_some_and(|(step, _)| step.piece != next.piece || step.up == next.up);
    let Some(along) = along.filter(|_| leads_up) else {
        // Points and crossings: gone when the whole train has run its length.
        return other.length_mm() / other.speed_mm_s < seconds;
    };
    let rest_mm = if next.up {
        length_mm - along.from_mm
    } else {
        along.to_mm
    };
    rest_mm / other.speed_mm_s < seconds
}
