//! The desk: every alarm that is not normal, or waits to be raised.
//!
//! Keyed by `type:subject`, so that order is by id. A condition waits for its on-delay, is held for
//! its off-delay, and then drives the machine of [`super::lifecycle`].

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use statig::blocking::{IntoStateMachineExt, StateMachine};

use super::kinds::{AlarmKind, Priority};
use super::lifecycle::{AlarmEvent, AlarmState};
use super::machine::{Facts, Machine};
use crate::change::What;
use crate::snapshot::AlarmView;
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

struct Alarm {
    kind: AlarmKind,
    subject: String,
    machine: StateMachine<Machine>,
    state: AlarmState,
    facts: Facts,
    /// The condition, while it lasts.
    condition: Option<Condition>,
    /// The condition went away then; the off-delay runs.
    gone_since: Option<Instant>,
    priority: Priority,
    text: String,
    seconds: Option<(f64, f64)>,
    raised_at: Instant,
    by: Option<String>,
    shelved_until: Option<Instant>,
    suppressed: bool,
}

/// Every alarm that is not normal, or waits.
#[derive(Default)]
pub(crate) struct Desk {
    alarms: BTreeMap<String, Alarm>,
    dirty: BTreeSet<String>,
    /// Put aside by design, though nothing is up.
    suppressed: BTreeSet<String>,
    /// Alarms whose text or seconds changed though their state did not.
    retold: BTreeSet<String>,
}

pub(crate) fn alarm_id(kind: AlarmKind, subject: &str) -> String {
    format!("{}:{}", kind.word(), subject)
}

impl Alarm {
    fn new(kind: AlarmKind, subject: &str, now: Instant) -> Self {
        let doc = kind.doc();
        Self {
            kind,
            subject: String::from(subject),
            machine: Machine.state_machine(),
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
            shelved_until: None,
            suppressed: false,
        }
    }

    fn drive(&mut self, event: AlarmEvent) -> bool {
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
}

impl Desk {
    fn alarm(&mut self, kind: AlarmKind, subject: &str, now: Instant) -> &mut Alarm {
        let id = alarm_id(kind, subject);
        self.dirty.insert(id.clone());
        let suppressed = self.suppressed.contains(&id);
        self.alarms.entry(id).or_insert_with(|| {
            let mut alarm = Alarm::new(kind, subject, now);
            alarm.suppressed = suppressed;
            alarm
        })
    }

    pub(crate) fn raise(&mut self, kind: AlarmKind, subject: &str, condition: Condition) {
        let now = condition.since;
        let alarm = self.alarm(kind, subject, now);
        alarm.gone_since = None;
        match &mut alarm.condition {
            // It lasts: its start stays, its words may be new.
            Some(lasting) => {
                lasting.priority = condition.priority;
                lasting.text = condition.text;
                lasting.seconds = condition.seconds;
                lasting.delay = condition.delay;
                if !alarm.facts.active {
                    lasting.since = lasting.since.min(condition.since);
                }
            }
            None => alarm.condition = Some(condition),
        }
    }

    pub(crate) fn clear(&mut self, kind: AlarmKind, subject: &str) {
        let id = alarm_id(kind, subject);
        if let Some(alarm) = self.alarms.get_mut(&id)
            && alarm.condition.take().is_some() | alarm.facts.active
        {
            self.dirty.insert(id);
        }
    }

    pub(crate) fn drop_waiting(&mut self, kind: AlarmKind, subject: &str) {
        let id = alarm_id(kind, subject);
        if let Some(alarm) = self.alarms.get_mut(&id)
            && !alarm.facts.active
            && alarm.condition.take().is_some()
        {
            self.dirty.insert(id);
        }
    }

    pub(crate) fn suppress(&mut self, kind: AlarmKind, subject: &str, aside: bool) {
        if !aside && self.suppressed.is_empty() {
            return;
        }
        let id = alarm_id(kind, subject);
        let moved = if aside {
            self.suppressed.insert(id.clone())
        } else {
            self.suppressed.remove(&id)
        };
        if moved && let Some(alarm) = self.alarms.get_mut(&id) {
            alarm.suppressed = aside;
            self.dirty.insert(id);
        }
    }

    /// Lets everything that came up, or is due, run; what changed, in order of id.
    pub(crate) fn settle(&mut self, now: Instant, quiet_until: Instant) -> Vec<(What, String)> {
        let mut ids = core::mem::take(&mut self.dirty);
        ids.extend(self.alarms.iter().filter_map(|(id, alarm)| {
            let due = [
                alarm.raise_at(quiet_until),
                alarm.return_at(),
                alarm.shelved_until,
            ];
            due.into_iter()
                .flatten()
                .any(|at| at <= now)
                .then(|| id.clone())
        }));
        let mut out = Vec::new();
        for id in ids {
            let Some(alarm) = self.alarms.get_mut(&id) else {
                continue;
            };
            let retold = settle_one(alarm, &id, now, quiet_until, &mut out);
            if retold {
                self.retold.insert(id.clone());
            }
            let done = alarm.state == AlarmState::Normal
                && alarm.condition.is_none()
                && !alarm.facts.active;
            if done {
                self.alarms.remove(&id);
            }
        }
        out
    }

    pub(crate) fn take_retold(&mut self) -> BTreeSet<String> {
        core::mem::take(&mut self.retold)
    }

    pub(crate) fn wake(&self, now: Instant, quiet_until: Instant) -> Option<Instant> {
        self.alarms
            .values()
            .flat_map(|alarm| {
                [
                    alarm.raise_at(quiet_until),
                    alarm.return_at(),
                    alarm.shelved_until,
                ]
            })
            .flatten()
            .filter(|at| *at > now)
            .min()
    }

    /// An operator's action; tells what it did, or why it cannot be.
    pub(crate) fn act(
        &mut self,
        id: &str,
        event: AlarmEvent,
        by: &str,
        until: Option<Instant>,
    ) -> Result<Option<(What, String)>, String> {
        let Some(alarm) = self.alarms.get_mut(id) else {
            return Err(format!("no alarm '{id}' is up: look at the list of alarms"));
        };
        let was = alarm.state;
        if !alarm.drive(event) {
            return Err(format!(
                "'{id}' is {}: {}",
                was.word(),
                refusal(event, alarm.facts.active)
            ));
        }
        alarm.shelved_until = until;
        if !by.is_empty() {
            alarm.by = Some(String::from(by));
        }
        let what = alarm_change(alarm, id, was);
        self.dirty.insert(String::from(id));
        Ok(Some((what, String::from(id))))
    }

    pub(crate) fn put(&mut self, kind: AlarmKind, subject: &str, put: Put, now: Instant) {
        let alarm = self.alarm(kind, subject, now);
        alarm.facts.active = put.active;
        alarm.drive(AlarmEvent::Put(put.state));
        alarm.text = put.text;
        alarm.by = put.by;
        if put.active {
            alarm.condition = Some(Condition {
                since: now,
                delay: Span::ZERO,
                priority: alarm.priority,
                text: alarm.text.clone(),
                seconds: None,
            });
        }
    }

    pub(crate) fn view(&self, id: &str) -> Option<AlarmView> {
        let alarm = self.alarms.get(id)?;
        if alarm.state == AlarmState::Normal {
            return None;
        }
        Some(AlarmView {
            id: String::from(id),
            kind: alarm.kind,
            subject: alarm.subject.clone(),
            priority: alarm.priority,
            state: alarm.state,
            active: alarm.facts.active,
            since: alarm.raised_at,
            text: alarm.text.clone(),
            to_do: alarm.kind.doc().to_do,
            seconds: alarm.seconds,
            by: alarm.by.clone(),
            until: alarm.shelved_until,
        })
    }

    /// Every alarm that is not normal, most urgent first, then oldest, then by id.
    pub(crate) fn views(&self) -> Vec<AlarmView> {
        let mut views: Vec<AlarmView> = self.alarms.keys().filter_map(|id| self.view(id)).collect();
        views.sort_by(|one, other| {
            let rank = |view: &AlarmView| {
                (
                    core::cmp::Reverse(view.active),
                    core::cmp::Reverse(view.priority),
                )
            };
            rank(one)
                .cmp(&rank(other))
                .then(one.since.cmp(&other.since))
                .then(one.id.cmp(&other.id))
        });
        views
    }
}

/// What a memory says about an alarm.
#[derive(Clone, Debug)]
pub(crate) struct Put {
    pub(crate) state: AlarmState,
    pub(crate) active: bool,
    pub(crate) text: String,
    pub(crate) by: Option<String>,
}

fn settle_one(
    alarm: &mut Alarm,
    id: &str,
    now: Instant,
    quiet_until: Instant,
    out: &mut Vec<(What, String)>,
) -> bool {
    let told = (alarm.text.clone(), alarm.seconds, alarm.priority);
    let was = alarm.state;
    follow_condition(alarm, now, quiet_until);
    if alarm.state == was && told.2 != alarm.priority && was != AlarmState::Normal {
        out.push((alarm_change(alarm, id, was), String::from(id)));
    }
    let mut report = |alarm: &Alarm, was: AlarmState| {
        if alarm.state != was {
            out.push((alarm_change(alarm, id, was), String::from(id)));
        }
    };
    report(alarm, was);
    let was = alarm.state;
    // By design: put aside while it lasts; what is not up yet is simply not raised.
    if alarm.suppressed && alarm.facts.active {
        alarm.drive(AlarmEvent::Suppress);
    } else if !alarm.suppressed && alarm.state == AlarmState::Suppressed {
        alarm.drive(AlarmEvent::Resume);
    }
    report(alarm, was);
    if alarm.shelved_until.is_some_and(|until| until <= now) {
        alarm.shelved_until = None;
        let was = alarm.state;
        if alarm.state == AlarmState::Shelved && alarm.drive(AlarmEvent::Resume) {
            alarm.text = format!("{} (shelving ended)", alarm.text);
        }
        report(alarm, was);
    }
    told != (alarm.text.clone(), alarm.seconds, alarm.priority)
}

/// The condition has come, worsened or gone, delays included.
fn follow_condition(alarm: &mut Alarm, now: Instant, quiet_until: Instant) {
    let due = alarm.raise_at(quiet_until).is_some_and(|at| at <= now);
    match &alarm.condition {
        Some(condition) if due && !alarm.suppressed => {
            alarm.priority = condition.priority;
            alarm.text.clone_from(&condition.text);
            alarm.seconds = condition.seconds;
            alarm.facts.active = true;
            alarm.raised_at = now;
            alarm.by = None;
            alarm.drive(AlarmEvent::Raise);
        }
        Some(condition) if alarm.facts.active => {
            let rose = condition.priority > alarm.priority;
            alarm.priority = condition.priority;
            alarm.text.clone_from(&condition.text);
            alarm.seconds = condition.seconds;
            if rose {
                alarm.drive(AlarmEvent::Worsen);
            }
        }
        Some(_) => {}
        None if alarm.facts.active => {
            alarm.gone_since.get_or_insert(now);
            if alarm.return_at().is_some_and(|at| at <= now) {
                alarm.gone_since = None;
                alarm.facts.active = false;
                alarm.seconds = None;
                alarm.drive(AlarmEvent::Return);
            }
        }
        None => {}
    }
}

fn alarm_change(alarm: &Alarm, id: &str, was: AlarmState) -> What {
    What::Alarm {
        id: String::from(id),
        kind: alarm.kind,
        subject: alarm.subject.clone(),
        priority: alarm.priority,
        was,
        state: alarm.state,
        text: alarm.text.clone(),
    }
}

const fn refusal(event: AlarmEvent, active: bool) -> &'static str {
    match event {
        AlarmEvent::Acknowledge => "there is nothing to acknowledge",
        AlarmEvent::Reset if active => "its condition lasts; end that first",
        AlarmEvent::Reset => "only a latched alarm is reset",
        AlarmEvent::Shelve => "it is shelved already",
        AlarmEvent::Resume => "it is not put aside",
        _ => "that does not apply to it",
    }
}
