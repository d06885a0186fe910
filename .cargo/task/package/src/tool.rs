//! The host tool: building it, and what it says about itself.

use crate::crates::Workspace;
use crate::{Error, Profile};
use std::path::{Path, PathBuf};
use std::process::Command;
use wyelog_task::{Output, cargo, output_of, run, target_dir};

/// The three lines of `wyelog --version`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Versions {
    path: PathBuf,
    pub tool: String,
    pub firmware: String,
    pub schema: String,
}

impl Versions {
    /// Fails if the tool was built from other sources than these.
    pub fn check(&self, workspace: &Workspace) -> Result<(), Error> {
        let (tool, firmware) = (workspace.version("wyelog")?, workspace.version("wyelog-firmware")?);
        if (self.tool.as_str(), self.firmware.as_str()) == (tool, firmware) {
            return Ok(());
        }
        Err(Error::Stale {
            path: self.path.clone(),
            found: format!("{} with firmware {}", self.tool, self.firmware),
            wanted: format!("{tool} with firmware {firmware}"),
        })
    }
}

/// Builds the tool and says where it is.
pub fn build(profile: Profile) -> Result<PathBuf, Error> {
    let mut command = cargo();
    command.args(["build", "--locked", "--package", "wyelog"]);
    let folder = match profile {
        Profile::Dev => target_dir().join("debug"),
        Profile::Release => {
            // Other flags than everyday's release build has: in a folder of its own, neither disturbs the other.
            let dir = target_dir().join("package-build");
            command.arg("--release").arg("--target-dir").arg(&dir);
            command.env_remove("RUSTFLAGS");
            command.env("CARGO_ENCODED_RUSTFLAGS", wyelog_task::without_machine_paths().join("\x1f"));
            dir.join("release")
        }
    };
    run(&mut command, Output::Shown)?;
    let path = folder.join(format!("wyelog{}", std::env::consts::EXE_SUFFIX));
    if path.is_file() { Ok(path) } else { Err(wyelog_task::Error::NotBuilt(path).into()) }
}

/// Asks the tool for its versions.
pub fn versions(tool: &Path) -> Result<Versions, Error> {
    let text = output_of(Command::new(tool).arg("--version"))?;
    let line = |name: &str| {
        let value = text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
        value.map(str::to_owned).ok_or_else(|| Error::Stale {
            path: tool.to_owned(),
            found: text.trim_end().to_owned(),
            wanted: "one that names wyelog, firmware and schema".to_owned(),
        })
    };
    Ok(Versions {
        path: tool.to_owned(),
        tool: line("wyelog")?,
        firmware: line("firmware")?,
        schema: line("schema")?,
    })
}

/// Lets the tool write its completions and manual pages.
pub fn documents(tool: &Path, folder: &Path) -> Result<(), Error> {
    run(Command::new(tool).arg("documents").arg("--out").arg(folder), Output::Kept)?;
    Ok(())
}
