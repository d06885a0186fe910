//! The host tool from the outside: what the tests of this crate share.
#![forbid(unsafe_code)]

pub mod device;

use std::path::{Path, PathBuf};
use std::process::Command;

/// The binary that `cargo test --workspace` (or `cargo build`) has put beside the tests.
///
/// # Panics
/// It is not there.
pub fn binary() -> PathBuf {
    let test = std::env::current_exe().unwrap_or_default();
    // target/PROFILE/deps/TEST
    let folder = test.ancestors().nth(2).map(Path::to_owned).unwrap_or_default();
    let binary = folder.join(format!("wyelog{}", std::env::consts::EXE_SUFFIX));
    assert!(
        binary.is_file(),
        "{} is not built: run `cargo test --workspace`, or `cargo build --package wyelog` first",
        binary.display()
    );
    binary
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
