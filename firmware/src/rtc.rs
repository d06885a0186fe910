//! A clock that goes on while the logger is without power.
//!
//! embedded-hal has no trait for one. The crate `rtcc` has: it brings `chrono` and calendar dates, which no part of the logger
//! needs.

use wyelog_protocol::message::CLOCK_RANGE_MS;
use wyelog_protocol::record::ClockSource;

use crate::frontend::Input;

/// A battery-backed clock in UTC. One that counts whole seconds is good to a second.
pub trait Rtc {
    /// UTC in ms since 1970-01-01. `None` if the part says that it has lost the time, or does not answer.
    fn utc_ms(&mut self) -> Option<u64>;

    /// Sets it. A part that does not answer keeps what it had, and is heard again at the next start.
    fn set_utc_ms(&mut self, utc_ms: u64);
}

/// A board without one.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoRtc;

impl Rtc for NoRtc {
    fn utc_ms(&mut self) -> Option<u64> {
        None
    }

    fn set_utc_ms(&mut self, _: u64) {}
}

/// What the Meter is told at the start, before anything else. `None` if the clock does not know the time, or says one at which
/// no logger was: its battery was empty.
pub fn at_start(rtc: &mut (impl Rtc + ?Sized)) -> Option<Input> {
    let utc_ms = rtc.utc_ms().filter(|utc_ms| CLOCK_RANGE_MS.contains(utc_ms))?;
    Some(Input::Clock(utc_ms, ClockSource::Rtc))
}

/// Sets the clock by what came over the link, if that was the time.
pub fn follow(rtc: &mut (impl Rtc + ?Sized), input: &Input) {
    if let Input::Clock(utc_ms, ClockSource::Host) = input {
        rtc.set_utc_ms(*utc_ms);
    }
}
