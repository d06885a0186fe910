//! `banks.toml`: what people know of a bank that no logger knows.
//!
//! ```toml
//! [[bank]]
//! name = "Quillmere 3"     # as on the nameplate that the logger was given
//! feeder = "Quillmere East"
//! ```

use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use polars::prelude::{DataFrame, NamedFrom, Series};
use serde::{Deserialize, Serialize};

use super::StoreError;

/// Which bank hangs on which feeder.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Banks {
    feeders: BTreeMap<String, String>,
}

#[derive(Debug, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct BanksFile {
    #[serde(default)]
    bank: Vec<BankEntry>,
}

#[derive(Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct BankEntry {
    name: String,
    feeder: String,
}

impl Banks {
    /// Of (bank, feeder).
    pub fn new(banks: impl IntoIterator<Item = (String, String)>) -> Self {
        Self { feeders: banks.into_iter().collect() }
    }

    /// Reads the file; no file is no knowledge.
    ///
    /// # Errors
    /// It cannot be read, or makes no sense: with the line.
    pub fn read(path: &Path) -> Result<Self, StoreError> {
        let text = match fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            Err(source) => return Err(StoreError::Read { path: path.to_owned(), source }),
        };
        let edited = |reason: String| StoreError::Edited { path: path.to_owned(), reason };
        let file: BanksFile = toml::from_str(&text).map_err(|error| edited(error.to_string()))?;
        let mut feeders = BTreeMap::new();
        for BankEntry { name, feeder } in file.bank {
            if feeders.insert(name.clone(), feeder).is_some() {
                return Err(edited(format!("bank \"{name}\" stands there twice; keep one")));
            }
        }
        Ok(Self { feeders })
    }

    /// The file's text.
    ///
    /// # Errors
    /// Never for names that are text.
    pub fn text(&self) -> Result<String, toml::ser::Error> {
        let bank = self
            .feeders
            .iter()
            .map(|(name, feeder)| BankEntry { name: name.clone(), feeder: feeder.clone() });
        toml::to_string(&BanksFile { bank: bank.collect() })
    }

    /// The feeder of a bank, if it is known.
    pub fn feeder(&self, bank: &str) -> Option<&str> {
        self.feeders.get(bank).map(String::as_str)
    }

    /// Columns `bank` and `feeder`.
    pub(super) fn frame(&self) -> DataFrame {
        let banks: Vec<&str> = self.feeders.keys().map(String::as_str).collect();
        let feeders: Vec<&str> = self.feeders.values().map(String::as_str).collect();
        let columns =
            vec![Series::new("bank".into(), banks).into(), Series::new("feeder".into(), feeders).into()];
        DataFrame::new_infer_height(columns).unwrap_or_default()
    }
}
