//! Command line of the build program.

use std::process::ExitCode;
use wyelog_task::{
    Error, Output, Toolchain, budgets, cargo, cross, deny, image_of, install, lint_boards, miri, picture,
    qemu, run, spark, test,
};

const USAGE: &str = "\
usage: cargo task COMMAND

  image [--board NAME] [--toolchain target|debian]
             build a board's image (emulated) and print where it is
  toolchain  install what images and tests need: the ARM target, qemu-system-arm, python3,
             Chromium
  lint       clippy over the boards, for ARM
  cross      type-check tool and tests for Windows and macOS (installs the targets)
  test       every check: this is the one test command
  budgets    print image sections, RAM by module and dependency counts beside tests/budgets.toml
  spark      the fleet's questions on Apache Spark beside the tool's own answers (installs Java; downloads pyspark)
  deny       licences, bans and sources of the dependencies (installs cargo-deny)
  miri       protocol and journal tests under Miri (needs a nightly toolchain; installs its component)
  picture    run the demo and take the README's picture of its report (needs Chromium)
  package [--profile release|dev] [--binary PATH] [--out DIR]
             a folder with tool, image, completions, manual pages, licences and checksums";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match command(&words.iter().map(String::as_str).collect::<Vec<_>>()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}

fn command(words: &[&str]) -> Result<(), Error> {
    match words {
        ["image", options @ ..] => image(options),
        ["toolchain"] => {
            println!("ARM images are built with {}", install()?.describe());
            println!("the emulator is {}", qemu()?.display());
            Ok(())
        }
        ["lint"] => lint_boards(Toolchain::installed()?),
        ["cross"] => cross(),
        ["test"] => test(),
        ["budgets"] => budgets(),
        ["spark"] => spark(),
        ["deny"] => deny(),
        ["miri"] => miri(),
        ["picture"] => picture(),
        ["package", options @ ..] => package(options),
        ["help" | "--help" | "-h"] => {
            println!("{USAGE}");
            Ok(())
        }
        _ => Err(Error::Usage(USAGE.to_owned())),
    }
}

fn image(options: &[&str]) -> Result<(), Error> {
    let mut board = "emulated";
    let mut toolchain = None;
    for pair in options.chunks(2) {
        match pair {
            ["--board", name] => board = name,
            ["--toolchain", "target"] => toolchain = Some(Toolchain::Target),
            ["--toolchain", "debian"] => toolchain = Some(Toolchain::Debian),
            _ => return Err(Error::Usage(USAGE.to_owned())),
        }
    }
    let toolchain = match toolchain {
        Some(wanted) => wanted,
        None => Toolchain::installed()?,
    };
    eprintln!("with {}", toolchain.describe());
    println!("{}", image_of(board, toolchain, Output::Shown)?.display());
    Ok(())
}

/// The packager uses libraries, and is built optimised: it hashes hundreds of megabytes.
fn package(options: &[&str]) -> Result<(), Error> {
    let mut command = cargo();
    command.args(["run", "--quiet", "--release", "--package", "wyelog-package", "--"]);
    // Paths on the command line are relative to where it was typed.
    if let Ok(folder) = std::env::current_dir() {
        command.env(wyelog_task::TYPED_IN, folder);
    }
    run(command.args(options), Output::Shown)
}
