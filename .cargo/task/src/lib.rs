//! The build program behind `cargo task`: ARM images, the tools they need, and every check.
//!
//! It uses nothing but std, so that it builds in two seconds and runs wherever cargo runs. Tests call [`image`] and
//! [`qemu`] to get what they execute; both fail with the line that installs what is missing.

#![forbid(unsafe_code)]

mod checks;
mod error;
mod image;
mod run;
mod toolchain;

pub use checks::{budgets, deny, test};
pub use error::Error;
pub use image::{image, image_of, lint_boards};
pub use run::Output;
pub use toolchain::{Toolchain, install, python, qemu};

use std::path::{Path, PathBuf};

/// The target every board is built for: Cortex-M4F and its hardware floating point.
pub const TARGET: &str = "thumbv7em-none-eabihf";

/// The folder that holds the workspace's Cargo.toml.
#[must_use]
pub fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).unwrap_or(here).to_path_buf()
}

/// Where cargo puts what it builds: `CARGO_TARGET_DIR`, or `target` in the workspace.
#[must_use]
pub fn target_dir() -> PathBuf {
    match std::env::var_os("CARGO_TARGET_DIR") {
        Some(dir) => root().join(dir),
        None => root().join("target"),
    }
}
