//! What can come in: messages already decoded, the operator's words, the broker's coming and going.

use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;

use crate::ids::{
    BlockId, CrossingId, DetectorId, FeedId, NodeId, PeerId, TableId, TrainId, TurnoutId,
};
use crate::time::Span;

/// One input. Time comes beside it.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// A detector's sample.
    Reading(Sample),
    /// Where points are.
    Position(TurnoutId, Position),
    /// Where a table is.
    TablePosition(TableId, TablePosition),
    /// What the panel or the hand asked of points.
    Asked(TurnoutId, Position),
    /// What the panel or the hand asked of a table.
    TableAsked(TableId, TablePosition),
    /// A feed's switch.
    FeedSwitch(FeedId, bool),
    /// A feed's voltage.
    FeedVoltage(FeedId, f64),
    /// A device came or went.
    Node(NodeId, bool),
    /// What a peer says of its side of the borders.
    Peer(Box<PeerWord>),
    /// The broker was lost (`false`) or is back (`true`).
    Broker(bool),
    /// The journal keeps up (`true`), or what is known is not on the disk in time (`false`).
    Journal(bool),
    /// The operator's word.
    Command(Command, Word),
    /// Whether anybody would hear an announcement: a page is open with sound, or a notifier has
    /// answered. Until it is told, line-up says nothing about it.
    Heard(bool),
    /// Nothing but time.
    Tick,
}

/// One sample of one detector.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Whose.
    pub detector: DetectorId,
    /// What it read.
    pub reading: Reading,
    /// The sample's own time, if it has one.
    pub own_time: Option<OwnTime>,
    /// The pack's `ut`: the longest time until the next sample.
    pub update_within: Option<Span>,
    /// Old news, kept by the broker.
    pub retained: bool,
}

/// A sample's own time: it orders samples, nothing else.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OwnTime {
    /// Seconds relative to arrival (RFC 8428: below 2^28).
    Relative(f64),
    /// Seconds since 1970.
    Absolute(f64),
}

/// What a detector read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// A level; in the detector's unit where `scale` is 1, raw counts otherwise.
    Level(f64),
    /// A vehicle or none.
    Seen(bool),
}

/// Where points are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Position {
    /// The straight road.
    Normal,
    /// The diverging road.
    Reverse,
    /// Between the two.
    Moving,
    /// Not known.
    #[default]
    Unknown,
}

/// Where a table is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TablePosition {
    /// At a stop: the index in the table's list.
    At(usize),
    /// Between stops.
    Between,
    /// Not known.
    #[default]
    Unknown,
}

/// What a peer says of its side of the borders: all of it, at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct PeerWord {
    /// Whose.
    pub peer: PeerId,
    /// The peer's run, whose words are numbered together.
    pub run: String,
    /// Rises with each word that says something else.
    pub number: u64,
    /// Run and number of the last word of ours that the peer had heard when it said this.
    pub heard: Option<(String, u64)>,
    /// Its blocks at the borders, as places of our layout.
    pub blocks: Vec<PeerBlock>,
    /// All trains that it knows of.
    pub trains: Vec<PeerTrain>,
    /// Old news, kept by the broker.
    pub retained: bool,
}

/// A peer's block at a border.
#[derive(Clone, Debug, PartialEq)]
pub struct PeerBlock {
    /// The block as a place of our layout.
    pub place: BlockId,
    /// Occupied, proven vacant, or neither.
    pub occupied: Option<bool>,
    /// The identities of the trains in it.
    pub trains: Vec<String>,
}

/// A train as its peer knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PeerTrain {
    /// Who it is, for all daemons.
    pub identity: String,
    /// Who it was taken for until it turned out to be this one.
    pub was: Option<String>,
    /// Given by an operator.
    pub name: Option<String>,
    /// That peer answers for it now: a detector sees it, or it went in where nothing can.
    pub seen: bool,
    /// It has gone on from there to another daemon, which sees it: that one's topic prefix.
    pub gone_to: Option<String>,
    /// It was last in a place of that peer, is seen there no more, and may have come over a border.
    pub seeks: bool,
    /// Its place is not heard of, or was not, and it may have gone over a border meanwhile.
    pub astray: bool,
    /// That peer does not know yet where it came from.
    pub unexplained: bool,
}

/// Who said it and why.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Word {
    /// Who; empty when not given.
    pub who: String,
    /// Why; empty when not given.
    pub why: String,
}

/// Somewhere that a train can stand: the operator speaks of it as of a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// A block or a bridge.
    Block(BlockId),
    /// A turnout with detectors of its own.
    Turnout(TurnoutId),
    /// A crossing with a detector.
    Crossing(CrossingId),
}

impl From<BlockId> for Spot {
    fn from(block: BlockId) -> Self {
        Self::Block(block)
    }
}

/// What the operator says.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Alarm: seen.
    Acknowledge(String),
    /// Alarm: not for so long.
    Shelve(String, Span),
    /// Alarm: shelving ends.
    Unshelve(String),
    /// Alarm: a latched one is done with.
    Reset(String),
    /// Alarm: out of service, by maintenance.
    AlarmOutOfService(String),
    /// Alarm: back in service.
    AlarmInService(String),
    /// A train stands here; which one, where that was said.
    StandsHere(Spot, Option<String>),
    /// This place is empty.
    Empty(Spot),
    /// What stood here was lifted off.
    RemovedByHand(Spot),
    /// The train's name.
    NameTrain(TrainId, String),
    /// What of a train is in this place, or in its tail's, stays there: a train of its own, which
    /// may have a name.
    DivideTrain(TrainId, Option<Spot>, Option<String>),
    /// The points were seen in this position.
    Seen(TurnoutId, Position),
    /// The operator answers for these points for so long (T11); `Span::ZERO` gives them back.
    InCharge(TurnoutId, Span),
    /// A detector is not to be believed.
    OutOfService(DetectorId),
    /// It is to be believed again.
    InService(DetectorId),
}

/// What became of an input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Taken.
    Taken,
    /// A sample older than one already taken.
    Late,
    /// A sample that cannot be true.
    Implausible,
    /// A retained reading of a detector that reports steadily: old news.
    OldNews,
    /// The operator's word cannot be carried out: why, and what to do instead.
    Refused(String),
}
