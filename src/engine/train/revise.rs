//! What later evidence says of a story that was told (DEVELOPERS.md, section 4): a train that
//! seemed to draw back, and a place in a train's tail that is another's.

use alloc::vec::Vec;

use super::choose::Candidate;
use super::follow::Claim;
use super::{Link, Side};
use crate::Engine;
use crate::change::{Occupancy, TrainEvent};
use crate::ids::{PlaceId, TrainId};
use crate::layout::End;
use crate::place::Whereabouts;
use crate::time::{Instant, Span};

/// Who came up behind is heard of so soon, or it was not he that lit the place: unless he should
/// have been there by then.
const BEHIND: Span = Span::from_secs(15);

/// A train that has come into a place turns back no sooner than this.
const AT_ONCE: Span = Span::from_secs(2);

/// A place that the head of a train left when only the place behind it showed: the train drew back,
/// or went on to another and somebody came in behind it.
#[derive(Clone, Debug)]
pub(crate) struct DrewBack {
    pub(super) at: Instant,
    /// Where it would have gone on to, and by which end.
    into: PlaceId,
    by: End,
}

impl Engine {
    /// Before a head's place is left: where the train may be as well, should the place behind it
    /// turn out to hold another. Only where it was long enough to go through.
    pub(super) fn may_have_gone_on(&self, id: TrainId, place: PlaceId) -> Option<DrewBack> {
        let train = self.train(id)?;
        let (_, behind) = train.chain.split_last()?;
        // What lies between it and where it shows is off: passed already, or passed back.
        let shows = behind.iter().any(|link| self.places[link.place.index()].on);
        if !shows {
            return None;
        }
        let Some(Whereabouts::CameUpTo(into)) = self.ran_on(train, place) else {
            return None;
        };
        let (_, by) = self.ends_between(place, into)?;
        Some(DrewBack {
            at: self.now,
            into,
            by,
        })
    }

    /// Another train has come into the place that one had drawn back to. Nothing needs that one to
    /// have turned: it has gone on, up to the train before it.
    pub(super) fn went_on_after_all(&mut self, place: PlaceId, newcomer: TrainId) -> bool {
        let now = self.now;
        let found = self.places[place.index()].trains.iter().find_map(|id| {
            let train = self.train(*id).filter(|train| train.id != newcomer)?;
            let back = train.drew_back.clone()?;
            let then = now.since(back.at) <= BEHIND || self.was_due(newcomer, back.at);
            let still = train.chain.len() == 1 && then;
            let state = &self.places[back.into.index()];
            let another = state.state == Occupancy::Occupied && !state.trains.is_empty();
            (still && another && !train.stays).then_some((*id, back))
        });
        let Some((id, back)) = found else {
            return false;
        };
        if let Some(train) = self.trains.get_mut(&id) {
            train.turn();
            // Neither turn was one.
            train.turns = train.turns.saturating_sub(2);
            let mut link = Link::new(back.into, back.at);
            link.tailward = Some(back.by);
            link.before = (train.directed, train.measure);
            train.go_into(link);
            train.drew_back = None;
        }
        self.hold(back.into, id, back.by);
        self.leave(id, place);
        self.emit_train(id, TrainEvent::Coupled, Some(back.into));
        self.ahead_of_train(id);
        true
    }

    /// No train comes into places at both its ends at one time. Where neither way was known of a
    /// train before, and another could have come into the place at its other end as well, that
    /// one did: so it goes when many trains start at one moment.
    pub(super) fn give_up_other_end(&mut self, by: &Candidate, asked: &mut Vec<TrainId>) -> bool {
        let Some(train) = self.train(by.train) else {
            return false;
        };
        let other_end = match by.side {
            Side::Head => train.chain.first(),
            Side::Tail => train.chain.last(),
        };
        let lately = other_end.filter(|link| {
            let (directed, _) = link.before;
            let lit = self.places[link.place.index()].on;
            lit && !directed && train.chain.len() > 1 && self.now.since(link.entered) <= AT_ONCE
        });
        let claim = lately.and_then(|link| {
            let mut claims = self.claims.iter();
            claims.find(|c| c.place == link.place && c.winner.train == by.train && !c.passed_on)
        });
        let Some(claim) = claim.filter(|_| !asked.contains(&by.train)).cloned() else {
            return false;
        };
        let Some(first) = claim.losers.first().cloned() else {
            return false;
        };
        asked.push(by.train);
        self.give_up_other_end(&first, asked);
        self.pass_on(&claim, &first);
        true
    }

    /// Whether a train could have been through the place that it is in at a moment.
    pub(super) fn was_due(&self, id: TrainId, at: Instant) -> bool {
        let train = self.train(id).filter(|train| train.directed);
        train.is_some_and(|train| {
            let soonest = train.head().and_then(|head| {
                let length = self.length_of(head.place)?;
                let (soonest, _) = train.measure.seconds_over(length)?;
                Some(head.entered.plus(Span::from_secs_f64(soonest)))
            });
            soonest.is_some_and(|soonest| soonest <= at)
        })
    }

    /// The places of a torn train's tail that another train came to first, and stands before, and
    /// that train: they were given to this one because something beyond them could not be explained
    /// otherwise.
    pub(super) fn tail_of_others(&self, id: TrainId, tail: &[PlaceId]) -> Vec<(Claim, Candidate)> {
        let passed_on = |claim: &&Claim| {
            claim.passed_on && claim.winner.train == id && tail.contains(&claim.place)
        };
        let stands = |first: &&Candidate| {
            let from = self.track.place_of(first.from);
            let train = self.train(first.train).zip(from);
            train.is_some_and(|(train, from)| train.holds(from))
        };
        let claims = self.claims.iter().filter(passed_on);
        claims
            .filter_map(|claim| {
                let first = claim.losers.first().filter(stands)?;
                Some((claim.clone(), first.clone()))
            })
            .collect()
    }
}
