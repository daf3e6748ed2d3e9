//! A reader of what is published: it keeps the newest record of each item that the engine has
//! called touched, as the broker and an open page do, and knows nothing else.
//!
//! What it holds must be what the engine would say now. Left out are readings and counts, which the
//! shell asks for once a second by itself, and the seconds that are left, which run down.

use std::collections::BTreeMap;

use taillamp::engine::change::Item;
use taillamp::engine::ids::{BlockId, DetectorId, FeedId, TableId, TurnoutId};
use taillamp::engine::layout::Layout;
use taillamp::engine::{Engine, View};

/// What a reader holds.
pub struct Reader {
    fixed: Vec<Item>,
    held: BTreeMap<Item, View>,
    pub stale: Vec<String>,
}

/// Faults that are told.
const TOLD_MAX: usize = 10;

impl Reader {
    /// It begins with everything, as readers do.
    pub fn new(layout: &Layout, engine: &Engine) -> Self {
        let numbers = |count: usize| 0..count as u32;
        let mut fixed: Vec<Item> = Vec::new();
        fixed.extend(numbers(layout.blocks.len()).map(|n| Item::Block(BlockId(n))));
        fixed.extend(numbers(layout.turnouts.len()).map(|n| Item::Turnout(TurnoutId(n))));
        fixed.extend(numbers(layout.tables.len()).map(|n| Item::Table(TableId(n))));
        fixed.extend(numbers(layout.feeds.len()).map(|n| Item::Feed(FeedId(n))));
        fixed.extend(numbers(layout.detectors.len()).map(|n| Item::Detector(DetectorId(n))));
        let mut reader = Self {
            fixed,
            held: BTreeMap::new(),
            stale: Vec::new(),
        };
        for item in reader.items(engine) {
            reader.take(engine, item);
        }
        reader
    }

    /// Takes what is published; what that was.
    pub fn read(&mut self, engine: &mut Engine) -> Vec<Item> {
        let touched: Vec<Item> = engine.touched().into_iter().collect();
        for item in touched.iter().cloned() {
            self.take(engine, item);
        }
        touched
    }

    /// Compares what it holds with what is so.
    pub fn compare(&mut self, engine: &Engine) {
        let items = self.items(engine);
        for item in self.held.keys() {
            if !items.contains(item) {
                self.stale
                    .push(format!("{}: {item:?} is gone", engine.now()));
            }
        }
        for item in items {
            let now = engine.view(&item).map(lasting);
            let held = self.held.get(&item);
            if now.as_ref() != held && self.stale.len() < TOLD_MAX {
                let fault = format!("{}: {item:?} {}", engine.now(), unlike(held, now.as_ref()));
                self.stale.push(fault);
            }
        }
    }

    fn take(&mut self, engine: &Engine, item: Item) {
        match engine.view(&item) {
            Some(view) => {
                self.held.insert(item, lasting(view));
            }
            None => {
                self.held.remove(&item);
            }
        }
    }

    fn items(&self, engine: &Engine) -> Vec<Item> {
        let snapshot = engine.snapshot();
        let trains = snapshot.trains.iter();
        let trains = trains.filter_map(|train| engine.train_by_name(&train.id));
        let alarms = snapshot
            .alarms
            .into_iter()
            .map(|alarm| Item::Alarm(alarm.id));
        let fixed = self.fixed.iter().cloned();
        fixed.chain(trains.map(Item::Train)).chain(alarms).collect()
    }
}

/// The lines in which what is held differs from what is so.
fn unlike(held: Option<&View>, now: Option<&View>) -> String {
    let only = |of: &str, other: &str| -> Vec<String> {
        let lines = of.lines().filter(|line| !other.lines().any(|o| o == *line));
        lines.map(|line| line.trim().to_owned()).collect()
    };
    let (held, now) = (format!("{held:#?}"), format!("{now:#?}"));
    format!("held {:?}, is {:?}", only(&held, &now), only(&now, &held))
}

/// A record without what moves all the time.
fn lasting(mut view: View) -> View {
    match &mut view {
        View::Detector(detector) => {
            detector.reading = None;
            detector.heard = None;
            (detector.dropouts, detector.passes, detector.clock_steps) = (0, 0, 0);
            detector.dropped = (0, 0);
        }
        View::Train(train) => {
            if let Some(ahead) = &mut train.ahead {
                ahead.seconds = None;
            }
        }
        View::Alarm(alarm) => alarm.seconds = None,
        View::Feed(feed) => feed.volts = None,
        View::Block(_) | View::Turnout(_) | View::Table(_) => {}
    }
    view
}
