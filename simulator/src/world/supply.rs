//! Power: switches, districts, boosters that trip, and throttle lines whose voltage follows the
//! driver.
//!
//! Inputs: switches, trips, the voltage that a throttle is turned to, and how points and tables
//! lie (power-routing). Output: the voltage of a zone. It does not know what draws the current.

use std::collections::BTreeMap;

use taillamp::engine::ids::{FeedId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{Feed, FeedRest, Layout, Leg, Supply as Kind, Via};
use taillamp::engine::time::{Instant, Span};

use super::track::{Lie, Track, Zone};

/// How fast a throttle's voltage follows its knob, volts a second.
const THROTTLE_V_PER_S: f64 = 12.0;

/// Depth of `of` chains that is followed.
const CHAIN_MAX: usize = 8;

#[derive(Clone, Debug)]
struct Line {
    switched_on: bool,
    tripped_until: Option<Instant>,
    knob_volts: f64,
    volts: f64,
}

/// All feeds.
#[derive(Clone, Debug)]
pub struct Supply {
    feeds: Vec<Feed>,
    lines: Vec<Line>,
    zones: BTreeMap<Zone, FeedId>,
    steady_volts: f64,
}

impl Supply {
    /// Feeds that rest off are off, all others on.
    #[must_use]
    pub fn new(layout: &Layout, track: &Track, steady_volts: f64) -> Self {
        let lines = layout.feeds.iter().map(|feed| Line {
            switched_on: feed.rest != FeedRest::Off,
            tripped_until: None,
            knob_volts: 0.0,
            volts: 0.0,
        });
        let mut supply = Self {
            feeds: layout.feeds.clone(),
            lines: lines.collect(),
            zones: BTreeMap::new(),
            steady_volts,
        };
        supply.map_zones(layout, track);
        supply
    }

    /// Throws a feed's switch; true where that changes it.
    pub fn switch(&mut self, feed: FeedId, on: bool) -> bool {
        let line = &mut self.lines[feed.index()];
        let changed = line.switched_on != on;
        line.switched_on = on;
        changed
    }

    /// A short circuit somewhere: the booster cuts out until then.
    pub fn trip(&mut self, feed: FeedId, until: Instant) {
        self.lines[feed.index()].tripped_until = Some(until);
    }

    /// Turns a throttle's knob; the sign is the direction.
    pub fn turn_knob(&mut self, feed: FeedId, volts: f64) {
        self.lines[feed.index()].knob_volts = volts;
    }

    /// Lets boosters come back and throttles follow their knobs.
    pub fn step(&mut self, now: Instant, step: Span) {
        for line in &mut self.lines {
            if line.tripped_until.is_some_and(|until| until <= now) {
                line.tripped_until = None;
            }
            let reach = THROTTLE_V_PER_S * step.as_secs_f64();
            line.volts += (line.knob_volts - line.volts).clamp(-reach, reach);
        }
    }

    /// The switch of a feed, as its owner sees it.
    #[must_use]
    pub fn is_switched_on(&self, feed: FeedId) -> bool {
        self.lines[feed.index()].switched_on
    }

    /// The voltage at a feed's output, with its sign.
    #[must_use]
    pub fn volts(&self, feed: FeedId, lie: &Lie) -> f64 {
        let mut at = feed;
        for _ in 0..CHAIN_MAX {
            if !self.passes(at, lie) {
                return 0.0;
            }
            match self.feeds[at.index()].of {
                Some(parent) => at = parent,
                None => break,
            }
        }
        match self.feeds[feed.index()].supply {
            Kind::Steady => self.steady_volts,
            Kind::Throttle => self.lines[feed.index()].volts,
        }
    }

    /// The voltage of a zone; a zone without a feed is always live.
    #[must_use]
    pub fn zone_volts(&self, zone: Zone, lie: &Lie) -> f64 {
        self.zones
            .get(&zone)
            .map_or(self.steady_volts, |&feed| self.volts(feed, lie))
    }

    /// The feed of a zone.
    #[must_use]
    pub fn feed_of(&self, zone: Zone) -> Option<FeedId> {
        self.zones.get(&zone).copied()
    }

    /// How a feed is supplied.
    #[must_use]
    pub fn is_throttle(&self, feed: FeedId) -> bool {
        self.feeds[feed.index()].supply == Kind::Throttle
    }

    /// The track voltage of the steady feeds.
    #[must_use]
    pub const fn steady_volts(&self) -> f64 {
        self.steady_volts
    }

    fn passes(&self, feed: FeedId, lie: &Lie) -> bool {
        let line = &self.lines[feed.index()];
        let routed = match self.feeds[feed.index()].via {
            None => line.switched_on,
            Some(Via::Turnout(turnout, leg)) => routes(lie, turnout, leg),
            Some(Via::Table(table, stop)) => lie.tables[table.index()] == TablePosition::At(stop),
        };
        routed && line.tripped_until.is_none()
    }

    fn map_zones(&mut self, layout: &Layout, track: &Track) {
        for (index, feed) in layout.feeds.iter().enumerate() {
            let id = FeedId(index as u32);
            let zones = feed.blocks.iter().map(|&block| Zone::Block(block));
            for zone in zones.chain(feed.turnouts.iter().map(|&turnout| Zone::Section(turnout))) {
                // A feed behind another's switch is the one that the track hangs on.
                let behind = feed.of.is_some() || feed.via.is_some();
                if behind || !self.zones.contains_key(&zone) {
                    self.zones.insert(zone, id);
                }
            }
        }
        for index in 0..layout.turnouts.len() {
            let zone = Zone::Section(TurnoutId(index as u32));
            if self.zones.contains_key(&zone) {
                continue;
            }
            let continues = match layout.turnouts[index].covered_by {
                Some(block) => Zone::Block(block),
                None => track.beyond_toe(TurnoutId(index as u32)),
            };
            if let Some(&feed) = self.zones.get(&continues) {
                self.zones.insert(zone, feed);
            }
        }
    }
}

fn routes(lie: &Lie, turnout: TurnoutId, leg: Leg) -> bool {
    match lie.points[turnout.index()] {
        Position::Normal => leg == Leg::Normal,
        Position::Reverse => leg == Leg::Reverse,
        Position::Moving | Position::Unknown => false,
    }
}
