//! The `.dat` file: samples in the encoding that the `.cfg` file states.

use super::config::{AnalogChannel, Config, Encoding};
use super::error::Error;

/// Samples by channel, as far as the file holds whole ones.
#[derive(Debug, Default)]
pub(super) struct Samples {
    /// Scaled values by analog channel; NaN is a value that the record marks as missing.
    pub analog: Vec<Vec<f64>>,
    /// States by status channel.
    pub status: Vec<Vec<bool>>,
    /// Time stamps as written (`None`: missing), kept only when the record has no rate.
    pub stamps: Vec<Option<u64>>,
    /// Where each whole sample begins in the file, in bytes.
    pub offsets: Vec<usize>,
    /// Where the last of them ends.
    pub end: usize,
    /// Whole samples read.
    pub count: u64,
    /// Bytes from the end of the announced samples on, if there is room for another sample in them.
    pub bytes_behind: u64,
}

const DAMAGED: &str = "the file is damaged here or belongs to another .cfg file; copy the record again";

/// Reads every whole sample of `bytes`, at most as many as `config` announces. A cut-off last sample is left out;
/// a sample that cannot be (a wrong number, a field that is no number) is an error.
pub(super) fn parse(file: &str, config: &Config, bytes: &[u8]) -> Result<Samples, Error> {
    let mut samples = Samples {
        analog: vec![Vec::new(); config.analog.len()],
        status: vec![Vec::new(); config.status.len()],
        ..Samples::default()
    };
    let mut reader = Reader { file, config, samples: &mut samples, previous: None };
    if config.encoding == Encoding::Ascii {
        reader.ascii(bytes)?
    } else {
        reader.binary(bytes)?
    }
    Ok(samples)
}

struct Reader<'a> {
    file: &'a str,
    config: &'a Config,
    samples: &'a mut Samples,
    previous: Option<u64>,
}

impl Reader<'_> {
    fn error(&self, offset: usize, what: impl Into<String>) -> Error {
        Error::Data { file: self.file.to_owned(), offset, what: what.into(), hint: DAMAGED }
    }

    /// Checks that sample numbers count up by one: a record read out of step is noise that looks like data.
    fn sample(&mut self, offset: usize, number: u64, stamp: Option<u64>) -> Result<(), Error> {
        if let Some(previous) = self.previous.filter(|previous| previous + 1 != number) {
            return Err(self.error(offset, format!("sample number {number} follows {previous}")));
        }
        self.previous = Some(number);
        if self.config.rates.is_empty() {
            self.samples.stamps.push(stamp);
        }
        self.samples.count += 1;
        self.samples.offsets.push(offset);
        Ok(())
    }

    fn binary(&mut self, bytes: &[u8]) -> Result<(), Error> {
        let width = self.config.encoding.value_bytes();
        let analog_bytes = self.config.analog.len() * width;
        let status_bytes = self.config.status.len().div_ceil(16) * 2;
        let size = 8 + analog_bytes + status_bytes;
        for (index, record) in bytes.chunks_exact(size).enumerate() {
            if self.samples.count == self.config.sample_count {
                self.samples.bytes_behind = (bytes.len() - index * size) as u64;
                break;
            }
            let (head, body) = record.split_at(8);
            let (values, words) = body.split_at(analog_bytes);
            let (number, stamp) = head.split_at(4);
            let stamp = u32_from(stamp);
            let stamp = (stamp != u32::MAX).then_some(u64::from(stamp));
            self.sample(index * size, u64::from(u32_from(number)), stamp)?;
            let channels = self.config.analog.iter().zip(&mut self.samples.analog);
            for ((channel, column), raw) in channels.zip(values.chunks_exact(width)) {
                let x = raw_value(self.config.encoding, raw);
                column.push(scaled(channel, x));
            }
            for (channel, column) in self.samples.status.iter_mut().enumerate() {
                let byte = words.get(channel / 8).copied().unwrap_or(0);
                column.push(byte >> (channel % 8) & 1 == 1);
            }
            self.samples.end = (index + 1) * size;
        }
        Ok(())
    }

    fn ascii(&mut self, bytes: &[u8]) -> Result<(), Error> {
        let expected = 2 + self.config.analog.len() + self.config.status.len();
        let mut offset = 0;
        for line in bytes.split_inclusive(|&byte| byte == b'\n') {
            let start = offset;
            offset += line.len();
            if line.first() == Some(&0x1a) {
                break;
            }
            if self.samples.count == self.config.sample_count {
                let rest = bytes.get(start..).unwrap_or_default();
                let end = rest.iter().position(|&byte| byte == 0x1a).unwrap_or(rest.len());
                let rest = rest.get(..end).unwrap_or_default();
                self.samples.bytes_behind = rest.trim_ascii().len() as u64;
                break;
            }
            let is_last_announced = self.samples.count + 1 == self.config.sample_count;
            if line.last() != Some(&b'\n') && !is_last_announced {
                // Cut in the middle of a sample: nobody can tell whether its last digit is there.
                break;
            }
            let text = String::from_utf8_lossy(line);
            let text = text.trim_end_matches(['\r', '\n', '\u{1a}']);
            if text.trim().is_empty() {
                continue;
            }
            let fields: Vec<&str> = text.split(',').map(str::trim).collect();
            if fields.len() != expected {
                if line.last() != Some(&b'\n') {
                    break;
                }
                return Err(self.error(start, format!("{} fields where {expected} are due", fields.len())));
            }
            self.ascii_sample(start, &fields)?;
            self.samples.end = offset;
        }
        Ok(())
    }

    fn ascii_sample(&mut self, offset: usize, fields: &[&str]) -> Result<(), Error> {
        let (head, body) = fields.split_at(2);
        let (values, states) = body.split_at(self.config.analog.len());
        let number = head.first().copied().unwrap_or("");
        let number = number
            .parse::<u64>()
            .ok()
            .filter(|&number| number < u64::MAX)
            .ok_or_else(|| self.error(offset, format!("sample number \"{number}\" is not a number")))?;
        let stamp = head.get(1).copied().unwrap_or("");
        let stamp = match stamp {
            "" => None,
            text => match text.parse::<u64>() {
                Ok(stamp) => Some(stamp),
                Err(_) => return Err(self.error(offset, format!("time stamp \"{text}\" is not a number"))),
            },
        };
        self.sample(offset, number, stamp)?;
        for (index, (channel, text)) in self.config.analog.iter().zip(values).enumerate() {
            let x = match *text {
                "" => None,
                // The marker of a missing value, unless the channel's own range reaches beyond it.
                "99999" if channel.max <= 99_999.0 => None,
                text => match text.parse::<f64>() {
                    Ok(x) if x.is_finite() => Some(x),
                    _ => {
                        let what = format!("analog channel {} = \"{text}\" is not a number", index + 1);
                        return Err(self.error(offset, what));
                    }
                },
            };
            if let Some(column) = self.samples.analog.get_mut(index) {
                column.push(scaled(channel, x));
            }
        }
        for (index, text) in states.iter().enumerate() {
            let state = match *text {
                "0" => false,
                "1" => true,
                text => {
                    let what = format!("status channel {} = \"{text}\": must be 0 or 1", index + 1);
                    return Err(self.error(offset, what));
                }
            };
            if let Some(column) = self.samples.status.get_mut(index) {
                column.push(state);
            }
        }
        Ok(())
    }
}

/// The value of `x` in the channel's unit. One that no number can hold is as good as missing.
fn scaled(channel: &AnalogChannel, x: Option<f64>) -> f64 {
    x.map(|x| channel.a * x + channel.b).filter(|value| value.is_finite()).unwrap_or(f64::NAN)
}

fn u32_from(bytes: &[u8]) -> u32 {
    bytes.iter().rev().fold(0, |value, &byte| value << 8 | u32::from(byte))
}

/// One little-endian analog value; `None` is the encoding's marker of a missing one.
fn raw_value(encoding: Encoding, bytes: &[u8]) -> Option<f64> {
    let word = u32_from(bytes);
    match encoding {
        Encoding::Ascii => None,
        // Two bytes were read, so the upper half is empty.
        Encoding::Binary => (word != 0x8000).then(|| f64::from(word as u16 as i16)),
        Encoding::Binary32 => (word != 0x8000_0000).then(|| f64::from(word as i32)),
        Encoding::Float32 => {
            let value = f32::from_bits(word);
            (value.is_finite() && value != f32::MIN).then(|| f64::from(value))
        }
    }
}
