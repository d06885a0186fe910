//! The command line: one file a command. What a command finds goes to standard output, everything about how it went to
//! standard error.

#[cfg(feature = "desk")]
mod acknowledge;
mod alarms;
#[cfg(feature = "desk")]
mod banks;
mod baseline;
mod capability;
mod captures;
#[cfg(feature = "desk")]
mod certificate;
mod clock;
#[cfg(feature = "desk")]
mod compact;
#[cfg(feature = "desk")]
mod demo;
mod documents;
mod download;
mod emulate;
mod explain;
#[cfg(feature = "desk")]
mod export;
mod failure;
mod groups;
#[cfg(feature = "desk")]
mod ingest;
#[cfg(feature = "desk")]
mod kvar;
mod progress;
#[cfg(feature = "desk")]
mod quality;
#[cfg(feature = "desk")]
mod query;
mod replay;
#[cfg(feature = "desk")]
mod report;
#[cfg(feature = "desk")]
mod serve;
mod sheet;
#[cfg(feature = "desk")]
mod sql;
#[cfg(feature = "desk")]
mod stress;
#[cfg(feature = "desk")]
mod switching;
mod try_it;
#[cfg(feature = "desk")]
mod unbalance;
#[cfg(feature = "desk")]
mod usage;
mod version;
#[cfg(feature = "desk")]
mod whatif;
#[cfg(feature = "desk")]
mod worklist;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

pub use failure::{Failure, Outcome};

/// The host tool of the wyelog capacitor-bank logger.
///
/// It informs. It protects nothing, operates nothing, and never proves a line dead.
#[derive(Debug, Parser)]
#[command(
    version,
    long_version = version::long(),
    after_help = "\
Exit code: 0 all well, 1 something failed or could not be read (it says what and how much), 2 wrong usage.

Examples:
  wyelog try                                        a fuse blows on a simulated feeder
  wyelog download --port /dev/ttyUSB0 --out b3.log  everything a logger holds
  wyelog alarms *.log                               what the loggers found"
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    #[cfg(feature = "desk")]
    Demo(demo::Arguments),
    Try(try_it::Arguments),
    Replay(replay::Arguments),
    Emulate(emulate::Arguments),
    Download(download::Arguments),
    Baseline(baseline::Arguments),
    Clock(clock::Arguments),
    Alarms(alarms::Arguments),
    Captures(captures::Arguments),
    Explain(explain::Arguments),
    Capability(capability::Arguments),
    #[cfg(feature = "desk")]
    Ingest(ingest::Arguments),
    #[cfg(feature = "desk")]
    Compact(compact::Arguments),
    #[cfg(feature = "desk")]
    Banks(banks::Arguments),
    #[cfg(feature = "desk")]
    Report(report::Arguments),
    #[cfg(feature = "desk")]
    Serve(serve::Arguments),
    #[cfg(feature = "desk")]
    Unbalance(unbalance::Arguments),
    #[cfg(feature = "desk")]
    Kvar(kvar::Arguments),
    #[cfg(feature = "desk")]
    Sql(sql::Arguments),
    #[cfg(feature = "desk")]
    Export(export::Arguments),
    #[cfg(feature = "desk")]
    Switching(switching::Arguments),
    #[cfg(feature = "desk")]
    Stress(stress::Arguments),
    #[cfg(feature = "desk")]
    Usage(usage::Arguments),
    #[cfg(feature = "desk")]
    Quality(quality::Arguments),
    #[cfg(feature = "desk")]
    Acknowledge(acknowledge::Arguments),
    #[cfg(feature = "desk")]
    Worklist(worklist::Arguments),
    #[cfg(feature = "desk")]
    Certificate(certificate::Arguments),
    #[cfg(feature = "desk")]
    Whatif(whatif::Arguments),
    #[command(hide = true)]
    Documents(documents::Arguments),
}

/// Reads the command line and does what it says.
pub fn run() -> ExitCode {
    let mut command = groups::grouped(Arguments::command());
    let arguments = Arguments::from_arg_matches(&command.get_matches_mut());
    let arguments = arguments.unwrap_or_else(|error| error.format(&mut command).exit());
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let result = match &arguments.command {
        #[cfg(feature = "desk")]
        Command::Demo(arguments) => demo::run(arguments, &mut out),
        Command::Try(arguments) => try_it::run(arguments, &mut out),
        Command::Replay(arguments) => replay::run(arguments, &mut out),
        Command::Emulate(arguments) => emulate::run(arguments, &mut out),
        Command::Download(arguments) => download::run(arguments, &mut out),
        Command::Baseline(arguments) => baseline::run(arguments, &mut out),
        Command::Clock(arguments) => clock::run(arguments, &mut out),
        Command::Alarms(arguments) => alarms::run(arguments, &mut out),
        Command::Captures(arguments) => captures::run(arguments, &mut out),
        Command::Capability(arguments) => capability::run(arguments, &mut out),
        Command::Explain(arguments) => explain::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Ingest(arguments) => ingest::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Compact(arguments) => compact::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Banks(arguments) => banks::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Report(arguments) => report::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Serve(arguments) => serve::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Unbalance(arguments) => unbalance::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Kvar(arguments) => kvar::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Sql(arguments) => sql::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Export(arguments) => export::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Switching(arguments) => switching::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Stress(arguments) => stress::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Usage(arguments) => usage::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Quality(arguments) => quality::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Acknowledge(arguments) => acknowledge::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Worklist(arguments) => worklist::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Certificate(arguments) => certificate::run(arguments, &mut out),
        #[cfg(feature = "desk")]
        Command::Whatif(arguments) => whatif::run(arguments, &mut out),
        Command::Documents(arguments) => documents::run(arguments, Arguments::command(), &mut out),
    };
    let flushed = out.flush().map_err(Failure::from);
    match result.and_then(|outcome| flushed.map(|()| outcome)) {
        Ok(Outcome::Whole) => ExitCode::SUCCESS,
        Ok(Outcome::Partly) => ExitCode::FAILURE,
        // Whoever reads our output has enough, such as `head`.
        Err(failure) if failure.is_closed_pipe() => ExitCode::SUCCESS,
        Err(failure) => {
            say(&failure.to_string());
            ExitCode::from(failure.code())
        }
    }
}

/// A line on standard error, with the program's name.
pub fn say(text: &str) {
    // Nobody is there to be told that nobody is there.
    let _ = writeln!(std::io::stderr(), "wyelog: {text}");
}
