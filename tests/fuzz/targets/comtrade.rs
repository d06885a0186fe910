//! Any bytes as a COMTRADE record: the .cfg up to the first zero byte, the .dat behind it.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wyelog_simulator::comtrade::{ChannelNames, Record};

fuzz_target!(|bytes: &[u8]| {
    let cut = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    let (cfg, dat) = bytes.split_at(cut);
    let dat = dat.get(1..).unwrap_or_default();
    if let Ok(record) = Record::parse("fuzz.cfg", cfg, "fuzz.dat", dat)
        && let Ok(channels) = record.bank_channels(&ChannelNames::default())
    {
        let _ = record.bank_signals(&channels);
    }
});
