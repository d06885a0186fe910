//! A battery-backed clock for a logger in this process.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use wyelog_firmware::rtc::Rtc;

/// This computer's clock stands for the crystal, and a file for what the battery keeps: by how many ms the clock is ahead of the
/// computer's, as a little-endian i64. The emulated board's file is the same.
#[derive(Clone, Debug)]
pub struct FileRtc(PathBuf);

impl FileRtc {
    /// The clock of that file. A missing or short file: the battery was empty.
    pub const fn new(path: PathBuf) -> Self {
        Self(path)
    }
}

/// UTC of this computer in ms since 1970-01-01; 0 before.
#[expect(clippy::disallowed_methods, reason = "a real clock: what is tested takes the time as an argument")]
pub fn now_ms() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    u64::try_from(since.as_millis()).unwrap_or(u64::MAX)
}

impl Rtc for FileRtc {
    fn utc_ms(&mut self) -> Option<u64> {
        let ahead = <[u8; 8]>::try_from(std::fs::read(&self.0).ok()?).ok()?;
        now_ms().checked_add_signed(i64::from_le_bytes(ahead))
    }

    fn set_utc_ms(&mut self, utc_ms: u64) {
        let ahead = utc_ms.wrapping_sub(now_ms());
        // A clock that does not take the time has the old one.
        let _ = std::fs::write(&self.0, ahead.to_le_bytes());
    }
}
