//! See `wyelog_fuzz::rings`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::rings::run(bytes));
