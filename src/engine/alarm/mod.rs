//! Alarms: what becomes of a condition (behaviour.md, section 6).
//!
//! Every stage raises and clears conditions `(kind, subject)`; nobody else touches the life-cycle.
//! Here come delays, suppression, shelving and the published state model, in order of id.

mod desk;
pub mod kinds;
pub mod lifecycle;
mod machine;

pub(crate) use desk::{Desk, Put, alarm_id};

use alloc::string::String;

use crate::Engine;
use crate::time::{Instant, STEP, Span};
use desk::Condition;
use kinds::{AlarmKind, Priority};

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
        let wake = self.desk.wake(now, quiet_until);
        self.timers.set(crate::timers::Subject::Alarms, wake);
    }
}

fn on_delay(kind: AlarmKind) -> Span {
    Span::from_millis(u64::from(kind.doc().on_delay_ms))
}
