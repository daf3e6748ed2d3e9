//! What waits to be sent by one way: a short list, and counters of what became of the rest.

use std::collections::{BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use super::notice::{Event, Notice};

/// More than this wait for nobody: the least urgent, oldest goes.
pub const WAITING_MAX: usize = 64;
/// Alarms of which a way remembers that it has told.
const TOLD_MAX: usize = 4_096;

/// What became of the notices of a way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Sent, and taken by the other end.
    pub sent: u64,
    /// Tries that failed and were, or will be, made again.
    pub failed: u64,
    /// Refused by the other end for good.
    pub refused: u64,
    /// Dropped because too many waited.
    pub dropped: u64,
    /// Taken back: the alarm was seen, or over, before it was sent.
    pub withdrawn: u64,
    /// Given up: too old to warn of.
    pub late: u64,
    /// Waiting now.
    pub waiting: u64,
}

/// The list.
#[derive(Debug, Default)]
pub(super) struct Queue {
    inner: Mutex<Inner>,
    news: Notify,
}

#[derive(Debug, Default)]
struct Inner {
    waiting: VecDeque<Arc<Notice>>,
    /// Alarms that were told, or wait to be, and are not over.
    told: BTreeSet<String>,
    counts: Counts,
}

impl Queue {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// One more.
    pub(super) fn push(&self, notice: Arc<Notice>) {
        let mut inner = self.lock();
        if notice.event == Event::Raised {
            if inner.told.len() >= TOLD_MAX {
                inner.told.pop_first();
            }
            inner.told.insert(notice.alarm.id.clone());
        }
        inner.waiting.push_back(notice);
        if inner.waiting.len() > WAITING_MAX {
            let least = inner.waiting.iter().map(|notice| notice.priority()).min();
            let index = inner
                .waiting
                .iter()
                .position(|notice| Some(notice.priority()) == least);
            if let Some(dropped) = index.and_then(|index| inner.waiting.remove(index)) {
                inner.counts.dropped += 1;
                if dropped.event == Event::Raised {
                    inner.told.remove(&dropped.alarm.id);
                }
            }
        }
        drop(inner);
        self.news.notify_one();
    }

    /// The alarm was seen or is over: what waits to warn of it is taken back. Whether this way has
    /// told of it.
    pub(super) fn settle(&self, alarm: &str, event: Event) -> bool {
        let mut inner = self.lock();
        let before = inner.waiting.len();
        inner
            .waiting
            .retain(|notice| notice.event != Event::Raised || notice.alarm.id != alarm);
        let taken_back = before - inner.waiting.len();
        inner.counts.withdrawn += taken_back as u64;
        let told = inner.told.contains(alarm) && taken_back == 0;
        if event == Event::Over || taken_back > 0 {
            inner.told.remove(alarm);
        }
        told
    }

    /// The next, without taking it out: it can still be taken back while it is being tried.
    pub(super) fn first(&self) -> Option<Arc<Notice>> {
        self.lock().waiting.front().cloned()
    }

    /// Takes it out, if it is still there; `how` counts it.
    pub(super) fn done(&self, notice: &Arc<Notice>, how: impl FnOnce(&mut Counts)) {
        let mut inner = self.lock();
        let index = inner
            .waiting
            .iter()
            .position(|waiting| Arc::ptr_eq(waiting, notice));
        if let Some(index) = index {
            inner.waiting.remove(index);
        }
        how(&mut inner.counts);
    }

    /// Whether it still waits.
    pub(super) fn holds(&self, notice: &Arc<Notice>) -> bool {
        let inner = self.lock();
        inner
            .waiting
            .iter()
            .any(|waiting| Arc::ptr_eq(waiting, notice))
    }

    /// Takes everything out.
    pub(super) fn take(&self) -> Vec<Arc<Notice>> {
        self.lock().waiting.drain(..).collect()
    }

    pub(super) fn count(&self, how: impl FnOnce(&mut Counts)) {
        how(&mut self.lock().counts);
    }

    pub(super) fn counts(&self) -> Counts {
        let inner = self.lock();
        Counts {
            waiting: inner.waiting.len() as u64,
            ..inner.counts
        }
    }

    /// Waits for news.
    pub(super) async fn news(&self) {
        self.news.notified().await;
    }
}

#[cfg(test)]
mod tests {
    use super::super::notice::trial;
    use super::*;
    use crate::engine::alarm::kinds::Priority;

    fn notice(id: &str, event: Event, priority: Priority) -> Arc<Notice> {
        let mut notice = trial("Wharf", "wharf", 0);
        notice.alarm.id = id.to_owned();
        notice.alarm.priority = priority;
        notice.event = event;
        Arc::new(notice)
    }

    #[test]
    fn the_least_urgent_goes_when_too_many_wait() {
        let queue = Queue::default();
        queue.push(notice("high", Event::Raised, Priority::High));
        for n in 0..200 {
            let id = format!("low:{n}");
            queue.push(notice(&id, Event::Raised, Priority::Low));
        }
        queue.push(notice("last", Event::Raised, Priority::Medium));
        let counts = queue.counts();
        assert_eq!(counts.waiting, WAITING_MAX as u64);
        assert_eq!(counts.dropped, 202 - WAITING_MAX as u64);
        let left: Vec<String> = queue.take().iter().map(|n| n.alarm.id.clone()).collect();
        assert_eq!(left.first().map(String::as_str), Some("high"));
        assert_eq!(left.last().map(String::as_str), Some("last"));
        assert_eq!(left[1], "low:138", "the newest low ones are kept");
    }

    #[test]
    fn what_is_over_before_it_was_sent_is_taken_back() {
        let queue = Queue::default();
        queue.push(notice("a", Event::Raised, Priority::High));
        assert!(!queue.settle("a", Event::Over), "nobody was told");
        assert_eq!(queue.counts().withdrawn, 1);
        assert!(queue.first().is_none());
        let sent = notice("b", Event::Raised, Priority::High);
        queue.push(sent.clone());
        queue.done(&sent, |counts| counts.sent += 1);
        assert!(queue.settle("b", Event::Acknowledged), "it was told");
        assert!(
            queue.settle("b", Event::Over),
            "and is to be told of its end"
        );
        assert!(!queue.settle("b", Event::Over), "once");
    }
}
