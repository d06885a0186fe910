//! See `wyelog_fuzz::journal`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::journal::run(bytes));
