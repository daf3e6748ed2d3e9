//! What holds whatever comes in: random evenings on every good plan, straight into the engine.
//!
//! Nothing here knows how the engine decides. The only thing recomputed is what a threshold
//! detector last said, so that a `vacant` without proof is found.

#[path = "../../simulator/tests/scoring/account.rs"]
mod account;
mod accounts;
mod asked;
mod dice;
mod light;
mod more;
#[path = "../../simulator/tests/scoring/reader.rs"]
mod reader;
mod rooms;
mod settle;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use proptest::prelude::*;
use taillamp::engine::Engine;
use taillamp::engine::change::{Change, Clearance, Occupancy, What};
use taillamp::engine::ids::{BlockId, DetectorId, FeedId, NodeId, TableId, TrainId, TurnoutId};
use taillamp::engine::input::{Command, Input, Position, Reading, Sample, TablePosition, Word};
use taillamp::engine::layout::{Decide, Detector, Layout, Subject, Watches};
use taillamp::engine::snapshot::Snapshot;
use taillamp::engine::time::{Instant, Span};
use taillamp::plan;

use reader::Reader;

/// One step of an evening: how long after the last one, and what.
#[derive(Clone, Debug)]
struct Step {
    wait_ms: u64,
    what: Kind,
}

#[derive(Clone, Debug)]
enum Kind {
    /// A detector says a vehicle, nothing, something between, or rubbish.
    Sample(usize, u8),
    Position(usize, u8),
    Asked(usize, u8),
    Table(usize, usize),
    Switch(usize, bool),
    Volts(usize, i32),
    Node(usize, bool),
    Broker(bool),
    Word(usize, u8),
    Tick,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let kind = prop_oneof![
        12 => (any::<usize>(), 0_u8..8).prop_map(|(d, v)| Kind::Sample(d, v)),
        3 => (any::<usize>(), 0_u8..3).prop_map(|(t, p)| Kind::Position(t, p)),
        1 => (any::<usize>(), 0_u8..2).prop_map(|(t, p)| Kind::Asked(t, p)),
        1 => (any::<usize>(), 0_usize..5).prop_map(|(t, p)| Kind::Table(t, p)),
        2 => (any::<usize>(), any::<bool>()).prop_map(|(f, on)| Kind::Switch(f, on)),
        1 => (any::<usize>(), -15..15_i32).prop_map(|(f, v)| Kind::Volts(f, v)),
        1 => (any::<usize>(), any::<bool>()).prop_map(|(n, on)| Kind::Node(n, on)),
        1 => any::<bool>().prop_map(Kind::Broker),
        1 => (any::<usize>(), 0_u8..10).prop_map(|(i, w)| Kind::Word(i, w)),
        2 => Just(Kind::Tick),
    ];
    let wait = prop_oneof![4 => 0_u64..400, 2 => 400_u64..3_000, 1 => 3_000_u64..20_000];
    prop::collection::vec(
        (wait, kind).prop_map(|(wait_ms, what)| Step { wait_ms, what }),
        1..200,
    )
}

fn input(layout: &Layout, kind: &Kind) -> Option<Input> {
    let pick = |index: usize, len: usize| (len > 0).then(|| (index % len) as u32);
    let position = |p: u8| [Position::Normal, Position::Reverse, Position::Moving][p as usize % 3];
    Some(match *kind {
        Kind::Sample(index, value) => {
            let detector = pick(index, layout.detectors.len())?;
            Input::Reading(Sample {
                detector: DetectorId(detector),
                reading: reading(&layout.detectors[detector as usize], value),
                own_time: None,
                update_within: None,
                retained: value == 7,
            })
        }
        Kind::Position(t, p) => {
            Input::Position(TurnoutId(pick(t, layout.turnouts.len())?), position(p))
        }
        Kind::Asked(t, p) => Input::Asked(TurnoutId(pick(t, layout.turnouts.len())?), position(p)),
        Kind::Table(t, stop) => {
            let table = pick(t, layout.tables.len())?;
            let stops = layout.tables[table as usize].stops.len();
            let position = if stop < stops {
                TablePosition::At(stop)
            } else {
                TablePosition::Between
            };
            Input::TablePosition(TableId(table), position)
        }
        Kind::Switch(f, on) => Input::FeedSwitch(FeedId(pick(f, layout.feeds.len())?), on),
        Kind::Volts(f, v) => Input::FeedVoltage(FeedId(pick(f, layout.feeds.len())?), f64::from(v)),
        Kind::Node(n, online) => Input::Node(NodeId(pick(n, layout.nodes.len())?), online),
        Kind::Broker(back) => Input::Broker(back),
        Kind::Word(index, word) => Input::Command(command(layout, index, word)?, Word::default()),
        Kind::Tick => Input::Tick,
    })
}

/// In raw counts where the detector has a scale.
fn reading(detector: &Detector, value: u8) -> Reading {
    let raw = |level: f64| Reading::Level((level + detector.zero) / detector.scale);
    match &detector.decide {
        Decide::Boolean => Reading::Seen(value.is_multiple_of(2)),
        Decide::Threshold { on, off } => raw(match value {
            // Clear of the threshold, and not below nothing.
            0..=2 => (*off + (*off - *on) * 0.2).max(0.0),
            3..=5 => *on + (*on - *off) * 0.5,
            6 => f64::midpoint(*on, *off),
            _ => f64::NAN,
        }),
        Decide::Sequential(s) => Reading::Level(if value < 4 {
            s.vacant_mean
        } else {
            s.occupied_mean
        }),
    }
}

fn command(layout: &Layout, index: usize, word: u8) -> Option<Command> {
    let block = BlockId((index % layout.blocks.len()) as u32);
    let turnouts = layout.turnouts.len();
    let turnout = (turnouts > 0).then(|| TurnoutId((index % turnouts) as u32));
    let detector = DetectorId((index % layout.detectors.len()) as u32);
    Some(match word {
        0 => Command::StandsHere(block.into(), None),
        1 => Command::Empty(block.into()),
        2 => Command::RemovedByHand(block.into()),
        3 => Command::Seen(turnout?, Position::Normal),
        4 => Command::InCharge(turnout?, Span::from_secs(30)),
        5 => Command::OutOfService(detector),
        6 => Command::InService(detector),
        // Most often one that is there, and now and then in the block.
        7 => Command::DivideTrain(TrainId(index as u32 % 4 + 1), Some(block.into()), None),
        8 => Command::Acknowledge(format!(
            "left-diverging:{}",
            layout.turnouts.get(turnout?.index())?.id
        )),
        _ => Command::Shelve(
            format!("train-lost:{}", layout.blocks.get(block.index())?.id),
            Span::from_secs(20),
        ),
    })
}

fn layouts() -> Vec<(String, Layout)> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let mut files: Vec<PathBuf> = std::fs::read_dir(root.join("tests/plans"))
        .expect("the plans are in the tree")
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.to_string_lossy().ends_with(".good.toml"))
        .collect();
    files.push(root.join("simulator/plans/demo.toml"));
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let text = std::fs::read_to_string(&path).expect("a plan of the tree can be read");
            let name = path.display().to_string();
            let (plan, findings) = plan::load(&text, &name);
            let plan = plan.unwrap_or_else(|| panic!("{name}: {findings:?}"));
            (name, Arc::unwrap_or_clone(plan.layout))
        })
        .filter(|(_, layout)| !layout.detectors.is_empty())
        .collect()
}

/// What each threshold or boolean detector last said beyond doubt, and since when; and which are
/// out of service.
#[derive(Default)]
struct Said(BTreeMap<DetectorId, (bool, Instant)>, BTreeSet<DetectorId>);

impl Said {
    fn hear(&mut self, layout: &Layout, sample: &Sample, now: Instant) {
        let detector = &layout.detectors[sample.detector.index()];
        let level = |raw: f64| raw * detector.scale - detector.zero;
        let says = match (&detector.decide, sample.reading) {
            (Decide::Boolean, Reading::Seen(seen)) => Some(seen),
            (Decide::Threshold { on, off }, Reading::Level(raw)) if on > off => {
                let level = level(raw);
                if level >= *on {
                    Some(true)
                } else {
                    (level <= *off).then_some(false)
                }
            }
            (Decide::Threshold { on, off }, Reading::Level(raw)) => {
                let level = level(raw);
                if level <= *on {
                    Some(true)
                } else {
                    (level >= *off).then_some(false)
                }
            }
            _ => None,
        };
        // Old news counts for a detector that reports changes only, while its node is online.
        let old_news = sample.retained && (detector.max_silence.is_some() || says == Some(true));
        if let Some(says) = says
            && !old_news
            && self
                .0
                .get(&sample.detector)
                .is_none_or(|(was, _)| *was != says)
        {
            self.0.insert(sample.detector, (says, now));
        }
    }
}

/// Plays the steps; gives back everything that changed. Checks what must hold at every step.
fn play(name: &str, layout: &Layout, steps: &[Step]) -> Vec<Change> {
    let mut engine = Engine::new(layout.clone(), Instant(0));
    let mut said = Said::default();
    let mut all = Vec::new();
    let mut now = Instant(0);
    for step in steps {
        now = now.plus(Span::from_millis(step.wait_ms));
        let Some(input) = input(layout, &step.what) else {
            continue;
        };
        // Timers come first, with what was said before.
        engine.advance(now);
        check_vacancies(name, layout, &said, &engine.drain(), &mut all);
        match &input {
            Input::Reading(sample) => said.hear(layout, sample, now),
            Input::Command(Command::OutOfService(id), _) => {
                said.1.insert(*id);
            }
            Input::Command(Command::InService(id), _) => {
                said.1.remove(id);
            }
            _ => {}
        }
        engine.handle(now, input);
        check_vacancies(name, layout, &said, &engine.drain(), &mut all);
        if let Some((due, what)) = engine.next_deadline() {
            assert!(
                due > now,
                "{name}: a {what} timer is left due at {due}, now {now}"
            );
        }
        assert_eq!(engine.now(), now, "{name}: the engine's present");
        check_trains(name, &engine.snapshot());
    }
    let _ = Engine::recall(layout.clone(), Instant(0), &engine.memory()).snapshot();
    all
}

/// Every train is somewhere, nowhere twice, and known there.
fn check_trains(name: &str, told: &Snapshot) {
    for train in &told.trains {
        let (id, held) = (&train.id, &train.blocks);
        assert!(!held.is_empty(), "{name}: {id} is nowhere");
        let once: BTreeSet<&String> = held.iter().collect();
        assert_eq!(once.len(), held.len(), "{name}: {id} is in {held:?}");
        for block in told.blocks.iter().filter(|block| held.contains(&block.id)) {
            assert!(
                block.trains.contains(id),
                "{name}: {} does not know {id}",
                block.id
            );
        }
    }
}

/// No block becomes vacant while one of its detectors last said 'a vehicle', or before its release
/// time has passed since the last one went off; but for the operator's word.
fn check_vacancies(
    name: &str,
    layout: &Layout,
    said: &Said,
    changes: &[Change],
    all: &mut Vec<Change>,
) {
    for change in changes {
        if let What::Block {
            block,
            state,
            why,
            was,
            ..
        } = &change.what
            && *state == Occupancy::Vacant
            && *was != Occupancy::Lost
        {
            for (index, detector) in layout.detectors.iter().enumerate() {
                let watches = matches!(detector.subject, Subject::Block(b, _) if b == *block);
                if !watches || matches!(detector.decide, Decide::Sequential(_)) {
                    continue;
                }
                let id = DetectorId(index as u32);
                let release = layout.blocks[block.index()].release;
                let spot = detector.watches == Watches::Spot;
                match said.0.get(&id) {
                    // It is not asked.
                    _ if spot && said.1.contains(&id) => {}
                    Some((false, since)) => assert!(
                        change.at >= since.plus(release),
                        "{name}: {} vacant at {} ({why}), {} off only since {since}",
                        layout.blocks[block.index()].id,
                        change.at,
                        detector.id
                    ),
                    other => panic!(
                        "{name}: {} vacant at {} ({why}), {} said {other:?}",
                        layout.blocks[block.index()].id,
                        change.at,
                        detector.id
                    ),
                }
            }
        }
        if let Some(last) = all.last() {
            assert!(
                change.at >= last.at,
                "{name}: time goes back at {}",
                change.at
            );
        }
        all.push(change.clone());
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 40,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// The stages come to rest, no timer stays due, time never goes back, nothing is vacant without
    /// proof, and the same evening gives the same changes.
    #[test]
    fn whatever_comes_in(steps in steps()) {
        for (name, layout) in layouts() {
            let once = play(&name, &layout, &steps);
            let twice = play(&name, &layout, &steps);
            prop_assert_eq!(once, twice);
        }
    }

    /// Whoever takes each record that is called touched, and no other, holds what is so.
    #[test]
    fn what_changed_is_told(steps in steps()) {
        for (name, layout) in layouts() {
            let mut engine = Engine::new(layout.clone(), Instant(0));
            let mut reader = Reader::new(&layout, &engine);
            let mut now = Instant(0);
            for step in &steps {
                now = now.plus(Span::from_millis(step.wait_ms));
                if let Some(input) = input(&layout, &step.what) {
                    engine.handle(now, input);
                    reader.read(&mut engine);
                    reader.compare(&engine);
                }
            }
            prop_assert!(reader.stale.is_empty(), "{}: {:#?}", name, reader.stale);
        }
    }

    /// Silence alone never makes anything vacant, free or cleared.
    #[test]
    fn silence_proves_nothing(steps in steps()) {
        for (name, layout) in layouts() {
            let mut engine = Engine::new(layout.clone(), Instant(0));
            let mut now = Instant(0);
            for step in &steps {
                now = now.plus(Span::from_millis(step.wait_ms));
                if let Some(input) = input(&layout, &step.what) {
                    engine.handle(now, input);
                }
            }
            // Everything is lost at once; what was under way may be decided before it is noticed.
            engine.handle(now, Input::Broker(false));
            engine.advance(now.plus(Span::from_secs(30)));
            engine.drain();
            engine.advance(now.plus(Span::from_secs(3_600)));
            for change in engine.drain() {
                if let What::Block { state, .. } = change.what {
                    prop_assert!(state != Occupancy::Vacant, "{}: vacant by silence", name);
                }
                if let What::Turnout { state, .. } = change.what {
                    let clear = matches!(
                        state,
                        Clearance::Free | Clearance::Cleared | Clearance::Awaiting
                    );
                    prop_assert!(!clear, "{}: {:?} by silence", name, state);
                }
            }
        }
    }
}
