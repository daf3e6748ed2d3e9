//! What went over a border where nobody could tell it by a place that was lit: a train that came up
//! to another one there, one that went in where nothing can see it, and one that came over while
//! the peer was not heard (DEVELOPERS.md, 'Many computers'; B3).
//!
//! Input: the peer's words. Output: chains, as the follower would have made them had the whole been
//! one layout. What is released on account of it, [`super`] decides: by words alone, never by time.

use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::change::{Item, Occupancy, TrainEvent};
use crate::ids::{BlockId, PeerId, PlaceId, TrainId};
use crate::input::PeerTrain;
use crate::layout::{End, Side as BlockEnd};
use crate::place::Whereabouts;
use crate::track::Taking;
use crate::train::{Link, Train, UNSEEN_MAX};

/// A train that nothing explained when it was first seen, not far from a border: it may have come
/// over.
#[derive(Clone, Debug)]
pub(crate) struct Came {
    /// From these places beyond.
    beyond: Vec<PlaceId>,
    /// The first of our words that speaks of the train.
    word: Option<u64>,
    /// We had only just begun to look: it may as well have stood there.
    stood: bool,
}

impl Engine {
    /// The places beyond the borders that a train which is seen nowhere here may have gone to.
    pub(super) fn ways_beyond(&self, train: &Train, place: PlaceId) -> Vec<PlaceId> {
        let held = train.chain.iter().map(|link| link.place);
        let held = held.filter(|place| self.is_beyond(*place));
        let mut beyond: Vec<PlaceId> = train.astray.iter().copied().chain(held).collect();
        for end in self.ends_to_leave_by(train, place, false) {
            self.beyond_from(end, 0, &mut beyond);
        }
        beyond.sort_unstable();
        beyond.dedup();
        beyond
    }

    /// Next door, or through places that were not heard of: it may have run through them.
    fn beyond_from(&self, end: End, passed: usize, beyond: &mut Vec<PlaceId>) {
        for next in self.track.reach(end, &self.points, Taking::AsSet) {
            let state = &self.places[next.place.index()];
            let unheard = state.state == Occupancy::Unknown && state.trains.is_empty();
            if self.is_beyond(next.place) {
                beyond.push(next.place);
            } else if unheard && passed < UNSEEN_MAX {
                for onward in self.track.onward(next.by) {
                    self.beyond_from(onward, passed + 1, beyond);
                }
            }
        }
    }

    /// Trains in places that are not heard of may go over a border meanwhile. That is kept until
    /// they are seen here: when the places are heard of again, it has happened.
    pub(super) fn note_astray(&mut self) {
        for id in self.trains.keys().copied().collect::<Vec<TrainId>>() {
            let Some(train) = self.train(id) else {
                continue;
            };
            let astray = if self.is_with_us(train) {
                Vec::new()
            } else {
                let mut links = train.chain.iter().map(|link| link.place);
                let unheard = links.find(|place| {
                    let state = &self.places[place.index()];
                    !self.is_beyond(*place) && !state.on && state.off_since.is_none()
                });
                match unheard {
                    Some(place) => self.ways_beyond(train, place),
                    None => continue,
                }
            };
            if let Some(train) = self.trains.get_mut(&id) {
                train.astray = astray;
            }
        }
    }

    /// Whether we answer for a train: a detector of ours sees it, or it has gone in where nothing
    /// can see it, and is held there until that is disproven (B3).
    pub(super) fn is_with_us(&self, train: &Train) -> bool {
        let own = |place: PlaceId| !self.is_beyond(place);
        let mut links = train.chain.iter();
        let seen = links.any(|link| own(link.place) && self.places[link.place.index()].on);
        seen || train
            .head()
            .is_some_and(|head| head.unconfirmed && own(head.place) && self.is_unseen(head.place))
    }

    /// A peer that a train has gone on to, and that sees it there.
    pub(super) fn gone_on_to(&self, train: &Train) -> Option<String> {
        let peer = self.peer_of(train.head()?.place)?;
        let mut links = train.chain.iter();
        let there = links.all(|link| self.peer_of(link.place) == Some(peer));
        let heard = &self.borders.peers[peer.index()];
        let mut listed = heard.trains.iter();
        let seen =
            listed.any(|listed| listed.seen && self.train_of(&listed.identity) == Some(train.id));
        (there && seen && self.is_heard(peer))
            .then(|| self.layout.peers[peer.index()].prefix.clone())
    }

    /// Whether a place of ours waits to be released by a train that may have gone over a border:
    /// the peer is asked for it.
    pub(super) fn is_sought(&self, train: &Train) -> bool {
        if train.lost || self.is_with_us(train) {
            return false;
        }
        let mut links = train.chain.iter().map(|link| link.place);
        links.any(|place| {
            let state = &self.places[place.index()];
            let release = self.release_time(place);
            !self.is_beyond(place)
                && matches!(state.state, Occupancy::Occupied | Occupancy::Unknown)
                && state
                    .off_since
                    .is_some_and(|off| self.now >= off.plus(release))
                && !self.ways_beyond(train, place).is_empty()
        })
    }

    /// A peer has begun to look for trains that were last at our border: B3 is ours to say, as we
    /// know what is on this side.
    pub(super) fn take_sought(&mut self, peer: PeerId, before: &[PeerTrain]) {
        for listed in self.borders.peers[peer.index()].trains.clone() {
            let was = before.iter().find(|was| was.identity == listed.identity);
            // Once, as soon as it is known: what comes here later is no answer.
            if !listed.seeks || was.is_some_and(|was| was.seeks) {
                continue;
            }
            let train = self
                .train_of(&listed.identity)
                .and_then(|id| self.train(id));
            let Some(train) = train.filter(|train| !self.is_with_us(train)) else {
                continue;
            };
            let head = train.head().map(|head| head.place);
            let Some(from) = head.filter(|place| self.peer_of(*place) == Some(peer)) else {
                continue;
            };
            let id = train.id;
            match self.gone_on(train, from) {
                Whereabouts::WentInto(into) => self.go_unseen(id, from, into),
                Whereabouts::CameUpTo(into) => {
                    self.step_unseen(id, from, into, false);
                    self.leave(id, from);
                    if let Some(train) = self.trains.get_mut(&id) {
                        train.alone = false;
                    }
                    self.emit_train(id, TrainEvent::Coupled, Some(into));
                }
                Whereabouts::Claims => {
                    self.claim_back(id, from);
                }
                _ => {}
            }
        }
    }

    /// A peer says that a train of ours is in its block at our border, and no place was lit by it.
    pub(super) fn join_beyond(&mut self, place: PlaceId) {
        let listed = self.listed_in(place).to_vec();
        for identity in listed {
            let Some(train) = self.train_of(&identity).and_then(|id| self.train(id)) else {
                continue;
            };
            let (id, from) = (train.id, train.head().map(|head| head.place));
            let Some(from) = from.filter(|_| !train.holds(place) && self.is_sought(train)) else {
                continue;
            };
            let state = &self.places[place.index()];
            let together = state.on && !state.trains.is_empty();
            let hidden = !state.on && state.state != Occupancy::Vacant;
            let next = self.ends_between(from, place).is_some();
            if self.is_beyond(from) || !next || !(together || hidden) {
                continue;
            }
            self.step_unseen(id, from, place, hidden);
            self.show(id);
            if hidden {
                self.keep_unseen(place);
            }
            if together {
                self.emit_train(id, TrainEvent::Coupled, Some(place));
            }
        }
    }

    /// A train was taken to have come up to another one here, and its peer sees it again: it has
    /// not come.
    pub(super) fn send_back(&mut self, peer: PeerId) {
        if !self.has_answered(peer) {
            return;
        }
        let seen = self.borders.peers[peer.index()].trains.iter();
        let seen = seen.filter(|listed| listed.seen);
        let seen: Vec<TrainId> = seen
            .filter_map(|listed| self.train_of(&listed.identity))
            .collect();
        for id in seen {
            let Some(train) = self.train(id).filter(|train| !train.alone) else {
                continue;
            };
            let own: Vec<PlaceId> = train.blocks();
            let shared = |place: &PlaceId| {
                !self.is_beyond(*place) && self.places[place.index()].trains.len() > 1
            };
            if own.is_empty() || !own.iter().all(shared) {
                continue;
            }
            let borders = self.borders_of(peer).iter();
            let back = borders
                .map(|border| self.track.block(border.place))
                .find(|place| self.is_named_in(*place, id));
            if let (Some(back), Some(train)) = (back, self.trains.get_mut(&id)) {
                train.chain.push(Link::new(back, self.now));
                train.directed = false;
                self.places[back.index()].trains.push(id);
                self.touch_place(back);
            }
            for place in own {
                self.drop_link(id, place);
            }
            self.show(id);
        }
    }

    /// A train was not where it was taken to have come in: what it was before, it is again.
    pub(super) fn was_not_there(&mut self, id: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get_mut(&id)
            && let Some(head) = train.chain.last().filter(|head| head.place == place)
        {
            (train.directed, train.measure) = head.before;
            if let Some(at) = train.chain.len().checked_sub(2) {
                train.chain[at].headward = None;
            }
        }
        self.drop_link(id, place);
        self.show(id);
    }

    /// Whether a peer says that a train is in a block of its.
    pub(super) fn is_named_in(&self, place: PlaceId, id: TrainId) -> bool {
        let mut listed = self.listed_in(place).iter();
        listed.any(|who| self.train_of(who) == Some(id))
    }

    /// A new train, next to a border or with nothing between that was heard of.
    pub(crate) fn note_came(&mut self, id: TrainId, place: PlaceId, booting: bool) {
        if self.layout.peers.is_empty() {
            return;
        }
        let near = self.near(place, Taking::Any).into_iter();
        let mut beyond: Vec<PlaceId> = near.filter(|next| self.is_beyond(*next)).collect();
        for end in self.track.ends(place) {
            self.beyond_from(end, 0, &mut beyond);
        }
        beyond.sort_unstable();
        beyond.dedup();
        if let Some(train) = self.trains.get_mut(&id).filter(|_| !beyond.is_empty()) {
            train.came = Some(Came {
                beyond,
                word: None,
                stood: booting,
            });
        }
    }

    /// The first word that speaks of a train has a number now.
    pub(super) fn number_those_who_came(&mut self) {
        let number = self.borders.number;
        for train in self.trains.values_mut() {
            if let Some(came) = &mut train.came {
                came.word = came.word.or(Some(number));
            }
        }
    }

    /// Trains that nothing explained, and trains that the peer misses at that border: they are the
    /// same, in the order in which they came. It ends when the peer has answered to the news.
    pub(super) fn take_those_who_came(&mut self, peer: PeerId) {
        if self.trains.values().all(|train| train.came.is_none()) {
            return;
        }
        for (here, beyond) in self.sides_of(peer) {
            self.take_over(peer, here, beyond);
        }
        let heard = |place: PlaceId| {
            let peer = self.peer_of(place)?;
            self.borders.peers[peer.index()].ours
        };
        let doubtful = |place: PlaceId| {
            let peer = self
                .peer_of(place)
                .map(|peer| &self.borders.peers[peer.index()]);
            peer.is_some_and(|peer| peer.trains.iter().any(|listed| listed.astray))
        };
        let over = |came: &Came| {
            let mut beyond = came.beyond.iter();
            beyond.all(|next| heard(*next) >= came.word && !doubtful(*next))
        };
        let explained: Vec<TrainId> = self
            .trains
            .values()
            .filter(|train| train.came.as_ref().is_some_and(over))
            .map(|train| train.id)
            .collect();
        for id in explained {
            if let Some(train) = self.trains.get_mut(&id) {
                train.came = None;
            }
        }
    }

    /// Our place and the peer's, for each border with it.
    fn sides_of(&self, peer: PeerId) -> Vec<(PlaceId, PlaceId)> {
        let place = |block: BlockId| self.track.block(block);
        let borders = self.borders_of(peer).iter();
        borders
            .map(|border| (place(border.here), place(border.place)))
            .collect()
    }

    fn take_over(&mut self, peer: PeerId, here: PlaceId, beyond: PlaceId) {
        let Some((out, by)) = self.ends_between(beyond, here) else {
            return;
        };
        let trains = &self.borders.peers[peer.index()].trains;
        let entry = |who: &String| trains.iter().find(|listed| listed.identity == *who);
        // The list goes from end a to end b; who is nearest to the border went first.
        let listed = self.listed_in(beyond);
        let mut missed: Vec<PeerTrain> = listed
            .iter()
            .filter_map(|who| entry(who).cloned())
            .collect();
        if matches!(out, End::Block(_, BlockEnd::B)) {
            missed.reverse();
        }
        // Further away they were when their places were not heard of.
        let further = trains
            .iter()
            .filter(|who| who.seeks && !listed.contains(&who.identity));
        missed.extend(further.cloned());
        missed.retain(|who| {
            let known = self.train_of(&who.identity).and_then(|id| self.train(id));
            // One that was at the border before is known, and only there.
            known.is_none_or(|train| {
                who.seeks && train.chain.iter().all(|link| self.is_beyond(link.place))
            })
        });
        let mut came: Vec<TrainId> = self
            .trains
            .values()
            .filter(|train| {
                train
                    .came
                    .as_ref()
                    .is_some_and(|came| came.beyond.contains(&beyond))
            })
            .map(|train| train.id)
            .collect();
        came.sort_unstable();
        let last = missed.len();
        for (at, (who, id)) in missed.into_iter().zip(came).enumerate() {
            if self.is_the_same(&who, id, here, at + 1 == last) {
                let near = self.listed_in(beyond).contains(&who.identity);
                self.take_identity_of(who, id);
                if near {
                    self.show_astride(id, (here, by), (beyond, out));
                }
            }
        }
    }

    /// Whether a train that nothing explained can be one that the peer misses.
    fn is_the_same(&self, who: &PeerTrain, id: TrainId, here: PlaceId, last: bool) -> bool {
        let Some((train, came)) = self.train(id).and_then(|t| Some((t, t.came.as_ref()?))) else {
            return false;
        };
        // Neither side knows where it came from: one of the two numbers must go, on both sides.
        if who.unexplained && who.identity > self.identity(train) {
            return false;
        }
        // What the peer still sees is only one train with ours if it is astride.
        !(last && who.seen) || (train.holds(here) && !came.stood)
    }

    fn take_identity_of(&mut self, who: PeerTrain, id: TrainId) {
        let before = self.train(id).map(|train| self.identity(train));
        if let Some(known) = self.train_of(&who.identity) {
            let held = self.train(known).map(|train| train.chain.clone());
            for link in held.unwrap_or_default() {
                self.drop_link(known, link.place);
            }
        }
        if let Some(train) = self.trains.get_mut(&id) {
            train.was = before;
            train.identity = Some(who.identity);
            train.came = None;
            train.name = train.name.take().or(who.name);
        }
        self.end_unannounced(id, false);
        self.touched.insert(Item::Train(id));
    }

    /// Its tail may still be beyond; until the peer has released that, it is.
    fn show_astride(&mut self, id: TrainId, here: (PlaceId, End), beyond: (PlaceId, End)) {
        let now = self.now;
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        let Some(first) = train
            .chain
            .first_mut()
            .filter(|first| first.place == here.0)
        else {
            return;
        };
        first.tailward = Some(here.1);
        let mut link = Link::new(beyond.0, now);
        link.headward = Some(beyond.1);
        train.add_tail(link);
        train.directed = true;
        self.hold(beyond.0, id, beyond.1);
        self.show(id);
    }
}
