//! See `wyelog_fuzz::message`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::message::run(bytes));
