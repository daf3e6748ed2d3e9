//! How soon a train is somewhere on its road.
//!
//! Input: its speed as measured, when it came into its place, how far it is from there. Output: the
//! soonest and the latest, seconds. A train whose every known speed comes from a place in which it
//! may have waited can be faster than that: for it the soonest is that of the fastest known train.

use super::walk::{Stop, Walk};
use crate::Engine;
use crate::track::PlaceKind;
use crate::train::Train;

impl Engine {
    /// The fastest speed that any train was found to have place after place; 0 where none was.
    pub(crate) fn fastest_mm_s(&self) -> f64 {
        let known = self.trains.values().filter_map(|train| {
            let sure = train.measure.is_found_again() && !train.lost;
            train.measure.speed_mm_s.filter(|_| sure)
        });
        known.fold(0.0, f64::max)
    }

    /// How far the head still has to go in its place if it runs on as it did, mm.
    pub(super) fn to_the_end_of_its_place(&self, train: &Train) -> Option<f64> {
        let head = train.head()?;
        let gone = train.measure.speed_mm_s? * self.inside_s(train);
        // Points and crossings are short, and their length is not always in the plan.
        let short = match self.track.places[head.place.index()].kind {
            PlaceKind::Crossing(_) | PlaceKind::Turnout(_) => Some(0.0),
            PlaceKind::Block(_) => None,
        };
        let length = self.length_of(head.place).or(short)?;
        Some((length - gone).max(0.0))
    }

    /// The head has been in its place for so long, seconds.
    pub(super) fn inside_s(&self, train: &Train) -> f64 {
        let since = |head: &crate::train::Link| self.now.since(head.entered).as_secs_f64();
        train.head().map_or(0.0, since)
    }

    /// The seconds that are left now until a train comes to what stops it.
    pub(crate) fn seconds_left(&self, train: &Train, stop: &Stop) -> Option<(f64, f64)> {
        let first = self.to_the_end_of_its_place(train)?;
        self.seconds_beyond(train, first, stop.rest?)
    }

    /// The soonest that the train can be at the end which the walk has come to.
    pub(super) fn seconds_to(&self, walk: &Walk<'_>) -> Option<f64> {
        self.range_to(walk).map(|(soonest, _)| soonest)
    }

    /// The soonest and the latest.
    pub(super) fn range_to(&self, walk: &Walk<'_>) -> Option<(f64, f64)> {
        self.seconds_beyond(walk.train, walk.first?, walk.rest?)
    }

    /// Until the head, `first` mm from the end of its place, is `rest` mm beyond that.
    fn seconds_beyond(&self, train: &Train, first: f64, rest: f64) -> Option<(f64, f64)> {
        let (soonest, latest) = train.measure.seconds_over(first + rest)?;
        let may_be = train.measure.waited.then(|| self.fastest_mm_s());
        let fast = may_be
            .filter(|fastest| *fastest > 0.0)
            .map_or(soonest, |fastest| self.fast_over(train, rest, fastest));
        Some((soonest.min(fast), latest))
    }

    /// The same for a train that runs as fast as the fastest, or as fast as it can have run and
    /// still be in its place.
    fn fast_over(&self, train: &Train, rest: f64, fastest: f64) -> f64 {
        let head = train.head().map(|head| head.place);
        let length = head.and_then(|place| self.length_of(place)).unwrap_or(0.0);
        let inside = self.inside_s(train);
        let pace = if fastest * inside > length {
            length / inside
        } else {
            fastest
        };
        if pace > 0.0 {
            (length + rest) / pace - inside
        } else {
            f64::INFINITY
        }
    }
}
