//! `acknowledged.toml`: which alarms somebody has looked at, and what they wrote beside it.
//!
//! ```toml
//! [[alarm]]
//! id = "5b0c9a41d7"                          # as `wyelog alarms --store` shows it
//! alarm = "Quillmere 3: blown_fuse B"        # for people
//! acknowledged = "2030-05-14T09:30:00.000Z"
//! note = "work order written"
//! ```

use std::collections::BTreeMap;
use std::fs::{self, OpenOptions};
use std::io::ErrorKind;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{Store, StoreError, ingest};

/// Name of the file.
const FILE: &str = "acknowledged.toml";

const HEAD: &str = "# Alarms that somebody has looked at: `wyelog acknowledge` writes here.\n";

/// That somebody has looked at an alarm.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Acknowledgement {
    /// Which alarm: stays the same when its log is ingested anew.
    pub id: String,
    /// The alarm in words, for who reads the file.
    #[serde(default)]
    pub alarm: String,
    /// When, in UTC.
    pub acknowledged: String,
    /// What they wrote.
    #[serde(default)]
    pub note: String,
}

#[derive(Debug, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    alarm: Vec<Acknowledgement>,
}

/// By the alarm's id.
pub type Acknowledged = BTreeMap<String, Acknowledgement>;

impl Store {
    /// What has been acknowledged; no file is nothing.
    ///
    /// # Errors
    /// The file cannot be read, or makes no sense: with the line.
    pub fn acknowledged(&self) -> Result<Acknowledged, StoreError> {
        read(&self.dir.join(FILE))
    }

    /// Notes an acknowledgement. Gives whether that changed anything: the same note again does not, not even its time.
    ///
    /// # Errors
    /// The file cannot be read or written; it is then as it was.
    pub fn acknowledge(&self, new: Acknowledgement) -> Result<bool, StoreError> {
        self.edit(|all| match all.get(&new.id) {
            Some(kept) if kept.note == new.note => false,
            _ => {
                all.insert(new.id.clone(), new);
                true
            }
        })
    }

    /// Takes an acknowledgement back. Gives whether there was one.
    ///
    /// # Errors
    /// See [`Store::acknowledge`].
    pub fn withdraw(&self, id: &str) -> Result<bool, StoreError> {
        self.edit(|all| all.remove(id).is_some())
    }

    fn edit(&self, change: impl FnOnce(&mut Acknowledged) -> bool) -> Result<bool, StoreError> {
        let path = self.dir.join("_acknowledged.lock");
        let fail = |source| StoreError::Write { path: path.clone(), source };
        let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&path).map_err(fail)?;
        // Two people at once: the second waits for milliseconds, and loses nothing of the first.
        lock.lock().map_err(fail)?;
        let mut all = self.acknowledged()?;
        if !change(&mut all) {
            return Ok(false);
        }
        let path = self.dir.join(FILE);
        let file = File { alarm: all.into_values().collect() };
        let text = toml::to_string(&file)
            .map_err(|error| StoreError::Edited { path: path.clone(), reason: error.to_string() })?;
        ingest::write_whole(&path, format!("{HEAD}\n{text}").as_bytes())?;
        Ok(true)
    }
}

fn read(path: &Path) -> Result<Acknowledged, StoreError> {
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Acknowledged::new()),
        Err(source) => return Err(StoreError::Read { path: path.to_owned(), source }),
    };
    let file: File = toml::from_str(&text)
        .map_err(|error| StoreError::Edited { path: path.to_owned(), reason: error.to_string() })?;
    Ok(file.alarm.into_iter().map(|one| (one.id.clone(), one)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(id: &str, note: &str, time: &str) -> Acknowledgement {
        Acknowledgement {
            id: id.to_owned(),
            alarm: "Bank 1: blown_fuse B".to_owned(),
            acknowledged: time.to_owned(),
            note: note.to_owned(),
        }
    }

    #[test]
    fn twice_is_once_and_a_new_note_replaces_the_old_one() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_or_create(&folder.path().join("desk")).unwrap();
        assert!(store.acknowledged().unwrap().is_empty());
        assert!(store.acknowledge(one("a1", "seen", "T1")).unwrap());
        assert!(store.acknowledge(one("b2", "\"quoted\"\nin two lines", "T1")).unwrap());
        let before = fs::read(folder.path().join("desk/acknowledged.toml")).unwrap();
        assert!(!store.acknowledge(one("a1", "seen", "T2")).unwrap());
        assert_eq!(fs::read(folder.path().join("desk/acknowledged.toml")).unwrap(), before);
        assert!(store.acknowledge(one("a1", "crew sent", "T3")).unwrap());
        let all = store.acknowledged().unwrap();
        assert_eq!((all["a1"].note.as_str(), all["a1"].acknowledged.as_str()), ("crew sent", "T3"));
        assert_eq!(all["b2"].note, "\"quoted\"\nin two lines");
        assert!(store.withdraw("a1").unwrap());
        assert!(!store.withdraw("a1").unwrap());
        assert_eq!(store.acknowledged().unwrap().len(), 1);
    }

    #[test]
    fn a_file_that_makes_no_sense_is_named_with_its_line_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open_or_create(&folder.path().join("desk")).unwrap();
        let path = folder.path().join("desk/acknowledged.toml");
        fs::write(&path, "[[alarm]]\nid = 7\n").unwrap();
        let error = store.acknowledge(one("a1", "seen", "T1")).unwrap_err().to_string();
        assert!(error.contains("acknowledged.toml") && error.contains("line 2"), "{error}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "[[alarm]]\nid = 7\n");
    }
}
