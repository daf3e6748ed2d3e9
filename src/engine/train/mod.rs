//! Trains: connected chains of places, from tail to head (DEVELOPERS.md, section 4).
//!
//! [`Train`] is data and what can be read off it; the rules that move it are in [`follow`], its
//! measures in [`measure`].

mod behind;
mod choose;
mod divided;
mod entry;
pub(crate) mod follow;
mod leave;
pub(crate) mod measure;
mod parted;
mod revise;
pub(crate) mod weigh;

use alloc::string::String;
use alloc::vec::Vec;

use crate::ids::{PlaceId, TrainId};
use crate::layout::End;
use crate::time::{Instant, Span};
use crate::track::Track;

use choose::Through;
pub(crate) use choose::{Candidate, Class, UNSEEN_MAX};
pub(crate) use measure::Measure;

/// One place that a train holds.
#[derive(Clone, Debug)]
pub(crate) struct Link {
    pub(crate) place: PlaceId,
    /// The end that faces the rest of the train towards its tail, or by which it came in.
    pub(crate) tailward: Option<End>,
    /// The end that faces the rest of the train towards its head.
    pub(crate) headward: Option<End>,
    /// When the train came in.
    pub(crate) entered: Instant,
    /// So long the train was astride the boundary by which its head came in: until its tail had
    /// left the place before.
    pub(crate) astride: Option<Span>,
    /// Its detectors are off and the train is seen elsewhere: it has left `blocks`, the place's own
    /// state still holds it.
    pub(crate) left: Option<Instant>,
    /// Nothing can see it here.
    pub(crate) unconfirmed: bool,
    /// It was seen to come in: the place had not fallen silent, dark or out of use before.
    pub(crate) timed: bool,
    /// What was known before it came in: should it turn out that only its wheels bridged the gap.
    pub(crate) before: (bool, Measure),
    /// It was lit here for no longer than a bridged gap.
    pub(crate) brief: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct Train {
    pub(crate) id: TrainId,
    pub(crate) name: Option<String>,
    pub(crate) parent: Option<TrainId>,
    /// Who it is for all daemons, where a peer saw it first.
    pub(crate) identity: Option<String>,
    /// Who it was taken for until a peer said who it is.
    pub(crate) was: Option<String>,
    /// The places beyond borders that it may have gone to while its own was not heard of.
    pub(crate) astray: Vec<PlaceId>,
    /// Nothing explained it when it was first seen, next to a border.
    pub(crate) came: Option<crate::border::Came>,
    /// It was first seen beyond a border, and the peer has not said yet who it is.
    pub(crate) nameless_beyond: bool,
    pub(crate) since: Instant,
    /// Tail to head where the direction is known; otherwise in the order of the track.
    pub(crate) chain: Vec<Link>,
    /// Which end is the head is known.
    pub(crate) directed: bool,
    pub(crate) lost: bool,
    pub(crate) stopped: bool,
    pub(crate) remembered: bool,
    /// The operator left it here on purpose; it has not moved since.
    pub(crate) stays: bool,
    /// Other trains that the evidence would also allow it to be.
    pub(crate) or: Vec<weigh::Rival>,
    /// How often it turned back, and how many places it came into (T9).
    pub(crate) turns: u32,
    pub(crate) entered: u32,
    /// When it last came into a place.
    pub(crate) moved: Instant,
    pub(crate) measure: Measure,
    /// Places that its tail left lately: coming back within `part_s` is no turning.
    pub(crate) left_lately: Vec<(PlaceId, Instant)>,
    /// When what lies ahead must be looked at again.
    pub(crate) ahead_wake: Option<Instant>,
    /// The first thing that stops it.
    pub(crate) ahead: Option<crate::ahead::Stop>,
    /// Its middle is gone while both ends are there.
    pub(crate) gap: Option<Gap>,
    /// How often running it has come up to another train.
    pub(crate) shadow: u32,
    /// It has come into a place that no other train held.
    pub(crate) alone: bool,
    /// It seemed to draw back, and has not moved since.
    pub(crate) drew_back: Option<revise::DrewBack>,
}

/// A place in the middle of a train that was released.
#[derive(Clone, Debug)]
pub(crate) struct Gap {
    pub(crate) since: Instant,
    /// Where the chain is broken: the links before it are the tail's portion.
    pub(crate) at: usize,
    /// The link that was there.
    pub(crate) link: Link,
}

/// On which side of a train a place lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Side {
    Head,
    Tail,
}

impl Train {
    pub(crate) fn new(id: TrainId, place: PlaceId, now: Instant) -> Self {
        Self {
            id,
            name: None,
            parent: None,
            identity: None,
            was: None,
            astray: Vec::new(),
            came: None,
            nameless_beyond: false,
            since: now,
            chain: alloc::vec![Link::new(place, now)],
            directed: false,
            lost: false,
            stopped: false,
            remembered: false,
            stays: false,
            or: Vec::new(),
            turns: 0,
            entered: 0,
            moved: now,
            measure: Measure::default(),
            left_lately: Vec::new(),
            ahead_wake: None,
            ahead: None,
            gap: None,
            shadow: 0,
            alone: false,
            drew_back: None,
        }
    }

    pub(crate) fn holds(&self, place: PlaceId) -> bool {
        self.chain.iter().any(|link| link.place == place)
    }

    /// The places that it holds, tail to head, without those that it is only leaving.
    pub(crate) fn blocks(&self) -> Vec<PlaceId> {
        self.chain
            .iter()
            .filter(|link| link.left.is_none())
            .map(|link| link.place)
            .collect()
    }

    /// Takes a link out; where the chain is torn stays where it is.
    pub(crate) fn take_link(&mut self, at: usize) -> Link {
        if let Some(gap) = &mut self.gap
            && at < gap.at
        {
            gap.at -= 1;
        }
        self.chain.remove(at)
    }

    /// Takes the links out that are not to stay.
    pub(crate) fn keep_links(&mut self, stays: impl Fn(&Link) -> bool) {
        for at in (0..self.chain.len()).rev() {
            if !stays(&self.chain[at]) {
                self.take_link(at);
            }
        }
    }

    /// Adds a link at the tail.
    pub(crate) fn add_tail(&mut self, link: Link) {
        if let Some(gap) = &mut self.gap {
            gap.at += 1;
        }
        self.chain.insert(0, link);
    }

    /// The other end first.
    pub(crate) fn reverse(&mut self) {
        self.chain.reverse();
        for link in &mut self.chain {
            core::mem::swap(&mut link.tailward, &mut link.headward);
        }
        if let Some(gap) = &mut self.gap {
            gap.at = self.chain.len().saturating_sub(gap.at);
            core::mem::swap(&mut gap.link.tailward, &mut gap.link.headward);
        }
    }

    /// Nothing is left that it could have gone to: it stands where it seemed to leave.
    pub(crate) fn stand(&mut self) {
        if self.chain.iter().all(|link| link.left.is_some()) {
            self.chain.iter_mut().for_each(|link| link.left = None);
        }
    }

    pub(crate) fn head(&self) -> Option<&Link> {
        self.chain.last()
    }

    /// The ends by which its head would leave the place that it is in.
    pub(crate) fn outward(&self, track: &Track) -> Vec<End> {
        let onward = |head: &Link| match head.tailward {
            Some(inner) => track.onward(inner),
            None => track.ends(head.place),
        };
        self.head().map(onward).unwrap_or_default()
    }

    /// The end that its head faces.
    pub(crate) fn heading(&self, track: &Track) -> Option<End> {
        if !self.directed {
            return None;
        }
        let outward = self.outward(track);
        match outward.as_slice() {
            [one] => Some(*one),
            // On points, entered at the toe: it faces away from the toe, by which leg is not known.
            [one, ..] => Some(*one),
            [] => None,
        }
    }

    /// Adds a place at one end, and before it those that it went through unseen, given from the
    /// new place back.
    pub(crate) fn grow(&mut self, side: Side, link: Link, unseen: &[Through]) {
        let entered = link.entered;
        let between = unseen.iter().rev().map(|(place, into, out)| {
            let mut between = Link::new(*place, entered);
            (between.unconfirmed, between.timed) = (true, false);
            (between.tailward, between.headward) = match side {
                Side::Head => (Some(*into), Some(*out)),
                Side::Tail => (Some(*out), Some(*into)),
            };
            between
        });
        for link in between.chain([link]) {
            match side {
                Side::Head => self.chain.push(link),
                Side::Tail => self.add_tail(link),
            }
        }
    }

    /// Its head is in one place more.
    pub(crate) fn go_into(&mut self, link: Link) {
        self.chain.push(link);
        self.entered += 1;
    }

    /// Head and tail change places.
    pub(crate) fn turn(&mut self) {
        self.reverse();
        self.turns += 1;
    }
}

impl Link {
    pub(crate) fn new(place: PlaceId, now: Instant) -> Self {
        Self {
            place,
            tailward: None,
            headward: None,
            entered: now,
            astride: None,
            left: None,
            unconfirmed: false,
            timed: true,
            before: (false, Measure::default()),
            brief: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A train in places 0 to 4, torn before its third link.
    fn torn() -> Train {
        let now = Instant::default();
        let mut train = Train::new(TrainId(1), PlaceId(0), now);
        train.chain = (0..5).map(|at| Link::new(PlaceId(at), now)).collect();
        train.gap = Some(Gap {
            since: now,
            at: 2,
            link: Link::new(PlaceId(9), now),
        });
        train
    }

    fn gap_at(train: &Train) -> Option<(usize, u32)> {
        let gap = train.gap.as_ref()?;
        Some((gap.at, train.chain.get(gap.at)?.place.0))
    }

    #[test]
    fn a_torn_chain_stays_torn_at_the_same_joint() {
        let mut train = torn();
        assert_eq!(gap_at(&train), Some((2, 2)));
        train.take_link(0);
        assert_eq!(gap_at(&train), Some((1, 2)));
        train.take_link(1);
        assert_eq!(gap_at(&train), Some((1, 3)));
        train.add_tail(Link::new(PlaceId(7), Instant::default()));
        assert_eq!(gap_at(&train), Some((2, 3)));
        train.keep_links(|link| link.place != PlaceId(7));
        assert_eq!(gap_at(&train), Some((1, 3)));
    }

    #[test]
    fn a_torn_chain_that_is_turned_is_torn_where_it_was() {
        let mut train = torn();
        train.turn();
        // 4 3 2 | 1 0: the joint is between 2 and 1.
        assert_eq!(gap_at(&train), Some((3, 1)));
        assert_eq!(train.turns, 1);
        train.turn();
        assert_eq!(gap_at(&train), Some((2, 2)));
        assert_eq!(train.turns, 2);
    }

    #[test]
    fn one_that_has_left_everywhere_stands() {
        let mut train = torn();
        for link in &mut train.chain {
            link.left = Some(Instant::default());
        }
        train.stand();
        assert_eq!(train.blocks().len(), 5);
        train.chain[0].left = Some(Instant::default());
        train.stand();
        assert_eq!(train.blocks().len(), 4);
    }
}
