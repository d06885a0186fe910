//! `wyelog baseline`

use std::io::Write;

use clap::ValueEnum;
use wyelog::baseline::{meaning, reason, to_json};
use wyelog::device::{DeviceError, Patience, Port, Session};
use wyelog_protocol::message::Replaced;
use wyelog_protocol::record::{BaselineRecord, BaselineState};

use super::progress::Waiting;
use super::sheet::count;
use super::{Failure, Outcome, say};

/// Show, learn or discard what a bank was like when it was commissioned.
///
/// A logger compares its bank with this baseline, also across power cuts, and finds changes of 4 % that happened while nobody
/// looked. It is learned in two minutes, and confirmed once the bank has come back to it on a light and on a heavy day, behind an
/// opening and a closing.
///
/// Learn it of a bank that is known to be healthy: closed, each unit's capacitance measured, sensors proven. Discard it when a
/// link, a unit or a sensor has been replaced.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog baseline --port /dev/ttyUSB0                   what there is
  wyelog baseline --port /dev/ttyUSB0 --learn           the bank is healthy and closed now
  wyelog baseline --port /dev/ttyUSB0 --replaced link   compare with it no more")]
pub struct Arguments {
    /// Serial port, or tcp:HOST:PORT
    #[arg(long, value_name = "PORT")]
    port: String,
    /// Learn it from now on
    #[arg(long, conflicts_with = "replaced")]
    learn: bool,
    /// Discard it: this was replaced
    #[arg(long, value_name = "PART")]
    replaced: Option<Part>,
    /// Speed of a serial port in bits a second
    #[arg(long, value_name = "SPEED", default_value_t = Port::BAUD)]
    baud: u32,
    /// JSON
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Part {
    /// A fuse link
    Link,
    /// A capacitor unit
    Unit,
    /// A sensor or its wiring
    Sensor,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    let mut session = Session::new(Port::open(&arguments.port, arguments.baud)?, Patience::default());
    {
        let _waiting = Waiting::for_what(format!("waiting for the logger on {}", arguments.port));
        session.identify()?;
    }
    if arguments.learn {
        session.learn_baseline()?;
        say("the logger learns; ask it again in two minutes and a half");
        return Ok(Outcome::Whole);
    }
    if let Some(part) = arguments.replaced {
        session.discard_baseline(match part {
            Part::Link => Replaced::Link,
            Part::Unit => Replaced::Unit,
            Part::Sensor => Replaced::Sensor,
        })?;
        say("the logger compares its bank with the old baseline no more");
        return Ok(Outcome::Whole);
    }
    let baseline = match session.baseline() {
        Err(DeviceError::NotYet { .. }) => {
            say("this logger has no baseline; --learn makes one of a bank that is known to be healthy");
            return Ok(Outcome::Whole);
        }
        other => other?,
    };
    if arguments.json {
        writeln!(out, "{}", to_json(&baseline))?;
    } else {
        show(&baseline, out)?;
    }
    Ok(Outcome::Whole)
}

fn show(baseline: &BaselineRecord, out: &mut impl Write) -> Result<(), Failure> {
    writeln!(out, "Baseline   {}: {}", baseline.state.name(), meaning(baseline.state))?;
    if let Some(words) = reason(baseline.reason) {
        writeln!(out, "Because    {words}")?;
    }
    let [a, b, c] = baseline.connected;
    let quality = &baseline.quality;
    writeln!(
        out,
        "Connected  A {a}, B {b}, C {c} of the rated capacitance\n\
         Sigma      {} between phases, {} common ({}); {} of a later change",
        quality.difference_sigma,
        quality.common_sigma,
        quality.common_basis.name(),
        baseline.change_sigma
    )?;
    if matches!(baseline.state, BaselineState::Provisional | BaselineState::Confirmed) {
        let seen = [
            count(u64::from(baseline.hours), "hour"),
            count(u64::from(baseline.openings), "opening"),
            count(u64::from(baseline.closings), "closing"),
        ];
        writeln!(out, "Seen since {}", seen.join(", "))?;
    }
    if baseline.lowest.value().is_some() {
        writeln!(out, "Voltage    {} to {} in ten-minute means", baseline.lowest, baseline.highest)?;
    }
    Ok(())
}
