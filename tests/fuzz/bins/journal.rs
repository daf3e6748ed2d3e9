//! The fuzzing target `journal`; what is tried is in the file that it takes in.
#![no_main]
#[path = "../past.rs"]
mod past;
libfuzzer_sys::fuzz_target!(|data: &[u8]| past::journal(data));
