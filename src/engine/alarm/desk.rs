//! The desk: every alarm that is not normal, or waits to be raised.
//!
//! Keyed by `type:subject`, so that order is by id. A condition waits for its on-delay, is held for
//! its off-delay, and then drives the machine of [`super::lifecycle`]. Only what was touched, and
//! what is due, is looked at.

use alloc::collections::{BTreeMap, BTreeSet};
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::announce::Announcements;
use super::kinds::AlarmKind;
use super::lifecycle::{AlarmEvent, AlarmState};
use super::measures::{Measures, STALE_AFTER, Tally};
use super::one::{Alarm, Condition};
use crate::change::What;
use crate::input::Word;
use crate::snapshot::AlarmView;
use crate::time::{Instant, Span};

/// Every alarm that is not normal, or waits.
#[derive(Clone, Debug)]
pub(crate) struct Desk {
    alarms: BTreeMap<String, Alarm>,
    dirty: BTreeSet<String>,
    /// When which alarm has to be looked at again.
    wakes: BTreeSet<(Instant, String)>,
    /// Put aside by design, though nothing is up.
    suppressed: BTreeSet<String>,
    /// Alarms whose text or seconds changed though their state did not.
    retold: BTreeSet<String>,
    announcements: Announcements,
    tally: Tally,
}

pub(crate) fn alarm_id(kind: AlarmKind, subject: &str) -> String {
    format!("{}:{}", kind.word(), subject)
}

impl Desk {
    /// Forgets what is only counted and measured for people.
    #[cfg(feature = "model")]
    pub(crate) fn forget_measures(&mut self) {
        self.announcements = Announcements::default();
        self.tally = Tally::new(Instant::default());
    }

    pub(crate) fn new(start: Instant) -> Self {
        Self {
            alarms: BTreeMap::new(),
            dirty: BTreeSet::new(),
            wakes: BTreeSet::new(),
            suppressed: BTreeSet::new(),
            retold: BTreeSet::new(),
            announcements: Announcements::default(),
            tally: Tally::new(start),
        }
    }

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
        while let Some((at, _)) = self.wakes.first() {
            if *at > now {
                break;
            }
            if let Some((_, id)) = self.wakes.pop_first() {
                if let Some(alarm) = self.alarms.get_mut(&id) {
                    alarm.wake = None;
                }
                ids.insert(id);
            }
        }
        let mut out = Vec::new();
        for id in ids {
            self.settle_one(&id, now, quiet_until, &mut out);
        }
        out
    }

    fn settle_one(
        &mut self,
        id: &str,
        now: Instant,
        quiet_until: Instant,
        out: &mut Vec<(What, String)>,
    ) {
        let Some(alarm) = self.alarms.get_mut(id) else {
            return;
        };
        let told = alarm.view(id);
        let was = alarm.state;
        let mut report = |alarm: &Alarm, was: AlarmState| {
            if alarm.state != was {
                out.push((alarm.change(id, was), String::from(id)));
            }
            alarm.state
        };
        alarm.follow_condition(now, quiet_until);
        let mut state = report(alarm, was);
        alarm.follow_design();
        state = report(alarm, state);
        alarm.follow_shelf(now);
        state = report(alarm, state);
        let rose = alarm.priority > told.priority;
        if was == state && told.priority != alarm.priority && was != AlarmState::Normal {
            out.push((alarm.change(id, was), String::from(id)));
        }
        self.tell(id, was, rose, now);
        if let Some(alarm) = self.alarms.get(id)
            && alarm.view(id) != told
        {
            self.retold.insert(String::from(id));
        }
        self.note_wake(id, now, quiet_until);
    }

    /// Counts and announces what became of an alarm.
    fn tell(&mut self, id: &str, was: AlarmState, rose: bool, now: Instant) {
        let Some(alarm) = self.alarms.get_mut(id) else {
            return;
        };
        if alarm.state != AlarmState::Unacknowledged {
            alarm.quiet = None;
            self.announcements.hush(id);
            return;
        }
        let came = was != AlarmState::Unacknowledged;
        if came && was != AlarmState::Acknowledged {
            self.tally.raised(now, id, alarm.priority);
        }
        if came || rose {
            let flood = self.tally.is_flood();
            self.announcements.news(id, alarm, now, flood);
        } else if alarm.quiet.is_some_and(|(_, until)| until <= now) {
            self.announcements.announce(id, alarm, now);
            self.retold.insert(String::from(id));
        }
    }

    /// Keeps the list of wake-ups; an alarm of which nothing is left goes.
    fn note_wake(&mut self, id: &str, now: Instant, quiet_until: Instant) {
        let Some(alarm) = self.alarms.get_mut(id) else {
            return;
        };
        let wake = alarm.next_look(now, quiet_until);
        if wake != alarm.wake {
            if let Some(old) = alarm.wake {
                self.wakes.remove(&(old, String::from(id)));
            }
            if let Some(new) = wake {
                self.wakes.insert((new, String::from(id)));
            }
            alarm.wake = wake;
        }
        if alarm.is_done() {
            self.alarms.remove(id);
        }
    }

    pub(crate) fn take_retold(&mut self) -> BTreeSet<String> {
        core::mem::take(&mut self.retold)
    }

    /// The ids of alarms that are to be announced, each once.
    pub(crate) fn take_announced(&mut self) -> BTreeSet<String> {
        self.announcements.take()
    }

    pub(crate) fn wake(&self) -> Option<Instant> {
        self.wakes.first().map(|(at, _)| *at)
    }

    /// An operator's action; tells what it did, or why it cannot be. `subject`: what to make where
    /// nothing is up and the action can be done all the same.
    pub(crate) fn act(
        &mut self,
        id: &str,
        event: AlarmEvent,
        word: &Word,
        until: Option<Instant>,
        subject: Option<(AlarmKind, &str, Instant)>,
    ) -> Result<Option<(What, String)>, String> {
        let can_be_made = matches!(event, AlarmEvent::Shelve | AlarmEvent::TakeOut);
        if !self.alarms.contains_key(id)
            && can_be_made
            && let Some((kind, subject, now)) = subject
        {
            self.alarm(kind, subject, now);
        }
        let Some(alarm) = self.alarms.get_mut(id) else {
            return Err(format!("no alarm '{id}' is up: look at the list of alarms"));
        };
        let was = alarm.state;
        if !alarm.drive(event) {
            return Err(format!(
                "'{id}' is {}: {}",
                was.word(),
                refusal(event, was, alarm.facts.active)
            ));
        }
        alarm.shelved_until = until;
        let said = |text: &String| (!text.is_empty()).then(|| text.clone());
        alarm.by = said(&word.who).or(alarm.by.take());
        alarm.reason = said(&word.why);
        if !alarm.is_aside() && alarm.state == AlarmState::Unacknowledged {
            // Back in use: whoever put it aside no longer has it.
            alarm.by = None;
        }
        let what = alarm.change(id, was);
        self.dirty.insert(String::from(id));
        if alarm.state == AlarmState::Unacknowledged
            && let Some((_, _, now)) = subject
        {
            self.tell(id, was, false, now);
        }
        Ok(Some((what, String::from(id))))
    }

    pub(crate) fn put(&mut self, kind: AlarmKind, subject: &str, put: Put, now: Instant) {
        let alarm = self.alarm(kind, subject, now);
        alarm.facts.active = put.active;
        alarm.drive(AlarmEvent::Put(put.state));
        alarm.text = put.text;
        alarm.by = put.by;
        alarm.reason = put.reason;
        if put.state == AlarmState::Shelved {
            // Time spent down does not count; where nobody remembers, it ends now.
            alarm.shelved_until = Some(now.plus(put.shelved_for.unwrap_or_default()));
        }
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
        (alarm.state != AlarmState::Normal).then(|| alarm.view(id))
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

    /// Goes on with the tally of another desk.
    pub(crate) fn keep_measures(&mut self, before: &mut Self) {
        core::mem::swap(&mut self.tally, &mut before.tally);
    }

    /// How much the alarms ask of the operator.
    pub(crate) fn measures(&self, now: Instant) -> Measures {
        let mut measures = self.tally.measures(now);
        for (id, alarm) in &self.alarms {
            measures.standing += usize::from(alarm.stands());
            measures.shelved += usize::from(alarm.state == AlarmState::Shelved);
            if alarm.facts.active && now.since(alarm.raised_at) > STALE_AFTER {
                measures.stale.push(id.clone());
            }
        }
        measures
    }
}

/// What a memory says about an alarm.
#[derive(Clone, Debug)]
pub(crate) struct Put {
    pub(crate) state: AlarmState,
    pub(crate) active: bool,
    pub(crate) text: String,
    pub(crate) by: Option<String>,
    pub(crate) reason: Option<String>,
    /// How long the shelving still lasts.
    pub(crate) shelved_for: Option<Span>,
}

const fn refusal(event: AlarmEvent, was: AlarmState, active: bool) -> &'static str {
    match event {
        AlarmEvent::Acknowledge => "there is nothing to acknowledge",
        AlarmEvent::Reset if active => "its condition lasts; end that first",
        AlarmEvent::Reset => "only a latched alarm is reset",
        AlarmEvent::Shelve => match was {
            AlarmState::Shelved => "it is shelved already",
            AlarmState::Suppressed => "its cause has an alarm of its own; shelve that one",
            _ => "put it back in service first",
        },
        AlarmEvent::TakeOut => "it is out of service already",
        AlarmEvent::Unshelve => "it is not shelved",
        AlarmEvent::PutBack => "it is not out of service",
        _ => "that does not apply to it",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::kinds::Priority;
    use crate::snapshot::Quiet;

    fn at(seconds: u64) -> Instant {
        Instant(seconds * 1_000_000)
    }

    fn condition(since: Instant, text: &str) -> Condition {
        Condition {
            since,
            delay: Span::ZERO,
            priority: Priority::Medium,
            text: String::from(text),
            seconds: None,
        }
    }

    const KIND: AlarmKind = AlarmKind::OccupiedAhead;

    fn raise(desk: &mut Desk, second: u64, text: &str) -> Vec<String> {
        desk.raise(KIND, "t1", condition(at(second), text));
        desk.settle(at(second), at(0));
        desk.take_announced().into_iter().collect()
    }

    fn clear(desk: &mut Desk, second: u64) {
        desk.clear(KIND, "t1");
        desk.settle(at(second), at(0));
    }

    const ID: &str = "occupied-ahead:t1";

    /// Its re-alarm limit is 30 s.
    #[test]
    fn the_same_sentence_is_not_announced_again_at_once() {
        let mut desk = Desk::new(at(0));
        assert_eq!(raise(&mut desk, 10, "A"), [ID]);
        clear(&mut desk, 12);
        assert!(raise(&mut desk, 14, "A").is_empty());
        let quiet = desk.view(ID).and_then(|view| view.quiet);
        assert_eq!(
            quiet,
            Some(Quiet::Again),
            "it is shown, and says why it is quiet"
        );
        // It lasts: when the limit has passed it is announced.
        assert_eq!(desk.wake(), Some(at(40)));
        desk.settle(at(40), at(0));
        assert_eq!(desk.take_announced().into_iter().collect::<Vec<_>>(), [ID]);
        assert_eq!(desk.view(ID).and_then(|view| view.quiet), None);
    }

    #[test]
    fn another_sentence_waits_too_unless_it_is_of_high_priority() {
        let mut desk = Desk::new(at(0));
        assert_eq!(raise(&mut desk, 10, "A"), [ID]);
        clear(&mut desk, 12);
        assert!(raise(&mut desk, 14, "B").is_empty());
        for (second, text, announced) in [(10, "A", 1), (14, "B", 1), (16, "B", 0)] {
            let mut high = condition(at(second), text);
            high.priority = Priority::High;
            desk.raise(AlarmKind::Opposing, "t1", high);
            desk.settle(at(second), at(0));
            assert_eq!(desk.take_announced().len(), announced, "{second} {text}");
            desk.clear(AlarmKind::Opposing, "t1");
            desk.settle(at(second), at(0));
        }
    }

    /// A disk that limps keeps up for a moment and falls behind again: that is one alarm, not many.
    #[test]
    fn a_condition_that_comes_and_goes_within_the_off_delay_is_one_alarm() {
        const DISK: AlarmKind = AlarmKind::JournalBehind;
        let off = Span::from_millis(u64::from(DISK.doc().off_delay_ms));
        assert!(off >= Span::from_millis(1_000), "longer than a write takes");
        let nearly = Span(off.0 - 1_000);
        let states = |told: Vec<(What, String)>| -> Vec<AlarmState> {
            told.into_iter()
                .filter_map(|(what, _)| match what {
                    What::Alarm { state, .. } => Some(state),
                    _ => None,
                })
                .collect()
        };
        let mut desk = Desk::new(at(0));
        let mut now = at(10);
        desk.raise(DISK, "journal", condition(now, "A"));
        assert_eq!(
            states(desk.settle(now, at(0))),
            [AlarmState::Unacknowledged]
        );
        // Gone for all but a millisecond of the off-delay, ten times: nothing is told.
        for _ in 0..10 {
            desk.clear(DISK, "journal");
            assert!(desk.settle(now, at(0)).is_empty());
            assert_eq!(desk.wake(), Some(now.plus(off)), "it looks again by itself");
            now = now.plus(nearly);
            assert!(desk.settle(now, at(0)).is_empty());
            desk.raise(DISK, "journal", condition(now, "A"));
            assert!(desk.settle(now, at(0)).is_empty());
            now = now.plus(off).plus(off);
            assert!(desk.settle(now, at(0)).is_empty(), "it lasts");
        }
        // Gone for good: it returns at the end of the off-delay and not before.
        desk.clear(DISK, "journal");
        assert!(desk.settle(now, at(0)).is_empty());
        assert!(desk.settle(now.plus(nearly), at(0)).is_empty());
        assert_eq!(
            states(desk.settle(now.plus(off), at(0))),
            [AlarmState::ReturnedUnacknowledged]
        );
    }

    #[test]
    fn what_is_over_is_not_announced() {
        let mut desk = Desk::new(at(0));
        desk.raise(KIND, "t1", condition(at(50), "A"));
        desk.settle(at(50), at(0));
        clear(&mut desk, 51);
        assert!(desk.take_announced().is_empty());
    }

    #[test]
    fn a_rise_of_priority_is_announced() {
        let mut desk = Desk::new(at(0));
        assert_eq!(raise(&mut desk, 10, "A"), [ID]);
        let mut worse = condition(at(11), "A");
        worse.priority = Priority::High;
        desk.raise(KIND, "t1", worse);
        desk.settle(at(11), at(0));
        assert_eq!(desk.take_announced().len(), 1);
    }

    #[test]
    fn in_a_flood_what_is_low_is_shown_and_not_announced() {
        let mut desk = Desk::new(at(0));
        for n in 0..11 {
            desk.raise(KIND, &format!("t{n}"), condition(at(10), "A"));
        }
        desk.settle(at(10), at(0));
        assert_eq!(desk.take_announced().len(), 11, "medium ones are");
        let mut low = condition(at(11), "low");
        low.priority = Priority::Low;
        desk.raise(AlarmKind::NotAtRest, "tt", low);
        desk.settle(at(11), at(0));
        assert!(desk.take_announced().is_empty());
        let view = desk.view("not-at-rest:tt").expect("it is shown");
        assert_eq!(view.quiet, Some(Quiet::Flood));
        assert!(desk.measures(at(11)).flood);
    }

    #[test]
    fn stale_is_what_lasts_longer_than_a_day() {
        let mut desk = Desk::new(at(0));
        raise(&mut desk, 10, "A");
        assert!(desk.measures(at(10 + 86_400)).stale.is_empty());
        assert_eq!(desk.measures(at(11 + 86_400)).stale, [ID]);
    }

    /// 10 000 alarms within a minute: each comes once, goes once, and leaves nothing behind.
    #[test]
    fn ten_thousand_within_a_minute_leave_nothing_behind() {
        let mut desk = Desk::new(at(0));
        let word = Word::default();
        let (mut came, mut went) = (0, 0);
        for n in 0..10_000_u64 {
            let now = Instant(n * 6_000);
            let subject = format!("t{n}");
            desk.raise(KIND, &subject, condition(now, "A"));
            came += desk.settle(now, at(0)).len();
            desk.clear(KIND, &subject);
            went += desk.settle(now, at(0)).len();
            let id = alarm_id(KIND, &subject);
            let done = desk.act(&id, AlarmEvent::Acknowledge, &word, None, None);
            assert!(done.is_ok(), "{done:?}");
            desk.settle(now, at(0));
            desk.take_announced();
            desk.take_retold();
        }
        assert_eq!((came, went), (10_000, 10_000));
        assert!(desk.alarms.is_empty() && desk.wakes.is_empty() && desk.dirty.is_empty());
        // What is remembered is of the last ten minutes, which here is everything, and then goes.
        assert_eq!(desk.announcements.remembered(), 10_000);
        desk.raise(KIND, "t1", condition(at(700), "A"));
        for n in 0..20_000 {
            desk.raise(KIND, &format!("u{n}"), condition(at(700 + n / 10), "A"));
            desk.settle(at(700 + n / 10), at(0));
        }
        assert!(desk.announcements.remembered() <= 2 * 6_100 + 10_000);
        assert_eq!(desk.measures(at(60)).raised[1], 30_001);
    }

    #[test]
    fn what_was_announced_is_announced_anew_when_its_time_is_up() {
        let limit = u64::from(KIND.doc().re_alarm_limit_s);
        for (after, announced) in [(limit - 1, 0), (limit, 1)] {
            let mut desk = Desk::new(at(0));
            assert_eq!(raise(&mut desk, 10, "A").len(), 1);
            clear(&mut desk, 11);
            assert_eq!(raise(&mut desk, 10 + after, "A").len(), announced);
        }
    }

    #[test]
    fn what_was_announced_is_tidied_when_there_is_twice_as_much() {
        let mut desk = Desk::new(at(0));
        let mut raise = |second: u64, from: u32, to: u32| {
            for n in from..to {
                desk.raise(KIND, &format!("t{n}"), condition(at(second), "A"));
                desk.settle(at(second), at(0));
            }
            desk.announcements.remembered()
        };
        assert_eq!(raise(10, 0, 1_025), 1_025);
        // All of those are forgotten when the next look comes, at twice 1 024.
        assert_eq!(raise(2_000, 1_025, 2_048), 2_048);
        assert_eq!(raise(2_000, 2_048, 2_049), 1_024);
    }

    /// Told again before it is up, the earlier beginning counts; once it is up, that stays.
    #[test]
    fn a_condition_that_is_told_again_keeps_its_beginning() {
        let mut desk = Desk::new(at(0));
        let mut first = condition(at(10), "A");
        first.delay = Span::from_secs(5);
        desk.raise(KIND, "t1", first.clone());
        desk.settle(at(10), at(0));
        // Not up yet: the earlier of two beginnings counts.
        first.since = at(8);
        desk.raise(KIND, "t1", first.clone());
        assert!(desk.settle(at(12), at(0)).is_empty());
        assert_eq!(desk.settle(at(13), at(0)).len(), 1);
        // Up: its beginning stays.
        first.since = at(1);
        desk.raise(KIND, "t1", first);
        assert_eq!(desk.view(ID).map(|view| view.since), Some(at(13)));
    }
}
