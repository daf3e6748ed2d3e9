//! Looking ahead: the first thing that stops each train, and how soon (behaviour.md, section 5; T9,
//! T10).
//!
//! Input: trains with a known direction that have not stopped, the road as set, places, points.
//! Output: warnings that keep one identity while they last.

use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::{AlarmKind, Priority};
use crate::change::{Item, Occupancy};
use crate::feed::Power;
use crate::ids::{PlaceId, TableId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{CrossingTrack, End, Leg, PointsRest, Side, Usage};
use crate::time::Span;
use crate::track::{Beyond, Taking};
use crate::train::Train;
use crate::train::measure::scale_kmh;
use crate::wording;

/// A road longer than this is a plan made to hurt.
const STEPS_MAX: usize = 64;

/// The walk ends this many look-ahead times away; each place that is come into starts it anew.
const FAR: f64 = 3.0;

/// In yards and on the road into them a warning comes only this late.
const YARD_SECONDS: f64 = 3.0;

/// T9: the train that cleared the points is let off until it has reached this many places more.
const PLACES_BEYOND: u32 = 3;

/// The first thing that stops a train.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stop {
    pub(crate) kind: AlarmKind,
    /// Where it is: the item's written id.
    pub(crate) at: String,
    /// What people call it.
    label: String,
    /// The alarm's subject.
    subject: String,
    /// Soonest and latest, where a speed is known.
    pub(crate) seconds: Option<(f64, f64)>,
    /// In the next place, or at its near end.
    next_door: bool,
    /// Where trains are meant to stop.
    in_yard: bool,
}

/// A warning that is up.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Warning {
    /// What it warns of: another thing further on must be soon in its own right.
    at: String,
    priority: Priority,
    seconds: Option<(f64, f64)>,
    text: String,
}

/// Where the walk is.
struct Walk<'a> {
    train: &'a Train,
    from: End,
    /// Distance to the end `from`, where known.
    distance: Option<f64>,
    /// Places entered so far.
    places: usize,
    /// The last points passed, for single slips.
    passed: Option<(TurnoutId, Leg)>,
}

impl Engine {
    /// The road-ahead stage: all trains, whenever anything that bears on it has changed.
    pub(crate) fn stage_ahead(&mut self) {
        if !core::mem::take(&mut self.ahead_is_stale) {
            return;
        }
        let mut warnings: BTreeMap<(AlarmKind, String), Warning> = BTreeMap::new();
        let mut bound: Vec<TurnoutId> = Vec::new();
        let ids: Vec<TrainId> = self.trains.keys().copied().collect();
        for id in ids {
            let Some(train) = self.trains.get(&id) else {
                continue;
            };
            let stop = self.look(train, &mut bound);
            // Nothing in sight: by the time that it comes into sight the walk has been made again.
            let again = || Some(self.now.plus(self.layout.settings.look_ahead));
            let wake = stop.as_ref().map_or_else(again, |stop| self.wake_for(stop));
            let wake = wake.filter(|_| !train.stopped && train.directed);
            if let Some(stop) = &stop
                && let Some((key, warning)) = self.warning(train, stop)
            {
                warnings
                    .entry(key)
                    .and_modify(|up| {
                        if sooner(&warning, up) {
                            up.clone_from(&warning);
                        }
                    })
                    .or_insert(warning);
            }
            self.note_ahead(id, stop, wake);
        }
        self.tell_warnings(warnings);
        if bound != self.bound_for {
            self.bound_for = bound;
            for crossover in 0..self.layout.crossovers.len() {
                self.dirty.crossovers.mark(crossover);
            }
            self.stage_crossovers();
        }
    }

    fn note_ahead(&mut self, id: TrainId, stop: Option<Stop>, wake: Option<crate::time::Instant>) {
        if let Some(train) = self.trains.get_mut(&id) {
            let same = match (&train.ahead, &stop) {
                (Some(old), Some(new)) => old.kind == new.kind && old.at == new.at,
                (None, None) => true,
                _ => false,
            };
            train.ahead = stop;
            train.ahead_wake = wake;
            if !same {
                self.touched.insert(Item::Train(id));
            }
            self.plan_train_wake(id);
        }
    }

    fn tell_warnings(&mut self, warnings: BTreeMap<(AlarmKind, String), Warning>) {
        let before = core::mem::take(&mut self.warnings);
        for (kind, subject) in before.keys() {
            if !warnings.contains_key(&(*kind, subject.clone())) {
                self.clear(*kind, subject);
            }
        }
        for ((kind, subject), warning) in &warnings {
            if before.get(&(*kind, subject.clone())) != Some(warning) {
                let Warning {
                    priority,
                    seconds,
                    text,
                    ..
                } = warning.clone();
                self.warn(*kind, subject, priority, seconds, text);
            }
        }
        self.warnings = warnings;
    }

    /// When the time left falls under `look_ahead_s`.
    fn wake_for(&self, stop: &Stop) -> Option<crate::time::Instant> {
        let (soonest, _) = stop.seconds?;
        let limit = if stop.in_yard {
            YARD_SECONDS
        } else {
            self.layout.settings.look_ahead.as_secs_f64()
        };
        let wait = soonest - limit;
        // A step later, so that the time left is then surely under the limit.
        (wait > 0.0).then(|| self.now.past(Span::from_secs_f64(wait)))
    }

    /// Whether and how a train is warned of what stops it.
    fn warning(&self, train: &Train, stop: &Stop) -> Option<((AlarmKind, String), Warning)> {
        let key = (stop.kind, stop.subject.clone());
        let lasts = self.warnings.get(&key).is_some_and(|up| up.at == stop.at);
        let limit = self.layout.settings.look_ahead.as_secs_f64();
        let by_rule = matches!(
            stop.kind,
            AlarmKind::BoundForDiverging | AlarmKind::SetAgainst
        );
        let soon = match stop.seconds {
            Some((soonest, _)) => soonest < limit || lasts || (by_rule && stop.next_door),
            None => stop.next_door || lasts,
        };
        let mut priority = stop.kind.doc().priority;
        if stop.in_yard {
            let fast = train.measure.speed_mm_s.is_some_and(|speed| {
                scale_kmh(speed, self.layout.scale_ratio) > self.layout.settings.yard_speed_kmh
            });
            let late = stop
                .seconds
                .is_some_and(|(soonest, _)| soonest < YARD_SECONDS);
            if !(fast && late) {
                return None;
            }
            priority = Priority::Low;
        }
        soon.then(|| {
            let text = wording::ahead(stop.kind, &self.train_label(train.id), &stop.label);
            let warning = Warning {
                at: stop.at.clone(),
                priority,
                seconds: stop.seconds,
                text,
            };
            (key, warning)
        })
    }

    /// Walks the road from the train's head to the first thing that stops it.
    fn look(&self, train: &Train, bound: &mut Vec<TurnoutId>) -> Option<Stop> {
        if !train.directed || train.stopped || train.lost {
            return None;
        }
        let head = train.head()?;
        let gone = train
            .measure
            .speed_mm_s
            .map(|speed| speed * self.now.since(head.entered).as_secs_f64());
        let distance = match (self.length_of(head.place), gone) {
            (Some(length), Some(gone)) => Some((length - gone).max(0.0)),
            _ => None,
        };
        let from = self.facing(train)?;
        let mut walk = Walk {
            train,
            from,
            distance,
            places: 0,
            passed: None,
        };
        for _ in 0..STEPS_MAX {
            if self.is_out_of_sight(&walk) {
                return None;
            }
            match self.step(&mut walk, bound) {
                Step::On => {}
                Step::Open => return None,
                Step::Stopped(stop) => return Some(stop),
            }
        }
        None
    }

    /// The end of the head's place that the road leaves by; on points entered at the toe, as set.
    fn facing(&self, train: &Train) -> Option<End> {
        let ends = train.outward(crate::train::Side::Head, &self.track);
        match ends.as_slice() {
            [End::Turnout(t, _), _] => match self.points.turnouts[t.index()] {
                Position::Normal => Some(End::Turnout(*t, Leg::Normal)),
                Position::Reverse => Some(End::Turnout(*t, Leg::Reverse)),
                Position::Moving | Position::Unknown => None,
            },
            [one] => Some(*one),
            _ => None,
        }
    }

    fn step(&self, walk: &mut Walk<'_>, bound: &mut Vec<TurnoutId>) -> Step {
        match self.track.beyond(walk.from, &self.points) {
            Beyond::Nothing => {
                let place = self.track.place_of(walk.from);
                let (id, label) = match place {
                    Some(place) => self.names(place),
                    None => self.end_names(walk.from),
                };
                let yard = place.is_some_and(|place| self.is_yard(place));
                Step::Stopped(self.stop(walk, AlarmKind::NoRoad, id.clone(), label, id, yard))
            }
            // An engine that stands on the bridge is being turned: that is what it is for.
            Beyond::Table(table) if walk.places == 0 && self.stands_on_bridge(walk, table) => {
                Step::Open
            }
            Beyond::Table(table) => {
                let item = &self.layout.tables[table.index()];
                let (id, label) = (item.id.clone(), item.name.clone());
                Step::Stopped(self.stop(walk, AlarmKind::NoRoad, id.clone(), label, id, false))
            }
            Beyond::To(End::Turnout(t, leg)) => self.step_turnout(walk, t, leg, bound),
            Beyond::To(end @ End::Crossing(k, ..)) => {
                if let Some(place) = self.track.crossing(k)
                    && self.is_held_by_another(place, walk.train)
                {
                    return Step::Stopped(self.stop_at_place(walk, AlarmKind::FouledAhead, place));
                }
                if self.is_crossed_by_another(end, walk.train) {
                    let item = &self.layout.crossings[k.index()];
                    let (at, label) = (item.id.clone(), item.name.clone());
                    let subject = self.train_name(walk.train.id);
                    let kind = AlarmKind::FouledAhead;
                    return Step::Stopped(self.stop(walk, kind, at, label, subject, false));
                }
                walk.from = self.track.onward(end)[0];
                Step::On
            }
            Beyond::To(end @ End::Block(b, _)) => self.step_block(walk, self.track.block(b), end),
        }
    }

    fn stands_on_bridge(&self, walk: &Walk<'_>, table: TableId) -> bool {
        let bridge = self.track.block(self.layout.tables[table.index()].bridge);
        walk.train.blocks() == [bridge]
    }

    fn step_turnout(
        &self,
        walk: &mut Walk<'_>,
        id: TurnoutId,
        met: Leg,
        bound: &mut Vec<TurnoutId>,
    ) -> Step {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let position = self.points.turnouts[id.index()];
        if walk.places == 0 || self.is_within_sight(walk) {
            bound.push(id);
        }
        let stop = |kind: AlarmKind, subject: String| {
            let (at, label) = (turnout.id.clone(), wording::points(&turnout.name));
            Step::Stopped(self.stop(walk, kind, at, label, subject, false))
        };
        // T10.
        let against = match (met, position) {
            (Leg::Normal, Position::Reverse) | (Leg::Reverse, Position::Normal) => true,
            _ => walk.passed.is_some_and(|last| {
                met == Leg::Toe
                    && leg_of(position).is_some_and(|leg| self.track.is_forbidden(last, (id, leg)))
            }),
        };
        if against {
            return stop(AlarmKind::SetAgainst, turnout.id.clone());
        }
        if self.is_fouled_by_another(id, walk.train) {
            return stop(AlarmKind::FouledAhead, self.train_name(walk.train.id));
        }
        // T9.
        if met == Leg::Toe
            && position == Position::Reverse
            && state.cleared_since_set
            && !self.has_just_cleared(id, walk.train)
        {
            return stop(AlarmKind::BoundForDiverging, turnout.id.clone());
        }
        let out = match (met, position) {
            (Leg::Toe, Position::Normal) => Leg::Normal,
            (Leg::Toe, Position::Reverse) => Leg::Reverse,
            // Which way the road goes is not known.
            (Leg::Toe, Position::Moving | Position::Unknown) => return Step::Open,
            (Leg::Normal | Leg::Reverse, _) => Leg::Toe,
        };
        walk.passed = Some((id, met));
        walk.from = End::Turnout(id, out);
        if self.track.turnout(id).is_some() {
            walk.places += 1;
        }
        walk.distance = walk.distance.map(|d| d + turnout.length_mm.unwrap_or(0.0));
        Step::On
    }

    /// T9: not for the train that just cleared it, until it has turned back or come far.
    fn has_just_cleared(&self, id: TurnoutId, train: &Train) -> bool {
        self.turnouts[id.index()].cleared_by.is_some_and(|by| {
            by.train == train.id
                && by.turns == train.turns
                && train.entered < by.entered + PLACES_BEYOND
        })
    }

    fn step_block(&self, walk: &mut Walk<'_>, place: PlaceId, end: End) -> Step {
        let state = &self.places[place.index()];
        if walk.train.holds(place) && state.trains.iter().all(|id| *id == walk.train.id) {
            return Step::Open;
        }
        if state.is_in_the_way() {
            let kind = if self.faces(place, end, walk.train) {
                AlarmKind::Opposing
            } else {
                AlarmKind::OccupiedAhead
            };
            return Step::Stopped(self.stop_at_place(walk, kind, place));
        }
        // With the power back, what is not proven yet is walked through like any unknown place.
        if state.state == Occupancy::Dark && state.power == Power::Dead {
            return Step::Stopped(self.stop_at_place(walk, AlarmKind::DarkAhead, place));
        }
        if self.is_too_short(walk, place) && self.must_stop_in(walk, place, end) {
            return Step::Stopped(self.stop_at_place(walk, AlarmKind::WillNotFit, place));
        }
        walk.places += 1;
        walk.passed = None;
        walk.distance = match (walk.distance, self.length_of(place)) {
            (Some(so_far), Some(length)) => Some(so_far + length),
            _ => None,
        };
        walk.from = self.track.onward(end)[0];
        Step::On
    }

    /// Another train in the place whose head faces the end that is met.
    fn faces(&self, place: PlaceId, end: End, train: &Train) -> bool {
        self.places[place.index()].trains.iter().any(|id| {
            *id != train.id
                && self.train(*id).is_some_and(|other| {
                    !other.stopped
                        && other.head().is_some_and(|link| link.place == place)
                        && other.heading(&self.track) == Some(end)
                })
        })
    }

    /// Longer than the place, and points that belong straight are in the overhang behind it.
    fn is_too_short(&self, walk: &Walk<'_>, place: PlaceId) -> bool {
        let (Some(train), Some(length)) = (walk.train.measure.length_mm, self.length_of(place))
        else {
            return false;
        };
        train > length
            && walk
                .passed
                .is_some_and(|(t, _)| self.layout.turnouts[t.index()].rest == PointsRest::Normal)
    }

    /// Where trains are meant to stop, or whatever lies beyond it stops them: a train that runs on
    /// through a short place needs no warning.
    fn must_stop_in(&self, walk: &Walk<'_>, place: PlaceId, end: End) -> bool {
        let mut beyond = Walk {
            train: walk.train,
            from: self.track.onward(end)[0],
            distance: None,
            places: walk.places + 1,
            passed: None,
        };
        let mut bound = Vec::new();
        self.is_yard(place) || matches!(self.step(&mut beyond, &mut bound), Step::Stopped(_))
    }

    /// Another train holds both neighbours of the other track of a crossing.
    fn is_crossed_by_another(&self, end: End, train: &Train) -> bool {
        let End::Crossing(k, track, _) = end else {
            return false;
        };
        let other = match track {
            CrossingTrack::First => CrossingTrack::Second,
            CrossingTrack::Second => CrossingTrack::First,
        };
        let trains_at = |side| {
            let reached =
                self.track
                    .reach(End::Crossing(k, other, side), &self.points, Taking::AsSet);
            let mut trains: Vec<TrainId> = reached
                .iter()
                .flat_map(|next| self.places[next.place.index()].trains.iter().copied())
                .filter(|id| {
                    *id != train.id
                        && self.train(*id).is_some_and(|other| {
                            other
                                .blocks()
                                .iter()
                                .any(|held| reached.iter().any(|next| next.place == *held))
                        })
                })
                .collect();
            trains.sort_unstable();
            trains
        };
        let (a, b) = (trains_at(Side::A), trains_at(Side::B));
        a.iter().any(|id| b.contains(id))
    }

    fn is_held_by_another(&self, place: PlaceId, train: &Train) -> bool {
        let state = &self.places[place.index()];
        state.is_in_the_way() && state.trains.iter().any(|id| *id != train.id)
    }

    fn is_fouled_by_another(&self, id: TurnoutId, train: &Train) -> bool {
        let state = &self.turnouts[id.index()];
        if !state.fouled {
            return false;
        }
        let cover = state.place.or_else(|| {
            let block = self.layout.turnouts[id.index()].covered_by?;
            Some(self.track.block(block))
        });
        cover.is_some_and(|place| self.is_held_by_another(place, train))
    }

    /// Further than anything that is warned of: without a speed only the next place counts.
    fn is_out_of_sight(&self, walk: &Walk<'_>) -> bool {
        let far = self.layout.settings.look_ahead.as_secs_f64() * FAR;
        let soonest = walk
            .distance
            .and_then(|distance| walk.train.measure.seconds_over(distance));
        match soonest {
            Some((soonest, _)) => soonest > far,
            None => walk.places > 0,
        }
    }

    /// Whether the end `from` is within the look-ahead time.
    fn is_within_sight(&self, walk: &Walk<'_>) -> bool {
        walk.distance
            .and_then(|distance| walk.train.measure.seconds_over(distance))
            .is_some_and(|(soonest, _)| soonest < self.layout.settings.look_ahead.as_secs_f64())
    }

    fn stop_at_place(&self, walk: &Walk<'_>, kind: AlarmKind, place: PlaceId) -> Stop {
        let (at, label) = self.names(place);
        let subject = self.train_name(walk.train.id);
        self.stop(walk, kind, at, label, subject, self.is_yard(place))
    }

    fn stop(
        &self,
        walk: &Walk<'_>,
        kind: AlarmKind,
        at: String,
        label: String,
        subject: String,
        in_yard: bool,
    ) -> Stop {
        let gentle = matches!(
            kind,
            AlarmKind::NoRoad | AlarmKind::OccupiedAhead | AlarmKind::DarkAhead
        );
        Stop {
            kind,
            at,
            label,
            subject,
            seconds: walk
                .distance
                .and_then(|distance| walk.train.measure.seconds_over(distance)),
            next_door: walk.places == 0,
            in_yard: in_yard && gentle,
        }
    }

    fn names(&self, place: PlaceId) -> (String, String) {
        (
            self.track.places[place.index()].id.clone(),
            String::from(&self.place_label(place)),
        )
    }

    fn end_names(&self, end: End) -> (String, String) {
        match end {
            End::Turnout(t, _) => {
                let item = &self.layout.turnouts[t.index()];
                (item.id.clone(), wording::points(&item.name))
            }
            End::Crossing(k, ..) => {
                let item = &self.layout.crossings[k.index()];
                (item.id.clone(), item.name.clone())
            }
            End::Block(b, _) => {
                let item = &self.layout.blocks[b.index()];
                (item.id.clone(), item.name.clone())
            }
        }
    }

    /// Siding, stub, yard or fiddle: where trains are meant to stop.
    fn is_yard(&self, place: PlaceId) -> bool {
        self.track.block_of(place).is_some_and(|block| {
            let block = &self.layout.blocks[block.index()];
            block.usage != Usage::Running || block.fiddle
        })
    }
}

enum Step {
    On,
    /// Nothing stops it as far as anybody knows.
    Open,
    Stopped(Stop),
}

const fn leg_of(position: Position) -> Option<Leg> {
    match position {
        Position::Normal => Some(Leg::Normal),
        Position::Reverse => Some(Leg::Reverse),
        Position::Moving | Position::Unknown => None,
    }
}

fn sooner(one: &Warning, other: &Warning) -> bool {
    let seconds = |w: &Warning| w.seconds.map_or(f64::MAX, |(soonest, _)| soonest);
    (one.priority, -seconds(one)) > (other.priority, -seconds(other))
}
