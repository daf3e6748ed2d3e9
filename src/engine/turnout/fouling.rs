//! Fouling evidence: what a turnout's own section, its beams, or the block that covers it say.
//!
//! 49 CFR 218.93: a vehicle fouls when its end is between the clearance point and the points. The
//! answer has two sides that are not each other's opposite: evidence of a vehicle, and proof of
//! none.

use alloc::string::String;

use crate::Engine;
use crate::change::{Evidence, Kept, Occupancy};
use crate::ids::{DetectorId, PlaceId, TurnoutId};
use crate::layout::{Equipped, Leg};
use crate::time::Instant;
use crate::track::Taking;
use crate::wording;

use super::passage::MovedOn;

const LEGS: [Leg; 3] = [Leg::Toe, Leg::Normal, Leg::Reverse];

/// What all the evidence comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Fouling {
    /// Something says that a vehicle is there.
    pub(crate) fouled: bool,
    /// A detector says so at this moment.
    pub(crate) detected: bool,
    /// Everything that is needed has been off since then; `None`: something cannot tell, or is on.
    pub(crate) off_since: Option<Instant>,
}

impl Engine {
    /// Judges the evidence anew; ends a passage that is complete.
    pub(super) fn fouling(&mut self, id: TurnoutId) -> Fouling {
        self.follow_passage(id);
        let state = &self.turnouts[id.index()];
        if let Some(place) = state.place {
            return self.fouling_of_place(place);
        }
        let mut sum = Fouling {
            fouled: false,
            detected: false,
            off_since: Some(Instant::default()),
        };
        for beam in state.beams.iter().flatten() {
            sum.add_detector(
                self.detectors[beam.index()].evidence,
                self.detectors[beam.index()].evidence_since,
            );
        }
        match self.layout.turnouts[id.index()].covered_by {
            Some(block) => {
                let cover = self.fouling_of_place(self.track.block(block));
                sum.fouled |= cover.fouled;
                sum.detected |= cover.detected;
                sum.off_since = both(sum.off_since, cover.off_since);
            }
            // Beams on some legs only prove nothing about the rest.
            None => sum.off_since = None,
        }
        sum
    }

    /// The evidence of a place: its own section and beams, or the block that covers the rails.
    fn fouling_of_place(&self, place: PlaceId) -> Fouling {
        let state = &self.places[place.index()];
        let kept = matches!(state.notes.kept, Some(Kept::Occupied | Kept::Lost));
        match state.state {
            Occupancy::Occupied => Fouling {
                fouled: true,
                detected: state.on,
                off_since: state.off_since,
            },
            Occupancy::Lost => Fouling {
                fouled: true,
                detected: false,
                off_since: None,
            },
            // T7: dark kept vacant frees nothing either.
            Occupancy::Dark => Fouling {
                fouled: kept,
                detected: false,
                off_since: None,
            },
            Occupancy::Unknown => Fouling {
                fouled: false,
                detected: false,
                // T0 counts from the first proof; while what is kept is a train, nothing is proven.
                off_since: state.off_since.filter(|_| !kept && state.notes.whole),
            },
            Occupancy::Vacant => Fouling {
                fouled: false,
                detected: false,
                off_since: state.off_since,
            },
        }
    }

    /// Beams on all three legs: opens and ends passages.
    fn follow_passage(&mut self, id: TurnoutId) {
        let now = self.now;
        let state = &self.turnouts[id.index()];
        if !state.passage.is_open() {
            return;
        }
        let broken = state.beams.iter().flatten().any(|beam| {
            // A beam that cannot tell has not cleared.
            self.detectors[beam.index()].evidence != Evidence::Off
        });
        if broken {
            return;
        }
        let sections_off = !state.sections.is_empty()
            && state
                .sections
                .iter()
                .all(|d| self.detectors[d.index()].evidence == Evidence::Off);
        let ended = if sections_off && self.layout.equipped == Equipped::All {
            self.turnouts[id.index()].passage.end();
            true
        } else {
            let moved_on = self.moved_on(id);
            self.turnouts[id.index()].passage.try_end(moved_on, now)
        };
        if ended {
            self.turnouts[id.index()].last_evidence = Some(now);
            if let Some(place) = self.turnouts[id.index()].place {
                self.dirty.places.mark(place.index());
                self.another_round = true;
            }
        }
    }

    fn moved_on(&self, id: TurnoutId) -> MovedOn {
        let passage = &self.turnouts[id.index()].passage;
        let beyond = |leg: Leg| {
            self.track.reach(
                crate::layout::End::Turnout(id, leg),
                &self.points,
                Taking::AsSet,
            )
        };
        let origin_vacant = passage.entered_by().is_some_and(|leg| {
            let places = beyond(leg);
            !places.is_empty()
                && places
                    .iter()
                    .all(|p| self.places[p.place.index()].state == Occupancy::Vacant)
        });
        let beyond_entered = passage.last().is_some_and(|(leg, broke)| {
            beyond(leg).iter().any(|p| {
                let place = &self.places[p.place.index()];
                place.state == Occupancy::Occupied && place.on && place.lit_since > broke
            })
        });
        let beyond_on = passage
            .last()
            .is_some_and(|(leg, _)| beyond(leg).iter().any(|p| self.places[p.place.index()].on));
        MovedOn {
            origin_vacant,
            beyond_entered,
            beyond_on,
        }
    }

    /// A beam has just been broken: something goes in, or comes out.
    pub(crate) fn beam_broken(&mut self, id: TurnoutId, leg: Leg) {
        if self.turnouts[id.index()].has_all_beams() {
            let now = self.now;
            let clear = self.layout.turnouts[id.index()].clear;
            self.turnouts[id.index()].passage.broken(leg, now, clear);
        }
    }

    /// Whether a vehicle went in past a beam and has not come out.
    pub(crate) fn passage_is_open(&self, place: PlaceId) -> bool {
        match self.track.places[place.index()].kind {
            crate::track::PlaceKind::Turnout(t) => self.turnouts[t.index()].passage.is_open(),
            crate::track::PlaceKind::Block(_) | crate::track::PlaceKind::Crossing(_) => false,
        }
    }

    pub(super) fn why_fouled(&self, id: TurnoutId) -> String {
        let state = &self.turnouts[id.index()];
        let on = state
            .sections
            .iter()
            .chain(state.beams.iter().flatten())
            .find(|d| self.detectors[d.index()].evidence == Evidence::On);
        if let Some(on) = on {
            let detector = &self.layout.detectors[on.index()];
            return wording::detector_on(detector, self.detectors[on.index()].reading);
        }
        if state.passage.is_open() {
            return String::from("a vehicle has gone in and not come out");
        }
        let cover = state.place.or_else(|| {
            let block = self.layout.turnouts[id.index()].covered_by?;
            Some(self.track.block(block))
        });
        cover.map_or_else(String::new, |place| {
            wording::covered(
                &self.track.places[place.index()].id,
                self.places[place.index()].state,
            )
        })
    }

    pub(super) fn why_not_proven(&self, id: TurnoutId) -> String {
        let state = &self.turnouts[id.index()];
        let cannot = |d: &&DetectorId| self.detectors[d.index()].evidence == Evidence::None;
        let blind = state
            .sections
            .iter()
            .chain(state.beams.iter().flatten())
            .find(cannot);
        if let Some(blind) = blind {
            return self.why_blind(*blind);
        }
        let cover = self.layout.turnouts[id.index()]
            .covered_by
            .filter(|_| state.place.is_none());
        match cover {
            Some(block) => {
                let place = self.track.block(block);
                match self.places[place.index()].state {
                    Occupancy::Unknown | Occupancy::Dark => wording::covered(
                        &self.track.places[place.index()].id,
                        self.places[place.index()].state,
                    ),
                    _ => String::from("not clear for long enough"),
                }
            }
            None => String::from("not clear for long enough"),
        }
    }

    /// The beams and sections of every turnout, once.
    pub(crate) fn wire_turnouts(&mut self) {
        for index in 0..self.layout.detectors.len() {
            let id = DetectorId(index as u32);
            match self.layout.detectors[index].subject {
                crate::layout::Subject::Section(t) => self.turnouts[t.index()].sections.push(id),
                crate::layout::Subject::Beam(t, leg) => {
                    let at = LEGS.iter().position(|l| *l == leg).unwrap_or_default();
                    self.turnouts[t.index()].beams[at].push(id);
                }
                _ => {}
            }
        }
        for index in 0..self.turnouts.len() {
            let id = TurnoutId(index as u32);
            let mut around: alloc::vec::Vec<PlaceId> = LEGS
                .iter()
                .flat_map(|leg| {
                    let end = crate::layout::End::Turnout(id, *leg);
                    self.track.reach(end, &self.points, Taking::Any)
                })
                .map(|reached| reached.place)
                .collect();
            around.extend(self.turnouts[index].place);
            if let Some(block) = self.layout.turnouts[index].covered_by {
                around.push(self.track.block(block));
            }
            around.sort_unstable();
            around.dedup();
            for place in &around {
                self.watchers[place.index()].push(id);
            }
            self.around.push(around);
        }
    }
}

impl Fouling {
    fn add_detector(&mut self, evidence: Evidence, since: Instant) {
        match evidence {
            Evidence::On => {
                self.fouled = true;
                self.detected = true;
                self.off_since = None;
            }
            Evidence::None => self.off_since = None,
            Evidence::Off => self.off_since = both(self.off_since, Some(since)),
        }
    }
}

/// The later of two proofs; both are needed.
fn both(one: Option<Instant>, other: Option<Instant>) -> Option<Instant> {
    Some(one?.max(other?))
}
