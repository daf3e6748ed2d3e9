//! A model railway in software: trains, track, detectors and an operator.
//!
//! Pure and repeatable: the same seed gives the same evening, byte for byte. Time is virtual and
//! moves only when it is told to; the one program that ties it to a clock is `bin/demo.rs`. The
//! world knows the plan's layout and nothing of how the engine decides: it must not share the
//! judge's code. What really happens is told by [`truth::Truth`], which only tests may read.
//!
//! In reading order: [`chance`] (seeded randomness), [`world`] (track, trains, power, points, what
//! detectors see), [`detectors`] (what they report), [`network`] (how it travels), [`operator`]
//! and [`mishaps`] (who works the layout, and what goes wrong), [`session`] (all of it together),
//! [`recording`] (a session as a recording), [`truth`]; [`layouts`] made by code and the
//! [`traffic`] on them, for scoring; [`say`], lines for people.

#![cfg_attr(not(test), warn(clippy::print_stderr, clippy::print_stdout))]

pub mod chance;
pub mod detectors;
pub mod layouts;
pub mod mishaps;
pub mod network;
pub mod operator;
pub mod recording;
pub mod say;
pub mod session;
pub mod traffic;
pub mod truth;
pub mod world;

/// The plan of the demo: a fictional layout.
pub const DEMO_PLAN: &str = include_str!("../plans/demo.toml");

/// The demo's plan, read.
///
/// # Errors
/// What is wrong with it, one finding a line.
pub fn demo_plan() -> Result<taillamp::plan::Plan, String> {
    let (plan, findings) = taillamp::plan::load(DEMO_PLAN, "demo.toml");
    plan.ok_or_else(|| {
        let lines = findings
            .iter()
            .map(|finding| format!("{}:{}: {}", finding.file, finding.line, finding.message));
        lines.collect::<Vec<_>>().join("\n")
    })
}
