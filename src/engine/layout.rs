//! The layout as the engine needs it: the plan file, resolved.
//!
//! Plain data, made by `plan::resolve` in the shell. Every list is sorted by the written id. What a
//! default is was decided there; here every value is final.

use alloc::string::String;
use alloc::vec::Vec;

use crate::ids::{BlockId, CrossingId, DetectorId, FeedId, NodeId, PeerId, TableId, TurnoutId};
use crate::time::Span;

/// A whole layout.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Layout {
    /// What people call it.
    pub name: String,
    /// Full size divided by model size: 87.1 for HO.
    pub scale_ratio: f64,
    /// Which vehicles show up in current sensing.
    pub equipped: Equipped,
    /// Timing and limits that belong to no single item.
    pub settings: Settings,
    /// Blocks and bridges.
    pub blocks: Vec<Block>,
    /// Turnouts, those of double crossovers and slips included.
    pub turnouts: Vec<Turnout>,
    /// Crossovers, those of double crossovers included.
    pub crossovers: Vec<Crossover>,
    /// Crossings, those of double crossovers included.
    pub crossings: Vec<Crossing>,
    /// Turntables, transfer tables, lift-out bridges.
    pub tables: Vec<Table>,
    /// Switched power supplies.
    pub feeds: Vec<Feed>,
    /// Detectors of every kind.
    pub detectors: Vec<Detector>,
    /// Devices.
    pub nodes: Vec<Node>,
    /// Fixed joins between two ends; each end occurs at most once. A table's stops are not here.
    pub joins: Vec<(End, End)>,
    /// Roads that a single slip does not have, though its points could be set so.
    pub forbidden: Vec<ForbiddenRoad>,
    /// Other daemons, whose track begins where ours ends.
    pub peers: Vec<Peer>,
    /// `topic_prefix`: by which this layout's trains are told from those of its peers.
    pub prefix: String,
}

/// `[trains] equipped`: which vehicles show up in current sensing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Equipped {
    /// Engines and lit cars only.
    #[default]
    None,
    /// The first and the last vehicle of every train.
    Ends,
    /// Every vehicle.
    All,
}

/// Timing and limits that belong to no single item (DEVELOPERS.md names each).
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// `boot_s`: how long silence raises nothing after a start.
    pub boot: Span,
    /// `look_ahead_s`: a warning comes when the time left falls under this.
    pub look_ahead: Span,
    /// `part_s`.
    pub part: Span,
    /// `bridge_ms`: how long a neighbour may be lit through a train's wheels across the gap.
    pub bridge: Span,
    /// `yard_speed_kmh`, at scale.
    pub yard_speed_kmh: f64,
    /// `node_settle_s`.
    pub node_settle: Span,
    /// `relearn_s`: how long an ambient step may hide optical evidence.
    pub relearn: Span,
    /// How long the broker may be away before nothing shown is live (5 s).
    pub broker_grace: Span,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            boot: Span::from_secs(60),
            look_ahead: Span::from_secs(20),
            part: Span::from_secs(5),
            bridge: Span::from_millis(500),
            yard_speed_kmh: 30.0,
            node_settle: Span::from_secs(2),
            relearn: Span::from_secs(3),
            broker_grace: Span::from_secs(5),
        }
    }
}

/// One of the two ends of a block; no compass and no direction of traffic implied.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// End `a`.
    A,
    /// End `b`.
    B,
}

/// One of the three ends of a turnout.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Leg {
    /// The facing end.
    Toe,
    /// The straight road.
    Normal,
    /// The diverging road.
    Reverse,
}

/// One of the two tracks of a crossing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CrossingTrack {
    /// `first`.
    First,
    /// `second`.
    Second,
}

/// Where track can be joined to other track.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum End {
    /// An end of a block or bridge.
    Block(BlockId, Side),
    /// An end of a turnout.
    Turnout(TurnoutId, Leg),
    /// An end of one of a crossing's tracks.
    Crossing(CrossingId, CrossingTrack, Side),
}

/// A length of track of defined limits, watched as one (49 CFR 236.708), or a table's bridge.
#[derive(Clone, Debug, PartialEq)]
pub struct Block {
    /// The written id.
    pub id: String,
    /// Shown to people; the id where the plan gives none.
    pub name: String,
    /// The strip it is drawn on.
    pub line: Option<String>,
    /// Length between its ends.
    pub length_mm: Option<f64>,
    /// What it is for.
    pub usage: Usage,
    /// Stock comes and goes here by hand.
    pub fiddle: bool,
    /// `release_s`: how long every detector must be off (B3).
    pub release: Span,
    /// `lost_s`: from `lost` to its alarm (B4).
    pub lost: Span,
    /// `fiddle_s`: how long a fiddle block that emptied by hand stays `unknown`.
    pub fiddle_time: Span,
    /// The table whose bridge it is.
    pub bridge_of: Option<TableId>,
    /// The peer whose block it is: it lies beyond a border.
    pub beyond: Option<PeerId>,
}

/// What a block is for: the plan's `use`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Usage {
    /// Trains run through.
    #[default]
    Running,
    /// Trains wait here.
    Siding,
    /// Ends in a buffer.
    Stub,
    /// Storage.
    Yard,
}

/// Points and the track around them, out to the clearance points.
#[derive(Clone, Debug, PartialEq)]
pub struct Turnout {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// The block whose detectors see its rails, where it has no section of its own.
    pub covered_by: Option<BlockId>,
    /// The designated position (49 CFR 218.105(b)).
    pub rest: PointsRest,
    /// Where its position comes from.
    pub position: PositionSource,
    /// Length over its rails, where known.
    pub length_mm: Option<f64>,
    /// `clear_s` (T1).
    pub clear: Span,
    /// `restore_s` (T2).
    pub restore: Span,
    /// `awaiting_s` (T3).
    pub awaiting: Span,
    /// `move_s` (T5, and `told` positions).
    pub move_time: Span,
    /// `position_confirm_ms`.
    pub position_confirm: Span,
    /// `release_s`, as a place.
    pub release: Span,
    /// `lost_s`, as a place.
    pub lost: Span,
    /// The device that reports its position.
    pub node: Option<NodeId>,
}

/// The plan's `rest` of a turnout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PointsRest {
    /// To be set back to normal when not in use.
    #[default]
    Normal,
    /// Yard points: no designated position (T6).
    None,
}

/// The plan's `position` of a turnout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PositionSource {
    /// Reported by a message.
    #[default]
    Detected,
    /// Two contacts, each a detector.
    Contacts {
        /// On when the points are normal.
        normal: DetectorId,
        /// On when the points are reverse.
        reverse: DetectorId,
    },
    /// What was asked, taken as done after `move_s`.
    Told,
    /// Hand-thrown: a train that passes proves it.
    None,
}

/// Two turnouts whose reverse ends are joined.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossover {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// Its two turnouts.
    pub turnouts: [TurnoutId; 2],
    /// `agree_s` (T8).
    pub agree: Span,
}

/// Two tracks that cross and do not join.
#[derive(Clone, Debug, PartialEq)]
pub struct Crossing {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// `release_s`, as a place.
    pub release: Span,
    /// `lost_s`, as a place.
    pub lost: Span,
}

/// A turntable, transfer table or lift-out bridge.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// The block that moves.
    pub bridge: BlockId,
    /// Where it belongs when not in use, as an index into `stops`.
    pub rest: Option<usize>,
    /// Where it can stop.
    pub stops: Vec<Stop>,
    /// `restore_s`: from the last train's leaving to `not-at-rest`.
    pub restore: Span,
    /// `move_s` (T5, with a `rest` only).
    pub move_time: Span,
    /// `position_confirm_ms`.
    pub position_confirm: Span,
    /// The device that reports its position.
    pub node: Option<NodeId>,
}

/// One position of a table and what it joins.
#[derive(Clone, Debug, PartialEq)]
pub struct Stop {
    /// The stop's name, as in `P/position/ID`.
    pub at: String,
    /// What the bridge's end `a` meets here.
    pub a: Option<End>,
    /// What the bridge's end `b` meets here.
    pub b: Option<End>,
}

/// A switched power supply of some places.
#[derive(Clone, Debug, PartialEq)]
pub struct Feed {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// The blocks it supplies; none for lights, sounds, gates.
    pub blocks: Vec<BlockId>,
    /// Turnouts with detectors of their own that it supplies.
    pub turnouts: Vec<TurnoutId>,
    /// Where it belongs when not in use.
    pub rest: FeedRest,
    /// On only if that one is.
    pub of: Option<FeedId>,
    /// On exactly while that position holds; no message.
    pub via: Option<Via>,
    /// How it is supplied.
    pub supply: Supply,
    /// `see_volts`: live from this voltage on, sign ignored.
    pub see_volts: f64,
    /// `settle_s` (B7).
    pub settle: Span,
    /// `trip_ms` (B10).
    pub trip: Span,
    /// `coast_s` (B6).
    pub coast: Span,
    /// `idle_feed_s`.
    pub idle: Span,
    /// The device that reports it.
    pub node: Option<NodeId>,
}

/// The plan's `rest` of a feed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FeedRest {
    /// To be off when not in use.
    Off,
    /// To be on.
    On,
    /// Either.
    #[default]
    Any,
}

/// The plan's `supply` of a feed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Supply {
    /// Digital track power, or detectors with a bias current of their own.
    #[default]
    Steady,
    /// A throttle: no voltage, no detection.
    Throttle,
}

/// A position that switches power by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Via {
    /// Points that route power: `normal` or `reverse` only.
    Turnout(TurnoutId, Leg),
    /// A table's track: the index of the stop.
    Table(TableId, usize),
}

/// What turns the world into samples.
///
/// What every sample needs stands first and together: with ten thousand detectors it is the
/// fetching of lines of memory that takes the time.
#[derive(Clone, Debug, PartialEq)]
#[repr(C, align(64))]
pub struct Detector {
    /// The unit of its readings, as the plan writes it (`mA`, `%`, `/`, `lx`); empty for booleans.
    pub unit: &'static str,
    /// Raw counts to `unit`.
    pub scale: f64,
    /// How samples become evidence.
    pub decide: Decide,
    /// Subtracted before deciding (current), in `unit`.
    pub zero: f64,
    /// Plausible readings, in `unit`.
    pub range: (f64, f64),
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
    /// How it senses.
    pub kind: DetectorKind,
    /// What it watches.
    pub subject: Subject,
    /// Whether its `off` speaks for the whole place.
    pub watches: Watches,
    /// The sign of a current tells the direction.
    pub signed: bool,
    /// Alarm `short` above this, mA.
    pub short_ma: Option<f64>,
    /// `confirm_ms`.
    pub confirm: Span,
    /// `max_silence_s`; `None`: it reports changes only.
    pub max_silence: Option<Span>,
    /// Whether the plan gave `max_silence_s`; where it did not, a pack's `ut` sets it.
    pub max_silence_given: bool,
    /// `stuck_h`.
    pub stuck: Span,
    /// `noisy_per_h`.
    pub noisy_per_h: u32,
    /// The device that carries it.
    pub node: Option<NodeId>,
}

/// How a detector senses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DetectorKind {
    /// Current drawn by vehicles.
    Current,
    /// Light reflected by, or kept off by, vehicles.
    Optical,
    /// A switch, reed or treadle.
    Contact,
}

/// What a detector watches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// A block or bridge; a spot near one end where that is given.
    Block(BlockId, Option<Side>),
    /// A turnout's own section.
    Section(TurnoutId),
    /// A beam across a leg at its clearance point.
    Beam(TurnoutId, Leg),
    /// A table's edge.
    Edge(TableId),
    /// A crossing.
    Crossing(CrossingId),
    /// One of the two contacts of a turnout's points: `Normal` or `Reverse`.
    Points(TurnoutId, Leg),
}

/// The plan's `watches`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Watches {
    /// Its `off` speaks for the whole place.
    Whole,
    /// Its `off` proves nothing about the rest of the place.
    Spot,
}

/// How samples become evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Decide {
    /// Two thresholds with hysteresis; `on > off`: high means a vehicle, otherwise low does.
    Threshold {
        /// At or beyond this a vehicle.
        on: f64,
        /// At or beyond this none.
        off: f64,
    },
    /// Booleans: `true` is a vehicle.
    Boolean,
    /// A two-sided cumulative-sum test.
    Sequential(Sequential),
}

/// Settings of the sequential test, in the detector's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sequential {
    /// Vacant level.
    pub vacant_mean: f64,
    /// Its spread.
    pub vacant_sd: f64,
    /// Occupied level.
    pub occupied_mean: f64,
    /// Its spread.
    pub occupied_sd: f64,
    /// Wanted mean time between false occupancies, hours.
    pub false_alarm_every_h: f64,
    /// Samples a second.
    pub sample_hz: f64,
    /// A single sample may be anything, and decides nothing.
    pub spikes: bool,
}

/// A device that carries detectors.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// The written id.
    pub id: String,
    /// Shown to people.
    pub name: String,
}

/// Another daemon on the same broker, whose track begins where ours ends.
#[derive(Clone, Debug, PartialEq)]
pub struct Peer {
    /// The written id.
    pub id: String,
    /// Its topic prefix, which no other daemon on the broker has.
    pub prefix: String,
    /// What comes and goes with it.
    pub node: NodeId,
    /// Where its track meets ours.
    pub borders: Vec<Border>,
}

/// A place of a peer that is joined to a block of ours: known by what the peer says of it, alone.
#[derive(Clone, Debug, PartialEq)]
pub struct Border {
    /// Our block.
    pub here: BlockId,
    /// The written id of the peer's block in the peer's plan.
    pub there: String,
    /// The peer's block as a place of our layout.
    pub place: BlockId,
    /// What stands for the peer's word about it.
    pub word: DetectorId,
}

/// A road that a single slip does not have: from one leg of one turnout to one leg of the other,
/// toe to toe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ForbiddenRoad {
    /// One leg.
    pub from: (TurnoutId, Leg),
    /// The other.
    pub to: (TurnoutId, Leg),
}
