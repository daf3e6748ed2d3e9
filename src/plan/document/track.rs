//! The sections about track: blocks, joins, turnouts, crossovers, slips, crossings, tables.

use super::{Table, Tables, sections};
use crate::engine::layout::{PointsRest, Usage};
use crate::plan::report::Report;
use crate::plan::value::{
    End, Flag, FormatText, Id, Kind, Millis, Pair, Positive, Seconds, Text, Topic, Topics, Words,
    one_of, words,
};
use serde_json::{Value as Json, json};
use toml_edit::Item;

/// The plan's `position` of a turnout, as written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PositionDoc {
    /// Reported.
    #[default]
    Detected,
    /// What was asked, taken as done.
    Told,
    /// Hand-thrown.
    None,
}

/// The plan's `kind` of a slip.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SlipKind {
    /// One of the two curved roads only.
    Single,
    /// Both.
    #[default]
    Double,
}

words! {
    /// What a block is for.
    UsageWord -> Usage {
        "running" => Usage::Running,
        "siding" => Usage::Siding,
        "stub" => Usage::Stub,
        "yard" => Usage::Yard,
    }
    /// The designated position of points.
    RestWord -> PointsRest {
        "normal" => PointsRest::Normal,
        "none" => PointsRest::None,
    }
    /// Where a turnout's position comes from.
    PositionWord -> PositionDoc {
        "detected" => PositionDoc::Detected,
        "told" => PositionDoc::Told,
        "none" => PositionDoc::None,
    }
    /// How many curved roads a slip has.
    SlipWord -> SlipKind {
        "single" => SlipKind::Single,
        "double" => SlipKind::Double,
    }
}

sections! {
    /// A length of track of defined limits, watched as one.
    BlockDoc "[[block]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The strip that it is drawn on.
        line: Text,
        /// Its length between its ends, in mm.
        length_mm: Positive,
        /// What it is for.
        usage as "use": UsageWord = "running",
        /// Stock comes and goes here by hand.
        fiddle: Flag = false,
        /// How long every detector must be off before it is vacant, in seconds.
        release_s: Seconds,
        /// How long a train may be lost here before the alarm, in seconds.
        lost_s: Seconds,
        /// How long it stays unknown after it was emptied by hand, in seconds.
        fiddle_s: Seconds,
    }

    /// Two ends that meet.
    JoinDoc "[[join]]" {
        /// Two ends: of blocks (.a .b), turnouts (.toe .normal .reverse) or crossings (.first.a
        /// ...).
        ends: Pair<End>; required,
    }

    /// Points and the track around them, out to the clearance points.
    TurnoutDoc "[[turnout]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The end that its toe meets: shorthand for a join.
        toe: End,
        /// The end that its straight leg meets: shorthand for a join.
        normal: End,
        /// The end that its diverging leg meets: shorthand for a join.
        reverse: End,
        /// The block whose detectors see its rails, where it has no section of its own; the block
        /// at the toe where it is not given.
        covered_by: Id,
        /// Its designated position: normal, or none for yard points.
        rest: RestWord = "normal",
        /// Where its position comes from: a message (detected), what was asked (told), or nothing
        /// (none: hand-thrown).
        position: PositionWord = "detected",
        /// Two detectors that feel its blades.
        contacts: Table<ContactsDoc>,
        /// The device that reports its position.
        node: Id,
        /// The length over its rails, in mm.
        length_mm: Positive,
        /// How long it must be without a sign of a vehicle before it is clear, in seconds.
        clear_s: Seconds,
        /// How long after a train has cleared it it may be left diverging, in seconds.
        restore_s: Seconds,
        /// How long it may be set diverging without a train, in seconds.
        awaiting_s: Seconds,
        /// How long its points may be moving, in seconds.
        move_s: Seconds,
        /// How long a new position must last before it counts, in milliseconds.
        position_confirm_ms: Millis,
        /// How long its own detectors must be off before it is vacant as a place, in seconds.
        release_s: Seconds,
        /// How long a train may be lost on it before the alarm, in seconds.
        lost_s: Seconds,
        /// The topic of its position, instead of P/position/ID.
        topic: Topic,
        /// The topic of what was asked of it, instead of P/asked/ID.
        asked_topic: Topic,
        /// How both payloads are read: senml, number, words, or pointer:/path/in/the/json.
        format: FormatText,
        /// A board's own words for normal, reverse and moving.
        words: Words,
        /// Which record of a pack: the resolved name or its end.
        record: Text,
    }

    /// Two detectors that feel the blades of points.
    ContactsDoc "`contacts`" {
        /// On when the points are normal.
        normal: Id; required,
        /// On when the points are reverse.
        reverse: Id; required,
    }

    /// Two turnouts whose reverse ends are joined.
    CrossoverDoc "[[crossover]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// Its two turnouts; their reverse ends are joined for you.
        turnouts: Pair<Id>; required,
        /// How long its two ends may differ, in seconds.
        agree_s: Seconds,
    }

    /// Two crossovers that cross each other between two tracks. Its turnouts ID-a1, ID-a2, ID-b1
    /// and ID-b2, its crossovers ID-ab and ID-ba, and its crossing ID are made for you.
    DoubleCrossoverDoc "[[double_crossover]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The two ends that one track through it meets.
        a: Pair<End>; required,
        /// The two ends that the other track through it meets.
        b: Pair<End>; required,
        /// The designated position of its turnouts.
        rest: RestWord = "normal",
        /// Where the positions of its turnouts come from.
        position: PositionWord = "detected",
        /// The device that reports the positions.
        node: Id,
        /// How long a turnout must be without a sign of a vehicle before it is clear, in seconds.
        clear_s: Seconds,
        /// How long after a train has cleared a turnout it may be left diverging, in seconds.
        restore_s: Seconds,
        /// How long a turnout may be set diverging without a train, in seconds.
        awaiting_s: Seconds,
        /// How long points may be moving, in seconds.
        move_s: Seconds,
        /// How long a new position must last before it counts, in milliseconds.
        position_confirm_ms: Millis,
        /// How long detectors of its own must be off before a turnout or the crossing is vacant as
        /// a place, in seconds.
        release_s: Seconds,
        /// How long a train may be lost on it before the alarm, in seconds.
        lost_s: Seconds,
        /// How long the two ends of a crossover may differ, in seconds.
        agree_s: Seconds,
        /// Topics of the positions by turnout: { a1 = "...", b2 = "..." }, instead of
        /// P/position/ID-a1 and so on.
        topics: Topics,
        /// Topics of what was asked, by turnout.
        asked_topics: Topics,
        /// How the payloads are read.
        format: FormatText,
        /// A board's own words for normal, reverse and moving.
        words: Words,
    }

    /// Two turnouts toe to toe, ID-1 and ID-2, made for you.
    SlipDoc "[[slip]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The two ends that the straight road meets: the normal legs.
        a: Pair<End>; required,
        /// The two ends that the crossing road meets: the reverse legs.
        b: Pair<End>; required,
        /// How many curved roads it has: a single slip has no road from the first end of `b` to the
        /// second end of `a`.
        kind: SlipWord = "double",
        /// The block whose detectors see its rails; at each turnout, the block at its end of `a`
        /// where it is not given.
        covered_by: Id,
        /// The designated position of its turnouts.
        rest: RestWord = "normal",
        /// Where the positions of its turnouts come from.
        position: PositionWord = "detected",
        /// The device that reports the positions.
        node: Id,
        /// How long a turnout must be without a sign of a vehicle before it is clear, in seconds.
        clear_s: Seconds,
        /// How long after a train has cleared a turnout it may be left diverging, in seconds.
        restore_s: Seconds,
        /// How long a turnout may be set diverging without a train, in seconds.
        awaiting_s: Seconds,
        /// How long points may be moving, in seconds.
        move_s: Seconds,
        /// How long a new position must last before it counts, in milliseconds.
        position_confirm_ms: Millis,
        /// How long detectors of its own must be off before a turnout is vacant as a place, in
        /// seconds.
        release_s: Seconds,
        /// How long a train may be lost on it before the alarm, in seconds.
        lost_s: Seconds,
        /// Topics of the positions by turnout: { 1 = "...", 2 = "..." }, instead of P/position/ID-1
        /// and P/position/ID-2.
        topics: Topics,
        /// Topics of what was asked, by turnout.
        asked_topics: Topics,
        /// How the payloads are read.
        format: FormatText,
        /// A board's own words for normal, reverse and moving.
        words: Words,
    }

    /// A place where two tracks cross and do not join.
    CrossingDoc "[[crossing]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The two ends that one track meets.
        first: Pair<End>; required,
        /// The two ends that the other track meets.
        second: Pair<End>; required,
        /// How long its detectors must be off before it is vacant as a place, in seconds.
        release_s: Seconds,
        /// How long a train may be lost on it before the alarm, in seconds.
        lost_s: Seconds,
    }

    /// A turntable, transfer table or lift-out bridge.
    TableDoc "[[table]]" {
        /// Its id, unique in the file.
        id: Id; required,
        /// Shown to people; the id where it is not given.
        name: Text,
        /// The block that moves; made for you where no block has this id.
        bridge: Id; required,
        /// The stop where it belongs when not in use.
        rest: Text,
        /// Where it can stop.
        stop: Tables<StopDoc>; required,
        /// How long after the last train left it may be away from its rest, in seconds.
        restore_s: Seconds,
        /// How long it may be moving, in seconds.
        move_s: Seconds,
        /// How long a new position must last before it counts, in milliseconds.
        position_confirm_ms: Millis,
        /// The device that reports its position.
        node: Id,
        /// The topic of its position, instead of P/position/ID.
        topic: Topic,
        /// The topic of what was asked of it, instead of P/asked/ID.
        asked_topic: Topic,
        /// How both payloads are read.
        format: FormatText,
        /// A board's own words for the stops and `between`.
        words: Words,
        /// Which record of a pack: the resolved name or its end.
        record: Text,
    }

    /// One position of a table and what it joins.
    StopDoc "[[table.stop]]" {
        /// The stop's name, as its position is reported.
        at_name as "at": Text; required,
        /// The end that the bridge's end a meets here.
        a: End,
        /// The end that the bridge's end b meets here.
        b: End,
    }
}
