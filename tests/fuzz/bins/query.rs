#![no_main]
#[path = "../asked.rs"]
mod asked;
libfuzzer_sys::fuzz_target!(|data: &[u8]| asked::query(data));
