//! The house rules, as tests: who may import whom, what the engine may name, headers, sizes, tags
//! of the rules, and everything that is written down twice.
//!
//! These read the sources as text. A failure names file and line and what to do; the rule is
//! changed in DEVELOPERS.md first, here second, and never to make a test pass.

mod arrows;
mod engine;
mod readme;
mod rules;
mod sources;
mod tidy;
