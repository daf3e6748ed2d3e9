//! The fuzzing target `query`; what is tried is in the file that it takes in.
#![no_main]
#[path = "../asked.rs"]
mod asked;
libfuzzer_sys::fuzz_target!(|data: &[u8]| asked::query(data));
