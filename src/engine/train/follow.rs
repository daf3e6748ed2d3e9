//! Following: what was lit, left, lost or darkened moves the trains (DEVELOPERS.md, section 4).
//!
//! Input: the place stage's events, in order. Output: chains, the trains' changes, and the end of
//! B4 (a lost train that was found next door), which is the one thing that goes back to a place.

use alloc::vec::Vec;

use super::Train;
use super::choose::{Candidate, Class};
use super::measure::Crossing;
use crate::Engine;
use crate::change::{Item, Occupancy, TrainEvent, What};
use crate::ids::{PlaceId, TrainId};
use crate::place::PlaceEvent;
use crate::time::Span;
use crate::timers::Subject;
use crate::track::Taking;

/// How long `unannounced` lasts.
pub(super) const UNANNOUNCED: Span = Span::from_secs(60);

/// A place that a train's tail has left.
struct Passed {
    place: PlaceId,
    /// When its head came in, and into the next.
    entered: crate::time::Instant,
    next: Option<crate::time::Instant>,
    /// How long it took to come over the boundary by which it came in.
    astride_before: Option<Span>,
}

/// A place that went to one train though others could have come in.
#[derive(Clone, Debug)]
pub(crate) struct Claim {
    pub(crate) place: PlaceId,
    pub(crate) winner: Candidate,
    pub(crate) losers: Vec<Candidate>,
    /// It went to another first, who is first among the losers.
    pub(crate) passed_on: bool,
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
                PlaceEvent::LeftByOne(place) => self.left_by_one(place),
                PlaceEvent::Lost(place) => self.place_lost(place),
                PlaceEvent::TakenByHand(place) => self.taken_by_hand(place),
                PlaceEvent::Darkened(place) => self.place_darkened(place),
                PlaceEvent::PowerBack(place, since) => self.power_back(place, since),
            }
        }
        let due = core::mem::take(&mut self.due_trains);
        for id in due {
            self.look_at_train(id);
        }
    }

    pub(crate) fn place_lit(&mut self, place: PlaceId) {
        if !self.is_beyond(place) {
            self.note_lit_together(place);
        }
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
        let mut candidates = self.candidates(place);
        if let Some(best) = candidates.first().cloned()
            && self.give_up_other_end(&best, &mut Vec::new())
        {
            candidates = self.candidates(place);
        }
        self.keep_whom_the_peer_names(place, &mut candidates);
        let own = self.places[place.index()].trains.first().copied();
        // A drop-out under a tail that was just leaving; a train that moves towards it comes first.
        match (candidates.first(), own) {
            (Some(best), _) if best.class <= Class::Towards => self.enter(place, &candidates),
            (_, Some(id)) => self.return_to(id, place),
            (Some(_), None) => self.enter(place, &candidates),
            (None, None) => match self.told_otherwise(place) {
                Some(candidates) => self.enter(place, &candidates),
                None => self.maybe_new_train(place),
            },
        }
    }

    /// A place that a train holds is lit again: it is found, or confirmed.
    pub(super) fn seen_again(&mut self, id: TrainId, place: PlaceId) {
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
        self.touched.insert(Item::Train(id));
        if core::mem::take(&mut train.lost) {
            self.emit_train(id, TrainEvent::Found, Some(place));
        }
        self.refresh_left(id);
    }

    /// The tail comes back into a place that it was only leaving.
    pub(super) fn return_to(&mut self, id: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get_mut(&id) {
            for link in &mut train.chain {
                if link.place == place {
                    link.left = None;
                }
            }
        }
        self.show(id);
    }

    pub(super) fn place_unlit(&mut self, place: PlaceId) {
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
    pub(super) fn note_lit_together(&mut self, place: PlaceId) {
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

    pub(super) fn tell_coupled(&mut self, place: PlaceId, coupled: bool) {
        for id in self.places[place.index()].detectors.clone() {
            let detector = &self.layout.detectors[id.index()];
            if self.detectors[id.index()].judge_coupled(detector, coupled) {
                self.report_health(id);
            }
        }
    }

    /// `stuck`: trains that come into and leave the places on both sides of one that stays on.
    pub(super) fn note_passed_beside(&mut self, place: PlaceId) {
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
            let held = matches!(place.state, Occupancy::Occupied | Occupancy::Lost);
            !place.on && place.off_since.is_some() && held
        };
        let on = |at: usize| self.places[train.chain[at].place.index()].on;
        let count = train.chain.len();
        for (at, left) in left.iter_mut().enumerate() {
            if !off(at) || !(at..count).any(on) {
                break;
            }
            left.get_or_insert(now);
        }
        // Without a direction either end may be the tail; the head's place is kept until released.
        if !train.directed {
            for (at, left) in left.iter_mut().enumerate().rev() {
                if !off(at) || !(0..at).any(on) {
                    break;
                }
                left.get_or_insert(now);
            }
        }
        let mut passed = None;
        if let Some(train) = self.trains.get_mut(&id) {
            for (at, left) in left.into_iter().enumerate() {
                // What nothing sees the train come into tells no time.
                let next = train.chain.get(at + 1).filter(|link| link.timed);
                let next = next.map(|link| link.entered);
                let link = &mut train.chain[at];
                let leaves = link.left.is_none() && left.is_some();
                link.left = left;
                if !leaves {
                    continue;
                }
                train.left_lately.push((link.place, now));
                // Nor does it show when it left what was dark meanwhile.
                let seen = self.places[link.place.index()].state == Occupancy::Occupied;
                let seen = seen && link.timed;
                if link.tailward.is_some() && train.directed && seen {
                    passed = Some(Passed {
                        place: link.place,
                        entered: link.entered,
                        next,
                        astride_before: link.astride,
                    });
                }
                if let (Some(entered), Some(link)) = (next, train.chain.get_mut(at + 1)) {
                    link.astride = Some(now.since(entered));
                }
            }
            train
                .left_lately
                .retain(|(_, at)| now.since(*at) <= Span::from_secs(60));
        }
        if let Some(passed) = passed {
            self.measure_passed(id, &passed);
        }
        self.show(id);
    }

    /// The tail has left a place: what that says about length and speed.
    fn measure_passed(&mut self, id: TrainId, passed: &Passed) {
        let now = self.now;
        let Some(length) = self.length_of(passed.place) else {
            return;
        };
        let overstays = self.overstays(id);
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        if !overstays {
            let took = now.since(passed.entered);
            train.measure.passed(length, took);
        }
        if let Some(next) = passed.next {
            let crossing = Crossing {
                length_mm: length,
                took: next.since(passed.entered),
                astride_in: passed.astride_before,
                astride_out: now.since(next),
            };
            train.measure.ran_over(&crossing);
        }
    }

    /// The head should have left its place by now: the train has stood, or goes slower than it did.
    pub(crate) fn overstays(&self, id: TrainId) -> bool {
        let Some(train) = self.train(id) else {
            return false;
        };
        train.head().is_some_and(|head| {
            let length = self.length_of(head.place);
            let latest = length.and_then(|length| train.measure.seconds_over(length));
            let inside = self.now.since(head.entered).as_secs_f64();
            latest.is_some_and(|(_, latest)| inside > latest)
        })
    }

    pub(super) fn place_lost(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            let gone = self.whereabouts(id, place) == crate::place::Whereabouts::Nowhere;
            if gone && let Some(train) = self.trains.get_mut(&id) {
                train.lost = true;
                train.stopped = true;
                self.emit_train(id, TrainEvent::Lost, Some(place));
            }
            if !gone {
                // B7 says lost of what stood here; a train that is seen elsewhere has left it.
                self.refresh_left(id);
            }
        }
        self.mark_roads_to(place);
    }

    pub(super) fn place_darkened(&mut self, place: PlaceId) {
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
        self.mark_roads_to(place);
    }

    /// A train that stood because its power was gone runs on when that is back: the time without
    /// power was no time on its way, neither for its speed nor for when it has stopped.
    fn power_back(&mut self, place: PlaceId, since: crate::time::Instant) {
        let now = self.now;
        let length = self.length_of(place);
        for id in self.places[place.index()].trains.clone() {
            let Some(train) = self.trains.get_mut(&id) else {
                continue;
            };
            // What came in since has coasted, or the switch message was wrong.
            let ran = train.directed && train.entered > 0 && train.moved <= since;
            let here = train.head().is_some_and(|head| head.place == place);
            if !here || !ran || train.lost || train.stays || train.remembered {
                continue;
            }
            let had_stopped = since >= train.measure.stopped_at(length, train.moved);
            let stood = now.since(since);
            train.moved = train.moved.plus(stood);
            if let Some(head) = train.chain.last_mut() {
                head.entered = head.entered.plus(stood);
            }
            if train.stopped && !had_stopped {
                train.stopped = false;
                self.touched.insert(Item::Train(id));
            }
            self.ahead_of_train(id);
            self.plan_train_wake(id);
        }
    }

    /// Trains in a place that has changed, and those that come to where they are.
    fn mark_roads_to(&mut self, place: PlaceId) {
        self.ahead_of_place(place);
        for id in self.places[place.index()].trains.clone() {
            self.ahead_of_train(id);
        }
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
        self.ahead_of_train(id);
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
    pub(super) fn look_at_train(&mut self, id: TrainId) {
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
        self.ahead_of_train(id);
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
