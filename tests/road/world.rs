//! Plans and engines for these tests, in virtual time.

use std::sync::Arc;

use std::collections::BTreeMap;
use std::path::Path;

use taillamp::engine::Engine;
use taillamp::engine::ids::{BlockId, DetectorId, FeedId, TableId, TurnoutId};
use taillamp::engine::input::{Input, Position, Reading, Sample, TablePosition};
use taillamp::engine::layout::Layout;
use taillamp::engine::time::{Instant, Span};
use taillamp::engine::ways::{Pass, Setting, Way};
use taillamp::plan;

/// A plan's text that must be good.
pub fn layout(text: &str) -> Layout {
    let (plan, findings) = plan::load(text, "plan.toml");
    let plan = plan.unwrap_or_else(|| panic!("the plan has errors: {findings:?}"));
    Arc::unwrap_or_clone(plan.layout)
}

/// The text of a plan in `tests/plans`.
pub fn text(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/plans")
        .join(format!("{name}.good.toml"));
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// An engine that hears nothing.
pub fn silent(layout: Layout) -> Engine {
    Engine::new(layout, Instant(0))
}

/// The number of an item by its written id.
fn number<T>(items: &[T], id: &str, written: impl Fn(&T) -> &str) -> u32 {
    let index = items.iter().position(|item| written(item) == id);
    let index = index.unwrap_or_else(|| panic!("there is no {id}"));
    u32::try_from(index).expect("few items")
}

pub fn block(layout: &Layout, id: &str) -> BlockId {
    BlockId(number(&layout.blocks, id, |block| &block.id))
}

/// The ways between two blocks by their ids.
pub fn ways(engine: &Engine, from: &str, to: &str) -> Vec<Way> {
    let layout = engine.layout();
    let answer = engine.ways(block(layout, from), block(layout, to), 8);
    assert_eq!(answer.cut, None, "{from} to {to}");
    answer.ways
}

/// What a way passes, as a line: `goods-1 w1=reverse loop-east`.
pub fn passed(layout: &Layout, way: &Way) -> String {
    let passes = way.passes.iter().map(|pass| match *pass {
        Pass::Block(b) => layout.blocks[b.index()].id.clone(),
        Pass::Crossing(k) => layout.crossings[k.index()].id.clone(),
        Pass::Turnout(t, position) => {
            format!("{}={}", layout.turnouts[t.index()].id, word(position))
        }
        Pass::Table(t, stop) => {
            let table = &layout.tables[t.index()];
            format!("{}@{}", table.id, table.stops[stop].at)
        }
    });
    passes.collect::<Vec<_>>().join(" ")
}

/// What is to be set, as a line.
pub fn settings(layout: &Layout, way: &Way) -> String {
    let settings = way.settings.iter().map(|setting| match *setting {
        Setting::Turnout(t, position) => {
            format!("{}={}", layout.turnouts[t.index()].id, word(position))
        }
        Setting::Table(t, stop) => {
            let table = &layout.tables[t.index()];
            format!("{}@{}", table.id, table.stops[stop].at)
        }
        Setting::Feed(f, on) => format!("{}={on}", layout.feeds[f.index()].id),
    });
    settings.collect::<Vec<_>>().join(" ")
}

pub const fn word(position: Position) -> &'static str {
    match position {
        Position::Normal => "normal",
        Position::Reverse => "reverse",
        Position::Moving => "moving",
        Position::Unknown => "unknown",
    }
}

/// An engine that hears its layout: every detector that was given a level repeats it each second.
pub struct World {
    pub engine: Engine,
    now: Instant,
    levels: BTreeMap<u32, f64>,
}

impl World {
    /// A layout with all its detectors at rest and its power on.
    pub fn new(text: &str) -> Self {
        let mut world = Self {
            engine: silent(layout(text)),
            now: Instant(0),
            levels: BTreeMap::new(),
        };
        let layout = world.engine.layout().clone();
        for feed in (0..).zip(&layout.feeds).map(|(number, _)| FeedId(number)) {
            world
                .engine
                .handle(world.now, Input::FeedSwitch(feed, true));
        }
        for number in (0..).zip(&layout.detectors).map(|(number, _)| number) {
            world.levels.insert(number, 0.0);
        }
        world
    }

    /// What a detector reads from now on; `None`: nothing any more.
    pub fn reads(&mut self, id: &str, ma: Option<f64>) -> &mut Self {
        let number = number(&self.engine.layout().detectors, id, |d| &d.id);
        match ma {
            Some(ma) => self.levels.insert(number, ma),
            None => self.levels.remove(&number),
        };
        self
    }

    pub fn points(&mut self, id: &str, position: Position) -> &mut Self {
        let id = TurnoutId(number(&self.engine.layout().turnouts, id, |t| &t.id));
        self.engine.handle(self.now, Input::Position(id, position));
        self
    }

    pub fn asked(&mut self, id: &str, position: Position) -> &mut Self {
        let id = TurnoutId(number(&self.engine.layout().turnouts, id, |t| &t.id));
        self.engine.handle(self.now, Input::Asked(id, position));
        self
    }

    pub fn table(&mut self, id: &str, stop: usize) -> &mut Self {
        let id = TableId(number(&self.engine.layout().tables, id, |t| &t.id));
        let at = TablePosition::At(stop);
        self.engine.handle(self.now, Input::TablePosition(id, at));
        self
    }

    pub fn feed(&mut self, id: &str, on: bool) -> &mut Self {
        let id = FeedId(number(&self.engine.layout().feeds, id, |f| &f.id));
        self.engine.handle(self.now, Input::FeedSwitch(id, on));
        self
    }

    pub fn broker(&mut self, back: bool) -> &mut Self {
        self.engine.handle(self.now, Input::Broker(back));
        self
    }

    /// Time passes.
    pub fn seconds(&mut self, seconds: u64) -> &mut Self {
        for _ in 0..seconds {
            for (number, level) in &self.levels {
                let sample = Sample {
                    detector: DetectorId(*number),
                    reading: Reading::Level(*level),
                    own_time: None,
                    update_within: None,
                    retained: false,
                };
                self.engine.handle(self.now, Input::Reading(sample));
            }
            self.now = self.now.plus(Span::from_secs(1));
            self.engine.advance(self.now);
        }
        self
    }

    /// The only way, which must be the only one.
    pub fn way(&self, from: &str, to: &str) -> Way {
        let mut ways = ways(&self.engine, from, to);
        assert_eq!(ways.len(), 1, "{from} to {to}: {ways:?}");
        ways.remove(0)
    }

    /// The one way: whether it is ready, what is to be set, what is in the way.
    pub fn stands(&self, from: &str, to: &str) -> (bool, String, Vec<String>) {
        let way = self.way(from, to);
        let hindrances = way.in_the_way.iter().map(|h| h.why.clone()).collect();
        (way.ready, settings(self.engine.layout(), &way), hindrances)
    }
}
