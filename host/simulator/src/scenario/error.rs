//! What can be wrong with a scenario or bank file.

use std::path::PathBuf;

/// A scenario or bank file that cannot be used: what, where, and what is allowed.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The operating system refused the file.
    #[error("{}: {source}; check the name and the rights of the file", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// The file is no text.
    #[error("{} byte {offset}: the file is no text in UTF-8; give a scenario or bank file (TOML)", path.display())]
    NoText {
        /// The file.
        path: PathBuf,
        /// Offset of the first byte in doubt.
        offset: usize,
    },
    /// A line is no TOML, or holds a field or a value that cannot be.
    #[error("{file} line {line}: {what}")]
    Line {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The field, its value and what is allowed.
        what: String,
    },
}
