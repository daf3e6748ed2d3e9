//! What must not depend on the order of what is independent, on a restart, on what stands
//! elsewhere, or on a detector more.

use proptest::prelude::*;
use taillamp::engine::Engine;
use taillamp::engine::change::{Change, Occupancy, What};
use taillamp::engine::ids::{BlockId, DetectorId, NodeId};
use taillamp::engine::input::{Command, Input, Reading, Sample};
use taillamp::engine::layout::{
    Decide, Detector, DetectorKind, Layout, PositionSource, Subject, Watches,
};
use taillamp::engine::snapshot::Snapshot;
use taillamp::engine::time::{Instant, Span};

use super::{Kind, Step, input, layouts, steps};

/// What every block and turnout is, and what is kept: all that a person goes by.
fn shown(engine: &Engine) -> Vec<String> {
    let told = engine.snapshot();
    let blocks = told.blocks.iter();
    let blocks = blocks.map(|block| format!("{} {:?} {:?}", block.id, block.state, block.kept));
    let turnouts = told.turnouts.iter();
    let turnouts = turnouts.map(|it| format!("{} {:?} {:?}", it.id, it.position, it.state));
    blocks.chain(turnouts).collect()
}

fn play(layout: &Layout, inputs: &[(Instant, Input)]) -> (Engine, Vec<Change>) {
    let mut engine = Engine::new(layout.clone(), Instant(0));
    let mut all = Vec::new();
    for (at, input) in inputs {
        engine.handle(*at, input.clone());
        all.extend(engine.drain());
    }
    (engine, all)
}

fn inputs(layout: &Layout, steps: &[Step]) -> Vec<(Instant, Input)> {
    let mut now = Instant(0);
    let mut list = Vec::new();
    for step in steps {
        now = now.plus(Span::from_millis(step.wait_ms));
        list.extend(input(layout, &step.what).map(|input| (now, input)));
    }
    list
}

/// A threshold detector that watches a whole block of its own, and the block.
fn watched(layout: &Layout) -> Option<(DetectorId, BlockId)> {
    let alone = |block: BlockId| {
        let of_it = |d: &&Detector| matches!(d.subject, Subject::Block(other, _) if other == block);
        layout.detectors.iter().filter(of_it).count() == 1
    };
    layout
        .detectors
        .iter()
        .enumerate()
        .find_map(|(index, detector)| {
            let Subject::Block(block, _) = detector.subject else {
                return None;
            };
            let fits = detector.watches == Watches::Whole
                && matches!(detector.decide, Decide::Threshold { .. } | Decide::Boolean)
                && alone(block);
            fits.then_some((DetectorId(index as u32), block))
        })
}

/// What happened, without the numbers that places have inside.
fn events(layout: &Layout, changes: &[Change]) -> Vec<String> {
    let places = Engine::new(layout.clone(), Instant(0));
    let event = |change: &Change| match &change.what {
        What::Train {
            train,
            event,
            places: held,
            ..
        } => {
            let held: Vec<String> = held
                .iter()
                .map(|place| places.place_name(*place).to_owned())
                .collect();
            format!("{} {train:?} {event:?} {held:?}", change.at)
        }
        other => format!("{} {other:?}", change.at),
    };
    changes.iter().map(event).collect()
}

fn vacancies(changes: &[Change], of: BlockId) -> Vec<Instant> {
    let is_it = |change: &&Change| match change.what {
        What::Block { block, state, .. } => block == of && state == Occupancy::Vacant,
        _ => false,
    };
    changes
        .iter()
        .filter(is_it)
        .map(|change| change.at)
        .collect()
}

/// What each thing outside said last, in the order of the first word of each; words of people and
/// the broker's coming and going are nothing that is kept.
fn last_told(list: &[(Instant, Input)]) -> Vec<Input> {
    let subject = |input: &Input| match input {
        Input::Reading(sample) => Some((0, sample.detector.0)),
        Input::Position(turnout, _) => Some((1, turnout.0)),
        Input::TablePosition(table, _) => Some((2, table.0)),
        Input::FeedSwitch(feed, _) => Some((3, feed.0)),
        Input::FeedVoltage(feed, _) => Some((4, feed.0)),
        Input::Node(node, _) => Some((5, node.0)),
        Input::Asked(turnout, _) => Some((6, turnout.0)),
        _ => None,
    };
    let mut last: Vec<((u8, u32), Input)> = Vec::new();
    for (_, input) in list {
        let Some(of) = subject(input) else { continue };
        match last.iter_mut().find(|(known, _)| *known == of) {
            Some((_, said)) => *said = input.clone(),
            None => last.push((of, input.clone())),
        }
    }
    last.into_iter().map(|(_, input)| input).collect()
}

/// Broker and devices are there, everything is told again, and the detectors go on saying what they
/// said last, half a minute long.
fn at_rest(mut engine: Engine, layout: &Layout, said: &[Input]) -> Engine {
    let mut now = engine.now();
    engine.handle(now, Input::Broker(true));
    for node in 0..layout.nodes.len() {
        engine.handle(now, Input::Node(NodeId(node as u32), true));
    }
    for _ in 0..60 {
        for input in said {
            if !matches!(input, Input::Node(..)) {
                engine.handle(now, input.clone());
            }
        }
        now = now.plus(Span::from_millis(500));
        engine.advance(now);
    }
    engine
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Something that happens elsewhere at the same moment: which of the two is heard first is
    /// nothing to what is shown.
    #[test]
    fn the_order_of_what_is_independent_does_not_matter(steps in steps(), on in any::<u64>()) {
        for (name, layout) in layouts() {
            // The broker's coming and going is no matter of here alone, and of two trains that come
            // at one moment the first heard has the lower number, by which it is spoken of.
            let here = |(_, input): &(Instant, Input)| {
                let divides = |command: &Command| matches!(command, Command::DivideTrain(..));
                !matches!(input, Input::Broker(_))
                    && !matches!(input, Input::Command(command, _) if divides(command))
            };
            let list: Vec<_> = inputs(&layout, &steps).into_iter().filter(here).collect();
            let mut wider = layout.clone();
            let mut block = layout.blocks[0].clone();
            block.id = "elsewhere".to_owned();
            block.bridge_of = None;
            block.beyond = None;
            let mut detector = layout.detectors[0].clone();
            detector.id = "d-elsewhere".to_owned();
            detector.kind = DetectorKind::Current;
            detector.decide = Decide::Boolean;
            detector.watches = Watches::Whole;
            detector.node = None;
            detector.subject = Subject::Block(BlockId(layout.blocks.len() as u32), None);
            let elsewhere = DetectorId(layout.detectors.len() as u32);
            wider.blocks.push(block);
            wider.detectors.push(detector);
            let merged = |first: bool| {
                let mut merged = Vec::new();
                for (index, (at, input)) in list.iter().enumerate() {
                    let there = Input::Reading(Sample {
                        detector: elsewhere,
                        reading: Reading::Seen(on >> (index % 64) & 1 == 1),
                        own_time: None,
                        update_within: None,
                        retained: false,
                    });
                    if first {
                        merged.extend([(*at, there), (*at, input.clone())]);
                    } else {
                        merged.extend([(*at, input.clone()), (*at, there)]);
                    }
                }
                merged
            };
            let (before, _) = play(&wider, &merged(true));
            let (after, _) = play(&wider, &merged(false));
            prop_assert_eq!(shown(&before), shown(&after), "{}", name);
        }
    }

    /// A layout that goes on elsewhere, with nobody there, is the same layout here.
    #[test]
    fn what_stands_elsewhere_changes_nothing(steps in steps(), more in 1_usize..40) {
        for (name, layout) in layouts() {
            let list = inputs(&layout, &steps);
            let (_, here) = play(&layout, &list);
            let mut wider = layout.clone();
            for number in 0..more {
                let mut block = layout.blocks[0].clone();
                block.id = format!("elsewhere-{number}");
                block.bridge_of = None;
                block.beyond = None;
                wider.blocks.push(block);
            }
            let (_, there) = play(&wider, &list);
            prop_assert_eq!(events(&layout, &here), events(&wider, &there), "{}", name);
        }
    }

    /// A second detector on a place: while it has not spoken, the place is not vacant; one that
    /// says what the first says changes nothing; one that always says 'nothing' makes nothing clear
    /// sooner. (Devices and the broker stay there: what comes back is believed at other times by
    /// one detector than by two (B5), and then another train is taken for the one that came in.)
    #[test]
    fn a_detector_more_makes_nothing_clear_sooner(steps in steps()) {
        for (name, layout) in layouts() {
            let Some((one, block)) = watched(&layout) else { continue };
            let list = inputs(&layout, &steps);
            let told = |(_, input): &(Instant, Input)| {
                matches!(input, Input::Command(..) | Input::Node(..) | Input::Broker(_))
            };
            let list: Vec<_> = list.into_iter().filter(|entry| !told(entry)).collect();
            let (_, alone) = play(&layout, &list);
            let mut wider = layout.clone();
            let second = DetectorId(wider.detectors.len() as u32);
            let mut detector = wider.detectors[one.index()].clone();
            detector.id = "second".to_owned();
            wider.detectors.push(detector);

            let (_, silent) = play(&wider, &list);
            prop_assert!(vacancies(&silent, block).is_empty(), "{}: vacant unheard", name);

            let mut both = Vec::new();
            for (at, input) in &list {
                both.push((*at, input.clone()));
                if let Input::Reading(sample) = input && sample.detector == one {
                    both.push((*at, Input::Reading(Sample { detector: second, ..*sample })));
                }
            }
            let (_, echoed) = play(&wider, &both);
            prop_assert_eq!(vacancies(&echoed, block), vacancies(&alone, block), "{}", name);

            let mut nothing = Vec::new();
            for (at, input) in &list {
                nothing.push((*at, input.clone()));
                if let Input::Reading(sample) = input && sample.detector == one {
                    let reading = match &layout.detectors[one.index()].decide {
                        Decide::Threshold { off, .. } => {
                            let of = &layout.detectors[one.index()];
                            Reading::Level((*off + of.zero) / of.scale)
                        }
                        _ => Reading::Seen(false),
                    };
                    let sample = Sample { detector: second, reading, ..*sample };
                    nothing.push((*at, Input::Reading(sample)));
                }
            }
            let (_, quiet) = play(&wider, &nothing);
            for (at, first) in vacancies(&quiet, block).iter().zip(vacancies(&alone, block)) {
                prop_assert!(*at >= first, "{}: {} before {}", name, at, first);
            }
        }
    }

    /// Cut anywhere, remembered, and told everything again: when all has come to rest, no block
    /// that was called vacant is called so without the same proof, and what stood stands.
    #[test]
    fn a_restart_forgets_no_train_and_clears_nothing(steps in steps(), cut in 0_usize..200) {
        for (name, layout) in layouts() {
            let list = inputs(&layout, &steps);
            let cut = cut.min(list.len());
            let (whole, _) = play(&layout, &list[..cut]);
            let now = whole.now();
            let memory = whole.memory();
            let mut again = Engine::recall(layout.clone(), now, &memory);
            let told = whole.snapshot();
            for (before, after) in told.blocks.iter().zip(&again.snapshot().blocks) {
                prop_assert!(after.state != Occupancy::Vacant, "{}: {}", name, after.id);
                // A place in its release time shows a train that is known to be elsewhere.
                prop_assert!(
                    after.trains.iter().all(|id| before.trains.contains(id)),
                    "{}: {} had {:?}, has {:?}",
                    name,
                    after.id,
                    before.trains,
                    after.trains
                );
            }
            let held = |told: &Snapshot| -> Vec<(String, Vec<String>)> {
                let trains = told.trains.iter();
                trains.map(|train| (train.id.clone(), train.blocks.clone())).collect()
            };
            prop_assert_eq!(held(&told), held(&again.snapshot()), "{}: trains", name);
            // And silence makes it no better.
            let before = shown(&again);
            again.advance(now.plus(Span::from_secs(3_600)));
            let vacant = again.snapshot().blocks.iter().any(|b| b.state == Occupancy::Vacant);
            prop_assert!(!vacant, "{}: vacant by silence after {:?}", name, before);
        }
    }

    /// Cut anywhere, remembered, and gone on with: when everything has been told again and all has
    /// come to rest, no train that is seen after the whole evening stands in vacant places only,
    /// and the points lie as they do then. (That it is the same in every word does not hold: what
    /// was lost before the cut may be unknown after it. What people say of places is left out: 'a
    /// train stands here' is taken for the train that may have come from next door, and which that
    /// is differs with what is remembered.)
    #[test]
    fn a_recording_that_is_cut_and_resumed_loses_no_vehicle(
        steps in steps(),
        cut in 0_usize..200,
    ) {
        for (name, layout) in layouts() {
            // What is between the thresholds means what was before it, which nobody remembers.
            let decisive =
                |step: &&Step| !matches!(step.what, Kind::Sample(_, 6..) | Kind::Word(..));
            let steps: Vec<Step> = steps.iter().filter(decisive).cloned().collect();
            let list = inputs(&layout, &steps);
            let cut = cut.min(list.len());
            let (whole, _) = play(&layout, &list);
            let (before, _) = play(&layout, &list[..cut]);
            let mut resumed = Engine::recall(layout.clone(), before.now(), &before.memory());
            // What a broker keeps is told after the start.
            for input in last_told(&list[..cut]) {
                if !matches!(input, Input::Reading(_)) {
                    resumed.handle(before.now(), input);
                }
            }
            for (at, input) in &list[cut..] {
                resumed.handle(*at, input.clone());
            }
            let said = last_told(&list);
            let ends = [whole, resumed].map(|engine| at_rest(engine, &layout, &said));
            let [whole, resumed] = ends.map(|engine| engine.snapshot());
            let is_vacant = |id: &String| {
                let block = resumed.blocks.iter().find(|block| block.id == *id);
                block.is_some_and(|block| block.state == Occupancy::Vacant)
            };
            // Which of its places a train has left may be known with its history and not without;
            // that it is somewhere is known all the same.
            let is_seen = |id: &String| {
                let block = whole.blocks.iter().find(|block| block.id == *id);
                block.is_some_and(|block| block.state == Occupancy::Occupied)
            };
            for train in &whole.trains {
                let seen = train.blocks.iter().any(is_seen);
                // At the border of a peer that does not answer either block may be the one that
                // keeps it.
                let kept = resumed.trains.iter().any(|other| {
                    other.id == train.id && !other.blocks.iter().all(is_vacant)
                });
                let forgotten = seen && !kept && train.blocks.iter().all(is_vacant);
                prop_assert!(!forgotten, "{}: {}, {:?}", name, train.id, train.blocks);
            }
            for (index, one) in whole.turnouts.iter().enumerate() {
                // What only the operator has said of points is not told again.
                let is_told = |input: &Input| {
                    matches!(input, Input::Position(id, _) if id.index() == index)
                };
                // Points that take what is asked as done, and a message besides: the two go on
                // saying different things in turn, and come to no rest.
                let is_asked = |input: &Input| {
                    matches!(input, Input::Asked(id, _) if id.index() == index)
                };
                let takes_as_done = layout.turnouts[index].position == PositionSource::Told;
                let in_turn = takes_as_done && said.iter().any(is_asked);
                if in_turn || !said.iter().any(is_told) {
                    continue;
                }
                let other = &resumed.turnouts[index];
                prop_assert_eq!(one.position, other.position, "{}: {}", name, &one.id);
            }
        }
    }
}
