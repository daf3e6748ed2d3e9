//! Tables: turntable, transfer table, lift-out bridge (DEVELOPERS.md, section 3).
//!
//! Input: positions, edge beams, the bridge's place and the trains across its edges. Output: the
//! table's state, and the conditions of moving under a train, of no correspondence, and of rest.

use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Evidence, Item, Occupancy, TableState, What};
use crate::ids::{DetectorId, TableId};
use crate::input::TablePosition;
use crate::layout::Subject;
use crate::seeded::Seeded;
use crate::time::Instant;
use crate::timers;
use crate::wording;

#[derive(Clone, Debug, Default)]
pub(crate) struct TableMemory {
    pub(crate) position: TablePosition,
    pub(crate) position_since: Instant,
    pending: Option<(TablePosition, Instant)>,
    asked: Option<(TablePosition, Instant)>,
    edges: Vec<DetectorId>,
    pub(crate) state: TableState,
    pub(crate) since: Instant,
    /// When the last train left the bridge.
    pub(crate) left: Option<Instant>,
    /// Since when it has not been at rest, if it has one and is known not to be there.
    away_since: Option<Instant>,
    was_held: bool,
    fouled: bool,
    pub(crate) moved_under: bool,
    /// What was reported last.
    shown: (TablePosition, TableState),
}

impl Engine {
    pub(crate) fn wire_tables(&mut self) {
        for (index, detector) in self.layout.detectors.iter().enumerate() {
            if let Subject::Edge(table) = detector.subject {
                self.tables[table.index()]
                    .edges
                    .push(DetectorId(index as u32));
            }
        }
    }

    pub(crate) fn stage_tables(&mut self) {
        for index in self.dirty.tables.take() {
            self.judge_table(TableId(index));
        }
    }

    pub(crate) fn report_table(&mut self, id: TableId, position: TablePosition) {
        let now = self.now;
        let table = &mut self.tables[id.index()];
        if position == table.position {
            table.pending = None;
        } else if table.pending.is_none_or(|(waiting, _)| waiting != position) {
            table.pending = Some((position, now));
        }
        self.dirty.tables.mark(id.index());
    }

    pub(crate) fn ask_table(&mut self, id: TableId, position: TablePosition) {
        self.tables[id.index()].asked = Some((position, self.now));
        self.dirty.tables.mark(id.index());
    }

    fn judge_table(&mut self, id: TableId) {
        let now = self.now;
        let confirm = self.layout.tables[id.index()].position_confirm;
        let was_fouled = self.tables[id.index()].fouled;
        let fouled = self.table_is_fouled(id);
        self.tables[id.index()].fouled = fouled;
        let table = &mut self.tables[id.index()];
        if let Some((position, since)) = table.pending
            && now >= since.plus(confirm)
        {
            table.pending = None;
            self.put_table(id, position, fouled || was_fouled);
        }
        let state = self.table_state(id, fouled);
        let table = &mut self.tables[id.index()];
        if table.state != state {
            table.state = state;
            table.since = now;
        }
        if table.shown != (table.position, table.state) {
            let was = table.shown.1;
            let (position, state) = (table.position, table.state);
            table.shown = (position, state);
            self.emit(What::Table {
                table: id,
                position,
                was,
                state,
            });
            self.touched.insert(Item::Table(id));
        }
        self.tell_table(id, fouled);
    }

    /// Its device or the broker is gone: where it is is not known any more.
    pub(crate) fn lose_table(&mut self, id: TableId) {
        self.tables[id.index()].pending = None;
        self.put_table(id, TablePosition::Unknown, false);
        self.dirty.tables.mark(id.index());
    }

    /// A confirmed position: a bridge that moves under a train is the worst it can do.
    pub(crate) fn put_table(&mut self, id: TableId, position: TablePosition, fouled: bool) {
        let now = self.now;
        let table = &mut self.tables[id.index()];
        let was = core::mem::replace(&mut table.position, position);
        table.position_since = now;
        self.points.tables[id.index()] = position;
        // A report that is merely lost, or comes back, is not a movement.
        let moved = was != TablePosition::Unknown && position != TablePosition::Unknown;
        if moved && fouled {
            table.moved_under = true;
            let item = &self.layout.tables[id.index()];
            let (subject, text) = (
                item.id.clone(),
                wording::moved_under_train(&item.name, true),
            );
            self.raise(AlarmKind::MovedUnderTrain, &subject, text);
        }
        for feed in 0..self.layout.feeds.len() {
            if self.layout.feeds[feed].via.is_some() {
                self.dirty.feeds.mark(feed);
            }
        }
        let bridge = self.track.block(self.layout.tables[id.index()].bridge);
        self.dirty.places.mark(bridge.index());
        for next in self.neighbours(bridge) {
            self.forget_vacancy_of_dark(next);
            self.dirty.places.mark(next.index());
        }
        self.ahead_of_table(id);
    }

    /// A train across an edge: the bridge and a neighbour are one train, or an edge beam is broken.
    fn table_is_fouled(&self, id: TableId) -> bool {
        let table = &self.tables[id.index()];
        let beam = table
            .edges
            .iter()
            .any(|edge| self.detectors[edge.index()].evidence == Evidence::On);
        (beam || self.train_across(id)) && !self.seeded(Seeded::NeverAcross)
    }

    fn train_across(&self, id: TableId) -> bool {
        let bridge = self.track.block(self.layout.tables[id.index()].bridge);
        self.places[bridge.index()].trains.iter().any(|train| {
            self.train(*train).is_some_and(|train| {
                let blocks = train.blocks();
                blocks.len() > 1 && blocks.contains(&bridge)
            })
        })
    }

    fn table_state(&self, id: TableId, fouled: bool) -> TableState {
        let table = &self.tables[id.index()];
        let bridge = &self.places[self
            .track
            .block(self.layout.tables[id.index()].bridge)
            .index()];
        let blind = table
            .edges
            .iter()
            .any(|edge| self.detectors[edge.index()].evidence == Evidence::None);
        let bridge_known = matches!(bridge.state, Occupancy::Vacant | Occupancy::Occupied);
        let at_stop = matches!(table.position, TablePosition::At(_));
        if fouled {
            TableState::Fouled
        } else if blind || !bridge_known || !at_stop {
            TableState::Unknown
        } else {
            TableState::Free
        }
    }

    fn tell_table(&mut self, id: TableId, fouled: bool) {
        let now = self.now;
        let item = &self.layout.tables[id.index()];
        let (subject, name): (String, String) = (item.id.clone(), item.name.clone());
        let (rest, move_time, restore) = (item.rest, item.move_time, item.restore);
        let bridge = self.track.block(item.bridge);
        let held = !self.places[bridge.index()].trains.is_empty();
        let table = &mut self.tables[id.index()];
        if core::mem::replace(&mut table.was_held, held) && !held {
            table.left = Some(now);
        }
        let known = matches!(table.position, TablePosition::At(_));
        let end_moved_under = table.moved_under && known && !fouled;
        table.moved_under &= !end_moved_under;
        // T5 applies only to a table with a rest.
        let between = (table.position == TablePosition::Between).then_some(table.position_since);
        let differs = match table.asked {
            Some((asked, since)) if known && asked != table.position => {
                Some(since.max(table.position_since))
            }
            _ => None,
        };
        let amiss = [between, differs].into_iter().flatten().min();
        let away = match (rest, table.position) {
            (Some(rest), TablePosition::At(at)) => at != rest,
            (Some(_), TablePosition::Between) => true,
            (None, _) | (_, TablePosition::Unknown) => false,
        };
        // Moved away later than the last train left: it is being fetched, and has its time anew.
        table.away_since = away.then(|| table.away_since.unwrap_or(now));
        let left = table
            .left
            .map(|left| table.away_since.map_or(left, |since| left.max(since)));
        if end_moved_under {
            self.clear(AlarmKind::MovedUnderTrain, &subject);
        }
        match amiss {
            Some(since) if rest.is_some() => {
                let text = wording::no_correspondence(&name);
                self.raise_longer(
                    AlarmKind::NoCorrespondence,
                    &subject,
                    since,
                    move_time,
                    text,
                );
            }
            _ if known => self.clear(AlarmKind::NoCorrespondence, &subject),
            _ => self.hold_or_drop(AlarmKind::NoCorrespondence, &subject),
        }
        match left {
            Some(left) if away && !held => {
                let text = wording::not_at_rest(&name);
                self.raise_after(AlarmKind::NotAtRest, &subject, left, restore, text);
            }
            _ if known && !away => self.clear(AlarmKind::NotAtRest, &subject),
            _ => self.hold_or_drop(AlarmKind::NotAtRest, &subject),
        }
        let confirm = self.layout.tables[id.index()].position_confirm;
        let wake = self.tables[id.index()]
            .pending
            .map(|(_, since)| since.plus(confirm))
            .filter(|at| *at > now);
        self.timers.set(timers::Subject::Table(id), wake);
    }

    /// Trains moved: tables and crossings look at who is across their edges.
    pub(crate) fn mark_tables_and_crossings(&mut self) {
        for table in 0..self.layout.tables.len() {
            self.dirty.tables.mark(table);
        }
    }
}
