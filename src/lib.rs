//! Taillamp: train detection and block occupancy for model railways, over MQTT.
//!
//! The modules in reading order; DEVELOPERS.md tells how they fit together.

#![cfg_attr(not(test), warn(clippy::print_stderr, clippy::print_stdout))]
// What comes from outside must not end the program.
#![cfg_attr(
    not(test),
    warn(clippy::expect_used, clippy::panic, clippy::unreachable)
)]

pub mod cli;
pub mod daemon;
pub mod plan;
pub mod report;
pub mod setting_out;
pub mod wire;

pub use taillamp_engine as engine;
