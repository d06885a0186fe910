//! See `wyelog_fuzz::waveform`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wyelog_fuzz::waveform::run(bytes));
