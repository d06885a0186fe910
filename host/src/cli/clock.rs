//! `wyelog clock`

use std::io::Write;
use std::time::Duration;

use serde_json::json;
use wyelog::clock::HOST_ERROR_S;
use wyelog::device::{DeviceError, Patience, Port, Reading, Session, Setting};
use wyelog::rtc::now_ms;
use wyelog::time::utc;
use wyelog_protocol::message::CLOCK_RANGE_MS;

use super::progress::Waiting;
use super::{Failure, Outcome, say};

/// Show or set the clock of a logger.
///
/// Loggers keep UTC: no time zone, no summer time. The log keeps what a clock was before and after it was set, and `ingest` reconstructs
/// the times of all records from that; so set it at every visit, also when it is nearly right: between two settings the crystal's drift
/// is known.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog clock --port /dev/ttyUSB0          by how much it is off
  wyelog clock --port /dev/ttyUSB0 --set    set it by this computer's")]
pub struct Arguments {
    /// Serial port, or tcp:HOST:PORT
    #[arg(long, value_name = "PORT")]
    port: String,
    /// Set it by this computer's clock
    #[arg(long)]
    set: bool,
    /// Set it although this computer's clock looks wrong, or the line is slow
    #[arg(long, requires = "set")]
    force: bool,
    /// Speed of a serial port in bits a second
    #[arg(long, value_name = "SPEED", default_value_t = Port::BAUD)]
    baud: u32,
    /// JSON
    #[arg(long)]
    json: bool,
}

/// Further apart than this, in ms, one of two clocks is not late but wrong: a day.
const WRONG_MS: u64 = 86_400_000;

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut session = Session::new(Port::open(&arguments.port, arguments.baud)?, Patience::default());
    let (before, setting) = {
        let _waiting = Waiting::for_what(format!("waiting for the logger on {}", arguments.port));
        session.identify()?;
        let before = match session.clock(now_ms) {
            Err(DeviceError::NotYet { .. }) => None,
            other => Some(other?),
        };
        let setting = if arguments.set {
            let round_trip = session.round_trip()?;
            if !arguments.force {
                check(now_ms(), before.as_ref(), round_trip).map_err(Failure::new)?;
            }
            Some(session.set_clock(now_ms, round_trip)?)
        } else {
            None
        };
        (before, setting)
    };
    if before.is_some_and(|reading| reading.error.is_none()) {
        say("the logger gets no samples: its time is that of the last one");
    }
    match (&before, &setting) {
        (None, None) => {
            say("the logger has measured nothing yet, and cannot say what time it is; ask again in a second")
        }
        (before, setting) if arguments.json => {
            writeln!(out, "{}", to_json(before.as_ref(), setting.as_ref()))?
        }
        (before, setting) => show(before.as_ref(), setting.as_ref(), out)?,
    }
    Ok(Outcome::Whole)
}

/// Why the clock had better not be set by this computer's.
fn check(now_ms: u64, before: Option<&Reading>, round_trip: Duration) -> Result<(), String> {
    let now = human(now_ms);
    if !CLOCK_RANGE_MS.contains(&now_ms) {
        return Err(format!("this computer's clock says {now}, which cannot be; set it right first"));
    }
    if let Some(logger) = before.and_then(|reading| reading.logger_ms)
        && logger.abs_diff(now_ms) > WRONG_MS
    {
        return Err(format!(
            "this computer's clock says {now}, the logger's {}: one of them is wrong; look at this computer's, and give --force if that \
             is right",
            human(logger)
        ));
    }
    if round_trip.as_secs_f64() > 2.0 * HOST_ERROR_S {
        return Err(format!(
            "an answer takes {:.1} s on this line, and the clock would be off by up to half of that; use a quicker line, or give --force",
            round_trip.as_secs_f64()
        ));
    }
    Ok(())
}

fn human(ms: u64) -> String {
    utc(ms).replace('T', " ").replace('Z', " UTC")
}

fn show(before: Option<&Reading>, setting: Option<&Setting>, out: &mut impl Write) -> Result<(), Failure> {
    let known = before.and_then(|reading| Some((reading, reading.logger_ms?)));
    match known {
        Some((_, logger)) => writeln!(out, "Logger     {}", human(logger))?,
        None => writeln!(out, "Logger     not set")?,
    }
    if let Some(reading) = before {
        writeln!(out, "This PC    {} at the same moment", human(reading.host_ms))?;
    }
    if let Some((Reading { error, .. }, ahead)) =
        known.and_then(|(reading, _)| Some((reading, reading.ahead_ms()?)))
    {
        let side = if ahead < 0 { "behind" } else { "ahead" };
        let error = error.map_or_else(String::new, |error| format!(", ±{:.2} s", error.as_secs_f64()));
        writeln!(
            out,
            "Difference the logger is {:.2} s {side}{error}",
            ahead.unsigned_abs() as f64 / 1000.0
        )?;
    }
    if let Some(Setting { utc_ms, error }) = setting {
        writeln!(out, "Set to     {}, ±{:.3} s (half the round trip)", human(*utc_ms), error.as_secs_f64())?;
    }
    Ok(())
}

fn to_json(before: Option<&Reading>, setting: Option<&Setting>) -> serde_json::Value {
    json!({
        "type": "clock",
        "logger_utc": before.and_then(|reading| reading.logger_ms).map(utc),
        "host_utc": before.map(|reading| utc(reading.host_ms)),
        "ahead_s": before.and_then(Reading::ahead_ms).map(|ms| ms as f64 / 1000.0),
        "error_s": before.and_then(|reading| reading.error).map(|error| error.as_secs_f64()),
        "set_utc": setting.map(|setting| utc(setting.utc_ms)),
        "set_error_s": setting.map(|setting| setting.error.as_secs_f64()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: u64 = 1_803_859_200_000;

    #[test]
    fn a_computer_whose_clock_is_wrong_sets_none() {
        let quick = Duration::from_millis(20);
        let reading = |logger_ms| Reading { logger_ms, host_ms: NOW, error: None };
        assert_eq!(check(NOW, None, quick), Ok(()));
        assert_eq!(check(NOW, Some(&reading(None)), quick), Ok(()));
        assert_eq!(check(NOW, Some(&reading(Some(NOW + 3_600_000))), quick), Ok(()));
        assert!(check(NOW, Some(&reading(Some(NOW + 90_000_000))), quick).unwrap_err().contains("--force"));
        assert!(check(86_400_000, None, quick).unwrap_err().contains("1970-01-02"));
        assert!(check(NOW, None, Duration::from_millis(600)).unwrap_err().contains("0.6 s"));
    }
}
