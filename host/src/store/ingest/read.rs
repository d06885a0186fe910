//! Files, as far as they can be judged without the store.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use crate::log::{Log, LogError};

/// A file, as far as it can be judged without the store.
pub struct Read {
    /// The file.
    pub path: PathBuf,
    /// What is in it.
    pub content: Content,
}

/// What is in a file.
pub enum Content {
    /// A log, its hash, and what it says.
    Log { bytes: Vec<u8>, hash: String, log: Box<Log> },
    /// A log that is in already.
    Known,
    /// No log.
    NotALog(LogError),
}

impl Read {
    /// Reads and decodes; a file whose hash is `known` is not decoded.
    pub fn of(path: &Path, known: &HashSet<String>) -> Self {
        Self { path: path.to_owned(), content: Self::content(path, known) }
    }

    fn content(path: &Path, known: &HashSet<String>) -> Content {
        let bytes = match fs::read(path) {
            Ok(bytes) => bytes,
            Err(source) => return Content::NotALog(LogError::File { path: path.to_owned(), source }),
        };
        let hash: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        if known.contains(&hash) {
            return Content::Known;
        }
        match Log::of_file(path, bytes.as_slice()) {
            Ok(log) => Content::Log { bytes, hash, log: Box::new(log) },
            Err(error) => Content::NotALog(error),
        }
    }
}
