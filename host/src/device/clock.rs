//! A logger's clock beside this computer's.

use std::time::{Duration, Instant};

use wyelog_protocol::message::{Reply, Request};

use super::session::Session;
use super::{DeviceError, Transport};

/// How long after the end of a window the logger can show it, at most.
const WINDOW_DELAY: Duration = Duration::from_millis(100);
/// Windows come five times a second: without a new one for so long there are no samples.
const NO_SAMPLES: Duration = Duration::from_secs(2);
/// Between two questions: short beside a window.
const PAUSE: Duration = Duration::from_millis(10);
/// Round trips that are measured; the quickest counts.
const PINGS: u32 = 3;

/// A logger's time and this computer's at the same moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The logger's UTC in ms since 1970-01-01; `None` while its clock has not been set.
    pub logger_ms: Option<u64>,
    /// This computer's.
    pub host_ms: u64,
    /// By how much the moments may differ; `None` when the logger gets no samples, and its time stands still.
    pub error: Option<Duration>,
}

impl Reading {
    /// By how much the logger's clock is ahead, in ms.
    pub fn ahead_ms(&self) -> Option<i64> {
        self.logger_ms.map(|logger| logger.wrapping_sub(self.host_ms).cast_signed())
    }
}

/// A clock that has been set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Setting {
    /// What it was set to: UTC in ms since 1970-01-01.
    pub utc_ms: u64,
    /// Half of the round trip: as much it may be off against this computer's.
    pub error: Duration,
}

impl<T: Transport> Session<T> {
    /// What time it is at the logger. `now_ms` is this computer's clock.
    ///
    /// # Errors
    /// No answer, or [`DeviceError::NotYet`] before the first window.
    pub fn clock(&mut self, now_ms: impl Fn() -> u64) -> Result<Reading, DeviceError> {
        let begin = Instant::now();
        let first = self.live()?.stamp;
        let mut asked_before = begin;
        loop {
            let asked = Instant::now();
            let stamp = self.live()?.stamp;
            if stamp.frame != first.frame {
                let host_ms = now_ms();
                // The window came after the question before this one was asked.
                let half = (asked_before.elapsed() + WINDOW_DELAY) / 2;
                let host_ms = host_ms.saturating_sub(ms(half));
                return Ok(Reading { logger_ms: stamp.utc_ms, host_ms, error: Some(half) });
            }
            if begin.elapsed() > NO_SAMPLES {
                return Ok(Reading { logger_ms: stamp.utc_ms, host_ms: now_ms(), error: None });
            }
            asked_before = asked;
            std::thread::sleep(PAUSE);
        }
    }

    /// The quickest of some round trips.
    ///
    /// # Errors
    /// No answer.
    pub fn round_trip(&mut self) -> Result<Duration, DeviceError> {
        let mut quickest = Duration::MAX;
        for _ in 0..PINGS {
            let asked = Instant::now();
            self.extent()?;
            quickest = quickest.min(asked.elapsed());
        }
        Ok(quickest)
    }

    /// Sets the clock by this computer's, `now_ms`, when the request will have arrived: half of `round_trip` from now. What is sent again
    /// says the time anew.
    ///
    /// # Errors
    /// No answer, or [`DeviceError::OutOfRange`].
    pub fn set_clock(
        &mut self,
        now_ms: impl Fn() -> u64,
        round_trip: Duration,
    ) -> Result<Setting, DeviceError> {
        let attempts = self.patience.attempts.max(1);
        for attempt in 0..attempts {
            self.counts.retries += u32::from(attempt > 0);
            let utc_ms = now_ms().saturating_add(ms(round_trip / 2));
            let sent = Instant::now();
            let answer = self.try_once(Request::SetClock { utc_ms }, &mut |reply| match reply {
                Reply::Accepted => Some(true),
                Reply::OutOfRange => Some(false),
                _ => None,
            });
            self.stopped()?;
            let port = || self.transport.name().to_owned();
            match answer {
                Ok(Some(Some(true))) => {
                    return Ok(Setting { utc_ms, error: sent.elapsed().max(round_trip) / 2 });
                }
                Ok(Some(Some(false))) => return Err(DeviceError::OutOfRange { port: port() }),
                Ok(Some(None)) => {
                    return Err(DeviceError::NotUnderstood { port: port(), request: "set the clock" });
                }
                Ok(None) => {}
                Err(error) => drop(self.recover(&error)?),
            }
        }
        Err(self.no_answer(attempts, self.patience.reply * attempts))
    }
}

fn ms(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}
