//! What changed goes out: MQTT first, then the stream, then the counters (the order of section 7 in
//! DEVELOPERS.md).
//!
//! Input: the engine after each batch of inputs. Output: a record on `P/state/KIND/ID` or
//! `P/alarm/ID` for each item that the engine touched, empty when it is gone; the same record in
//! the stream; one sentence at a time on `P/say`. Line-up, the broker and readings are slower: see
//! [`Outlet::sweep`]. To peers our side of the borders, when it changes and every two seconds. It
//! decides nothing about the layout.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::acts::{self, Act};
use super::clock::{minute_of_day, wall_now_us};
use super::hub::{Hub, LayoutNames};
use super::mqtt::publisher::Publisher;
use super::notify::notice::{Event, Notice};
use super::reading::is_noticeable;
use super::say::Say;
use super::scribe::Scribe;
use super::show::{self, Kind};
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::change::{Change, Item, What};
use crate::engine::ids::DetectorId;
use crate::engine::input::Input;
use crate::engine::layout::Layout;
use crate::engine::snapshot::AlarmView;
use crate::engine::time::{Instant, Span};
use crate::engine::{Engine, View};
use crate::wire::borders_json;
use crate::wire::stamp::Label;
use crate::wire::state_json;

/// The least time between two looks at line-up, which looks at the whole layout.
const LINE_UP_EVERY: Span = Span::from_millis(250);
/// Our word to the peers is said again so often: who does not hear it does not rely on us.
const WORD_EVERY: Span = Span::from_secs(2);

/// Everything that leaves the engine's task.
#[derive(Debug)]
pub(super) struct Outlet {
    publisher: Publisher,
    hub: Arc<Hub>,
    names: Arc<LayoutNames>,
    /// Retained topics that hold a record of ours.
    held: BTreeSet<Arc<str>>,
    /// The reading that is shown, by detector.
    shown: Vec<Option<f64>>,
    /// Whether it was read since the last sweep, by detector: each message marks one.
    read: Vec<bool>,
    say: Say,
    /// When to look at line-up; `None`: nothing has changed since.
    line_up_due: Option<Instant>,
    line_up: String,
    broker: String,
    /// Nodes are waited for, or it is not known whether they are.
    waiting: bool,
    /// Whether anybody would hear a warning, as the engine was told.
    heard: Option<bool>,
    /// Numbers the notices and the operator's actions of this run.
    news: u64,
    /// The run, among all of this layout.
    run: String,
    /// How often the engine began in it.
    begun: u32,
    /// The last word to our peers, and when it is to be said again; `None`: at the next turn.
    word: String,
    word_due: Option<Instant>,
    /// Who writes down what goes out, where there is a journal.
    pub(super) scribe: Option<Scribe>,
}

/// A record on its way: event name, id, data of the event.
type Record = (&'static str, Arc<str>, Arc<str>);

impl Outlet {
    pub(super) fn new(
        publisher: Publisher,
        hub: Arc<Hub>,
        names: Arc<LayoutNames>,
        scribe: Option<Scribe>,
    ) -> Self {
        Self {
            publisher,
            hub,
            shown: vec![None; names.plan.layout.detectors.len()],
            read: vec![false; names.plan.layout.detectors.len()],
            names,
            held: BTreeSet::new(),
            say: Say::default(),
            line_up_due: Some(Instant::default()),
            line_up: String::new(),
            broker: String::new(),
            waiting: true,
            heard: None,
            news: 0,
            run: format!("{:x}", wall_now_us()),
            begun: 0,
            word: String::new(),
            word_due: None,
            scribe,
        }
    }

    /// The engine begins: what it says to peers is numbered anew.
    pub(super) fn begin(&mut self, engine: &mut Engine) {
        self.begun += 1;
        engine.begin_run(&format!("{}-{}", self.run, self.begun));
    }

    /// The plan was changed: topics of items that it does not have any more are cleared, all others
    /// are published as they are now.
    pub(super) fn rename(&mut self, engine: &mut Engine, names: Arc<LayoutNames>) {
        self.shown = vec![None; names.plan.layout.detectors.len()];
        self.read = vec![false; names.plan.layout.detectors.len()];
        self.heard = None;
        self.hub.notifiers().renew(&names.plan.notify);
        self.names = names;
        let old = std::mem::take(&mut self.held);
        self.everything(engine);
        for topic in old.difference(&self.held) {
            self.publisher.clear(topic);
        }
    }

    /// Publishes every record, and sends every reader a new snapshot.
    pub(super) fn everything(&mut self, engine: &mut Engine) {
        let layout = engine.layout();
        let mut items: BTreeSet<Item> = show::fixed_items(layout).into_iter().collect();
        let snapshot = engine.snapshot();
        let broker = show::broker(&snapshot);
        let trains = snapshot
            .trains
            .iter()
            .filter_map(|train| engine.train_by_name(&train.id));
        items.extend(trains.map(Item::Train));
        items.extend(
            snapshot
                .alarms
                .into_iter()
                .map(|alarm| Item::Alarm(alarm.id)),
        );
        // What the engine has touched meanwhile is among them.
        items.extend(engine.touched());
        for item in items {
            // Readers get it with the snapshot.
            let _ = self.publish(engine, &item);
        }
        if let Some(scribe) = &mut self.scribe {
            scribe.record("broker", "broker", Some(broker));
            scribe.is_whole(self.names.json.clone());
            scribe.flush(engine);
        }
        self.hub.stream.restart();
        self.line_up_due = Some(engine.now());
        self.waiting = true;
    }

    /// A detector was read.
    pub(super) fn read(&mut self, detector: DetectorId) {
        if let Some(read) = self.read.get_mut(detector.index()) {
            *read = true;
        }
    }

    /// The broker came or went.
    pub(super) fn broker_changed(&mut self) {
        self.waiting = true;
        self.word_due = None;
    }

    /// A retained record that the broker still holds: if it is none of ours, an earlier run has
    /// left it, and it is cleared.
    pub(super) fn found(&self, topic: &str) {
        if !self.held.contains(topic) {
            self.publisher.clear(topic);
        }
    }

    /// Publishes what the engine has touched, and writes it down.
    pub(super) fn flush(&mut self, engine: &mut Engine) {
        let changes = self.publish_all(engine);
        self.write_down(engine, &changes);
    }

    /// Publishes what the engine has touched, and counts its changes: what is to be written down
    /// when everybody has heard it.
    #[must_use]
    pub(super) fn publish_all(&mut self, engine: &mut Engine) -> Vec<Change> {
        let touched = engine.touched();
        if !touched.is_empty() {
            let records: Vec<Record> = touched
                .iter()
                .filter_map(|item| self.publish(engine, item))
                .collect();
            self.hub.stream.append(records);
            self.line_up_due
                .get_or_insert(engine.now().plus(LINE_UP_EVERY));
        }
        let changes = engine.drain();
        if !changes.is_empty() {
            self.hub.metrics.changes(&changes, engine.layout());
            self.settle(&changes);
            log(&changes, engine.layout());
        }
        self.speak_to_peers(engine);
        self.announce(engine);
        self.speak(engine);
        changes
    }

    /// What was published is told to the journal; everything, where it has missed something.
    pub(super) fn write_down(&mut self, engine: &mut Engine, changes: &[Change]) {
        let Some(scribe) = &mut self.scribe else {
            return;
        };
        scribe.changes(changes, engine);
        if scribe.missed() {
            self.everything(engine);
        } else {
            scribe.flush(engine);
        }
    }

    /// Tells the engine whether anybody would hear a warning, where that has changed.
    pub(super) fn listen(&mut self, engine: &mut Engine) {
        let heard = self.hub.would_be_heard();
        if self.heard != Some(heard) {
            self.heard = Some(heard);
            let now = engine.now();
            engine.handle(now, Input::Heard(heard));
            self.line_up_due = Some(now);
        }
    }

    /// What an operator did, carried out or refused.
    pub(super) fn operator(&mut self, act: &Act) {
        act.log();
        self.news += 1;
        let id = format!("{}-{}", self.run, self.news);
        let json = act.json(self.hub.clock.label());
        self.hub.stream.append([record(acts::KIND, &id, &json)]);
    }

    /// What need not be shown at once: line-up after changes; with `second`, which comes once a
    /// second, also the broker and readings.
    pub(super) fn sweep(&mut self, engine: &Engine, second: bool) {
        self.speak_to_peers(engine);
        let mut records = Vec::new();
        if self.line_up_due.is_some_and(|due| due <= engine.now()) {
            self.line_up_due = None;
            let line_up = state_json::line_up_json(&engine.line_up());
            if line_up != self.line_up {
                records.push(record("line-up", "line-up", &line_up));
                self.line_up = line_up;
            }
        }
        if second {
            records.extend(self.readings(engine));
            let broker = self.broker(engine);
            if let (Some(_), Some(scribe)) = (&broker, &mut self.scribe) {
                scribe.record("broker", "broker", Some(self.broker.clone()));
                scribe.flush(engine);
            }
            records.extend(broker);
        }
        if !records.is_empty() {
            self.hub.stream.append(records);
        }
    }

    /// When something waits to go out.
    pub(super) fn due(&self) -> Option<Instant> {
        [self.line_up_due, self.say.due(), self.word_due]
            .into_iter()
            .flatten()
            .min()
    }

    /// Publishes one record; the same for the stream.
    fn publish(&mut self, engine: &Engine, item: &Item) -> Option<Record> {
        let (kind, id) = show::name(engine, item)?;
        let topic = self.topic(kind, &id);
        let Some(view) = engine.view(item) else {
            if self.held.remove(&*topic) {
                self.publisher.clear(&topic);
            }
            if let Some(scribe) = &mut self.scribe {
                scribe.record(kind.word(), &id, None);
            }
            return Some(record(kind.word(), &id, "null"));
        };
        if let Some(scribe) = &mut self.scribe {
            let record = state_json::view_json(&view, &self.names.plan.layout, Label::Seconds);
            scribe.record(kind.word(), &id, Some(record));
        }
        if let (Item::Detector(detector), View::Detector(view)) = (item, &view)
            && let Some(shown) = self.shown.get_mut(detector.index())
        {
            *shown = view.reading;
        }
        let mut json = show::view(&view, &self.names.plan.layout, &self.hub.clock);
        let record = record(kind.word(), &id, &json);
        // It is kept until the item changes again.
        json.shrink_to_fit();
        self.held.extend(self.publisher.set(&topic, json));
        Some(record)
    }

    fn topic(&self, kind: Kind, id: &str) -> String {
        let prefix = &self.names.plan.topic_prefix;
        match kind {
            Kind::Alarms => format!("{prefix}/alarm/{id}"),
            _ => format!("{prefix}/state/{}/{id}", kind.word()),
        }
    }

    fn readings(&mut self, engine: &Engine) -> Vec<Record> {
        let mut records = Vec::new();
        for index in 0..self.read.len() {
            if !self.read.get_mut(index).is_some_and(std::mem::take) {
                continue;
            }
            let detector = DetectorId(index as u32);
            let item = Item::Detector(detector);
            let Some(View::Detector(view)) = engine.view(&item) else {
                continue;
            };
            let Some(plan) = engine.layout().detectors.get(detector.index()) else {
                continue;
            };
            let shown = self.shown.get(detector.index()).copied().flatten();
            if is_noticeable(&plan.decide, shown, view.reading) {
                records.extend(self.publish(engine, &item));
            }
        }
        records
    }

    /// The broker's state is part of the snapshot; it is looked up while it can change.
    fn broker(&mut self, engine: &Engine) -> Option<Record> {
        if !self.waiting {
            return None;
        }
        let snapshot = engine.snapshot();
        // The engine takes its time before it calls a broker lost (`broker-lost`).
        let settled = snapshot.broker == self.hub.broker_connected();
        self.waiting = snapshot.waiting.is_some() || !settled;
        let broker = show::broker(&snapshot);
        if broker == self.broker {
            return None;
        }
        let record = record("broker", "broker", &broker);
        self.broker = broker;
        Some(record)
    }

    /// Speaks and sends what the engine announces.
    fn announce(&mut self, engine: &mut Engine) {
        for id in engine.announced() {
            let Some(View::Alarm(alarm)) = engine.view(&Item::Alarm(id)) else {
                continue;
            };
            self.say.raised(&alarm.id, alarm.priority, &alarm.text);
            self.tell(Event::Raised, alarm);
        }
    }

    /// Tells the ways out what became of alarms that they may have told of.
    fn settle(&mut self, changes: &[Change]) {
        if self.hub.notifiers().is_empty() {
            return;
        }
        for change in changes {
            let What::Alarm {
                id,
                kind,
                subject,
                priority,
                was,
                state,
                text,
            } = &change.what
            else {
                continue;
            };
            let event = match state {
                _ if state == was => continue,
                AlarmState::Unacknowledged => continue,
                AlarmState::Acknowledged => Event::Acknowledged,
                _ => Event::Over,
            };
            let alarm = AlarmView {
                id: id.clone(),
                kind: *kind,
                subject: subject.clone(),
                priority: *priority,
                state: *state,
                active: event == Event::Acknowledged,
                since: change.at,
                text: text.clone(),
                to_do: kind.doc().to_do,
                seconds: None,
                by: None,
                reason: None,
                until: None,
                quiet: None,
            };
            self.tell(event, alarm);
        }
    }

    fn tell(&mut self, event: Event, alarm: AlarmView) {
        let notifiers = self.hub.notifiers();
        if notifiers.is_empty() {
            return;
        }
        self.news += 1;
        let notice = Notice {
            number: format!("{}-{}", self.run, self.news),
            event,
            at_us: wall_now_us(),
            since_us: self.hub.clock.wall_us(alarm.since),
            layout: self.names.plan.layout.name.clone(),
            prefix: self.names.plan.topic_prefix.clone(),
            alarm,
        };
        notifiers.tell(&Arc::new(notice), minute_of_day());
    }

    /// Says our side of the borders. Not retained: what is not of this moment is of no use there.
    fn speak_to_peers(&mut self, engine: &Engine) {
        let Some(word) = engine.border_word() else {
            self.word_due = None;
            return;
        };
        let word = borders_json::borders_json(&word);
        let due = self.word_due.is_none_or(|due| engine.now() >= due);
        if !due && word == self.word {
            return;
        }
        let topic = format!("{}/borders", self.names.plan.topic_prefix);
        self.publisher.say(&topic, &word);
        self.word = word;
        self.word_due = Some(engine.now().plus(WORD_EVERY));
    }

    fn speak(&mut self, engine: &Engine) {
        let still = |id: &str| match engine.view(&Item::Alarm(id.into())) {
            Some(View::Alarm(alarm)) => alarm.state == AlarmState::Unacknowledged,
            _ => false,
        };
        if let Some(sentence) = self.say.next(engine.now(), still) {
            self.publisher
                .say(&format!("{}/say", self.names.plan.topic_prefix), &sentence);
        }
    }
}

fn record(kind: &'static str, id: &str, json: &str) -> Record {
    let data = format!("{{\"id\":{},\"item\":{json}}}", serde_json::Value::from(id));
    (kind, id.into(), data.into())
}

/// Decisions are for whoever debugs; what a user would notice is for everybody.
fn log(changes: &[Change], layout: &Layout) {
    for change in changes {
        match &change.what {
            What::Alarm {
                id,
                was,
                state,
                text,
                ..
            } => {
                tracing::info!(alarm = %id, ?was, ?state, text = %text, "alarm");
            }
            What::Train {
                train,
                event,
                place,
                ..
            } => {
                tracing::debug!(train = train.0, ?event, ?place, "train");
            }
            What::Block {
                block,
                was,
                state,
                why,
                ..
            } => {
                let id = layout
                    .blocks
                    .get(block.index())
                    .map_or("", |block| block.id.as_str());
                tracing::debug!(block = id, ?was, ?state, why = %why, "block");
            }
            What::Turnout {
                turnout,
                position,
                was,
                state,
                why,
            } => {
                let turnout = layout.turnouts.get(turnout.index());
                let id = turnout.map_or("", |turnout| turnout.id.as_str());
                tracing::debug!(turnout = id, ?position, ?was, ?state, why = %why, "turnout");
            }
            What::Table { .. } | What::Feed { .. } | What::Detector { .. } => {
                tracing::debug!(what = ?change.what, "change");
            }
        }
    }
}
