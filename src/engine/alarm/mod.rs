//! Alarms: what becomes of a condition (DEVELOPERS.md, section 6).
//!
//! Every stage raises and clears conditions `(kind, subject)`; nobody else touches the life-cycle.
//! Here come delays, suppression, shelving and the published state model, in order of id.

mod announce;
mod desk;
pub mod kinds;
pub mod lifecycle;
mod machine;
pub mod measures;
mod one;

pub(crate) use desk::{Desk, Put, alarm_id};

use alloc::collections::BTreeSet;
use alloc::string::String;

use crate::Engine;
use crate::layout::Layout;
use crate::time::{Instant, STEP, Span};
use kinds::{AlarmKind, Priority, SubjectKind};
use one::Condition;

impl Engine {
    /// Raises a condition that lasts from now.
    pub(crate) fn raise(&mut self, kind: AlarmKind, subject: &str, text: String) {
        self.raise_with(kind, subject, kind.doc().priority, text);
    }

    /// Likewise, with a priority of its own.
    pub(crate) fn raise_with(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        priority: Priority,
        text: String,
    ) {
        let condition = Condition {
            since: self.now,
            delay: on_delay(kind),
            priority,
            text,
            seconds: None,
        };
        self.desk.raise(kind, subject, condition);
    }

    /// A condition that has lasted since then.
    pub(crate) fn raise_since(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        since: Instant,
        text: String,
    ) {
        self.raise_after(kind, subject, since, on_delay(kind), text);
    }

    /// A condition that becomes an alarm when it has lasted for `delay`.
    pub(crate) fn raise_after(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        since: Instant,
        delay: Span,
        text: String,
    ) {
        let condition = Condition {
            since,
            delay,
            priority: kind.doc().priority,
            text,
            seconds: None,
        };
        self.desk.raise(kind, subject, condition);
    }

    /// A condition that becomes an alarm when it has lasted *longer than* `limit`.
    pub(crate) fn raise_longer(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        since: Instant,
        limit: Span,
        text: String,
    ) {
        self.raise_longer_with(kind, subject, kind.doc().priority, (since, limit), text);
    }

    /// Likewise, with a priority of its own.
    pub(crate) fn raise_longer_with(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        priority: Priority,
        (since, limit): (Instant, Span),
        text: String,
    ) {
        let condition = Condition {
            since,
            delay: Span(limit.0.saturating_add(STEP.0)),
            priority,
            text,
            seconds: None,
        };
        self.desk.raise(kind, subject, condition);
    }

    /// A warning with the seconds that remain.
    pub(crate) fn warn(
        &mut self,
        kind: AlarmKind,
        subject: &str,
        priority: Priority,
        seconds: Option<(f64, f64)>,
        text: String,
    ) {
        let condition = Condition {
            since: self.now,
            delay: on_delay(kind),
            priority,
            text,
            seconds,
        };
        self.desk.raise(kind, subject, condition);
    }

    /// The condition has gone, and that is proven.
    pub(crate) fn clear(&mut self, kind: AlarmKind, subject: &str) {
        self.desk.clear(kind, subject);
    }

    /// Data is missing: an alarm that is up stays, one that is only waiting to be raised is
    /// dropped.
    pub(crate) fn hold_or_drop(&mut self, kind: AlarmKind, subject: &str) {
        self.desk.drop_waiting(kind, subject);
    }

    /// By design: while it lasts the alarm is put aside.
    pub(crate) fn suppress(&mut self, kind: AlarmKind, subject: &str, aside: bool) {
        self.desk.suppress(kind, subject, aside);
    }

    /// The alarm stage: everything that came up in this pass, in order of id.
    pub(crate) fn stage_alarms(&mut self) {
        let now = self.now;
        let quiet_until = self.quiet_until;
        let changes = self.desk.settle(now, quiet_until);
        for (what, id) in changes {
            self.emit(what);
            self.touched.insert(crate::change::Item::Alarm(id));
        }
        for id in self.desk.take_retold() {
            self.touched.insert(crate::change::Item::Alarm(id));
        }
        let wake = self.desk.wake();
        self.timers.set(crate::timers::Subject::Alarms, wake);
    }

    /// The alarms to announce since the last call: those that became unacknowledged, or rose in
    /// priority, and are not kept quiet (see `announce`). Each id once.
    pub fn announced(&mut self) -> BTreeSet<String> {
        self.desk.take_announced()
    }

    /// Goes on with the measures of an engine that this one takes over from.
    pub fn keep_measures(&mut self, before: &mut Self) {
        self.desk.keep_measures(&mut before.desk);
    }

    /// The type and subject of an alarm's id, if the layout can have such an alarm.
    pub(crate) fn alarm_of(&self, id: &str) -> Option<(AlarmKind, String)> {
        let (kind, subject) = AlarmKind::ALL
            .iter()
            .find_map(|kind| Some((*kind, id.strip_prefix(kind.word())?.strip_prefix(':')?)))?;
        let known = match kind.doc().subject {
            SubjectKind::Train => self.train_by_name(subject).is_some(),
            SubjectKind::Broker => subject == "broker",
            SubjectKind::Journal => subject == "journal",
            SubjectKind::Place => self.place_names().contains(&subject),
            subject_kind => is_item(&self.layout, subject_kind, subject),
        };
        known.then(|| (kind, String::from(subject)))
    }
}

/// Whether the layout has an item of this kind and id.
fn is_item(layout: &Layout, kind: SubjectKind, id: &str) -> bool {
    let turnout = || layout.turnouts.iter().any(|item| item.id == id);
    let table = || layout.tables.iter().any(|item| item.id == id);
    match kind {
        SubjectKind::Turnout => turnout(),
        SubjectKind::TurnoutOrTable => turnout() || table(),
        SubjectKind::Table => table(),
        SubjectKind::Crossover => layout.crossovers.iter().any(|item| item.id == id),
        SubjectKind::TrackItem => {
            turnout() || table() || layout.blocks.iter().any(|item| item.id == id)
        }
        SubjectKind::Feed => layout.feeds.iter().any(|item| item.id == id),
        SubjectKind::DetectorOrNode => {
            layout.detectors.iter().any(|item| item.id == id)
                || layout.nodes.iter().any(|item| item.id == id)
        }
        SubjectKind::Train | SubjectKind::Place | SubjectKind::Broker | SubjectKind::Journal => {
            false
        }
    }
}

fn on_delay(kind: AlarmKind) -> Span {
    Span::from_millis(u64::from(kind.doc().on_delay_ms))
}
