//! The trains in a place ahead: whether they will be gone when another comes.
//!
//! Input: where they are, how fast they go, what is ahead of themselves. Output: they stand or that
//! is not known; they run on; they will be gone in so many seconds. One whose head should be out of
//! the place by now and is not may have stopped in it: nobody counts on that one.

use super::walk::Walk;
use crate::Engine;
use crate::change::Occupancy;
use crate::ids::PlaceId;
use crate::layout::End;
use crate::time::Instant;
use crate::track::PlaceKind;
use crate::train::Train;

/// A train that runs on ahead must be gone from a place by so much before another comes, seconds.
const GONE_SECONDS: f64 = 2.0;

/// What stops a train so soon stops it before it is out of the way of others.
const WANTED_SECONDS: f64 = 8.0;

/// What the trains in a place ahead do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Running {
    /// One stands, or that is not known.
    No,
    /// They run on ahead; whether they will be gone in time is not sure.
    On,
    /// They will be gone before the train comes. To be looked at again in so many seconds.
    GoneIn(f64),
}

/// When all of them have left, seconds from now.
struct Leaving {
    /// Release counted; infinite where nobody can say.
    gone_in: f64,
    /// The first of their heads must be out of the place.
    due_in: f64,
    /// The worst known of their speeds, as a part of it.
    spread: f64,
}

impl Leaving {
    const NOBODY: Self = Self {
        gone_in: 0.0,
        due_in: f64::INFINITY,
        spread: 0.0,
    };

    fn also(&mut self, other: &Self) {
        self.gone_in = self.gone_in.max(other.gone_in);
        self.due_in = self.due_in.min(other.due_in);
        self.spread = self.spread.max(other.spread);
    }
}

impl Engine {
    /// All other trains there are on the move, and nothing stops them: they will be gone.
    pub(super) fn all_move(&self, place: PlaceId, train: &Train) -> bool {
        let trains = &self.places[place.index()].trains;
        trains.iter().filter(|id| **id != train.id).all(|id| {
            self.train(*id)
                .is_some_and(|other| moves(other) && !self.is_held_up(other, WANTED_SECONDS))
        })
    }

    /// Something that stands is ahead of a train, so near that it comes there within this time.
    fn is_held_up(&self, train: &Train, seconds: f64) -> bool {
        train.ahead.as_ref().is_some_and(|stop| {
            let soonest = self.seconds_left(train, stop).map(|(soonest, _)| soonest);
            !stop.runs_on && soonest.is_none_or(|soonest| soonest <= seconds)
        })
    }

    /// Whether the trains in a place run on ahead, away from the end that is met.
    pub(super) fn running_on(&self, walk: &Walk<'_>, place: PlaceId, end: End) -> Running {
        let state = &self.places[place.index()];
        if state.state != Occupancy::Occupied || state.trains.is_empty() {
            return Running::No;
        }
        let mut leaving = Leaving::NOBODY;
        for id in &state.trains {
            let Some(other) = self.train(*id).filter(|other| other.id != walk.train.id) else {
                return Running::No;
            };
            let link = other.chain.iter().find(|link| link.place == place);
            // One that has left already is met further on.
            if link.is_some_and(|link| !moves(other) || link.tailward != Some(end)) {
                return Running::No;
            }
            leaving.also(&self.leaving(other, place));
        }
        self.gone_before(walk, &leaving)
    }

    /// All others have been seen to leave the place, and it is released before the train comes: in
    /// so many seconds.
    pub(super) fn released_in(&self, walk: &Walk<'_>, place: PlaceId) -> Option<f64> {
        let state = &self.places[place.index()];
        if state.state != Occupancy::Occupied {
            return None;
        }
        let mut last = None;
        for id in &state.trains {
            let mut chain = self.train(*id)?.chain.iter();
            let left = chain.find(|link| link.place == place)?.left?;
            last = last.max(Some(left));
        }
        let gone = self.now.since(last?).as_secs_f64();
        let released_in = self.release_time(place).as_secs_f64() - gone;
        let comes_in = self.seconds_to(walk)?;
        // Over, and the place is still held: it is not being released.
        let in_time = released_in > 0.0 && released_in + GONE_SECONDS < comes_in;
        in_time.then_some(released_in)
    }

    /// Whether all other trains on points or a crossing will be off them, whichever way they run.
    pub(super) fn running_off(&self, walk: &Walk<'_>, place: PlaceId) -> Running {
        let mut leaving = Leaving::NOBODY;
        for id in &self.places[place.index()].trains {
            let Some(other) = self.train(*id).filter(|other| other.id != walk.train.id) else {
                continue;
            };
            if !moves(other) {
                return Running::No;
            }
            leaving.also(&self.leaving(other, place));
        }
        self.gone_before(walk, &leaving)
    }

    /// Whether what takes so many seconds to be gone is gone when the train comes. Neither of the
    /// two speeds is known exactly, and their errors have nothing to do with each other.
    fn gone_before(&self, walk: &Walk<'_>, leaving: &Leaving) -> Running {
        let Some((soonest, latest)) = self.range_to(walk) else {
            return Running::No;
        };
        let measure = &walk.train.measure;
        // Of a train that may be as fast as any the soonest counts, and that is no guess.
        let (comes_in, own) = if measure.waited {
            (soonest, 0.0)
        } else {
            let comes_in = f64::midpoint(soonest, latest);
            (comes_in, measure.spread() * comes_in)
        };
        let doubt = libm::hypot(own, leaving.spread * leaving.gone_in);
        if leaving.gone_in + doubt.max(GONE_SECONDS) < comes_in {
            Running::GoneIn((leaving.gone_in + GONE_SECONDS).min(leaving.due_in))
        } else {
            Running::On
        }
    }

    /// When a train that runs on will have left a place.
    fn leaving(&self, train: &Train, place: PlaceId) -> Leaving {
        let link = train.chain.iter().find(|link| link.place == place);
        let release = self.release_time(place).as_secs_f64();
        let gone_in = match link {
            Some(link) => self.gone_in(train, place, link.entered),
            // The place is only in its release.
            None => Some(release),
        };
        let due_in = link.and_then(|_| self.due_in(train, place));
        let late = due_in.is_some_and(|due_in| due_in <= 0.0);
        Leaving {
            gone_in: gone_in.filter(|_| !late).unwrap_or(f64::INFINITY),
            due_in: due_in.unwrap_or(f64::INFINITY),
            spread: train.measure.spread(),
        }
    }

    /// In how many seconds a train that runs on has left a place, release counted.
    fn gone_in(&self, train: &Train, place: PlaceId, entered: Instant) -> Option<f64> {
        let train_mm = train.measure.length_mm?;
        // A crossing is short, and its length is not in the plan.
        let place_mm = match self.track.places[place.index()].kind {
            PlaceKind::Crossing(_) => 0.0,
            PlaceKind::Block(_) | PlaceKind::Turnout(_) => self.length_of(place)?,
        };
        let (soonest, latest) = train.measure.seconds_over(place_mm + train_mm)?;
        let passed = self.now.since(entered).as_secs_f64();
        // Overdue: it may have stopped. And what stops it keeps it there.
        let goes_on = passed < latest && !self.is_held_up(train, latest - passed);
        // Late already, it may be later still.
        let left = (f64::midpoint(soonest, latest) - passed).max((latest - passed) / 2.0);
        goes_on.then(|| left + self.release_time(place).as_secs_f64())
    }

    /// In how many seconds a train's head must be out of this place, if it is in it; less than
    /// nothing where that has gone by.
    fn due_in(&self, train: &Train, place: PlaceId) -> Option<f64> {
        let head = train.head().filter(|head| head.place == place)?;
        let due = train.measure.due_over(self.length_of(head.place)?)?;
        Some(due - self.inside_s(train))
    }
}

fn moves(train: &Train) -> bool {
    train.directed && !train.stopped && !train.lost && train.gap.is_none()
}
