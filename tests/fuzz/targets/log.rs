//! See `wyelog_fuzz::log`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::log::run(bytes));
