//! One queue of wake-ups for the whole engine.
//!
//! A subject asks to be looked at again at a moment; it has at most one wake-up. What is due is
//! decided when it is looked at, so a wake-up that comes too early does no harm. Those of one
//! deadline fire together, each at its own time (behaviour.md, section 7).

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::vec::Vec;

use crate::ids::{DetectorId, FeedId, PlaceId, TableId, TrainId, TurnoutId};
use crate::time::Instant;

/// Who wants to be looked at again; the order is that of the stages.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Subject {
    Broker,
    Feed(FeedId),
    Detector(DetectorId),
    Place(PlaceId),
    Turnout(TurnoutId),
    Table(TableId),
    Train(TrainId),
    Alarms,
}

impl Subject {
    /// The reason of a deadline, in a word.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Broker => "broker",
            Self::Feed(_) => "feed",
            Self::Detector(_) => "detector",
            Self::Place(_) => "place",
            Self::Turnout(_) => "turnout",
            Self::Table(_) => "table",
            Self::Train(_) => "train",
            Self::Alarms => "alarms",
        }
    }
}

#[derive(Debug, Default)]
pub(crate) struct Timers {
    by_time: BTreeSet<(Instant, Subject)>,
    by_subject: BTreeMap<Subject, Instant>,
}

impl Timers {
    /// Sets, moves or (with `None`) takes back a subject's wake-up.
    pub(crate) fn set(&mut self, subject: Subject, at: Option<Instant>) {
        let before = match at {
            Some(at) => self.by_subject.insert(subject, at),
            None => self.by_subject.remove(&subject),
        };
        if before == at {
            return;
        }
        if let Some(before) = before {
            self.by_time.remove(&(before, subject));
        }
        if let Some(at) = at {
            self.by_time.insert((at, subject));
        }
    }

    /// Sets a wake-up unless an earlier one is waiting.
    pub(crate) fn not_later(&mut self, subject: Subject, at: Instant) {
        if self.by_subject.get(&subject).is_none_or(|set| *set > at) {
            self.set(subject, Some(at));
        }
    }

    /// The next wake-up.
    pub(crate) fn next(&self) -> Option<(Instant, Subject)> {
        self.by_time.first().copied()
    }

    /// Takes out all subjects that are due exactly at `at`, in order.
    pub(crate) fn take_at(&mut self, at: Instant) -> Vec<Subject> {
        let mut due = Vec::new();
        while let Some((when, subject)) = self.by_time.first().copied() {
            if when > at {
                break;
            }
            self.by_time.pop_first();
            self.by_subject.remove(&subject);
            due.push(subject);
        }
        due
    }
}

/// Numbers to be looked at in this pass, each once, handed out in order.
#[derive(Debug, Default)]
pub(crate) struct Worklist {
    marked: Vec<bool>,
    list: Vec<u32>,
}

impl Worklist {
    pub(crate) fn new(size: usize) -> Self {
        Self {
            marked: alloc::vec![false; size],
            list: Vec::new(),
        }
    }

    pub(crate) fn mark(&mut self, index: usize) {
        if let Some(marked) = self.marked.get_mut(index)
            && !*marked
        {
            *marked = true;
            self.list.push(index as u32);
        }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Takes everything out, in order of number.
    pub(crate) fn take(&mut self) -> Vec<u32> {
        let mut list = core::mem::take(&mut self.list);
        list.sort_unstable();
        for index in &list {
            self.marked[*index as usize] = false;
        }
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_subject_has_one_wake_up() {
        let mut timers = Timers::default();
        let place = Subject::Place(PlaceId(3));
        timers.set(place, Some(Instant(5)));
        timers.set(place, Some(Instant(9)));
        assert_eq!(timers.next(), Some((Instant(9), place)));
        timers.not_later(place, Instant(12));
        assert_eq!(timers.next(), Some((Instant(9), place)));
        timers.set(place, None);
        assert_eq!(timers.next(), None);
    }

    #[test]
    fn one_deadline_is_one_pass_in_order() {
        let mut timers = Timers::default();
        timers.set(Subject::Place(PlaceId(7)), Some(Instant(5)));
        timers.set(Subject::Feed(FeedId(1)), Some(Instant(5)));
        timers.set(Subject::Place(PlaceId(2)), Some(Instant(5)));
        timers.set(Subject::Alarms, Some(Instant(6)));
        assert_eq!(
            timers.take_at(Instant(5)),
            [
                Subject::Feed(FeedId(1)),
                Subject::Place(PlaceId(2)),
                Subject::Place(PlaceId(7))
            ]
        );
        assert_eq!(timers.next(), Some((Instant(6), Subject::Alarms)));
    }
}
