//! One queue of wake-ups for the whole engine.
//!
//! A subject asks to be looked at again at a moment; it has at most one wake-up. What is due is
//! decided when it is looked at, so a wake-up that comes too early does no harm. Those of one
//! deadline fire together, each at its own time (DEVELOPERS.md, section 7).
//!
//! What counts is the moment noted for the subject: a wake-up that was moved or taken back stays in
//! the queue until its time comes. With ten thousand detectors, each heard about as often as its
//! silence is looked for, this is the hot path beside the sample itself; see [`Queue`].

use alloc::collections::{BTreeMap, BinaryHeap};
use alloc::vec::Vec;
use core::cmp::Reverse;

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

/// No moment is noted. Half the memory of an `Option`: with many detectors it counts.
const NEVER: Instant = Instant(u64::MAX);

/// The moment noted for each subject. Items have dense numbers; trains come and go.
#[derive(Clone, Debug, Default)]
struct Noted {
    broker: Option<Instant>,
    alarms: Option<Instant>,
    feeds: Vec<Instant>,
    detectors: Vec<Instant>,
    places: Vec<Instant>,
    turnouts: Vec<Instant>,
    tables: Vec<Instant>,
    trains: BTreeMap<TrainId, Instant>,
}

impl Noted {
    fn get(&self, subject: Subject) -> Option<Instant> {
        let (list, index) = match subject {
            Subject::Broker => return self.broker,
            Subject::Alarms => return self.alarms,
            Subject::Train(train) => return self.trains.get(&train).copied(),
            Subject::Feed(feed) => (&self.feeds, feed.index()),
            Subject::Detector(detector) => (&self.detectors, detector.index()),
            Subject::Place(place) => (&self.places, place.index()),
            Subject::Turnout(turnout) => (&self.turnouts, turnout.index()),
            Subject::Table(table) => (&self.tables, table.index()),
        };
        list.get(index).copied().filter(|at| *at != NEVER)
    }

    /// Notes a moment; answers the one before.
    fn put(&mut self, subject: Subject, at: Option<Instant>) -> Option<Instant> {
        let (list, index) = match subject {
            Subject::Broker => return core::mem::replace(&mut self.broker, at),
            Subject::Alarms => return core::mem::replace(&mut self.alarms, at),
            Subject::Train(train) => {
                return match at {
                    Some(at) => self.trains.insert(train, at),
                    None => self.trains.remove(&train),
                };
            }
            Subject::Feed(feed) => (&mut self.feeds, feed.index()),
            Subject::Detector(detector) => (&mut self.detectors, detector.index()),
            Subject::Place(place) => (&mut self.places, place.index()),
            Subject::Turnout(turnout) => (&mut self.turnouts, turnout.index()),
            Subject::Table(table) => (&mut self.tables, table.index()),
        };
        if list.len() <= index {
            // Nothing was noted, and nothing is to be.
            at?;
            list.resize(index + 1, NEVER);
        }
        let before = core::mem::replace(&mut list[index], at.unwrap_or(NEVER));
        Some(before).filter(|at| *at != NEVER)
    }
}

/// A wake-up; the order is by time, then that of the stages.
type Entry = (Instant, Subject);

/// A slot of the wheel is 2^16 us, 66 ms.
const SLOT_BITS: u32 = 16;
/// So many slots, 17 s: most silences are shorter.
const SLOTS: usize = 256;

/// Wake-ups in order: a timing wheel (Varghese and Lauck, 1987) before a small heap.
///
/// What comes within the current slot is in the heap, which stays so small that it is always near;
/// what comes later is put into the slot of its time, unsorted, and what lies beyond the wheel into
/// slots of a map. A single heap of everything cost more than the sample itself, and the more the
/// more detectors there were: each step down through it went to another line of memory.
#[derive(Clone, Debug)]
struct Queue {
    near: BinaryHeap<Reverse<Entry>>,
    /// The number of the first slot that is not in `near`.
    first: u64,
    wheel: Vec<Vec<Entry>>,
    /// One bit for each slot of the wheel: something is in it.
    filled: [u64; SLOTS / 64],
    beyond: BTreeMap<u64, Vec<Entry>>,
    len: usize,
}

impl Default for Queue {
    fn default() -> Self {
        Self {
            near: BinaryHeap::new(),
            first: 0,
            wheel: alloc::vec![Vec::new(); SLOTS],
            filled: [0; SLOTS / 64],
            beyond: BTreeMap::new(),
            len: 0,
        }
    }
}

impl Queue {
    fn push(&mut self, entry: Entry) {
        self.len += 1;
        let slot = entry.0.0 >> SLOT_BITS;
        if slot < self.first {
            self.near.push(Reverse(entry));
        } else if slot - self.first < SLOTS as u64 {
            let at = slot as usize % SLOTS;
            self.wheel[at].push(entry);
            self.filled[at / 64] |= 1 << (at % 64);
        } else {
            self.beyond.entry(slot).or_default().push(entry);
        }
        self.refill();
    }

    fn peek(&self) -> Option<Entry> {
        let near = self.near.peek().map(|Reverse(entry)| *entry);
        near.or_else(|| self.beyond.first_key_value()?.1.iter().min().copied())
    }

    /// Takes out what [`Self::peek`] shows.
    fn pop(&mut self) {
        if self.near.pop().is_some() {
            self.len -= 1;
            self.refill();
        } else if let Some(mut slot) = self.beyond.first_entry() {
            let entries = slot.get_mut();
            let first = entries.iter().enumerate().min_by_key(|(_, entry)| **entry);
            if let Some((at, _)) = first {
                entries.swap_remove(at);
                self.len -= 1;
            }
            if entries.is_empty() {
                slot.remove();
            }
        }
    }

    /// Keeps the earliest in `near`, as long as there is anything in the wheel. What lies beyond it
    /// stays there while it is alone: the wheel is not to turn before its time.
    fn refill(&mut self) {
        while self.near.is_empty()
            && let Some(turning) = self.next_filled()
        {
            let beyond = self.beyond.keys().next().copied();
            let slot = beyond.map_or(turning, |beyond| beyond.min(turning));
            self.first = slot + 1;
            if turning == slot {
                let at = slot as usize % SLOTS;
                self.filled[at / 64] &= !(1 << (at % 64));
                // The slot keeps its room for the next turn.
                self.near.extend(self.wheel[at].drain(..).map(Reverse));
            }
            if let Some(entries) = self.beyond.remove(&slot) {
                self.near.extend(entries.into_iter().map(Reverse));
            }
        }
    }

    /// Nothing is left in it up to `at`: the wheel turns on to there.
    fn catch_up(&mut self, at: Instant) {
        self.first = self.first.max(at.0 >> SLOT_BITS);
    }

    /// The next slot of the wheel with something in it.
    fn next_filled(&self) -> Option<u64> {
        let start = self.first as usize % SLOTS;
        let (word, bit) = (start / 64, start % 64);
        // The word of the start is looked at twice: from the start on, and last up to it.
        (0..=self.filled.len()).find_map(|turn| {
            let at = (word + turn) % self.filled.len();
            let bits = match turn {
                0 => self.filled[at] & (u64::MAX << bit),
                _ if at == word => self.filled[at] & !(u64::MAX << bit),
                _ => self.filled[at],
            };
            (bits != 0).then(|| {
                let found = at * 64 + bits.trailing_zeros() as usize;
                self.first + ((found + SLOTS - start) % SLOTS) as u64
            })
        })
    }

    /// Leaves out what is stale, and what is in there twice.
    fn keep(&mut self, is_live: impl Fn(&Entry) -> bool) {
        let mut live: Vec<Entry> = core::mem::take(&mut self.near)
            .into_iter()
            .map(|Reverse(entry)| entry)
            .chain(self.wheel.iter_mut().flat_map(core::mem::take))
            .chain(core::mem::take(&mut self.beyond).into_values().flatten())
            .filter(is_live)
            .collect();
        // A subject that went back to an earlier choice of its own is in there twice.
        live.sort_unstable();
        live.dedup();
        (self.filled, self.len) = ([0; SLOTS / 64], 0);
        for entry in live {
            self.push(entry);
        }
    }
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Timers {
    /// Its top is never stale.
    queue: Queue,
    noted: Noted,
    /// How many subjects have a wake-up: the rest of the queue is stale.
    waiting: usize,
}

/// A queue shorter than this is never cleared of what is stale.
const STALE_MIN: usize = 1_024;

impl Timers {
    /// Sets, moves or (with `None`) takes back a subject's wake-up.
    pub(crate) fn set(&mut self, subject: Subject, at: Option<Instant>) {
        let at = at.filter(|at| *at != NEVER);
        let before = self.noted.put(subject, at);
        if before == at {
            return;
        }
        self.waiting += usize::from(at.is_some());
        self.waiting -= usize::from(before.is_some());
        if let Some(at) = at {
            self.queue.push((at, subject));
        }
        if before.is_some() {
            self.drop_stale();
        }
    }

    /// Keeps the top true, and the queue in proportion to what waits in it.
    fn drop_stale(&mut self) {
        if self.queue.len > STALE_MIN.max(4 * self.waiting) {
            let noted = &self.noted;
            self.queue
                .keep(|(at, subject)| noted.get(*subject) == Some(*at));
        }
        while let Some((at, subject)) = self.queue.peek() {
            if self.noted.get(subject) == Some(at) {
                break;
            }
            self.queue.pop();
        }
    }

    /// Sets a wake-up unless an earlier one is waiting.
    pub(crate) fn not_later(&mut self, subject: Subject, at: Instant) {
        if self.noted.get(subject).is_none_or(|set| set > at) {
            self.set(subject, Some(at));
        }
    }

    /// What is waited for, without the order of the queue.
    #[cfg(feature = "model")]
    pub(crate) fn noted(&self) -> &dyn core::fmt::Debug {
        &self.noted
    }

    /// The next wake-up.
    pub(crate) fn next(&self) -> Option<Entry> {
        self.queue.peek()
    }

    /// Moves all subjects that are due at `at` into `due`, in order.
    pub(crate) fn take_at(&mut self, at: Instant, due: &mut Vec<Subject>) {
        while let Some((when, subject)) = self.next() {
            if when > at {
                break;
            }
            self.queue.pop();
            // What is in there twice is due once.
            if self.noted.get(subject) == Some(when) {
                self.noted.put(subject, None);
                self.waiting -= 1;
                due.push(subject);
            }
            self.drop_stale();
        }
        self.queue.catch_up(at);
    }
}

/// Numbers to be looked at in this pass, each once, handed out in order.
#[derive(Clone, Debug, Default)]
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

    fn due(timers: &mut Timers, at: u64) -> Vec<Subject> {
        let mut due = Vec::new();
        timers.take_at(Instant(at), &mut due);
        due
    }

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
            due(&mut timers, 5),
            [
                Subject::Feed(FeedId(1)),
                Subject::Place(PlaceId(2)),
                Subject::Place(PlaceId(7))
            ]
        );
        assert_eq!(timers.next(), Some((Instant(6), Subject::Alarms)));
    }

    #[test]
    fn a_wake_up_that_was_moved_does_not_fire_at_its_old_time() {
        let mut timers = Timers::default();
        let place = Subject::Place(PlaceId(0));
        timers.set(place, Some(Instant(5)));
        timers.set(Subject::Alarms, Some(Instant(3)));
        timers.set(place, Some(Instant(8)));
        // Back to the moment that is still in the queue: due once.
        timers.set(place, Some(Instant(5)));
        assert_eq!(due(&mut timers, 3), [Subject::Alarms]);
        assert_eq!(due(&mut timers, 5), [place]);
        assert_eq!(timers.next(), None);
        assert_eq!(due(&mut timers, 9), []);
    }

    /// The queue against the plain way: every subject with its moment, the earliest searched for.
    /// Moments within one slot, over many slots, and beyond the wheel.
    #[test]
    fn the_queue_agrees_with_a_plain_search() {
        for (within, pace) in [(50, 0), (50, 1), (1 << 22, 1 << 14), (1 << 27, 1 << 20)] {
            agrees_with_a_plain_search(within, pace);
        }
    }

    fn agrees_with_a_plain_search(within: u64, pace: u64) {
        let mut timers = Timers::default();
        let mut plain: BTreeMap<Subject, Instant> = BTreeMap::new();
        let mut seed = 1_u64;
        let mut draw = |below: u64| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 33) % below
        };
        for step in 0..20_000 {
            let number = draw(40) as u32;
            let subject = match draw(4) {
                0 => Subject::Detector(DetectorId(number)),
                1 => Subject::Place(PlaceId(number)),
                2 => Subject::Train(TrainId(number)),
                _ => Subject::Alarms,
            };
            let at = Instant(draw(within) + step * pace / 10);
            match draw(5) {
                0 => {
                    timers.set(subject, None);
                    plain.remove(&subject);
                }
                1 => {
                    timers.not_later(subject, at);
                    let set = plain.entry(subject).or_insert(at);
                    *set = at.min(*set);
                }
                2 => {
                    let first = plain.iter().map(|(subject, at)| (*at, *subject)).min();
                    assert_eq!(timers.next(), first);
                    if let Some((moment, _)) = first {
                        let taken = due(&mut timers, moment.0);
                        let is_due = |(_, at): &(&Subject, &Instant)| **at == moment;
                        assert!(
                            taken
                                .iter()
                                .eq(plain.iter().filter(is_due).map(|(it, _)| it))
                        );
                        plain.retain(|_, at| *at != moment);
                    }
                }
                _ => {
                    timers.set(subject, Some(at));
                    plain.insert(subject, at);
                }
            }
            assert_eq!(timers.waiting, plain.len());
            assert!(timers.queue.len <= STALE_MIN.max(4 * plain.len()) + 1);
        }
    }
}
