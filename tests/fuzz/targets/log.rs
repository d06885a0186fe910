//! Any bytes as a log file: read to its end, and into alarms.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wyelog::alarms::Collector;
use wyelog::log::Log;

fuzz_target!(|bytes: &[u8]| {
    let log = Log::from_source(bytes).expect("bytes in memory can be read");
    let mut collector = Collector::default();
    collector.log("fuzz.log", &log);
    let _ = collector.into_alarms();
});
