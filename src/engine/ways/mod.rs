//! The road: all loop-free ways between two blocks, best first, with what to set for each, what is
//! in the way, and whether it is ready now (DEVELOPERS.md, sections 2, 3 and 8).
//!
//! Inputs: two blocks; the layout, positions, feeds, places and trains as they are. Outputs: ways
//! as plain data. It changes nothing and asks for nothing: people set points.
//!
//! A train does not turn back on a way: blocks and points are passed from one end to another, none
//! of them twice. The one exception is what a table is for: on its bridge a train may come out by
//! the end that it went in by, when the table has turned; such a way `reverses` and is listed last.
//! It does not know how long the train is, nor where other trains are bound for.

mod said;
mod search;
mod standing;

use alloc::collections::BTreeSet;
use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::ids::{BlockId, CrossingId, FeedId, PlaceId, TableId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::End;
use search::{Hop, Search, needed};

/// How deep feeds hang on one another; the plan forbids rings.
const FEEDS_DEEP_MAX: usize = 16;

/// The ways from one block to another.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ways {
    /// Best first: fewest points and tables to set, then shortest, then fewest places, then by id.
    pub ways: Vec<Way>,
    /// Why there may be more; `None`: these are all.
    pub cut: Option<Cut>,
}

/// What ended the search before it had seen everything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// There are more ways than were asked for.
    Ways,
    /// The layout is so intricate that not all of it was looked at.
    Steps,
}

/// One way.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// Wherever the train can be known to be, in order, first and last block included.
    pub places: Vec<PlaceId>,
    /// The end by which it leaves the first block.
    pub leaving_by: End,
    /// The end by which it comes into the last block.
    pub entering_by: End,
    /// Every item that it meets, in order, and how it must lie.
    pub passes: Vec<Pass>,
    /// What must be set, in the order in which the train meets it. What is so already is left out,
    /// except a table that must move again while the train is on its bridge.
    pub settings: Vec<Setting>,
    /// From leaving the first block to the far end of the last, in mm; `None` where a block's
    /// length is not known. Points count where their length is known.
    pub length_mm: Option<f64>,
    /// What keeps it from being ready, apart from what is to be set.
    pub in_the_way: Vec<Hindrance>,
    /// Nothing is to be set, nothing is in the way, and both are proven.
    pub ready: bool,
    /// The train comes out of a table's bridge by the end that it went in by.
    pub reverses: bool,
}

/// One item of a way, as it must lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pass {
    /// A block or bridge.
    Block(BlockId),
    /// Points, and the position that the way needs.
    Turnout(TurnoutId, Position),
    /// A crossing.
    Crossing(CrossingId),
    /// A table, and the index of the stop at which it joins what comes before and after.
    Table(TableId, usize),
}

/// One thing to set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setting {
    /// Points: `Normal` or `Reverse`.
    Turnout(TurnoutId, Position),
    /// A table: the index of the stop.
    Table(TableId, usize),
    /// A feed: to be on.
    Feed(FeedId, bool),
}

/// Something in the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hindrance {
    /// The item's written id.
    pub id: String,
    /// What it is and why, in words: 'Loop West: occupied by Train 1'.
    pub why: String,
}

impl Engine {
    /// The ways from one block to another, at most `limit`, as they are now. None from a block to
    /// itself.
    #[must_use]
    pub fn ways(&self, from: BlockId, to: BlockId, limit: usize) -> Ways {
        let search = Search {
            layout: &self.layout,
            track: &self.track,
            points: &self.points,
            from,
            to,
        };
        let (courses, cut) = search.run(limit);
        let ways = courses
            .iter()
            .filter_map(|course| self.way(&search, course))
            .collect();
        Ways { ways, cut }
    }

    fn way(&self, search: &Search<'_>, course: &[Hop]) -> Option<Way> {
        let (leaving_by, entering_by) = (course.get(1)?.out?, course.last()?.by);
        let passes = passes(course);
        let settings = self.settings(&passes);
        let in_the_way = self.in_the_way(&passes, course);
        Some(Way {
            places: course
                .iter()
                .filter_map(|hop| self.track.place_of(hop.by))
                .collect(),
            leaving_by,
            entering_by,
            length_mm: search.length_of(course),
            ready: settings.is_empty() && in_the_way.is_empty(),
            reverses: course
                .windows(2)
                .any(|pair| pair[1].out == Some(pair[0].by)),
            passes,
            settings,
            in_the_way,
        })
    }

    /// What is not as the way needs it.
    fn settings(&self, passes: &[Pass]) -> Vec<Setting> {
        let mut settings = Vec::new();
        let mut turned = BTreeSet::new();
        let mut fed = BTreeSet::new();
        for pass in passes {
            match *pass {
                Pass::Turnout(t, position) => {
                    if self.points.turnouts[t.index()] != position {
                        settings.push(Setting::Turnout(t, position));
                    }
                }
                Pass::Table(t, stop) => {
                    // A second time the bridge moves with the train on it.
                    let again = !turned.insert(t);
                    if again || self.points.tables[t.index()] != TablePosition::At(stop) {
                        settings.push(Setting::Table(t, stop));
                    }
                }
                Pass::Block(_) | Pass::Crossing(_) => {}
            }
            for feed in self.feeds_of(*pass) {
                let switched = self.layout.feeds[feed.index()].via.is_none();
                if fed.insert(feed) && switched && self.feeds[feed.index()].on != Some(true) {
                    settings.push(Setting::Feed(feed, true));
                }
            }
        }
        settings
    }

    /// The feeds that an item needs, each after the one that it hangs on.
    fn feeds_of(&self, pass: Pass) -> Vec<FeedId> {
        let Some(place) = self.place_passed(pass) else {
            return Vec::new();
        };
        let mut feeds = Vec::new();
        for feed in &self.places[place.index()].feeds {
            let mut chain = alloc::vec![*feed];
            let mut at = *feed;
            while let Some(parent) = self.layout.feeds[at.index()].of
                && chain.len() < FEEDS_DEEP_MAX
            {
                chain.push(parent);
                at = parent;
            }
            feeds.extend(chain.into_iter().rev());
        }
        feeds
    }

    /// The place that an item is, if it is one.
    fn place_passed(&self, pass: Pass) -> Option<PlaceId> {
        match pass {
            Pass::Block(block) => Some(self.track.block(block)),
            Pass::Turnout(turnout, _) => self.track.turnout(turnout),
            Pass::Crossing(crossing) => self.track.crossing(crossing),
            Pass::Table(..) => None,
        }
    }
}

/// The items that a course passes. A table comes before what it is lined up for, and again where it
/// has to move before the train leaves its bridge.
fn passes(course: &[Hop]) -> Vec<Pass> {
    let mut passes = Vec::new();
    let mut stands = None;
    for (index, hop) in course.iter().enumerate() {
        if let Some((table, stop)) = hop.lined
            && stands != hop.lined
        {
            passes.push(Pass::Table(table, stop));
            stands = hop.lined;
        }
        passes.push(match hop.by {
            End::Block(block, _) => Pass::Block(block),
            End::Crossing(crossing, ..) => Pass::Crossing(crossing),
            End::Turnout(turnout, met) => {
                let out = course.get(index + 1).and_then(|next| next.out);
                let position = match out {
                    Some(End::Turnout(_, leg)) => needed(met, leg),
                    // A way begins and ends in blocks.
                    Some(End::Block(..) | End::Crossing(..)) | None => Position::Unknown,
                };
                Pass::Turnout(turnout, position)
            }
        });
    }
    passes
}
