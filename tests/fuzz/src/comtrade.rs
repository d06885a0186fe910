//! Any bytes as a COMTRADE record: the .cfg up to the first zero byte, the .dat behind it. Its channels by phase and unit, by
//! number, and with a sensor's phase angle put right.

use crate::logger::BANK;
use wyelog_simulator::comtrade::{ChannelNames, Corrections, Record};
use wyelog_simulator::scenario::BankFile;
use wyelog_simulator::tape::from_signals;

/// Frames that are made of a record.
const FRAMES: usize = 2000;

/// One input.
pub fn run(bytes: &[u8]) {
    let cut = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    let (cfg, dat) = bytes.split_at(cut);
    let dat = dat.get(1..).unwrap_or_default();
    let Ok(record) = Record::parse("fuzz.cfg", cfg, "fuzz.dat", dat) else { return };
    let numbers = ChannelNames {
        voltage: ["#1", "#2", "#3"].map(|name| Some(name.to_owned())),
        neutral: Some("#4".to_owned()),
        contact: Some("#1".to_owned()),
    };
    for names in [ChannelNames::default(), numbers] {
        let Ok(channels) = record.bank_channels(&names) else { continue };
        let corrections = Corrections { lead_s: [1e-3, 0.0, -1e-3, 0.0], ratio: [Some(60.0); 4] };
        for corrections in [Corrections::default(), corrections] {
            let Ok(signals) = record.corrected_signals(&channels, &corrections) else { continue };
            let bank = BankFile::parse("fuzz.toml", BANK).expect("a bank");
            // Each takes as long as the next; how many there are is up to the record.
            from_signals(signals, record.config.start_utc_ns(), &bank).take(FRAMES).for_each(drop);
        }
    }
}
