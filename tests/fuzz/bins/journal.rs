#![no_main]
#[path = "../past.rs"]
mod past;
libfuzzer_sys::fuzz_target!(|data: &[u8]| past::journal(data));
