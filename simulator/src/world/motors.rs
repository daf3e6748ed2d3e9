//! Points and tables on the move: they take their time, and may stick half way.
//!
//! Input: what is asked and when. Output: where each of them really is. It does not know whether a
//! vehicle stands on them: a motor moves all the same.

use taillamp::engine::ids::{TableId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{Layout, Leg};
use taillamp::engine::time::{Instant, Span};

use super::track::Lie;

/// How long points take from one side to the other.
const POINTS_MOVE: Span = Span::from_millis(900);
/// How long a table takes from one stop to the next.
const TABLE_MOVE: Span = Span::from_millis(2_500);

/// Something that moved, for those who report it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moved {
    /// Points are elsewhere.
    Points(TurnoutId),
    /// A table is elsewhere.
    Table(TableId),
}

/// The motors of all points and tables.
#[derive(Clone, Debug)]
pub struct Motors {
    lie: Lie,
    points: Vec<Option<(Position, Instant)>>,
    tables: Vec<Option<(TablePosition, Instant)>>,
    stuck: Vec<bool>,
}

impl Motors {
    /// All points normal; all tables at rest, or at their first stop.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        let tables = layout
            .tables
            .iter()
            .map(|t| TablePosition::At(t.rest.unwrap_or(0)))
            .collect();
        Self {
            lie: Lie {
                points: vec![Position::Normal; layout.turnouts.len()],
                tables,
            },
            points: vec![None; layout.turnouts.len()],
            tables: vec![None; layout.tables.len()],
            stuck: vec![false; layout.turnouts.len()],
        }
    }

    /// How everything really lies.
    #[must_use]
    pub const fn lie(&self) -> &Lie {
        &self.lie
    }

    /// Sets points; true where they start to move. `Leg::Toe` is no position and moves nothing.
    pub fn set_points(&mut self, turnout: TurnoutId, leg: Leg, now: Instant) -> bool {
        let target = match leg {
            Leg::Normal => Position::Normal,
            Leg::Reverse => Position::Reverse,
            Leg::Toe => return false,
        };
        let index = turnout.index();
        if self.lie.points[index] == target && self.points[index].is_none() {
            return false;
        }
        self.lie.points[index] = Position::Moving;
        self.points[index] = Some((target, now.plus(POINTS_MOVE)));
        true
    }

    /// Sends a table to a stop, or lifts a bridge out (`Between`); true where it starts to move.
    pub fn set_table(&mut self, table: TableId, target: TablePosition, now: Instant) -> bool {
        let index = table.index();
        if self.lie.tables[index] == target && self.tables[index].is_none() {
            return false;
        }
        self.lie.tables[index] = TablePosition::Between;
        self.tables[index] = match target {
            TablePosition::At(_) => Some((target, now.plus(TABLE_MOVE))),
            TablePosition::Between | TablePosition::Unknown => None,
        };
        true
    }

    /// Something jams the blades: they stay half way until it is taken out.
    pub fn jam(&mut self, turnout: TurnoutId, jammed: bool) {
        self.stuck[turnout.index()] = jammed;
    }

    /// Lets time run to `now`; what has arrived.
    pub fn step(&mut self, now: Instant) -> Vec<Moved> {
        let mut moved = Vec::new();
        for (index, motion) in self.points.iter_mut().enumerate() {
            if let Some((target, done)) = *motion
                && done <= now
                && !self.stuck[index]
            {
                self.lie.points[index] = target;
                *motion = None;
                moved.push(Moved::Points(TurnoutId(index as u32)));
            }
        }
        for (index, motion) in self.tables.iter_mut().enumerate() {
            if let Some((target, done)) = *motion
                && done <= now
            {
                self.lie.tables[index] = target;
                *motion = None;
                moved.push(Moved::Table(TableId(index as u32)));
            }
        }
        moved
    }
}
