//! The outside formats against their published vectors and against the contract.

#[path = "wire/commands.rs"]
mod commands;
#[path = "wire/json_pointer.rs"]
mod json_pointer;
#[path = "wire/payload.rs"]
mod payload;
#[path = "wire/properties.rs"]
mod properties;
#[path = "wire/recording.rs"]
mod recording;
#[path = "wire/replay.rs"]
mod replay;
#[path = "wire/senml.rs"]
mod senml;
#[path = "wire/state.rs"]
mod state;

/// A fictional layout that has every kind of topic; also used by the replay tests as a file.
const PLAN: &str = include_str!("wire/harbour.toml");

/// The plan of [`PLAN`], read once.
fn plan() -> &'static taillamp::plan::Plan {
    static READ: std::sync::OnceLock<taillamp::plan::Plan> = std::sync::OnceLock::new();
    READ.get_or_init(|| {
        let (plan, findings) = taillamp::plan::load(PLAN, "harbour.toml");
        plan.unwrap_or_else(|| panic!("the test's plan has errors: {findings:#?}"))
    })
}
