//! The room's light: many optical detectors that step together (DEVELOPERS.md, section 1).
//!
//! Optical detectors of at least three places that no one train can hold, and at least half of all
//! that report, step the same way within 300 ms by a like part of their span: that is a lamp, not a
//! train. Their evidence is none for a while, what they said in that moment is taken back, and the
//! thresholds move with the light. A step that leaves every one of them clearly what it was (mains
//! flicker) needs no explanation. Dusk is followed slowly, and only by what it has changed in all.

use alloc::vec::Vec;

use crate::Engine;
use crate::change::{Evidence, Kept, Occupancy};
use crate::detector::room_light::{FADE_PART, Step, TOGETHER};
use crate::ids::{DetectorId, PlaceId};
use crate::layout::{DetectorKind, Subject};
use crate::place::occupancy::Event;
use crate::time::{STEP, Span};
use crate::track::Taking;

/// Parts of a span are alike when the largest is at most this many times the smallest.
const ALIKE: f64 = 1.5;

/// A level has gone along with the others when it is at least by this part of what they have.
const FADE_ALIKE: f64 = 1.0 / 3.0;

/// Of how many places that no one train can hold.
const PLACES: usize = 3;

impl Engine {
    /// A detector has stepped: was it the light?
    pub(crate) fn look_for_ambient(&mut self, id: DetectorId) {
        let now = self.now;
        let Some(first) = self.detectors[id.index()].more.light.step(now) else {
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
            if state
                .more
                .light
                .step(now)
                .is_some_and(|step| alike(step, first))
            {
                stepped.push(DetectorId(index as u32));
            }
        }
        if stepped.len() * 2 < reporting || !self.are_apart(&stepped) {
            return;
        }
        let clear = stepped.iter().all(|id| {
            let state = &self.detectors[id.index()];
            let was = state.more.light.step(now).map_or(state.evidence, |s| s.was);
            state.is_clear_of(&self.layout.detectors[id.index()], was)
        });
        if clear {
            return;
        }
        let began = stepped
            .iter()
            .filter_map(|id| self.detectors[id.index()].more.light.step(now))
            .map(|step| step.at)
            .min();
        self.ambient = began.map(|at| Step { at, ..first });
        for id in stepped {
            self.learn_light(id, until);
        }
    }

    /// The level of a detector without a vehicle has wandered: was it the light? It was where half
    /// of all that report, in three or more places that no one train can hold, have wandered the
    /// same way. What all have in common is the light; the rest is the detector's own.
    pub(crate) fn look_for_fade(&mut self, id: DetectorId) {
        let now = self.now;
        let (common, faded) = self.faded();
        let detector = &self.layout.detectors[id.index()];
        if self.detectors[id.index()].judge_worn(detector, common, now) {
            self.report_health(id);
        }
        let clear = |id: &DetectorId| {
            let state = &self.detectors[id.index()];
            state.is_clear_of(&self.layout.detectors[id.index()], Evidence::Off)
        };
        if faded.is_empty() {
            self.detectors[id.index()].more.light.looked_at(now);
        } else if faded.iter().all(clear) {
            self.detectors[id.index()].more.light.take_off(common, now);
        } else {
            let until = now.plus(self.layout.settings.relearn);
            for id in faded {
                let detector = &self.layout.detectors[id.index()];
                let state = &mut self.detectors[id.index()];
                let before = (state.evidence, state.evidence_since);
                let moved = state.learn_wandered(detector, until, now);
                self.plan_detector_wake(id);
                if moved.any() {
                    self.note_moved(id, moved, before);
                }
            }
        }
    }

    /// By how much the room's light has wandered, and whose levels have gone along; none where it
    /// has not.
    fn faded(&self) -> (f64, Vec<DetectorId>) {
        let mut reporting = 0;
        let mut parts: Vec<(f64, DetectorId)> = Vec::new();
        for index in 0..self.detectors.len() {
            let state = &self.detectors[index];
            if self.layout.detectors[index].kind != DetectorKind::Optical
                || state.is_silent()
                || state.heard().is_none()
            {
                continue;
            }
            reporting += 1;
            let empty =
                state.evidence == Evidence::Off || state.more.light.learning_until.is_some();
            if let Some(part) = state.more.light.wandered().filter(|_| empty) {
                parts.push((part, DetectorId(index as u32)));
            }
        }
        parts.sort_by(|one, other| one.0.total_cmp(&other.0));
        let Some((common, _)) = parts.get(parts.len() / 2).copied() else {
            return (0.0, Vec::new());
        };
        let along =
            |part: f64| part * common > 0.0 && libm::fabs(part) >= FADE_ALIKE * libm::fabs(common);
        let faded: Vec<DetectorId> = parts
            .iter()
            .filter(|(part, _)| along(*part))
            .map(|(_, id)| *id)
            .collect();
        if libm::fabs(common) < FADE_PART || faded.len() * 2 < reporting || !self.are_apart(&faded)
        {
            return (0.0, Vec::new());
        }
        (common, faded)
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

    /// For how long what was just seen in a place may still turn out to have been the light: where
    /// beams alone say it, and there are enough of them to tell.
    pub(crate) fn doubt_of_light(&self, place: PlaceId) -> Span {
        let optical = |id: usize| self.layout.detectors[id].kind == DetectorKind::Optical;
        let by_light = self.places[place.index()]
            .detectors
            .iter()
            .filter(|id| self.detectors[id.index()].evidence == Evidence::On)
            .all(|id| optical(id.index()));
        let enough = (0..self.detectors.len())
            .filter(|id| optical(*id))
            .nth(PLACES - 1);
        if by_light && enough.is_some() {
            Span(TOGETHER.0 + STEP.0)
        } else {
            Span::ZERO
        }
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
