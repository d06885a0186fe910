//! Every check, one after the other.

use crate::image::{BOARDS, package};
use crate::run::{Output, cargo, first_line, run};
use crate::{Error, Toolchain, cross, image_of, install, java, lint_boards};
use std::process::Command;
use std::time::Instant;

/// Runs every check and prints a line for each: its name, its verdict, its seconds.
///
/// Only a missing toolchain ends the run early: all that follows would fail for the same reason.
///
/// # Errors
/// [`Error::Checks`] with the number of those that failed, [`Error::Missing`] if tools are.
pub fn test() -> Result<(), Error> {
    let start = Instant::now();
    let toolchain = install()?;
    println!("ARM images are built with {}", toolchain.describe());

    type Check = fn(Toolchain) -> Result<(), Error>;
    let checks: [(&str, Check); 9] = [
        ("format", |_| step(&["fmt", "--all", "--check"])),
        ("image", |toolchain| image_of("emulated", toolchain, Output::Kept).map(drop)),
        ("clippy", |_| host_step(&["clippy", "--quiet", "--all-targets"], &["--", "-D", "warnings"])),
        ("clippy of the boards", lint_boards),
        ("tests", |_| host_step(&["test", "--no-fail-fast"], &[])),
        ("Spark", |_| spark()),
        ("budgets", |_| budgets()),
        ("documentation", |_| {
            let mut halves = [on_device_side, on_desk].map(|half| half(&["doc", "--quiet", "--no-deps"]));
            halves.iter_mut().try_for_each(|half| run(half.env("RUSTDOCFLAGS", "-D warnings"), Output::Shown))
        }),
        ("Windows and macOS, types", |_| cross()),
    ];
    let mut summary = Vec::new();
    let mut failed = 0;
    for (name, check) in checks {
        println!("== {name}");
        let begin = Instant::now();
        let verdict = match check(toolchain) {
            Ok(()) => "passed",
            Err(error) => {
                eprintln!("{error}");
                failed += 1;
                "FAILED"
            }
        };
        let line = format!("{verdict}  {:>6.1} s  {name}", begin.elapsed().as_secs_f32());
        println!("{line}");
        summary.push(line);
    }
    println!("\n{}", summary.join("\n"));
    println!(
        "{} of {} checks passed in {:.0} s",
        summary.len() - failed,
        summary.len(),
        start.elapsed().as_secs_f32()
    );
    if failed == 0 { Ok(()) } else { Err(Error::Checks(failed)) }
}

/// Apache Spark, on a cluster of two workers on this machine, answers the fleet's questions over the same store as the tool does.
///
/// # Errors
/// [`Error::Missing`] without Java, [`Error::Failed`] if the answers differ.
pub fn spark() -> Result<(), Error> {
    java()?;
    run(on_desk(&["test", "--quiet", "--test", "spark"]).args(["--", "--nocapture"]), Output::Shown)
}

/// Prints what the image and the crates weigh, beside `tests/budgets.toml`.
///
/// # Errors
/// [`Error::Failed`] if something has outgrown its budget.
pub fn budgets() -> Result<(), Error> {
    step(&["test", "--quiet", "--package", "wyelog-device-tests", "--test", "budgets", "--", "--nocapture"])
}

/// Licences, bans and sources of every dependency, by the rules of `.cargo/deny.toml`. Installs `cargo-deny` first.
///
/// # Errors
/// [`Error::Failed`] if a rule is broken or `cargo-deny` cannot be installed.
pub fn deny() -> Result<(), Error> {
    if first_line("cargo-deny", &["--version"]).is_none() {
        step(&["install", "cargo-deny", "--locked"])?;
    }
    step(&["deny", "--config", ".cargo/deny.toml", "check", "licenses", "bans", "sources"])
}

/// The crates that are built with the tables' library. Built on their own, they share it with `cargo build` and `cargo run`:
/// together with the others, features that those ask of common dependencies would have it built a second time.
const DESK: [&str; 4] = ["wyelog", "wyelog-desk-tests", "wyelog-package", "wyelog-task"];

/// A step for every crate but the boards, which build for ARM only: those of the device's side, then those of the desk.
fn host_step(arguments: &[&str], behind: &[&str]) -> Result<(), Error> {
    let device = run(on_device_side(arguments).args(behind), Output::Shown);
    let desk = run(on_desk(arguments).args(behind), Output::Shown);
    device.and(desk)
}

fn on_device_side(arguments: &[&str]) -> Command {
    let mut command = cargo();
    command.args(arguments).arg("--workspace");
    for package in BOARDS.map(package).iter().map(String::as_str).chain(DESK) {
        command.args(["--exclude", package]);
    }
    command
}

fn on_desk(arguments: &[&str]) -> Command {
    let mut command = cargo();
    command.args(arguments);
    for package in DESK {
        command.args(["--package", package]);
    }
    command
}

fn step(arguments: &[&str]) -> Result<(), Error> {
    run(cargo().args(arguments), Output::Shown)
}
