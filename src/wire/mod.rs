//! Outside formats: bytes to engine words and back.
//!
//! Inputs: payloads, recording lines and request bodies as bytes; the engine's views and changes.
//! Outputs: engine inputs with reasons for what was refused; JSON as text. Pure: nothing here
//! knows a socket, a file or a clock; wall time comes in as a label. Engine types are not
//! serializable: every JSON shape has its own mirror here, so that a change inside the engine
//! cannot change what other programs see.

pub mod alarms_json;
pub mod borders_json;
pub mod change_json;
pub mod commands;
pub mod history_json;
pub mod journal_json;
pub mod layout_json;
pub mod memory_json;
pub mod mqtt_topic;
pub mod payload;
mod plain;
pub mod problem;
pub mod quantity;
pub mod recording;
mod records;
pub mod rights;
pub mod road_json;
pub mod senml;
pub mod short_pack;
pub mod stamp;
pub mod state_json;
pub mod topics;
pub mod units;
pub mod words;
