//! Who has come up behind a train into what looks like its tail: what is seen there is that one,
//! and the train has gone on (DEVELOPERS.md, section 4).
//!
//! No detector tells the two apart. What does is time: as long as the whole of a train takes over a
//! boundary, so long it was astride the one that it passed last. A portion takes less.

use alloc::vec::Vec;

use super::{Gap, Link, Train};
use crate::Engine;
use crate::ids::{PlaceId, TrainId};
use crate::place::Whereabouts;
use crate::track::Taking;

/// A train next to what looks like another's tail, that heads for it.
pub(super) struct Behind {
    train: TrainId,
    /// Its head's place.
    from: PlaceId,
    pub(super) moves: bool,
    /// It has had the time to come up into the tail's last place.
    pub(super) may_be_there: bool,
}

impl Engine {
    /// The trains next to what looks like a tail that head for it: it may be one of them that is
    /// seen there.
    pub(super) fn who_heads_for_its_tail(&self, id: TrainId, at: usize) -> Vec<Behind> {
        let Some(train) = self.trains.get(&id) else {
            return Vec::new();
        };
        let next_of = |other: &Train| {
            let ends = other.outward(&self.track).into_iter();
            let next = ends.flat_map(|end| self.track.reach(end, &self.points, Taking::AsSet));
            next.map(|next| next.place).collect::<Vec<PlaceId>>()
        };
        let tail = &train.chain[..at];
        let mut found = Vec::new();
        for other in self.trains.values().filter(|other| other.id != id) {
            let Some(head) = other.head().filter(|_| other.directed) else {
                continue;
            };
            if other.lost {
                continue;
            }
            // Who is where beyond a border, the peer says.
            let links = tail.iter().chain([head]);
            let ours = !links.map(|link| link.place).any(|at| self.is_beyond(at));
            let next = next_of(other);
            for (index, link) in tail.iter().enumerate() {
                if !next.contains(&link.place) {
                    continue;
                }
                let last = index == 0 && ours;
                found.push(Behind {
                    train: other.id,
                    from: head.place,
                    moves: !other.stopped,
                    may_be_there: last && (other.stopped || self.was_due(other.id, self.now)),
                });
            }
        }
        found
    }

    /// Over the boundary beyond the gap as much went as over one before it: nothing was left
    /// behind. A train that stood across one of the two says nothing of that.
    pub(super) fn went_on_whole(&self, id: TrainId, gap: &Gap) -> bool {
        let Some(train) = self.train(id) else {
            return false;
        };
        let (before, next) = (&train.chain[..gap.at], &train.chain[gap.at]);
        let off = self.places[gap.link.place.index()].off_since;
        let Some(off) = off.filter(|_| next.timed) else {
            return false;
        };
        let astride = off.since(next.entered);
        let took = before.iter().rev().find_map(|link| link.astride);
        train.measure.is_all_of_it(astride, took)
    }

    /// Whoever is behind it has moved up into what looked like its tail, as far as that shows; it
    /// has left that.
    pub(super) fn leave_tail_to(&mut self, id: TrainId, at: usize, behind: &Behind) {
        let Some(train) = self.train(id) else {
            return;
        };
        let tail: Vec<PlaceId> = train.chain[..at].iter().map(|link| link.place).collect();
        let (mut from, mut shows) = (behind.from, true);
        for place in tail {
            shows &= self.places[place.index()].on;
            if shows {
                self.step_unseen(behind.train, from, place, false);
            }
            self.drop_link(id, place);
            from = place;
        }
        self.show(id);
        self.show(behind.train);
        self.ahead_of_train(id);
        self.ahead_of_train(behind.train);
    }

    /// The head's place is released, and behind it the train shows only where another may have come
    /// up to: the time in here was that of all of it, and what is ahead can hide it. So it has gone
    /// on, and has not drawn back.
    pub(super) fn went_on_before_another(&mut self, id: TrainId, place: PlaceId) {
        let Some(train) = self.train(id).filter(|train| train.directed) else {
            return;
        };
        let chain = train.chain.split_last();
        let Some((head, tail)) = chain.filter(|(head, _)| head.place == place) else {
            return;
        };
        let alone = |link: &Link| self.places[link.place.index()].trains.len() == 1;
        // When it came in is not known: neither is how long it was here.
        if !head.timed || !tail.iter().all(alone) {
            return;
        }
        let off = self.places[place.index()].off_since;
        let whole = self.length_of(place).zip(off).is_some_and(|(length, off)| {
            let took = off.since(head.entered);
            train.measure.ran_through(length, took)
        });
        let ahead = self.next_unseen(train, place, true);
        if !whole || !matches!(ahead, Some(Whereabouts::CameUpTo(_))) {
            return;
        }
        let at = tail.len();
        let behind = self.who_heads_for_its_tail(id, at);
        if let Some(other) = behind.into_iter().find(|other| other.may_be_there) {
            self.leave_tail_to(id, at, &other);
        }
    }
}
