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

/// What cargo tells the programs it runs about their own package, by the beginnings of the variables' names.
const OF_OUR_PACKAGE: [&str; 2] = ["CARGO_MANIFEST_", "CARGO_PKG_"];

/// The cargo that runs us, else the one on the path, in the workspace's folder.
///
/// It does not learn which package we are: dependencies whose build scripts look at that (`ring`) would count as changed,
/// and the tables' library, minutes of it, would be built anew each time that cargo is started here and not by hand.
#[must_use]
pub fn cargo() -> Command {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.current_dir(root());
    for (name, _) in std::env::vars_os() {
        if OF_OUR_PACKAGE.iter().any(|begin| name.to_string_lossy().starts_with(begin)) {
            command.env_remove(name);
        }
    }
    command
}

/// Runs `command` to its end.
///
/// # Errors
/// [`Error::Start`] if it cannot be started, [`Error::Failed`] if it failed.
pub fn run(command: &mut Command, output: Output) -> Result<(), Error> {
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

/// What `command` prints on its standard output.
///
/// # Errors
/// As [`run`]; bytes that are no UTF-8 become replacement characters.
pub fn output_of(command: &mut Command) -> Result<String, Error> {
    let line = words(command);
    let output = match command.stdin(Stdio::null()).output() {
        Ok(output) => output,
        Err(source) => return Err(Error::Start { command: line, source }),
    };
    if !output.status.success() {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        return Err(Error::Failed { command: line, status: output.status.to_string(), output: said });
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

/// What `program` prints on its first line, or nothing if it cannot be run.
#[must_use]
pub fn first_line(program: &str, arguments: &[&str]) -> Option<String> {
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
