//! Everything that is known at one moment, as plain data with written ids: what the page, the API,
//! the retained topics and the end of a replay show.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::kinds::{AlarmKind, Priority};
use crate::alarm::lifecycle::AlarmState;
use crate::alarm::measures::Measures;
use crate::change::{Clearance, Evidence, Health, Kept, Occupancy, PositionFrom, TableState};
use crate::input::Position;
use crate::time::Instant;

/// Everything, at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// When.
    pub at: Instant,
    /// Whether the broker is there.
    pub broker: bool,
    /// Nodes that are waited for while silence raises nothing: heard from, of all.
    pub waiting: Option<(usize, usize)>,
    /// Blocks and bridges.
    pub blocks: Vec<BlockView>,
    /// Turnouts.
    pub turnouts: Vec<TurnoutView>,
    /// Tables.
    pub tables: Vec<TableView>,
    /// Feeds.
    pub feeds: Vec<FeedView>,
    /// Detectors.
    pub detectors: Vec<DetectorView>,
    /// Trains, oldest first.
    pub trains: Vec<TrainView>,
    /// Alarms that are not normal, most urgent first.
    pub alarms: Vec<AlarmView>,
    /// How much the alarms ask of the operator.
    pub measures: Measures,
    /// Exceptions to 'ready to run'.
    pub line_up: LineUp,
}

/// A block or bridge.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockView {
    /// The written id.
    pub id: String,
    /// Its state.
    pub state: Occupancy,
    /// Since when.
    pub since: Instant,
    /// The trains in it, end a to end b.
    pub trains: Vec<String>,
    /// What is remembered.
    pub kept: Option<Kept>,
    /// Known from before the start, not confirmed since.
    pub remembered: bool,
    /// The operator's word, until evidence speaks.
    pub told: bool,
    /// The cause, in words.
    pub why: String,
}

/// A turnout.
#[derive(Clone, Debug, PartialEq)]
pub struct TurnoutView {
    /// The written id.
    pub id: String,
    /// Where its points are.
    pub position: Position,
    /// Where that is known from.
    pub from: PositionFrom,
    /// Taken as done, not detected.
    pub assumed: bool,
    /// Its clearance.
    pub state: Clearance,
    /// Since when.
    pub since: Instant,
    /// Known from before the start, not confirmed since.
    pub remembered: bool,
    /// Who answers for it, and until when (T11).
    pub in_charge: Option<(String, Instant)>,
    /// How often its points moved since the start.
    pub movements: u64,
    /// The cause, in words.
    pub why: String,
}

/// A table.
#[derive(Clone, Debug, PartialEq)]
pub struct TableView {
    /// The written id.
    pub id: String,
    /// The stop's name, `between` or `unknown`.
    pub position: String,
    /// Its state.
    pub state: TableState,
    /// Since when.
    pub since: Instant,
    /// The cause, in words.
    pub why: String,
}

/// A feed.
#[derive(Clone, Debug, PartialEq)]
pub struct FeedView {
    /// The written id.
    pub id: String,
    /// Its switch, where known.
    pub on: Option<bool>,
    /// Whether it proves anything.
    pub live: bool,
    /// Tripped or fallen away.
    pub failed: bool,
    /// Its voltage, where reported.
    pub volts: Option<f64>,
    /// Since when.
    pub since: Instant,
}

/// A detector.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectorView {
    /// The written id.
    pub id: String,
    /// What it says.
    pub evidence: Evidence,
    /// How it is.
    pub health: Health,
    /// Its last reading, in `unit`.
    pub reading: Option<f64>,
    /// The unit of the reading.
    pub unit: &'static str,
    /// When it was last heard.
    pub heard: Option<Instant>,
    /// Since when the evidence is what it is.
    pub since: Instant,
    /// Drop-outs under trains since the start.
    pub dropouts: u64,
    /// How often a vehicle came since the start, drop-outs not counted.
    pub passes: u64,
    /// Samples dropped since the start: late, implausible.
    pub dropped: (u64, u64),
    /// How often its clock was seen to step.
    pub clock_steps: u64,
}

/// A train.
#[derive(Clone, Debug, PartialEq)]
pub struct TrainView {
    /// `t1`, `t2`...
    pub id: String,
    /// Given by the operator.
    pub name: Option<String>,
    /// Who it is for all daemons of a layout that several share; `None` where there is one.
    pub identity: Option<String>,
    /// The places it holds, tail to head, by written id.
    pub blocks: Vec<String>,
    /// The end that its head faces, as `ID.end`, where known.
    pub heading: Option<String>,
    /// It has not reached the next place in time, or has no direction.
    pub stopped: bool,
    /// Not seen to leave its last place.
    pub lost: bool,
    /// Speed, where lengths are known.
    pub speed_mm_s: Option<f64>,
    /// Speed at scale.
    pub scale_kmh: Option<f64>,
    /// Length, where known.
    pub length_mm: Option<f64>,
    /// Its half-width of uncertainty.
    pub length_sd_mm: Option<f64>,
    /// It is in a place that nothing watches.
    pub unconfirmed: bool,
    /// The evidence allows one story only.
    pub sure: bool,
    /// Trains that it may be instead.
    pub or: Vec<String>,
    /// How likely that is: this train first, then each of `or`, together 1; empty where it is sure.
    pub weights: Vec<(String, f64)>,
    /// The train it parted from.
    pub parent: Option<String>,
    /// The first thing that stops it.
    pub ahead: Option<Ahead>,
    /// Known from before the start, not confirmed since.
    pub remembered: bool,
    /// Since when.
    pub since: Instant,
}

/// What this daemon says to its peers: its side of all borders, at one moment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BorderWord {
    /// This run, whose words are numbered together.
    pub run: String,
    /// Rises with each word that says something else.
    pub number: u64,
    /// What was last heard of each peer: its prefix, run and number.
    pub heard: Vec<(String, String, u64)>,
    /// Our blocks at the borders: id, state, the identities of the trains in it.
    pub blocks: Vec<(String, Occupancy, Vec<String>)>,
    /// All trains.
    pub trains: Vec<crate::input::PeerTrain>,
}

/// The first thing that stops a train.
#[derive(Clone, Debug, PartialEq)]
pub struct Ahead {
    /// The alarm that it would be, as its word.
    pub what: AlarmKind,
    /// The item's written id.
    pub at: String,
    /// Seconds left, at least and at most, where a speed is known.
    pub seconds: Option<(f64, f64)>,
}

/// An alarm that is not normal.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmView {
    /// `type:subject`.
    pub id: String,
    /// Its type.
    pub kind: AlarmKind,
    /// Its subject's written id.
    pub subject: String,
    /// Its priority now.
    pub priority: Priority,
    /// Where in its life it is.
    pub state: AlarmState,
    /// The condition lasts.
    pub active: bool,
    /// When it was raised.
    pub since: Instant,
    /// One sentence.
    pub text: String,
    /// The next thing to do.
    pub to_do: &'static str,
    /// Seconds left, at least and at most.
    pub seconds: Option<(f64, f64)>,
    /// Who acknowledged or shelved it.
    pub by: Option<String>,
    /// Why it was acknowledged or put aside, where somebody said.
    pub reason: Option<String>,
    /// Until when it is shelved.
    pub until: Option<Instant>,
    /// Why it is not announced; `None`: it was.
    pub quiet: Option<Quiet>,
}

/// Why an unacknowledged alarm is shown and not announced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quiet {
    /// The same sentence was announced a moment ago (its type's re-alarm limit).
    Again,
    /// There is a flood, and it is of low priority.
    Flood,
}

impl Quiet {
    /// The word in JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Again => "again",
            Self::Flood => "flood",
        }
    }
}

/// The exceptions to 'ready to run' (DEVELOPERS.md, section 8).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LineUp {
    /// Nothing of level `stops` is listed.
    pub ready: bool,
    /// What is not as it should be.
    pub exceptions: Vec<Exception>,
}

/// One exception.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exception {
    /// The item's written id.
    pub id: String,
    /// It stops running, or is only worth a note.
    pub stops: bool,
    /// What is not as it should be.
    pub text: String,
    /// What to do.
    pub to_do: String,
}
