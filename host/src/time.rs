//! Times as people and programs read them: UTC, never a local zone.

use std::fmt;

use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::record::{Moment, Stamp};
use wyelog_simulator::civil::Civil;

use crate::clock::{Quality, Timeline};

/// UTC before 2000 is no time: a clock that was never set right.
pub const EARLIEST_MS: u64 = 946_684_800_000;

/// Stands in front of a time that was guessed.
pub const GUESSED: &str = "~";

/// What to say below times of which some have the mark.
pub const GUESSED_NOTE: &str = "~ the logger's clock was not set then: reckoned from the records before and after, see `time_error_s` in the store";

/// A moment in the life of a logger: exact since its start, and in UTC if its clock had been set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct When {
    /// Number of the logger's start.
    pub boot: u32,
    /// Frames since that start.
    pub frame: u64,
    /// UTC in ms since 1970-01-01.
    pub utc_ms: Option<u64>,
    /// The logger did not know it: it is reckoned from what was before and after.
    pub is_guessed: bool,
}

impl When {
    /// A moment of the start number `boot`.
    pub const fn of(boot: u32, moment: &Moment) -> Self {
        Self { boot, frame: moment.frame, utc_ms: moment.utc_ms, is_guessed: false }
    }

    /// The same moment in the time that was reconstructed; as it was where that knows none.
    #[must_use]
    pub fn on(self, timeline: &Timeline) -> Self {
        let time = timeline.at(self.boot, self.frame);
        match time.utc_ms {
            Some(_) => Self { utc_ms: time.utc_ms, is_guessed: time.quality == Quality::Guessed, ..self },
            None => self,
        }
    }

    /// Seconds since the start.
    pub fn seconds(&self) -> f64 {
        frames_to_seconds(self.frame)
    }

    /// `2030-01-01T00:00:20.017Z`, if the clock had been set.
    pub fn utc(&self) -> Option<String> {
        self.utc_ms.map(utc)
    }
}

impl From<&Stamp> for When {
    fn from(stamp: &Stamp) -> Self {
        Self { boot: stamp.boot, frame: stamp.frame, utc_ms: stamp.utc_ms, is_guessed: false }
    }
}

impl fmt::Display for When {
    /// `2030-01-01 00:00:20.017 UTC`, with [`GUESSED`] in front of a guess, or `20.017 s after start 3` while the clock had not been set.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.utc_ms {
            Some(ms) => {
                let mark = if self.is_guessed { GUESSED } else { "" };
                f.pad(&format!("{mark}{}", utc(ms).replace('T', " ").replace('Z', " UTC")))
            }
            None => f.pad(&format!("{:.3} s after start {}", self.seconds(), self.boot)),
        }
    }
}

/// A day or a moment in UTC, in ms since 1970-01-01: `2030-05-14`, `2030-05-14T06:30`, `2030-05-14 06:30:00.250Z`.
pub fn parse_utc(text: &str) -> Option<i64> {
    let text = text.trim_end_matches('Z');
    let (day, time) = text.split_once(['T', ' ']).unwrap_or((text, "00:00"));
    let mut day = day.splitn(3, '-').map(|part| part.parse::<u16>().ok());
    let (year, month, day) = (day.next()??, day.next()??, day.next()??);
    let mut time = time.splitn(3, ':');
    let (hour, minute) = (time.next()?.parse::<u8>().ok()?, time.next()?.parse::<u8>().ok()?);
    let (second, fraction) = match time.next() {
        Some(second) => second.split_once('.').unwrap_or((second, "0")),
        None => ("0", "0"),
    };
    let ms: String = fraction.chars().chain("00".chars()).take(3).collect();
    let civil = Civil {
        year: year.into(),
        month: month.into(),
        day: day.into(),
        hour: hour.into(),
        minute: minute.into(),
        second: second.parse::<u8>().ok()?.into(),
    };
    Some(civil.unix_seconds()? * 1000 + i64::from(ms.parse::<u16>().ok()?))
}

/// Frames of the logger as seconds.
pub fn frames_to_seconds(frames: u64) -> f64 {
    frames as f64 / f64::from(FRAMES_PER_SECOND)
}

/// A duration as people say it: `0.34 s`, `59.9 s`, `4 min 05 s`, `2 h 03 min`.
pub fn duration(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    match whole {
        _ if seconds < 10.0 => format!("{seconds:.2} s"),
        0..100 => format!("{seconds:.1} s"),
        100..7200 => format!("{} min {:02} s", whole / 60, whole % 60),
        7200.. => format!("{} h {:02} min", whole / 3600, whole / 60 % 60),
    }
}

/// `2030-01-01T00:00:20.017Z`.
pub fn utc(ms: u64) -> String {
    let seconds = i64::try_from(ms / 1000).unwrap_or(i64::MAX);
    let Civil { year, month, day, hour, minute, second } = civil(seconds);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{:03}Z", ms % 1000)
}

/// `2030-05-09 14:02`.
pub fn minute(ms: i64) -> String {
    let Civil { year, month, day, hour, minute, .. } = civil(ms.div_euclid(1000));
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}")
}

/// From 1970 to 9999: before and beyond no logger of ours hangs on a pole.
pub(crate) fn civil(unix_s: i64) -> Civil {
    Civil::from_unix_seconds(unix_s.clamp(0, 253_402_300_799))
}

/// A day or a moment in UTC, such as `2030-05-14` or `2030-05-14T06:30`, in ms since 1970-01-01.
///
/// # Errors
/// It is none: with what to give instead.
pub fn moment(text: &str) -> Result<i64, String> {
    parse_utc(text)
        .ok_or_else(|| "give a day or a moment in UTC, such as 2030-05-14 or 2030-05-14T06:30:00".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_moments_are_utc() {
        assert_eq!(moment("2001-09-09"), Ok(999_993_600_000));
        assert_eq!(moment("2001-09-09T01:46:40Z"), Ok(1_000_000_000_000));
        assert_eq!(moment("2001-09-09 01:46"), Ok(999_999_960_000));
        for wrong in ["", "2001", "2001-02-30", "2001-09-09T25:00", "yesterday", "2001-09-09T01"] {
            assert!(moment(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn times_are_utc_or_counted_from_the_start() {
        let when =
            When { boot: 3, frame: 4800 * 20 + 24, utc_ms: Some(1_893_456_020_005), is_guessed: false };
        assert_eq!(When { is_guessed: true, ..when }.to_string(), "~2030-01-01 00:00:20.005 UTC");
        assert_eq!(when.to_string(), "2030-01-01 00:00:20.005 UTC");
        assert_eq!(when.utc().as_deref(), Some("2030-01-01T00:00:20.005Z"));
        assert_eq!(When { utc_ms: None, ..when }.to_string(), "20.005 s after start 3");
        assert!(When { utc_ms: Some(u64::MAX), ..when }.to_string().starts_with("9999-12-31"));
    }

    #[test]
    fn durations_read_like_speech() {
        let said = [0.344, 61.04, 245.2, 7380.0].map(duration);
        assert_eq!(said, ["0.34 s", "61.0 s", "4 min 05 s", "2 h 03 min"]);
    }
}
