//! A record: what its `.cfg` says and the samples of its `.dat`.

use std::path::{Path, PathBuf};

use super::config::{Config, Encoding, Rate};
use super::data::{self, Samples};
use super::error::Error;

/// A waveform record in memory.
#[derive(Debug, Clone)]
pub struct Record {
    /// Name of the `.cfg` file, for messages.
    pub file: String,
    /// Name of the `.dat` file, for messages.
    pub data_file: String,
    /// What the `.cfg` file says.
    pub config: Config,
    /// Scaled values by analog channel, in the channel's own unit; NaN where the record has none.
    pub analog: Vec<Vec<f64>>,
    /// States by status channel.
    pub status: Vec<Vec<bool>>,
    /// Announced samples that the `.dat` file does not hold.
    pub missing_samples: u64,
    /// Bytes of the `.dat` file behind the announced samples, which are not read.
    pub bytes_behind: u64,
    /// Where each sample begins in the `.dat` file, in bytes; empty for a record that was not read from one.
    pub offsets: Vec<usize>,
    /// Where the last sample ends in the `.dat` file.
    pub data_end: usize,
    /// Stretches of one sample rate, in time order.
    pub sections: Vec<Section>,
}

/// A stretch of samples at one rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// Index of its first sample, from 0.
    pub first: usize,
    /// Samples in it.
    pub len: usize,
    /// Time of its first sample from the start of the record, in s.
    pub start_s: f64,
    /// Samples per second.
    pub hz: f64,
}

impl Record {
    /// Reads a record by the path of its `.cfg` file; the `.dat` file lies beside it under the same name.
    ///
    /// A `.dat` file that ends early is read as far as it goes: see [`Record::missing_samples`].
    pub fn read(path: &Path) -> Result<Self, Error> {
        let file =
            |path: &Path| std::fs::read(path).map_err(|source| Error::File { path: path.to_owned(), source });
        let config = file(path)?;
        let dat = data_beside(path);
        Self::parse(&path.display().to_string(), &config, &dat.display().to_string(), &file(&dat)?)
    }

    /// Reads a record from the bytes of its two files; the names are for messages.
    pub fn parse(cfg_name: &str, cfg: &[u8], dat_name: &str, dat: &[u8]) -> Result<Self, Error> {
        let config = Config::parse(cfg_name, cfg)?;
        let samples = data::parse(dat_name, &config, dat)?;
        if samples.count == 0 {
            return Err(Error::Data {
                file: dat_name.to_owned(),
                offset: 0,
                what: "no whole sample".to_owned(),
                hint: "copy the .dat file again; it must have the encoding that the .cfg file states",
            });
        }
        let sections = match config.rates.as_slice() {
            [] => vec![section_from_stamps(cfg_name, &config, &samples)?],
            rates => sections_from_rates(rates, samples.count),
        };
        Ok(Self {
            file: cfg_name.to_owned(),
            data_file: dat_name.to_owned(),
            missing_samples: config.sample_count.saturating_sub(samples.count),
            bytes_behind: samples.bytes_behind,
            offsets: samples.offsets,
            data_end: samples.end,
            config,
            analog: samples.analog,
            status: samples.status,
            sections,
        })
    }

    /// Samples in the record.
    pub fn len(&self) -> usize {
        self.sections.iter().map(|section| section.len).sum()
    }

    /// Never true: a record without a sample is refused.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Length of the record in s: its samples, each one sample period long.
    pub fn duration_s(&self) -> f64 {
        self.sections.last().map_or(0.0, |last| last.start_s + last.len as f64 / last.hz)
    }

    /// The part from `from_s` to `to_s` of a record with one rate, in `encoding`, scaled to fill its range.
    pub fn cut(&self, from_s: f64, to_s: f64, encoding: Encoding) -> Result<Self, Error> {
        let error = |what: String, hint| Error::Content { file: self.file.clone(), what, hint };
        let [section] = self.sections.as_slice() else {
            return Err(error("the record has more than one rate".to_owned(), "cut a record of one rate"));
        };
        if !(from_s >= 0.0 && from_s < to_s && to_s <= self.duration_s()) {
            return Err(error(
                format!("{from_s}…{to_s} s is not within the record's {} s", self.duration_s()),
                "give a stretch inside the record",
            ));
        }
        let first = libm::round(from_s * section.hz) as usize;
        let last = (libm::round(to_s * section.hz) as usize).clamp(first + 1, section.len);
        let slice = |column: &Vec<f64>| column.get(first..last).unwrap_or_default().to_vec();
        let mut config = self.config.clone();
        config.encoding = encoding;
        config.revision = 2013;
        config.sample_count = (last - first) as u64;
        config.rates = vec![Rate { hz: section.hz, last_sample: config.sample_count }];
        config.start_ns += libm::round(first as f64 / section.hz * 1e9) as i64;
        config.trigger_ns = config.start_ns;
        let mut part = Self {
            file: self.file.clone(),
            data_file: self.data_file.clone(),
            config,
            analog: self.analog.iter().map(slice).collect(),
            status: self.status.iter().map(|s| s.get(first..last).unwrap_or_default().to_vec()).collect(),
            missing_samples: 0,
            bytes_behind: 0,
            offsets: Vec::new(),
            data_end: 0,
            sections: vec![Section { first: 0, len: last - first, start_s: 0.0, hz: section.hz }],
        };
        part.rescale();
        Ok(part)
    }

    /// Chooses `a`, `b`, `min` and `max` of each channel so that its values fill the range of the encoding.
    pub fn rescale(&mut self) {
        let top = match self.config.encoding {
            Encoding::Ascii => 99_998.0,
            Encoding::Binary => 32_767.0,
            Encoding::Binary32 => 2_147_483_647.0,
            Encoding::Float32 => 3.4e38,
        };
        for (channel, column) in self.config.analog.iter_mut().zip(&self.analog) {
            let crest = column.iter().filter(|v| v.is_finite()).fold(0.0, |crest, &value| {
                let size = libm::fabs(value);
                if size > crest { size } else { crest }
            });
            let is_float = self.config.encoding == Encoding::Float32;
            channel.a = if is_float || crest == 0.0 { 1.0 } else { crest / top };
            channel.b = 0.0;
            channel.min = -top;
            channel.max = top;
        }
    }
}

/// The path of the `.dat` file that lies beside a `.cfg` file: in the same letter case, or the other one where only
/// that is there.
fn data_beside(cfg: &Path) -> PathBuf {
    let same = data_path(cfg);
    let is_upper = same.extension().is_some_and(|extension| extension == "DAT");
    let other = cfg.with_extension(if is_upper { "dat" } else { "DAT" });
    if !same.exists() && other.exists() { other } else { same }
}

/// The path of the `.dat` file that belongs to a `.cfg` file, in the same letter case.
pub(super) fn data_path(cfg: &Path) -> PathBuf {
    let is_upper = cfg.extension().is_some_and(|extension| extension == "CFG");
    cfg.with_extension(if is_upper { "DAT" } else { "dat" })
}

fn sections_from_rates(rates: &[Rate], count: u64) -> Vec<Section> {
    let mut sections = Vec::new();
    let (mut first, mut start_s) = (0, 0.0);
    for rate in rates {
        let end = rate.last_sample.min(count);
        let len = (end - first) as usize;
        if len == 0 {
            break;
        }
        sections.push(Section { first: first as usize, len, start_s, hz: rate.hz });
        start_s += len as f64 / rate.hz;
        first = end;
    }
    sections
}

/// The rate of a record whose samples carry the only times. Stamps are rounded, so a whole number of hertz is
/// taken where the rounding allows it.
fn section_from_stamps(file: &str, config: &Config, samples: &Samples) -> Result<Section, Error> {
    let error = |what: String, hint| Error::Content { file: file.to_owned(), what, hint };
    let unit_s = config.stamp_unit_s * config.time_multiplier;
    let mut times = Vec::with_capacity(samples.stamps.len());
    for (index, stamp) in samples.stamps.iter().enumerate() {
        let Some(stamp) = stamp else {
            return Err(error(
                format!("sample {} has neither a time stamp nor a rate", index + 1),
                "state the sample rate in the .cfg file",
            ));
        };
        times.push(*stamp as f64 * unit_s);
    }
    let (first, last) = (times.first().copied().unwrap_or(0.0), times.last().copied().unwrap_or(0.0));
    let span = last - first;
    let steps = times.len().saturating_sub(1) as f64;
    // Written so that a NaN or an infinity is refused as well.
    if !(span > 0.0 && span < 1e9) {
        return Err(error("time stamps do not go up".to_owned(), "state the sample rate in the .cfg file"));
    }
    let mean_hz = steps / span;
    let whole_hz = libm::round(mean_hz);
    let is_whole = whole_hz >= 1.0 && libm::fabs(steps / whole_hz - span) <= 1.5 * unit_s;
    let hz = if is_whole { whole_hz } else { mean_hz };
    for (index, &time) in times.iter().enumerate() {
        let off = libm::fabs(time - first - index as f64 / hz);
        if off > 1.5 * unit_s + 0.1 / hz {
            return Err(error(
                format!(
                    "the time stamp of sample {} is {off:.6} s off an even rate of {hz:.3} Hz",
                    index + 1
                ),
                "samples are lost or unevenly spaced there; cut the record to an even stretch",
            ));
        }
    }
    Ok(Section { first: 0, len: times.len(), start_s: 0.0, hz })
}
