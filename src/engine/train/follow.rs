//! Following: what was lit, left, lost or darkened moves the trains (behaviour.md, section 4).
//!
//! Input: the place stage's events, in order. Output: chains, the trains' changes, and the end of
//! B4 (a lost train that was found next door), which is the one thing that goes back to a place.

use alloc::vec::Vec;

use super::choose::{Candidate, Class};
use super::{Gap, Link, Side, Train};
use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Item, Kept, Occupancy, PositionFrom, TrainEvent, What};
use crate::ids::{PlaceId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{End, Leg, PositionSource, Side as BlockEnd};
use crate::place::PlaceEvent;
use crate::place::occupancy::Event;
use crate::time::Span;
use crate::timers::Subject;
use crate::track::Taking;
use crate::wording;

/// How long `unannounced` lasts.
const UNANNOUNCED: Span = Span::from_secs(60);

/// A place that went to one train though others could have come in.
#[derive(Clone, Debug)]
pub(crate) struct Claim {
    pub(crate) place: PlaceId,
    pub(crate) winner: TrainId,
    pub(crate) losers: Vec<Candidate>,
}

impl Engine {
    pub(crate) fn train(&self, id: TrainId) -> Option<&Train> {
        self.trains.get(&id)
    }

    /// The train stage: the place stage's events, then trains whose time has come.
    pub(crate) fn stage_trains(&mut self) {
        let events = core::mem::take(&mut self.place_events);
        for event in events {
            match event {
                PlaceEvent::Lit(place) => self.place_lit(place),
                PlaceEvent::Unlit(place) => self.place_unlit(place),
                PlaceEvent::Vacated(place) => self.place_vacated(place),
                PlaceEvent::Lost(place) => self.place_lost(place),
                PlaceEvent::TakenByHand(place) => self.taken_by_hand(place),
                PlaceEvent::Darkened(place) => self.place_darkened(place),
            }
        }
        let due = core::mem::take(&mut self.due_trains);
        for id in due {
            self.look_at_train(id);
        }
    }

    fn place_lit(&mut self, place: PlaceId) {
        self.note_lit_together(place);
        let holders: Vec<TrainId> = self.places[place.index()]
            .trains
            .iter()
            .copied()
            .filter(|id| {
                self.train(*id).is_some_and(|train| {
                    train
                        .chain
                        .iter()
                        .any(|link| link.place == place && link.left.is_none())
                })
            })
            .collect();
        if !holders.is_empty() {
            for id in holders {
                self.seen_again(id, place);
            }
            return;
        }
        if self.close_gap(place) {
            return;
        }
        let candidates = self.candidates(place);
        let own = self.places[place.index()].trains.first().copied();
        // A drop-out under a tail that was just leaving; a train that moves towards it comes first.
        match (candidates.first(), own) {
            (Some(best), _) if best.class <= Class::Towards => self.enter(place, &candidates),
            (_, Some(id)) => self.return_to(id, place),
            (Some(_), None) => self.enter(place, &candidates),
            (None, None) => self.maybe_new_train(place),
        }
    }

    /// A place that a train holds is lit again: it is found, or confirmed.
    fn seen_again(&mut self, id: TrainId, place: PlaceId) {
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        train.remembered = false;
        for link in &mut train.chain {
            if link.place == place {
                link.unconfirmed = false;
                link.brief = false;
            }
        }
        if core::mem::take(&mut train.lost) {
            self.emit_train(id, TrainEvent::Found, Some(place));
        }
        self.refresh_left(id);
    }

    /// The tail comes back into a place that it was only leaving.
    fn return_to(&mut self, id: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get_mut(&id) {
            for link in &mut train.chain {
                if link.place == place {
                    link.left = None;
                }
            }
        }
        self.show(id);
    }

    /// The best candidate has come in; the others are remembered.
    fn enter(&mut self, place: PlaceId, candidates: &[Candidate]) {
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
        self.end_lost_of(best.train, place);
        self.extend(&best, place);
        let rivals: Vec<TrainId> = candidates
            .iter()
            .skip(1)
            .filter(|c| c.class == best.class && c.train != best.train)
            .map(|c| c.train)
            .collect();
        let losers: Vec<Candidate> = candidates
            .iter()
            .skip(1)
            .filter(|c| c.train != best.train)
            .cloned()
            .collect();
        self.claims.retain(|claim| claim.place != place);
        if !losers.is_empty() {
            self.claims.push(Claim {
                place,
                winner: best.train,
                losers,
            });
        }
        if let Some(train) = self.trains.get_mut(&best.train) {
            train.or = rivals;
        }
        self.note_passage(&best);
        self.leave_unseen(&best);
        self.show(best.train);
        self.refresh_left(best.train);
        self.ahead_is_stale = true;
    }

    /// It came out of a place that cannot see it: dead track that it coasted out of (B6), or one
    /// that nothing watches (B1).
    fn leave_unseen(&mut self, by: &Candidate) {
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

    /// Lengthens the train into the place; turns it where that is what happened.
    fn extend(&mut self, by: &Candidate, place: PlaceId) {
        let now = self.now;
        let at_start = now <= self.start.plus(self.release_time(place));
        let part = self.layout.settings.part;
        let from_place = self.track.place_of(by.from);
        let length = from_place.and_then(|place| self.length_of(place));
        let Some(train) = self.trains.get_mut(&by.train) else {
            return;
        };
        let stood_here_at_start = at_start && !train.directed && train.entered == 0;
        let mut link = Link::new(place, now);
        link.before = (train.directed, train.measure);
        let mut turned = false;
        match by.side {
            Side::Head => {
                if let Some(last) = train.chain.last_mut() {
                    last.headward = Some(by.from);
                    // A place of known length, crossed from end to end.
                    if let (Some(length), Some(_), true) = (length, last.tailward, train.directed) {
                        train.measure.crossed(length, now.since(last.entered));
                    }
                }
                link.tailward = Some(by.to);
                train.chain.push(link);
            }
            Side::Tail => {
                train.chain.retain(|link| link.left.is_none());
                if let Some(first) = train.chain.first_mut() {
                    first.tailward = Some(by.from);
                }
                link.headward = Some(by.to);
                train.chain.insert(0, link);
                let lately = train
                    .left_lately
                    .iter()
                    .any(|(left, at)| *left == place && now <= at.plus(part));
                if train.directed && !lately {
                    train.turn();
                    turned = true;
                } else if !train.directed && !stood_here_at_start {
                    train.chain.reverse();
                    for link in &mut train.chain {
                        core::mem::swap(&mut link.tailward, &mut link.headward);
                    }
                }
            }
        }
        train.directed |= !stood_here_at_start;
        train.stopped = false;
        train.remembered = false;
        train.moved = now;
        if !stood_here_at_start {
            train.entered += 1;
        }
        self.hold(place, by.train, by.to);
        if turned {
            self.emit_train(by.train, TrainEvent::TurnedBack, Some(place));
        }
    }

    /// Puts a train into a place's list, ordered from end a to end b.
    fn hold(&mut self, place: PlaceId, train: TrainId, by: End) {
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
        if let Some(block) = self.track.block_of(place) {
            self.touched.insert(Item::Block(block));
        }
    }

    /// What a train's passing tells about the points: who passed, and where hand-thrown ones lie.
    fn note_passage(&mut self, by: &Candidate) {
        let mut passed: Vec<(TurnoutId, Leg)> = by.through.clone();
        // Points that are places: the train went from one place's end into the next.
        if let End::Turnout(t, leg) = by.from {
            passed.push((t, leg));
        }
        for (turnout, met) in passed {
            self.turnouts[turnout.index()].passer = Some(by.train);
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
    fn end_lost_of(&mut self, id: TrainId, place: PlaceId) {
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        if !core::mem::take(&mut train.lost) {
            return;
        }
        let held: Vec<PlaceId> = train.chain.iter().map(|link| link.place).collect();
        self.emit_train(id, TrainEvent::Found, Some(place));
        for held in held {
            self.found_elsewhere.push(held);
        }
    }

    /// After the round: places whose lost train was found elsewhere become vacant.
    pub(crate) fn settle_found(&mut self) {
        for place in core::mem::take(&mut self.found_elsewhere) {
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
    fn maybe_new_train(&mut self, place: PlaceId) {
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

    fn new_train(&mut self, place: PlaceId) {
        let id = self.make_train(place);
        self.emit_train(id, TrainEvent::New, Some(place));
        let booting = self.now < self.start.plus(self.layout.settings.boot);
        if !booting && !self.is_fiddle(place) {
            let subject = self.track.places[place.index()].id.clone();
            let text = wording::unannounced(&self.place_label(place));
            self.raise(AlarmKind::Unannounced, &subject, text);
            self.unannounced.push((id, place));
            self.timers
                .not_later(Subject::Train(id), self.now.plus(UNANNOUNCED));
        }
        self.ahead_is_stale = true;
    }

    /// A train in a place, without any report.
    pub(crate) fn make_train(&mut self, place: PlaceId) -> TrainId {
        self.next_train += 1;
        let id = TrainId(self.next_train);
        let train = Train::new(id, place, self.now);
        self.shown.insert(id, train.blocks());
        self.trains.insert(id, train);
        self.places[place.index()].trains.push(id);
        self.touch_place(place);
        self.plan_train_wake(id);
        id
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

    fn place_unlit(&mut self, place: PlaceId) {
        let now = self.now;
        self.note_passed_beside(place);
        let bridge = self.layout.settings.bridge;
        self.places[place.index()].lit_by_bridge_until = None;
        for id in self.places[place.index()].trains.clone() {
            if let Some(train) = self.trains.get_mut(&id) {
                for link in &mut train.chain {
                    if link.place == place {
                        link.brief = now.since(link.entered) <= bridge;
                    }
                }
            }
            self.refresh_left(id);
        }
    }

    /// `coupled`: places that are no neighbours and go on together, five times running, share a
    /// return or have crossed wires.
    fn note_lit_together(&mut self, place: PlaceId) {
        const TOGETHER: Span = Span::from_millis(100);
        const TIMES: u8 = 5;
        let now = self.now;
        self.lit_lately.retain(|(_, at)| now.since(*at) <= TOGETHER);
        let near = self.near(place, Taking::Any);
        let others: Vec<PlaceId> = self
            .lit_lately
            .iter()
            .map(|(other, _)| *other)
            .filter(|other| *other != place && !near.contains(other))
            .collect();
        let state = &mut self.places[place.index()];
        if !core::mem::take(&mut state.coupled_now) {
            state.coupled = None;
        }
        for other in others {
            for (one, two) in [(place, other), (other, place)] {
                let state = &mut self.places[one.index()];
                let times = match state.coupled {
                    Some((with, times)) if with == two => times.saturating_add(1),
                    _ => 1,
                };
                state.coupled = Some((two, times));
                state.coupled_now = true;
                self.tell_coupled(one, times >= TIMES);
            }
        }
        if self.places[place.index()].coupled.is_none() {
            self.tell_coupled(place, false);
        }
        self.lit_lately.push((place, now));
    }

    fn tell_coupled(&mut self, place: PlaceId, coupled: bool) {
        for id in self.places[place.index()].detectors.clone() {
            let detector = &self.layout.detectors[id.index()];
            if self.detectors[id.index()].judge_coupled(detector, coupled) {
                self.report_health(id);
            }
        }
    }

    /// `stuck`: trains that come into and leave the places on both sides of one that stays on.
    fn note_passed_beside(&mut self, place: PlaceId) {
        self.places[place.index()].passed.clear();
        for next in self.near(place, Taking::Any) {
            let state = &mut self.places[next.index()];
            if state.on && !state.passed.contains(&place) {
                state.passed.push(place);
                for id in state.detectors.clone() {
                    if self.look_for_stuck(id) {
                        self.report_health(id);
                    }
                }
            }
        }
    }

    /// Ends of the train whose detectors are off while it is seen elsewhere leave its `blocks`.
    pub(crate) fn refresh_left(&mut self, id: TrainId) {
        let now = self.now;
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        let mut left: Vec<Option<crate::time::Instant>> =
            train.chain.iter().map(|link| link.left).collect();
        let off = |at: usize| {
            let place = &self.places[train.chain[at].place.index()];
            !place.on && place.off_since.is_some() && place.state == Occupancy::Occupied
        };
        let on = |at: usize| self.places[train.chain[at].place.index()].on;
        let count = train.chain.len();
        let mut at = 0;
        while at < count && off(at) && (at + 1..count).any(on) {
            left[at] = left[at].or(Some(now));
            at += 1;
        }
        // Without a direction either end may be the tail; the head's place is kept until released.
        if !train.directed {
            let mut at = count;
            while at > 1 && off(at - 1) && (0..at - 1).any(on) {
                left[at - 1] = left[at - 1].or(Some(now));
                at -= 1;
            }
        }
        let mut passed = None;
        if let Some(train) = self.trains.get_mut(&id) {
            for (link, left) in train.chain.iter_mut().zip(left) {
                if link.left.is_none() && left.is_some() {
                    train.left_lately.push((link.place, now));
                    if link.tailward.is_some() && train.directed {
                        passed = Some((link.place, link.entered));
                    }
                }
                link.left = left;
            }
            train
                .left_lately
                .retain(|(_, at)| now.since(*at) <= Span::from_secs(60));
        }
        if let Some((place, entered)) = passed
            && let Some(length) = self.length_of(place)
            && let Some(train) = self.trains.get_mut(&id)
        {
            train.measure.passed(length, now.since(entered));
        }
        self.show(id);
    }

    fn place_vacated(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            match self.whereabouts(id, place) {
                crate::place::Whereabouts::WentInto(next) => self.go_unseen(id, place, next),
                crate::place::Whereabouts::CameUpTo(next) => self.come_up_to(id, place, next),
                crate::place::Whereabouts::Claims if self.claim_back(id, place) => {}
                crate::place::Whereabouts::Claims
                | crate::place::Whereabouts::Elsewhere
                | crate::place::Whereabouts::Astride
                | crate::place::Whereabouts::Nowhere => self.leave(id, place),
            }
        }
        self.claims.retain(|claim| claim.place != place);
    }

    /// A released place leaves the chain: at an end the train has moved on, in the middle it is
    /// torn.
    fn leave(&mut self, id: TrainId, place: PlaceId) {
        let now = self.now;
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        let Some(at) = train.chain.iter().position(|link| link.place == place) else {
            return;
        };
        let count = train.chain.len();
        let link = train.chain.remove(at);
        let mut turned = false;
        if count > 1 && at + 1 == count {
            if link.brief {
                // Only wheels across the gap: nothing has happened.
                (train.directed, train.measure) = link.before;
                train.entered = train.entered.saturating_sub(1);
                if let Some(last) = train.chain.last_mut() {
                    last.headward = None;
                }
            } else if train.directed {
                train.turn();
                turned = true;
            } else {
                train.directed = true;
                train.turn();
                train.turns -= 1;
            }
        } else if count > 1 && at == 0 {
            train.directed = true;
        } else if at > 0 && at + 1 < count {
            self.tear(id, at, link, now);
        }
        self.places[place.index()].trains.retain(|held| *held != id);
        self.touch_place(place);
        self.mark_tables_and_crossings();
        if turned {
            self.emit_train(id, TrainEvent::TurnedBack, Some(place));
        }
        if let Some(train) = self.trains.get_mut(&id)
            && !train.or.is_empty()
            && at == 0
        {
            // Its tail left where it came from: the story is confirmed.
            train.or.clear();
        }
        self.show(id);
        self.end_empty(id);
    }

    /// The middle is gone. Where a tail's place is another train's as well, the train has left it.
    fn tear(&mut self, id: TrainId, at: usize, link: Link, now: crate::time::Instant) {
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        let shared: Vec<PlaceId> = train.chain[..at]
            .iter()
            .map(|link| link.place)
            .filter(|place| self.places[place.index()].trains.len() > 1)
            .collect();
        if shared.len() == at {
            train.chain.drain(..at);
            for place in shared {
                self.places[place.index()].trains.retain(|held| *held != id);
                self.touch_place(place);
            }
            return;
        }
        train.gap = Some(Gap {
            since: now,
            at,
            link,
        });
        self.plan_train_wake(id);
    }

    /// B3: gone on into a place that cannot see it, which then keeps it.
    fn go_unseen(&mut self, id: TrainId, from: PlaceId, into: PlaceId) {
        let now = self.now;
        let ends = self.ends_between(from, into);
        if let Some(train) = self.trains.get_mut(&id)
            && let Some((out, by)) = ends
        {
            if let Some(last) = train.chain.last_mut() {
                last.headward = Some(out);
            }
            let mut link = Link::new(into, now);
            link.tailward = Some(by);
            link.unconfirmed = true;
            train.chain.push(link);
            train.directed = true;
            train.entered += 1;
            train.moved = now;
            self.hold(into, id, by);
        }
        self.leave(id, from);
        let state = &mut self.places[into.index()];
        let before = (state.state, state.notes.kept);
        state.notes.kept = Some(Kept::Occupied);
        if before.1 != state.notes.kept {
            self.note_place_change(into, before, None);
        }
    }

    /// B3: it has come up to another train; both are there.
    fn come_up_to(&mut self, id: TrainId, from: PlaceId, into: PlaceId) {
        let now = self.now;
        if let Some((out, by)) = self.ends_between(from, into)
            && let Some(train) = self.trains.get_mut(&id)
        {
            if let Some(last) = train.chain.last_mut() {
                last.headward = Some(out);
            }
            let mut link = Link::new(into, now);
            link.tailward = Some(by);
            train.chain.push(link);
            train.directed = true;
            train.entered += 1;
            self.hold(into, id, by);
        }
        self.leave(id, from);
        self.emit_train(id, TrainEvent::Coupled, Some(into));
    }

    /// The end by which one place is left and the end by which the next is come into.
    pub(crate) fn ends_between(&self, from: PlaceId, into: PlaceId) -> Option<(End, End)> {
        self.track.ends(from).into_iter().find_map(|out| {
            self.track
                .reach(out, &self.points, Taking::AsSet)
                .into_iter()
                .find(|next| next.place == into)
                .map(|next| (out, next.by))
        })
    }

    /// A place that went to another train is what explains where this one is.
    pub(crate) fn claim_of(&self, id: TrainId, left: PlaceId) -> Option<&Claim> {
        self.claims.iter().find(|claim| {
            let mine = claim
                .losers
                .iter()
                .any(|c| c.train == id && self.track.place_of(c.from) == Some(left));
            let winner_elsewhere = self.train(claim.winner).is_some_and(|winner| {
                let at_end = winner.head().is_some_and(|link| link.place == claim.place);
                at_end
                    && winner
                        .chain
                        .iter()
                        .any(|link| link.place != claim.place && self.places[link.place.index()].on)
            });
            mine && winner_elsewhere && self.places[claim.place.index()].on
        })
    }

    fn claim_back(&mut self, id: TrainId, left: PlaceId) -> bool {
        let Some(claim) = self.claim_of(id, left).cloned() else {
            return false;
        };
        let Some(mine) = claim.losers.iter().find(|c| c.train == id).cloned() else {
            return false;
        };
        // Its story begins again where it was before.
        let before = self.train(claim.winner).and_then(|winner| {
            let link = winner.chain.iter().find(|link| link.place == claim.place)?;
            Some(link.before)
        });
        self.drop_link(claim.winner, claim.place);
        if let (Some((directed, measure)), Some(winner)) =
            (before, self.trains.get_mut(&claim.winner))
        {
            (winner.directed, winner.measure) = (directed, measure);
            if let Some(head) = winner.chain.last_mut() {
                head.headward = None;
            }
        }
        self.show(claim.winner);
        self.extend(&mine, claim.place);
        self.leave(id, left);
        self.claims.retain(|other| other.place != claim.place);
        true
    }

    /// Takes a place from a train without any story.
    fn drop_link(&mut self, id: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get_mut(&id) {
            train.chain.retain(|link| link.place != place);
        }
        self.places[place.index()].trains.retain(|held| *held != id);
        self.touch_place(place);
        self.end_empty(id);
    }

    fn place_lost(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            let gone = self.whereabouts(id, place) == crate::place::Whereabouts::Nowhere;
            if gone && let Some(train) = self.trains.get_mut(&id) {
                train.lost = true;
                train.stopped = true;
                self.emit_train(id, TrainEvent::Lost, Some(place));
            }
        }
        self.ahead_is_stale = true;
    }

    /// What seemed to come in was nothing: chains are what they were.
    pub(crate) fn forget_entry(&mut self, place: PlaceId, since: crate::time::Instant) {
        for id in self.places[place.index()].trains.clone() {
            let Some(train) = self.trains.get_mut(&id) else {
                continue;
            };
            let entered = train
                .chain
                .iter()
                .find(|link| link.place == place && link.entered >= since)
                .map(|link| link.before);
            if let Some((directed, measure)) = entered {
                (train.directed, train.measure) = (directed, measure);
                self.drop_link(id, place);
                self.show(id);
            }
        }
    }

    /// The operator's word: whatever stood here is gone.
    pub(crate) fn empty_place(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            if let Some(train) = self.trains.get_mut(&id) {
                train.lost = false;
            }
            self.drop_link(id, place);
            self.show(id);
        }
    }

    fn taken_by_hand(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            self.drop_link(id, place);
        }
    }

    fn place_darkened(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            if let Some(train) = self.trains.get_mut(&id) {
                for link in &mut train.chain {
                    if link.place == place {
                        link.left = None;
                    }
                }
            }
            self.show(id);
        }
        self.ahead_is_stale = true;
    }

    /// A train that holds nothing any more is gone.
    pub(crate) fn end_empty(&mut self, id: TrainId) {
        let empty = self.train(id).is_some_and(|train| train.chain.is_empty());
        if !empty {
            return;
        }
        self.emit_train(id, TrainEvent::Gone, None);
        self.trains.remove(&id);
        self.shown.remove(&id);
        self.end_unannounced(id, false);
        self.timers.set(Subject::Train(id), None);
        self.ahead_is_stale = true;
    }

    /// Reports what a train came into and left since it was last shown.
    pub(crate) fn show(&mut self, id: TrainId) {
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        let blocks = train.blocks();
        let before = self.shown.get(&id).cloned().unwrap_or_default();
        if before == blocks {
            return;
        }
        self.shown.insert(id, blocks.clone());
        for place in &blocks {
            if !before.contains(place) {
                self.emit_train(id, TrainEvent::Entered, Some(*place));
            }
        }
        for place in before {
            if !blocks.contains(&place) {
                self.emit_train(id, TrainEvent::Vacated, Some(place));
            }
        }
        self.plan_train_wake(id);
        self.mark_tables_and_crossings();
        self.ahead_is_stale = true;
    }

    pub(crate) fn emit_train(&mut self, id: TrainId, event: TrainEvent, place: Option<PlaceId>) {
        let places = self.train(id).map(Train::blocks).unwrap_or_default();
        self.touched.insert(Item::Train(id));
        self.emit(What::Train {
            train: id,
            event,
            place,
            places,
        });
    }

    /// A train whose time has come: it has stopped, it has parted, nobody named it.
    fn look_at_train(&mut self, id: TrainId) {
        let now = self.now;
        self.end_unannounced(id, true);
        self.look_at_gap(id);
        if let Some(train) = self.trains.get(&id) {
            let length = train.head().and_then(|head| self.length_of(head.place));
            let stopped = now >= train.measure.stopped_at(length, train.moved);
            if stopped
                && let Some(train) = self.trains.get_mut(&id)
                && !train.stopped
            {
                train.stopped = true;
                self.touched.insert(Item::Train(id));
            }
        }
        self.ahead_is_stale = true;
        self.plan_train_wake(id);
    }

    pub(crate) fn plan_train_wake(&mut self, id: TrainId) {
        let now = self.now;
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        let length = train.head().and_then(|head| self.length_of(head.place));
        let stop = (!train.stopped).then(|| train.measure.stopped_at(length, train.moved));
        let gap = train
            .gap
            .as_ref()
            .map(|gap| gap.since.past(self.layout.settings.part));
        let unannounced = self
            .unannounced
            .iter()
            .any(|(train, _)| *train == id)
            .then(|| train.since.plus(UNANNOUNCED));
        let ahead = train.ahead_wake;
        let wake = [stop, gap, unannounced, ahead]
            .into_iter()
            .flatten()
            .filter(|at| *at > now)
            .min();
        self.timers.set(Subject::Train(id), wake);
    }

    /// Places next to a change: the trains there must be looked at again.
    pub(crate) fn mark_trains_in(&mut self, place: PlaceId) {
        if self.places[place.index()].trains.is_empty() {
            return;
        }
        for id in self.places[place.index()].trains.clone() {
            let Some(train) = self.trains.get(&id) else {
                continue;
            };
            let waiting: Vec<PlaceId> = train
                .chain
                .iter()
                .map(|link| link.place)
                .filter(|held| self.places[held.index()].off_since.is_some())
                .collect();
            for held in waiting {
                self.dirty.places.mark(held.index());
            }
        }
    }
}
