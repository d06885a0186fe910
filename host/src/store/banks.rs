//! `banks.toml`: what people know of a bank that no logger knows.
//!
//! ```toml
//! [[bank]]
//! name = "Quillmere 3"          # as on the nameplate that the logger was given
//! feeder = "Quillmere East"
//! asset = "CB-0031"             # these four may be missing
//! pole = "QE-117"
//! position = "lane behind the mill"
//! fuse_link = "40 K"            # as installed
//! ```

use std::collections::BTreeMap;
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use polars::prelude::{DataFrame, NamedFrom, Series};
use serde::{Deserialize, Serialize};

use super::StoreError;

/// What people know of the banks, by their names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Banks {
    banks: BTreeMap<String, Bank>,
}

#[derive(Debug, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct BanksFile {
    #[serde(default)]
    bank: Vec<Bank>,
}

/// What people know of a bank.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Bank {
    /// As on the nameplate that the logger was given.
    pub name: String,
    /// The feeder it hangs on.
    pub feeder: String,
    /// Its number in the books.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asset: Option<String>,
    /// The pole's tag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pole: Option<String>,
    /// How to find it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// The fuse link as installed: rating in A and type.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuse_link: Option<String>,
}

impl Banks {
    /// Of (bank, feeder).
    pub fn new(banks: impl IntoIterator<Item = (String, String)>) -> Self {
        let banks = banks.into_iter();
        let entry =
            |(name, feeder): (String, String)| (name.clone(), Bank { name, feeder, ..Bank::default() });
        Self { banks: banks.map(entry).collect() }
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
        let mut banks = BTreeMap::new();
        for bank in file.bank {
            if let Some(twice) = banks.insert(bank.name.clone(), bank) {
                return Err(edited(format!("bank \"{}\" stands there twice; keep one", twice.name)));
            }
        }
        Ok(Self { banks })
    }

    /// The file's text.
    ///
    /// # Errors
    /// Never for names that are text.
    pub fn text(&self) -> Result<String, toml::ser::Error> {
        toml::to_string(&BanksFile { bank: self.banks.values().cloned().collect() })
    }

    /// What is known of a bank.
    pub fn get(&self, bank: &str) -> Option<&Bank> {
        self.banks.get(bank)
    }

    /// The feeder of a bank, if it is known.
    pub fn feeder(&self, bank: &str) -> Option<&str> {
        self.get(bank).map(|bank| bank.feeder.as_str())
    }

    /// Columns `bank` and `feeder`.
    pub(super) fn frame(&self) -> DataFrame {
        let banks: Vec<&str> = self.banks.keys().map(String::as_str).collect();
        let feeders: Vec<&str> = self.banks.values().map(|bank| bank.feeder.as_str()).collect();
        let columns =
            vec![Series::new("bank".into(), banks).into(), Series::new("feeder".into(), feeders).into()];
        DataFrame::new_infer_height(columns).unwrap_or_default()
    }
}
