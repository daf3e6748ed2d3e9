//! The steps of a walk-round: each place with the detectors that must answer there.
//!
//! Input: the plan. Output: one step for each block, turnout, crossing and table edge that a
//! detector watches, blocks first, those of one line together.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::layout::{DetectorKind, End, Leg, Subject};
use crate::plan::Plan;

/// One place to push the car through.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The place's written id.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// What to do there.
    pub todo: String,
    /// Written ids of the detectors that must answer.
    pub detectors: BTreeSet<String>,
}

/// All steps of a plan.
pub fn of(plan: &Plan) -> Vec<Step> {
    let layout = &plan.layout;
    let mut steps = Vec::new();
    let mut blocks: Vec<usize> = (0..layout.blocks.len()).collect();
    blocks.sort_by_key(|index| (&layout.blocks[*index].line, &layout.blocks[*index].id));
    for index in blocks {
        let block = &layout.blocks[index];
        // A peer's block is walked where its detectors are: at the peer's own computer.
        if block.beyond.is_some() {
            continue;
        }
        let watches = |subject| matches!(subject, Subject::Block(b, _) if b.index() == index);
        let todo = "push the car from one end to the other, past every beam, and take it off again";
        add(plan, &mut steps, (&block.id, &block.name), todo, watches);
    }
    for (index, turnout) in layout.turnouts.iter().enumerate() {
        let section = |subject| matches!(subject, Subject::Section(t) if t.index() == index);
        let beam = |subject| matches!(subject, Subject::Beam(t, _) if t.index() == index);
        let legs: Vec<&str> = layout
            .detectors
            .iter()
            .filter_map(|detector| match detector.subject {
                Subject::Beam(t, leg) if t.index() == index => Some(leg),
                _ => None,
            })
            .map(|leg| match leg {
                Leg::Toe => "toe",
                Leg::Normal => "normal leg",
                Leg::Reverse => "reverse leg",
            })
            .collect();
        let todo = if legs.is_empty() {
            "push the car over the points, and take it off again".to_owned()
        } else {
            format!(
                "push the car over the points and through the beams ({}), and take it off again",
                legs.join(", ")
            )
        };
        let watches = |subject| section(subject) || beam(subject);
        add(
            plan,
            &mut steps,
            (&turnout.id, &turnout.name),
            &todo,
            watches,
        );
    }
    for (index, crossing) in layout.crossings.iter().enumerate() {
        let watches = |subject| matches!(subject, Subject::Crossing(k) if k.index() == index);
        let todo = "push the car over the crossing, and take it off again";
        let name = (crossing.id.as_str(), crossing.name.as_str());
        add(plan, &mut steps, name, todo, watches);
    }
    for (index, table) in layout.tables.iter().enumerate() {
        let watches = |subject| matches!(subject, Subject::Edge(t) if t.index() == index);
        let todo = "push the car over each edge that has a beam, and take it off again";
        let name = (table.id.as_str(), table.name.as_str());
        add(plan, &mut steps, name, todo, watches);
    }
    steps
}

fn add(
    plan: &Plan,
    steps: &mut Vec<Step>,
    (id, name): (&str, &str),
    todo: &str,
    watches: impl Fn(Subject) -> bool,
) {
    let detectors = plan.layout.detectors.iter();
    let detectors: BTreeSet<String> = detectors
        .filter(|detector| watches(detector.subject))
        .map(|detector| detector.id.clone())
        .collect();
    if !detectors.is_empty() {
        steps.push(Step {
            id: id.to_owned(),
            name: name.to_owned(),
            todo: todo.to_owned(),
            detectors,
        });
    }
}

/// Of each step: the detectors of places next door, through points and blocks that have none. A car
/// that reaches over a gap lights them as well.
pub fn next_door(plan: &Plan, steps: &[Step]) -> BTreeMap<String, BTreeSet<String>> {
    let roads = roads(plan);
    let watched: BTreeMap<&str, &Step> = steps.iter().map(|s| (s.id.as_str(), s)).collect();
    let around = |step: &Step| {
        let (mut seen, mut next) = (BTreeSet::from([step.id.as_str()]), vec![step.id.as_str()]);
        let mut detectors = BTreeSet::new();
        while let Some(place) = next.pop() {
            for beside in roads.get(place).into_iter().flatten() {
                if !seen.insert(beside) {
                    continue;
                }
                match watched.get(beside.as_str()) {
                    Some(step) => detectors.extend(step.detectors.iter().cloned()),
                    None => next.push(beside),
                }
            }
        }
        detectors
    };
    let pairs = steps.iter().map(|step| (step.id.clone(), around(step)));
    pairs.collect()
}

/// What is joined to what, by written id, both ways.
fn roads(plan: &Plan) -> BTreeMap<String, BTreeSet<String>> {
    let layout = &plan.layout;
    let id = |end: End| match end {
        End::Block(block, _) => layout.blocks[block.index()].id.clone(),
        End::Turnout(turnout, _) => layout.turnouts[turnout.index()].id.clone(),
        End::Crossing(crossing, ..) => layout.crossings[crossing.index()].id.clone(),
    };
    let mut pairs: Vec<(String, String)> = layout
        .joins
        .iter()
        .map(|(one, other)| (id(*one), id(*other)))
        .collect();
    for turnout in &layout.turnouts {
        if let Some(block) = turnout.covered_by {
            let cover = layout.blocks[block.index()].id.clone();
            pairs.push((turnout.id.clone(), cover));
        }
    }
    for table in &layout.tables {
        let bridge = layout.blocks[table.bridge.index()].id.clone();
        pairs.push((table.id.clone(), bridge.clone()));
        for end in table
            .stops
            .iter()
            .flat_map(|stop| [stop.a, stop.b])
            .flatten()
        {
            pairs.push((bridge.clone(), id(end)));
        }
    }
    let mut roads: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (one, other) in pairs {
        roads.entry(one.clone()).or_default().insert(other.clone());
        roads.entry(other).or_default().insert(one);
    }
    roads
}

/// Places that nothing watches: the walk cannot prove anything there.
pub fn unwatched(plan: &Plan) -> Vec<String> {
    let layout = &plan.layout;
    let watched = |index: usize| {
        layout
            .detectors
            .iter()
            .any(|detector| matches!(detector.subject, Subject::Block(b, _) if b.index() == index))
    };
    let blocks = layout.blocks.iter().enumerate();
    blocks
        .filter(|(index, _)| !watched(*index))
        .map(|(_, block)| block.id.clone())
        .collect()
}

/// What kind of car the walk needs.
pub fn car(plan: &Plan) -> &'static str {
    let current = plan.layout.detectors.iter();
    let mut current = current.filter(|detector| detector.kind == DetectorKind::Current);
    if current.next().is_some() {
        "a car that draws current: lit, or with resistor wheelsets, the weakest that must be seen"
    } else {
        "any car"
    }
}

#[cfg(test)]
mod tests {
    use super::{of, unwatched};
    use crate::plan;

    /// An invented end of a club's line.
    const PLAN: &str = r#"
        [layout]
        name = "Three Fields, west"
        scale = "HO"
        topic_prefix = "club/west"
        [mqtt]
        url = "mqtt://127.0.0.1:1883"
        [[block]]
        id = "main-9"
        [[detector]]
        id = "d-main-9"
        kind = "current"
        block = "main-9"
        [[peer]]
        id = "east"
        prefix = "club/east"
        borders = [{ here = "main-9.b", there = "w-1.a" }]
    "#;

    #[test]
    fn a_peers_block_is_walked_at_its_own_computer() {
        let plan = plan::load(PLAN, "plan.toml").0.expect("a good plan");
        let ids: Vec<String> = of(&plan).into_iter().map(|step| step.id).collect();
        assert_eq!(ids, ["main-9"]);
        assert!(unwatched(&plan).is_empty());
    }
}
