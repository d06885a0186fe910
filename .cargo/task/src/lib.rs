//! The build program behind `cargo task`: ARM images, the tools they need, and every check.
//!
//! It uses nothing but std, so that it builds in two seconds and runs wherever cargo runs; what needs libraries, the
//! packager, is a program of its own beside it. Tests call [`image`] and [`qemu`] to get what they execute; both fail with
//! the line that installs what is missing.

#![forbid(unsafe_code)]

mod checks;
mod cross;
mod error;
mod image;
mod miri;
mod picture;
mod remap;
mod run;
mod toolchain;

pub use checks::{budgets, deny, spark, test};
pub use cross::{CROSS_TARGETS, cross};
pub use error::Error;
pub use image::{BOARDS, image, image_of, lint_boards};
pub use miri::miri;
pub use picture::picture;
pub use remap::without_machine_paths;
pub use run::{Output, cargo, first_line, output_of, run};
pub use toolchain::{Toolchain, chromium, install, java, python, qemu};

use std::path::{Path, PathBuf};

/// The target every board is built for: Cortex-M4F and its hardware floating point.
pub const TARGET: &str = "thumbv7em-none-eabihf";

/// Environment variable that tells the packager in which folder its command was typed.
pub const TYPED_IN: &str = "WYELOG_TYPED_IN";

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
