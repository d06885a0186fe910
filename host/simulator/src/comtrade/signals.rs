//! The bank's channels at the logger's frame rate: primary volts and amperes, band-limited, in time with each other.

use super::channels::{BankChannels, unit_factor};
use super::config::AnalogChannel;
use super::error::Error;
use super::record::{Record, Section};
use super::saturation::saturated;
use crate::frames_per_second;
use crate::resample::{RATE_RANGE_HZ, resample};

/// The bank's channels in primary volts and amperes at 4800 frames per second from the start of the record. NaN: the record
/// has none there. ±∞: a converter stood at the end of its range there.
#[derive(Debug, Clone, PartialEq)]
pub struct BankSignals {
    /// Voltages to ground of A, B, C in V; zeros where there is no channel.
    pub volts: [Vec<f64>; 3],
    /// Which of the voltages have a channel.
    pub present: [bool; 3],
    /// Neutral current in A, arrow from star to ground.
    pub neutral: Option<Vec<f64>>,
    /// Told to be closed.
    pub contact: Option<Vec<bool>>,
    /// Samples of A, B, C and the neutral that say nothing.
    pub defects: [Defects; 4],
    /// Of each channel that has saturated samples: the size of the value at which it does, in V or A.
    pub clip: [Option<f64>; 4],
}

/// Samples of a channel that say nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Defects {
    /// The channel's index among the analog channels.
    pub channel: usize,
    /// Samples without a value.
    pub missing: u64,
    /// Index of the first of them.
    pub first_missing: usize,
    /// Samples at the end of the converter's range.
    pub saturated: u64,
    /// Index of the first of them.
    pub first_saturated: usize,
}

/// What is known of the sensors besides what the record says.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Corrections {
    /// How long before the primary each sensor's output comes (A, B, C, neutral), in s: its phase angle as a time.
    pub lead_s: [f64; 4],
    /// Primary over secondary, for channels that hold secondary values and state no ratio of their own.
    pub ratio: [Option<f64>; 4],
}

/// Points of the polynomial that carries a wave over a change of the sample rate.
const SEAM_POINTS: usize = 8;

impl Record {
    /// The bank's signals at 4800 frames per second: as they are, or band-limited and resampled.
    ///
    /// # Errors
    /// A rate outside 2…100 kHz, a channel without a single value.
    pub fn bank_signals(&self, channels: &BankChannels) -> Result<BankSignals, Error> {
        self.corrected_signals(channels, &Corrections::default())
    }

    /// As [`Record::bank_signals`], with what is known of the sensors put right.
    ///
    /// # Errors
    /// As [`Record::bank_signals`].
    pub fn corrected_signals(
        &self,
        channels: &BankChannels,
        corrections: &Corrections,
    ) -> Result<BankSignals, Error> {
        for section in &self.sections {
            if !RATE_RANGE_HZ.contains(&section.hz) {
                let what = format!("sample rate {} Hz must be 2000…100000 Hz", section.hz);
                return Err(self.content(what, "use a waveform record, not a trend"));
            }
        }
        let [a, b, c] = channels.voltage;
        let present = channels.voltage.map(|index| index.is_some());
        let mut defects = [Defects::default(); 4];
        let mut clip = [None; 4];
        let mut signals = [const { Vec::new() }; 4];
        let indices = [a, b, c, channels.neutral];
        let slots = signals.iter_mut().zip(&mut defects).zip(&mut clip);
        let known = corrections.lead_s.into_iter().zip(corrections.ratio);
        for (((signal, defects), clip), (index, (lead_s, ratio))) in slots.zip(indices.into_iter().zip(known))
        {
            if let Some(index) = index {
                (*signal, *defects, *clip) = self.signal(index, lead_s, ratio)?;
            }
        }
        let [a, b, c, neutral] = signals;
        let mut volts = [a, b, c];
        for (volts, is_present) in volts.iter_mut().zip(present) {
            if !is_present {
                *volts = vec![0.0; self.frame_count()];
            }
        }
        let contact = channels.contact.and_then(|index| self.status.get(index));
        Ok(BankSignals {
            volts,
            present,
            neutral: channels.neutral.map(|_| neutral),
            contact: contact.map(|states| self.states(states)),
            defects,
            clip,
        })
    }

    /// Whether a channel's values are secondary ones, with no ratio stated (1 : 1).
    pub fn lacks_ratio(&self, index: usize) -> bool {
        let channel = self.config.analog.get(index);
        channel.is_some_and(|channel| channel.is_secondary && channel.primary == channel.secondary)
    }

    /// One analog channel in primary V or A at the frame rate, its defects, and where it clips.
    fn signal(
        &self,
        index: usize,
        lead_s: f64,
        ratio: Option<f64>,
    ) -> Result<(Vec<f64>, Defects, Option<f64>), Error> {
        let (Some(channel), Some(column)) = (self.config.analog.get(index), self.analog.get(index)) else {
            return Err(self.content(format!("no analog channel {}", index + 1), "name another channel"));
        };
        let scale = self.scale(index, channel, ratio)?;
        let highest_hz =
            self.sections.iter().map(|section| section.hz).reduce(|a, b| if b > a { b } else { a });
        let flags = saturated(channel, self.config.encoding, column, highest_hz.unwrap_or(0.0));
        let defects = Defects {
            channel: index,
            missing: column.iter().filter(|value| value.is_nan()).count() as u64,
            first_missing: column.iter().position(|value| value.is_nan()).unwrap_or(0),
            saturated: flags.iter().filter(|flag| **flag).count() as u64,
            first_saturated: flags.iter().position(|flag| *flag).unwrap_or(0),
        };
        if defects.missing == column.len() as u64 {
            return Err(Error::Config {
                file: self.file.clone(),
                line: self.config.channel_line(index),
                what: format!("channel {} has not a single value in {}", channel.id, self.data_file),
                hint: "name another channel, or use a record that has it",
            });
        }
        let shift_s = -channel.skew_us * 1e-6 - lead_s;
        let mut signal = Vec::with_capacity(self.frame_count());
        for (number, section) in self.sections.iter().enumerate() {
            let (padded, before) = self.padded(number, section, column);
            let first_s = signal.len() as f64 / frames_per_second() - section.start_s + shift_s;
            let count = self.frames_to_end(number).saturating_sub(signal.len());
            let first_s = first_s + before as f64 / section.hz;
            let nearest = |frame: usize| {
                let at =
                    libm::round((first_s + frame as f64 / frames_per_second()) * section.hz) - before as f64;
                let at = if at > 0.0 { at as usize } else { 0 };
                section.first + at.min(section.len.saturating_sub(1))
            };
            let values = resample(&padded, section.hz, first_s, count);
            signal.extend(values.into_iter().enumerate().map(|(frame, value)| {
                let at = nearest(frame);
                if flags.get(at) == Some(&true) {
                    let sign = column.get(at).map_or(1.0, |value| libm::copysign(1.0, value * scale));
                    return sign * f64::INFINITY;
                }
                value * scale
            }));
        }
        let highest =
            column.iter().zip(&flags).filter(|(_, flag)| **flag).map(|(value, _)| libm::fabs(value * scale));
        let clip = highest.reduce(|a, b| if b > a { b } else { a });
        Ok((signal, defects, clip))
    }

    fn scale(&self, index: usize, channel: &AnalogChannel, ratio: Option<f64>) -> Result<f64, Error> {
        let Some(factor) = unit_factor(&channel.unit, "V").or_else(|| unit_factor(&channel.unit, "A")) else {
            let what = format!("channel {} has unit \"{}\"", channel.id, channel.unit);
            return Err(self.content(what, "the unit must be V, kV, A or kA"));
        };
        let own = if channel.is_secondary { channel.primary / channel.secondary } else { 1.0 };
        let ratio = ratio.filter(|_| self.lacks_ratio(index)).unwrap_or(own);
        Ok(factor * ratio)
    }

    /// Frames from the start of the record to its last sample.
    fn frame_count(&self) -> usize {
        self.frames_to_end(self.sections.len().saturating_sub(1))
    }

    /// Frames before the next section begins, or up to the last sample of the record.
    fn frames_to_end(&self, number: usize) -> usize {
        let frames = frames_per_second();
        match (self.sections.get(number + 1), self.sections.get(number)) {
            // The frame on the next section's first sample is that one's.
            (Some(next), _) => libm::ceil(next.start_s * frames - 1e-9) as usize,
            (None, Some(last)) => {
                let end_s = last.start_s + last.len.saturating_sub(1) as f64 / last.hz;
                libm::floor(end_s * frames + 1e-9) as usize + 1
            }
            (None, None) => 0,
        }
    }

    /// The samples of a section with some more at its own rate on the sides where another section joins, and how many are
    /// before it: so that the filter does not see an end there.
    fn padded(&self, number: usize, section: &Section, column: &[f64]) -> (Vec<f64>, usize) {
        let own = column.get(section.first..section.first + section.len).unwrap_or_default();
        if self.sections.len() == 1 {
            return (own.to_vec(), 0);
        }
        // Half the length of the filter at this rate, with some room.
        let ratio = if section.hz > frames_per_second() { section.hz / frames_per_second() } else { 1.0 };
        let reach = libm::ceil(40.0 * ratio) as usize;
        let has_before = number > 0;
        let has_after = number + 1 < self.sections.len();
        let before = if has_before { reach } else { 0 };
        let after = if has_after { reach } else { 0 };
        let mut padded = Vec::with_capacity(before + own.len() + after);
        let at = |step: f64| self.between(column, section.start_s + step / section.hz);
        padded.extend((0..before).map(|step| at(step as f64 - before as f64)));
        padded.extend_from_slice(own);
        padded.extend((0..after).map(|step| at((own.len() + step) as f64)));
        (padded, before)
    }

    /// The wave at `time_s` from a polynomial through the samples around it, whatever their rates (Lagrange's form).
    fn between(&self, column: &[f64], time_s: f64) -> f64 {
        let next = self.first_at_or_after(time_s);
        let from = next.saturating_sub(SEAM_POINTS / 2).min(column.len().saturating_sub(SEAM_POINTS));
        let points: Vec<(f64, f64)> = (from..column.len().min(from + SEAM_POINTS))
            .map(|index| (self.time_of(index), column.get(index).copied().unwrap_or(f64::NAN)))
            .collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return f64::NAN };
        // No polynomial outside its points.
        if time_s <= first.0 || time_s >= last.0 {
            return if time_s <= first.0 { first.1 } else { last.1 };
        }
        let mut sum = 0.0;
        for (i, (time, value)) in points.iter().enumerate() {
            let others = points.iter().enumerate().filter(|(j, _)| *j != i);
            let weight: f64 = others.map(|(_, (other, _))| (time_s - other) / (time - other)).product();
            sum += weight * value;
        }
        sum
    }

    /// Index of the first sample not before this time.
    fn first_at_or_after(&self, time_s: f64) -> usize {
        let Some(section) = self.section_by(|section| section.start_s <= time_s) else { return 0 };
        let steps = libm::ceil((time_s - section.start_s) * section.hz - 1e-6);
        section.first + (steps as usize).min(section.len)
    }

    /// The last section of which this is true, which it is of all before it.
    fn section_by(&self, is_it: impl Fn(&Section) -> bool) -> Option<&Section> {
        self.sections.get(self.sections.partition_point(is_it).saturating_sub(1))
    }

    /// Time of a sample from the start of the record, in s.
    fn time_of(&self, index: usize) -> f64 {
        let section = self.section_by(|section| section.first <= index);
        section.map_or(0.0, |section| section.start_s + (index - section.first) as f64 / section.hz)
    }

    fn states(&self, column: &[bool]) -> Vec<bool> {
        let states = (0..self.frame_count()).map(|frame| {
            let time_s = frame as f64 / frames_per_second();
            let Some(section) = self.section_by(|section| section.start_s <= time_s + 1e-9) else {
                return false;
            };
            let steps = libm::floor((time_s - section.start_s) * section.hz + 1e-6);
            let steps = if steps > 0.0 { steps as usize } else { 0 };
            let at = section.first + steps.min(section.len.saturating_sub(1));
            column.get(at).or(column.last()).copied().unwrap_or(false)
        });
        states.collect()
    }
}
