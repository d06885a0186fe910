//! A capture as a record of IEEE C37.111-2013.

use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_simulator::comtrade::{AnalogChannel, Config, Encoding, Rate, Record, Section};

use super::Capture;

/// The channels: name, phase, unit.
const CHANNELS: [(&str, &str, &str); 4] =
    [("VA", "A", "V"), ("VB", "B", "V"), ("VC", "C", "V"), ("IN", "N", "A")];

impl Capture {
    /// As a COMTRADE record: 16-bit samples as they were captured, in primary V and A; missing ones as the standard marks
    /// them. Times are UTC; of a logger whose clock had not been set they count from 1970-01-01 00:00:00 as its start.
    pub fn to_comtrade(&self) -> Record {
        let steps = self.steps();
        let analog = CHANNELS.iter().zip(steps).map(|((id, phase, unit), step)| AnalogChannel {
            id: (*id).to_owned(),
            phase: (*phase).to_owned(),
            component: String::new(),
            unit: (*unit).to_owned(),
            a: step.unwrap_or(1.0),
            b: 0.0,
            skew_us: 0.0,
            min: -32_767.0,
            max: 32_767.0,
            primary: 1.0,
            secondary: 1.0,
            is_secondary: false,
        });
        let count = self.samples.len();
        let hz = f64::from(FRAMES_PER_SECOND);
        let start_ns = match self.begin.utc_ms {
            Some(utc_ms) => nanoseconds(utc_ms, 1_000_000),
            None => frames_ns(self.begin.frame),
        };
        let config = Config {
            station: word(&self.settings.nameplate.name),
            device: word(&self.device),
            revision: 2013,
            analog: analog.collect(),
            status: Vec::new(),
            line_frequency_hz: Some(f64::from(self.settings.nameplate.frequency.hz())),
            rates: vec![Rate { hz, last_sample: count as u64 }],
            sample_count: count as u64,
            start_ns,
            trigger_ns: start_ns.saturating_add(frames_ns(self.trigger_frame() - self.begin.frame)),
            encoding: Encoding::Binary,
            time_multiplier: 1.0,
            stamp_unit_s: 1e-6,
            utc_offset_min: 0,
        };
        Record {
            file: self.file_name() + ".cfg",
            data_file: self.file_name() + ".dat",
            offsets: Vec::new(),
            data_end: 0,
            config,
            analog: (0..4).map(|channel| self.values(channel)).collect(),
            status: Vec::new(),
            missing_samples: 0,
            bytes_behind: 0,
            sections: vec![Section { first: 0, len: count, start_s: 0.0, hz }],
        }
    }
}

fn nanoseconds(count: u64, each: i64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX).saturating_mul(each)
}

/// 3 frames are 625 µs.
fn frames_ns(frames: u64) -> i64 {
    nanoseconds(frames, 625_000) / 3
}

/// A name that does not end its field or its line.
fn word(name: &str) -> String {
    name.chars().map(|c| if c == ',' || c.is_control() { ' ' } else { c }).collect()
}
