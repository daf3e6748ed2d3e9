//! What is announced: spoken, published on `P/say`, sent to a phone. What is not is shown all the
//! same, and counted.
//!
//! An alarm is announced when it becomes unacknowledged, and when its priority rises. Not so one
//! that was announced within its type's re-alarm limit: it is announced when the limit has passed,
//! if it still stands unacknowledged. What is of high priority and says something else than before
//! does not wait. Nor is, in a flood, what is of low priority announced.

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;

use super::kinds::{AlarmKind, Priority};
use super::one::Alarm;
use crate::snapshot::Quiet;
use crate::time::{Instant, Span};

/// Before so many are remembered nothing is tidied up.
const TIDY_MIN: usize = 64;
/// The longest re-alarm limit of any type.
const LIMIT_MAX: Span = Span::from_secs(600);

/// What was announced last about an alarm.
#[derive(Clone, Debug)]
struct Said {
    at: Instant,
    priority: Priority,
    text: String,
}

/// What was announced, and what is to be.
#[derive(Clone, Debug, Default)]
pub(super) struct Announcements {
    said: BTreeMap<String, Said>,
    tidy_at: usize,
    due: BTreeSet<String>,
}

fn limit(kind: AlarmKind) -> Span {
    Span::from_secs(u64::from(kind.doc().re_alarm_limit_s))
}

impl Announcements {
    /// The alarm became unacknowledged, or its priority rose.
    pub(super) fn news(&mut self, id: &str, alarm: &mut Alarm, now: Instant, flood: bool) {
        let again = self.said.get(id).filter(|said| {
            (said.text == alarm.text || alarm.priority < Priority::High)
                && said.priority >= alarm.priority
                && now.since(said.at) < limit(alarm.kind)
        });
        alarm.quiet = match again {
            Some(said) => Some((Quiet::Again, said.at.plus(limit(alarm.kind)))),
            None if flood && alarm.priority == Priority::Low => {
                Some((Quiet::Flood, now.plus(LIMIT_MAX)))
            }
            None => None,
        };
        if alarm.quiet.is_none() {
            self.announce(id, alarm, now);
        }
    }

    /// Its quiet has ended and it still stands.
    pub(super) fn announce(&mut self, id: &str, alarm: &mut Alarm, now: Instant) {
        alarm.quiet = None;
        if self.said.len() >= self.tidy_at.max(TIDY_MIN) {
            self.said.retain(|_, said| now.since(said.at) <= LIMIT_MAX);
            self.tidy_at = self.said.len() * 2;
        }
        let said = Said {
            at: now,
            priority: alarm.priority,
            text: alarm.text.clone(),
        };
        self.said.insert(String::from(id), said);
        self.due.insert(String::from(id));
    }

    /// The alarm is over or seen: there is nothing more to say.
    pub(super) fn hush(&mut self, id: &str) {
        self.due.remove(id);
    }

    pub(super) fn take(&mut self) -> BTreeSet<String> {
        core::mem::take(&mut self.due)
    }

    #[cfg(test)]
    pub(super) fn remembered(&self) -> usize {
        self.said.len()
    }
}
