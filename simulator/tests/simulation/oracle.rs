//! The oracle: what the engine must never claim, given what detectors really saw.
//!
//! A place is never vacant while its detector saw a vehicle within the release time, and points
//! are never free or cleared while their section saw one within the clear time (49 CFR 236.309: a
//! loss of 5 seconds or less releases nothing). A device that is mute cannot be held against the
//! engine until the silence could be noticed.

use std::collections::VecDeque;

use taillamp::engine::change::{Clearance, Occupancy};
use taillamp::engine::ids::{BlockId, NodeId, TurnoutId};
use taillamp::engine::layout::{Layout, Subject};
use taillamp::engine::snapshot::Snapshot;
use taillamp::engine::time::{Instant, Span};
use taillamp_simulator::detectors::Fault;
use taillamp_simulator::truth::Truth;
use taillamp_simulator::world::World;

/// A message may be under way for so long: sampling, reporting and the network.
const LAG: Span = Span::from_millis(200);
/// After a device was mute for a moment its detector is not judged for so long: the plan's
/// `max_silence_s`, and a margin.
const MUTE: Span = Span::from_millis(13_000);
/// A detector that has seen something within this time sees it still.
const STEADY: Span = Span::from_millis(150);
/// Violations that are told.
const TOLD_MAX: usize = 10;

/// What watches one place, and its timing.
struct Watch {
    detector: usize,
    node: Option<NodeId>,
    within: Span,
    /// A message may be under way for so long, and the plan may ask for a sample to be confirmed.
    lag: Span,
    /// `confirm_ms`: what was seen for less is not to be known.
    confirm: Span,
    mute: Option<Instant>,
    /// Since when it has seen something at every look, and when that last was for long enough.
    run: Option<Instant>,
    steady: Option<Instant>,
    /// When it last saw something, at the last few moments.
    seen: VecDeque<(Instant, Option<Instant>)>,
}

pub struct Oracle {
    blocks: Vec<Option<Watch>>,
    turnouts: Vec<Option<Watch>>,
    violations: Vec<String>,
}

impl Oracle {
    pub fn new(layout: &Layout) -> Self {
        let find = |subject: Subject, within: Span| {
            let at = layout
                .detectors
                .iter()
                .position(|detector| detector.subject == subject)?;
            let node = layout.detectors[at].node;
            Some(Watch {
                detector: at,
                node,
                within,
                lag: Span(LAG.0 + layout.detectors[at].confirm.0),
                confirm: layout.detectors[at].confirm,
                run: None,
                steady: None,
                mute: None,
                seen: VecDeque::new(),
            })
        };
        let blocks = layout.blocks.iter().enumerate();
        let turnouts = layout.turnouts.iter().enumerate();
        Self {
            blocks: blocks
                .map(|(index, block)| {
                    find(Subject::Block(BlockId(index as u32), None), block.release)
                })
                .collect(),
            turnouts: turnouts
                .map(|(index, turnout)| {
                    find(Subject::Section(TurnoutId(index as u32)), turnout.clear)
                })
                .collect(),
            violations: Vec::new(),
        }
    }

    pub fn violations(&self) -> Vec<String> {
        self.violations.clone()
    }

    /// Compares one moment.
    pub fn compare(&mut self, truth: &Truth, world: &World, claims: &Snapshot) {
        for (index, watch) in self.blocks.iter_mut().enumerate() {
            let Some(watch) = watch else { continue };
            let recently = watch.recently(truth.at, truth.blocks[index].seen, world);
            let view = &claims.blocks[index];
            if let Some(seen) = recently
                && view.state == Occupancy::Vacant
            {
                let why = &view.why;
                let text = format!("{}: {} is vacant, seen at {seen}: {why}", truth.at, view.id);
                self.violations.push(text);
            }
        }
        for (index, watch) in self.turnouts.iter_mut().enumerate() {
            let Some(watch) = watch else { continue };
            let recently = watch.recently(truth.at, truth.turnouts[index].seen, world);
            let view = &claims.turnouts[index];
            let clear = match view.state {
                Clearance::Free
                | Clearance::Awaiting
                | Clearance::Cleared
                | Clearance::LeftDiverging => true,
                Clearance::Fouled | Clearance::Unknown => false,
            };
            if let Some(seen) = recently
                && clear
            {
                let state = view.state;
                let text = format!("{}: {} is {state:?}, seen at {seen}", truth.at, view.id);
                self.violations.push(text);
            }
        }
        self.violations.truncate(TOLD_MAX);
    }
}

impl Watch {
    /// When the detector saw a vehicle, if that was within its time and the engine must know.
    fn recently(&mut self, now: Instant, seen: Option<Instant>, world: &World) -> Option<Instant> {
        let id = taillamp::engine::ids::DetectorId(self.detector as u32);
        if world.fault(id) != Fault::None || !world.node_speaks(self.node) {
            self.mute = Some(now);
        }
        let fresh = seen.is_some_and(|seen| now.since(seen) <= STEADY);
        self.run = fresh.then(|| self.run.unwrap_or(now));
        let long = Span(self.confirm.0 + STEADY.0);
        if self.confirm == Span::ZERO || self.run.is_some_and(|run| now.since(run) >= long) {
            self.steady = seen;
        }
        let seen = self.steady;
        self.seen.push_back((now, seen));
        while self.seen.len() > 1 && now.since(self.seen[1].0) >= self.lag {
            self.seen.pop_front();
        }
        if self.mute.is_some_and(|mute| now.since(mute) < MUTE) {
            return None;
        }
        let (at, then) = *self.seen.front()?;
        let known = now.since(at) >= self.lag;
        let limit = Span(self.within.0.saturating_sub(self.lag.0));
        then.filter(|then| known && now.since(*then) < limit)
    }
}
