//! The engine with the model checker's feature, and the reader of plans, as the program has it.

pub use taillamp_engine as engine;

#[path = "../../src/plan/mod.rs"]
pub mod plan;
