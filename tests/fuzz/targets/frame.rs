//! See `wyelog_fuzz::frame`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::frame::run(bytes));
