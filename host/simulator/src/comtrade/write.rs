//! Writing a record as IEEE C37.111-2013.

use std::fmt::Write as _;
use std::path::Path;

use super::config::{Config, Encoding};
use super::error::Error;
use super::record::{Record, data_path};
use crate::civil::Civil;

impl Record {
    /// Writes the `.cfg` file to `path` and the `.dat` file beside it.
    pub fn write(&self, path: &Path) -> Result<(), Error> {
        let save = |path: &Path, bytes: &[u8]| {
            std::fs::write(path, bytes).map_err(|source| Error::File { path: path.to_owned(), source })
        };
        save(path, self.config_text().as_bytes())?;
        save(&data_path(path), &self.data_bytes())
    }

    /// The text of the `.cfg` file, revision 2013, CRLF lines.
    pub fn config_text(&self) -> String {
        let config = &self.config;
        let mut text = String::new();
        let mut line = |words: String| {
            text.push_str(&words);
            text.push_str("\r\n");
        };
        let (analog, status) = (config.analog.len(), config.status.len());
        line(format!("{},{},2013", config.station, config.device));
        line(format!("{},{analog}A,{status}D", analog + status));
        for (index, channel) in config.analog.iter().enumerate() {
            line(format!(
                "{},{},{},{},{},{:?},{:?},{:?},{},{},{},{},{}",
                index + 1,
                channel.id,
                channel.phase,
                channel.component,
                channel.unit,
                channel.a,
                channel.b,
                channel.skew_us,
                channel.min,
                channel.max,
                channel.primary,
                channel.secondary,
                if channel.is_secondary { "S" } else { "P" },
            ));
        }
        for (index, channel) in config.status.iter().enumerate() {
            let normal = u8::from(channel.normal);
            line(format!("{},{},{},{},{normal}", index + 1, channel.id, channel.phase, channel.component));
        }
        line(config.line_frequency_hz.map_or(String::new(), |hz| hz.to_string()));
        line(config.rates.len().to_string());
        if config.rates.is_empty() {
            line(format!("0,{}", config.sample_count));
        }
        for rate in &config.rates {
            line(format!("{},{}", rate.hz, rate.last_sample));
        }
        line(time_text(config, config.start_ns));
        line(time_text(config, config.trigger_ns));
        line(config.encoding.word().to_owned());
        line(config.time_multiplier.to_string());
        let offset = offset_text(config.utc_offset_min);
        line(format!("{offset},{offset}"));
        // Quality of the clock: locked state not stated, no leap second.
        line("0,0".to_owned());
        text
    }

    /// The bytes of the `.dat` file in the record's encoding. Values beyond the encoding's range saturate.
    pub fn data_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let unit_s = self.config.stamp_unit_s * self.config.time_multiplier;
        for section in &self.sections {
            for step in 0..section.len {
                let time_s = section.start_s + step as f64 / section.hz;
                // 1e-6 of a stamp: 0.13 ms written and read again must not fall to the stamp below.
                let stamp = libm::floor(time_s / unit_s + 1e-6);
                let stamp = if stamp < f64::from(u32::MAX) { stamp as u32 } else { u32::MAX };
                self.sample(&mut bytes, section.first + step, stamp);
            }
        }
        bytes
    }

    fn sample(&self, bytes: &mut Vec<u8>, index: usize, stamp: u32) {
        let encoding = self.config.encoding;
        let number = index as u32 + 1;
        let raw = self.config.analog.iter().zip(&self.analog).map(|(channel, column)| {
            let value = column.get(index).copied().unwrap_or(f64::NAN);
            value.is_finite().then(|| (value - channel.b) / channel.a)
        });
        let states = self.status.iter().map(|column| column.get(index).copied().unwrap_or(false));
        if encoding == Encoding::Ascii {
            let mut line = format!("{number},{stamp}");
            for x in raw {
                // The result of writing to a String carries no news.
                let _ = write!(line, ",{}", x.map_or(99_999, |x| whole(x, i32::MAX)));
            }
            for state in states {
                let _ = write!(line, ",{}", u8::from(state));
            }
            bytes.extend_from_slice(line.as_bytes());
            bytes.extend_from_slice(b"\r\n");
            return;
        }
        bytes.extend_from_slice(&number.to_le_bytes());
        bytes.extend_from_slice(&stamp.to_le_bytes());
        for x in raw {
            match encoding {
                Encoding::Binary => {
                    let x = x.map_or(i16::MIN, |x| whole(x, i32::from(i16::MAX)) as i16);
                    bytes.extend_from_slice(&x.to_le_bytes());
                }
                Encoding::Binary32 => {
                    let x = x.map_or(i32::MIN, |x| whole(x, i32::MAX));
                    bytes.extend_from_slice(&x.to_le_bytes());
                }
                _ => bytes.extend_from_slice(&x.map_or(f32::MIN, |x| x as f32).to_le_bytes()),
            }
        }
        let mut words = vec![0; self.status.len().div_ceil(16) * 2];
        for (channel, state) in states.enumerate() {
            if let Some(byte) = words.get_mut(channel / 8) {
                *byte |= u8::from(state) << (channel % 8);
            }
        }
        bytes.extend_from_slice(&words);
    }
}

/// The nearest whole number, within ±`top` (so that the marker of a missing value is never written by chance).
fn whole(x: f64, top: i32) -> i32 {
    let top = f64::from(top);
    libm::round(if x > top {
        top
    } else if x < -top {
        -top
    } else {
        x
    }) as i32
}

fn time_text(config: &Config, ns: i64) -> String {
    let civil = Civil::from_unix_seconds(ns.div_euclid(1_000_000_000));
    let rest = ns.rem_euclid(1_000_000_000);
    let fraction =
        if config.stamp_unit_s < 1e-6 { format!("{rest:09}") } else { format!("{:06}", rest / 1000) };
    format!(
        "{:02}/{:02}/{:04},{:02}:{:02}:{:02}.{fraction}",
        civil.day, civil.month, civil.year, civil.hour, civil.minute, civil.second
    )
}

fn offset_text(minutes: i64) -> String {
    let sign = if minutes < 0 { "-" } else { "" };
    match (minutes.abs() / 60, minutes.abs() % 60) {
        (hours, 0) => format!("{sign}{hours}"),
        (hours, minutes) => format!("{sign}{hours}h{minutes:02}"),
    }
}
