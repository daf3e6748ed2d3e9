//! The room's light: many optical detectors that step together (behaviour.md, section 1).
//!
//! Optical detectors of at least three places that no one train can hold, and at least half of all
//! that report, step the same way within 300 ms by a like part of their span: that is a lamp, not a
//! train. Their evidence is none for a while, what they said in that moment is taken back, and the
//! thresholds move with the light.

use alloc::vec::Vec;

use crate::Engine;
use crate::change::{Evidence, Kept, Occupancy};
use crate::detector::room_light::{Step, TOGETHER};
use crate::ids::{DetectorId, PlaceId};
use crate::layout::{DetectorKind, Subject};
use crate::place::occupancy::Event;
use crate::track::Taking;

/// Parts of a span are alike when the largest is at most this many times the smallest.
const ALIKE: f64 = 1.5;

/// Of how many places that no one train can hold.
const PLACES: usize = 3;

impl Engine {
    /// A detector has stepped: was it the light?
    pub(crate) fn look_for_ambient(&mut self, id: DetectorId) {
        let now = self.now;
        let Some(first) = self.detectors[id.index()].light.step(now) else {
            return;
        };
        let until = now.plus(self.layout.settings.relearn);
        // One lamp reaches the slower detectors a little later.
        if self
            .ambient
            .is_some_and(|step| now.since(step.at) <= TOGETHER && alike(step, first))
        {
            self.learn_light(id, until);
            return;
        }
        let mut stepped: Vec<DetectorId> = Vec::new();
        let mut reporting = 0;
        for index in 0..self.detectors.len() {
            let state = &self.detectors[index];
            if self.layout.detectors[index].kind != DetectorKind::Optical || state.is_silent() {
                continue;
            }
            reporting += usize::from(state.heard().is_some());
            if state.light.step(now).is_some_and(|step| alike(step, first)) {
                stepped.push(DetectorId(index as u32));
            }
        }
        if stepped.len() * 2 < reporting || !self.are_apart(&stepped) {
            return;
        }
        let began = stepped
            .iter()
            .filter_map(|id| self.detectors[id.index()].light.step(now))
            .map(|step| step.at)
            .min();
        self.ambient = began.map(|at| Step { at, ..first });
        for id in stepped {
            self.learn_light(id, until);
        }
    }

    /// Whether three of their places are no neighbours of each other: no one train came into all.
    fn are_apart(&self, detectors: &[DetectorId]) -> bool {
        let mut apart: Vec<PlaceId> = Vec::new();
        for id in detectors {
            let place = match self.layout.detectors[id.index()].subject {
                Subject::Edge(table) => {
                    Some(self.track.block(self.layout.tables[table.index()].bridge))
                }
                Subject::Beam(turnout, _) => self.track.turnout(turnout).or_else(|| {
                    let block = self.layout.turnouts[turnout.index()].covered_by?;
                    Some(self.track.block(block))
                }),
                subject => self.track.watched_by(subject),
            };
            let Some(place) = place else { continue };
            let near = self.near(place, Taking::Any);
            if !apart.contains(&place) && !apart.iter().any(|other| near.contains(other)) {
                apart.push(place);
            }
        }
        apart.len() >= PLACES
    }

    fn learn_light(&mut self, id: DetectorId, until: crate::time::Instant) {
        let detector = &self.layout.detectors[id.index()];
        let subject = detector.subject;
        let state = &mut self.detectors[id.index()];
        let before = (state.evidence, state.evidence_since);
        let moved = state.learn_light(detector, until, self.now);
        self.plan_detector_wake(id);
        if moved.any() {
            self.note_moved(id, moved, before);
        }
        if let Subject::Beam(turnout, _) = subject {
            self.turnouts[turnout.index()]
                .passage
                .take_back(self.now, TOGETHER);
        }
        if let Some(place) = self.track.watched_by(subject)
            && before.0 == Evidence::On
        {
            self.take_back(place);
        }
    }

    /// What was said in the moment of the step is taken back: the evidence was none, and is not
    /// kept.
    fn take_back(&mut self, place: PlaceId) {
        let now = self.now;
        let state = &self.places[place.index()];
        let fresh = state.on && now.since(state.lit_since) <= TOGETHER;
        let by_others = state
            .detectors
            .iter()
            .any(|d| self.detectors[d.index()].evidence == Evidence::On);
        if !fresh || by_others || state.state != Occupancy::Occupied {
            return;
        }
        let kept = match state.before_lit {
            (Occupancy::Vacant, _) => Some(Kept::Vacant),
            (Occupancy::Lost, _) => Some(Kept::Lost),
            (Occupancy::Occupied, _) => Some(Kept::Occupied),
            (Occupancy::Dark | Occupancy::Unknown, kept) => kept,
        };
        let lit_since = state.lit_since;
        let state = &mut self.places[place.index()];
        state.on = false;
        state.notes.kept = kept;
        self.drive_place(place, Event::Put(Occupancy::Unknown), None);
        self.forget_entry(place, lit_since);
    }
}

/// The same way, by a like part of the span.
fn alike(one: Step, other: Step) -> bool {
    let (a, b) = (libm::fabs(one.part), libm::fabs(other.part));
    (one.part > 0.0) == (other.part > 0.0) && a.max(b) <= ALIKE * a.min(b)
}
