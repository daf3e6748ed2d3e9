//! What the trains say when a place has been off for its release time: B3 or B4.
//!
//! Reads the follower's chains, the neighbours and the power; changes nothing.

use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::border::Agreement;
use crate::change::{Item, Kept, Occupancy};
use crate::feed::Power;
use crate::ids::{DetectorId, PlaceId, TrainId};
use crate::layout::{End, Equipped};
use crate::seeded::Seeded;
use crate::time::Instant;
use crate::track::{PlaceKind, Taking};
use crate::train::{Class, Train};
use crate::wording;

use super::occupancy::{Event, Finding, Verdict};

/// What became of one train in a place that is off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Whereabouts {
    /// It is also in another place that it reached along the road.
    Elsewhere,
    /// It holds both sides of the place: its middle stands here unseen.
    Astride,
    /// It went on into a neighbour where it cannot be seen.
    WentInto(PlaceId),
    /// It has come up to another train; both are there.
    CameUpTo(PlaceId),
    /// In a place that another train was given, though this one could have come in as well.
    Claims,
    /// It may have gone over a border, and the peer has not answered to that yet.
    Unheard,
    /// Nowhere else.
    Nowhere,
}

impl Engine {
    /// B3, B4: what the trains in a place that has been off for its release time say.
    pub(super) fn verdict(&self, place: PlaceId) -> Verdict {
        let state = &self.places[place.index()];
        // The operator's word holds until evidence speaks: an `off` from before the word does not.
        if state.told && state.off_since.is_none_or(|off| off <= state.told_at) {
            return Verdict::Stays;
        }
        // Beyond a border the peer has proven it: its trains have gone on there, or come here.
        if self.is_beyond(place) {
            return Verdict::Left;
        }
        let needs_next_door = state.power == Power::Unproven && self.senses_current_only(place);
        if state.trains.is_empty() {
            let remembered = matches!(state.notes.kept, Some(Kept::Occupied | Kept::Lost));
            return match (needs_next_door, remembered) {
                (true, _) => Verdict::Stays,
                (false, true) => Verdict::Vanished,
                (false, false) => Verdict::Nobody,
            };
        }
        let mut vanished = false;
        for train in &state.trains {
            match self.whereabouts(*train, place) {
                Whereabouts::Elsewhere => {
                    if needs_next_door && !self.is_seen_next_door(*train, place) {
                        return Verdict::Stays;
                    }
                }
                Whereabouts::Astride | Whereabouts::Unheard => return Verdict::Stays,
                Whereabouts::WentInto(_) | Whereabouts::CameUpTo(_) | Whereabouts::Claims => {
                    if needs_next_door {
                        return Verdict::Stays;
                    }
                }
                // A seeded fault; never in a normal build.
                Whereabouts::Nowhere if self.seeded(Seeded::ForgetsTrains) => {}
                Whereabouts::Nowhere => vanished = true,
            }
        }
        match (vanished, needs_next_door) {
            (false, _) => Verdict::Left,
            // A throttle feed without a voltage report never proves `lost`.
            (true, true) => Verdict::Stays,
            (true, false) if self.is_fiddle(place) => Verdict::TakenByHand,
            (true, false) => Verdict::Vanished,
        }
    }

    fn senses_current_only(&self, place: PlaceId) -> bool {
        self.places[place.index()].senses_current
    }

    fn is_seen_next_door(&self, train: TrainId, place: PlaceId) -> bool {
        self.train(train).is_some_and(|train| {
            train
                .chain
                .iter()
                .any(|link| link.place != place && self.places[link.place.index()].on)
        })
    }

    pub(crate) fn is_fiddle(&self, place: PlaceId) -> bool {
        self.track
            .block_of(place)
            .is_some_and(|block| self.layout.blocks[block.index()].fiddle)
    }

    pub(super) fn fiddle_end(&self, place: PlaceId) -> Option<Instant> {
        self.track
            .block_of(place)
            .map(|block| self.now.plus(self.layout.blocks[block.index()].fiddle_time))
    }

    /// Where a train is, besides `place`.
    pub(crate) fn whereabouts(&self, train: TrainId, place: PlaceId) -> Whereabouts {
        let Some(train) = self.train(train) else {
            return Whereabouts::Elsewhere;
        };
        let Some(at) = train.chain.iter().position(|link| link.place == place) else {
            return Whereabouts::Elsewhere;
        };
        let holds = |link: &crate::train::Link| {
            let state = &self.places[link.place.index()];
            // Beyond a border a train is held to be until the peer has proven the place vacant.
            state.state == Occupancy::Occupied
                || (self.is_beyond(link.place) && state.state != Occupancy::Vacant)
        };
        let holds_here = |link: &crate::train::Link| !self.is_beyond(link.place) && holds(link);
        // What another train holds as well says nothing about the middle of this one.
        let alone = |link: &crate::train::Link| {
            holds(link) && self.places[link.place.index()].trains.len() == 1
        };
        let (behind, before) = (&train.chain[..at], &train.chain[at + 1..]);
        if behind.iter().any(alone)
            && before.iter().any(holds)
            && self.layout.equipped != Equipped::All
        {
            Whereabouts::Astride
        } else if behind.iter().chain(before).any(holds_here) {
            let seen_alone = behind.iter().chain(before).any(alone);
            let ran_on = (!seen_alone && before.is_empty())
                .then(|| self.ran_on(train, place))
                .flatten();
            ran_on.unwrap_or(Whereabouts::Elsewhere)
        } else if self.has_gone_on_into_the_dark(train, at) {
            Whereabouts::Elsewhere
        } else if self.is_beyond(place) {
            Whereabouts::Nowhere
        } else {
            match self.agreement(train, place) {
                Agreement::Seen => Whereabouts::Elsewhere,
                Agreement::Unheard => Whereabouts::Unheard,
                Agreement::NotSeen => self.gone_on(train, place),
            }
        }
    }

    /// B3: it was seen in places before this one, and the dark keeps it there. One that was seen in
    /// what is dark behind it has not been seen to draw back.
    fn has_gone_on_into_the_dark(&self, train: &Train, at: usize) -> bool {
        // It is asked of a place that is not dark itself.
        let from = if train.directed { at } else { 0 };
        let mut onward = train.chain[from..].iter().map(|link| link.place);
        onward.any(|place| self.places[place.index()].state == Occupancy::Dark)
    }

    /// B3: it may have gone on into a neighbour that cannot be seen, or come up to another train.
    pub(crate) fn gone_on(&self, train: &Train, place: PlaceId) -> Whereabouts {
        if train.lost {
            return Whereabouts::Nowhere;
        }
        // Section 4: a place that another train was given explains where this one is; one behind it
        // only where nothing before it does.
        let claimed = self.claim_of(train.id, place);
        let at_head = train.head().is_some_and(|link| link.place == place);
        let behind = at_head && claimed.is_some_and(|(_, mine)| mine.class == Class::Away);
        if claimed.is_some() && !behind {
            return Whereabouts::Claims;
        }
        // As it was going, before back the way it came.
        let ahead = self.next_unseen(train, place, true);
        let next = ahead.or_else(|| self.next_unseen(train, place, behind));
        match (next, claimed) {
            (Some(next), _) => next,
            (None, Some(_)) => Whereabouts::Claims,
            (None, None) => Whereabouts::Nowhere,
        }
    }

    /// Behind it only others are seen: its tail had left there if it has been here long enough for
    /// most of the way through, and it has gone on as it was going where the next place explains
    /// that. One that only showed its nose has drawn back.
    pub(crate) fn ran_on(&self, train: &Train, place: PlaceId) -> Option<Whereabouts> {
        /// Of the time that the way through takes.
        const MOST: f64 = 0.6;
        let head = train.head().filter(|_| train.directed)?;
        let off = self.places[place.index()].off_since?;
        let needed = self.length_of(place)? / off.since(head.entered).as_secs_f64();
        let own = train.measure.speed_mm_s.unwrap_or_default() / MOST;
        // One that stood in every place seems slower than it is: as fast as others it may be.
        let long = needed <= own || needed <= self.fastest_mm_s();
        long.then(|| self.next_unseen(train, place, true)).flatten()
    }

    /// The neighbour on the road that explains why a train is seen no more: one that cannot see
    /// it, or else one in which another is.
    pub(crate) fn next_unseen(
        &self,
        train: &Train,
        place: PlaceId,
        ahead: bool,
    ) -> Option<Whereabouts> {
        let mut came_up = None;
        for end in self.ends_to_leave_by(train, place, ahead) {
            for next in self.track.reach(end, &self.points, Taking::AsSet) {
                let state = &self.places[next.place.index()];
                if next.place == place || train.holds(next.place) {
                    continue;
                }
                if self.was_set_away(end, place) || self.was_set_away(next.by, place) {
                    continue;
                }
                // Over a border a train has gone only when the peer sees it.
                if self.is_beyond(next.place) {
                    continue;
                }
                if self.is_unseen(next.place) {
                    return Some(Whereabouts::WentInto(next.place));
                }
                let other = state.trains.iter().any(|other| *other != train.id);
                // What is released at this same moment holds nobody any more.
                let release = self.release_time(next.place);
                let stays = state.on
                    || state
                        .off_since
                        .is_none_or(|off| self.now < off.plus(release));
                if other && stays && state.state == Occupancy::Occupied {
                    came_up = came_up.or(Some(next.place));
                }
            }
        }
        came_up.map(Whereabouts::CameUpTo)
    }

    /// Nobody has gone on unseen by a leg that the points did not lie for when the place went off.
    fn was_set_away(&self, end: End, place: PlaceId) -> bool {
        let End::Turnout(turnout, _) = end else {
            return false;
        };
        let off = self.places[place.index()].off_since.unwrap_or(self.now);
        let moved = self.turnouts[turnout.index()].position.since;
        self.is_set_away(end) && moved <= off
    }

    /// The ends by which a train may have left a place that it is in, seen nowhere else. Turned on
    /// a bridge it may come off either way; so may one that another is coupled to: that moves it.
    /// `ahead`: only those that its head faces.
    pub(crate) fn ends_to_leave_by(&self, train: &Train, place: PlaceId, ahead: bool) -> Vec<End> {
        let at_head = train.head().is_some_and(|link| link.place == place);
        let block = self.track.block_of(place);
        let is_bridge =
            block.is_some_and(|block| self.layout.blocks[block.index()].bridge_of.is_some());
        let coupled = self.places[place.index()].trains.len() > 1;
        if train.directed && at_head && (ahead || !(is_bridge || coupled)) {
            return train.outward(&self.track);
        }
        self.track.ends(place)
    }

    /// Dark, or nothing that works watches it: a train can go in unseen. A detector that was never
    /// heard is no excuse for a train that vanished beside it.
    pub(crate) fn is_unseen(&self, place: PlaceId) -> bool {
        let state = &self.places[place.index()];
        match state.state {
            Occupancy::Dark => true,
            Occupancy::Unknown => state.detectors.iter().all(|id| {
                let seen = &self.detectors[id.index()];
                seen.out_of_service || (seen.is_silent() && seen.heard().is_some())
            }),
            Occupancy::Vacant | Occupancy::Occupied | Occupancy::Lost => false,
        }
    }

    /// The places next along the road, each once.
    pub(crate) fn neighbours(&self, place: PlaceId) -> Vec<PlaceId> {
        self.near(place, Taking::AsSet)
    }

    /// The places next along the track, however the points lie, each once.
    pub(crate) fn near(&self, place: PlaceId, taking: Taking) -> Vec<PlaceId> {
        let mut near: Vec<PlaceId> = Vec::new();
        for end in self.track.ends(place) {
            for next in self.track.reach(end, &self.points, taking) {
                near.push(next.place);
            }
        }
        near.retain(|next| *next != place);
        near.sort_unstable();
        near.dedup();
        near
    }

    /// The cause of a place's state, in words.
    pub(super) fn why_place(
        &self,
        place: PlaceId,
        was: Occupancy,
        on: Option<DetectorId>,
    ) -> String {
        let state = &self.places[place.index()];
        match state.state {
            Occupancy::Occupied => match on {
                Some(id) => {
                    let detector = &self.layout.detectors[id.index()];
                    wording::detector_on(detector, self.detectors[id.index()].reading)
                }
                None if state.told => String::from("the operator says that a train stands here"),
                None => String::from("a vehicle has gone in and not come out"),
            },
            Occupancy::Vacant => match was {
                Occupancy::Lost => String::from("the train was found elsewhere"),
                Occupancy::Occupied => {
                    wording::off_for("the train has left", self.release_time(place))
                }
                _ => wording::off_for("every detector off", self.release_time(place)),
            },
            Occupancy::Lost => wording::off_for(
                "detection stopped, nothing left it",
                self.release_time(place),
            ),
            Occupancy::Dark => match self.dead_feed(place) {
                Some(feed) => {
                    wording::dark(&self.layout.feeds[feed.index()].id, self.has_failed(place))
                }
                None => String::from("no power"),
            },
            Occupancy::Unknown => self.why_unknown(place),
        }
    }

    /// A place that stays occupied while its detectors are off says why, and when they are on
    /// again, that; one that stays unknown says what is missing now. Nothing else has changed: it
    /// is no change of state.
    pub(super) fn say_why_still(&mut self, place: PlaceId, event: Event, on: Option<DetectorId>) {
        let state = &self.places[place.index()];
        if state.told {
            return;
        }
        let (held, why) = match (state.state, event) {
            (Occupancy::Unknown, _) => (false, self.why_unknown(place)),
            (Occupancy::Occupied, Event::Judged(Finding::Released(Verdict::Stays))) => {
                (true, self.why_held(place))
            }
            (Occupancy::Occupied, Event::Judged(Finding::On)) if state.held => {
                (false, self.why_place(place, state.state, on))
            }
            _ => return,
        };
        let state = &mut self.places[place.index()];
        state.held = held;
        if state.why != why {
            state.why = why;
            if let Some(block) = self.track.block_of(place) {
                self.touched.insert(Item::Block(block));
            }
        }
    }

    fn why_held(&self, place: PlaceId) -> String {
        let trains = self.places[place.index()].trains.iter();
        let at = trains.map(|train| self.whereabouts(*train, place));
        for whereabouts in at {
            match whereabouts {
                Whereabouts::Astride => {
                    return String::from("detectors off, its train is on both sides of it");
                }
                Whereabouts::Unheard => {
                    return String::from(
                        "detectors off, its train may be over the border: not confirmed there",
                    );
                }
                _ => {}
            }
        }
        String::from("detectors off, but without a known voltage that proves nothing")
    }

    fn why_unknown(&self, place: PlaceId) -> String {
        let state = &self.places[place.index()];
        let silent = state
            .detectors
            .iter()
            .find(|id| self.detectors[id.index()].evidence == crate::change::Evidence::None);
        match silent {
            Some(id) => self.why_blind(*id),
            None if state.detectors.is_empty() => String::from("nothing watches it"),
            None if state.power == Power::Unknown => String::from("its feed was not heard from"),
            None if !state.notes.whole => String::from("nothing watches the whole of it"),
            None => String::from("not proven"),
        }
    }

    /// Why a detector says nothing.
    pub(crate) fn why_blind(&self, id: DetectorId) -> String {
        let seen = &self.detectors[id.index()];
        let detector = &self.layout.detectors[id.index()].id;
        if seen.heard().is_none() && !seen.out_of_service {
            wording::not_heard_yet(detector)
        } else {
            wording::cannot_tell(detector)
        }
    }

    fn dead_feed(&self, place: PlaceId) -> Option<crate::ids::FeedId> {
        self.places[place.index()]
            .feeds
            .iter()
            .copied()
            .find(|feed| self.feeds[feed.index()].power == Power::Dead)
    }

    /// What people call a place.
    pub(crate) fn place_label(&self, place: PlaceId) -> String {
        match self.track.places[place.index()].kind {
            PlaceKind::Block(b) => self.layout.blocks[b.index()].name.clone(),
            PlaceKind::Turnout(t) => wording::points(&self.layout.turnouts[t.index()].name),
            PlaceKind::Crossing(k) => self.layout.crossings[k.index()].name.clone(),
        }
    }
}
