//! See `wyelog_fuzz::link`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::link::run(bytes));
