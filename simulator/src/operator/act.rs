//! What an operator does, one thing after the other, and what is waited for in between.

use taillamp::engine::ids::{BlockId, FeedId, TableId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{End, Leg};
use taillamp::engine::time::{Instant, Span};

use crate::world::World;
use crate::world::driver::Order;
use crate::world::track::Piece;

/// One thing done.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Sets points, once nothing is on them.
    Points(TurnoutId, Leg),
    /// Turns a table, or lifts a bridge out.
    Table(TableId, TablePosition),
    /// Throws a power switch.
    Switch(FeedId, bool),
    /// Switches a siding off again; now and then that is forgotten for a while.
    SwitchOff(FeedId),
    /// Tells a driver.
    Tell(usize, Order),
    /// Trains are held before they leave by this end, or not any more.
    Hold(End, bool),
    /// Waits for something, not longer than this.
    Await(Until, Span),
    /// Waits.
    Pause(Span),
    /// Waits until a train has run over these points, then sets them back: in time, or forgotten.
    SetBackBehind {
        /// The train.
        train: usize,
        /// The points, in the order in which they are met.
        turnouts: Vec<TurnoutId>,
        /// Forgotten for certain, whatever chance says.
        forgotten: bool,
    },
}

/// Something that is waited for.
#[derive(Clone, Debug, PartialEq)]
pub enum Until {
    /// The train has come to the end of its order.
    Arrived(usize),
    /// The train's leading end is in this block.
    In(usize, BlockId),
    /// Nothing lies over these blocks but, perhaps, this train; and nothing over these points.
    Empty(Vec<BlockId>, Option<usize>, Vec<TurnoutId>),
    /// The points lie so.
    Lies(TurnoutId, Leg),
    /// The table is there.
    TableAt(TableId, TablePosition),
}

impl Until {
    /// Whether it has come.
    #[must_use]
    pub fn is_so(&self, world: &World) -> bool {
        match self {
            Self::Arrived(train) => world.trains()[*train].arrived,
            Self::In(train, block) => leads_in(world, *train, *block),
            Self::Empty(blocks, but, turnouts) => {
                let holds = |piece: Piece| match piece {
                    Piece::Block(block) => blocks.contains(&block),
                    Piece::Turnout(turnout, _) => turnouts.contains(&turnout),
                    Piece::Crossing(..) => false,
                };
                let others = world.trains().iter().enumerate();
                let mut others = others.filter(|(index, _)| Some(*index) != *but);
                !others.any(|(_, train)| train.stretches().iter().any(|at| holds(at.piece)))
            }
            Self::Lies(turnout, leg) => {
                let wanted = if *leg == Leg::Reverse {
                    Position::Reverse
                } else {
                    Position::Normal
                };
                world.lie().points[turnout.index()] == wanted
            }
            Self::TableAt(table, at) => world.lie().tables[table.index()] == *at,
        }
    }
}

/// Whether a train's leading end is in a block.
#[must_use]
pub fn leads_in(world: &World, train: usize, block: BlockId) -> bool {
    let leading = world.trains()[train].leading();
    leading.is_some_and(|(step, _)| step.piece == Piece::Block(block))
}

/// What happened, for the log: tests compare it with what the engine says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// A job began.
    Job(&'static str),
    /// Waiting took too long.
    GaveUp(&'static str),
    /// Points will be left diverging: the train is past them.
    Forgot(TurnoutId),
    /// Points were set back, late or in time.
    SetBack(TurnoutId),
    /// Points were set back under the train.
    SetBackTooEarly(TurnoutId),
    /// A switch was forgotten.
    LeftOn(FeedId),
    /// Something else went wrong, or was put right.
    Mishap(String),
}

/// One line of the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// When.
    pub at: Instant,
    /// What.
    pub what: What,
}
