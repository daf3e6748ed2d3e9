//! Coming in: who takes a place, what that says about direction, speed and points, and what is a
//! new train (DEVELOPERS.md, section 4; the end of B4).

use alloc::vec::Vec;

use super::choose::Candidate;
use super::follow::{Claim, UNANNOUNCED};
use super::{Link, Side, Train, weigh};
use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Item, Kept, Occupancy, PositionFrom, TrainEvent};
use crate::ids::{PlaceId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{DetectorKind, End, Leg, PositionSource, Side as BlockEnd};
use crate::place::occupancy::Event;
use crate::time::Span;
use crate::timers::Subject;
use crate::track::{PlaceKind, Taking};
use crate::wording;

/// From this part of its way through a place on a train may brake for what is beyond.
const NEARLY_THERE: f64 = 0.7;

impl Engine {
    /// The best candidate has come in; the others are remembered.
    pub(super) fn enter(&mut self, place: PlaceId, candidates: &[Candidate]) {
        let Some(best) = candidates.first().cloned() else {
            return;
        };
        // Whoever was only leaving this place has left it.
        for id in self.places[place.index()].trains.clone() {
            if id != best.train {
                self.drop_link(id, place);
                self.show(id);
            }
        }
        // Over a border it is found when the peer has answered.
        if !self.is_beyond(place) {
            self.end_lost_of(best.train, place);
        }
        self.extend(&best, place);
        let losers: Vec<Candidate> = candidates
            .iter()
            .skip(1)
            .filter(|c| c.train != best.train && !c.against)
            .cloned()
            .collect();
        self.claims.retain(|claim| claim.place != place);
        if !losers.is_empty() {
            self.claims.push(Claim {
                place,
                winner: best.clone(),
                losers,
                passed_on: false,
            });
        }
        self.keep_rivals(best.train, weigh::rivals(candidates));
        self.note_passage(&best);
        self.leave_unseen(&best);
        self.show(best.train);
        self.refresh_left(best.train);
        self.ahead_of_train(best.train);
    }

    /// It came out of a place that cannot see it: dead track that it coasted out of (B6), or one
    /// that nothing watches (B1).
    pub(super) fn leave_unseen(&mut self, by: &Candidate) {
        let now = self.now;
        let Some(from) = self.track.place_of(by.from) else {
            return;
        };
        let release = self.release_time(from);
        let state = &mut self.places[from.index()];
        let before = (state.state, state.notes.kept);
        match state.state {
            // B6: it takes what was kept with it; what it may have left behind is not known.
            Occupancy::Dark if state.trains == [by.train] => {
                self.drop_link(by.train, from);
                self.places[from.index()].notes.kept = None;
                self.note_place_change(from, before, None);
            }
            Occupancy::Unknown => {
                state.unseen_left = Some(now.plus(release));
                self.dirty.places.mark(from.index());
            }
            _ => {}
        }
    }

    /// A place of known length, crossed by a head from end to end, seen when it came in and when it
    /// went on: its length, how long that took, and whether it may have waited there.
    fn crossed_by_head(
        &self,
        by: &Candidate,
        place: PlaceId,
        length: f64,
    ) -> Option<(f64, Span, bool)> {
        let train = self.train(by.train).filter(|train| train.directed)?;
        let mut chain = train.chain.iter().rev();
        let last = chain.find(|link| link.place != place)?;
        let seen = last.timed && by.unseen.is_empty();
        last.tailward.filter(|_| seen && by.side == Side::Head)?;
        let took = self.now.since(last.entered);
        Some((length, took, self.may_have_waited(by, place, length)))
    }

    /// Whether the train may have waited in its place for the road: what its head comes into or
    /// what is next as set became vacant, or points on the way were thrown, only when it was about
    /// to come to the end of its own place.
    fn may_have_waited(&self, by: &Candidate, place: PlaceId, length: f64) -> bool {
        let Some((train, head)) = self.train(by.train).and_then(|t| Some((t, t.head()?))) else {
            return false;
        };
        let own = train.measure.speed_mm_s.unwrap_or_default();
        let fastest = self.fastest_mm_s().max(own);
        let soonest = if fastest > 0.0 { length / fastest } else { 0.0 };
        let about_to_come = head
            .entered
            .plus(Span::from_secs_f64(soonest * NEARLY_THERE));
        let vacated = |at: PlaceId| self.places[at.index()].vacated > about_to_come;
        let thrown = |through: &[(TurnoutId, Leg)]| {
            let mut points = through.iter().map(|(t, _)| &self.turnouts[t.index()]);
            points.any(|points| points.position.since > about_to_come)
        };
        let own_points = match by.to {
            End::Turnout(turnout, leg) => thrown(&[(turnout, leg)]),
            End::Block(..) | End::Crossing(..) => false,
        };
        let mut ends = self.track.onward(by.to).into_iter();
        let next_too = ends.any(|end| {
            let beyond = self.track.reach(end, &self.points, Taking::AsSet);
            let mut beyond = beyond.iter();
            beyond.any(|next| vacated(next.place) || thrown(&next.through))
        });
        vacated(place) || thrown(&by.through) || own_points || next_too
    }

    /// Lengthens the train into the place; turns it where that is what happened.
    pub(super) fn extend(&mut self, by: &Candidate, place: PlaceId) {
        let now = self.now;
        let at_start = now <= self.start.plus(self.release_time(place));
        let part = self.layout.settings.part;
        let from_place = self.track.place_of(by.from);
        let length = from_place.and_then(|place| self.length_to_measure(place));
        let weighed = self.weigh_crossing(by, length);
        // Known from before a silence or a darkness: it may have come in at any time since.
        let timed = self.places[place.index()].before_lit.1.is_none();
        let crossed = length.filter(|_| timed);
        let crossed = crossed.and_then(|length| self.crossed_by_head(by, place, length));
        let Some(train) = self.trains.get_mut(&by.train) else {
            return;
        };
        train.or = weighed;
        // Its head has come round to what its tail was only leaving.
        train.keep_links(|link| link.place != place);
        let stood_here_at_start = at_start && !train.directed && train.entered == 0;
        let mut link = Link::new(place, now);
        link.timed = timed;
        link.before = (train.directed, train.measure);
        let mut turned = false;
        match by.side {
            Side::Head => {
                if let Some(last) = train.chain.last_mut() {
                    last.headward = Some(by.from);
                }
                if let Some((length, took, may_have_waited)) = crossed {
                    train.measure.crossed(length, took, may_have_waited);
                }
                link.tailward = Some(by.to);
                train.grow(by.side, link, &by.unseen);
            }
            Side::Tail => {
                train.keep_links(|link| link.left.is_none());
                if let Some(first) = train.chain.first_mut() {
                    first.tailward = Some(by.from);
                }
                link.headward = Some(by.to);
                train.grow(by.side, link, &by.unseen);
                let lately = train
                    .left_lately
                    .iter()
                    .any(|(left, at)| *left == place && now <= at.plus(part));
                if train.directed && !lately {
                    train.turn();
                    turned = true;
                } else if !train.directed && !stood_here_at_start {
                    train.reverse();
                }
            }
        }
        train.directed |= !stood_here_at_start;
        (train.shadow, train.alone) = (0, true);
        train.drew_back = None;
        train.stopped = false;
        train.stays = false;
        train.remembered = false;
        train.moved = now;
        if !stood_here_at_start {
            train.entered += 1;
        }
        self.hold(place, by.train, by.to);
        for (unseen, into, _) in by.unseen.iter().copied() {
            self.hold_unseen(unseen, by.train, into);
        }
        if turned {
            self.emit_train(by.train, TrainEvent::TurnedBack, Some(place));
        }
    }

    /// The length over which a speed can be told. Beams across a turnout's legs see a train when it
    /// comes in, and the block beyond when its first axle is on rails that continue the turnout's.
    fn length_to_measure(&self, place: PlaceId) -> Option<f64> {
        let turnout = matches!(self.track.places[place.index()].kind, PlaceKind::Turnout(_));
        let mut detectors = self.places[place.index()].detectors.iter();
        let section =
            detectors.any(|id| self.layout.detectors[id.index()].kind == DetectorKind::Current);
        self.length_of(place).filter(|_| section || !turnout)
    }

    /// A train is in a place that cannot see it, on its way into the next.
    fn hold_unseen(&mut self, place: PlaceId, train: TrainId, by: End) {
        self.hold(place, train, by);
        self.keep_unseen(place);
    }

    /// Puts a train into a place's list, ordered from end a to end b.
    pub(crate) fn hold(&mut self, place: PlaceId, train: TrainId, by: End) {
        let trains = &mut self.places[place.index()].trains;
        if trains.contains(&train) {
            return;
        }
        if matches!(by, End::Block(_, BlockEnd::A)) {
            trains.insert(0, train);
        } else {
            trains.push(train);
        }
        self.touch_place(place);
    }

    pub(crate) fn touch_place(&mut self, place: PlaceId) {
        self.ahead_of_place(place);
        if let Some(block) = self.track.block_of(place) {
            self.touched.insert(Item::Block(block));
        }
    }

    /// What a train's passing tells about the points: who passed, and where hand-thrown ones lie.
    pub(super) fn note_passage(&mut self, by: &Candidate) {
        let mut passed: Vec<(TurnoutId, Leg)> = by.through.clone();
        // Points that are places: the train went from one place's end into the next.
        if let End::Turnout(t, leg) = by.from {
            passed.push((t, leg));
        }
        let entered = self.train(by.train).map_or(0, |train| train.entered);
        for (turnout, met) in passed {
            self.turnouts[turnout.index()].passer = Some((by.train, entered));
            // Walking back from the new place: a leg met first means that the train came from the
            // toe.
            let side = match met {
                Leg::Toe => continue,
                Leg::Normal => Position::Normal,
                Leg::Reverse => Position::Reverse,
            };
            let hand_thrown =
                self.layout.turnouts[turnout.index()].position == PositionSource::None;
            if hand_thrown {
                self.put_position(turnout, side, PositionFrom::Passage);
            }
        }
    }

    /// B4: a lost train that has been found next door has left the place where it was lost.
    pub(crate) fn end_lost_of(&mut self, id: TrainId, place: PlaceId) {
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        if !core::mem::take(&mut train.lost) {
            return;
        }
        let held: Vec<PlaceId> = train.chain.iter().map(|link| link.place).collect();
        self.emit_train(id, TrainEvent::Found, Some(place));
        for held in held {
            self.found_elsewhere.push((id, held));
        }
    }

    /// After the round: places whose lost train was found elsewhere become vacant. Where another
    /// one was lost as well, that is still to be found.
    pub(crate) fn settle_found(&mut self) {
        for (id, place) in core::mem::take(&mut self.found_elsewhere) {
            let others = self.places[place.index()].trains.iter();
            let mut others = others.filter(|other| **other != id);
            if others.any(|other| self.train(*other).is_some_and(|train| train.lost)) {
                self.drop_link(id, place);
                self.show(id);
                continue;
            }
            let state = &mut self.places[place.index()];
            match state.state {
                Occupancy::Lost => self.drive_place(place, Event::Put(Occupancy::Vacant), None),
                Occupancy::Dark | Occupancy::Unknown if state.notes.kept == Some(Kept::Lost) => {
                    let before = (state.state, state.notes.kept);
                    state.notes.kept = Some(Kept::Vacant);
                    self.note_place_change(place, before, None);
                }
                _ => {}
            }
        }
    }

    /// Nothing explains it: a new train, unless only wheels bridge the gap.
    pub(super) fn maybe_new_train(&mut self, place: PlaceId) {
        if self.is_beyond(place) {
            self.train_beyond(place);
            return;
        }
        let now = self.now;
        let beside_a_train = self
            .near(place, Taking::Any)
            .into_iter()
            .any(|next| self.places[next.index()].on);
        let wait = self.layout.settings.bridge;
        if beside_a_train && now > self.start.plus(self.release_time(place)) {
            let until = now.plus(wait);
            self.places[place.index()].lit_by_bridge_until = Some(until);
            self.timers.not_later(Subject::Place(place), until);
            self.dirty.places.mark(place.index());
            return;
        }
        self.new_train(place);
    }

    /// A place that was lit beside a train for longer than a bridged gap holds a train of its own.
    pub(crate) fn look_at_bridged(&mut self, place: PlaceId) {
        let now = self.now;
        let state = &mut self.places[place.index()];
        if state.lit_by_bridge_until.is_some_and(|until| now >= until) {
            state.lit_by_bridge_until = None;
            if state.on && state.trains.is_empty() {
                self.new_train(place);
            }
        }
    }

    pub(super) fn new_train(&mut self, place: PlaceId) {
        let id = self.make_train(place);
        self.emit_train(id, TrainEvent::New, Some(place));
        let booting = self.now < self.start.plus(self.layout.settings.boot);
        self.note_came(id, place, booting);
        if !booting && !self.is_fiddle(place) {
            let subject = self.track.places[place.index()].id.clone();
            let text = wording::unannounced(&self.place_label(place));
            let doubt = self.doubt_of_light(place);
            self.raise_after(AlarmKind::Unannounced, &subject, self.now, doubt, text);
            self.unannounced.push((id, place));
            self.timers
                .not_later(Subject::Train(id), self.now.plus(UNANNOUNCED));
        }
        self.ahead_of_train(id);
    }

    /// A train in a place, without any report.
    pub(crate) fn make_train(&mut self, place: PlaceId) -> TrainId {
        self.next_train += 1;
        let id = TrainId(self.next_train);
        self.put_train(id, place);
        id
    }

    /// A train of this number in a place, without any report.
    pub(crate) fn put_train(&mut self, id: TrainId, place: PlaceId) {
        let train = Train::new(id, place, self.now);
        self.shown.insert(id, train.blocks());
        self.trains.insert(id, train);
        self.places[place.index()].trains.push(id);
        self.touch_place(place);
        self.plan_train_wake(id);
    }

    /// `unannounced` ends when the train is named, after a minute, or with the train.
    pub(crate) fn end_unannounced(&mut self, id: TrainId, by_time: bool) {
        let now = self.now;
        let mut ended = Vec::new();
        let trains = &self.trains;
        self.unannounced.retain(|(train, place)| {
            let over = *train == id
                && (!by_time
                    || trains
                        .get(train)
                        .is_none_or(|train| now >= train.since.plus(UNANNOUNCED)));
            if over {
                ended.push(*place);
            }
            !over
        });
        for place in ended {
            let subject = self.track.places[place.index()].id.clone();
            self.clear(AlarmKind::Unannounced, &subject);
        }
    }
}
