//! What a scrape reads off the snapshot: states, readings, silence. Built afresh for each scrape,
//! so an item that has gone leaves nothing behind.

use prometheus::proto::MetricFamily;
use prometheus::{CounterVec, GaugeVec, Opts, Registry};

use super::table::{self, Row};
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
pub(super) fn gather(
    facts: &Facts<'_>,
    left_diverging: impl Fn(&str) -> Span,
) -> Result<Vec<MetricFamily>, prometheus::Error> {
    let sheet = Sheet::default();
    sheet
        .gauge(&table::BUILD_INFO)?
        .with_label_values(&[facts.version])
        .set(1.0);
    sheet.single(&table::UP, facts.now.as_secs_f64())?;
    sheet.single(&table::TRAINS, count(facts.snapshot.trains.len()))?;
    sheet.single(&table::BROKER_CONNECTED, flag(facts.broker_connected))?;
    blocks(&sheet, facts.snapshot)?;
    turnouts(&sheet, &facts.snapshot.turnouts, left_diverging)?;
    detectors(&sheet, &facts.snapshot.detectors, facts.now)?;
    alarms(&sheet, &facts.snapshot.alarms)?;
    measures(&sheet, &facts.snapshot.measures)?;
    sheet.single(&table::LISTENING, count(facts.listening))?;
    ways(&sheet, &facts.ways)?;
    Ok(sheet.registry.gather())
}

fn blocks(sheet: &Sheet, snapshot: &Snapshot) -> Result<(), prometheus::Error> {
    let states = sheet.gauge(&table::BLOCK_STATE)?;
    for block in &snapshot.blocks {
        for (state, word) in OCCUPANCIES {
            states
                .with_label_values(&[&block.id, word])
                .set(flag(block.state == state));
        }
    }
    Ok(())
}

fn turnouts(
    sheet: &Sheet,
    turnouts: &[TurnoutView],
    left_diverging: impl Fn(&str) -> Span,
) -> Result<(), prometheus::Error> {
    let states = sheet.gauge(&table::TURNOUT_STATE)?;
    let movements = sheet.counter(&table::TURNOUT_MOVEMENTS)?;
    let left = sheet.counter(&table::LEFT_DIVERGING)?;
    for turnout in turnouts {
        for (position, position_word) in POSITIONS {
            for (state, word) in CLEARANCES {
                let holds = turnout.position == position && turnout.state == state;
                let labels = [turnout.id.as_str(), position_word, word];
                states.with_label_values(&labels).set(flag(holds));
            }
        }
        movements
            .with_label_values(&[&turnout.id])
            .inc_by(count64(turnout.movements));
        let seconds = left_diverging(&turnout.id).as_secs_f64();
        left.with_label_values(&[&turnout.id]).inc_by(seconds);
    }
    Ok(())
}

fn detectors(
    sheet: &Sheet,
    detectors: &[DetectorView],
    now: Instant,
) -> Result<(), prometheus::Error> {
    let current = sheet.gauge(&table::DETECTOR_CURRENT)?;
    let level = sheet.gauge(&table::DETECTOR_LEVEL)?;
    let lux = sheet.gauge(&table::DETECTOR_LUX)?;
    let silence = sheet.gauge(&table::DETECTOR_SILENCE)?;
    let dropouts = sheet.counter(&table::DETECTOR_DROPOUTS)?;
    let passes = sheet.counter(&table::DETECTOR_PASSES)?;
    let health = sheet.gauge(&table::DETECTOR_HEALTH)?;
    let steps = sheet.counter(&table::DETECTOR_CLOCK_STEPS)?;
    for detector in detectors {
        let id = [detector.id.as_str()];
        if let Some(reading) = detector.reading {
            match detector.unit {
                "mA" => current.with_label_values(&id).set(reading / 1_000.0),
                "A" => current.with_label_values(&id).set(reading),
                "%" => level.with_label_values(&id).set(reading / 100.0),
                "/" => level.with_label_values(&id).set(reading),
                "lx" => lux.with_label_values(&id).set(reading),
                // A contact has no level.
                _ => {}
            }
        }
        let silent = now.since(detector.heard.unwrap_or_default());
        silence.with_label_values(&id).set(silent.as_secs_f64());
        dropouts
            .with_label_values(&id)
            .inc_by(count64(detector.dropouts));
        passes
            .with_label_values(&id)
            .inc_by(count64(detector.passes));
        steps
            .with_label_values(&id)
            .inc_by(count64(detector.clock_steps));
        for one in Health::ALL {
            health
                .with_label_values(&[detector.id.as_str(), one.word()])
                .set(flag(detector.health == one));
        }
    }
    Ok(())
}

fn alarms(sheet: &Sheet, alarms: &[AlarmView]) -> Result<(), prometheus::Error> {
    let active = sheet.gauge(&table::ALARMS_ACTIVE)?;
    for priority in [Priority::Low, Priority::Medium, Priority::High] {
        let number = alarms
            .iter()
            .filter(|alarm| alarm.priority == priority && counts(alarm));
        active
            .with_label_values(&[priority.word()])
            .set(count(number.count()));
    }
    Ok(())
}

fn measures(sheet: &Sheet, measures: &Measures) -> Result<(), prometheus::Error> {
    sheet.single(&table::ALARMS_AVERAGE, measures.per_10_min)?;
    sheet.single(&table::ALARMS_LAST, f64::from(measures.last_10_min))?;
    sheet.single(&table::ALARMS_PEAK, f64::from(measures.peak_10_min))?;
    sheet.single(&table::ALARM_FLOOD, flag(measures.flood))?;
    sheet.single(&table::ALARM_FLOOD_RATIO, measures.flood_percent / 100.0)?;
    sheet.single(&table::ALARMS_CHATTERING, count(measures.chattering.len()))?;
    sheet.single(&table::ALARMS_STALE, count(measures.stale.len()))?;
    sheet.single(&table::ALARMS_SHELVED, count(measures.shelved))?;
    let split = sheet.gauge(&table::ALARMS_SPLIT)?;
    for priority in [Priority::Low, Priority::Medium, Priority::High] {
        split
            .with_label_values(&[priority.word()])
            .set(measures.percent(priority) / 100.0);
    }
    Ok(())
}

fn ways(sheet: &Sheet, ways: &[(String, Counts)]) -> Result<(), prometheus::Error> {
    let outcomes = sheet.counter(&table::NOTICES)?;
    let waiting = sheet.gauge(&table::NOTICES_WAITING)?;
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
            outcomes
                .with_label_values(&[way.as_str(), outcome])
                .inc_by(count64(number));
        }
        waiting
            .with_label_values(&[way.as_str()])
            .set(count64(counts.waiting));
    }
    Ok(())
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

/// The metrics of one scrape.
#[derive(Default)]
struct Sheet {
    registry: Registry,
}

impl Sheet {
    fn gauge(&self, row: &Row) -> Result<GaugeVec, prometheus::Error> {
        let gauge = GaugeVec::new(Opts::new(row.name, row.help), row.labels)?;
        self.registry.register(Box::new(gauge.clone()))?;
        Ok(gauge)
    }

    fn counter(&self, row: &Row) -> Result<CounterVec, prometheus::Error> {
        let counter = CounterVec::new(Opts::new(row.name, row.help), row.labels)?;
        self.registry.register(Box::new(counter.clone()))?;
        Ok(counter)
    }

    fn single(&self, row: &Row, value: f64) -> Result<(), prometheus::Error> {
        self.gauge(row)?
            .with_label_values(&[] as &[&str])
            .set(value);
        Ok(())
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
