//! The battery-backed clock: this machine has none, so the host's clock stands for the crystal, and a file for what the battery
//! keeps: by how many ms the clock is ahead of the host's, as a little-endian i64.
//!
//! The host's clock comes in whole seconds (SYS_TIME): like most parts, this one is good to a second.

use crate::options::Name;
use crate::semihosting::{self, File, Mode};
use wyelog_firmware::rtc::Rtc;

/// Without a file: no clock. An empty or missing file: the battery was empty.
pub struct RtcFile<'n>(Option<&'n Name>);

impl<'n> RtcFile<'n> {
    /// The clock whose offset is in that file.
    pub const fn open(name: Option<&'n Name>) -> Self {
        Self(name)
    }
}

impl Rtc for RtcFile<'_> {
    fn utc_ms(&mut self) -> Option<u64> {
        let mut ahead = [0; 8];
        let read = File::open(self.0?, Mode::Read)?.read(&mut ahead)?;
        let now = semihosting::time_ms();
        (read == ahead.len()).then(|| now.wrapping_add_signed(i64::from_le_bytes(ahead)))
    }

    fn set_utc_ms(&mut self, utc_ms: u64) {
        if let Some(file) = self.0.and_then(|name| File::open(name, Mode::Create)) {
            let ahead = utc_ms.wrapping_sub(semihosting::time_ms());
            // A clock that does not take the time has the old one.
            let _ = file.write(&ahead.to_le_bytes());
            file.close();
        }
    }
}
