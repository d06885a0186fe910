//! What can be wrong with a record.

use std::path::PathBuf;

/// A record that cannot be read, used or written: what, where, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The operating system refused a file.
    #[error("{}: {source}; check the name and the rights of the file", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// A line of the `.cfg` file holds something impossible.
    #[error("{file} line {line}: {what}; {hint}")]
    Config {
        /// Name of the file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The field and what is wrong with it.
        what: String,
        /// What to do.
        hint: &'static str,
    },
    /// The `.dat` file holds something impossible.
    #[error("{file} byte {offset}: {what}; {hint}")]
    Data {
        /// Name of the file.
        file: String,
        /// Offset of the first byte in doubt.
        offset: usize,
        /// What is wrong there.
        what: String,
        /// What to do.
        hint: &'static str,
    },
    /// The record is sound but lacks what the question needs.
    #[error("{file}: {what}; {hint}")]
    Content {
        /// Name of the `.cfg` file.
        file: String,
        /// What is missing, doubled or out of range.
        what: String,
        /// What to do.
        hint: &'static str,
    },
}
