//! The host tool from the outside: what the tests of this crate share.
#![forbid(unsafe_code)]

pub mod agree;
pub mod device;
pub mod emulate;
pub mod fabricate;
pub mod logs;
pub mod serving;
pub mod storms;
pub mod switched;
pub use wyelog_device_tests::python;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use std::time::SystemTime;

/// The tool. `cargo test --workspace` builds it; if it is older than its sources, or not there, it is built now: an old one
/// would be tested in its place.
///
/// # Panics
/// It cannot be built.
pub fn binary() -> PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(up_to_date).clone()
}

fn up_to_date() -> PathBuf {
    // target/PROFILE/deps/TEST
    let test = std::env::current_exe().unwrap_or_default();
    let folder = test.ancestors().nth(2).map(Path::to_owned).unwrap_or_default();
    let binary = folder.join(format!("wyelog{}", std::env::consts::EXE_SUFFIX));
    let built = std::fs::metadata(&binary).and_then(|file| file.modified()).ok();
    let sources = ["host", "firmware/src", "protocol"].map(|part| newest(Path::new(&repository(part))));
    if built.is_none() || built < sources.into_iter().max().flatten() {
        let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
        cargo.args(["build", "--quiet", "--package", "wyelog"]);
        // Dependencies whose build scripts look at these would count as changed, and polars be built anew.
        for (name, _) in std::env::vars_os() {
            let text = name.to_string_lossy();
            if text.starts_with("CARGO_PKG_") || text.starts_with("CARGO_MANIFEST_") {
                cargo.env_remove(&name);
            }
        }
        cargo.arg("--target-dir").arg(folder.parent().unwrap_or(&folder));
        cargo.args(folder.ends_with("release").then_some("--release"));
        let status = cargo.current_dir(env!("CARGO_MANIFEST_DIR")).status();
        assert!(status.is_ok_and(|status| status.success()), "{cargo:?} failed");
    }
    binary
}

/// When the newest file below `folder` was changed.
fn newest(folder: &Path) -> Option<SystemTime> {
    let entries = std::fs::read_dir(folder).ok()?.flatten();
    let changed = entries.filter_map(|entry| match entry.file_type().ok()?.is_dir() {
        true => newest(&entry.path()),
        false => entry.metadata().ok()?.modified().ok(),
    });
    changed.max()
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
