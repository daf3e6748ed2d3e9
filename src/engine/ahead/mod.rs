//! Looking ahead: the first thing that stops each train, and how soon (DEVELOPERS.md, section 5;
//! T9, T10).
//!
//! Input: trains with a known direction that have not stopped, the road as set, places, points.
//! Output: warnings that keep one identity while they last. [`stale`] knows whose road may have
//! changed, [`walk`] walks one, [`pace`] says how soon, [`others`] whether the trains ahead will be
//! gone by then, and here is what becomes of it.

mod others;
mod pace;
mod stale;
mod walk;

pub(crate) use stale::Lookouts;
pub(crate) use walk::Stop;

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::{AlarmKind, Priority};
use crate::change::Item;
use crate::ids::{TrainId, TurnoutId};
use crate::time::{Instant, Span};
use crate::train::Train;
use crate::train::measure::scale_kmh;
use crate::wording;
use stale::Trace;

/// In yards and on the road into them a warning comes only this late.
const YARD_SECONDS: f64 = 3.0;

/// A train that runs on ahead is warned of only this late, it will have gone by then: eight seconds
/// and one look before there is left only the way in which a careful driver stops.
const RUNNING_SECONDS: f64 = 8.4;
/// That way, mm (common practice, no source).
const STOPPING_MM: f64 = 250.0;
/// The same of a train whose speed is not known.
const RUNNING_SECONDS_UNKNOWN: f64 = 10.0;

/// A train that has gone through so much of its place is about to leave it, or to stop before.
const NEARLY: f64 = 0.8;

/// What is so far beyond the end of a train's place can wait until the train has left it, seconds.
const ENOUGH_SECONDS: f64 = 9.0;

/// While a warning is up, its seconds are told anew this often.
const RETELL: Span = Span::from_secs(1);

/// How often what one train finds may send others to look again, at one moment.
const ROUNDS_MAX: usize = 3;

/// Type and subject.
type Key = (AlarmKind, String);

/// A warning that is up.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Warning {
    /// What it warns of: another thing further on must be soon in its own right.
    at: String,
    priority: Priority,
    seconds: Option<(f64, f64)>,
    text: String,
}

/// All warnings: what each train has, and what is up.
#[derive(Clone, Debug, Default)]
pub(crate) struct Warnings {
    /// By subject: every train that has something to say about it.
    said: BTreeMap<Key, BTreeMap<TrainId, Warning>>,
    up: BTreeMap<Key, Warning>,
    /// How many trains are bound for each turnout.
    bound: BTreeMap<TurnoutId, u32>,
}

impl Warnings {
    /// A train is to reach these points within the look-ahead time (T8).
    pub(crate) fn is_bound_for(&self, turnout: TurnoutId) -> bool {
        self.bound.contains_key(&turnout)
    }

    /// The most urgent of those that speak of one thing; of equals the older train's.
    fn best(&self, key: &Key) -> Option<&Warning> {
        let mut best: Option<&Warning> = None;
        for warning in self.said.get(key)?.values() {
            if best.is_none_or(|up| sooner(warning, up)) {
                best = Some(warning);
            }
        }
        best
    }
}

/// What was found ahead of one train.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outlook {
    trace: Trace,
    warned: Option<Key>,
}

impl Engine {
    /// The road-ahead stage: every train whose road may have changed, then those that follow one
    /// which is now held up, or no longer.
    pub(crate) fn stage_ahead(&mut self) {
        for _ in 0..ROUNDS_MAX {
            if self.lookouts.is_clear() {
                return;
            }
            self.walk_stale();
        }
    }

    fn walk_stale(&mut self) {
        let stale = self.lookouts.take(self.trains.keys().copied());
        let mut keys: BTreeSet<Key> = BTreeSet::new();
        let mut bound: Vec<TurnoutId> = Vec::new();
        let walked: Vec<_> = stale.into_iter().map(|id| self.walk_again(id)).collect();
        for (id, stop, outlook, warning) in walked {
            self.take_outlook(id, outlook, warning, &mut keys, &mut bound);
            self.note_ahead(id, stop);
        }
        for key in keys {
            self.tell_warning(key);
        }
        if !bound.is_empty() {
            for (index, crossover) in self.layout.crossovers.iter().enumerate() {
                if crossover.turnouts.iter().any(|t| bound.contains(t)) {
                    self.dirty.crossovers.mark(index);
                }
            }
            self.stage_crossovers();
        }
    }

    fn walk_again(&self, id: TrainId) -> (TrainId, Option<Stop>, Outlook, Option<Warning>) {
        let mut outlook = Outlook::default();
        let Some(train) = self.trains.get(&id) else {
            return (id, None, outlook, None);
        };
        let stop = self.look(train, &mut outlook.trace);
        let warned = stop.as_ref().and_then(|stop| self.warning(train, stop));
        let (key, warning) = warned.unzip();
        outlook.warned = key;
        (id, stop, outlook, warning)
    }

    /// Puts what was found in place of what was known; notes the subjects and points concerned.
    fn take_outlook(
        &mut self,
        id: TrainId,
        outlook: Outlook,
        warning: Option<Warning>,
        keys: &mut BTreeSet<Key>,
        bound: &mut Vec<TurnoutId>,
    ) {
        let was = self.outlooks.remove(&id).unwrap_or_default();
        self.lookouts.replace(id, &was.trace, &outlook.trace);
        if was.trace.bound != outlook.trace.bound {
            for turnout in &was.trace.bound {
                if let Some(count) = self.warnings.bound.get_mut(turnout) {
                    *count -= 1;
                    if *count == 0 {
                        self.warnings.bound.remove(turnout);
                    }
                }
            }
            for turnout in &outlook.trace.bound {
                *self.warnings.bound.entry(*turnout).or_default() += 1;
            }
            bound.extend(&was.trace.bound);
            bound.extend(&outlook.trace.bound);
        }
        if let Some(key) = was.warned {
            if let Some(said) = self.warnings.said.get_mut(&key) {
                said.remove(&id);
                if said.is_empty() {
                    self.warnings.said.remove(&key);
                }
            }
            keys.insert(key);
        }
        if let (Some(key), Some(warning)) = (&outlook.warned, warning) {
            let said = self.warnings.said.entry(key.clone()).or_default();
            said.insert(id, warning);
            keys.insert(key.clone());
        }
        if self.trains.contains_key(&id) {
            self.outlooks.insert(id, outlook);
        }
    }

    /// When a train must be looked at again, if nothing happens before.
    fn ahead_wake(&self, id: TrainId, train: &Train, stop: Option<&Stop>) -> Option<Instant> {
        if train.stopped || !train.directed {
            return None;
        }
        let outlook = self.outlooks.get(&id)?;
        let look_ahead = self.layout.settings.look_ahead;
        let at = match stop {
            // Nothing in sight: by the time that it comes into sight the walk has been made again.
            None => Some(self.now.plus(look_ahead)),
            Some(_) if outlook.warned.is_some() => Some(self.now.plus(RETELL)),
            Some(stop) => stop.seconds.and_then(|(soonest, _)| {
                let wait = soonest - self.limit_of(train, stop);
                // A step later, so that the time left is then surely under the limit.
                (wait >= 0.0).then(|| self.now.past(Span::from_secs_f64(wait)))
            }),
        };
        let sooner = outlook
            .trace
            .sooner_than
            .map(|seconds| self.now.past(Span::from_secs_f64(seconds.max(0.0))));
        [at, sooner].into_iter().flatten().min()
    }

    fn note_ahead(&mut self, id: TrainId, stop: Option<Stop>) {
        let Some(train) = self.trains.get(&id) else {
            return;
        };
        let wake = self.ahead_wake(id, train, stop.as_ref());
        if let Some(train) = self.trains.get_mut(&id) {
            let same = match (&train.ahead, &stop) {
                (Some(old), Some(new)) => old.kind == new.kind && old.at == new.at,
                (None, None) => true,
                _ => false,
            };
            let held_up = train.ahead.is_some() != stop.is_some();
            train.ahead = stop;
            train.ahead_wake = wake;
            if !same {
                self.touched.insert(Item::Train(id));
            }
            if held_up {
                self.ahead_of_followers(id);
            }
            self.plan_train_wake(id);
        }
    }

    fn tell_warning(&mut self, key: Key) {
        let best = self.warnings.best(&key).cloned();
        match best {
            None => {
                if self.warnings.up.remove(&key).is_some() {
                    self.clear(key.0, &key.1);
                }
            }
            Some(warning) => {
                if self.warnings.up.get(&key) != Some(&warning) {
                    let Warning {
                        priority,
                        seconds,
                        text,
                        ..
                    } = warning.clone();
                    self.warn(key.0, &key.1, priority, seconds, text);
                    self.warnings.up.insert(key, warning);
                }
            }
        }
    }

    /// A warning comes when the time left falls under this, seconds.
    fn limit_of(&self, train: &Train, stop: &Stop) -> f64 {
        let look_ahead = self.layout.settings.look_ahead.as_secs_f64();
        if stop.in_yard {
            YARD_SECONDS
        } else if stop.runs_on {
            let speed = train.measure.speed_mm_s;
            let limit = speed.map_or(RUNNING_SECONDS_UNKNOWN, |speed| {
                RUNNING_SECONDS + STOPPING_MM / speed
            });
            limit.min(look_ahead)
        } else {
            look_ahead
        }
    }

    /// Whether and how a train is warned of what stops it.
    fn warning(&self, train: &Train, stop: &Stop) -> Option<(Key, Warning)> {
        let key = (stop.kind, stop.subject.clone());
        let up = self.warnings.up.get(&key);
        let lasts = up.is_some_and(|up| up.at == stop.at);
        let limit = self.limit_of(train, stop);
        let by_rule = matches!(
            stop.kind,
            AlarmKind::BoundForDiverging | AlarmKind::SetAgainst
        );
        // It should be there by now: it has stopped for what it sees, or goes slower than it did.
        let overdue = self.overstays(train.id) || self.can_wait(train, stop);
        // What all have left begins no warning; one that is up lasts until it is free.
        let waits = !lasts && (overdue || stop.released);
        let soon = match stop.seconds {
            Some((soonest, _)) => {
                (soonest < limit && !waits) || lasts || (by_rule && stop.next_door)
            }
            None => stop.next_door || lasts,
        };
        let mut priority = stop.kind.doc().priority;
        if stop.in_yard {
            let fast = train.measure.speed_mm_s.is_some_and(|speed| {
                scale_kmh(speed, self.layout.scale_ratio) > self.layout.settings.yard_speed_kmh
            });
            let late = stop
                .seconds
                .is_some_and(|(soonest, _)| soonest < YARD_SECONDS);
            if !(fast && late) {
                return None;
            }
            priority = Priority::Low;
        }
        soon.then(|| {
            let text = wording::ahead(stop.kind, &self.train_label(train.id), &stop.label);
            let warning = Warning {
                at: stop.at.clone(),
                priority,
                seconds: stop.seconds,
                text,
            };
            (key, warning)
        })
    }

    /// Trains stop at the end of a place, and nothing tells that one brakes. About to leave its
    /// own, it is warned of what stands further on when it has: time enough is left then. Not so
    /// with points (T9, T10), the end of the road and what comes towards it.
    fn can_wait(&self, train: &Train, stop: &Stop) -> bool {
        use AlarmKind::{DarkAhead, FouledAhead, OccupiedAhead};
        if !matches!(stop.kind, OccupiedAhead | FouledAhead | DarkAhead) {
            return false;
        }
        let Some(head) = train.head() else {
            return false;
        };
        let through = self
            .length_of(head.place)
            .and_then(|length| train.measure.seconds_over(length));
        let after = stop.rest.and_then(|rest| train.measure.seconds_over(rest));
        let gone = self.inside_s(train);
        match (through, after) {
            (Some((soonest, latest)), Some((left, _))) => {
                let about_to_leave = gone >= NEARLY * f64::midpoint(soonest, latest);
                about_to_leave && left >= ENOUGH_SECONDS && !stop.next_door
            }
            _ => false,
        }
    }
}

fn sooner(one: &Warning, other: &Warning) -> bool {
    let seconds = |w: &Warning| w.seconds.map_or(f64::MAX, |(soonest, _)| soonest);
    (one.priority, -seconds(one)) > (other.priority, -seconds(other))
}
