//! One train's road: walked from its head to the first thing that stops it.
//!
//! Input: the train, the road as set, places, points. Output: what stops it, where, how soon; and
//! what was looked at on the way.

use alloc::string::String;
use alloc::vec::Vec;

use super::others::Running;
use super::stale::{Seen, Trace};
use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::Occupancy;
use crate::feed::Power;
use crate::ids::{PlaceId, TableId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{CrossingTrack, End, Leg, PointsRest, Side, Usage};
use crate::track::{Beyond, Taking};
use crate::train::Train;
use crate::wording;

/// A road longer than this is a plan made to hurt.
const STEPS_MAX: usize = 64;

/// The walk ends this many look-ahead times away; each place that is come into starts it anew.
const FAR: f64 = 3.0;

/// T9: the train that cleared the points is let off until it is in the third place beyond them:
/// two more than the first.
const PLACES_BEYOND: u32 = 2;

/// The first thing that stops a train.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stop {
    pub(crate) kind: AlarmKind,
    /// Where it is: the item's written id.
    pub(crate) at: String,
    /// What people call it.
    pub(super) label: String,
    /// The alarm's subject.
    pub(super) subject: String,
    /// Soonest and latest when it was looked at, where a speed is known.
    pub(super) seconds: Option<(f64, f64)>,
    /// From the end of the head's place to it, mm, where known.
    pub(super) rest: Option<f64>,
    /// In the next place, or at its near end.
    pub(super) next_door: bool,
    /// Where trains are meant to stop.
    pub(super) in_yard: bool,
    /// A train that runs on ahead, out of the way.
    pub(super) runs_on: bool,
    /// A place that all have left, and that is released before the train comes.
    pub(super) released: bool,
}

/// Where the walk is.
pub(super) struct Walk<'a> {
    pub(super) train: &'a Train,
    from: End,
    /// From the head to the end of the head's place, where known, mm.
    pub(super) first: Option<f64>,
    /// From there to the end `from`, where known, mm.
    pub(super) rest: Option<f64>,
    /// Places entered so far.
    places: usize,
    /// The last points passed, for single slips.
    passed: Option<(TurnoutId, Leg)>,
}

impl Engine {
    /// Walks the road from the train's head to the first thing that stops it.
    pub(super) fn look(&self, train: &Train, trace: &mut Trace) -> Option<Stop> {
        if !train.directed || train.stopped || train.lost {
            return None;
        }
        let head = train.head()?;
        for link in &train.chain {
            trace.saw(Seen::Place(link.place));
        }
        // Without power anywhere it stands, or is about to: the feed's own alarm is the cause.
        let dead = |place: PlaceId| {
            let state = &self.places[place.index()];
            state.state == Occupancy::Dark && state.power == Power::Dead
        };
        if train.chain.iter().all(|link| dead(link.place)) {
            return None;
        }
        if let End::Turnout(turnout, _) = self.track.ends(head.place)[0] {
            trace.saw(Seen::Turnout(turnout));
        }
        let from = self.facing(train)?;
        let first = self.to_the_end_of_its_place(train);
        let mut walk = Walk {
            train,
            from,
            first,
            rest: first.map(|_| 0.0),
            places: 0,
            passed: None,
        };
        for _ in 0..STEPS_MAX {
            if self.is_out_of_sight(&walk) {
                return None;
            }
            match self.step(&mut walk, trace) {
                Step::On => {}
                Step::Open => return None,
                Step::Stopped(stop) => return Some(stop),
            }
        }
        None
    }

    /// The end of the head's place that the road leaves by; on points entered at the toe, as set.
    fn facing(&self, train: &Train) -> Option<End> {
        let ends = train.outward(&self.track);
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

    fn step(&self, walk: &mut Walk<'_>, trace: &mut Trace) -> Step {
        match self.track.beyond(walk.from, &self.points) {
            Beyond::Nothing => {
                // A bridge that is elsewhere joins nothing.
                trace.everywhere |= self.is_at_a_table(walk.from);
                // Only a block can end in nothing: an open end of anything else the plan refuses.
                let Some(place) = self.track.place_of(walk.from) else {
                    return Step::Open;
                };
                // The track goes on, on a peer's plan.
                if self.is_beyond(place) {
                    return Step::Open;
                }
                let (id, label) = self.names(place);
                let yard = self.is_yard(place);
                Step::Stopped(self.stop(walk, AlarmKind::NoRoad, id.clone(), label, id, yard))
            }
            // An engine that stands on the bridge is being turned: that is what it is for.
            Beyond::Table(table) if walk.places == 0 && self.stands_on_bridge(walk, table) => {
                trace.saw(Seen::Table(table));
                Step::Open
            }
            Beyond::Table(table) => {
                trace.saw(Seen::Table(table));
                let item = &self.layout.tables[table.index()];
                let (id, label) = (item.id.clone(), item.name.clone());
                Step::Stopped(self.stop(walk, AlarmKind::NoRoad, id.clone(), label, id, false))
            }
            Beyond::To(End::Turnout(t, leg)) => self.step_turnout(walk, t, leg, trace),
            Beyond::To(end @ End::Crossing(k, ..)) => {
                trace.everywhere = true;
                if let Some(place) = self.track.crossing(k)
                    && self.is_held_by_another(place, walk.train)
                {
                    match self.running_off(walk, place) {
                        Running::GoneIn(seconds) => trace.again_in(seconds),
                        _ => {
                            let kind = AlarmKind::FouledAhead;
                            let mut stop = self.stop_at_place(walk, kind, place);
                            stop.runs_on = self.all_move(place, walk.train);
                            return Step::Stopped(stop);
                        }
                    }
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
            Beyond::To(end @ End::Block(b, _)) => {
                trace.everywhere |= self.is_at_a_table(walk.from);
                self.step_block(walk, self.track.block(b), end, trace)
            }
        }
    }

    /// Joined by a table: what lies beyond depends on where that is.
    fn is_at_a_table(&self, end: End) -> bool {
        self.track.meets_a_table(end)
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
        trace: &mut Trace,
    ) -> Step {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let position = self.points.turnouts[id.index()];
        trace.saw(Seen::Turnout(id));
        self.see_cover(id, trace);
        match self.seconds_to(walk) {
            _ if walk.places == 0 => trace.bound.push(id),
            Some(seconds) if seconds < self.look_ahead_s() => trace.bound.push(id),
            Some(seconds) => trace.again_in(seconds - self.look_ahead_s()),
            None => {}
        }
        let stopped = |kind: AlarmKind, subject: String| {
            let (at, label) = (turnout.id.clone(), wording::points(&turnout.name));
            self.stop(walk, kind, at, label, subject, false)
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
            return Step::Stopped(stopped(AlarmKind::SetAgainst, turnout.id.clone()));
        }
        if let Some(place) = self.fouled_by_another(id, walk.train) {
            match self.running_off(walk, place) {
                // It will be gone.
                Running::GoneIn(seconds) => trace.again_in(seconds),
                _ => {
                    let mut stop = stopped(AlarmKind::FouledAhead, self.train_name(walk.train.id));
                    stop.runs_on = self.all_move(place, walk.train);
                    return Step::Stopped(stop);
                }
            }
        }
        // T9.
        if met == Leg::Toe
            && position == Position::Reverse
            && state.cleared_since_set
            && !self.has_just_cleared(id, walk.train)
        {
            let kind = AlarmKind::BoundForDiverging;
            return Step::Stopped(stopped(kind, turnout.id.clone()));
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
        walk.rest = walk.rest.map(|d| d + turnout.length_mm.unwrap_or(0.0));
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

    fn step_block(&self, walk: &mut Walk<'_>, place: PlaceId, end: End, trace: &mut Trace) -> Step {
        trace.saw(Seen::Place(place));
        let state = &self.places[place.index()];
        if walk.train.holds(place) && state.trains.iter().all(|id| *id == walk.train.id) {
            return Step::Open;
        }
        if state.is_in_the_way() {
            match self.running_on(walk, place, end) {
                // It will be gone.
                Running::GoneIn(seconds) => trace.again_in(seconds),
                running => {
                    let kind = if self.faces(place, end, walk.train) {
                        AlarmKind::Opposing
                    } else {
                        AlarmKind::OccupiedAhead
                    };
                    let mut stop = self.stop_at_place(walk, kind, place);
                    stop.runs_on = matches!(running, Running::On);
                    if let Some(seconds) = self.released_in(walk, place) {
                        stop.released = true;
                        trace.again_in(seconds);
                    }
                    return Step::Stopped(stop);
                }
            }
        }
        // With the power back, what is not proven yet is walked through like any unknown place.
        if state.state == Occupancy::Dark && state.power == Power::Dead {
            return Step::Stopped(self.stop_at_place(walk, AlarmKind::DarkAhead, place));
        }
        if self.is_too_short(walk, place)
            && !self.is_beyond(place)
            && self.must_stop_in(walk, place, end, trace)
        {
            return Step::Stopped(self.stop_at_place(walk, AlarmKind::WillNotFit, place));
        }
        walk.places += 1;
        walk.passed = None;
        walk.rest = match (walk.rest, self.length_of(place)) {
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
    fn must_stop_in(&self, walk: &Walk<'_>, place: PlaceId, end: End, trace: &mut Trace) -> bool {
        let mut beyond = Walk {
            train: walk.train,
            from: self.track.onward(end)[0],
            first: None,
            rest: None,
            // No more in the place that its head is in.
            places: 1,
            passed: None,
        };
        let stopped = matches!(self.step(&mut beyond, trace), Step::Stopped(_));
        self.is_yard(place) || stopped
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
            let trains = reached
                .iter()
                .flat_map(|next| self.places[next.place.index()].trains.iter().copied());
            trains
                .filter(|id| *id != train.id)
                .collect::<Vec<TrainId>>()
        };
        let (a, b) = (trains_at(Side::A), trains_at(Side::B));
        a.iter().any(|id| b.contains(id))
    }

    fn is_held_by_another(&self, place: PlaceId, train: &Train) -> bool {
        let state = &self.places[place.index()];
        state.is_in_the_way() && state.trains.iter().any(|id| *id != train.id)
    }

    /// The place where another train fouls these points.
    fn fouled_by_another(&self, id: TurnoutId, train: &Train) -> Option<PlaceId> {
        self.cover_of(id)
            .filter(|_| self.turnouts[id.index()].fouled)
            .filter(|place| self.is_held_by_another(*place, train))
    }

    /// The place whose detectors see a turnout's rails.
    fn cover_of(&self, id: TurnoutId) -> Option<PlaceId> {
        self.turnouts[id.index()].place.or_else(|| {
            let block = self.layout.turnouts[id.index()].covered_by?;
            Some(self.track.block(block))
        })
    }

    /// Points without detectors of their own are fouled through the block that covers them.
    fn see_cover(&self, id: TurnoutId, trace: &mut Trace) {
        if let Some(place) = self.cover_of(id) {
            trace.saw(Seen::Place(place));
        }
    }

    fn look_ahead_s(&self) -> f64 {
        self.layout.settings.look_ahead.as_secs_f64()
    }

    /// Further than anything that is warned of: without a speed only the next place counts.
    fn is_out_of_sight(&self, walk: &Walk<'_>) -> bool {
        match self.seconds_to(walk) {
            Some(soonest) => soonest > self.look_ahead_s() * FAR,
            None => walk.places > 0,
        }
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
            seconds: self.range_to(walk),
            rest: walk.rest,
            next_door: walk.places == 0,
            in_yard: in_yard && gentle,
            runs_on: false,
            released: false,
        }
    }

    fn names(&self, place: PlaceId) -> (String, String) {
        (
            self.track.places[place.index()].id.clone(),
            String::from(&self.place_label(place)),
        )
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
