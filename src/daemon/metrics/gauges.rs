//! What a scrape reads off the snapshot: states, readings, silence. Built afresh for each scrape,
//! so an item that has gone leaves nothing behind.

use super::sheet::{Family, Sheet};
use super::table;
use crate::daemon::notify::Counts;
use crate::engine::alarm::kinds::Priority;
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::alarm::measures::Measures;
use crate::engine::change::{Clearance, Health, Occupancy};
use crate::engine::input::Position;
use crate::engine::snapshot::{AlarmView, DetectorView, Snapshot, TurnoutView};
use crate::engine::time::{Instant, Span};

/// What the gauges are read from.
#[derive(Debug)]
pub struct Facts<'a> {
    /// The present.
    pub now: Instant,
    /// Everything that the engine knows.
    pub snapshot: &'a Snapshot,
    /// Whether the broker is connected.
    pub broker_connected: bool,
    /// The program's version.
    pub version: &'a str,
    /// Pages that are open with sound.
    pub listening: usize,
    /// What became of the notices, by way out.
    pub ways: Vec<(String, Counts)>,
}

/// Every block state, with its word.
const OCCUPANCIES: [(Occupancy, &str); 5] = [
    (Occupancy::Unknown, "unknown"),
    (Occupancy::Vacant, "vacant"),
    (Occupancy::Occupied, "occupied"),
    (Occupancy::Dark, "dark"),
    (Occupancy::Lost, "lost"),
];

/// Every position of points, with its word.
const POSITIONS: [(Position, &str); 4] = [
    (Position::Normal, "normal"),
    (Position::Reverse, "reverse"),
    (Position::Moving, "moving"),
    (Position::Unknown, "unknown"),
];

/// Every clearance, with its word.
const CLEARANCES: [(Clearance, &str); 6] = [
    (Clearance::Free, "free"),
    (Clearance::Awaiting, "awaiting"),
    (Clearance::Cleared, "cleared"),
    (Clearance::LeftDiverging, "left-diverging"),
    (Clearance::Fouled, "fouled"),
    (Clearance::Unknown, "unknown"),
];

/// All gauges, and the counters that the engine keeps.
pub(super) fn write(sheet: &mut Sheet, facts: &Facts<'_>, left_diverging: impl Fn(&str) -> Span) {
    let snapshot = facts.snapshot;
    let mut version = Family::of(&table::BUILD_INFO);
    version.add(&[facts.version], 1.0);
    sheet.put(version);
    sheet.single(&table::UP, facts.now.as_secs_f64());
    sheet.single(&table::TRAINS, count(snapshot.trains.len()));
    sheet.single(&table::BROKER_CONNECTED, flag(facts.broker_connected));
    blocks(sheet, snapshot);
    turnouts(sheet, &snapshot.turnouts, left_diverging);
    readings(sheet, &snapshot.detectors);
    detectors(sheet, &snapshot.detectors, facts.now);
    alarms(sheet, &snapshot.alarms);
    measures(sheet, &snapshot.measures);
    sheet.single(&table::LISTENING, count(facts.listening));
    ways(sheet, &facts.ways);
}

fn blocks(sheet: &mut Sheet, snapshot: &Snapshot) {
    let mut states = Family::of(&table::BLOCK_STATE);
    for block in &snapshot.blocks {
        for (state, word) in OCCUPANCIES {
            states.add(&[&block.id, word], flag(block.state == state));
        }
    }
    sheet.put(states);
}

fn turnouts(sheet: &mut Sheet, turnouts: &[TurnoutView], left_diverging: impl Fn(&str) -> Span) {
    let mut states = Family::of(&table::TURNOUT_STATE);
    for turnout in turnouts {
        for (position, position_word) in POSITIONS {
            for (state, word) in CLEARANCES {
                let holds = turnout.position == position && turnout.state == state;
                states.add(&[&turnout.id, position_word, word], flag(holds));
            }
        }
    }
    sheet.put(states);
    let mut movements = Family::of(&table::TURNOUT_MOVEMENTS);
    let mut left = Family::of(&table::LEFT_DIVERGING);
    for turnout in turnouts {
        movements.add(&[&turnout.id], count64(turnout.movements));
        left.add(&[&turnout.id], left_diverging(&turnout.id).as_secs_f64());
    }
    sheet.put(movements);
    sheet.put(left);
}

fn readings(sheet: &mut Sheet, detectors: &[DetectorView]) {
    let mut current = Family::of(&table::DETECTOR_CURRENT);
    let mut level = Family::of(&table::DETECTOR_LEVEL);
    let mut lux = Family::of(&table::DETECTOR_LUX);
    for detector in detectors {
        let id: [&str; 1] = [&detector.id];
        if let Some(reading) = detector.reading {
            match detector.unit {
                "mA" => current.add(&id, reading / 1_000.0),
                "A" => current.add(&id, reading),
                "%" => level.add(&id, reading / 100.0),
                "/" => level.add(&id, reading),
                "lx" => lux.add(&id, reading),
                // A contact has no level.
                _ => {}
            }
        }
    }
    sheet.put(current);
    sheet.put(level);
    sheet.put(lux);
}

fn detectors(sheet: &mut Sheet, detectors: &[DetectorView], now: Instant) {
    let each = |row, read: &dyn Fn(&DetectorView) -> f64| {
        let mut family = Family::of(row);
        for detector in detectors {
            family.add(&[&detector.id], read(detector));
        }
        family
    };
    let silence = |d: &DetectorView| now.since(d.heard.unwrap_or_default()).as_secs_f64();
    sheet.put(each(&table::DETECTOR_SILENCE, &silence));
    sheet.put(each(&table::DETECTOR_DROPOUTS, &|d| count64(d.dropouts)));
    sheet.put(each(&table::DETECTOR_PASSES, &|d| count64(d.passes)));
    let steps = |d: &DetectorView| count64(d.clock_steps);
    sheet.put(each(&table::DETECTOR_CLOCK_STEPS, &steps));
    let mut health = Family::of(&table::DETECTOR_HEALTH);
    for detector in detectors {
        for one in Health::ALL {
            health.add(&[&detector.id, one.word()], flag(detector.health == one));
        }
    }
    sheet.put(health);
}

fn alarms(sheet: &mut Sheet, alarms: &[AlarmView]) {
    let mut active = Family::of(&table::ALARMS_ACTIVE);
    for priority in [Priority::Low, Priority::Medium, Priority::High] {
        let number = alarms
            .iter()
            .filter(|alarm| alarm.priority == priority && counts(alarm));
        active.add(&[priority.word()], count(number.count()));
    }
    sheet.put(active);
}

fn measures(sheet: &mut Sheet, measures: &Measures) {
    sheet.single(&table::ALARMS_AVERAGE, measures.per_10_min);
    sheet.single(&table::ALARMS_LAST, f64::from(measures.last_10_min));
    sheet.single(&table::ALARMS_PEAK, f64::from(measures.peak_10_min));
    sheet.single(&table::ALARM_FLOOD, flag(measures.flood));
    sheet.single(&table::ALARM_FLOOD_RATIO, measures.flood_percent / 100.0);
    sheet.single(&table::ALARMS_CHATTERING, count(measures.chattering.len()));
    sheet.single(&table::ALARMS_STALE, count(measures.stale.len()));
    sheet.single(&table::ALARMS_SHELVED, count(measures.shelved));
    let mut split = Family::of(&table::ALARMS_SPLIT);
    for priority in [Priority::Low, Priority::Medium, Priority::High] {
        split.add(&[priority.word()], measures.percent(priority) / 100.0);
    }
    sheet.put(split);
}

fn ways(sheet: &mut Sheet, ways: &[(String, Counts)]) {
    let mut outcomes = Family::of(&table::NOTICES);
    let mut waiting = Family::of(&table::NOTICES_WAITING);
    for (way, counts) in ways {
        let rows = [
            ("sent", counts.sent),
            ("failed", counts.failed),
            ("refused", counts.refused),
            ("dropped", counts.dropped),
            ("withdrawn", counts.withdrawn),
            ("late", counts.late),
        ];
        for (outcome, number) in rows {
            outcomes.add(&[way, outcome], count64(number));
        }
        waiting.add(&[way], count64(counts.waiting));
    }
    sheet.put(outcomes);
    sheet.put(waiting);
}

/// The condition lasts, and nobody and nothing has put the alarm aside.
fn counts(alarm: &AlarmView) -> bool {
    alarm.active
        && match alarm.state {
            AlarmState::Unacknowledged
            | AlarmState::Acknowledged
            | AlarmState::LatchedUnacknowledged
            | AlarmState::LatchedAcknowledged => true,
            AlarmState::Normal
            | AlarmState::ReturnedUnacknowledged
            | AlarmState::Shelved
            | AlarmState::Suppressed
            | AlarmState::OutOfService => false,
        }
}

fn flag(holds: bool) -> f64 {
    f64::from(u8::from(holds))
}

fn count(number: usize) -> f64 {
    number as f64
}

fn count64(number: u64) -> f64 {
    number as f64
}
