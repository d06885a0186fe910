//! Running other programs.

use crate::{Error, root};
use std::process::{Command, Stdio};

/// Where the output of a program goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Output {
    /// To the terminal, as it comes.
    Shown,
    /// Into the error, if the program fails.
    Kept,
}

/// The cargo that runs us, else the one on the path.
pub(crate) fn cargo() -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(root());
    command
}

/// Runs `command` to its end.
pub(crate) fn run(command: &mut Command, output: Output) -> Result<(), Error> {
    let line = words(command);
    let (status, kept) = match output {
        Output::Shown => (command.stdin(Stdio::null()).status(), String::new()),
        Output::Kept => match command.stdin(Stdio::null()).output() {
            Ok(all) => (Ok(all.status), String::from_utf8_lossy(&all.stderr).into_owned()),
            Err(source) => (Err(source), String::new()),
        },
    };
    match status {
        Ok(status) if status.success() => Ok(()),
        Ok(status) => Err(Error::Failed { command: line, status: status.to_string(), output: kept }),
        Err(source) => Err(Error::Start { command: line, source }),
    }
}

/// What `program` prints on its first line, or nothing if it cannot be run.
pub(crate) fn first_line(program: &str, arguments: &[&str]) -> Option<String> {
    let output = Command::new(program).args(arguments).stdin(Stdio::null()).output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?;
    output.status.success().then(|| text.lines().next().unwrap_or_default().to_owned())
}

fn words(command: &Command) -> String {
    let program = std::path::Path::new(command.get_program()).file_stem().unwrap_or(command.get_program());
    std::iter::once(program)
        .chain(command.get_args())
        .map(|word| word.to_string_lossy())
        .collect::<Vec<_>>()
        .join(" ")
}
