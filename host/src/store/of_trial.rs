//! A store for tests of what is made of one.

use std::fs;

use tempfile::TempDir;

use super::{Banks, Store};
use crate::trial;

/// A folder with `store`, which holds the log of the trial in which a fuse blows; its bank hangs on the feeder East.
pub fn of_trial() -> (TempDir, Store) {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("store");
    let scenario = trial::built_in("blown_fuse").unwrap().unwrap();
    let path = folder.path().join("a.log");
    fs::write(&path, trial::run(&scenario, &mut |_| {}).unwrap().file).unwrap();
    let mut store = Store::open_or_create(&dir).unwrap();
    store.writer().unwrap().ingest(&path).unwrap();
    let banks = Banks::new([("Quillmere 3".to_owned(), "East".to_owned())]);
    fs::write(dir.join("banks.toml"), banks.text().unwrap()).unwrap();
    let store = Store::open(&dir).unwrap();
    (folder, store)
}
