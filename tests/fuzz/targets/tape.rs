//! See `wyelog_fuzz::tape`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::tape::run(bytes));
