//! The host tool from the outside: what the tests of this crate share.
#![forbid(unsafe_code)]

pub mod device;
pub mod logs;
pub mod python;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The tool, built if it is not up to date: cargo builds no binary for the tests of another crate, and an old one would be
/// tested in its place.
///
/// # Panics
/// It cannot be built.
pub fn binary() -> PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(build).clone()
}

fn build() -> PathBuf {
    // target/PROFILE/deps/TEST
    let test = std::env::current_exe().unwrap_or_default();
    let folder = test.ancestors().nth(2).map(Path::to_owned).unwrap_or_default();
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo.args(["build", "--quiet", "--package", "wyelog"]).current_dir(env!("CARGO_MANIFEST_DIR"));
    cargo.arg("--target-dir").arg(folder.parent().unwrap_or(&folder));
    if folder.ends_with("release") {
        cargo.arg("--release");
    }
    let status = cargo.status().unwrap_or_else(|error| panic!("cargo cannot be started: {error}"));
    assert!(status.success(), "`cargo build --package wyelog` failed");
    folder.join(format!("wyelog{}", std::env::consts::EXE_SUFFIX))
}

/// How a command ended and what it said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ended {
    /// Exit code.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

/// Runs `wyelog` with these words, in `folder`.
///
/// # Panics
/// It cannot be started.
pub fn wyelog_in(folder: &Path, words: &[&str]) -> Ended {
    let output = Command::new(binary()).args(words).current_dir(folder).output();
    let output = output.unwrap_or_else(|error| panic!("wyelog cannot be started: {error}"));
    Ended {
        code: output.status.code(),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Runs `wyelog` with these words.
///
/// # Panics
/// It cannot be started.
pub fn wyelog(words: &[&str]) -> Ended {
    wyelog_in(Path::new("."), words)
}

/// A file of this repository, by its path from the top.
pub fn repository(path: &str) -> String {
    format!("{}/../../{path}", env!("CARGO_MANIFEST_DIR"))
}
