//! The feed stage: switches, voltages, and the power that fails under several trains (B6, B7, B10).

use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Item, Kept, Occupancy, What};
use crate::feed::{self, Power, Supplied};
use crate::ids::{FeedId, PlaceId};
use crate::input::Outcome;
use crate::layout::{DetectorKind, FeedRest};
use crate::time::Instant;
use crate::timers::Subject;
use crate::wording;

impl Engine {
    pub(crate) fn hear_switch(&mut self, id: FeedId, on: bool) -> Outcome {
        let state = &mut self.feeds[id.index()];
        state.switch = Some(on);
        state.remembered = false;
        self.dirty.feeds.mark(id.index());
        Outcome::Taken
    }

    pub(crate) fn hear_voltage(&mut self, id: FeedId, volts: f64) -> Outcome {
        if !volts.is_finite() {
            return Outcome::Implausible;
        }
        let now = self.now;
        let state = &mut self.feeds[id.index()];
        state.remembered = false;
        let before = state.volts;
        state.voltage(&self.layout.feeds[id.index()], volts, now);
        if before != state.volts {
            self.touched.insert(Item::Feed(id));
        }
        self.dirty.feeds.mark(id.index());
        Outcome::Taken
    }

    /// Every marked feed, and those that hang on one that moved.
    pub(crate) fn stage_power(&mut self) {
        self.look_for_trips();
        loop {
            let marked = self.dirty.feeds.take();
            if marked.is_empty() {
                break;
            }
            for index in marked {
                self.judge_feed(FeedId(index));
            }
        }
    }

    fn judge_feed(&mut self, id: FeedId) {
        let now = self.now;
        let feed = &self.layout.feeds[id.index()];
        let supplied = Supplied {
            parent: feed.of.map(|parent| self.feeds[parent.index()].power),
            routed: feed
                .via
                .map(|via| feed::routed(via, &self.points.turnouts, &self.points.tables)),
        };
        self.note_return(id);
        let feed = &self.layout.feeds[id.index()];
        let state = &mut self.feeds[id.index()];
        let was_failed = state.failed;
        let power_was = state.power;
        let moved = state.judge(feed, supplied, now);
        self.failure_just_ended |= was_failed && !state.failed && state.power != Power::Dead;
        let wake = state.wake(feed);
        self.timers
            .set(Subject::Feed(id), wake.filter(|at| *at > now));
        self.tell_feed(id);
        if self.feeds[id.index()].failed {
            self.stir_detectors(id);
        }
        if !moved {
            return;
        }
        let state = &self.feeds[id.index()];
        let what = What::Feed {
            feed: id,
            on: state.on,
            live: state.is_live(),
            failed: state.failed,
        };
        self.emit(what);
        self.touched.insert(Item::Feed(id));
        if was_failed && !self.feeds[id.index()].failed {
            // Section 6: after `power-lost` ends, silence raises nothing for a while.
            self.quiet_until = self.quiet_until.max(now.plus(self.layout.settings.boot));
        }
        if power_was != self.feeds[id.index()].power {
            for place in self.feed_places[id.index()].clone() {
                self.dirty.places.mark(place.index());
            }
            for other in 0..self.layout.feeds.len() {
                if self.layout.feeds[other].of == Some(id) {
                    self.dirty.feeds.mark(other);
                }
            }
        }
    }

    /// Every sample of a failed feed's places is waited for: it may prove the current's return.
    fn stir_detectors(&mut self, id: FeedId) {
        for place in &self.feed_places[id.index()] {
            for detector in &self.places[place.index()].detectors {
                self.detectors[detector.index()].stir();
            }
        }
    }

    /// B10: current that is back in one of a failed feed's places.
    fn note_return(&mut self, id: FeedId) {
        let now = self.now;
        if !self.feeds[id.index()].failed || self.feeds[id.index()].volts.is_some() {
            return;
        }
        let since = self.feeds[id.index()].since;
        let current = self
            .all_places_of(id)
            .into_iter()
            .any(|place| self.draws_current(place, since));
        let state = &mut self.feeds[id.index()];
        if current {
            state.back_since.get_or_insert(now);
        } else {
            state.back_since = None;
        }
    }

    fn draws_current(&self, place: PlaceId, since: Instant) -> bool {
        self.places[place.index()].detectors.iter().any(|d| {
            let seen = &self.detectors[d.index()];
            self.layout.detectors[d.index()].kind == DetectorKind::Current
                && seen.evidence == crate::change::Evidence::On
                && seen.sampled.is_some_and(|at| at >= since)
        })
    }

    /// The places of a feed and of every feed that hangs on it.
    fn all_places_of(&self, id: FeedId) -> Vec<PlaceId> {
        let mut feeds = alloc::vec![id];
        let mut at = 0;
        while let Some(parent) = feeds.get(at).copied() {
            at += 1;
            for (other, feed) in self.layout.feeds.iter().enumerate() {
                let other = FeedId(other as u32);
                if feed.of == Some(parent) && !feeds.contains(&other) {
                    feeds.push(other);
                }
            }
        }
        let mut places: Vec<PlaceId> = feeds
            .iter()
            .flat_map(|feed| self.feed_places[feed.index()].iter().copied())
            .collect();
        places.sort_unstable();
        places.dedup();
        places
    }

    /// A current detector of a place went off: perhaps the power, not the train (B10).
    pub(crate) fn note_current_lost(&mut self, place: PlaceId) {
        let now = self.now;
        let state = &mut self.places[place.index()];
        if state.state == Occupancy::Occupied {
            state.current_lost = Some(now);
            self.recent_losses.push(place);
        }
    }

    /// B10: all occupied places of one feed, two or more, lost their current within `trip_ms`.
    fn look_for_trips(&mut self) {
        let recent = core::mem::take(&mut self.recent_losses);
        if recent.is_empty() {
            return;
        }
        let mut tripped: Vec<(FeedId, usize)> = Vec::new();
        for index in 0..self.layout.feeds.len() {
            let id = FeedId(index as u32);
            let places = self.all_places_of(id);
            if !recent.iter().any(|place| places.contains(place)) {
                continue;
            }
            if self.feeds[index].is_live()
                && let Some(lost) = self.lost_together(id, &places)
            {
                tripped.push((id, lost));
            }
        }
        // The lowest feed that explains all of it; a district only where more than one feed of it
        // fell.
        let most = tripped.iter().map(|(_, lost)| *lost).max().unwrap_or(0);
        let cause = tripped
            .iter()
            .filter(|(_, lost)| *lost == most)
            .min_by_key(|(id, _)| self.all_places_of(*id).len())
            .map(|(id, _)| *id);
        if let Some(id) = cause {
            self.feeds[id.index()].failed = true;
            self.feeds[id.index()].back_since = None;
            self.dirty.feeds.mark(id.index());
        }
    }

    /// How many places lost their current together, if that were all that were occupied.
    fn lost_together(&self, id: FeedId, places: &[PlaceId]) -> Option<usize> {
        let now = self.now;
        let trip = self.layout.feeds[id.index()].trip;
        let mut lost = 0;
        for place in places {
            let state = &self.places[place.index()];
            let lit = state.detectors.iter().any(|d| {
                self.layout.detectors[d.index()].kind == DetectorKind::Current
                    && self.detectors[d.index()].evidence == crate::change::Evidence::On
            });
            if lit {
                return None;
            }
            // It may be unknown by now, where the `off` came while its node settled.
            let held =
                state.state == Occupancy::Occupied || state.notes.kept == Some(Kept::Occupied);
            let just_lost = held && state.current_lost.is_some_and(|at| now.since(at) <= trip);
            lost += usize::from(just_lost);
        }
        (lost >= 2).then_some(lost)
    }

    /// `power-lost` and `feed-left-on`.
    fn tell_feed(&mut self, id: FeedId) {
        let now = self.now;
        let feed = &self.layout.feeds[id.index()];
        let (subject, name, rest, idle) =
            (feed.id.clone(), feed.name.clone(), feed.rest, feed.idle);
        if self.feeds[id.index()].failed {
            let text = wording::power_lost(&name);
            self.raise(AlarmKind::PowerLost, &subject, text);
        } else {
            self.clear(AlarmKind::PowerLost, &subject);
        }
        let places = &self.feed_places[id.index()];
        let unused = !places.is_empty()
            && places
                .iter()
                .all(|place| self.places[place.index()].state == Occupancy::Vacant);
        let state = &mut self.feeds[id.index()];
        let left_on = rest == FeedRest::Off && state.on == Some(true) && unused;
        state.idle_since = if left_on {
            Some(state.idle_since.unwrap_or(now))
        } else {
            None
        };
        match state.idle_since {
            Some(since) => {
                let text = wording::feed_left_on(&name);
                self.raise_after(AlarmKind::FeedLeftOn, &subject, since, idle, text);
            }
            None => self.clear(AlarmKind::FeedLeftOn, &subject),
        }
    }
}
