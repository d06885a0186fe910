//! Any bytes as a log file, and as the packets of one in sound frames: read to its end, and into alarms.

use crate::packets::frames;
use wyelog::alarms::Collector;
use wyelog::log::Log;

/// One input.
///
/// # Panics
/// A log of whatever content is an error instead of a log with damage.
pub fn run(bytes: &[u8]) {
    read(bytes);
    let mut log = Vec::new();
    frames(bytes, &mut |frame| log.extend_from_slice(frame));
    read(&log);
}

fn read(bytes: &[u8]) {
    let log = Log::from_source(bytes).expect("bytes in memory can be read");
    let mut collector = Collector::default();
    collector.log("fuzz.log", &log);
    let _ = collector.into_alarms();
}
