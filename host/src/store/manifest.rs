//! What compaction has done: for each folder of a table, which files count instead of which.

use std::collections::{BTreeMap, HashSet};
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{Mark, StoreError, mark};

/// Folder of the manifests.
pub const FOLDER: &str = "compacted";

/// The compacted files of one folder. Of several manifests of a folder the one with the highest number counts: it says
/// all that those before it said.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
pub struct Manifest {
    /// Above that of every manifest before it; also in the names of its files.
    pub number: u32,
    /// A folder of a table, from the store's folder.
    pub folder: String,
    /// Files that hold rows of several logs, from the store's folder.
    pub files: Vec<String>,
    /// Files that no longer count: their rows are in `files`.
    pub replaces: Vec<String>,
}

impl Manifest {
    /// Its own name, from the store's folder.
    pub fn name(&self) -> String {
        format!("{FOLDER}/{:06}.toml", self.number)
    }
}

/// All manifests of a store.
#[derive(Clone, Debug, Default)]
pub struct Manifests {
    /// That count, by folder.
    current: BTreeMap<String, Manifest>,
    /// That a later one replaces.
    pub outdated: Vec<Manifest>,
}

impl Manifests {
    /// Reads those in the folder.
    pub fn read(store: &Path) -> Result<Self, StoreError> {
        let mut manifests = Self::default();
        for manifest in mark::read_tables::<Manifest>(&store.join(FOLDER))? {
            manifests.add(manifest);
        }
        Ok(manifests)
    }

    /// One more.
    pub fn add(&mut self, manifest: Manifest) {
        let is_newer = self.of(&manifest.folder).is_none_or(|other| other.number < manifest.number);
        if is_newer {
            self.outdated.extend(self.current.insert(manifest.folder.clone(), manifest));
        } else {
            self.outdated.push(manifest);
        }
    }

    /// Of a folder.
    pub fn of(&self, folder: &str) -> Option<&Manifest> {
        self.current.get(folder)
    }

    /// A number above all others.
    pub fn next_number(&self) -> u32 {
        let numbers = self.current.values().chain(&self.outdated).map(|manifest| manifest.number);
        numbers.max().unwrap_or(0).saturating_add(1)
    }

    /// Those that count.
    pub fn current(&self) -> impl Iterator<Item = &Manifest> {
        self.current.values()
    }

    /// Files that no longer count.
    pub fn replaced(&self) -> HashSet<&str> {
        self.current().flat_map(|manifest| &manifest.replaces).map(String::as_str).collect()
    }

    /// The files that count.
    pub fn live(&self, marks: &[Mark]) -> Vec<Live> {
        let replaced = self.replaced();
        let of_logs = marks.iter().flat_map(|mark| mark.files.iter().map(move |file| (file, mark)));
        let of_logs = of_logs.filter(|(file, _)| !replaced.contains(file.as_str()));
        let of_logs = of_logs.map(|(file, mark)| Live::of_log(file, mark));
        let compacted = self.current().flat_map(|manifest| &manifest.files);
        of_logs.chain(compacted.map(|file| Live { file: file.clone(), device: None, bank: None })).collect()
    }
}

/// A file that counts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Live {
    /// From the store's folder.
    pub file: String,
    /// The logger that all of its rows are of; `None`: of several.
    pub device: Option<String>,
    /// The bank that all of its rows are of, if that is known.
    pub bank: Option<String>,
}

impl Live {
    /// One that a log brought.
    pub fn of_log(file: &str, mark: &Mark) -> Self {
        let bank = if let [bank] = mark.banks.as_slice() { Some(bank.clone()) } else { None };
        Self { file: file.to_owned(), device: Some(mark.device.clone()), bank }
    }

    /// The folder it lies in.
    pub fn folder(&self) -> &str {
        self.file.rsplit_once('/').map_or("", |(folder, _)| folder)
    }
}
