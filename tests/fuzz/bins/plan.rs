//! The fuzzing target `plan`; what is tried is in the file that it takes in.
#![no_main]
#[path = "../targets.rs"]
mod targets;
libfuzzer_sys::fuzz_target!(|data: &[u8]| targets::plan(data));
