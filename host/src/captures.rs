//! Captures: the waveforms that a logger keeps around events and operations, out of its log.
//!
//! A capture lies in the log as a row of records, each with half a hundred samples, other records between them. Here they
//! are joined by their frames. What the log has lost of one is a gap in it; nothing is made up.

mod comtrade;
#[cfg(test)]
mod tests;

use thiserror::Error;
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::{RatedFrequency, Settings};
use wyelog_protocol::condition::Change;
use wyelog_protocol::record::{self, Event, Follows, Record};
use wyelog_protocol::waveform::{Sample, Samples};

use crate::log::Log;
use crate::time::{When, frames_to_seconds};

/// Longest capture: 60 cycles of 50 Hz, and what its first step takes.
const LONGEST_FRAMES: u64 = 6000;

/// Frames of a window: 200 ms.
const WINDOW_FRAMES: u64 = 960;

/// Steps of a sample in full scale.
const STEPS: f64 = 32_768.0;

/// How a capture ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// As the logger meant it to.
    Whole,
    /// The logger broke it off: frames were lost, or samples found no room.
    BrokenOff,
    /// The log has no more of it: power went, or records are lost.
    Cut,
}

impl Ending {
    /// Word for programs.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Whole => "whole",
            Self::BrokenOff => "broken_off",
            Self::Cut => "cut",
        }
    }
}

/// A capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Capture {
    /// Serial number of the logger, as far as the log says.
    pub device: String,
    /// The first sample.
    pub begin: When,
    /// Counts of the converter over 256, one each frame; `None` where the log has lost them.
    pub samples: Vec<Option<Sample>>,
    /// How it ends.
    pub ending: Ending,
    /// The settings in force: what the samples mean.
    pub settings: Settings,
    /// Conditions that began in it.
    pub events: Vec<Event>,
}

/// Why samples have no meaning.
#[derive(Debug, Error)]
pub enum CaptureError {
    /// There is nothing to say what full scale is.
    #[error(
        "the log holds captures but no settings of the logger, so their full scale is not known; download from a lower record \
         number on"
    )]
    NoSettings,
}

/// The captures of a log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Captures {
    /// In the order of the log.
    pub captures: Vec<Capture>,
    /// Capture records whose samples make no sense; they are gaps.
    pub damaged_records: u64,
}

impl Captures {
    /// Out of a log.
    ///
    /// # Errors
    /// [`CaptureError::NoSettings`].
    pub fn of(log: &Log) -> Result<Self, CaptureError> {
        let device = log.identity.as_ref().map_or("", |identity| identity.serial.as_str());
        let mut settings = log.records.iter().find_map(|kept| settings_of(&kept.record));
        let mut found = Self::default();
        // Whether the last one goes on.
        let mut is_open = false;
        for kept in &log.records {
            let Record::Capture(record) = &kept.record else {
                settings = settings_of(&kept.record).or(settings);
                continue;
            };
            let Ok(samples) = Samples::new(&record.samples).collect::<Result<Vec<_>, _>>() else {
                found.damaged_records += 1;
                continue;
            };
            let last = found.captures.last_mut().filter(|_| is_open);
            let gap = last.as_ref().and_then(|last| last.gap_before(record));
            match (last, gap) {
                (Some(last), Some(gap)) => last.samples.extend((0..gap).map(|_| None)),
                _ => found.captures.push(Capture {
                    device: device.to_owned(),
                    begin: When::from(&record.stamp),
                    samples: Vec::new(),
                    ending: Ending::Cut,
                    settings: settings.clone().ok_or(CaptureError::NoSettings)?,
                    events: Vec::new(),
                }),
            }
            if let Some(last) = found.captures.last_mut() {
                last.samples.extend(samples.into_iter().map(Some));
                last.ending = match record.follows {
                    Follows::More => Ending::Cut,
                    Follows::Nothing => Ending::Whole,
                    Follows::Lost => Ending::BrokenOff,
                };
            }
            is_open = record.follows == Follows::More;
        }
        let events: Vec<&Event> = log.records.iter().filter_map(|kept| detected(&kept.record)).collect();
        for capture in &mut found.captures {
            capture.events =
                events.iter().filter(|event| capture.has(event)).map(|event| (*event).clone()).collect();
        }
        Ok(found)
    }
}

fn settings_of(record: &Record) -> Option<Settings> {
    match record {
        Record::Settings(record) => Some(record.settings.clone()),
        _ => None,
    }
}

fn detected(record: &Record) -> Option<&Event> {
    match record {
        Record::Event(event) if event.change == Change::Detected => Some(event),
        _ => None,
    }
}

impl Capture {
    /// Frame behind the last sample.
    pub fn end_frame(&self) -> u64 {
        self.begin.frame.saturating_add(self.samples.len() as u64)
    }

    /// Length in s.
    pub fn duration_s(&self) -> f64 {
        frames_to_seconds(self.samples.len() as u64)
    }

    /// Samples that the log has lost inside of it.
    pub fn missing(&self) -> u64 {
        self.samples.iter().filter(|sample| sample.is_none()).count() as u64
    }

    /// Where it was triggered: the begin of the first condition in it, or else, as the logger begins three cycles and a half
    /// before a trigger, that far behind its begin.
    pub fn trigger_frame(&self) -> u64 {
        let cycle = match self.settings.nameplate.frequency {
            RatedFrequency::Hz50 => u64::from(FRAMES_PER_SECOND) / 50,
            RatedFrequency::Hz60 => u64::from(FRAMES_PER_SECOND) / 60,
        };
        let by_rule = self.begin.frame.saturating_add(cycle * 7 / 2).min(self.end_frame());
        let begins = self.events.iter().map(|event| event.begin.frame);
        begins.filter(|begin| *begin >= self.begin.frame).min().unwrap_or(by_rule)
    }

    /// What a step of A, B, C in V and of N in A is, primary; `None` where the settings do not say.
    pub fn steps(&self) -> [Option<f64>; 4] {
        let sensors = &self.settings.sensors;
        let [a, b, c] = sensors.voltage.map(|sensor| sensor.full_scale.value_f64());
        [a, b, c, sensors.neutral_full_scale.value_f64()].map(|full_scale| Some(full_scale? / STEPS))
    }

    /// Primary values of a channel (0 to 2: voltage to ground of A, B, C in V; 3: neutral current in A), one each frame; NaN
    /// where nothing is known.
    pub fn values(&self, channel: usize) -> Vec<f64> {
        let step = self.steps().get(channel).copied().flatten().unwrap_or(f64::NAN);
        let value = |sample: &Sample| sample.get(channel).map_or(f64::NAN, |value| f64::from(*value) * step);
        self.samples.iter().map(|sample| sample.as_ref().map_or(f64::NAN, value)).collect()
    }

    /// A name for its files: the number of the logger's start, and the first frame.
    pub fn file_name(&self) -> String {
        format!("start{:04}-frame{:010}", self.begin.boot, self.begin.frame)
    }

    /// How many frames are missing between this capture and `record`, if that goes on with it.
    fn gap_before(&self, record: &record::Capture) -> Option<u64> {
        let is_near = record.stamp.frame < self.begin.frame.saturating_add(LONGEST_FRAMES);
        let gap = record.stamp.frame.checked_sub(self.end_frame())?;
        (record.stamp.boot == self.begin.boot && is_near).then_some(gap)
    }

    fn has(&self, event: &Event) -> bool {
        // What a window finds began somewhere in it.
        let too_early = if event.condition.concerns_bank() { WINDOW_FRAMES } else { 0 };
        let from = self.begin.frame.saturating_sub(too_early);
        event.stamp.boot == self.begin.boot && (from..self.end_frame()).contains(&event.begin.frame)
    }
}
