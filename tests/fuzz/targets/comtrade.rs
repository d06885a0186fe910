//! See `wyelog_fuzz::comtrade`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::comtrade::run(bytes));
