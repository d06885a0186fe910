//! `wyelog try`

use std::io::Write;
use std::path::{Path, PathBuf};

use wyelog::alarms::Collector;
use wyelog::log::Log;
use wyelog::trial::{self, BUILT_IN, Trial};
use wyelog_simulator::scenario::{Phase, Scenario};
use wyelog_simulator::waveform::What;

use super::progress::Progress;
use super::sheet::{self, count};
use super::{Failure, Outcome};

/// Run the logger firmware over a simulated signal, here, and show what its log says.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  wyelog try                       the fuse of phase B blows
  wyelog try --list                the scenarios that come with the program
  wyelog try interruption
  wyelog try feeder7.toml          a scenario of your own
  wyelog try --out try.log         keep the log; `wyelog alarms try.log` reads it again")]
pub struct Arguments {
    /// Name of a scenario that comes with the program, or a scenario file
    #[arg(default_value = "blown_fuse")]
    scenario: String,
    /// List the scenarios that come with the program
    #[arg(long)]
    list: bool,
    /// Keep the log in this file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Does it.
pub fn run(arguments: &Arguments, out: &mut impl Write) -> Result<Outcome, Failure> {
    if arguments.list {
        for (name, about, _) in BUILT_IN {
            writeln!(out, "{name:<14}{about}")?;
        }
        return Ok(Outcome::Whole);
    }
    let scenario = named(&arguments.scenario)?;
    if let Some(path) = &arguments.out {
        only_a_trial(path)?;
    }
    let trial = {
        let seconds = scenario.duration_s.ceil() as u64;
        let mut progress = Progress::new(seconds, "s");
        trial::run(&scenario, &mut |part| {
            progress.update((part * scenario.duration_s) as u64, seconds, String::new);
        })?
    };
    show(&scenario, &trial, out)?;
    if let Some(path) = &arguments.out {
        std::fs::write(path, &trial.file).map_err(|error| {
            Failure::new(format!(
                "{}: {error}; check the folder, its rights and the room on the disk",
                path.display()
            ))
        })?;
        writeln!(out, "\nThe log is kept in {}.", path.display())?;
    }
    Ok(if trial.log.unread.is_nothing() { Outcome::Whole } else { Outcome::Partly })
}

/// What a real logger wrote is evidence, and may be all there is of it: only another trial's log is written over.
fn only_a_trial(path: &Path) -> Result<(), Failure> {
    if !path.metadata().is_ok_and(|kind| kind.is_file() && kind.len() > 0) {
        return Ok(());
    }
    let is_trial = Log::read(path)
        .is_ok_and(|log| log.identity.is_some_and(|identity| identity.serial == trial::SERIAL));
    if is_trial {
        return Ok(());
    }
    Err(Failure::new(format!(
        "{}: the file is there and is not the log of another trial; choose another name",
        path.display()
    )))
}

/// A built-in scenario, or one from a file.
pub fn named(name: &str) -> Result<Scenario, Failure> {
    if let Some(scenario) = trial::built_in(name) {
        return Ok(scenario?);
    }
    let path = Path::new(name);
    if !path.exists() && path.extension().is_none() {
        let known = BUILT_IN.map(|(name, ..)| name).join(", ");
        return Err(Failure::new(format!(
            "there is no scenario {name}; use one of {known}, or the path of a scenario file (.toml)"
        )));
    }
    Ok(Scenario::read(path)?)
}

fn show(scenario: &Scenario, trial: &Trial, out: &mut impl Write) -> Result<(), Failure> {
    let took = trial.took.as_secs_f64();
    let identity = &trial.hello.identity;
    writeln!(out, "Scenario  {}", scenario.name)?;
    writeln!(out, "Signal    {} s, simulated: three voltages and the neutral current", trial.signal_s)?;
    writeln!(
        out,
        "Logger    firmware {}, run in this process in {took:.2} s: {:.0} times real time",
        identity.firmware,
        trial.signal_s / took
    )?;
    writeln!(out, "Bank      {}", sheet::bank(&trial.settings.settings))?;
    let records = count(trial.log.records.len() as u64, "record");
    writeln!(out, "Log       {records} in {} bytes, read back over the logger's link", trial.log.bytes)?;
    if let Some(live) = &trial.live {
        write!(out, "Last      {}", sheet::live(live))?;
    }
    for mark in &trial.truth {
        let what = match mark.what {
            What::FaultBegins => "a unit failed to a short",
            What::FuseClears => "the fuse cleared",
            What::UnitOut => "a unit was disconnected",
            What::PoleClears => "the switch pole cleared",
            What::PoleMakes => "the switch pole made",
            What::ElementShort => "a section of a unit was shorted",
            What::DropsOut => "a loose contact at the cutout parted",
            What::Returns => "the contact at the cutout made again",
            What::Repaired => "fuse, units and contact were made good",
            What::Restrikes => "the switch pole re-ignited",
        };
        writeln!(out, "Truth     at {:.3} s: {what} in phase {}", mark.at_s, letter(mark.phase))?;
    }
    let mut collector = Collector::default();
    collector.log("", &trial.log);
    let alarms = collector.into_alarms();
    writeln!(out)?;
    if alarms.is_empty() {
        writeln!(out, "No alarm.")?;
    } else {
        write!(out, "{}", sheet::in_full(&alarms))?;
    }
    for sentence in trial.log.unread.sentences() {
        writeln!(out, "Not read: {sentence}")?;
    }
    Ok(())
}

const fn letter(phase: Phase) -> &'static str {
    match phase {
        Phase::A => "A",
        Phase::B => "B",
        Phase::C => "C",
    }
}
