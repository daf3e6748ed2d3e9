//! Turnouts: position, fouling evidence, clearance, and what must be warned of (T0 to T7, T11).
//!
//! Input: beams and sections, the place that covers the rails, position reports. Output: the
//! turnout's state and the conditions of T2 to T5. Which train is bound for it is decided in
//! `ahead`.

pub(crate) mod clearance;
mod crossover;
mod fouling;
pub(crate) mod passage;
pub(crate) mod position;

use alloc::string::String;
use alloc::vec::Vec;

use statig::blocking::IntoStateMachineExt;

use crate::Engine;
use crate::alarm::kinds::{AlarmKind, Priority};
use crate::change::{Clearance, Item, PositionFrom, What};
use crate::driven::Driven;
use crate::ids::{DetectorId, PlaceId, TrainId, TurnoutId};
use crate::input::Position;
use crate::layout::{PointsRest, PositionSource};
use crate::seeded::Seeded;
use crate::time::{Instant, Span};
use crate::timers::Subject;
use crate::wording;
use clearance::{Event, Facts, Machine, Set};
pub(crate) use crossover::CrossoverState;
use passage::Passage;
use position::{Moved, PositionState};

#[derive(Clone, Debug)]
pub(crate) struct TurnoutState {
    machine: Driven<Machine>,
    pub(crate) state: Clearance,
    pub(crate) since: Instant,
    pub(crate) why: String,
    pub(crate) position: PositionState,
    pub(crate) place: Option<PlaceId>,
    pub(crate) sections: Vec<DetectorId>,
    /// Beams at toe, normal and reverse.
    pub(crate) beams: [Vec<DetectorId>; 3],
    pub(crate) passage: Passage,
    /// There is fouling evidence.
    pub(crate) fouled: bool,
    /// When a detector last gave fouling evidence.
    pub(crate) last_evidence: Option<Instant>,
    was_detected: bool,
    pub(crate) fouled_since_set: bool,
    /// A train has cleared it since it was set: whoever comes next is turned off (T9).
    pub(crate) cleared_since_set: bool,
    pub(crate) cleared_by: Option<ClearedBy>,
    /// The train that passed last, and how many places it had come into with the first beyond.
    pub(crate) passer: Option<(TrainId, u32)>,
    /// T11: who answers for it, until when.
    pub(crate) in_charge: Option<(String, Instant)>,
    pub(crate) movements: u64,
    pub(crate) remembered: bool,
    /// Its position was reported since the start.
    pub(crate) position_confirmed: bool,
    /// T2's alarm stays until the points are proven normal or fouled.
    pub(crate) left_alarm: bool,
    /// What was reported last.
    shown: (Position, Clearance),
    /// Where the position is known from, and whether it is taken as done, as last shown.
    shown_from: (PositionFrom, bool),
    /// T4: moved under a train, not yet known and clear.
    pub(crate) moved_under: bool,
}

/// The train that cleared a turnout, and how far it had come in the first place beyond (T9).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct ClearedBy {
    pub(crate) train: TrainId,
    pub(crate) turns: u32,
    pub(crate) entered: u32,
}

impl TurnoutState {
    pub(crate) fn new(place: Option<PlaceId>, start: Instant) -> Self {
        let mut machine = Machine.state_machine();
        machine.init();
        Self {
            machine: machine.into(),
            state: Clearance::Unknown,
            since: start,
            why: String::from("not heard from yet"),
            position: PositionState::new(start),
            place,
            sections: Vec::new(),
            beams: [Vec::new(), Vec::new(), Vec::new()],
            passage: Passage::default(),
            fouled: false,
            last_evidence: None,
            was_detected: false,
            fouled_since_set: false,
            cleared_since_set: false,
            cleared_by: None,
            passer: None,
            in_charge: None,
            movements: 0,
            remembered: false,
            position_confirmed: false,
            left_alarm: false,
            shown: (Position::Unknown, Clearance::Unknown),
            shown_from: (PositionFrom::default(), false),
            moved_under: false,
        }
    }

    pub(crate) fn has_all_beams(&self) -> bool {
        self.beams.iter().all(|leg| !leg.is_empty())
    }
}

impl Engine {
    pub(crate) fn stage_turnouts(&mut self) {
        for index in self.dirty.turnouts.take() {
            self.judge_turnout(TurnoutId(index));
        }
    }

    fn judge_turnout(&mut self, id: TurnoutId) {
        self.hear_contacts(id);
        let moved = {
            let turnout = &self.layout.turnouts[id.index()];
            self.turnouts[id.index()].position.look(turnout, self.now)
        };
        let fouling = self.fouling(id);
        self.note_evidence(id, fouling.detected);
        self.turnouts[id.index()].fouled = fouling.fouled;
        if let Some(moved) = moved {
            self.position_moved(id, moved);
        }
        self.end_charge(id);
        self.drive_clearance(id, fouling);
        self.show_where_from(id);
        self.tell_turnout(id);
        let wake = self.turnout_wake(id, fouling);
        self.timers.set(Subject::Turnout(id), wake);
    }

    /// The same position from another source is no change of state; it is shown all the same.
    fn show_where_from(&mut self, id: TurnoutId) {
        let state = &mut self.turnouts[id.index()];
        let from = (state.position.from, state.position.assumed);
        if core::mem::replace(&mut state.shown_from, from) != from {
            self.touched.insert(Item::Turnout(id));
        }
    }

    fn hear_contacts(&mut self, id: TurnoutId) {
        if let PositionSource::Contacts { normal, reverse } =
            self.layout.turnouts[id.index()].position
        {
            let normal = self.detectors[normal.index()].evidence;
            let reverse = self.detectors[reverse.index()].evidence;
            self.turnouts[id.index()]
                .position
                .contacts(normal, reverse, self.now);
        }
    }

    fn note_evidence(&mut self, id: TurnoutId, detected: bool) {
        let now = self.now;
        let state = &mut self.turnouts[id.index()];
        // The evidence lasts until the moment at which it is seen to be gone.
        if detected || core::mem::replace(&mut state.was_detected, detected) {
            state.last_evidence = Some(now);
        }
        state.was_detected = detected;
    }

    /// A confirmed change of position: T4, and what begins anew with the points.
    pub(crate) fn position_moved(&mut self, id: TurnoutId, moved: Moved) {
        let now = self.now;
        let position = self.turnouts[id.index()].position.position;
        self.points.turnouts[id.index()] = position;
        let clear = self.layout.turnouts[id.index()].clear;
        let state = &mut self.turnouts[id.index()];
        // T4: a report that is merely lost, or comes back, is not a movement.
        let to_other_side = matches!(position, Position::Normal | Position::Reverse)
            && moved.last_side.is_some_and(|side| side != position)
            && moved.was != Position::Unknown;
        if position == Position::Moving || to_other_side {
            if state.fouled {
                state.moved_under = true;
                self.tell_moved_under(id, Priority::High);
            } else if state
                .last_evidence
                .is_some_and(|last| now < last.past(clear))
            {
                state.moved_under = true;
                self.tell_moved_under(id, Priority::Medium);
            }
        }
        let state = &mut self.turnouts[id.index()];
        if matches!(position, Position::Normal | Position::Reverse)
            && moved.last_side != Some(position)
        {
            state.movements += u64::from(moved.last_side.is_some());
            state.fouled_since_set = state.fouled;
            state.cleared_since_set = false;
            state.cleared_by = None;
        }
        // T11 ends when the points move.
        if position != Position::Unknown && moved.was != Position::Unknown {
            state.in_charge = None;
        }
        self.road_changed(id);
    }

    /// Everything that looks at the road through these points.
    fn road_changed(&mut self, id: TurnoutId) {
        for feed in 0..self.layout.feeds.len() {
            if self.layout.feeds[feed].via.is_some() {
                self.dirty.feeds.mark(feed);
            }
        }
        for crossover in 0..self.layout.crossovers.len() {
            if self.layout.crossovers[crossover].turnouts.contains(&id) {
                self.dirty.crossovers.mark(crossover);
            }
        }
        for index in 0..self.around[id.index()].len() {
            let place = self.around[id.index()][index];
            self.forget_vacancy_of_dark(place);
            self.dirty.places.mark(place.index());
        }
        self.ahead_of_turnout(id);
    }

    fn end_charge(&mut self, id: TurnoutId) {
        let now = self.now;
        let state = &mut self.turnouts[id.index()];
        if state
            .in_charge
            .as_ref()
            .is_some_and(|(_, until)| now >= *until)
        {
            state.in_charge = None;
            self.touched.insert(Item::Turnout(id));
        }
    }

    fn facts(&self, id: TurnoutId, fouling: fouling::Fouling) -> Facts {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let now = self.now;
        let clear = self
            .clear_at(turnout.clear, fouling)
            .is_some_and(|at| now >= at || self.seeded(Seeded::ClearsAtOnce));
        let set = match state.position.position {
            Position::Normal => Set::Normal,
            Position::Reverse => Set::Reverse,
            Position::Moving | Position::Unknown => Set::NotKnown,
        };
        Facts {
            fouled: fouling.fouled,
            provable: fouling.off_since.is_some(),
            clear,
            set,
            fouled_since_set: state.fouled_since_set,
            overdue: state.state == Clearance::Cleared
                && now >= state.since.plus(turnout.restore)
                && !self.seeded(Seeded::NeverLeftDiverging),
        }
    }

    /// T0, T1: when there has been no fouling evidence for longer than `clear`. Time in which no
    /// message could come does not count.
    fn clear_at(&self, clear: Span, fouling: fouling::Fouling) -> Option<Instant> {
        let since = fouling.off_since?.max(self.listening_since);
        self.broker_lost_at.is_none().then(|| since.past(clear))
    }

    fn drive_clearance(&mut self, id: TurnoutId, fouling: fouling::Fouling) {
        let facts = self.facts(id, fouling);
        let now = self.now;
        self.end_remembering_turnout(id);
        let state = &mut self.turnouts[id.index()];
        let before = state.state;
        // B8: silence alone never wipes memory.
        let set_otherwise = state.position_confirmed && is_at_odds(before, state.position.position);
        let only_silence = state.remembered && !facts.fouled && !facts.provable && !set_otherwise;
        if !only_silence {
            state.machine.handle(&Event::Judged(facts));
        }
        state.state = state.machine.state().clearance();
        if state.state == Clearance::Fouled {
            state.fouled_since_set = true;
        }
        if state.state != before {
            state.since = now;
            if state.state == Clearance::Cleared {
                state.cleared_since_set = true;
                self.note_who_cleared(id);
            }
        }
        let state = &self.turnouts[id.index()];
        if (state.position.position, state.state) != state.shown {
            self.report_turnout(id);
            for crossover in 0..self.layout.crossovers.len() {
                if self.layout.crossovers[crossover].turnouts.contains(&id) {
                    self.dirty.crossovers.mark(crossover);
                }
            }
            self.ahead_of_turnout(id);
        } else if matches!(state.state, Clearance::Fouled | Clearance::Unknown) {
            self.say_why_turnout_is_still(id);
        }
    }

    /// The same state for another cause, as when a beam has cleared and the vehicle is inside: it
    /// says so. Nothing else has changed: it is no change of state.
    fn say_why_turnout_is_still(&mut self, id: TurnoutId) {
        let why = self.why_turnout(id);
        let state = &mut self.turnouts[id.index()];
        if state.why != why {
            state.why = why;
            self.touched.insert(Item::Turnout(id));
        }
    }

    /// B8: remembered until its position is reported and each detector concerned has spoken.
    fn end_remembering_turnout(&mut self, id: TurnoutId) {
        let state = &self.turnouts[id.index()];
        if !state.remembered {
            return;
        }
        let own = state.sections.iter().chain(state.beams.iter().flatten());
        let cover = self.layout.turnouts[id.index()]
            .covered_by
            .filter(|_| state.place.is_none())
            .map(|block| self.track.block(block));
        let all_heard = own
            .chain(
                cover
                    .iter()
                    .flat_map(|place| &self.places[place.index()].detectors),
            )
            .all(|d| self.detectors[d.index()].sampled.is_some());
        if all_heard && state.position_confirmed {
            self.turnouts[id.index()].remembered = false;
            self.touched.insert(Item::Turnout(id));
        }
    }

    fn note_who_cleared(&mut self, id: TurnoutId) {
        let train = self.turnouts[id.index()]
            .passer
            .and_then(|(train, entered)| Some((self.train(train)?, entered)))
            .map(|(train, entered)| ClearedBy {
                train: train.id,
                turns: train.turns,
                entered,
            });
        self.turnouts[id.index()].cleared_by = train;
    }

    fn report_turnout(&mut self, id: TurnoutId) {
        let why = self.why_turnout(id);
        let state = &mut self.turnouts[id.index()];
        let was = state.shown.1;
        state.shown = (state.position.position, state.state);
        state.why = why;
        let what = What::Turnout {
            turnout: id,
            position: state.position.position,
            was,
            state: state.state,
            why: state.why.clone(),
        };
        self.emit(what);
        self.touched.insert(Item::Turnout(id));
    }

    /// T2, T3, T5, and the end of T4.
    fn tell_turnout(&mut self, id: TurnoutId) {
        let turnout = &self.layout.turnouts[id.index()];
        let has_rest = turnout.rest == PointsRest::Normal;
        let (name, subject, awaiting) = (
            wording::points(&turnout.name),
            turnout.id.clone(),
            turnout.awaiting,
        );
        let state = &mut self.turnouts[id.index()];
        let position = state.position.position;
        // T2: missing data never ends the alarm.
        if state.state == Clearance::LeftDiverging {
            state.left_alarm = has_rest;
        } else if position == Position::Normal || state.state == Clearance::Fouled {
            state.left_alarm = false;
        }
        let (left, state_since, clearance) = (state.left_alarm, state.since, state.state);
        let charged = state.in_charge.is_some();
        self.suppress(AlarmKind::LeftDiverging, &subject, charged);
        self.suppress(AlarmKind::SetNoTrain, &subject, charged);
        self.suppress(AlarmKind::BoundForDiverging, &subject, charged);
        let too_soon = clearance == Clearance::Awaiting && self.seeded(Seeded::TellsTooSoon);
        if left || too_soon {
            let proven = clearance == Clearance::LeftDiverging;
            let text = wording::left_diverging(&name, proven);
            self.raise(AlarmKind::LeftDiverging, &subject, text);
        } else if !self.seeded(Seeded::AlarmStays) {
            self.clear(AlarmKind::LeftDiverging, &subject);
        }
        match clearance {
            Clearance::Awaiting if has_rest => {
                let text = wording::set_no_train(&name);
                self.raise_longer(AlarmKind::SetNoTrain, &subject, state_since, awaiting, text);
            }
            Clearance::Fouled | Clearance::Free => self.clear(AlarmKind::SetNoTrain, &subject),
            _ if position == Position::Normal => self.clear(AlarmKind::SetNoTrain, &subject),
            _ => self.hold_or_drop(AlarmKind::SetNoTrain, &subject),
        }
        self.tell_correspondence(id, &name, &subject);
        self.end_moved_under(id, &subject);
    }

    fn tell_correspondence(&mut self, id: TurnoutId, name: &str, subject: &str) {
        let move_time = self.layout.turnouts[id.index()].move_time;
        let position = &self.turnouts[id.index()].position;
        let contradicts = position.contradicts && position.position == Position::Unknown;
        let since = position.since;
        let amiss = position.amiss_since();
        let known = matches!(position.position, Position::Normal | Position::Reverse);
        if contradicts {
            let text = wording::contradicting_contacts(name);
            self.raise_since(AlarmKind::NoCorrespondence, subject, since, text);
        } else if let Some(since) = amiss {
            let text = wording::no_correspondence(name);
            self.raise_longer(AlarmKind::NoCorrespondence, subject, since, move_time, text);
        } else if known {
            self.clear(AlarmKind::NoCorrespondence, subject);
        } else {
            self.hold_or_drop(AlarmKind::NoCorrespondence, subject);
        }
    }

    fn tell_moved_under(&mut self, id: TurnoutId, priority: Priority) {
        let turnout = &self.layout.turnouts[id.index()];
        let text =
            wording::moved_under_train(&wording::points(&turnout.name), priority == Priority::High);
        let subject = turnout.id.clone();
        self.raise_with(AlarmKind::MovedUnderTrain, &subject, priority, text);
    }

    fn end_moved_under(&mut self, id: TurnoutId, subject: &str) {
        let state = &mut self.turnouts[id.index()];
        let known = matches!(
            state.position.position,
            Position::Normal | Position::Reverse
        );
        let fouled = state.fouled || state.state == Clearance::Fouled;
        if state.moved_under && known && !fouled {
            state.moved_under = false;
            self.clear(AlarmKind::MovedUnderTrain, subject);
        }
    }

    fn why_turnout(&self, id: TurnoutId) -> String {
        let state = &self.turnouts[id.index()];
        match state.state {
            Clearance::Free => String::from("set straight, nothing near"),
            Clearance::Awaiting => String::from("set diverging, no train since"),
            Clearance::Cleared => wording::off_for(
                "the whole train has passed",
                self.layout.turnouts[id.index()].clear,
            ),
            Clearance::LeftDiverging => wording::off_for(
                "the train has passed and the points were not set back",
                self.layout.turnouts[id.index()].restore,
            ),
            Clearance::Fouled => self.why_fouled(id),
            Clearance::Unknown => match state.position.position {
                Position::Unknown => String::from("the position is not known"),
                Position::Moving => String::from("the points are moving"),
                Position::Normal | Position::Reverse => self.why_not_proven(id),
            },
        }
    }

    fn turnout_wake(&self, id: TurnoutId, fouling: fouling::Fouling) -> Option<Instant> {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let now = self.now;
        let clear = self
            .clear_at(turnout.clear, fouling)
            .filter(|_| matches!(state.state, Clearance::Fouled | Clearance::Unknown));
        let restore =
            (state.state == Clearance::Cleared).then(|| state.since.plus(turnout.restore));
        let charge = state.in_charge.as_ref().map(|(_, until)| *until);
        [state.position.wake(turnout), clear, restore, charge]
            .into_iter()
            .flatten()
            .filter(|at| *at > now)
            .min()
    }

    /// A train ran through, or the operator saw it: the position is known without confirmation.
    pub(crate) fn put_position(&mut self, id: TurnoutId, position: Position, from: PositionFrom) {
        let now = self.now;
        if let Some(moved) = self.turnouts[id.index()].position.put(position, from, now) {
            self.position_moved(id, moved);
        }
        self.dirty.turnouts.mark(id.index());
        self.touched.insert(Item::Turnout(id));
    }

    /// A memory (B8).
    pub(crate) fn put_clearance(&mut self, id: TurnoutId, state: Clearance) {
        let turnout = &mut self.turnouts[id.index()];
        turnout.machine.handle(&Event::Put(state));
        turnout.state = turnout.machine.state().clearance();
        turnout.shown = (turnout.position.position, turnout.state);
    }
}

/// A clearance that cannot be with the points as they lie.
const fn is_at_odds(state: Clearance, position: Position) -> bool {
    match state {
        Clearance::Free => matches!(position, Position::Reverse | Position::Moving),
        Clearance::Awaiting | Clearance::Cleared | Clearance::LeftDiverging => {
            matches!(position, Position::Normal | Position::Moving)
        }
        Clearance::Fouled | Clearance::Unknown => false,
    }
}
