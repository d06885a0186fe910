//! The register of the banks: `banks.toml`, what people know of a bank that no logger knows.
//!
//! ```toml
//! [[bank]]
//! name = "Quillmere 3"          # as on the nameplate that the logger was given
//! feeder = "Quillmere East"
//! asset = "CB-0031"             # these four may be missing
//! pole = "QE-117"
//! position = "lane behind the mill"
//! fuse_link = "40 K"            # as installed
//!
//! [[bank.logger]]               # which logger hung here, and when; none: the one whose nameplate has the name
//! device = "WY-0007"            # its serial number
//! from = 2030-05-14             # UTC; without: since ever
//! to = 2031-02-01T09:30:00Z     # to just before; without: until now
//! ```
//!
//! Or the same as a table, `banks.csv`: a row a bank and logger, with any of the columns
//! `bank,feeder,asset,pole,position,fuse_link,device,from,to`.

mod check;
mod csv_form;
mod stays;
mod toml_form;

use std::collections::BTreeMap;
use std::fmt;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use polars::prelude::{DataFrame, NamedFrom, Series};
use serde::Serialize;

use super::StoreError;
use crate::time;

/// What people know of the banks, by their names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Banks {
    banks: BTreeMap<String, Bank>,
    problems: Vec<Problem>,
}

/// What people know of a bank.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Bank {
    /// As on the nameplate that the logger was given.
    pub name: String,
    /// The feeder it hangs on.
    pub feeder: String,
    /// Its number in the books.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asset: Option<String>,
    /// The pole's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pole: Option<String>,
    /// How to find it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<String>,
    /// The fuse link as installed: rating in A and type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fuse_link: Option<String>,
    /// Which loggers hung on it, and when.
    #[serde(rename = "logger", skip_serializing_if = "Vec::is_empty")]
    pub loggers: Vec<Stay>,
}

/// A logger on a bank.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Stay {
    /// Serial number of the logger.
    pub device: String,
    /// From this moment on, UTC in ms since 1970-01-01; `None`: since ever.
    #[serde(rename = "from", serialize_with = "utc", skip_serializing_if = "Option::is_none")]
    pub from_ms: Option<i64>,
    /// To just before this one; `None`: until now.
    #[serde(rename = "to", serialize_with = "utc", skip_serializing_if = "Option::is_none")]
    pub to_ms: Option<i64>,
    /// The file and line that say so.
    #[serde(skip)]
    place: Place,
}

fn utc<S: serde::Serializer>(ms: &Option<i64>, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&time::utc(ms.and_then(|ms| u64::try_from(ms).ok()).unwrap_or(0)))
}

/// A line of a file; no line where the file is at fault as a whole.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Place {
    path: PathBuf,
    line: Option<usize>,
}

/// An entry that makes no sense and is left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    place: Place,
    what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place.line {
            Some(line) => write!(f, "{}: line {line}: {}", self.place.path.display(), self.what),
            None => write!(f, "{}: {}", self.place.path.display(), self.what),
        }
    }
}

impl Banks {
    /// Of (bank, feeder).
    pub fn new(banks: impl IntoIterator<Item = (String, String)>) -> Self {
        let banks = banks.into_iter();
        let entry =
            |(name, feeder): (String, String)| (name.clone(), Bank { name, feeder, ..Bank::default() });
        Self { banks: banks.map(entry).collect(), problems: Vec::new() }
    }

    /// Reads `banks.toml` or `banks.csv` in the folder; neither is no knowledge. Entries that make no sense are left
    /// out, and in [`Banks::problems`].
    ///
    /// # Errors
    /// The file cannot be read, is not of its form (with the line), or both are there.
    pub fn read(dir: &Path) -> Result<Self, StoreError> {
        let in_toml = text(&dir.join("banks.toml"))?;
        let in_csv = text(&dir.join("banks.csv"))?;
        match (in_toml, in_csv) {
            (None, None) => Ok(Self::default()),
            (Some((path, text)), None) => Ok(check::check(toml_form::entries(&path, &text)?)),
            (None, Some((path, text))) => Ok(check::check(csv_form::entries(&path, &text)?)),
            (Some(_), Some((path, _))) => Err(StoreError::Edited {
                path,
                reason: "banks.toml is there too, and it is not said which counts; keep one of them"
                    .to_owned(),
            }),
        }
    }

    /// As [`Banks::read`]; a file that is not of its form is a problem like others.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn read_what_can_be(dir: &Path) -> Result<Self, StoreError> {
        match Self::read(dir) {
            Err(StoreError::Edited { path, reason }) => {
                let place = Place { path, line: None };
                Ok(Self { banks: BTreeMap::new(), problems: vec![Problem { place, what: reason }] })
            }
            other => other,
        }
    }

    /// The text of `banks.toml`.
    ///
    /// # Errors
    /// Never for names that are text.
    pub fn text(&self) -> Result<String, toml::ser::Error> {
        #[derive(Serialize)]
        struct File<'b> {
            bank: Vec<&'b Bank>,
        }
        toml::to_string(&File { bank: self.banks.values().collect() })
    }

    /// Entries that make no sense and are left out.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }

    /// Loggers of which the register speaks and `is_known` does not.
    pub fn unknown_devices(&self, is_known: impl Fn(&str) -> bool) -> Vec<Problem> {
        let stays = self.banks.values().flat_map(|bank| bank.loggers.iter().map(move |stay| (bank, stay)));
        let unknown = stays.filter(|(_, stay)| !is_known(&stay.device)).map(|(bank, stay)| Problem {
            place: stay.place.clone(),
            what: format!(
                "no log of a logger \"{}\" is in the store, which is said to hang on {}; correct the serial number, or \
                 ingest its log",
                stay.device, bank.name
            ),
        });
        unknown.collect()
    }

    /// All, by name.
    pub fn all(&self) -> impl Iterator<Item = &Bank> {
        self.banks.values()
    }

    /// What is known of a bank.
    pub fn get(&self, bank: &str) -> Option<&Bank> {
        self.banks.get(bank)
    }

    /// The feeder of a bank, if it is known.
    pub fn feeder(&self, bank: &str) -> Option<&str> {
        self.get(bank).map(|bank| bank.feeder.as_str())
    }

    /// Whether it says of this logger where it hung.
    pub fn knows(&self, device: &str) -> bool {
        self.all().any(|bank| bank.loggers.iter().any(|stay| stay.device == device))
    }

    /// Columns `bank` and `feeder`.
    pub(super) fn frame(&self) -> DataFrame {
        let known = || self.banks.values().filter(|bank| !bank.feeder.is_empty());
        let banks: Vec<&str> = known().map(|bank| bank.name.as_str()).collect();
        let feeders: Vec<&str> = known().map(|bank| bank.feeder.as_str()).collect();
        let columns =
            vec![Series::new("bank".into(), banks).into(), Series::new("feeder".into(), feeders).into()];
        DataFrame::new_infer_height(columns).unwrap_or_default()
    }
}

/// The file, if it is there.
fn text(path: &Path) -> Result<Option<(PathBuf, String)>, StoreError> {
    match fs::read_to_string(path) {
        Ok(text) => Ok(Some((path.to_owned(), text))),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
        Err(source) => Err(StoreError::Read { path: path.to_owned(), source }),
    }
}
