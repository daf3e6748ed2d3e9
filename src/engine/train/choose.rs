//! Who came in? The trains that could have entered a place, and the order of the choice.

use alloc::vec::Vec;

use super::weigh::Timing;
use super::{Side, Train};
use crate::Engine;
use crate::change::{Kept, Occupancy};
use crate::ids::{PlaceId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{End, Leg, Side as BlockEnd};
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
    /// Places between the two that it went through unseen, from the new place back.
    pub(crate) unseen: Vec<Through>,
    /// So many places that were not heard of for a time lie between: who is next door comes first.
    far: usize,
    /// By a leg that points are not set for, though where they lie is known.
    pub(super) against: bool,
    /// Another train stands between it and the end by which it would have left.
    behind: bool,
    /// How far it is from when it was expected, where that is known.
    pub(super) timing: Option<Timing>,
    /// Its speed was measured once, and may hold a stop: it may be faster.
    may_be_faster: bool,
}

/// A place that a train went through unseen: by which end it went in and by which it came out.
pub(crate) type Through = (PlaceId, End, End);

/// So many places may have been run through while nothing was heard.
pub(crate) const UNSEEN_MAX: usize = 3;

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
    /// Left where it is on purpose.
    Stays,
}

fn is_early(candidate: &Candidate) -> bool {
    candidate.timing.is_some_and(|timing| timing.early)
}

/// A train in a place that nothing watches is the first choice when something comes out next to it;
/// but not one that should have come long before, where another that is seen to come is just due.
fn put_who_is_due_first(found: &mut [Candidate]) {
    let away = |c: &Candidate| c.timing.map(|timing| timing.off_s / timing.spread_s);
    let overdue =
        |c: &Candidate| c.class == Class::Unseen && away(c).is_some_and(|away| away > 2.0);
    if !found.first().is_some_and(overdue) {
        return;
    }
    let due = found.iter().position(|c| {
        let comes = c.class == Class::Towards && c.far == 0 && !c.against && !c.behind;
        comes && away(c).is_some_and(|away| away <= 1.0)
    });
    if let Some(due) = due {
        found[..=due].rotate_right(1);
    }
}

/// The one expected sooner, unless it would have to be far faster than it ever was, and another is
/// as early whose one measured speed may hold a stop.
fn put_who_may_be_faster_first(found: &mut [Candidate]) {
    let comes = |c: &Candidate| c.class == Class::Towards && c.far == 0 && !c.against && !c.behind;
    let cannot = |c: &Candidate| {
        let away = c.timing.map(|timing| timing.off_s / timing.spread_s);
        is_early(c) && !c.may_be_faster && away.is_some_and(|away| away > 2.0)
    };
    if !found.first().is_some_and(|c| comes(c) && cannot(c)) {
        return;
    }
    let faster = |c: &Candidate| comes(c) && is_early(c) && c.may_be_faster;
    if let Some(at) = found.iter().position(faster) {
        found[..=at].rotate_right(1);
    }
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
                self.candidates_in(&next, to, &[], &mut found);
                self.candidates_beyond_unseen((place, to), &next, &mut Vec::new(), &mut found);
            }
        }
        let sooner = |c: &Candidate| c.timing.map_or(f64::MAX, |timing| timing.off_s);
        found.sort_by(|one, other| {
            (one.far, one.against, one.behind, one.class, one.side)
                .cmp(&(
                    other.far,
                    other.against,
                    other.behind,
                    other.class,
                    other.side,
                ))
                .then(sooner(one).total_cmp(&sooner(other)))
                .then(one.train.cmp(&other.train))
        });
        put_who_is_due_first(&mut found);
        put_who_may_be_faster_first(&mut found);
        found
    }

    /// Trains in a place that is next along the road.
    fn candidates_in(
        &self,
        next: &Reached,
        to: End,
        unseen: &[Through],
        found: &mut Vec<Candidate>,
    ) {
        for train in &self.places[next.place.index()].trains {
            let Some(train) = self.train(*train) else {
                continue;
            };
            if found.iter().any(|so_far| so_far.train == train.id) && !unseen.is_empty() {
                continue;
            }
            // It does not go through itself.
            if unseen.iter().any(|(between, ..)| train.holds(*between)) {
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
                    unseen: unseen.to_vec(),
                    far: 0,
                    against: self.is_set_away(next.by) || self.is_set_away(to),
                    behind: self.is_behind_another(train.id, next.place, next.by),
                    timing: self.timing_of(train),
                    may_be_faster: !train.measure.is_found_again(),
                });
            }
        }
    }

    /// Whether another train is in the same place, nearer to an end.
    fn is_behind_another(&self, id: TrainId, place: PlaceId, by: End) -> bool {
        let trains = &self.places[place.index()].trains;
        let Some(at) = trains.iter().position(|held| *held == id) else {
            return false;
        };
        // In a block in the order from end a to end b; elsewhere who came by that end is nearest.
        let nearer = match by {
            End::Block(_, BlockEnd::A) => &trains[..at],
            End::Block(_, BlockEnd::B) => &trains[at + 1..],
            _ => {
                return trains
                    .iter()
                    .any(|other| self.is_nearer(*other, id, place, by));
            }
        };
        // On which side of a train a part of it was left, nobody has said.
        nearer.iter().any(|other| self.is_really_in(*other, place))
    }

    /// Of two trains on points or a crossing, the one that came by an end, or came by it last.
    fn is_nearer(&self, other: TrainId, than: TrainId, place: PlaceId, by: End) -> bool {
        let came_by = |id: TrainId| {
            let mut links = self.train(id).into_iter().flat_map(|train| &train.chain);
            let link = links.find(|link| link.place == place)?;
            let ends = [link.tailward, link.headward];
            ends.contains(&Some(by)).then_some(link.entered)
        };
        other != than && self.is_really_in(other, place) && came_by(other) > came_by(than)
    }

    /// It is there, is not only leaving, and was not left there as a part of another.
    fn is_really_in(&self, id: TrainId, place: PlaceId) -> bool {
        let train = self.train(id).filter(|train| !train.stays);
        let mut links = train.into_iter().flat_map(|train| &train.chain);
        links.any(|link| link.place == place && link.left.is_none())
    }

    /// Trains beyond a place that nothing watches: longer than it, or quick, they come out of it
    /// while the place behind it still shows them. And beyond places whose evidence was gone for a
    /// time and that are not proven vacant again: they may have been run through meanwhile.
    fn candidates_beyond_unseen(
        &self,
        (place, to): (PlaceId, End),
        next: &Reached,
        path: &mut Vec<Through>,
        found: &mut Vec<Candidate>,
    ) {
        let between = &self.places[next.place.index()];
        let unwatched = self.is_unseen(next.place);
        let unheard = between.notes.kept == Some(Kept::Vacant);
        let passable = between.state == Occupancy::Unknown && between.trains.is_empty();
        if !passable || !(unheard || (unwatched && path.is_empty())) {
            return;
        }
        for inner in self.track.onward(next.by) {
            if self.is_set_away(inner) {
                continue;
            }
            path.push((next.place, inner, next.by));
            for far in self.track.reach(inner, &self.points, Taking::AsSet) {
                if far.place == place {
                    continue;
                }
                let first = found.len();
                self.candidates_in(&far, to, path, found);
                if !(unwatched && path.len() == 1) {
                    self.keep_bound(found, first, path.len());
                }
                if path.len() < UNSEEN_MAX {
                    self.candidates_beyond_unseen((place, to), &far, path, found);
                }
            }
            path.pop();
        }
    }

    /// Of those found last only who was headed here: others had no reason to come so far, and one
    /// that stood before has not come further than through one place.
    fn keep_bound(&self, found: &mut Vec<Candidate>, first: usize, far: usize) {
        let mut at = 0;
        found.retain(|candidate| {
            at += 1;
            let directed = self
                .train(candidate.train)
                .is_some_and(|train| train.directed);
            let bound = match candidate.class {
                Class::Towards => true,
                Class::Undirected => far == 1,
                Class::Unseen | Class::Away | Class::Lost | Class::Stays => false,
            };
            at <= first || (directed && bound)
        });
        for candidate in found.iter_mut().skip(first) {
            candidate.far = far;
        }
    }

    /// Whether a train could leave its place by this end, and how likely that is.
    fn class_of(&self, train: &Train, place: PlaceId, by: End) -> Option<(Class, Side)> {
        let link_at = train.chain.iter().position(|link| link.place == place)?;
        let is_head = link_at + 1 == train.chain.len();
        let is_tail = train.chain[..link_at]
            .iter()
            .all(|link| link.left.is_some());
        let head = is_head && train.outward(&self.track).contains(&by);
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
        let class = if train.stays {
            Class::Stays
        } else if train.lost {
            Class::Lost
        } else if train.chain[link_at].unconfirmed && (is_head || !train.directed) {
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

    /// A leg that its points are known not to be set for.
    pub(crate) fn is_set_away(&self, end: End) -> bool {
        let End::Turnout(turnout, leg) = end else {
            return false;
        };
        matches!(
            (leg, self.points.turnouts[turnout.index()]),
            (Leg::Normal, Position::Reverse) | (Leg::Reverse, Position::Normal)
        )
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
        // With the power back it may have moved before fresh samples say so.
        if state.state != Occupancy::Dark || !state.has_no_power() {
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

    /// How far it is now from when it was expected to reach the end of its place.
    fn timing_of(&self, train: &Train) -> Option<Timing> {
        let head = train.head()?;
        let length = self.length_of(head.place)?;
        let speed = train.measure.speed_mm_s.filter(|speed| *speed > 0.0)?;
        let gone = self.now.since(head.entered).as_secs_f64();
        Some(Timing::new(length / speed, gone))
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::BlockId;

    /// Someone who comes, next door, so many spreads from when he was expected.
    fn comes(train: u32, class: Class, away: f64) -> Candidate {
        let end = End::Block(BlockId(train), BlockEnd::A);
        let timing = Timing {
            off_s: away * 4.0,
            spread_s: 4.0,
            early: false,
        };
        Candidate {
            train: TrainId(train),
            class,
            from: end,
            to: end,
            side: Side::Head,
            through: Vec::new(),
            unseen: Vec::new(),
            far: 0,
            against: false,
            behind: false,
            timing: Some(timing),
            may_be_faster: false,
        }
    }

    type Change = fn(&mut Candidate);

    const SO: Change = |_| {};

    /// Whoever is one of these is not somebody who comes next.
    const COMES_NOT: [Change; 4] = [
        |c| c.class = Class::Undirected,
        |c| c.far = 1,
        |c| c.against = true,
        |c| c.behind = true,
    ];

    fn spreads_away(candidate: &mut Candidate, away: f64) {
        candidate.timing = comes(0, Class::Towards, away).timing;
    }

    fn comes_early(candidate: &mut Candidate, early: bool) {
        if let Some(timing) = &mut candidate.timing {
            timing.early = early;
        }
    }

    /// Whether the last of three comes first, with a change of the first and of the last.
    fn overtakes(put: fn(&mut [Candidate]), three: [Candidate; 3], by: (Change, Change)) -> bool {
        let mut found = three;
        by.0(&mut found[0]);
        by.1(&mut found[2]);
        put(&mut found);
        let order = found.map(|candidate| candidate.train.0);
        assert!(order == [3, 1, 2] || order == [1, 2, 3], "{order:?}");
        order == [3, 1, 2]
    }

    #[test]
    fn one_that_is_long_overdue_in_the_dark_waits_behind_one_that_is_due() {
        let waits = |first: Change, last: Change| {
            let three = [
                comes(1, Class::Unseen, 2.25),
                comes(2, Class::Unseen, 2.25),
                comes(3, Class::Towards, 1.0),
            ];
            overtakes(put_who_is_due_first, three, (first, last))
        };
        assert!(waits(SO, SO));
        let firsts: [Change; 3] = [
            |c| c.class = Class::Towards,
            |c| c.timing = None,
            |c| spreads_away(c, 2.0),
        ];
        assert!(!firsts.into_iter().any(|first| waits(first, SO)));
        let lasts: [Change; 2] = [|c| c.timing = None, |c| spreads_away(c, 1.125)];
        assert!(
            !lasts
                .into_iter()
                .chain(COMES_NOT)
                .any(|last| waits(SO, last))
        );
    }

    #[test]
    fn one_that_is_far_too_early_waits_behind_one_that_may_be_faster() {
        let waits = |first: Change, last: Change| {
            let mut three = [
                comes(1, Class::Towards, 2.25),
                comes(2, Class::Undirected, 9.0),
                comes(3, Class::Towards, 9.0),
            ];
            comes_early(&mut three[0], true);
            comes_early(&mut three[2], true);
            three[2].may_be_faster = true;
            overtakes(put_who_may_be_faster_first, three, (first, last))
        };
        assert!(waits(SO, SO));
        let firsts: [Change; 4] = [
            |c| comes_early(c, false),
            |c| c.may_be_faster = true,
            |c| c.timing = None,
            |c| {
                spreads_away(c, 2.0);
                comes_early(c, true);
            },
        ];
        assert!(
            !firsts
                .into_iter()
                .chain(COMES_NOT)
                .any(|first| waits(first, SO))
        );
        let lasts: [Change; 2] = [|c| comes_early(c, false), |c| c.may_be_faster = false];
        assert!(
            !lasts
                .into_iter()
                .chain(COMES_NOT)
                .any(|last| waits(SO, last))
        );
    }
}
