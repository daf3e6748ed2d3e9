//! Whether a plan that fits together will also do what its owner thinks: one file a family.
//!
//! Input: the plan as written, its names, and what it was resolved to. Output: findings only.

mod clearance;
mod detectors;
mod reach;
mod timings;
mod topics;

use std::collections::BTreeSet;

use super::document::PlanDoc;
use super::names::{Names, each};
use super::report::Report;
use super::resolve::Resolved;
use super::value::Spanned;
use crate::engine::layout::{Detector, Subject, Watches};

/// What checks look at.
pub struct Looking<'p> {
    /// The plan as written.
    pub plan: &'p PlanDoc,
    /// Its ids.
    pub names: &'p Names,
    /// What it was resolved to.
    pub resolved: &'p Resolved,
}

/// Runs every check.
pub fn run(looking: &Looking<'_>, report: &mut Report) {
    reach::check(looking, report);
    detectors::check(looking, report);
    clearance::check(looking, report);
    timings::check(looking, report);
    topics::check(looking, report);
}

impl<'p> Looking<'p> {
    /// A detector by its id. Numbers do not serve here: a detector in error is missing from the
    /// list.
    fn detector(&self, id: &str) -> Option<&'p Detector> {
        let detectors = &self.resolved.layout.detectors;
        let found = detectors.binary_search_by(|detector| detector.id.as_str().cmp(id));
        found.ok().and_then(|index| detectors.get(index))
    }

    /// Blocks and turnouts that detectors in error would watch: nothing is said of them.
    fn unsure(&self) -> BTreeSet<&'p str> {
        let known = |id: &Spanned<String>| self.detector(&id.value).is_some();
        each(&self.plan.detector)
            .filter(|doc| !doc.id.as_ref().is_some_and(known))
            .flat_map(|doc| [&doc.block, &doc.turnout])
            .flatten()
            .map(|id| id.value.as_str())
            .collect()
    }

    /// Which subjects some detector watches whole.
    fn watched_whole(&self, wanted: impl Fn(Subject) -> Option<usize>, count: usize) -> Vec<bool> {
        let mut watched = vec![false; count];
        for detector in &self.resolved.layout.detectors {
            let index = wanted(detector.subject).filter(|_| detector.watches == Watches::Whole);
            if let Some(watched) = index.and_then(|index| watched.get_mut(index)) {
                *watched = true;
            }
        }
        watched
    }

    /// By number of block: some detector watches it whole.
    fn watched_blocks(&self) -> Vec<bool> {
        let block = |subject| match subject {
            Subject::Block(block, _) => Some(block.index()),
            Subject::Section(_)
            | Subject::Beam(..)
            | Subject::Edge(_)
            | Subject::Crossing(_)
            | Subject::Points(..) => None,
        };
        self.watched_whole(block, self.resolved.layout.blocks.len())
    }

    /// By number of turnout: some detector watches its own section whole.
    fn watched_sections(&self) -> Vec<bool> {
        let section = |subject| match subject {
            Subject::Section(turnout) => Some(turnout.index()),
            Subject::Block(..)
            | Subject::Beam(..)
            | Subject::Edge(_)
            | Subject::Crossing(_)
            | Subject::Points(..) => None,
        };
        self.watched_whole(section, self.resolved.layout.turnouts.len())
    }
}
