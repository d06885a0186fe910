//! See `wyelog_fuzz::record`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::record::run(bytes));
