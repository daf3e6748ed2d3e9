//! Trains that part: the middle of a moving train is released while both ends stay occupied.

use alloc::vec::Vec;

use super::Train;
use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Kept, Occupancy, TrainEvent};
use crate::ids::{PlaceId, TrainId};
use crate::wording;

impl Engine {
    /// The middle is lit again before the train counts as parted.
    pub(super) fn close_gap(&mut self, place: PlaceId) -> bool {
        let found = self.trains.values().find_map(|train| {
            train
                .gap
                .as_ref()
                .filter(|gap| gap.link.place == place)
                .map(|_| train.id)
        });
        let Some(id) = found else {
            return false;
        };
        if let Some(train) = self.trains.get_mut(&id)
            && let Some(gap) = train.gap.take()
        {
            let at = gap.at.min(train.chain.len());
            train.chain.insert(at, gap.link);
            self.places[place.index()].trains.push(id);
            self.show(id);
        }
        true
    }

    /// The gap has lasted: the portion with the head keeps id and name, the other is new.
    pub(super) fn look_at_gap(&mut self, id: TrainId) {
        let now = self.now;
        let part = self.layout.settings.part;
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        if train
            .gap
            .as_ref()
            .is_none_or(|gap| now < gap.since.past(part))
        {
            return;
        }
        let Some(gap) = train.gap.take() else { return };
        if gap.at == 0 || gap.at >= train.chain.len() || self.has_left_its_tail(id, gap.at) {
            return;
        }
        if !self.shows_its_tail(id, gap.at) {
            // Dark, or its detector is gone: that keeps the place, and parts no train.
            self.leave_unheard_tail(id, gap.at);
            return;
        }
        let behind = self.who_heads_for_its_tail(id, gap.at);
        if self.went_on_whole(id, &gap)
            && let Some(other) = behind.iter().find(|other| other.may_be_there)
        {
            self.leave_tail_to(id, gap.at, other);
            return;
        }
        if behind.iter().any(|other| other.moves) {
            // Which of the two it was, the other's next step says.
            if let Some(train) = self.trains.get_mut(&id) {
                train.gap = Some(super::Gap { since: now, ..gap });
            }
            return;
        }
        self.divide(id, &gap);
    }

    /// Makes a train of its own of what is behind the gap.
    fn divide(&mut self, id: TrainId, gap: &super::Gap) {
        let now = self.now;
        let Some(train) = self.trains.get_mut(&id) else {
            return;
        };
        let tail: Vec<super::Link> = train.chain.drain(..gap.at).collect();
        let both_there = tail.iter().any(|link| self.places[link.place.index()].on)
            && train
                .chain
                .iter()
                .any(|link| self.places[link.place.index()].on);
        let (directed, name) = (train.directed, self.train_label(id));
        self.next_train += 1;
        let portion_id = TrainId(self.next_train);
        let places: Vec<PlaceId> = tail.iter().map(|link| link.place).collect();
        let mut portion = Train::new(portion_id, places[0], now);
        portion.chain = tail;
        portion.stand();
        portion.directed = directed;
        portion.parent = Some(id);
        portion.stopped = true;
        self.shown.insert(portion_id, portion.blocks());
        self.trains.insert(portion_id, portion);
        for place in places {
            for held in &mut self.places[place.index()].trains {
                if *held == id {
                    *held = portion_id;
                }
            }
            self.touch_place(place);
        }
        if let Some(train) = self.trains.get(&id) {
            self.shown.insert(id, train.blocks());
        }
        self.emit_train(id, TrainEvent::Parted, Some(gap.link.place));
        self.emit_train(portion_id, TrainEvent::New, Some(gap.link.place));
        if both_there {
            let subject = self.train_name(id);
            let text = wording::train_parted(&name);
            self.raise(AlarmKind::TrainParted, &subject, text);
            self.parted.push((id, portion_id));
        }
        self.ahead_of_train(id);
        self.ahead_of_train(portion_id);
    }

    /// What looks like a tail is occupied by what its detectors say, somewhere.
    fn shows_its_tail(&self, id: TrainId, at: usize) -> bool {
        self.train(id).is_some_and(|train| {
            train.chain[..at]
                .iter()
                .any(|link| self.places[link.place.index()].state == Occupancy::Occupied)
        })
    }

    /// A tail's places that cannot be heard: the train was seen to go on from there (B1).
    fn leave_unheard_tail(&mut self, id: TrainId, at: usize) {
        let Some(train) = self.train(id) else {
            return;
        };
        let tail = train.chain[..at].iter().map(|link| link.place);
        let unheard = |place: &PlaceId| self.places[place.index()].state == Occupancy::Unknown;
        let left: Vec<PlaceId> = tail.filter(unheard).collect();
        for place in left {
            self.drop_link(id, place);
            let state = &mut self.places[place.index()];
            let before = (state.state, state.notes.kept);
            if state.trains.is_empty() && state.notes.kept == Some(Kept::Occupied) {
                state.notes.kept = Some(Kept::Vacant);
                self.note_place_change(place, before, None);
            }
        }
        self.show(id);
    }

    /// Another train has come up into every place of what looks like a tail: that is what is seen
    /// there, and this train has simply left.
    fn has_left_its_tail(&mut self, id: TrainId, at: usize) -> bool {
        let Some(train) = self.trains.get(&id) else {
            return false;
        };
        let tail: Vec<PlaceId> = train.chain[..at].iter().map(|link| link.place).collect();
        let shared = |place: &PlaceId| self.places[place.index()].trains.len() > 1;
        if !tail.iter().all(shared) {
            return false;
        }
        for place in tail {
            self.drop_link(id, place);
        }
        self.show(id);
        true
    }

    /// `train-parted` returns when the portions are together again, when one is gone, or when the
    /// portion was given a name: then somebody knows of it, and it is a train of its own.
    pub(crate) fn look_at_parted(&mut self) {
        let mut over = Vec::new();
        let trains = &self.trains;
        let places = &self.places;
        self.parted.retain(|(head, tail)| {
            let lasts = match (trains.get(head), trains.get(tail)) {
                (_, Some(tail)) if tail.name.is_some() => false,
                (Some(head), Some(tail)) => !head
                    .chain
                    .iter()
                    .any(|link| places[link.place.index()].trains.contains(&tail.id)),
                _ => false,
            };
            if !lasts {
                over.push(*head);
            }
            lasts
        });
        for head in over {
            let subject = self.train_name(head);
            self.clear(AlarmKind::TrainParted, &subject);
        }
    }
}
