//! Memory: what must survive a restart (B8), and how an engine starts from it.
//!
//! A remembered `vacant` is `unknown`, kept vacant. Time spent down counts towards no timer. What
//! is remembered is shown so until the first fresh sample of each detector concerned.

use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::alarm::lifecycle::AlarmState;
use crate::alarm::{Put, alarm_id};
use crate::change::{Clearance, Kept, Occupancy, PositionFrom};
use crate::ids::{DetectorId, PlaceId, TrainId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::{End, Layout, PositionSource};
use crate::memory::{AlarmMemory, Memory, PlaceMemory, TrainMemory, TurnoutMemory};
use crate::place::occupancy::Event;
use crate::time::Instant;
use crate::train::{Link, Train};

impl Engine {
    /// An engine that remembers (B8). Items of the memory that the layout does not know are
    /// ignored.
    #[must_use]
    pub fn recall(layout: impl Into<Arc<Layout>>, at: Instant, memory: &Memory) -> Self {
        let mut engine = Self::new(layout, at);
        engine.recall_feeds(memory);
        for turnout in &memory.turnouts {
            engine.recall_turnout(turnout);
        }
        for (id, stop) in &memory.tables {
            engine.recall_table(id, stop);
        }
        for place in &memory.places {
            engine.recall_place(place);
        }
        for train in &memory.trains {
            engine.recall_train(train);
        }
        for place in &memory.places {
            engine.recall_order(place);
        }
        engine.next_train = engine.next_train.max(memory.next_train);
        engine.borders.series.clone_from(&memory.series);
        for alarm in &memory.alarms {
            engine.recall_alarm(alarm);
        }
        for id in &memory.out_of_service {
            if let Some(index) = engine.layout.detectors.iter().position(|d| d.id == *id) {
                engine.put_service(DetectorId(index as u32), false);
            }
        }
        engine.mark_everything();
        engine.lookouts.mark_all();
        engine.run();
        // What is recalled is the state at the start, not a change.
        engine.changes.clear();
        engine
    }

    fn recall_feeds(&mut self, memory: &Memory) {
        for (id, on, failed) in &memory.feeds {
            if let Some(index) = self.layout.feeds.iter().position(|feed| feed.id == *id) {
                self.feeds[index].switch = *on;
                self.feeds[index].failed = *failed;
                self.feeds[index].remembered = true;
                self.dirty.feeds.mark(index);
            }
        }
        self.stage_power();
    }

    fn recall_turnout(&mut self, memory: &TurnoutMemory) {
        let Some(index) = self.layout.turnouts.iter().position(|t| t.id == memory.id) else {
            return;
        };
        let id = TurnoutId(index as u32);
        if memory.position != Position::Unknown {
            self.put_position(id, memory.position, PositionFrom::Message);
        }
        let state = match memory.state {
            // A proof of before does not hold now; a train that was there may still be.
            Clearance::Fouled | Clearance::LeftDiverging => memory.state,
            Clearance::Free | Clearance::Awaiting | Clearance::Cleared | Clearance::Unknown => {
                Clearance::Unknown
            }
        };
        self.turnouts[index].fouled_since_set = memory.fouled_since_set
            || matches!(
                memory.state,
                Clearance::Fouled | Clearance::LeftDiverging | Clearance::Cleared
            );
        self.turnouts[index].cleared_since_set =
            matches!(memory.state, Clearance::LeftDiverging | Clearance::Cleared);
        self.turnouts[index].remembered = true;
        // Where nothing reports the position, there is nothing to wait for.
        self.turnouts[index].position_confirmed = matches!(
            self.layout.turnouts[index].position,
            PositionSource::Told | PositionSource::None
        );
        self.turnouts[index].left_alarm = memory.state == Clearance::LeftDiverging;
        self.put_clearance(id, state);
    }

    fn recall_table(&mut self, id: &str, stop: &str) {
        let Some(index) = self.layout.tables.iter().position(|table| table.id == id) else {
            return;
        };
        let at = self.layout.tables[index]
            .stops
            .iter()
            .position(|s| s.at == stop);
        if let Some(at) = at {
            self.put_table(
                crate::ids::TableId(index as u32),
                TablePosition::At(at),
                false,
            );
        }
    }

    fn place_named(&self, id: &str) -> Option<PlaceId> {
        self.track
            .places
            .binary_search_by(|place| place.id.as_str().cmp(id))
            .ok()
            .map(|index| PlaceId(index as u32))
    }

    fn recall_place(&mut self, memory: &PlaceMemory) {
        let Some(place) = self.place_named(&memory.id) else {
            return;
        };
        let kept = match memory.state {
            Occupancy::Occupied => Some(Kept::Occupied),
            Occupancy::Vacant => Some(Kept::Vacant),
            Occupancy::Lost => Some(Kept::Lost),
            Occupancy::Dark | Occupancy::Unknown => memory.kept,
        };
        self.places[place.index()].remembered = true;
        match memory.state {
            // A remembered `vacant` is `unknown`, kept vacant.
            Occupancy::Vacant | Occupancy::Unknown | Occupancy::Dark => {
                self.places[place.index()].notes.kept = kept;
                if memory.state == Occupancy::Dark {
                    self.drive_place(place, Event::Put(Occupancy::Dark), None);
                }
            }
            Occupancy::Occupied | Occupancy::Lost => {
                self.drive_place(place, Event::Put(memory.state), None);
            }
        }
        // Whether its detectors were off before the word is not known any more: only `on` speaks.
        if memory.told && kept == Some(Kept::Occupied) {
            self.places[place.index()].told = true;
            self.places[place.index()].told_at = Instant(u64::MAX);
        }
        self.places[place.index()].why = String::from("remembered from before the start");
        self.place_events.clear();
    }

    /// Trains that share a place stand in the order that is remembered.
    fn recall_order(&mut self, memory: &PlaceMemory) {
        let Some(place) = self.place_named(&memory.id) else {
            return;
        };
        let order: Vec<TrainId> = memory
            .trains
            .iter()
            .filter_map(|id| self.train_by_name(id))
            .collect();
        let at = |id: &TrainId| order.iter().position(|other| other == id);
        self.places[place.index()].trains.sort_by_key(at);
    }

    fn recall_train(&mut self, memory: &TrainMemory) {
        let now = self.now;
        let places: Vec<PlaceId> = memory
            .blocks
            .iter()
            .filter_map(|id| self.place_named(id))
            .collect();
        let Some(number) = memory.id.strip_prefix('t').and_then(|n| n.parse().ok()) else {
            return;
        };
        let Some(first) = places.first().copied() else {
            return;
        };
        let id = TrainId(number);
        self.next_train = self.next_train.max(number);
        let mut train = Train::new(id, first, now);
        train.chain.clear();
        for place in &places {
            let mut link = Link::new(*place, now);
            if let Some(last) = train.chain.last_mut()
                && let Some((out, by)) = self.ends_between(last.place, *place)
            {
                last.headward = Some(out);
                link.tailward = Some(by);
            }
            train.chain.push(link);
        }
        train.name.clone_from(&memory.name);
        train.identity.clone_from(&memory.identity);
        train.measure.length_mm = memory.length_mm;
        train.stopped = true;
        train.remembered = true;
        train.parent = memory
            .parent
            .as_ref()
            .and_then(|parent| parent.strip_prefix('t')?.parse().ok())
            .map(TrainId);
        self.aim(&mut train, memory.heading.as_deref());
        train.stays = train.parent.is_some() && !train.directed;
        train.lost = self.places[first.index()].state == Occupancy::Lost && places.len() == 1;
        self.shown.insert(id, train.blocks());
        self.trains.insert(id, train);
        for place in places {
            let trains = &mut self.places[place.index()].trains;
            if !trains.contains(&id) {
                trains.push(id);
            }
        }
    }

    /// The remembered heading, if it still is an end of the head's place.
    fn aim(&self, train: &mut Train, heading: Option<&str>) {
        let (Some(heading), Some(head)) = (heading, train.chain.last().map(|link| link.place))
        else {
            return;
        };
        let facing: Option<End> = self
            .track
            .ends(head)
            .into_iter()
            .find(|end| self.end_name(*end) == heading);
        if let Some(facing) = facing {
            train.directed = true;
            if let Some(link) = train.chain.last_mut()
                && link.tailward.is_none()
            {
                link.tailward = self.track.onward(facing).first().copied();
            }
        }
    }

    /// Whether a remembered condition lasts; `None`: it is judged anew, and is not remembered.
    fn recall_condition(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        memory: &AlarmMemory,
    ) -> Option<bool> {
        let turnout = self.layout.turnouts.iter().position(|t| t.id == subject);
        match kind {
            // What was not heard, or seen to come, before the power cut says nothing now.
            AlarmKind::DetectorFault | AlarmKind::BrokerLost | AlarmKind::JournalBehind => None,
            AlarmKind::Unannounced => {
                let place = self.place_named(subject)?;
                let train = self.places[place.index()].trains.first().copied()?;
                self.unannounced.push((train, place));
                self.plan_train_wake(train);
                Some(memory.active)
            }
            // What lies ahead of a train that now stands.
            AlarmKind::BoundForDiverging
            | AlarmKind::SetAgainst
            | AlarmKind::OccupiedAhead
            | AlarmKind::Opposing
            | AlarmKind::FouledAhead
            | AlarmKind::NoRoad
            | AlarmKind::DarkAhead
            | AlarmKind::WillNotFit
            | AlarmKind::TrainParted => Some(false),
            AlarmKind::LeftDiverging => {
                if let Some(turnout) = turnout {
                    self.turnouts[turnout].left_alarm |= memory.active;
                }
                Some(memory.active)
            }
            AlarmKind::MovedUnderTrain => {
                if let Some(turnout) = turnout {
                    self.turnouts[turnout].moved_under |= memory.active;
                } else if let Some(table) = self.layout.tables.iter().position(|t| t.id == subject)
                {
                    self.tables[table].moved_under |= memory.active;
                }
                Some(memory.active)
            }
            _ => Some(memory.active),
        }
    }

    fn recall_alarm(&mut self, memory: &AlarmMemory) {
        let found = AlarmKind::ALL.iter().find_map(|kind| {
            Some((
                *kind,
                memory.id.strip_prefix(kind.word())?.strip_prefix(':')?,
            ))
        });
        if let Some((kind, subject)) = found {
            let Some(active) = self.recall_condition(kind, subject, memory) else {
                return;
            };
            let state = match (memory.state, active) {
                (AlarmState::Unacknowledged, false) => AlarmState::ReturnedUnacknowledged,
                (AlarmState::Acknowledged, false) => return,
                (state, _) => state,
            };
            let put = Put {
                state,
                active,
                text: memory.text.clone(),
                by: memory.by.clone(),
                reason: memory.reason.clone(),
                shelved_for: memory.shelved_for,
            };
            self.desk.put(kind, subject, put, self.now);
        }
    }

    /// What must survive a restart (B8).
    #[must_use]
    pub fn memory(&self) -> Memory {
        Memory {
            places: self
                .track
                .places
                .iter()
                .zip(&self.places)
                .map(|(place, state)| PlaceMemory {
                    id: place.id.clone(),
                    state: state.state,
                    kept: state.notes.kept,
                    told: state.told,
                    trains: state.trains.iter().map(|id| self.train_name(*id)).collect(),
                })
                .collect(),
            turnouts: self
                .layout
                .turnouts
                .iter()
                .zip(&self.turnouts)
                .map(|(turnout, state)| TurnoutMemory {
                    id: turnout.id.clone(),
                    position: state.position.position,
                    state: state.state,
                    fouled_since_set: state.fouled_since_set,
                })
                .collect(),
            tables: self.remember_tables(),
            feeds: self
                .layout
                .feeds
                .iter()
                .zip(&self.feeds)
                .map(|(feed, state)| (feed.id.clone(), state.switch, state.failed))
                .collect(),
            trains: self
                .trains
                .values()
                .map(|train| self.remember_train(train))
                .collect(),
            alarms: self
                .desk
                .views()
                .into_iter()
                .map(|view| AlarmMemory {
                    id: alarm_id(view.kind, &view.subject),
                    state: view.state,
                    active: view.active,
                    text: view.text,
                    by: view.by,
                    reason: view.reason,
                    shelved_for: view.until.map(|until| until.since(self.now)),
                })
                .collect(),
            out_of_service: self
                .layout
                .detectors
                .iter()
                .zip(&self.detectors)
                .filter(|(_, state)| state.out_of_service)
                .map(|(detector, _)| detector.id.clone())
                .collect(),
            next_train: self.next_train,
            series: self.borders.series.clone(),
        }
    }

    fn remember_tables(&self) -> Vec<(String, String)> {
        self.layout
            .tables
            .iter()
            .zip(&self.tables)
            .filter_map(|(table, state)| match state.position {
                TablePosition::At(stop) => Some((table.id.clone(), table.stops[stop].at.clone())),
                TablePosition::Between | TablePosition::Unknown => None,
            })
            .collect()
    }

    fn remember_train(&self, train: &Train) -> TrainMemory {
        TrainMemory {
            id: self.train_name(train.id),
            name: train.name.clone(),
            blocks: train
                .blocks()
                .iter()
                .map(|place| String::from(self.place_name(*place)))
                .collect(),
            heading: train.heading(&self.track).map(|end| self.end_name(end)),
            length_mm: train.measure.length_mm,
            parent: train.parent.map(|parent| self.train_name(parent)),
            identity: train.identity.clone(),
        }
    }
}
