//! Where points are: a message, two contacts, what was asked, a train's passage, the operator's
//! eyes.
//!
//! A change counts after `position_confirm_ms`. Input: reports and time. Output: a confirmed
//! change.

use crate::change::{Evidence, PositionFrom};
use crate::input::Position;
use crate::layout::{PositionSource, Turnout};
use crate::time::Instant;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct PositionState {
    pub(crate) position: Position,
    pub(crate) from: PositionFrom,
    pub(crate) assumed: bool,
    /// Since when the position is what it is.
    pub(crate) since: Instant,
    /// The last of normal and reverse that was known.
    pub(crate) last_side: Option<Position>,
    pending: Option<(Position, PositionFrom, Instant)>,
    pub(crate) asked: Option<(Position, Instant)>,
    /// `told`: what was asked is taken as done then.
    done_at: Option<Instant>,
    /// Both contacts are on.
    pub(crate) contradicts: bool,
}

/// A confirmed change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Moved {
    pub(crate) was: Position,
    pub(crate) last_side: Option<Position>,
}

impl PositionState {
    pub(crate) fn new(start: Instant) -> Self {
        Self {
            since: start,
            ..Self::default()
        }
    }

    /// A report has come, by message or by contacts.
    pub(crate) fn report(&mut self, position: Position, from: PositionFrom, now: Instant) {
        if position == self.position {
            self.pending = None;
            if from == PositionFrom::Message && self.from != PositionFrom::Contacts {
                self.from = from;
                self.assumed = false;
                self.done_at = None;
            }
            return;
        }
        if self
            .pending
            .is_none_or(|(waiting, _, _)| waiting != position)
        {
            self.pending = Some((position, from, now));
        }
    }

    /// Something was asked of the points. Asked again for the same, which whoever keeps it may do
    /// every second, it was asked the first time: its time does not begin anew (T5).
    pub(crate) fn ask(&mut self, turnout: &Turnout, asked: Position, now: Instant) {
        let same = self.asked.filter(|(was, _)| *was == asked);
        self.asked = same.or(Some((asked, now)));
        let under_way = same.is_some() && self.done_at.is_some();
        if turnout.position == PositionSource::Told && asked != self.position && !under_way {
            self.done_at = Some(now.plus(turnout.move_time));
            self.pending = Some((Position::Moving, PositionFrom::Told, now));
        }
    }

    /// What two contacts say: one on is that position, none is moving, both is a contradiction.
    pub(crate) fn contacts(&mut self, normal: Evidence, reverse: Evidence, now: Instant) {
        self.contradicts = (normal, reverse) == (Evidence::On, Evidence::On);
        let position = match (normal, reverse) {
            (Evidence::None, _) | (_, Evidence::None) | (Evidence::On, Evidence::On) => {
                Position::Unknown
            }
            (Evidence::On, Evidence::Off) => Position::Normal,
            (Evidence::Off, Evidence::On) => Position::Reverse,
            (Evidence::Off, Evidence::Off) => Position::Moving,
        };
        self.report(position, PositionFrom::Contacts, now);
    }

    /// Known at once, without confirmation: a passage, the operator, a memory, or nothing any more.
    pub(crate) fn put(
        &mut self,
        position: Position,
        from: PositionFrom,
        now: Instant,
    ) -> Option<Moved> {
        self.pending = None;
        self.done_at = None;
        self.change(position, from, now)
    }

    /// Time has come: a pending report is confirmed, or what was asked is taken as done.
    pub(crate) fn look(&mut self, turnout: &Turnout, now: Instant) -> Option<Moved> {
        let confirm = if self
            .pending
            .is_some_and(|(_, from, _)| from == PositionFrom::Told)
        {
            crate::time::Span::ZERO
        } else {
            turnout.position_confirm
        };
        if let Some((position, from, since)) = self.pending
            && now >= since.plus(confirm)
        {
            self.pending = None;
            return self.change(position, from, now);
        }
        if let (Some(at), Some((asked, _))) = (self.done_at, self.asked)
            && now >= at
        {
            self.done_at = None;
            let moved = self.change(asked, PositionFrom::Told, now);
            self.assumed = true;
            return moved;
        }
        None
    }

    fn change(&mut self, position: Position, from: PositionFrom, now: Instant) -> Option<Moved> {
        self.from = if position == Position::Unknown {
            PositionFrom::Nowhere
        } else {
            from
        };
        self.assumed = false;
        if position == self.position {
            return None;
        }
        let moved = Moved {
            was: self.position,
            last_side: self.last_side,
        };
        self.position = position;
        self.since = now;
        if matches!(position, Position::Normal | Position::Reverse) {
            self.last_side = Some(position);
        }
        Some(moved)
    }

    pub(crate) fn wake(&self, turnout: &Turnout) -> Option<Instant> {
        let confirm = self
            .pending
            .map(|(_, _, since)| since.plus(turnout.position_confirm));
        [confirm, self.done_at].into_iter().flatten().min()
    }

    /// T5: since when it has been moving, contradictory, or not where it was asked to be.
    pub(crate) fn amiss_since(&self) -> Option<Instant> {
        let moving = (self.position == Position::Moving).then_some(self.since);
        let differs = match self.asked {
            Some((asked, since))
                if self.position != asked && self.position != Position::Unknown =>
            {
                Some(since.max(self.since))
            }
            _ => None,
        };
        [moving, differs].into_iter().flatten().min()
    }
}
