//! The sections about what hangs on wires: feeds, detectors, nodes.

use super::{Table, sections};
use crate::engine::layout::{DetectorKind, FeedRest, Leg, Side, Supply, Watches};
use crate::plan::report::Report;
use crate::plan::value::{
    Count, Flag, FormatText, Hours, Id, Kind, List, Millis, Number, Payload, Positive, Range,
    Seconds, Text, Topic, Via, Words, one_of, words,
};
use serde_json::{Value as Json, json};
use toml_edit::Item;

/// The plan's `decide` of a detector.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DecideDoc {
    /// Two thresholds.
    #[default]
    Threshold,
    /// A cumulative-sum test.
    Sequential,
}

words! {
    /// Where a feed belongs when not in use.
    FeedRestWord -> FeedRest {
        "off" => FeedRest::Off,
        "on" => FeedRest::On,
        "any" => FeedRest::Any,
    }
    /// How a feed is supplied.
    SupplyWord -> Supply {
        "steady" => Supply::Steady,
        "throttle" => Supply::Throttle,
    }
    /// How a detector senses.
    DetectorKindWord -> DetectorKind {
        "current" => DetectorKind::Current,
        "optical" => DetectorKind::Optical,
        "contact" => DetectorKind::Contact,
    }
    /// Whether a detector's `off` speaks for the whole place.
    WatchesWord -> Watches {
        "whole" => Watches::Whole,
        "spot" => Watches::Spot,
    }
    /// How samples become evidence.
    DecideWord -> DecideDoc {
        "threshold" => DecideDoc::Threshold,
        "sequential" => DecideDoc::Sequential,
    }
    /// The unit of readings: mA for current; %, / (0 to 1) or lx for light.
    UnitWord -> &'static str {
        "mA" => "mA",
        "%" => "%",
        "/" => "/",
        "lx" => "lx",
    }
    /// One of the three ends of a turnout.
    LegWord -> Leg {
        "toe" => Leg::Toe,
        "normal" => Leg::Normal,
        "reverse" => Leg::Reverse,
    }
    /// One of the two ends of a block.
    SideWord -> Side {
        "a" => Side::A,
        "b" => Side::B,
    }
}

sections! {
    /// A power switch and what it supplies.
    FeedDoc "[[feed]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The blocks that it supplies, and turnouts with detectors of their own; none for lights,
        /// sounds, gates.
        blocks: List<Id>,
        /// Turnouts with detectors of their own that it supplies; they may stand in `blocks` as
        /// well.
        turnouts: List<Id>,
        /// Where it belongs when not in use.
        rest: FeedRestWord = "any",
        /// The feed that supplies this one: on only if that one is.
        of: Id,
        /// A position that switches it, without a message: TURNOUT.normal, TURNOUT.reverse or
        /// TABLE.stop.
        via: Via,
        /// Always the same voltage (steady), or what the throttle gives (throttle).
        supply: SupplyWord = "steady",
        /// The voltage, sign ignored, from which a throttle feed is live, in volts.
        see_volts: Positive,
        /// How long after it is live again readings are waited for, in seconds.
        settle_s: Seconds,
        /// Within which time all its places lose their current when it trips, in milliseconds.
        trip_ms: Millis,
        /// How long an engine may coast out of a place whose power has gone, in seconds.
        coast_s: Seconds,
        /// How long it may be left on unused, in seconds.
        idle_feed_s: Seconds,
        /// The device that reports it.
        node: Id,
        /// Its topic, instead of P/feed/ID.
        topic: Topic,
        /// How the payload is read.
        format: FormatText,
        /// A board's own words for on and off.
        words: Words,
        /// Which record of a pack: the resolved name or its end.
        record: Text,
    }

    /// What turns the world into samples.
    DetectorDoc "[[detector]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// How it senses: current, optical or contact.
        kind: DetectorKindWord; required,
        /// The block or bridge that it watches.
        block: Id,
        /// Near which end of its block a spot is.
        end: SideWord,
        /// The turnout whose own section it is; with `leg`, a beam across that leg.
        turnout: Id,
        /// The leg whose clearance point a beam crosses.
        leg: LegWord,
        /// The table whose edge it watches.
        table: Id,
        /// The crossing that it watches.
        crossing: Id,
        /// The unit of its readings: mA for current; %, / (0 to 1) or lx for light.
        unit: UnitWord,
        /// At or beyond this a vehicle.
        on: Number,
        /// At or beyond this none.
        off: Number,
        /// How samples become evidence: two thresholds, or a sequential test.
        decide: DecideWord = "threshold",
        /// The vacant level of a sequential test.
        vacant: Table<LevelDoc>,
        /// The occupied level of a sequential test.
        occupied: Table<LevelDoc>,
        /// Wanted mean time between false occupancies of a sequential test, in hours.
        false_alarm_every_h: Positive,
        /// Samples a second of a sequential test.
        sample_hz: Positive,
        /// Whether a single reading may be anything, as from a motor that sparks: then none decides
        /// a sequential test alone. false: its noise is known to be normal, and one may.
        spikes: Flag = true,
        /// Whether its `off` speaks for the whole place (whole: current unless said otherwise) or
        /// only for its spot (spot: optical and contact unless said otherwise).
        watches: WatchesWord,
        /// Subtracted before deciding, in its unit.
        zero: Number = 0,
        /// From raw counts to its unit.
        scale: Number = 1,
        /// The sign of a current tells the direction.
        signed: Flag = false,
        /// Plausible readings, low and high, in its unit. Where it is not given: -20 to 20000 mA
        /// (both ways if signed), -5 to 105 %, -0.05 to 1.05, 0 to 200000 lx.
        range: Range,
        /// Above this a short circuit, in mA.
        short_ma: Positive,
        /// How long a sample must stay at or beyond `on` before it counts, in milliseconds.
        confirm_ms: Millis,
        /// How long it may be silent, in seconds. 0: it reports changes only.
        max_silence_s: Seconds,
        /// On for so long while trains come and go it is stuck, in hours.
        stuck_h: Hours,
        /// With more drop-outs an hour than this it is noisy.
        noisy_per_h: Count,
        /// The device that carries it.
        node: Id,
        /// Its topic, instead of P/detector/ID.
        topic: Topic,
        /// How the payload is read: senml (where it is not given), number, words (where `words` is
        /// given), or pointer:/path/in/the/json.
        format: FormatText,
        /// A board's own words for on and off.
        words: Words,
        /// Which record of a pack: the resolved name or its end.
        record: Text,
    }

    /// A level and its spread.
    LevelDoc "the level" {
        /// The mean.
        mean: Number; required,
        /// The standard deviation.
        sd: Positive; required,
    }

    /// A device that carries detectors.
    NodeDoc "[[node]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// Its topic, instead of P/node/ID.
        topic: Topic,
        /// The payload that says it has come.
        online: Payload = "online",
        /// The payload that says it has gone.
        offline: Payload = "offline",
    }
}
