//! What can go wrong here, and what to do about it.

use std::path::PathBuf;
use thiserror::Error;

/// Why there is no package.
#[derive(Debug, Error)]
pub enum Error {
    /// A build, or another program, failed.
    #[error(transparent)]
    Task(#[from] wyelog_task::Error),
    /// The compiler does not say what it compiles for.
    #[error("`rustc --print host-tuple` says nothing; install Rust 1.95 or later")]
    NoHost,
    /// A file or folder cannot be read or written.
    #[error("{}: {source}; check that it is there, its permissions and the room on the disk", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// The system's answer.
        source: std::io::Error,
    },
    /// A folder that the package would replace holds something else.
    #[error("{} is there and is no package (it has no SHA256SUMS); choose another --out or remove it", .0.display())]
    NotOurs(PathBuf),
    /// cargo's answer is not what it is documented to be.
    #[error("`{command}` gave an answer without {what}; is this cargo older than 1.95?")]
    Cargo {
        /// The command line.
        command: &'static str,
        /// What was not found.
        what: String,
    },
    /// The tool is not one, or not of this source tree.
    #[error("{}: its --version says {found:?}, but this source tree is {wanted}; build it anew", path.display())]
    Stale {
        /// The tool.
        path: PathBuf,
        /// What it says.
        found: String,
        /// The versions that it should have.
        wanted: String,
    },
    /// The image cannot be understood.
    #[error("{}: {what}; build it anew with `cargo task image`", path.display())]
    Image {
        /// The ELF file.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
}

impl Error {
    /// For `map_err`: an error of this file.
    pub(crate) fn file(path: impl Into<PathBuf>) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::File { path, source }
    }
}
