//! Samples of chosen detectors, sorted into the vacant and the occupied stretch.
//!
//! Inputs: messages with their times and the stretch that each belongs to, from a recording or from
//! the broker. Outputs: levels as the engine would decide on them; whether the power was on. It
//! does not know where messages come from.

use crate::engine::ids::{DetectorId, FeedId};
use crate::engine::input::{Input, Reading};
use crate::engine::layout::{Detector, DetectorKind, Subject};
use crate::plan::{Bound, Plan};
use crate::wire::payload;
use crate::wire::topics::TopicTable;

/// The most samples of one stretch that are kept: a day at fifty a second.
const SAMPLES_MAX: usize = 5_000_000;

/// Which of the two stretches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    Vacant,
    Occupied,
}

/// Samples of one detector in one stretch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Samples {
    pub times_s: Vec<f64>,
    pub levels: Vec<f64>,
    /// Outside the plausible range, and dropped as the engine does.
    pub implausible: usize,
}

/// Of one detector: the vacant and the occupied stretch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pair {
    pub vacant: Samples,
    pub occupied: Samples,
    /// The power of the place was off in one of them.
    pub dead: bool,
}

/// A message of a recording or of the broker.
#[derive(Clone, Copy, Debug)]
pub struct Heard<'a> {
    pub t: f64,
    pub topic: &'a str,
    pub payload: &'a [u8],
    pub retained: bool,
}

/// What was gathered so far.
pub struct Collector<'a> {
    plan: &'a Plan,
    table: TopicTable,
    chosen: &'a [DetectorId],
    pub pairs: Vec<Pair>,
    /// Of every feed: not said to be off.
    live: Vec<bool>,
    inputs: Vec<Input>,
}

impl<'a> Collector<'a> {
    pub fn new(plan: &'a Plan, chosen: &'a [DetectorId]) -> Self {
        Self {
            plan,
            table: TopicTable::new(plan),
            chosen,
            pairs: vec![Pair::default(); chosen.len()],
            live: vec![true; plan.layout.feeds.len()],
            inputs: Vec::new(),
        }
    }

    /// Takes one message; `which` is the stretch that runs, if one does.
    ///
    /// # Errors
    /// In one line: a payload of a chosen detector that cannot be read, inside a stretch.
    pub fn message(&mut self, heard: Heard<'_>, which: Option<Which>) -> Result<(), String> {
        let Heard { topic, payload, .. } = heard;
        let ours = self.table.listeners(topic).iter().any(
            |listener| matches!(listener.subject, Bound::Detector(id) if self.chosen.contains(&id)),
        );
        let layout = &self.plan.layout;
        self.inputs.clear();
        let read = payload::decode(
            &self.table,
            layout,
            topic,
            payload,
            heard.retained,
            &mut self.inputs,
        );
        if let (Err(why), true, Some(_)) = (read, ours, which) {
            return Err(format!("{topic}: {why}"));
        }
        for input in std::mem::take(&mut self.inputs) {
            match input {
                Input::Reading(sample) if !sample.retained => {
                    if let Some(which) = which {
                        self.sample(heard.t, which, sample.detector, sample.reading)?;
                    }
                }
                Input::FeedSwitch(feed, on) => self.live[feed.index()] = on,
                Input::FeedVoltage(feed, volts) => {
                    let see = layout.feeds[feed.index()].see_volts;
                    self.live[feed.index()] = volts.abs() >= see;
                }
                _ => {}
            }
        }
        if which.is_some() {
            self.note_power();
        }
        Ok(())
    }

    fn sample(
        &mut self,
        t: f64,
        which: Which,
        id: DetectorId,
        reading: Reading,
    ) -> Result<(), String> {
        let Some(place) = self.chosen.iter().position(|chosen| *chosen == id) else {
            return Ok(());
        };
        let detector = &self.plan.layout.detectors[id.index()];
        let pair = &mut self.pairs[place];
        let samples = match which {
            Which::Vacant => &mut pair.vacant,
            Which::Occupied => &mut pair.occupied,
        };
        let Reading::Level(raw) = reading else {
            return Err(format!(
                "`{}` says on or off by itself: there is nothing to calibrate",
                detector.id
            ));
        };
        let level = raw * detector.scale;
        let (low, high) = detector.range;
        if level.is_finite() && !(low..=high).contains(&level) {
            samples.implausible += 1;
            return Ok(());
        }
        if samples.levels.len() == SAMPLES_MAX {
            return Err(format!(
                "`{}` has more than {SAMPLES_MAX} samples in a stretch; give a shorter one",
                detector.id
            ));
        }
        samples.times_s.push(t);
        samples.levels.push(match detector.kind {
            // As the engine decides: polarity may reverse.
            DetectorKind::Current => (level - detector.zero).abs(),
            DetectorKind::Optical | DetectorKind::Contact => level,
        });
        Ok(())
    }

    /// Notes whose power is off while a stretch runs.
    pub fn note_power(&mut self) {
        for (id, pair) in self.chosen.iter().zip(&mut self.pairs) {
            let detector = &self.plan.layout.detectors[id.index()];
            let dead = |feed: FeedId| !self.live[feed.index()];
            pair.dead |= feeds_of(self.plan, detector).any(dead);
        }
    }
}

/// The feeds that a current detector's place hangs on.
fn feeds_of<'p>(plan: &'p Plan, detector: &Detector) -> impl Iterator<Item = FeedId> + use<'p> {
    let (subject, current) = (detector.subject, detector.kind == DetectorKind::Current);
    let feeds = plan.layout.feeds.iter().enumerate();
    feeds.filter_map(move |(index, feed)| {
        let supplies = match subject {
            Subject::Block(block, _) => feed.blocks.contains(&block),
            Subject::Section(turnout) => feed.turnouts.contains(&turnout),
            Subject::Beam(..) | Subject::Edge(_) | Subject::Crossing(_) | Subject::Points(..) => {
                false
            }
        };
        let id = u32::try_from(index).ok().map(FeedId);
        id.filter(|_| current && supplies)
    })
}
