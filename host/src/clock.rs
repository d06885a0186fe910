//! What time it was: one consistent UTC for all records of a logger, from before its clock was set to after it was set again.
//!
//! A logger counts frames from each start; its crystal runs too fast or too slow by some ppm, and between two starts nobody knows how
//! long it was without power. What fixes the frames of a start in UTC:
//!
//! - a host that set the clock, or the signal of a simulation: a *reference*. Two of them in a start show how fast its crystal runs, and
//!   the times between them are corrected by it, piecewise linearly; outside it is carried on, also to the starts around;
//! - else the battery-backed clock, as it stood at the start: off by what it may have drifted since a host set it;
//! - else the starts before and after: it began when the one before had ended, and ended before the next began.
//!
//! Each time has an error bound. What contradicts the others is left out: the largest number of references that fit together wins, of as
//! many the later ones (who sets a clock again corrects it). A start never begins before the one before it has ended.
//!
//! There are no time zones and no leap seconds in here: UTC as computers count it, 86 400 s a day. What a leap second shifts is one second of a
//! reference, as far as the host that set the clock was off at that moment.

mod chain;
mod place;

use std::collections::BTreeMap;

use wyelog_protocol::record::{ClockSource, Record, Status};

use crate::log::Sequenced;
use place::Placed;

/// A host's clock and half the round trip of the link, in s: `wyelog clock --set` refuses a slower line.
pub const HOST_ERROR_S: f64 = 0.25;
/// A battery-backed clock counts whole seconds.
pub const RTC_ERROR_S: f64 = 1.0;
/// No crystal is off by more, in ppm: ±100 from −40 to 85 °C, ageing included (common practice, no source).
pub const DRIFT_LIMIT_PPM: f64 = 100.0;
/// By how much, in ppm, a crystal's speed strays from its mean with temperature (common practice, no source).
pub const WANDER_PPM: f64 = 20.0;
/// Times before 2000 and from 2100 on are none: a clock that was never set right.
pub const PLAUSIBLE_MS: std::ops::Range<u64> = crate::time::EARLIEST_MS..4_102_444_800_000;

/// How a time is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// From one reference of the same start.
    Synced,
    /// Between two references of the same start: the crystal's drift is taken out.
    Corrected,
    /// The battery-backed clock alone says so, or a clock of which the log does not say who set it.
    Rtc,
    /// From what was before and after.
    Guessed,
    /// Not at all: no time.
    Unknown,
}

impl Quality {
    /// All of them, the best first.
    pub const ALL: [Self; 5] = [Self::Synced, Self::Corrected, Self::Rtc, Self::Guessed, Self::Unknown];

    /// Its name, as tables have it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Synced => "synced",
            Self::Corrected => "corrected",
            Self::Rtc => "rtc",
            Self::Guessed => "guessed",
            Self::Unknown => "unknown",
        }
    }
}

/// A reconstructed time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Time {
    /// UTC in ms since 1970-01-01; `None` with [`Quality::Unknown`].
    pub utc_ms: Option<u64>,
    /// How it is known.
    pub quality: Quality,
    /// Half of the width within which it is, in s; `None` where nothing bounds it on one side: it is the earliest or latest possible time
    /// then.
    pub error_s: Option<f64>,
}

/// What a record says of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Number of the start.
    pub boot: u32,
    /// Frames since the start.
    pub frame: u64,
    /// What the logger's clock said, in ms since 1970-01-01.
    pub utc_ms: Option<u64>,
    /// The clock was set there: UTC in ms since 1970-01-01, and by whom.
    pub set: Option<(u64, ClockSource)>,
}

impl From<&Sequenced> for Seen {
    fn from(kept: &Sequenced) -> Self {
        let stamp = kept.record.stamp();
        let set = match &kept.record {
            Record::Status(record) => match record.status {
                Status::ClockSet { after_ms, source, .. } => Some((after_ms, source)),
                _ => None,
            },
            _ => None,
        };
        Self { boot: stamp.boot, frame: stamp.frame, utc_ms: stamp.utc_ms, set }
    }
}

/// A moment of a start whose UTC is known.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Anchor {
    /// Of the start, in the order of starts.
    start: usize,
    frame: u64,
    utc_ms: f64,
    error_s: f64,
    source: ClockSource,
}

/// A time the clock was set to that contradicts the others, and is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Overruled {
    /// Number of the start.
    pub boot: u32,
    /// Frames since that start.
    pub frame: u64,
    /// What it was set to, in ms since 1970-01-01.
    pub utc_ms: u64,
    /// By whom.
    pub source: ClockSource,
}

/// All starts of a logger in UTC.
#[derive(Clone, Debug, Default)]
pub struct Timeline {
    starts: BTreeMap<u32, Placed>,
    overruled: Vec<Overruled>,
}

impl Timeline {
    /// From what the records of one logger say, in any order; twice the same is once.
    pub fn new(seen: impl IntoIterator<Item = Seen>) -> Self {
        let mut ends: BTreeMap<u32, u64> = BTreeMap::new();
        let mut sets = Vec::new();
        // In each start the first frame at which the clock was known.
        let mut said: BTreeMap<u32, (u64, u64)> = BTreeMap::new();
        for seen in seen {
            let end = ends.entry(seen.boot).or_default();
            *end = seen.frame.max(*end);
            if let Some(utc_ms) = seen.utc_ms.filter(|utc_ms| PLAUSIBLE_MS.contains(utc_ms)) {
                let first = said.entry(seen.boot).or_insert((seen.frame, utc_ms));
                *first = (*first).min((seen.frame, utc_ms));
            }
            sets.extend(seen.set.map(|(utc_ms, source)| (seen.boot, seen.frame, utc_ms, source)));
        }
        // The order of one frame is that of the log: a stable sort keeps it.
        sets.sort_by_key(|(boot, frame, ..)| (*boot, *frame));
        sets.dedup();
        for (boot, (frame, utc_ms)) in said {
            // Nothing in the log says who set the clock: as good as what the battery kept.
            if !sets.iter().any(|set: &(u32, u64, u64, ClockSource)| set.0 == boot) {
                sets.push((boot, frame, utc_ms, ClockSource::Rtc));
            }
        }
        let boots: Vec<u32> = ends.keys().copied().collect();
        let lengths: Vec<u64> = ends.into_values().collect();
        let mut overruled = Vec::new();
        let mut anchors = Vec::new();
        for (boot, frame, utc_ms, source) in sets {
            let error_s = match source {
                ClockSource::Signal => 0.0,
                ClockSource::Rtc => RTC_ERROR_S + to_ms(frame) * DRIFT_LIMIT_PPM * 1e-9,
                ClockSource::Host => HOST_ERROR_S,
            };
            match boots.binary_search(&boot) {
                Ok(start) if PLAUSIBLE_MS.contains(&utc_ms) => {
                    anchors.push(Anchor { start, frame, utc_ms: utc_ms as f64, error_s, source });
                }
                _ => overruled.push(Overruled { boot, frame, utc_ms, source }),
            }
        }
        let (kept, left) = chain::choose(&anchors, &lengths);
        overruled.extend(left.into_iter().map(|anchor| Overruled {
            boot: boots.get(anchor.start).copied().unwrap_or_default(),
            frame: anchor.frame,
            utc_ms: anchor.utc_ms as u64,
            source: anchor.source,
        }));
        overruled.sort_by_key(|set| (set.boot, set.frame));
        Self { starts: boots.into_iter().zip(place::all(&kept, &lengths)).collect(), overruled }
    }

    /// From the records of a log.
    pub fn of_records(records: &[Sequenced]) -> Self {
        Self::new(records.iter().map(Seen::from))
    }

    /// UTC at a frame of a start.
    pub fn at(&self, boot: u32, frame: u64) -> Time {
        let unknown = Time { utc_ms: None, quality: Quality::Unknown, error_s: None };
        self.starts.get(&boot).map_or(unknown, |start| start.at(frame))
    }

    /// What the clock was set to and what contradicts the rest, in order.
    pub fn overruled(&self) -> &[Overruled] {
        &self.overruled
    }
}

/// So many frames in ms, by a crystal that is not off.
fn to_ms(frames: u64) -> f64 {
    frames as f64 * 1000.0 / f64::from(wyelog_protocol::FRAMES_PER_SECOND)
}

#[cfg(test)]
mod tests;
