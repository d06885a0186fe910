//! Finding the bank's channels in a record and bringing them to the logger's frame rate.

use super::config::AnalogChannel;
use super::error::Error;
use super::record::Record;
use crate::frames_per_second;
use crate::resample::{RATE_RANGE_HZ, to_frame_rate};

/// Names (`ch_id`) of channels, for a record whose phase and unit fields do not tell.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ChannelNames {
    /// Voltages to ground of A, B, C.
    pub voltage: [Option<String>; 3],
    /// Neutral current, arrow from star to ground.
    pub neutral: Option<String>,
    /// Status: told to be closed.
    pub contact: Option<String>,
}

/// Where the bank's channels are in a record, as indices into its analog and status channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BankChannels {
    /// Voltages to ground of A, B, C.
    pub voltage: [usize; 3],
    /// Neutral current.
    pub neutral: Option<usize>,
    /// Status: told to be closed.
    pub contact: Option<usize>,
}

/// The bank's channels in primary volts and amperes at 4800 frames per second from the start of the record.
#[derive(Debug, Clone, PartialEq)]
pub struct BankSignals {
    /// Voltages to ground of A, B, C in V; NaN where the record has none.
    pub volts: [Vec<f64>; 3],
    /// Neutral current in A, arrow from star to ground.
    pub neutral: Option<Vec<f64>>,
    /// Told to be closed.
    pub contact: Option<Vec<bool>>,
}

const NAME_THEM: &str = "name the channels";

impl Record {
    /// Finds the voltages by phase A, B, C and a unit of volts; the neutral current by phase N and a unit of
    /// amperes; the contact by a name that contains CLOSE. A name given in `names` goes before. Two candidates or a
    /// missing voltage are errors; a missing neutral current or contact is not.
    pub fn bank_channels(&self, names: &ChannelNames) -> Result<BankChannels, Error> {
        let mut voltage = [0; 3];
        for ((slot, name), phase) in voltage.iter_mut().zip(&names.voltage).zip(["A", "B", "C"]) {
            let what = format!("voltage of phase {phase} (ph {phase}, unit V or kV)");
            *slot = self
                .analog_channel(name.as_deref(), &what, phase, "V")?
                .ok_or_else(|| self.content(format!("no {what} among {}", self.analog_names()), NAME_THEM))?;
        }
        let what = "neutral current (ph N, unit A or kA)";
        let neutral = self.analog_channel(names.neutral.as_deref(), what, "N", "A")?;
        let contact = self.contact(names.contact.as_deref())?;
        Ok(BankChannels { voltage, neutral, contact })
    }

    /// The bank's signals at 4800 frames per second: as they are, or band-limited and resampled.
    pub fn bank_signals(&self, channels: &BankChannels) -> Result<BankSignals, Error> {
        for section in &self.sections {
            if !RATE_RANGE_HZ.contains(&section.hz) {
                let what = format!("sample rate {} Hz must be 2000…100000 Hz", section.hz);
                return Err(self.content(what, "use a waveform record, not a trend"));
            }
        }
        let [a, b, c] = channels.voltage;
        let contact = channels.contact.and_then(|index| self.status.get(index));
        Ok(BankSignals {
            volts: [self.signal(a)?, self.signal(b)?, self.signal(c)?],
            neutral: channels.neutral.map(|index| self.signal(index)).transpose()?,
            contact: contact.map(|states| self.states(states)),
        })
    }

    fn content(&self, what: String, hint: &'static str) -> Error {
        Error::Content { file: self.file.clone(), what, hint }
    }

    fn analog_names(&self) -> String {
        let names: Vec<String> =
            self.config.analog.iter().map(|c| format!("{} (ph {}, {})", c.id, c.phase, c.unit)).collect();
        names.join(", ")
    }

    fn analog_channel(
        &self,
        name: Option<&str>,
        what: &str,
        phase: &str,
        unit: &str,
    ) -> Result<Option<usize>, Error> {
        let is_it = |channel: &AnalogChannel| match name {
            Some(name) => channel.id == name,
            None => channel.phase.eq_ignore_ascii_case(phase) && unit_factor(&channel.unit, unit).is_some(),
        };
        let found: Vec<usize> = indices(&self.config.analog, is_it);
        match (found.as_slice(), name) {
            ([index], _) => Ok(Some(*index)),
            ([], None) => Ok(None),
            ([], Some(name)) => {
                let what = format!("no channel \"{name}\" among {}", self.analog_names());
                Err(self.content(what, "use a name that the record has"))
            }
            (several, _) => {
                let what =
                    format!("{} channels could be the {what} in {}", several.len(), self.analog_names());
                Err(self.content(what, NAME_THEM))
            }
        }
    }

    fn contact(&self, name: Option<&str>) -> Result<Option<usize>, Error> {
        let found = indices(&self.config.status, |channel| match name {
            Some(name) => channel.id == name,
            None => channel.id.to_ascii_uppercase().contains("CLOSE"),
        });
        match (found.as_slice(), name) {
            ([index], _) => Ok(Some(*index)),
            ([], None) => Ok(None),
            ([], Some(name)) => {
                Err(self.content(format!("no status channel \"{name}\""), "use a name that the record has"))
            }
            (several, _) => {
                let what =
                    format!("{} status channels could be the contact (name with CLOSE)", several.len());
                Err(self.content(what, NAME_THEM))
            }
        }
    }

    /// One analog channel in primary V or A at the frame rate.
    fn signal(&self, index: usize) -> Result<Vec<f64>, Error> {
        let (Some(channel), Some(column)) = (self.config.analog.get(index), self.analog.get(index)) else {
            return Err(self.content(format!("no analog channel {}", index + 1), NAME_THEM));
        };
        let Some(factor) = unit_factor(&channel.unit, "V").or_else(|| unit_factor(&channel.unit, "A")) else {
            let what = format!("channel {} has unit \"{}\"", channel.id, channel.unit);
            return Err(self.content(what, "the unit must be V, kV, A or kA"));
        };
        let ratio = if channel.is_secondary { channel.primary / channel.secondary } else { 1.0 };
        let scale = factor * ratio;
        let mut signal = Vec::new();
        for section in &self.sections {
            let part = column.get(section.first..section.first + section.len).unwrap_or_default();
            let shift_s = self.first_frame_s(signal.len(), section.start_s) - channel.skew_us * 1e-6;
            signal.extend(to_frame_rate(part, section.hz, shift_s).into_iter().map(|value| value * scale));
        }
        Ok(signal)
    }

    fn states(&self, column: &[bool]) -> Vec<bool> {
        let mut states = Vec::new();
        for section in &self.sections {
            let part = column.get(section.first..section.first + section.len).unwrap_or_default();
            let shift_s = self.first_frame_s(states.len(), section.start_s);
            let span_s = part.len().saturating_sub(1) as f64 / section.hz;
            let count = libm::floor(span_s * frames_per_second() + 1e-9) as usize + 1;
            states.extend((0..count).map(|k| {
                let at = libm::floor((k as f64 / frames_per_second() + shift_s) * section.hz + 1e-6);
                let at = if at > 0.0 { at as usize } else { 0 };
                part.get(at).or(part.last()).copied().unwrap_or(false)
            }));
        }
        states
    }

    /// Seconds from the start of a section to the next frame due after `frames` frames.
    fn first_frame_s(&self, frames: usize, start_s: f64) -> f64 {
        frames as f64 / frames_per_second() - start_s
    }
}

fn indices<T>(channels: &[T], is_it: impl Fn(&T) -> bool) -> Vec<usize> {
    channels.iter().enumerate().filter(|(_, channel)| is_it(channel)).map(|(index, _)| index).collect()
}

/// Factor from a unit such as `kV` to the plain one, `None` for another quantity.
fn unit_factor(unit: &str, plain: &str) -> Option<f64> {
    // The first letter tells milli from mega; the rest is read in either case.
    let (prefix, rest) = unit.split_at_checked(unit.len().saturating_sub(1))?;
    if !rest.eq_ignore_ascii_case(plain) {
        return None;
    }
    match prefix {
        "" => Some(1.0),
        "k" | "K" => Some(1e3),
        "m" => Some(1e-3),
        "M" => Some(1e6),
        _ => None,
    }
}
