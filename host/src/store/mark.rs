//! The mark of a log that is in: written last, read first.

use std::fs;
use std::path::Path;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::StoreError;

/// How it is known whose a log is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Whose {
    /// It says so.
    #[default]
    Log,
    /// Another log of the logger has the same records.
    Records,
    /// Somebody said so.
    Said,
}

impl Whose {
    fn is_log(&self) -> bool {
        *self == Self::Log
    }
}

/// A log that is in the store.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
pub struct Mark {
    /// SHA-256 of the raw log, in hexadecimal.
    pub hash: String,
    /// Name of the file that it came from.
    pub source: String,
    /// Serial number of the logger.
    pub device: String,
    /// How that is known.
    #[serde(default, skip_serializing_if = "Whose::is_log")]
    pub whose: Whose,
    /// Names of the banks in it.
    pub banks: Vec<String>,
    /// Sequence numbers of the records taken from it: first one, and first one behind.
    pub sequences: Vec<(u32, u32)>,
    /// Records taken from it.
    pub records: u64,
    /// Records in it that another log of the same logger had brought already.
    #[serde(default)]
    pub known: u64,
    /// What of it could not be read, a sentence each.
    pub unread: Vec<String>,
    /// Files of the store that hold it, from the store's folder.
    pub files: Vec<String>,
}

/// All marks, by hash.
pub(super) fn read_all(dir: &Path) -> Result<Vec<Mark>, StoreError> {
    let mut marks: Vec<Mark> = read_tables(dir)?;
    marks.sort_by(|a, b| a.hash.cmp(&b.hash));
    Ok(marks)
}

/// Every TOML file of a folder that is not being written; a folder that is not there has none.
pub(super) fn read_tables<T: DeserializeOwned>(dir: &Path) -> Result<Vec<T>, StoreError> {
    let mut tables = Vec::new();
    let Ok(entries) = fs::read_dir(dir) else { return Ok(tables) };
    for entry in entries {
        let path = entry.map_err(|source| StoreError::Read { path: dir.to_owned(), source })?.path();
        if path.extension().is_none_or(|extension| extension != "toml")
            || path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('_'))
        {
            continue;
        }
        let text =
            fs::read_to_string(&path).map_err(|source| StoreError::Read { path: path.clone(), source })?;
        let table = toml::from_str(&text)
            .map_err(|error| StoreError::Edited { path: path.clone(), reason: error.to_string() })?;
        tables.push(table);
    }
    Ok(tables)
}
