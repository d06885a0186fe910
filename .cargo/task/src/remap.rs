//! Builds that do not tell where they were made.

use crate::root;
use std::path::PathBuf;

/// Compiler flags that put short names for this machine's folders into what is built: debug information and places of
/// panics say `wyelog/…` and `cargo/…` on every machine, and two machines can build the same bytes.
#[must_use]
pub fn without_machine_paths() -> Vec<String> {
    let folders = [(Some(root()), "wyelog"), (cargo_home(), "cargo")];
    folders
        .into_iter()
        .filter_map(|(folder, name)| Some(format!("--remap-path-prefix={}={name}", folder?.display())))
        .collect()
}

/// Where cargo keeps the sources of dependencies.
fn cargo_home() -> Option<PathBuf> {
    match std::env::var_os("CARGO_HOME") {
        Some(home) => Some(PathBuf::from(home)),
        None => Some(std::env::home_dir()?.join(".cargo")),
    }
}
