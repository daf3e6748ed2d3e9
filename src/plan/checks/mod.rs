//! Whether a plan that fits together will also do what its owner thinks: one file a family.
//!
//! Input: the plan as written, its names, and what it was resolved to. Output: findings only.

mod topics;

use super::document::PlanDoc;
use super::names::Names;
use super::report::Report;
use super::resolve::Resolved;

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
    topics::check(looking, report);
}
