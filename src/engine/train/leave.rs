//! Going out: released places, gaps in the middle, going on unseen, coming up to another train, and
//! places that were given to the wrong one (DEVELOPERS.md, section 4; B3).

use alloc::vec::Vec;

use super::choose::Candidate;
use super::follow::Claim;
use super::{Gap, Link};
use crate::Engine;
use crate::change::{Item, Kept, Occupancy, TrainEvent};
use crate::ids::{PlaceId, TrainId};
use crate::layout::End;
use crate::place::Whereabouts;
use crate::timers::Subject;
use crate::track::Taking;

/// A train that came up to another so often, and was never seen alone, is not told from it.
const SHADOW_MAX: u32 = 3;

impl Engine {
    pub(super) fn place_vacated(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            self.went_on_before_another(id, place);
        }
        // As they were when the place was judged: one that has left is company to the other.
        let trains = self.places[place.index()].trains.iter();
        let judged: Vec<(TrainId, Whereabouts)> = trains
            .map(|id| (*id, self.whereabouts(*id, place)))
            .collect();
        for (id, whereabouts) in judged {
            match whereabouts {
                Whereabouts::WentInto(next) => self.go_unseen(id, place, next),
                Whereabouts::CameUpTo(next) => self.come_up_to(id, place, next),
                Whereabouts::Claims if self.claim_back(id, place) => {}
                Whereabouts::Claims
                | Whereabouts::Elsewhere
                | Whereabouts::Astride
                | Whereabouts::Unheard
                | Whereabouts::Nowhere => self.leave(id, place),
            }
        }
        // One that turned out to be another that was here has left as that.
        for id in self.places[place.index()].trains.clone() {
            self.leave(id, place);
        }
        self.claims.retain(|claim| claim.place != place);
    }

    /// Of several trains in a place that nothing watches those have left that are seen elsewhere.
    pub(super) fn left_by_one(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            if self.train(id).is_some_and(|train| train.chain.len() > 1) {
                self.leave(id, place);
            }
        }
    }

    /// A released place leaves the chain: at an end the train has moved on, in the middle it is
    /// torn.
    pub(crate) fn leave(&mut self, id: TrainId, place: PlaceId) {
        let now = self.now;
        let may_have_gone_on = self.may_have_gone_on(id, place);
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        let Some(at) = train.chain.iter().position(|link| link.place == place) else {
            return;
        };
        let count = train.chain.len();
        let link = train.take_link(at);
        // What it passed on the way, released at the same moment, says nothing new.
        train.drew_back = train.drew_back.take().filter(|back| back.at == now);
        let (mut turned, mut unseen) = (false, None);
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
                train.drew_back = may_have_gone_on;
                turned = true;
            } else {
                train.directed = true;
                train.reverse();
            }
        } else if at == 0 {
            train.directed = true;
            if let Some(first) = train.chain.first()
                && first.unconfirmed
                && train.chain.len() > 1
            {
                unseen = Some(first.place);
            }
        } else {
            self.tear(id, at, link, now);
        }
        self.places[place.index()].trains.retain(|held| *held != id);
        if let Some(unseen) = unseen {
            self.leave_behind_unseen(unseen);
        }
        self.touch_place(place);
        self.mark_tables_and_crossings();
        if turned {
            self.emit_train(id, TrainEvent::TurnedBack, Some(place));
        }
        if let Some(train) = self.trains.get_mut(&id) {
            train.stand();
            if at == 0 {
                // Its tail left where it came from: the story is confirmed.
                train.or.clear();
            }
        }
        self.touched.insert(Item::Train(id));
        self.show(id);
        self.end_empty(id);
    }

    /// The tail goes through a place that cannot see it: it has left that a release time later.
    fn leave_behind_unseen(&mut self, place: PlaceId) {
        let until = self.now.plus(self.release_time(place));
        self.places[place.index()].unseen_left = Some(until);
        self.timers.not_later(Subject::Place(place), until);
        self.dirty.places.mark(place.index());
    }

    /// B6: it ran out of dark track, or was drawn out, soon after the power went: it has left the
    /// place next to that as well. It takes what was kept there with it; what it may have left
    /// behind is not known.
    fn has_coasted_out(&mut self, id: TrainId, at: usize) -> bool {
        let Some(train) = self.train(id) else {
            return false;
        };
        let tail: Vec<PlaceId> = train.chain[..at].iter().map(|link| link.place).collect();
        let lately_dark = |place: &PlaceId| {
            let state = &self.places[place.index()];
            let coasts = state
                .feeds
                .iter()
                .map(|f| self.layout.feeds[f.index()].coast);
            let coast = coasts.max().unwrap_or_default();
            state.state == Occupancy::Dark
                && state.trains == [id]
                && self.now <= state.since.plus(coast)
        };
        if !tail.iter().all(lately_dark) {
            return false;
        }
        for place in tail {
            self.drop_link(id, place);
            let state = &mut self.places[place.index()];
            let before = (state.state, state.notes.kept.take());
            self.note_place_change(place, before, None);
        }
        true
    }

    /// B1: behind the gap there are only places that nothing watches: it went through them, and the
    /// place before them has seen its tail leave.
    fn was_seen_to_leave_unseen(&mut self, id: TrainId, at: usize) -> bool {
        let Some(train) = self.train(id) else {
            return false;
        };
        let unseen = |link: &Link| {
            let state = &self.places[link.place.index()];
            link.unconfirmed && state.state == Occupancy::Unknown
        };
        if !train.chain[..at].iter().all(unseen) {
            return false;
        }
        let tail: Vec<PlaceId> = train.chain[..at].iter().map(|link| link.place).collect();
        for place in tail {
            self.leave_behind_unseen(place);
        }
        true
    }

    /// The middle is gone. Where a tail's place is another train's as well, the train has left it.
    pub(super) fn tear(&mut self, id: TrainId, at: usize, link: Link, now: crate::time::Instant) {
        if self.has_coasted_out(id, at) {
            return;
        }
        if self.was_seen_to_leave_unseen(id, at) {
            return;
        }
        let Some(train) = self.train(id) else {
            return;
        };
        let tail: Vec<PlaceId> = train.chain[..at].iter().map(|link| link.place).collect();
        let alone = |place: &PlaceId| self.places[place.index()].trains.len() == 1;
        let own: Vec<PlaceId> = tail.iter().copied().filter(alone).collect();
        let of_others = self.tail_of_others(id, &own);
        if of_others.len() == own.len() {
            for (claim, first) in of_others {
                self.pass_on(&claim, &first);
            }
            for place in tail {
                if let Some(train) = self.trains.get_mut(&id) {
                    train.keep_links(|link| link.place != place);
                    train.gap = None;
                }
                self.places[place.index()].trains.retain(|held| *held != id);
                self.touch_place(place);
            }
            return;
        }
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        // However far the head runs on meanwhile, it has been torn since then.
        let since = train.gap.take().map_or(now, |gap| gap.since);
        train.gap = Some(Gap { since, at, link });
        self.plan_train_wake(id);
    }

    /// Into a place next door that is not lit by it: it cannot see it, or another has lit it.
    pub(crate) fn step_unseen(&mut self, id: TrainId, from: PlaceId, into: PlaceId, hidden: bool) {
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
            link.unconfirmed = hidden;
            link.timed = false;
            train.go_into(link);
            train.directed = true;
            if hidden {
                train.moved = now;
            }
            self.hold(into, id, by);
        }
    }

    /// What a place that cannot see holds from now on.
    pub(crate) fn keep_unseen(&mut self, place: PlaceId) {
        let state = &mut self.places[place.index()];
        let before = (state.state, state.notes.kept);
        state.notes.kept = Some(Kept::Occupied);
        if before.1 != state.notes.kept {
            self.note_place_change(place, before, None);
        }
    }

    /// B3: gone on into a place that cannot see it, which then keeps it.
    pub(crate) fn go_unseen(&mut self, id: TrainId, from: PlaceId, into: PlaceId) {
        self.step_unseen(id, from, into, true);
        self.leave(id, from);
        self.keep_unseen(into);
    }

    /// B3: it has come up to another train; both are there.
    pub(super) fn come_up_to(&mut self, id: TrainId, from: PlaceId, into: PlaceId) {
        let alone = self.went_on_after_all(into, id);
        self.step_unseen(id, from, into, false);
        self.leave(id, from);
        if alone {
            self.show(id);
            return;
        }
        self.emit_train(id, TrainEvent::Coupled, Some(into));
        self.join_again(id, into);
    }

    /// A portion that has come together with the train that it parted from is that train again; so
    /// is a train without a name that for some time has been nowhere without another: nothing that
    /// was seen needs two.
    fn join_again(&mut self, id: TrainId, place: PlaceId) {
        let others: Vec<TrainId> = self.places[place.index()]
            .trains
            .iter()
            .copied()
            .filter(|other| *other != id)
            .collect();
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        train.shadow = train.shadow.saturating_add(1);
        let portion = train.parent.is_some_and(|parent| others.contains(&parent));
        let shadow = train.shadow >= SHADOW_MAX;
        let doubtful = train.name.is_none() && (portion || (shadow && !train.alone));
        let held: Vec<PlaceId> = train.chain.iter().map(|link| link.place).collect();
        // What it alone holds is not given up.
        let alone = |place: &PlaceId| self.places[place.index()].trains.len() < 2;
        if others.is_empty() || held.iter().any(alone) {
            return;
        }
        if doubtful {
            for place in held {
                self.drop_link(id, place);
            }
        } else if let ([other], true) = (others.as_slice(), shadow)
            && self.was_never_without(*other, id)
        {
            self.be(id, *other);
        }
    }

    /// A portion without a name, born of a train that seemed to part, that since has been nowhere
    /// without the one that now follows it: nobody parted, that one had closed up to the tail.
    fn was_never_without(&self, portion: TrainId, follower: TrainId) -> bool {
        let (Some(portion), Some(follower)) = (self.train(portion), self.train(follower)) else {
            return false;
        };
        let born = portion.parent.is_some() && portion.name.is_none() && !portion.stays;
        // Each time that it was followed it had come into one place more, but for the one in which
        // it was born.
        let held = portion.chain.iter().filter(|link| link.left.is_none());
        born && (portion.entered as usize) < follower.shadow as usize + held.count() - 1
    }

    /// One train is what another was taken for, and where.
    fn be(&mut self, id: TrainId, other: TrainId) {
        let Some(taken) = self.trains.get_mut(&other) else {
            return;
        };
        let chain = core::mem::take(&mut taken.chain);
        let taken = taken.clone();
        for link in &chain {
            let trains = &mut self.places[link.place.index()].trains;
            trains.retain(|held| *held != id);
            for held in trains {
                if *held == other {
                    *held = id;
                }
            }
            self.touch_place(link.place);
        }
        if let Some(train) = self.trains.get_mut(&id) {
            (train.chain, train.gap) = (chain, taken.gap);
            (train.directed, train.stopped) = (taken.directed, taken.stopped);
            (train.measure, train.moved) = (taken.measure, taken.moved);
            train.entered = taken.entered;
            train.left_lately = taken.left_lately;
            train.shadow = 0;
        }
        self.end_empty(other);
        self.show(id);
        self.refresh_left(id);
        self.ahead_of_train(id);
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

    /// A place that went to another train is what explains where this one is: that, and how this
    /// one would have come in.
    pub(crate) fn claim_of(&self, id: TrainId, left: PlaceId) -> Option<(&Claim, &Candidate)> {
        self.claims.iter().find_map(|claim| {
            let mut losers = claim.losers.iter();
            let mine =
                losers.find(|c| c.train == id && self.track.place_of(c.from) == Some(left))?;
            let winner_elsewhere = self.train(claim.winner.train).is_some_and(|winner| {
                let ends = [winner.chain.first(), winner.chain.last()];
                let at_end = ends
                    .into_iter()
                    .flatten()
                    .any(|link| link.place == claim.place);
                at_end
                    && winner
                        .chain
                        .iter()
                        .any(|link| link.place != claim.place && self.places[link.place.index()].on)
            });
            // Over a border the peer says who it was.
            let here = !self.is_beyond(claim.place);
            let holds = here && winner_elsewhere && self.places[claim.place.index()].on;
            holds.then_some((claim, mine))
        })
    }

    pub(crate) fn claim_back(&mut self, id: TrainId, left: PlaceId) -> bool {
        let Some((claim, mine)) = self.claim_of(id, left) else {
            return false;
        };
        let (claim, mine) = (claim.clone(), mine.clone());
        self.pass_on(&claim, &mine);
        self.leave(id, left);
        true
    }

    /// A place goes from the train that was given it to another that could have come in as well.
    pub(super) fn pass_on(&mut self, claim: &Claim, mine: &Candidate) {
        // Its story begins again where it was before; one that has gone on since keeps its own.
        let before = self.train(claim.winner.train).and_then(|winner| {
            let head = winner.head().filter(|head| head.place == claim.place)?;
            Some(head.before)
        });
        self.drop_link(claim.winner.train, claim.place);
        if let (Some((directed, measure)), Some(winner)) =
            (before, self.trains.get_mut(&claim.winner.train))
        {
            (winner.directed, winner.measure) = (directed, measure);
            if let Some(head) = winner.chain.last_mut() {
                head.headward = None;
            }
        }
        self.show(claim.winner.train);
        self.extend(&self.of_now(mine, claim.place), claim.place);
        self.show(mine.train);
        self.ahead_of_train(mine.train);
        self.ahead_of_train(claim.winner.train);
        self.claims.retain(|other| other.place != claim.place);
        let others = claim
            .losers
            .iter()
            .filter(|other| other.train != mine.train);
        self.claims.push(Claim {
            place: claim.place,
            winner: mine.clone(),
            losers: core::iter::once(&claim.winner)
                .chain(others)
                .cloned()
                .collect(),
            passed_on: true,
        });
    }

    /// A candidate of a while ago: where it has since been seen on its way, it comes from there.
    fn of_now(&self, mine: &Candidate, place: PlaceId) -> Candidate {
        let seen_since = self.train(mine.train).is_some_and(|train| {
            let mut between = mine.unseen.iter();
            between.any(|(between, ..)| train.holds(*between))
        });
        let nearer = |other: &Candidate| other.train == mine.train && other.unseen.is_empty();
        let mut now = seen_since
            .then(|| self.candidates(place).into_iter().find(nearer))
            .flatten()
            .unwrap_or_else(|| mine.clone());
        if let Some(train) = self.train(mine.train) {
            now.unseen.retain(|(between, ..)| !train.holds(*between));
        }
        now
    }

    /// Nothing explains a place that is lit, unless a place next door was given to the wrong train:
    /// then that passes to the train which could have gone on from there.
    pub(super) fn told_otherwise(&mut self, place: PlaceId) -> Option<Vec<Candidate>> {
        let mut found: Option<(Claim, Candidate)> = None;
        for to in self.track.ends(place) {
            for next in self.track.reach(to, &self.points, Taking::AsSet) {
                let claim = self.claims.iter().find(|claim| claim.place == next.place);
                let Some(claim) = claim else { continue };
                let winner_elsewhere = self.train(claim.winner.train).is_some_and(|winner| {
                    winner
                        .chain
                        .iter()
                        .any(|link| link.place != claim.place && self.places[link.place.index()].on)
                });
                let goes_on = claim.losers.iter().find(|loser| {
                    self.train(loser.train).is_some()
                        && self.track.onward(loser.to).contains(&next.by)
                });
                if let (Some(loser), true) = (goes_on, winner_elsewhere) {
                    found = found.or_else(|| Some((claim.clone(), loser.clone())));
                }
            }
        }
        let (claim, mine) = found?;
        self.pass_on(&claim, &mine);
        let candidates = self.candidates(place);
        (!candidates.is_empty()).then_some(candidates)
    }

    /// Takes a place from a train without any story.
    pub(crate) fn drop_link(&mut self, id: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get_mut(&id) {
            train.keep_links(|link| link.place != place);
            train.stand();
        }
        self.places[place.index()].trains.retain(|held| *held != id);
        self.touch_place(place);
        self.end_empty(id);
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
            let train = self.trains.get_mut(&id);
            // It may hold other places, and those do not change.
            if train.is_some_and(|train| core::mem::take(&mut train.lost)) {
                self.touched.insert(Item::Train(id));
            }
            self.drop_link(id, place);
            self.show(id);
        }
    }

    pub(super) fn taken_by_hand(&mut self, place: PlaceId) {
        for id in self.places[place.index()].trains.clone() {
            self.drop_link(id, place);
            // What is left of it may hold another place.
            self.show(id);
        }
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
        self.ahead_of_train(id);
    }
}
