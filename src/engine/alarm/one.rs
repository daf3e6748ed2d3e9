//! One alarm: its condition with the delays, its machine, who put it aside, whether it is
//! announced.

use alloc::string::String;

use statig::blocking::IntoStateMachineExt;

use super::kinds::{AlarmKind, Priority};
use super::lifecycle::{AlarmEvent, AlarmState};
use super::machine::{Facts, Machine};
use crate::change::What;
use crate::driven::Driven;
use crate::snapshot::{AlarmView, Quiet};
use crate::time::{Instant, Span};

/// A condition as a stage tells it.
#[derive(Clone, Debug)]
pub(crate) struct Condition {
    pub(crate) since: Instant,
    pub(crate) delay: Span,
    pub(crate) priority: Priority,
    pub(crate) text: String,
    pub(crate) seconds: Option<(f64, f64)>,
}

/// One alarm that is not normal, or waits to be raised.
#[derive(Clone, Debug)]
pub(super) struct Alarm {
    pub(super) kind: AlarmKind,
    pub(super) subject: String,
    machine: Driven<Machine>,
    pub(super) state: AlarmState,
    pub(super) facts: Facts,
    /// The condition, while it lasts.
    pub(super) condition: Option<Condition>,
    /// The condition went away then; the off-delay runs.
    pub(super) gone_since: Option<Instant>,
    pub(super) priority: Priority,
    pub(super) text: String,
    pub(super) seconds: Option<(f64, f64)>,
    pub(super) raised_at: Instant,
    pub(super) by: Option<String>,
    pub(super) reason: Option<String>,
    pub(super) shelved_until: Option<Instant>,
    pub(super) suppressed: bool,
    /// Why it is not announced, and until when.
    pub(super) quiet: Option<(Quiet, Instant)>,
    /// The wake-up that stands in the desk's list.
    pub(super) wake: Option<Instant>,
}

impl Alarm {
    pub(super) fn new(kind: AlarmKind, subject: &str, now: Instant) -> Self {
        let doc = kind.doc();
        Self {
            kind,
            subject: String::from(subject),
            machine: Machine.state_machine().into(),
            state: AlarmState::Normal,
            facts: Facts {
                active: false,
                latches: doc.latches,
            },
            condition: None,
            gone_since: None,
            priority: doc.priority,
            text: String::new(),
            seconds: None,
            raised_at: now,
            by: None,
            reason: None,
            shelved_until: None,
            suppressed: false,
            quiet: None,
            wake: None,
        }
    }

    /// Whether the state is another one after it.
    pub(super) fn drive(&mut self, event: AlarmEvent) -> bool {
        let before = self.state;
        self.machine.handle_with_context(&event, &mut self.facts);
        self.state = self.machine.state().alarm_state();
        before != self.state
    }

    /// When the waiting condition becomes an alarm.
    fn raise_at(&self, quiet_until: Instant) -> Option<Instant> {
        let condition = self.condition.as_ref().filter(|_| !self.facts.active)?;
        let due = condition.since.plus(condition.delay);
        // For a while after a start silence raises nothing.
        Some(match self.kind {
            AlarmKind::DetectorFault => due.max(quiet_until),
            _ => due,
        })
    }

    fn return_at(&self) -> Option<Instant> {
        let off = Span::from_millis(u64::from(self.kind.doc().off_delay_ms));
        self.gone_since
            .filter(|_| self.facts.active)
            .map(|since| since.plus(off))
    }

    /// When it has to be looked at again, after `now`.
    pub(super) fn next_look(&self, now: Instant, quiet_until: Instant) -> Option<Instant> {
        [
            self.raise_at(quiet_until),
            self.return_at(),
            self.shelved_until,
            self.quiet.map(|(_, until)| until),
        ]
        .into_iter()
        .flatten()
        .filter(|at| *at > now)
        .min()
    }

    /// Nothing is left to be told about it.
    pub(super) fn is_done(&self) -> bool {
        self.state == AlarmState::Normal && self.condition.is_none() && !self.facts.active
    }

    /// The condition has come, worsened or gone, delays included.
    pub(super) fn follow_condition(&mut self, now: Instant, quiet_until: Instant) {
        let due = self.raise_at(quiet_until).is_some_and(|at| at <= now);
        match &self.condition {
            Some(condition) if due && !self.suppressed => {
                self.priority = condition.priority;
                self.text.clone_from(&condition.text);
                self.seconds = condition.seconds;
                self.facts.active = true;
                self.raised_at = now;
                if !self.is_aside() {
                    self.by = None;
                    self.reason = None;
                }
                self.drive(AlarmEvent::Raise);
            }
            Some(condition) if self.facts.active => {
                let rose = condition.priority > self.priority;
                self.priority = condition.priority;
                self.text.clone_from(&condition.text);
                self.seconds = condition.seconds;
                if rose {
                    self.drive(AlarmEvent::Worsen);
                }
            }
            Some(_) => {}
            None => {
                self.gone_since.get_or_insert(now);
                if self.return_at().is_some_and(|at| at <= now) {
                    self.gone_since = None;
                    self.facts.active = false;
                    self.seconds = None;
                    self.drive(AlarmEvent::Return);
                }
            }
        }
    }

    /// By design: put aside while it lasts. What is not up yet is simply not raised.
    pub(super) fn follow_design(&mut self) {
        if self.suppressed && self.facts.active {
            self.drive(AlarmEvent::Suppress);
        } else if !self.suppressed {
            self.drive(AlarmEvent::Unsuppress);
        }
    }

    /// Shelving ends by itself.
    pub(super) fn follow_shelf(&mut self, now: Instant) {
        if self.shelved_until.is_none_or(|until| until > now) {
            return;
        }
        self.shelved_until = None;
        if self.drive(AlarmEvent::Unshelve) {
            self.text = alloc::format!("{} (shelving ended)", self.text);
            self.follow_design();
        }
    }

    pub(super) const fn is_aside(&self) -> bool {
        matches!(
            self.state,
            AlarmState::Shelved | AlarmState::Suppressed | AlarmState::OutOfService
        )
    }

    /// The condition lasts, and nobody and nothing has put it aside.
    pub(super) const fn stands(&self) -> bool {
        self.facts.active && !self.is_aside()
    }

    pub(super) fn change(&self, id: &str, was: AlarmState) -> What {
        What::Alarm {
            id: String::from(id),
            kind: self.kind,
            subject: self.subject.clone(),
            priority: self.priority,
            was,
            state: self.state,
            text: self.text.clone(),
        }
    }

    pub(super) fn view(&self, id: &str) -> AlarmView {
        AlarmView {
            id: String::from(id),
            kind: self.kind,
            subject: self.subject.clone(),
            priority: self.priority,
            state: self.state,
            active: self.facts.active,
            since: self.raised_at,
            text: self.text.clone(),
            to_do: self.kind.doc().to_do,
            seconds: self.seconds,
            by: self.by.clone(),
            reason: self.reason.clone(),
            until: self.shelved_until,
            quiet: self.quiet.map(|(why, _)| why),
        }
    }
}
