//! Who came in? The trains that could have entered a place, and the order of the choice.

use alloc::vec::Vec;

use super::{Side, Train};
use crate::Engine;
use crate::change::Occupancy;
use crate::ids::{PlaceId, TrainId, TurnoutId};
use crate::layout::{End, Leg};
use crate::track::{Reached, Taking};

/// A train that could have come into a place, and how.
#[derive(Clone, Debug)]
pub(crate) struct Candidate {
    pub(crate) train: TrainId,
    pub(crate) class: Class,
    /// By which end of the train's own place it left.
    pub(crate) from: End,
    /// By which end of the new place it came in.
    pub(crate) to: End,
    pub(crate) side: Side,
    /// Points passed, by the end met when walking from the new place back to the train.
    pub(crate) through: Vec<(TurnoutId, Leg)>,
    /// A place between the two that nothing can see and nobody held: it went through unseen. By
    /// which end it went in and by which it came out.
    pub(crate) unseen: Option<(PlaceId, End, End)>,
    /// How soon it was expected, in seconds; large where that is not known.
    expected: f64,
}

/// The order of the choice: smaller comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Class {
    /// In a place that nothing watches, next door.
    Unseen,
    /// Known to be moving towards it.
    Towards,
    /// Without direction, or standing.
    Undirected,
    /// Moving away.
    Away,
    /// Lost.
    Lost,
}

impl Engine {
    /// Every train that could have come into `place`, best first.
    pub(super) fn candidates(&self, place: PlaceId) -> Vec<Candidate> {
        let mut found: Vec<Candidate> = Vec::new();
        for to in self.track.ends(place) {
            for next in self.track.reach(to, &self.points, Taking::AsSet) {
                if next.place == place {
                    continue;
                }
                self.candidates_in(&next, to, None, &mut found);
                self.candidates_beyond_unseen(place, &next, to, &mut found);
            }
        }
        found.sort_by(|one, other| {
            (one.class, one.side)
                .cmp(&(other.class, other.side))
                .then(one.expected.total_cmp(&other.expected))
                .then(one.train.cmp(&other.train))
        });
        found
    }

    /// Trains in a place that is next along the road.
    fn candidates_in(
        &self,
        next: &Reached,
        to: End,
        unseen: Option<(PlaceId, End, End)>,
        found: &mut Vec<Candidate>,
    ) {
        for train in &self.places[next.place.index()].trains {
            let Some(train) = self.train(*train) else {
                continue;
            };
            if found.iter().any(|so_far| so_far.train == train.id) && unseen.is_some() {
                continue;
            }
            if let Some((class, side)) = self.class_of(train, next.place, next.by) {
                found.push(Candidate {
                    train: train.id,
                    class,
                    from: next.by,
                    to,
                    side,
                    through: next.through.clone(),
                    unseen,
                    expected: self.expected_in(train),
                });
            }
        }
    }

    /// Trains beyond a place that nothing watches: longer than it, or quick, they come out of it
    /// while the place behind it still shows them.
    fn candidates_beyond_unseen(
        &self,
        place: PlaceId,
        next: &Reached,
        to: End,
        found: &mut Vec<Candidate>,
    ) {
        let between = &self.places[next.place.index()];
        let unwatched = between.state == Occupancy::Unknown && self.is_unseen(next.place);
        if !between.trains.is_empty() || !unwatched {
            return;
        }
        for inner in self.track.onward(next.by) {
            for far in self.track.reach(inner, &self.points, Taking::AsSet) {
                if far.place != place && far.place != next.place {
                    let unseen = Some((next.place, inner, next.by));
                    self.candidates_in(&far, to, unseen, found);
                }
            }
        }
    }

    /// Whether a train could leave its place by this end, and how likely that is.
    fn class_of(&self, train: &Train, place: PlaceId, by: End) -> Option<(Class, Side)> {
        let link_at = train.chain.iter().position(|link| link.place == place)?;
        let is_head = link_at + 1 == train.chain.len();
        let is_tail = train.chain[..link_at]
            .iter()
            .all(|link| link.left.is_some());
        let head = is_head && train.outward(Side::Head, &self.track).contains(&by);
        let tail = is_tail && self.tail_ends(train, link_at).contains(&by);
        let side = if head {
            Side::Head
        } else if tail {
            Side::Tail
        } else {
            return None;
        };
        if self.cannot_move(train, place) {
            return None;
        }
        let class = if train.lost {
            Class::Lost
        } else if train.chain[link_at].unconfirmed {
            Class::Unseen
        } else if !train.directed {
            Class::Undirected
        } else if side == Side::Tail {
            Class::Away
        } else if train.stopped {
            Class::Undirected
        } else {
            Class::Towards
        };
        Some((class, side))
    }

    /// The outward ends of the last place that the tail really holds.
    fn tail_ends(&self, train: &Train, at: usize) -> Vec<End> {
        let link = &train.chain[at];
        match link.headward {
            Some(inner) => self.track.onward(inner),
            None => match link.tailward {
                Some(end) => alloc::vec![end],
                None => self.track.ends(link.place),
            },
        }
    }

    /// A train in dead track stands still, but for an engine that coasts (B6).
    fn cannot_move(&self, train: &Train, place: PlaceId) -> bool {
        let state = &self.places[place.index()];
        if state.state != Occupancy::Dark {
            return false;
        }
        // Where it came in unseen it may come out: the switch message may be wrong.
        let coast = state
            .feeds
            .iter()
            .map(|f| self.layout.feeds[f.index()].coast)
            .max()
            .unwrap_or_default();
        let elsewhere = train
            .chain
            .iter()
            .any(|link| link.place != place && self.places[link.place.index()].on);
        !elsewhere
            && state
                .dead_since()
                .is_none_or(|since| self.now > since.plus(coast))
    }

    /// Seconds until it was expected to reach the end of its place.
    fn expected_in(&self, train: &Train) -> f64 {
        let Some(head) = train.head() else {
            return f64::MAX;
        };
        let length = self.length_of(head.place);
        match (train.measure.speed_mm_s, length) {
            (Some(speed), Some(length)) if speed > 0.0 => {
                let gone = self.now.since(head.entered).as_secs_f64();
                libm::fabs(length / speed - gone)
            }
            _ => f64::MAX,
        }
    }

    /// A place's length, where the plan gives one.
    pub(crate) fn length_of(&self, place: PlaceId) -> Option<f64> {
        match self.track.places[place.index()].kind {
            crate::track::PlaceKind::Block(b) => self.layout.blocks[b.index()].length_mm,
            crate::track::PlaceKind::Turnout(t) => self.layout.turnouts[t.index()].length_mm,
            crate::track::PlaceKind::Crossing(_) => None,
        }
    }
}
