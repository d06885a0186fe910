//! See `wyelog_fuzz::scenario`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::scenario::run(bytes));
