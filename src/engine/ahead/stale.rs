//! Whose road ahead may have changed: an index from the items of the layout to the trains whose
//! last walk went over them.
//!
//! Input: what changed (a place, points, a table, a train). Output: the trains to walk again. With
//! it the cost of a change does not grow with the number of trains.

use alloc::collections::BTreeSet;
use alloc::vec::Vec;

use crate::Engine;
use crate::ids::{PlaceId, TableId, TrainId, TurnoutId};
use crate::layout::Layout;

/// What a walk looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Seen {
    Place(PlaceId),
    Turnout(TurnoutId),
    Table(TableId),
}

/// What one walk was about.
#[derive(Clone, Debug, Default)]
pub(crate) struct Trace {
    pub(super) over: Vec<Seen>,
    /// Points that it reaches within the look-ahead time (T8).
    pub(super) bound: Vec<TurnoutId>,
    /// Seconds until something that counts by the time left comes near enough.
    pub(super) sooner_than: Option<f64>,
    /// It depends on more than can be listed.
    pub(super) everywhere: bool,
}

impl Trace {
    pub(super) fn saw(&mut self, seen: Seen) {
        if !self.over.contains(&seen) {
            self.over.push(seen);
        }
    }

    /// Something is to be looked at again in so many seconds.
    pub(super) fn again_in(&mut self, seconds: f64) {
        self.sooner_than = Some(match self.sooner_than {
            Some(so_far) if so_far < seconds => so_far,
            _ => seconds,
        });
    }
}

/// Which trains looked at what, and which have to be walked again.
#[derive(Clone, Debug, Default)]
pub(crate) struct Lookouts {
    places: Vec<Vec<TrainId>>,
    turnouts: Vec<Vec<TrainId>>,
    tables: Vec<Vec<TrainId>>,
    everywhere: BTreeSet<TrainId>,
    stale: BTreeSet<TrainId>,
    all: bool,
}

impl Lookouts {
    pub(crate) fn new(layout: &Layout, places: usize) -> Self {
        Self {
            places: alloc::vec![Vec::new(); places],
            turnouts: alloc::vec![Vec::new(); layout.turnouts.len()],
            tables: alloc::vec![Vec::new(); layout.tables.len()],
            ..Self::default()
        }
    }

    fn slot(&mut self, seen: Seen) -> &mut Vec<TrainId> {
        match seen {
            Seen::Place(place) => &mut self.places[place.index()],
            Seen::Turnout(turnout) => &mut self.turnouts[turnout.index()],
            Seen::Table(table) => &mut self.tables[table.index()],
        }
    }

    fn mark(&mut self, seen: Seen) {
        let trains = match seen {
            Seen::Place(place) => &self.places[place.index()],
            Seen::Turnout(turnout) => &self.turnouts[turnout.index()],
            Seen::Table(table) => &self.tables[table.index()],
        };
        self.stale.extend(trains);
        self.stale.extend(&self.everywhere);
    }

    /// Every train, whatever it looked at.
    pub(crate) const fn mark_all(&mut self) {
        self.all = true;
    }

    /// Nothing has changed.
    pub(super) fn is_clear(&self) -> bool {
        self.stale.is_empty() && !self.all
    }

    /// Trains to be walked, in order; `trains` are all there are.
    pub(super) fn take(&mut self, trains: impl Iterator<Item = TrainId>) -> BTreeSet<TrainId> {
        let stale = core::mem::take(&mut self.stale);
        if core::mem::take(&mut self.all) {
            return trains.chain(stale).collect();
        }
        stale
    }

    pub(super) fn replace(&mut self, train: TrainId, was: &Trace, is: &Trace) {
        for seen in &was.over {
            if !is.over.contains(seen) {
                self.slot(*seen).retain(|id| *id != train);
            }
        }
        for seen in &is.over {
            if !was.over.contains(seen) {
                self.slot(*seen).push(train);
            }
        }
        if is.everywhere {
            self.everywhere.insert(train);
        } else {
            self.everywhere.remove(&train);
        }
    }
}

impl Engine {
    /// A place changed: what stands there, its power.
    pub(crate) fn ahead_of_place(&mut self, place: PlaceId) {
        self.lookouts.mark(Seen::Place(place));
    }

    /// Points changed: where they lie, what is on them.
    pub(crate) fn ahead_of_turnout(&mut self, turnout: TurnoutId) {
        self.lookouts.mark(Seen::Turnout(turnout));
    }

    /// A table changed.
    pub(crate) fn ahead_of_table(&mut self, table: TableId) {
        self.lookouts.mark(Seen::Table(table));
    }

    /// A train is held up, or no longer: that counts for those which come up behind it.
    pub(super) fn ahead_of_followers(&mut self, id: TrainId) {
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        let was_stale = self.lookouts.stale.contains(&id);
        for link in &train.chain {
            self.lookouts.mark(Seen::Place(link.place));
        }
        if !was_stale {
            self.lookouts.stale.remove(&id);
        }
    }

    /// A train changed: its own road, and that of trains which come to where it is.
    pub(crate) fn ahead_of_train(&mut self, id: TrainId) {
        self.lookouts.stale.insert(id);
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        for link in &train.chain {
            self.lookouts.mark(Seen::Place(link.place));
        }
    }
}
